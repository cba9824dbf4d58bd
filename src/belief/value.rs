//! What a check that has not been done is worth: how its answer would move the belief.

use super::solve::{Findings, Solver};
use super::state::{Belief, heaviest};
use super::{BeliefError, Cause, CheckId, FaultId};
use std::sync::Arc;

/// Posterior mass of scored sets (the least probable ones, all together) that the value of a check leaves out where
/// there are many.
const LEFT_OUT_OF_VALUE: f64 = 1e-6;

/// Up to this number of scored sets none is left out.
const FEW_SETS: usize = 500;

/// Answers less probable than this get a propagation of their own instead of a difference.
const RARE: f64 = 1e-6;

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

/// Mutual information between the whole fault set and a check's answer, in bits: between these bounds.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct JointBits {
    /// Not less than this.
    pub low: f64,
    /// Not more than this; equal to `low` (within rounding) when the fault sets looked at hold all the mass.
    pub high: f64,
}

impl Belief {
    /// Predicts a check's answer and the faults' probabilities after each. One propagation per answer but one, on what
    /// the findings and this check reach together.
    ///
    /// With more than 500 scored sets, the least probable ones (1e-6 of the mass all together) are left out.
    ///
    /// # Errors
    /// [`BeliefError::Unknown`], [`BeliefError::RepeatedFinding`] where the check has a finding,
    /// [`BeliefError::TooCostly`].
    pub fn predict(&self, check: CheckId) -> Result<Prediction, BeliefError> {
        let m = self.answers_of(check)?;
        let keep = self.kept_sets();
        // Joint mass of (answer <= k) with each fault, by differences of which the single answers come.
        let (mut below, mut below_faults) = (0.0, vec![0.0; self.graph.fault_count()]);
        let mut answers = vec![0.0; m];
        let mut after = vec![Vec::new(); m];
        for k in 0..m {
            let (mass, faults) = if k + 1 == m {
                (1.0, self.posterior.faults.clone())
            } else {
                let upto: Vec<f64> = (0..m).map(|j| f64::from(u8::from(j <= k))).collect();
                self.joint(check, upto, keep.as_deref())?
            };
            let p = (mass - below).clamp(0.0, 1.0);
            answers[k] = p;
            if p >= RARE {
                let one = |(now, before): (&f64, &f64)| ((now - before) / p).clamp(0.0, 1.0);
                after[k] = faults.iter().zip(&below_faults).map(one).collect();
            } else {
                let (p, faults) = self.joint(check, unit(m, k), keep.as_deref())?;
                answers[k] = p;
                if p > 0.0 {
                    after[k] = faults.iter().map(|x| (x / p).clamp(0.0, 1.0)).collect();
                }
            }
            below = mass;
            below_faults = faults;
        }
        Ok(Prediction { check, answers, after })
    }

    /// P(soft outcome | findings), and jointly with each fault.
    fn joint(
        &self,
        check: CheckId,
        likelihood: Vec<f64>,
        keep: Option<&[usize]>,
    ) -> Result<(f64, Vec<f64>), BeliefError> {
        let findings = self.extended(check, likelihood);
        let held = self.held();
        let solver = Solver::new(&self.graph, held, &findings, &self.limits);
        let groups = self.group(&solver, &findings, keep);
        let mixture = self.mix(&solver, &findings, &groups, LEFT_OUT_OF_VALUE * 1e-3)?;
        let p = (mixture.log_total - self.log_total).exp();
        Ok((p, mixture.faults.iter().map(|f| f * p).collect()))
    }

    /// P(at least one of these causes is there | findings), exact: faults that exclude each other add up, which their
    /// single probabilities don't tell.
    ///
    /// # Errors
    /// [`BeliefError::Unknown`] for a cause of another graph, [`BeliefError::TooCostly`].
    pub fn any_of(&self, causes: &[Cause]) -> Result<f64, BeliefError> {
        let mut graph = (*self.graph).clone();
        let all: Vec<(Cause, f64)> = causes.iter().map(|c| (*c, 1.0)).collect();
        let shown = graph.add_yes_no_check(0.0, &all)?;
        let keep = self.kept_sets();
        let mut wider = self.clone();
        wider.graph = Arc::new(graph);
        let (none, _) = wider.joint(shown, unit(2, 0), keep.as_deref())?;
        Ok((1.0 - none).clamp(0.0, 1.0))
    }

    /// The scored sets that matter now.
    pub(crate) fn kept_sets(&self) -> Option<Vec<usize>> {
        if self.sets.as_ref()?.sets.len() <= FEW_SETS {
            return None;
        }
        let mut weights = vec![0.0; self.log_terms.len()];
        for group in &self.groups {
            for (s, within) in &group.sets {
                weights[*s] = group.share * within;
            }
        }
        Some(heaviest(&weights, LEFT_OUT_OF_VALUE).0)
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

    /// Mutual information between the complete fault set and a check's answer, from the `count` most probable sets:
    /// entropy of the answer less its expected entropy once the set is known. What the sets leave over widens the
    /// bounds.
    ///
    /// # Errors
    /// As [`Belief::predict`].
    pub fn joint_bits(&self, check: CheckId, count: usize) -> Result<JointBits, BeliefError> {
        let answers = self.predict(check)?.answers;
        let sets = self.best_sets(count)?;
        let members: Vec<&[FaultId]> = sets.sets.iter().map(|s| s.members.as_slice()).collect();
        let given = self.answers_given(check, &members)?;
        let parts = sets.sets.iter().zip(&given);
        let left: f64 = parts.map(|(set, answers)| set.probability * entropy(answers)).sum();
        let whole = entropy(&answers);
        let open = sets.remaining * (answers.len() as f64).log2();
        Ok(JointBits { low: (whole - left - open).max(0.0), high: (whole - left).max(0.0) })
    }

    /// P(answer | findings, exactly these faults present), for each of `sets` by answer; all zero for a set that is ruled
    /// out. Weighted sets move on to an answer by these: probability times this, over P(answer).
    ///
    /// ```
    /// use std::sync::Arc;
    /// use halfsplit::belief::{Belief, Graph};
    /// let mut graph = Graph::new();
    /// let fault = graph.add_fault(0.1)?;
    /// let check = graph.add_yes_no_check(0.0, &[(fault.into(), 0.75)])?;
    /// let belief = Belief::new(Arc::new(graph), &[])?;
    /// let given = belief.answers_given(check, &[&[], &[fault]])?;
    /// assert!((given[0][0] - 1.0).abs() < 1e-12 && (given[1][1] - 0.75).abs() < 1e-12);
    /// # Ok::<(), halfsplit::belief::BeliefError>(())
    /// ```
    ///
    /// # Errors
    /// As [`Belief::predict`].
    pub fn answers_given(&self, check: CheckId, sets: &[&[FaultId]]) -> Result<Vec<Vec<f64>>, BeliefError> {
        let m = self.answers_of(check)?;
        let now = self.exact(&self.findings)?;
        let mut before = Vec::with_capacity(sets.len());
        for set in sets {
            before.push(now.log_joint(self, set)?);
        }
        let mut out = vec![vec![0.0; m]; sets.len()];
        for k in 0..m {
            let then = self.exact(&self.extended(check, unit(m, k)))?;
            for ((set, log), row) in sets.iter().zip(&before).zip(&mut out) {
                if *log > f64::NEG_INFINITY {
                    row[k] = (then.log_joint(self, set)? - log).exp().min(1.0);
                }
            }
        }
        Ok(out)
    }

    /// How many answers an open check has.
    fn answers_of(&self, check: CheckId) -> Result<usize, BeliefError> {
        if self.findings.iter().any(|(c, _)| *c == check) {
            return Err(BeliefError::RepeatedFinding(check.0));
        }
        let answers = self.graph.answers(check);
        answers.ok_or_else(|| super::graph::unknown("check", check.0))
    }

    /// The findings and one more, in order.
    fn extended(&self, check: CheckId, likelihood: Vec<f64>) -> Findings {
        let mut findings = self.findings.clone();
        let place = findings.partition_point(|(c, _)| *c < check);
        findings.insert(place, (check, likelihood));
        findings
    }
}

/// One at `k`, else zero.
fn unit(m: usize, k: usize) -> Vec<f64> {
    (0..m).map(|j| f64::from(u8::from(j == k))).collect()
}

/// Entropy in bits.
fn entropy(p: &[f64]) -> f64 {
    p.iter().filter(|x| **x > 0.0).map(|x| -x * x.log2()).sum()
}

/// q log2(q / p), zero at q = 0.
fn gain(q: f64, p: f64) -> f64 {
    if q <= 0.0 || p <= 0.0 { 0.0 } else { q * (q / p).log2() }
}
