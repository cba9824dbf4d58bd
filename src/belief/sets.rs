//! Joint evidence on fault sets: what the circuit readings say of whole sets of faults.

use super::graph::unknown;
use super::{BeliefError, CheckId, FaultId, Graph};

/// A cause of a check's answer that was computed for one fault set.
#[derive(Debug, Clone, PartialEq)]
pub struct ComputedCause {
    /// The check it acts on.
    pub check: CheckId,
    /// P(answer <= k) of this cause alone, one entry per answer; never falling, the last is 1.
    pub cumulative: Vec<f64>,
}

/// One fault set with its score.
#[derive(Debug, Clone, PartialEq)]
pub struct ScoredSet {
    /// The faults present, out of the designated ones; all other designated ones are absent. Any order, no repeats.
    pub members: Vec<FaultId>,
    /// Natural logarithm of the likelihood of the circuit readings given exactly this set; minus infinity rules it out.
    pub log_likelihood: f64,
    /// Computed causes that combine with the authored ones of the same check, if any.
    pub causes: Vec<ComputedCause>,
}

/// Scores for sets over a designated part of the faults.
///
/// With these, posterior = sum over listed sets S of prior(S) * likelihood(S) * P(authored findings | designated faults
/// exactly S). Sets not listed are left out; their prior mass is reported as
/// [`Posterior::left_out`](super::Posterior::left_out).
#[derive(Debug, Clone, PartialEq)]
pub struct SetScores {
    /// The designated faults.
    pub faults: Vec<FaultId>,
    /// The listed sets. A set may be listed once only; this is the caller's duty.
    pub sets: Vec<ScoredSet>,
}

impl SetScores {
    pub(crate) fn validate(&self, graph: &Graph) -> Result<(), BeliefError> {
        let mut designated = vec![false; graph.fault_count()];
        for f in &self.faults {
            *designated.get_mut(f.0).ok_or_else(|| unknown("fault", f.0))? = true;
        }
        let mut last_seen = vec![usize::MAX; graph.fault_count()];
        for (i, set) in self.sets.iter().enumerate() {
            for f in &set.members {
                if !designated.get(f.0).copied().unwrap_or(false) || last_seen[f.0] == i {
                    return Err(BeliefError::BadSet { set: i, fault: f.0 });
                }
                last_seen[f.0] = i;
            }
            if set.log_likelihood.is_nan() || set.log_likelihood == f64::INFINITY {
                return Err(BeliefError::BadScore {
                    set: i,
                    what: "log-likelihood is not a number or infinite",
                });
            }
            for cause in &set.causes {
                let m = graph.answers(cause.check).ok_or_else(|| unknown("check", cause.check.0))?;
                let c = &cause.cumulative;
                let rises = c.windows(2).all(|w| w[0] <= w[1] + 1e-12);
                let in_range = c.iter().all(|x| (0.0..=1.0).contains(x));
                let ends = c.last().is_some_and(|x| (*x - 1.0).abs() < 1e-9);
                if c.len() != m || !rises || !in_range || !ends {
                    return Err(BeliefError::BadScore {
                        set: i,
                        what: "a computed cause is no cumulative distribution over its check's answers",
                    });
                }
            }
        }
        Ok(())
    }

    /// Natural logarithm of each listed set's prior over the designated faults.
    pub(crate) fn log_priors(&self, graph: &Graph) -> Vec<f64> {
        let prior = |f: &FaultId| graph.priors[f.0];
        let certain = self.faults.iter().filter(|f| prior(f) >= 1.0).count();
        let base: f64 = self.faults.iter().map(prior).filter(|p| *p < 1.0).map(|p| (-p).ln_1p()).sum();
        self.sets
            .iter()
            .map(|set| {
                let mut sum = base;
                let mut found = 0;
                for p in set.members.iter().map(prior) {
                    if p >= 1.0 {
                        found += 1;
                    } else {
                        sum += p.ln() - (-p).ln_1p();
                    }
                }
                if found == certain { sum } else { f64::NEG_INFINITY }
            })
            .collect()
    }
}
