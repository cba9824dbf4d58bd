//! The belief itself: graph, findings and set scores, with the posterior worked out.

use std::sync::Arc;

use super::compile::Setting;
use super::complete::Complete;
use super::group::{Group, groups};
use super::sample::sample;
use super::solve::{Findings, Ran, Solver};
use super::tree::Pass;
use super::{BeliefError, CheckId, ConditionId, FaultId, Finding, Given, Graph, SetScores};

/// How much work exact inference may take before an approximation stands in.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Limits {
    /// Base-2 logarithm of the table entries that exact inference may visit in one propagation.
    pub log2_cost: f64,
    /// Base-2 logarithm of the table entries that may be visited in one pass over all scored sets together.
    pub log2_total: f64,
    /// Fault sets that the approximation weighs; one takes from some microseconds to 0.1 ms. None: no approximation, the cost is an error.
    pub samples: usize,
    /// Seed of the approximation.
    pub seed: u64,
}

impl Default for Limits {
    /// 2^22 table entries a propagation (about half a second and 100 MB), 2^22 over all scored sets, 12,000 samples, seed 1.
    fn default() -> Self {
        Limits { log2_cost: 22.0, log2_total: 22.0, samples: 12_000, seed: 1 }
    }
}

/// The posterior given all findings.
#[derive(Debug, Clone, PartialEq)]
pub struct Posterior {
    /// Natural logarithm of P(findings), the set scores' likelihood included; an estimate where `error` is not 0.
    pub log_evidence: f64,
    /// P(fault present | findings), by [`FaultId`].
    pub faults: Vec<f64>,
    /// P(condition present | findings), by [`ConditionId`]; `None` for those no finding reaches.
    pub conditions: Vec<Option<f64>>,
    /// P(no fault at all | findings).
    pub none: f64,
    /// Prior mass of the fault sets that the set scores do not list; 0 without set scores.
    pub left_out: f64,
    /// Greatest standard error of the faults' probabilities where they were approximated; 0 when exact. Approximation
    /// happens beyond [`Limits::log2_cost`], only without set scores; everything else a [`Belief`] answers then rests on
    /// the sets that were sampled.
    pub error: f64,
}

/// What is believed: cheap to extend by one finding, never changed in place.
///
/// ```
/// use std::sync::Arc;
/// use halfsplit::belief::{Belief, Finding, Graph};
/// let mut graph = Graph::new();
/// let cold = graph.add_fault(0.1)?;
/// let flu = graph.add_fault(0.05)?;
/// let fever = graph.add_yes_no_check(0.0, &[(cold.into(), 0.4), (flu.into(), 0.8)])?;
/// let before = Belief::new(Arc::new(graph), &[])?;
/// let after = before.with_finding(Finding::answer(fever, 1))?;
/// assert!(after.posterior().faults[flu.0] > before.posterior().faults[flu.0]);
/// # Ok::<(), halfsplit::belief::BeliefError>(())
/// ```
#[derive(Debug, Clone)]
pub struct Belief {
    pub(crate) graph: Arc<Graph>,
    pub(crate) findings: Findings,
    pub(crate) sets: Option<Arc<SetScores>>,
    pub(crate) limits: Limits,
    pub(crate) solver: Solver,
    /// log(prior * likelihood) of each scored set.
    pub(crate) log_terms: Vec<f64>,
    pub(crate) groups: Vec<Group>,
    /// Logarithm of the weight of all groups: that of the evidence, or of the sets that stand for all.
    pub(crate) log_total: f64,
    /// The set scores are samples, not the caller's.
    pub(super) sampled: bool,
    pub(crate) posterior: Posterior,
}

impl Belief {
    /// Belief after the findings (any order), with default limits and no set scores.
    ///
    /// # Errors
    /// Findings that don't fit the graph, two on one check, or [`BeliefError::Impossible`].
    pub fn new(graph: Arc<Graph>, findings: &[Finding]) -> Result<Belief, BeliefError> {
        Belief::build(graph, findings, None, Limits::default())
    }

    /// Belief after the findings, with scored fault sets and limits.
    ///
    /// # Errors
    /// As [`Belief::new`]; also set scores that don't fit the graph.
    pub fn build(
        graph: Arc<Graph>,
        findings: &[Finding],
        sets: Option<Arc<SetScores>>,
        limits: Limits,
    ) -> Result<Belief, BeliefError> {
        let mut all = Vec::with_capacity(findings.len());
        for finding in findings {
            all.push((finding.check, finding.likelihood(&graph)?));
        }
        if let Some(sets) = &sets {
            sets.validate(&graph)?;
        }
        Belief::settle(graph, all, sets, limits)
    }

    /// The belief after one more finding.
    ///
    /// # Errors
    /// As [`Belief::new`].
    pub fn with_finding(&self, finding: Finding) -> Result<Belief, BeliefError> {
        let mut all = self.findings.clone();
        all.push((finding.check, finding.likelihood(&self.graph)?));
        Belief::settle(self.graph.clone(), all, self.sets().cloned(), self.limits)
    }

    /// The belief without any finding on `check` (a struck finding).
    ///
    /// # Errors
    /// As [`Belief::new`].
    pub fn without(&self, check: CheckId) -> Result<Belief, BeliefError> {
        let mut all = self.findings.clone();
        all.retain(|(c, _)| *c != check);
        Belief::settle(self.graph.clone(), all, self.sets().cloned(), self.limits)
    }

    pub(crate) fn with_only(&self, findings: &[(CheckId, Vec<f64>)]) -> Result<Belief, BeliefError> {
        Belief::settle(self.graph.clone(), findings.to_vec(), self.sets().cloned(), self.limits)
    }

    /// The belief with other set scores (a new circuit reading, or none).
    ///
    /// # Errors
    /// As [`Belief::build`].
    pub fn with_sets(&self, sets: Option<Arc<SetScores>>) -> Result<Belief, BeliefError> {
        if let Some(sets) = &sets {
            sets.validate(&self.graph)?;
        }
        Belief::settle(self.graph.clone(), self.findings.clone(), sets, self.limits)
    }

    /// The graph.
    pub fn graph(&self) -> &Arc<Graph> {
        &self.graph
    }

    /// The set scores, if any.
    pub fn sets(&self) -> Option<&Arc<SetScores>> {
        self.sets.as_ref().filter(|_| !self.sampled)
    }

    /// The checks with a finding, ordered by id.
    pub fn checks_found(&self) -> impl Iterator<Item = CheckId> + '_ {
        self.findings.iter().map(|(c, _)| *c)
    }

    /// The posterior.
    pub fn posterior(&self) -> &Posterior {
        &self.posterior
    }

    /// P(fault present | findings), or `None` for an id of another graph.
    pub fn fault(&self, fault: FaultId) -> Option<f64> {
        self.posterior.faults.get(fault.0).copied()
    }

    /// P(condition present | findings), or `None` for an id of another graph or one that no finding reaches.
    pub fn condition(&self, condition: ConditionId) -> Option<f64> {
        self.posterior.conditions.get(condition.0).copied().flatten()
    }

    /// Table entries that one pass over all of it visits: what a belief of this size costs anew.
    pub fn cost(&self) -> f64 {
        self.solver.template.cost() * self.groups.len().max(1) as f64
    }

    fn settle(
        graph: Arc<Graph>,
        mut findings: Findings,
        sets: Option<Arc<SetScores>>,
        limits: Limits,
    ) -> Result<Belief, BeliefError> {
        findings.sort_by_key(|(c, _)| *c);
        if let Some(w) = findings.windows(2).find(|w| w[0].0 == w[1].0) {
            return Err(BeliefError::RepeatedFinding(w[0].0.0));
        }
        match Belief::infer(graph.clone(), findings.clone(), sets.clone(), limits) {
            Err(BeliefError::TooCostly { .. }) if sets.is_none() && limits.samples > 0 => {
                Belief::approximate(graph, findings, limits)
            }
            result => result,
        }
    }

    /// Samples fault sets and lets them stand for all.
    fn approximate(graph: Arc<Graph>, findings: Findings, limits: Limits) -> Result<Belief, BeliefError> {
        let free = Solver::new(&graph, vec![false; graph.fault_count()], &findings, &limits);
        let coupled: Vec<usize> = (0..graph.fault_count()).filter(|f| free.template.is_coupled(*f)).collect();
        let sampled = sample(&graph, &findings, coupled, &limits)?;
        let sets = Some(Arc::new(sampled.scores));
        let mut belief = Belief::infer(graph, findings, sets, limits)?;
        belief.sampled = true;
        belief.posterior.log_evidence = sampled.log_evidence;
        belief.posterior.left_out = 0.0;
        belief.posterior.error = sampled.error;
        for (f, p) in sampled.faults {
            belief.posterior.faults[f] = p;
        }
        Ok(belief)
    }

    fn infer(
        graph: Arc<Graph>,
        findings: Findings,
        sets: Option<Arc<SetScores>>,
        limits: Limits,
    ) -> Result<Belief, BeliefError> {
        let held = held(&graph, sets.as_deref());
        let mut log_terms = Vec::new();
        let mut left_out = 0.0;
        if let Some(sets) = &sets {
            log_terms = sets.log_priors(&graph);
            let listed: f64 = log_terms.iter().map(|l| l.exp()).sum();
            left_out = (1.0 - listed).max(0.0);
            for (log, set) in log_terms.iter_mut().zip(&sets.sets) {
                *log += set.log_likelihood;
            }
        }
        let solver = Solver::new(&graph, held, &findings, &limits);
        let mut belief = Belief {
            graph,
            findings,
            sets,
            limits,
            solver,
            log_terms,
            groups: Vec::new(),
            log_total: 0.0,
            sampled: false,
            posterior: Posterior {
                log_evidence: 0.0,
                faults: Vec::new(),
                conditions: Vec::new(),
                none: 0.0,
                left_out,
                error: 0.0,
            },
        };
        belief.groups = belief.group(&belief.solver, &belief.findings, None);
        let total = (belief.solver.template.cost() * belief.groups.len() as f64).log2();
        let dear = belief.groups.len() > 1 && total > limits.log2_total;
        if dear && !belief.is_complete() {
            return Err(BeliefError::TooCostly { log2_cost: total });
        }
        belief.fill(dear)?;
        Ok(belief)
    }

    pub(crate) fn held(&self) -> Vec<bool> {
        held(&self.graph, self.sets.as_deref())
    }

    /// Groups the scored sets (all, or those at `keep`) by what the findings can see; one free group without scores.
    pub(crate) fn group(&self, solver: &Solver, findings: &Findings, keep: Option<&[usize]>) -> Vec<Group> {
        let Some(sets) = &self.sets else {
            return vec![Group::default()];
        };
        let seen: Vec<CheckId> = findings.iter().map(|(c, _)| *c).collect();
        let (template, logs) = (&solver.template, &self.log_terms);
        match keep {
            None => groups(template, &seen, sets, logs, 0..sets.sets.len()),
            Some(keep) => groups(template, &seen, sets, logs, keep.iter().copied()),
        }
    }

    fn fill(&mut self, dear: bool) -> Result<(), BeliefError> {
        // Only the sets' own conditions are summed over where every set settles all faults and the whole network would take too long.
        let mixture = match dear {
            true => self.mix_complete(),
            false => self.mix(&self.solver, &self.findings, &self.groups, NEGLIGIBLE)?,
        };
        let total = mixture.log_total;
        if total == f64::NEG_INFINITY {
            return Err(BeliefError::Impossible);
        }
        for (group, share) in self.groups.iter_mut().zip(&mixture.shares) {
            group.share = *share;
        }
        self.log_total = total;
        self.posterior.log_evidence = total;
        self.posterior.faults = mixture.faults;
        self.posterior.conditions = mixture.conditions;
        self.posterior.error = if dear { WALKED_ERROR } else { self.posterior.error };
        self.posterior.none = match dear {
            true => self.share_of_none(),
            false => self.probability_of(&[])?,
        };
        Ok(())
    }

    /// Whether the scored sets settle every fault, with nothing computed besides.
    fn is_complete(&self) -> bool {
        let of_all = |s: &Arc<SetScores>| s.faults.len() == self.graph.fault_count();
        self.sets.as_ref().is_some_and(of_all) && self.groups.iter().all(|g| g.causes.is_empty())
    }

    /// The same as [`Belief::mix`] where the sets settle every fault: only the conditions that a set may bring about are summed over.
    pub(crate) fn mix_complete(&self) -> Mixture {
        let many = self.many_given();
        let given = |g: &Group| many.of(&g.present.iter().map(|f| FaultId(*f)).collect::<Vec<_>>());
        let given: Vec<Given> = self.groups.iter().map(given).collect();
        let logs: Vec<f64> =
            self.groups.iter().zip(&given).map(|(g, x)| g.log_weight + x.log_likelihood).collect();
        let log_total = log_sum(&logs);
        let shares: Vec<f64> = logs.iter().map(|l| (l - log_total).exp()).collect();
        let reached = |c: usize| {
            self.solver
                .template
                .reaches(c)
                .then(|| given.iter().zip(&shares).map(|(x, s)| s * x.conditions[c]).sum())
        };
        let conditions = (0..self.graph.condition_count()).map(reached).collect();
        let mut mixture =
            Mixture { log_total, shares, faults: vec![0.0; self.graph.fault_count()], conditions };
        self.count_members(&self.groups, &mut mixture);
        mixture
    }

    /// The share of the empty set, where the sets settle every fault.
    fn share_of_none(&self) -> f64 {
        let Some(sets) = &self.sets else { return 0.0 };
        let of = |g: &Group| -> f64 {
            let empty = g.sets.iter().filter(|(s, _)| sets.sets[*s].members.is_empty());
            g.share * empty.map(|(_, within)| within).sum::<f64>()
        };
        self.groups.iter().map(of).sum()
    }

    /// The marginals of designated faults, from the shares of the groups that hold them.
    fn count_members(&self, groups: &[Group], mixture: &mut Mixture) {
        if let Some(sets) = &self.sets {
            sets.faults.iter().for_each(|f| mixture.faults[f.0] = 0.0);
            for (group, share) in groups.iter().zip(&mixture.shares) {
                for (s, within) in &group.sets {
                    for f in &sets.sets[*s].members {
                        mixture.faults[f.0] += share * within;
                    }
                }
            }
        }
        mixture.faults.iter_mut().for_each(|p| *p = p.clamp(0.0, 1.0));
    }

    /// Sums over groups: total, shares, marginals of faults and conditions. Groups that hold less than `tail` all
    /// together take no part in the marginals of what is not designated.
    pub(crate) fn mix(
        &self,
        solver: &Solver,
        findings: &Findings,
        groups: &[Group],
        tail: f64,
    ) -> Result<Mixture, BeliefError> {
        let graph = &*self.graph;
        let mut mixture = Mixture {
            log_total: f64::NEG_INFINITY,
            shares: vec![0.0; groups.len()],
            faults: vec![0.0; graph.fault_count()],
            conditions: vec![None; graph.condition_count()],
        };
        if let [only] = groups {
            if let Some(ran) = solver.run(graph, findings, only.setting(), true)? {
                mixture.log_total = only.log_weight + ran.outcome.log_total;
                mixture.shares[0] = 1.0;
                mixture.add(&ran, graph, 1.0);
            }
        } else {
            let mut logs = Vec::with_capacity(groups.len());
            let mut pass = Pass::default();
            for group in groups {
                let ran = solver.run_after(graph, findings, group.setting(), false, &mut pass)?;
                logs.push(ran.map_or(f64::NEG_INFINITY, |r| group.log_weight + r.outcome.log_total));
            }
            mixture.log_total = log_sum(&logs);
            if mixture.log_total == f64::NEG_INFINITY {
                return Ok(mixture);
            }
            for (share, log) in mixture.shares.iter_mut().zip(&logs) {
                *share = (log - mixture.log_total).exp();
            }
            let (kept, mass) = heaviest(&mixture.shares, tail);
            for g in kept {
                let setting = groups[g].setting();
                if let Some(ran) = solver.run_after(graph, findings, setting, true, &mut pass)? {
                    let weight = mixture.shares[g] / mass;
                    mixture.add(&ran, graph, weight);
                }
            }
        }
        self.count_members(groups, &mut mixture);
        Ok(mixture)
    }

    /// P(exactly these faults present | findings), exact. 0 for a set over the designated faults that is not listed.
    ///
    /// # Errors
    /// [`BeliefError::Unknown`] for a fault of another graph.
    pub fn probability_of(&self, members: &[FaultId]) -> Result<f64, BeliefError> {
        let log = self.exact(&self.findings)?.log_joint(self, members)?;
        Ok((log - self.posterior.log_evidence).exp())
    }

    /// Weighs complete sets under the findings given.
    pub(crate) fn exact(&self, findings: &Findings) -> Result<Complete, BeliefError> {
        let complete = Complete::new(self, findings.clone());
        complete.solver.affordable()?;
        Ok(complete)
    }
}

/// Which faults are designated.
fn held(graph: &Graph, sets: Option<&SetScores>) -> Vec<bool> {
    let mut held = vec![false; graph.fault_count()];
    if let Some(sets) = sets {
        sets.faults.iter().for_each(|f| held[f.0] = true);
    }
    held
}

/// How far a probability may be off where improbable branches of hidden conditions were left out (measured, see the test of it).
pub(crate) const WALKED_ERROR: f64 = 1e-4;

/// The tail of groups that a posterior leaves out of the marginals of faults that are not designated.
pub(crate) const NEGLIGIBLE: f64 = 1e-13;

/// Places of the heaviest shares, in order of place, the rest adding up to less than `tail`; and their sum.
pub(crate) fn heaviest(shares: &[f64], tail: f64) -> (Vec<usize>, f64) {
    let mut places: Vec<usize> = (0..shares.len()).collect();
    places.sort_by(|a, b| shares[*a].total_cmp(&shares[*b]).then(a.cmp(b)));
    let mut dropped = 0.0;
    let mut first = 0;
    for p in &places {
        if dropped + shares[*p] >= tail {
            break;
        }
        dropped += shares[*p];
        first += 1;
    }
    let mut kept = places.split_off(first);
    kept.sort_unstable();
    let mass = kept.iter().map(|p| shares[*p]).sum();
    (kept, mass)
}

/// Sums over groups.
#[derive(Debug)]
pub(crate) struct Mixture {
    pub log_total: f64,
    pub shares: Vec<f64>,
    pub faults: Vec<f64>,
    pub conditions: Vec<Option<f64>>,
}

impl Mixture {
    fn add(&mut self, ran: &Ran, graph: &Graph, weight: f64) {
        for (f, (slot, prior)) in self.faults.iter_mut().zip(&graph.priors).enumerate() {
            *slot += weight * ran.fault(f, *prior);
        }
        for (c, slot) in self.conditions.iter_mut().enumerate() {
            if let Some(p) = ran.condition(c) {
                *slot.get_or_insert(0.0) += weight * p;
            }
        }
    }
}

impl Group {
    /// The setting in which this group's sets hold.
    pub fn setting(&self) -> Setting<'_> {
        Setting { present: &self.present, fixed: &[], computed: &self.causes }
    }
}

/// log(sum(exp(x))), minus infinity for none.
pub(crate) fn log_sum(logs: &[f64]) -> f64 {
    let top = logs.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    if top == f64::NEG_INFINITY {
        return top;
    }
    top + logs.iter().map(|x| (x - top).exp()).sum::<f64>().ln()
}
