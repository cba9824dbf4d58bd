//! Quantiles of the Beta distribution.

/// Logarithm of the gamma function for x > 0: Lanczos' series (g = 7, nine terms; Lanczos 1964), good to 1e-13.
fn ln_gamma(x: f64) -> f64 {
    const C: [f64; 9] = [
        0.999_999_999_999_809_9,
        676.520_368_121_885_1,
        -1_259.139_216_722_402_8,
        771.323_428_777_653_1,
        -176.615_029_162_140_6,
        12.507_343_278_686_905,
        -0.138_571_095_265_720_12,
        9.984_369_578_019_572e-6,
        1.505_632_735_149_311_6e-7,
    ];
    if x < 0.5 {
        return (std::f64::consts::PI / (std::f64::consts::PI * x).sin()).ln() - ln_gamma(1.0 - x);
    }
    let x = x - 1.0;
    let t = x + 7.5;
    let sum = C.iter().enumerate().skip(1).fold(C[0], |sum, (i, c)| sum + c / (x + i as f64));
    0.5 * (2.0 * std::f64::consts::PI).ln() + (x + 0.5) * t.ln() - t + sum.ln()
}

/// The regularised incomplete beta function I_x(a, b) by its continued fraction (DLMF 8.17.22, modified Lentz).
pub fn cdf(a: f64, b: f64, x: f64) -> f64 {
    if x <= 0.0 || x >= 1.0 {
        return f64::from(u8::from(x >= 1.0));
    }
    if x > (a + 1.0) / (a + b + 2.0) {
        return 1.0 - cdf(b, a, 1.0 - x);
    }
    let front = (ln_gamma(a + b) - ln_gamma(a) - ln_gamma(b) + a * x.ln() + b * (-x).ln_1p()).exp() / a;
    let tiny = 1e-300;
    let guard = |v: f64| if v.abs() < tiny { tiny } else { v };
    let (mut c, mut d) = (1.0, 1.0 / guard(1.0 - (a + b) * x / (a + 1.0)));
    let mut fraction = d;
    for m in 1..2000 {
        let m = f64::from(m);
        let even = m * (b - m) * x / ((a + 2.0 * m - 1.0) * (a + 2.0 * m));
        let odd = -(a + m) * (a + b + m) * x / ((a + 2.0 * m) * (a + 2.0 * m + 1.0));
        let mut step = 1.0;
        for term in [even, odd] {
            d = 1.0 / guard(1.0 + term * d);
            c = guard(1.0 + term / c);
            step = c * d;
            fraction *= step;
        }
        if (step - 1.0).abs() < 1e-15 {
            break;
        }
    }
    (front * fraction).clamp(0.0, 1.0)
}

/// The x below which Beta(a, b) has probability `p`; a and b above 0.
///
/// ```text
/// quantile(1, 1, 0.05) = 0.05
/// ```
pub fn quantile(a: f64, b: f64, p: f64) -> f64 {
    let (mut low, mut high) = (0.0, 1.0);
    for _ in 0..100 {
        let middle = 0.5 * (low + high);
        if cdf(a, b, middle) < p {
            low = middle;
        } else {
            high = middle;
        }
    }
    0.5 * (low + high)
}

/// The central 90 % of the Beta distribution with this mean and weight (a + b); the ends meet for a mean of 0 or 1.
pub fn interval(mean: f64, weight: f64) -> [f64; 2] {
    if mean <= 0.0 || mean >= 1.0 || weight <= 0.0 {
        return [mean, mean];
    }
    let (a, b) = (mean * weight, (1.0 - mean) * weight);
    [quantile(a, b, 0.05), quantile(a, b, 0.95)]
}
