//! Runs a compiled network, and turns to the sign-free form where signs have cost too many digits.

use std::borrow::Cow;

use super::compile::{Evidence, Outcome, Setting, Style, Template};
use super::tree::Pass;
use super::{BeliefError, CheckId, Graph, Limits};

/// Rounding error of a total that is put up with, in units of one operation on [`super::wide::Wide`] numbers (at most
/// 2^-102, so this is 2e-10 by a bound that counts every rounding at its worst).
pub(crate) const WORST_CONDITION: f64 = 1e21;

/// Findings as (check, likelihood), ordered by check.
pub(crate) type Findings = Vec<(CheckId, Vec<f64>)>;

/// A compiled network with what it takes to compile it again.
#[derive(Debug, Clone)]
pub(crate) struct Solver {
    pub template: Template,
    held: Vec<bool>,
    limit: f64,
}

/// A run's outcome and the template that can read it.
pub(crate) struct Ran<'a> {
    pub template: Cow<'a, Template>,
    pub outcome: Outcome,
}

impl Ran<'_> {
    pub fn fault(&self, f: usize, prior: f64) -> f64 {
        self.template.fault(&self.outcome, f, prior)
    }

    pub fn condition(&self, c: usize) -> Option<f64> {
        self.template.condition(&self.outcome, c)
    }
}

fn evidence(findings: &Findings) -> Vec<Evidence<'_>> {
    findings.iter().map(|(check, likelihood)| Evidence { check: check.0, likelihood }).collect()
}

impl Solver {
    /// Compiles; `held` faults get their value with each run.
    pub fn new(graph: &Graph, held: Vec<bool>, findings: &Findings, limits: &Limits) -> Solver {
        let template = Template::new(graph, &held, &evidence(findings), Style::Signed);
        Solver { template, held, limit: limits.log2_cost.exp2() }
    }

    /// Fails when a run would take more than the limit.
    pub fn affordable(&self) -> Result<(), BeliefError> {
        check_cost(&self.template, self.limit)
    }

    /// One run. `Ok(None)`: probability zero.
    pub fn run(
        &self,
        graph: &Graph,
        findings: &Findings,
        setting: Setting,
        marginals: bool,
    ) -> Result<Option<Ran<'_>>, BeliefError> {
        self.run_after(graph, findings, setting, marginals, &mut Pass::default())
    }

    /// The same after another run, whose pass is handed in and left as it stands then: much of it is the same.
    pub fn run_after(
        &self,
        graph: &Graph,
        findings: &Findings,
        setting: Setting,
        marginals: bool,
        pass: &mut Pass,
    ) -> Result<Option<Ran<'_>>, BeliefError> {
        self.affordable()?;
        if let Some(outcome) = self.template.run_after(setting, marginals, pass)
            && outcome.condition < WORST_CONDITION
        {
            let template = Cow::Borrowed(&self.template);
            return Ok(Some(Ran { template, outcome }));
        }
        let chain = Template::new(graph, &self.held, &evidence(findings), Style::Chain);
        check_cost(&chain, self.limit)?;
        Ok(chain.run(setting, marginals).map(|outcome| Ran { template: Cow::Owned(chain), outcome }))
    }
}

fn check_cost(template: &Template, limit: f64) -> Result<(), BeliefError> {
    if template.cost() > limit {
        return Err(BeliefError::TooCostly { log2_cost: template.cost().log2() });
    }
    Ok(())
}
