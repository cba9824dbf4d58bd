//! The probability of complete fault sets: every fault settled, only conditions summed over.

use super::compile::Setting;
use super::graph::unknown;
use super::group::merged;
use super::solve::{Findings, Solver};
use super::state::Belief;
use super::{BeliefError, CheckId, FaultId};

/// A network with every fault held, for weighing complete sets.
pub(crate) struct Complete {
    pub solver: Solver,
    findings: Findings,
    checks: Vec<CheckId>,
    /// Faults that are not designated.
    free: Vec<bool>,
    /// Logarithm of the prior of no free fault, those of prior 1 apart.
    absent: f64,
    /// How many free faults have prior 1.
    certain: usize,
}

impl Complete {
    pub fn new(belief: &Belief, findings: Findings) -> Complete {
        let graph = &belief.graph;
        let held = vec![true; graph.fault_count()];
        let free: Vec<bool> = belief.held().iter().map(|h| !h).collect();
        let priors = || free.iter().zip(&graph.priors).filter(|x| *x.0).map(|x| *x.1);
        let absent = priors().filter(|p| *p < 1.0).map(|p| (-p).ln_1p()).sum();
        let certain = priors().filter(|p| *p >= 1.0).count();
        Complete {
            solver: Solver::new(graph, held, &findings, &belief.limits),
            checks: findings.iter().map(|(c, _)| *c).collect(),
            findings,
            absent,
            certain,
            free,
        }
    }

    /// log P(exactly `members`, findings): minus infinity for a set whose designated part is not listed.
    pub fn log_joint(&self, belief: &Belief, members: &[FaultId]) -> Result<f64, BeliefError> {
        let mut present = Vec::with_capacity(members.len());
        for f in members {
            match self.free.get(f.0) {
                Some(_) => present.push(f.0),
                None => return Err(unknown("fault", f.0)),
            }
        }
        present.sort_unstable();
        present.dedup();
        match self.scored(belief, &present) {
            Scored::Unlisted => Ok(f64::NEG_INFINITY),
            Scored::At(s) => self.log_joint_at(belief, &present, Some(s)),
            Scored::NotAsked => self.log_joint_at(belief, &present, None),
        }
    }

    /// As [`Complete::log_joint`] with the place of the designated part among the scored sets known.
    pub fn log_joint_at(
        &self,
        belief: &Belief,
        present: &[usize],
        scored: Option<usize>,
    ) -> Result<f64, BeliefError> {
        let mut log = self.absent;
        let mut certain = 0;
        for f in present.iter().filter(|f| self.free[**f]) {
            let p = belief.graph.priors[*f];
            if p >= 1.0 {
                certain += 1;
            } else {
                log += p.ln() - (-p).ln_1p();
            }
        }
        let mut computed = Vec::new();
        if let (Some(s), Some(sets)) = (scored, &belief.sets) {
            log += belief.log_terms[s];
            computed = merged(&self.checks, &sets.sets[s]);
        }
        if certain < self.certain || log == f64::NEG_INFINITY {
            return Ok(f64::NEG_INFINITY);
        }
        let setting = Setting { present, fixed: &[], computed: &computed };
        let ran = self.solver.run(&belief.graph, &self.findings, setting, false)?;
        Ok(ran.map_or(f64::NEG_INFINITY, |r| log + r.outcome.log_total))
    }

    fn scored(&self, belief: &Belief, present: &[usize]) -> Scored {
        let Some(sets) = &belief.sets else {
            return Scored::NotAsked;
        };
        let designated: Vec<usize> = present.iter().copied().filter(|f| !self.free[*f]).collect();
        let place = sets.sets.iter().position(|set| {
            set.members.len() == designated.len()
                && set.members.iter().all(|f| designated.binary_search(&f.0).is_ok())
        });
        place.map_or(Scored::Unlisted, Scored::At)
    }
}

enum Scored {
    NotAsked,
    At(usize),
    Unlisted,
}
