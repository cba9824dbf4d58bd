//! What is still to be learnt from a reading once others are known: readings of one board share one draw of parts.
//!
//! A supply that was read a little high makes every net that hangs on it a little high as well; what a reading there has to tell is
//! how far it differs from *that*. Absent: findings by ear and over range, which move nothing here.

use super::{CheckId, LN_BEYOND, Observed, PredictError, Predicted, Prediction, Predictor};
use crate::units::Shown;
use std::collections::BTreeMap;

/// A reading further off than this many standard deviations is taken as off by so much only: it may be a slip of the probe, or a fault
/// that the set does not have.
const FAR: f64 = 2.5;

/// Gains of the readings taken for each check still to be made.
#[derive(Clone, Debug, Default)]
pub struct Foresight {
    /// Checks read, with what was read (ohms as a logarithm).
    taken: Vec<(CheckId, f64)>,
    /// For each check: how far it moves with each reading taken, and the share of its variance that they leave.
    gains: BTreeMap<CheckId, (Vec<f64>, f64)>,
}

impl Predictor<'_> {
    /// What findings say of the other checks of this board, by the healthy board's spread.
    ///
    /// # Errors
    /// As [`Predictor::predict`].
    pub fn foresight(
        &mut self,
        findings: &[(CheckId, Observed)],
        checks: &[CheckId],
    ) -> Result<Foresight, PredictError> {
        let taken: Vec<(CheckId, f64)> =
            findings.iter().filter_map(|(c, o)| Some((c.clone(), number(c, o)?))).collect();
        if taken.is_empty() {
            return Ok(Foresight::default());
        }
        let all: Vec<CheckId> = taken.iter().map(|t| t.0.clone()).chain(checks.iter().cloned()).collect();
        let usual = self.predict(&[], &all)?;
        let known: Vec<&Predicted> = taken.iter().filter_map(|(c, _)| usual.get(c)).collect();
        if known.len() != taken.len() {
            return Ok(Foresight::default());
        }
        let own = |i: usize, j: usize| if i == j { known[i].own_sd.powi(2) } else { 0.0 };
        let matrix: Vec<Vec<f64>> = (0..known.len())
            .map(|i| (0..known.len()).map(|j| shared(known[i], known[j]) + own(i, j)).collect())
            .collect();
        let mut gains = BTreeMap::new();
        for check in checks {
            let Some(p) = usual.get(check) else { continue };
            let with: Vec<f64> = known.iter().map(|k| shared(p, k)).collect();
            let Some(gain) = solved(&matrix, &with) else { continue };
            let all = shared(p, p);
            let told: f64 = gain.iter().zip(&with).map(|(g, w)| g * w).sum();
            let left = if all > 0.0 { (1.0 - told / all).clamp(0.0, 1.0) } else { 1.0 };
            gains.insert(check.clone(), (gain, left));
        }
        Ok(Foresight { taken, gains })
    }
}

impl Foresight {
    /// The checks that have been read: an outline has to have them to be made use of.
    pub fn taken(&self) -> impl Iterator<Item = &CheckId> {
        self.taken.iter().map(|t| &t.0)
    }

    /// An outline of a fault set's readings, moved and narrowed by what has been read.
    pub fn apply(&self, outline: Prediction) -> Prediction {
        let off: Vec<f64> = self
            .taken
            .iter()
            .map(|(check, read)| match outline.get(check) {
                Some(p) if p.mean.is_finite() => (read - p.mean).clamp(-FAR * p.sd, FAR * p.sd),
                _ => 0.0,
            })
            .collect();
        let mut out = outline;
        for (check, p) in &mut out.readings {
            let Some((gain, left)) = self.gains.get(check).filter(|_| p.mean.is_finite()) else { continue };
            p.mean += gain.iter().zip(&off).map(|(g, o)| g * o).sum::<f64>();
            let shared = (p.sd * p.sd - p.own_sd * p.own_sd).max(0.0);
            p.sd = p.own_sd.hypot((shared * left).sqrt());
        }
        out
    }
}

fn number(check: &CheckId, seen: &Observed) -> Option<f64> {
    let Observed::Read(reading) = seen else { return None };
    // What a board does by itself shares no draw with the rest.
    if matches!(reading.shown, Shown::Overload) || !reading.middle().is_finite() || check.by_itself() {
        return None;
    }
    Some(match check {
        CheckId::Ohms(_) => reading.middle().max(0.05).ln().min(LN_BEYOND),
        _ => reading.middle(),
    })
}

fn shared(a: &Predicted, b: &Predicted) -> f64 {
    a.loadings.iter().zip(b.loadings.iter()).map(|(x, y)| x * y).sum()
}

/// Solution of a symmetric positive system by Gauss; none where it is singular.
fn solved(matrix: &[Vec<f64>], right: &[f64]) -> Option<Vec<f64>> {
    let n = right.len();
    let mut rows: Vec<Vec<f64>> = matrix.iter().zip(right).map(|(r, b)| [&r[..], &[*b]].concat()).collect();
    for i in 0..n {
        let pivot = rows[i][i];
        if pivot.abs() < 1e-30 {
            return None;
        }
        for j in i + 1..n {
            let factor = rows[j][i] / pivot;
            let (above, below) = rows.split_at_mut(j);
            for (to, from) in below[0].iter_mut().zip(&above[i]).skip(i) {
                *to -= factor * from;
            }
        }
    }
    let mut x = vec![0.0; n];
    for i in (0..n).rev() {
        let known: f64 = (i + 1..n).map(|k| rows[i][k] * x[k]).sum();
        x[i] = (rows[i][n] - known) / rows[i][i];
    }
    Some(x)
}
