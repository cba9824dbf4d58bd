//! The belief itself: graph, findings and set scores, with the posterior worked out.

use std::sync::Arc;

use super::compile::{Compiled, Evidence, compile};
use super::group::{Group, groups};
use super::tree::{Calibrated, Plan};
use super::{BeliefError, CheckId, ConditionId, FaultId, Finding, Graph, SetScores};

/// How much work exact inference may take before an approximation stands in.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Limits {
    /// Base-2 logarithm of the table entries that exact inference may visit in one propagation.
    pub log2_cost: f64,
}

impl Default for Limits {
    fn default() -> Self {
        Limits { log2_cost: 26.0 }
    }
}

/// The posterior given all findings.
#[derive(Debug, Clone, PartialEq)]
pub struct Posterior {
    /// Natural logarithm of P(findings), the set scores' likelihood included.
    pub log_evidence: f64,
    /// P(fault present | findings), by [`FaultId`].
    pub faults: Vec<f64>,
    /// P(condition present | findings), by [`ConditionId`]; `None` for those no finding reaches.
    pub conditions: Vec<Option<f64>>,
    /// P(no fault at all | findings).
    pub none: f64,
    /// Prior mass of the fault sets that the set scores do not list; 0 without set scores.
    pub left_out: f64,
    /// Standard error of the probabilities above where they were approximated; 0 when exact.
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
    pub(crate) findings: Vec<(CheckId, Vec<f64>)>,
    pub(crate) sets: Option<Arc<SetScores>>,
    pub(crate) limits: Limits,
    pub(crate) groups: Vec<Group>,
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
        Belief::settle(self.graph.clone(), all, self.sets.clone(), self.limits)
    }

    /// The belief without any finding on `check` (a struck finding).
    ///
    /// # Errors
    /// As [`Belief::new`].
    pub fn without(&self, check: CheckId) -> Result<Belief, BeliefError> {
        let mut all = self.findings.clone();
        all.retain(|(c, _)| *c != check);
        Belief::settle(self.graph.clone(), all, self.sets.clone(), self.limits)
    }

    pub(crate) fn with_only(&self, findings: &[(CheckId, Vec<f64>)]) -> Result<Belief, BeliefError> {
        Belief::settle(self.graph.clone(), findings.to_vec(), self.sets.clone(), self.limits)
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
        self.sets.as_ref()
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

    fn settle(
        graph: Arc<Graph>,
        mut findings: Vec<(CheckId, Vec<f64>)>,
        sets: Option<Arc<SetScores>>,
        limits: Limits,
    ) -> Result<Belief, BeliefError> {
        findings.sort_by_key(|(c, _)| *c);
        if let Some(w) = findings.windows(2).find(|w| w[0].0 == w[1].0) {
            return Err(BeliefError::RepeatedFinding(w[0].0.0));
        }
        // A likelihood of equal entries says nothing of the answer; it is only a factor, kept in the total.
        let (groups, left_out) = groups(&graph, &findings, sets.as_deref());
        let mut belief = Belief {
            graph,
            findings,
            sets,
            limits,
            groups,
            posterior: Posterior {
                log_evidence: 0.0,
                faults: Vec::new(),
                conditions: Vec::new(),
                none: 0.0,
                left_out,
                error: 0.0,
            },
        };
        belief.infer()?;
        Ok(belief)
    }

    pub(crate) fn run(&self, group: &Group, fixed: &[Option<bool>]) -> Result<Option<Run>, BeliefError> {
        let compiled = compile(&self.graph, fixed, &self.evidence(group));
        let plan = Plan::new(&compiled.network);
        if plan.log2_cost() > self.limits.log2_cost {
            return Err(BeliefError::TooCostly { log2_cost: plan.log2_cost() });
        }
        Ok(plan.calibrate(&compiled.network).map(|result| Run { compiled, result }))
    }

    fn evidence<'a>(&'a self, group: &'a Group) -> Vec<Evidence<'a>> {
        self.findings
            .iter()
            .map(|(check, likelihood)| Evidence {
                check: check.0,
                likelihood,
                computed: group.computed(check.0),
            })
            .collect()
    }

    fn infer(&mut self) -> Result<(), BeliefError> {
        let n = self.graph.fault_count();
        let mut runs = Vec::with_capacity(self.groups.len());
        for group in &self.groups {
            runs.push(self.run(group, &group.fixed)?);
        }
        let logs: Vec<f64> = runs
            .iter()
            .zip(&self.groups)
            .map(|(run, group)| match run {
                Some(run) => group.log_weight + run.result.log_total,
                None => f64::NEG_INFINITY,
            })
            .collect();
        let total = log_sum(&logs);
        if total == f64::NEG_INFINITY {
            return Err(BeliefError::Impossible);
        }
        let mut faults = vec![0.0; n];
        let mut conditions = vec![None; self.graph.condition_count()];
        for ((run, group), log) in runs.iter().zip(&mut self.groups).zip(&logs) {
            let weight = (log - total).exp();
            group.share = weight;
            let Some(run) = run else { continue };
            for (f, slot) in faults.iter_mut().enumerate() {
                if group.fixed[f].is_none() {
                    *slot += weight * run.fault(f, self.graph.priors[f]);
                }
            }
            for (c, slot) in conditions.iter_mut().enumerate() {
                if let Some(v) = run.compiled.condition_var[c] {
                    *slot.get_or_insert(0.0) += weight * run.result.marginals[v][1];
                }
            }
            if let Some(sets) = &self.sets {
                for (set, within) in &group.sets {
                    for f in &sets.sets[*set].members {
                        faults[f.0] += weight * within;
                    }
                }
            }
        }
        self.posterior.log_evidence = total;
        faults.iter_mut().for_each(|p| *p = p.clamp(0.0, 1.0));
        self.posterior.faults = faults;
        self.posterior.conditions = conditions;
        self.posterior.none = self.probability_of(&[])?;
        Ok(())
    }

    /// P(exactly these faults present | findings), exact.
    ///
    /// # Errors
    /// [`BeliefError::Unknown`] for a fault of another graph.
    pub fn probability_of(&self, members: &[FaultId]) -> Result<f64, BeliefError> {
        let n = self.graph.fault_count();
        let mut fixed = vec![Some(false); n];
        for f in members {
            *fixed.get_mut(f.0).ok_or_else(|| super::graph::unknown("fault", f.0))? = Some(true);
        }
        let mut logs = Vec::new();
        for group in &self.groups {
            let within: f64 = match &self.sets {
                None => 1.0,
                Some(sets) => group
                    .sets
                    .iter()
                    .filter(|(s, _)| {
                        let set = &sets.sets[*s].members;
                        sets.faults.iter().all(|f| set.contains(f) == (fixed[f.0] == Some(true)))
                    })
                    .map(|(_, w)| w)
                    .sum(),
            };
            if within <= 0.0 {
                continue;
            }
            let mut prior = 0.0;
            for (f, held) in fixed.iter().enumerate() {
                if group.fixed[f].is_none() {
                    let p = self.graph.priors[f];
                    prior += if *held == Some(true) { p.ln() } else { (-p).ln_1p() };
                }
            }
            if prior == f64::NEG_INFINITY {
                continue;
            }
            if let Some(run) = self.run(group, &fixed)? {
                logs.push(group.log_weight + within.ln() + prior + run.result.log_total);
            }
        }
        Ok((log_sum(&logs) - self.posterior.log_evidence).exp())
    }
}

/// One propagation.
#[derive(Debug)]
pub(crate) struct Run {
    pub compiled: Compiled,
    pub result: Calibrated,
}

impl Run {
    /// A free fault's marginal; its prior where no finding reaches it.
    pub fn fault(&self, f: usize, prior: f64) -> f64 {
        match self.compiled.fault_var[f] {
            Some(v) => self.result.marginals[v][1],
            None => prior,
        }
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
