//! What was found: a check and how likely each of its answers makes the reading.

use super::graph::unknown;
use super::{BeliefError, CheckId, Graph};

/// One check's outcome, as a likelihood over the check's answers.
///
/// A plain answer is a vector with a single one. A reading near the border of two answers spreads itself over both:
/// entry `k` is P(reading | the answer is truly `k`), up to a common factor. An `unsure` outcome is no finding at all;
/// a vector of equal entries has the same effect. A check takes part at most once; when it was done twice, the caller
/// decides (the later finding replaces the earlier one, or the two likelihood vectors are multiplied entry by entry).
#[derive(Debug, Clone, PartialEq)]
pub struct Finding {
    /// The check.
    pub check: CheckId,
    /// The outcome.
    pub outcome: Outcome,
}

/// The outcome of a check.
#[derive(Debug, Clone, PartialEq)]
pub enum Outcome {
    /// Exactly this answer (0 = normal).
    Answer(usize),
    /// Likelihood of the reading under each answer, one entry per answer, not all zero.
    Soft(Vec<f64>),
}

impl Finding {
    /// A plain answer.
    pub fn answer(check: CheckId, answer: usize) -> Self {
        Finding { check, outcome: Outcome::Answer(answer) }
    }

    /// A soft one: likelihood of the reading under each answer.
    pub fn soft(check: CheckId, likelihood: Vec<f64>) -> Self {
        Finding { check, outcome: Outcome::Soft(likelihood) }
    }

    /// The likelihood vector in full length, checked against the graph.
    pub(crate) fn likelihood(&self, graph: &Graph) -> Result<Vec<f64>, BeliefError> {
        let m = graph.answers(self.check).ok_or_else(|| unknown("check", self.check.0))?;
        match &self.outcome {
            Outcome::Answer(k) if *k < m => {
                let mut v = vec![0.0; m];
                v[*k] = 1.0;
                Ok(v)
            }
            Outcome::Answer(k) => Err(BeliefError::WrongLength {
                what: format!("answer {k} of check {}", self.check.0),
                found: m,
                expected: *k + 1,
            }),
            Outcome::Soft(v) if v.len() != m => Err(BeliefError::WrongLength {
                what: format!("likelihood of check {}", self.check.0),
                found: v.len(),
                expected: m,
            }),
            Outcome::Soft(v) => {
                let usable = v.iter().all(|x| x.is_finite() && *x >= 0.0);
                if usable && v.iter().any(|x| *x > 0.0) {
                    Ok(v.clone())
                } else {
                    Err(BeliefError::BadLikelihood(self.check.0))
                }
            }
        }
    }
}
