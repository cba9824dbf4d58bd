//! How well readings taken fit a prediction.
//!
//! Readings with a number are joined by a covariance: the shared draw of parts (low rank) plus each reading's own error on the
//! diagonal. What is left of each reading, given those before it, has a tail heavier than the normal one (Student's with four degrees
//! of freedom): spreads are themselves only roughly known, and a reading a little outside its band must not convict a part. The
//! order of the readings is fixed, so that the order in which they were taken does not matter. Ranges, overloads and levels by ear are probabilities of an interval, given the numbers. Every reading may be a slip
//! of the probe; instead of all subsets, slips are tried one after another, the worst reading first, and the tries are added up, which
//! is exact for one slip that stands out and a lower bound otherwise.

use super::check::{NOISE_SHOWN, NONE_HERTZ};
use super::{Bench, CheckId, Ear, Observed, Predicted, Prediction, SILENCE};
use crate::units::{Reading, Shown};
use std::f64::consts::SQRT_2;

/// A level this many dB above the usual one is heard as loud (common practice, no source; so the three below).
pub const LOUD_DB: f64 = 6.0;
/// Below this change, dB, it is heard as faint.
pub const FAINT_DB: f64 = -7.0;
/// Below this change, dB, nothing is heard.
pub const NONE_DB: f64 = -32.0;
/// Standard deviation between two listeners, dB.
pub const EAR_SD: f64 = 3.0;
/// Ohms at which a usual meter gives up (natural logarithm of 20 Mohm).
const LN_OVER: f64 = 16.811_242_831_518_264;

/// Chance that a slip of the probe shows nothing where a rate or a noise was looked for (common practice, no source).
const NOTHING: f64 = 0.25;

/// One reading, ready to be scored.
enum Item<'a> {
    Point { value: f64, extra_var: f64, predicted: &'a Predicted, slip: f64 },
    Interval { low: f64, high: f64, extra_var: f64, predicted: &'a Predicted, slip: f64 },
}

/// Natural logarithm of the likelihood of findings under a prediction. `healthy` is what levels by ear are judged against. Findings of checks that were
/// not predicted are left out.
///
/// Densities are per volt, amp, decibel and unit of ln ohms, so only differences between fault sets mean anything.
pub fn log_likelihood(
    with: &Prediction,
    healthy: &Prediction,
    findings: &[(CheckId, Observed)],
    bench: &Bench,
) -> f64 {
    let findings = &in_order(findings);
    let of = |check: &CheckId| with.get(check);
    log_likelihood_shared(with, healthy, findings, bench, &covariances(findings, of))
}

/// Findings in the order of their checks, and of what was read.
pub(super) fn in_order(findings: &[(CheckId, Observed)]) -> Vec<(CheckId, Observed)> {
    let value = |o: &Observed| match o {
        Observed::Read(reading) => reading.middle(),
        Observed::Heard(ear) => f64::from(*ear as u8),
    };
    let mut all = findings.to_vec();
    all.sort_by(|a, b| a.0.cmp(&b.0).then(value(&a.1).total_cmp(&value(&b.1))));
    all
}

/// The same with the covariances of the readings over the shared draw of parts, in the order of the findings, given.
pub(super) fn log_likelihood_shared(
    with: &Prediction,
    healthy: &Prediction,
    findings: &[(CheckId, Observed)],
    bench: &Bench,
    covariances: &[Vec<f64>],
) -> f64 {
    let items: Vec<Item<'_>> = findings.iter().filter_map(|(c, o)| item(c, o, with, healthy)).collect();
    let ln_slip = bench.slip.max(1e-12).ln();
    let ln_fine = (1.0 - bench.slip).max(1e-12).ln();
    let mut slipped = vec![false; items.len()];
    let mut total = f64::NEG_INFINITY;
    for round in 0..=items.len().min(6) {
        let score = |slipped: &[bool]| -> f64 {
            let priors: f64 = items
                .iter()
                .zip(slipped)
                .map(|(i, s)| if *s { ln_slip + slip_density(i) } else { ln_fine })
                .sum();
            priors + joint(&items, covariances, slipped)
        };
        total = log_sum(total, score(&slipped));
        if round == items.len() {
            break;
        }
        let next = (0..items.len()).filter(|i| !slipped[*i]).map(|i| {
            let mut tried = slipped.clone();
            tried[i] = true;
            (i, score(&tried))
        });
        let Some((worst, best)) = next.max_by(|a, b| a.1.total_cmp(&b.1).then(b.0.cmp(&a.0))) else { break };
        // Once one more slip adds next to nothing, further ones add less.
        if best < total - 12.0 {
            break;
        }
        slipped[worst] = true;
    }
    total
}

pub(super) fn log_sum(a: f64, b: f64) -> f64 {
    let most = a.max(b);
    if most == f64::NEG_INFINITY { most } else { most + ((a - most).exp() + (b - most).exp()).ln() }
}

fn slip_density(item: &Item<'_>) -> f64 {
    match item {
        Item::Point { slip, .. } | Item::Interval { slip, .. } => *slip,
    }
}

fn item<'a>(
    check: &CheckId,
    seen: &Observed,
    with: &'a Prediction,
    healthy: &Prediction,
) -> Option<Item<'a>> {
    let predicted = with.get(check)?;
    match seen {
        Observed::Heard(ear) => {
            let usual = healthy.get(check)?.mean;
            let (low, high) = match ear {
                Ear::None => (f64::NEG_INFINITY, (usual + NONE_DB).max(SILENCE + 30.0)),
                Ear::Faint => (usual + NONE_DB, usual + FAINT_DB),
                Ear::Expected => (usual + FAINT_DB, usual + LOUD_DB),
                Ear::Loud => (usual + LOUD_DB, f64::INFINITY),
            };
            Some(Item::Interval { low, high, extra_var: EAR_SD * EAR_SD, predicted, slip: 0.25f64.ln() })
        }
        Observed::Read(reading) => Some(read(check, reading, predicted)),
    }
}

fn read<'a>(check: &CheckId, reading: &Reading, predicted: &'a Predicted) -> Item<'a> {
    let scale = |x: f64| check.scaled(x);
    // Width over which a slip of the probe may land.
    let width: f64 = match check {
        CheckId::Volts(_) => 12.0,
        CheckId::Amps(_) => 0.2,
        CheckId::Level(_) => 120.0,
        CheckId::Ohms(_) => 20.0,
        // From a swing in half a minute to a whistle.
        CheckId::Hertz(_) => 14.0,
        CheckId::Swing(_) => 12.0,
        // From microvolts to a howl.
        CheckId::Noise(_) => 16.0,
    };
    let middle = check.figure(reading);
    // The last digit hides a uniform error; a vague reading may be off by a twelfth.
    let mut extra = reading.resolution * reading.resolution / 12.0;
    if reading.vague {
        extra += (0.08 * middle.abs()).powi(2);
    }
    if check.by_ratio() && middle.is_finite() {
        extra /= middle.abs().max(check.floor()).powi(2);
    }
    let none = match check {
        CheckId::Hertz(_) if middle < NONE_HERTZ => Some(NONE_HERTZ),
        CheckId::Noise(_) if middle == 0.0 => Some(NOISE_SHOWN),
        _ => None,
    };
    if let Some(below) = none {
        let (low, high) = (f64::NEG_INFINITY, below.ln());
        return Item::Interval { low, high, extra_var: 0.0, predicted, slip: NOTHING.ln() };
    }
    match reading.shown {
        // A swing's ends come to one figure.
        Shown::Range(..) if matches!(check, CheckId::Swing(_)) => {
            Item::Point { value: middle, extra_var: extra, predicted, slip: -width.ln() }
        }
        Shown::Overload => {
            Item::Interval { low: LN_OVER, high: f64::INFINITY, extra_var: 0.0, predicted, slip: 0.1f64.ln() }
        }
        Shown::Range(low, high) if high > low => {
            let (low, high) = (scale(low), scale(high));
            let slip = ((high - low) / width).clamp(1e-6, 1.0).ln();
            Item::Interval { low, high, extra_var: extra, predicted, slip }
        }
        Shown::Range(value, _) | Shown::Value(value) => {
            Item::Point { value: scale(value), extra_var: extra, predicted, slip: -width.ln() }
        }
    }
}

/// Covariance of each reading with those before it and itself over the shared draw of parts; findings that are not predicted
/// are left out.
pub(super) fn covariances<'p>(
    findings: &[(CheckId, Observed)],
    of: impl Fn(&CheckId) -> Option<&'p Predicted>,
) -> Vec<Vec<f64>> {
    let shared = |a: &Predicted, b: &Predicted| -> f64 {
        a.loadings.iter().zip(b.loadings.iter()).map(|(x, y)| x * y).sum()
    };
    let predicted: Vec<&Predicted> = findings.iter().filter_map(|(check, _)| of(check)).collect();
    let row = |(i, a): (usize, &&Predicted)| predicted[..=i].iter().map(|b| shared(a, b)).collect();
    predicted.iter().enumerate().map(row).collect()
}

/// Log density of the readings that are no slips.
fn joint(items: &[Item<'_>], covariances: &[Vec<f64>], slipped: &[bool]) -> f64 {
    let live = || items.iter().enumerate().zip(slipped).filter(|(_, s)| !**s).map(|(i, _)| i);
    // An open circuit predicted where a number was read: the meter's range ends there.
    let mean = |p: &Predicted| if p.mean.is_finite() { p.mean } else { LN_OVER + 0.7 };
    let mut normal = Normal { covariances, rows: Vec::new(), factor: Vec::new(), whitened: Vec::new() };
    for (i, item) in live() {
        if let Item::Point { value, extra_var, predicted, .. } = item {
            normal.add(i, value - mean(predicted), predicted.own_sd * predicted.own_sd + extra_var);
        }
    }
    let mut total = normal.log_density();
    for (i, item) in live() {
        let Item::Interval { low, high, extra_var, predicted, .. } = item else { continue };
        let (shift, var) = normal.given(i, predicted.own_sd * predicted.own_sd);
        let sd = (var + extra_var).sqrt().max(1e-9);
        let m = if predicted.mean.is_finite() { predicted.mean + shift } else { LN_OVER + 0.7 };
        total += interval((low - m) / sd, (high - m) / sd).max(1e-300).ln();
    }
    total
}

/// Scale of the heavy-tailed density for a standard deviation of 1: as wide as the normal one in the middle half.
const SCALE: f64 = 0.911;

/// Log density of Student's distribution with four degrees of freedom: 3/8 (1 + t^2/4)^(-5/2).
fn student(x: f64) -> f64 {
    let t = x / SCALE;
    (0.375f64 / SCALE).ln() - 2.5 * (t * t / 4.0).ln_1p()
}

/// Readings about zero with their covariance factored.
struct Normal<'a> {
    covariances: &'a [Vec<f64>],
    /// Which readings are in, by place.
    rows: Vec<usize>,
    /// Lower triangle of the Cholesky factor, row by row.
    factor: Vec<Vec<f64>>,
    /// The factor's solution for the residuals.
    whitened: Vec<f64>,
}

impl Normal<'_> {
    /// Adds a reading: its place, its residual and the variance that no other reading shares.
    fn add(&mut self, place: usize, residual: f64, own: f64) {
        let mut row = self.solve(place);
        let left = own + self.shared(place, place) - row.iter().map(|x| x * x).sum::<f64>();
        let diagonal = left.max(1e-18).sqrt();
        let told: f64 = row.iter().zip(&self.whitened).map(|(l, w)| l * w).sum();
        self.whitened.push((residual - told) / diagonal);
        row.push(diagonal);
        self.factor.push(row);
        self.rows.push(place);
    }

    fn shared(&self, a: usize, b: usize) -> f64 {
        self.covariances[a.max(b)][a.min(b)]
    }

    /// `L^-1 c` for the covariances `c` of a reading with those already in.
    fn solve(&self, place: usize) -> Vec<f64> {
        let mut out: Vec<f64> = Vec::with_capacity(self.factor.len() + 1);
        for (row, other) in self.factor.iter().zip(&self.rows) {
            let told: f64 = row.iter().zip(&out).map(|(l, x)| l * x).sum();
            let diagonal = row.get(out.len()).copied().unwrap_or(1.0);
            out.push((self.shared(place, *other) - told) / diagonal);
        }
        out
    }

    fn log_density(&self) -> f64 {
        let one = |(i, w): (usize, &f64)| student(*w) - self.factor[i][i].ln();
        self.whitened.iter().enumerate().map(one).sum()
    }

    /// Shift of the mean and variance of another reading, given these; `own` is the variance that it shares with none.
    fn given(&self, place: usize, own: f64) -> (f64, f64) {
        let row = self.solve(place);
        let shift = row.iter().zip(&self.whitened).map(|(l, w)| l * w).sum();
        let all = own + self.shared(place, place);
        (shift, (all - row.iter().map(|x| x * x).sum::<f64>()).max(own))
    }
}

/// Probability of a standard normal between two bounds.
fn interval(low: f64, high: f64) -> f64 {
    // Work in the nearer tail, where differences keep their digits.
    if low > 0.0 { upper(low) - upper(high) } else { upper(-high) - upper(-low) }
}

/// Upper tail of the standard normal, relative error below 1.2e-7 (complementary error function by Chebyshev fitting, Numerical
/// Recipes, 2nd edition, section 6.2).
fn upper(x: f64) -> f64 {
    if x == f64::INFINITY {
        return 0.0;
    }
    if x == f64::NEG_INFINITY {
        return 1.0;
    }
    let z = x.abs() / SQRT_2;
    let t = 1.0 / (1.0 + 0.5 * z);
    const FIT: [f64; 10] = [
        -1.265_512_23,
        1.000_023_68,
        0.374_091_96,
        0.096_784_18,
        -0.186_288_06,
        0.278_868_07,
        -1.135_203_98,
        1.488_515_87,
        -0.822_152_23,
        0.170_872_77,
    ];
    let poly = FIT.iter().rev().fold(0.0, |sum, c| sum * t + c);
    let tail = t * (-z * z + poly).exp() / 2.0;
    if x >= 0.0 { tail } else { 1.0 - tail }
}

#[cfg(test)]
pub(super) fn tail(x: f64) -> f64 {
    upper(x)
}
