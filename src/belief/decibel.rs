//! Weights of evidence in decibels (decibans): ten times the decimal logarithm of a likelihood ratio.
//!
//! Definition: General Report on Tunny (1945), p. 39, where the unit is credited to Turing. Weights add when the
//! findings are independent given the fault and given its absence.

/// Odds of a probability, in decibels: `10 log10(p / (1 - p))`. Minus infinity at 0, infinity at 1.
///
/// ```
/// use halfsplit::belief::decibel::odds_db;
/// // 8/13 is odds of 1.6, two decibels up.
/// assert!((odds_db(8.0 / 13.0) - 2.0412).abs() < 1e-4);
/// ```
pub fn odds_db(probability: f64) -> f64 {
    10.0 * (probability / (1.0 - probability)).log10()
}

/// The probability at odds of so many decibels; the inverse of [`odds_db`].
pub fn probability_at(db: f64) -> f64 {
    1.0 / (1.0 + 10f64.powf(-db / 10.0))
}

/// Weight of a factor (likelihood ratio or Bayes factor), in decibels.
pub fn factor_db(factor: f64) -> f64 {
    10.0 * factor.log10()
}

/// Weight of evidence for a hypothesis: `10 log10(P(e | h) / P(e | not h))`, in decibels.
pub fn weight_db(given: f64, otherwise: f64) -> f64 {
    factor_db(given / otherwise)
}

/// A meter reading's density under one hypothesis: normal, or with a small chance a slip of the probe.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Expected {
    /// The expected reading, in the reading's unit.
    pub mean: f64,
    /// Standard deviation, tolerance and meter together, in the same unit; greater than zero.
    pub spread: f64,
}

/// A reading may be a slip (wrong point, wrong range): with chance `chance` it can be anything, evenly over `range`.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Slip {
    /// Probability of a slip, 0 to 1.
    pub chance: f64,
    /// Width of the range over which a slip spreads, in the reading's unit; greater than zero.
    pub range: f64,
}

impl Expected {
    /// Natural logarithm of the density at a reading, in 1 / unit.
    pub fn log_density(&self, reading: f64) -> f64 {
        let z = (reading - self.mean) / self.spread;
        -0.5 * z * z - self.spread.ln() - 0.5 * (2.0 * std::f64::consts::PI).ln()
    }

    /// The same with a slip mixed in: `log((1 - chance) * normal + chance / range)`. Never below
    /// `log(chance / range)`, which caps what a single reading can say against a hypothesis.
    pub fn log_density_with_slip(&self, reading: f64, slip: Slip) -> f64 {
        let normal = (-slip.chance).ln_1p() + self.log_density(reading);
        let anything = slip.chance.ln() - slip.range.ln();
        super::state::log_sum(&[normal, anything])
    }
}

/// Weight of a reading for one expectation against another, in decibels, without slips. Can reach hundreds.
///
/// ```
/// use halfsplit::belief::decibel::{Expected, reading_db};
/// let half = Expected { mean: 4.5, spread: 0.2 };
/// let high = Expected { mean: 5.0, spread: 0.2 };
/// assert!((reading_db(4.7, high, half) + 2.714341).abs() < 1e-6);
/// ```
pub fn reading_db(reading: f64, hypothesis: Expected, other: Expected) -> f64 {
    nepers_db(hypothesis.log_density(reading) - other.log_density(reading))
}

/// Weight of a reading with slips allowed for, in decibels; cannot exceed
/// `10 log10(1 + (1 - chance) * range / (chance * spread * sqrt(2 pi)))` either way.
pub fn reading_db_with_slip(reading: f64, hypothesis: Expected, other: Expected, slip: Slip) -> f64 {
    nepers_db(hypothesis.log_density_with_slip(reading, slip) - other.log_density_with_slip(reading, slip))
}

/// Natural-logarithm units to decibels.
pub fn nepers_db(nepers: f64) -> f64 {
    nepers * 10.0 / std::f64::consts::LN_10
}
