//! Preferred values per IEC 60063. E24 and below are tabulated (they do not follow the root exactly); E48, E96 and E192 are
//! computed as the rounded root, except 920 in E192.

/// A series of preferred values.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Series {
    /// 3 values a decade.
    E3,
    /// 6 values a decade, for 20 %.
    E6,
    /// 12 values a decade, for 10 %.
    E12,
    /// 24 values a decade, for 5 %.
    E24,
    /// 48 values a decade, for 2 %.
    E48,
    /// 96 values a decade, for 1 %.
    E96,
}

const E24: [u16; 24] = [
    100, 110, 120, 130, 150, 160, 180, 200, 220, 240, 270, 300, 330, 360, 390, 430, 470, 510, 560, 620, 680,
    750, 820, 910,
];

impl Series {
    /// One decade of the series in hundredths: `[100, 150, …]`.
    pub fn decade(self) -> Vec<u16> {
        let every = |step: usize| E24.iter().copied().step_by(step).collect();
        let root = |n: u16| {
            (0..n).map(|k| (100.0 * 10f64.powf(f64::from(k) / f64::from(n))).round() as u16).collect()
        };
        match self {
            Self::E3 => every(8),
            Self::E6 => every(4),
            Self::E12 => every(2),
            Self::E24 => every(1),
            Self::E48 => root(48),
            Self::E96 => root(96),
        }
    }

    /// The series value nearest by ratio; `None` unless the value is finite and above 0.
    ///
    /// ```
    /// use halfsplit::units::series::Series;
    /// assert_eq!(Series::E24.nearest(4_800.0), Some(4_700.0));
    /// ```
    pub fn nearest(self, value: f64) -> Option<f64> {
        if !(value.is_finite() && value > 0.0) {
            return None;
        }
        let exponent = value.log10().floor() as i32;
        let candidates = self.decade().into_iter().map(f64::from).chain([1000.0]);
        let scaled = candidates.map(|c| scale(c, exponent - 2));
        scaled.min_by(|a, b| (a / value).ln().abs().total_cmp(&(b / value).ln().abs()))
    }

    /// Whether a value is in the series, to a part in a million.
    pub fn contains(self, value: f64) -> bool {
        self.nearest(value).is_some_and(|n| (n / value - 1.0).abs() < 1e-6)
    }
}

/// `digits * 10^exponent` without binary dust for negative exponents.
fn scale(digits: f64, exponent: i32) -> f64 {
    if exponent < 0 { digits / 10f64.powi(-exponent) } else { digits * 10f64.powi(exponent) }
}
