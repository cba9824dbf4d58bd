//! What each finding says for or against each fault, in decibels.

use super::decibel::odds_db;
use super::state::Belief;
use super::{BeliefError, CheckId, FaultId};

/// One finding's weight for every fault, in decibels, by [`FaultId`].
#[derive(Debug, Clone, PartialEq)]
pub struct FaultWeights {
    /// The finding's check.
    pub check: CheckId,
    /// 10 log10 of odds(fault | all findings) / odds(fault | all but this one). Does not depend on any order.
    pub given_rest: Vec<f64>,
    /// 10 log10 of odds(fault | this finding only) / prior odds. Where it differs from `given_rest`, the finding's
    /// meaning rests on the others.
    pub alone: Vec<f64>,
}

/// Prior odds, posterior odds and the weight of each finding, in decibels.
///
/// The weights of findings need not add up to posterior less prior: findings that share a cause overlap, and
/// those that exclude each other's causes reinforce. [`Belief::steps`] gives weights that do add up, for one order.
#[derive(Debug, Clone, PartialEq)]
pub struct Weights {
    /// Prior odds (given the set scores, if any) by fault.
    pub prior: Vec<f64>,
    /// Posterior odds by fault.
    pub posterior: Vec<f64>,
    /// One entry per finding, ordered by check.
    pub findings: Vec<FaultWeights>,
}

impl Belief {
    /// The weights of all findings for all faults. Two propagations per finding.
    ///
    /// # Errors
    /// [`BeliefError::TooCostly`].
    pub fn weights(&self) -> Result<Weights, BeliefError> {
        let none = self.with_only(&[])?;
        let prior = odds(&none);
        let posterior = odds(self);
        let mut findings = Vec::with_capacity(self.findings.len());
        for (check, likelihood) in &self.findings {
            let without = odds(&self.without(*check)?);
            // A finding that needs the others to be possible at all is impossible to weigh alone only if its
            // probability is zero, and then so is that of all findings.
            let alone = odds(&self.with_only(&[(*check, likelihood.clone())])?);
            findings.push(FaultWeights {
                check: *check,
                given_rest: difference(&posterior, &without),
                alone: difference(&alone, &prior),
            });
        }
        Ok(Weights { prior, posterior, findings })
    }

    /// One fault's weights step by step in the order given: each finding given those before it. The steps and the
    /// prior odds add up to the posterior odds. Checks without a finding are skipped; findings not named come last,
    /// by id.
    ///
    /// # Errors
    /// [`BeliefError::Unknown`], [`BeliefError::TooCostly`].
    pub fn steps(&self, fault: FaultId, order: &[CheckId]) -> Result<Vec<(CheckId, f64)>, BeliefError> {
        if fault.0 >= self.graph.fault_count() {
            return Err(super::graph::unknown("fault", fault.0));
        }
        let mut queue: Vec<(CheckId, Vec<f64>)> = Vec::new();
        let named = order.iter().copied();
        let rest = self.findings.iter().map(|(c, _)| *c);
        for check in named.chain(rest) {
            if queue.iter().any(|(c, _)| *c == check) {
                continue;
            }
            if let Some(f) = self.findings.iter().find(|(c, _)| *c == check) {
                queue.push(f.clone());
            }
        }
        let mut before = odds_db(self.with_only(&[])?.posterior.faults[fault.0]);
        let mut out = Vec::with_capacity(queue.len());
        for i in 0..queue.len() {
            let after = odds_db(self.with_only(&queue[..=i])?.posterior.faults[fault.0]);
            out.push((queue[i].0, step(after, before)));
            before = after;
        }
        Ok(out)
    }
}

fn odds(belief: &Belief) -> Vec<f64> {
    belief.posterior.faults.iter().map(|p| odds_db(*p)).collect()
}

fn difference(after: &[f64], before: &[f64]) -> Vec<f64> {
    after.iter().zip(before).map(|(a, b)| step(*a, *b)).collect()
}

/// A difference of odds in decibels; no weight where both are infinite alike.
fn step(after: f64, before: f64) -> f64 {
    if after == before { 0.0 } else { after - before }
}
