//! What a check that has not been done is worth: how its answer would move the belief.

use super::state::Belief;
use super::{BeliefError, CheckId, Finding};

/// What a check will show, and the belief after each answer.
#[derive(Debug, Clone, PartialEq)]
pub struct Prediction {
    /// The check.
    pub check: CheckId,
    /// P(answer | findings), by answer.
    pub answers: Vec<f64>,
    /// P(fault | findings, answer) by answer and fault; empty for an answer of probability zero.
    pub after: Vec<Vec<f64>>,
}

/// The information in a check's answer, in bits.
#[derive(Debug, Clone, PartialEq)]
pub struct CheckValue {
    /// The check.
    pub check: CheckId,
    /// P(answer | findings), by answer.
    pub answers: Vec<f64>,
    /// Sum over faults of the mutual information between the fault and the answer. An overlap counts for each fault
    /// that shares it, so this can exceed the answer's entropy.
    pub bits: f64,
}

impl Belief {
    /// Predicts a check's answer and the faults' probabilities after each.
    ///
    /// # Errors
    /// [`BeliefError::Unknown`], [`BeliefError::RepeatedFinding`] where the check has a finding,
    /// [`BeliefError::TooCostly`].
    pub fn predict(&self, check: CheckId) -> Result<Prediction, BeliefError> {
        let m = self.graph.answers(check).ok_or_else(|| super::graph::unknown("check", check.0))?;
        let mut answers = vec![0.0; m];
        let mut after = vec![Vec::new(); m];
        for k in 0..m {
            match self.with_finding(Finding::answer(check, k)) {
                Ok(next) => {
                    answers[k] = (next.posterior.log_evidence - self.posterior.log_evidence).exp();
                    after[k] = next.posterior.faults;
                }
                Err(BeliefError::Impossible) => {}
                Err(other) => return Err(other),
            }
        }
        Ok(Prediction { check, answers, after })
    }

    /// The value of a check, in bits.
    ///
    /// # Errors
    /// As [`Belief::predict`].
    pub fn value(&self, check: CheckId) -> Result<CheckValue, BeliefError> {
        let prediction = self.predict(check)?;
        let mut bits = 0.0;
        for (f, prior) in self.posterior.faults.iter().enumerate() {
            for (p, after) in prediction.answers.iter().zip(&prediction.after) {
                if let Some(q) = after.get(f) {
                    bits += p * (gain(*q, *prior) + gain(1.0 - q, 1.0 - prior));
                }
            }
        }
        Ok(CheckValue { check, answers: prediction.answers, bits: bits.max(0.0) })
    }

    /// The value of several checks.
    ///
    /// # Errors
    /// As [`Belief::predict`].
    pub fn values(&self, checks: &[CheckId]) -> Result<Vec<CheckValue>, BeliefError> {
        checks.iter().map(|c| self.value(*c)).collect()
    }
}

/// q log2(q / p), zero at q = 0.
fn gain(q: f64, p: f64) -> f64 {
    if q <= 0.0 || p <= 0.0 { 0.0 } else { q * (q / p).log2() }
}
