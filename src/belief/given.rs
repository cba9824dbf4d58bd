//! What is to be expected when exactly these faults are present: the planner's view of one fault set.

use super::graph::Cause;
use super::state::Belief;
use super::{CheckId, FaultId};

/// Branches of the hidden conditions less probable than this are dropped.
const FLOOR: f64 = 1e-7;

/// The findings' likelihood and the conditions' probabilities for one fault set.
#[derive(Debug, Clone, PartialEq)]
pub struct Given {
    /// Natural logarithm of P(findings | exactly these faults); minus infinity where they can't occur.
    pub log_likelihood: f64,
    /// P(condition | findings, exactly these faults), by condition index.
    pub conditions: Vec<f64>,
    faults: Vec<bool>,
}

impl Belief {
    /// Sums the hidden conditions out for one complete fault set, all other faults absent.
    ///
    /// Exact but for branches of the conditions that are less probable than 1e-7. Set scores take no part.
    /// Cost: two to the number of conditions that lie between the set and a finding, at worst.
    ///
    /// ```
    /// use std::sync::Arc;
    /// use halfsplit::belief::{Belief, Finding, Graph};
    /// let mut graph = Graph::new();
    /// let regulator = graph.add_fault(0.02)?;
    /// let rail = graph.add_condition(0.0, &[(regulator.into(), 0.9)])?;
    /// let sound = graph.add_yes_no_check(0.01, &[(rail.into(), 0.5)])?;
    /// let volts = graph.add_yes_no_check(0.0, &[(rail.into(), 1.0)])?;
    /// let belief = Belief::new(Arc::new(graph), &[Finding::answer(sound, 1)])?;
    /// let given = belief.given(&[regulator]);
    /// // The silence makes it likelier that the rail is down: 0.4545 against 0.01 * 0.1.
    /// assert!((belief.expected_answers(&given, volts)[1] - 0.4545 / 0.4555).abs() < 1e-9);
    /// # Ok::<(), halfsplit::belief::BeliefError>(())
    /// ```
    pub fn given(&self, members: &[FaultId]) -> Given {
        let mut faults = vec![false; self.graph.fault_count()];
        for f in members {
            if let Some(slot) = faults.get_mut(f.0) {
                *slot = true;
            }
        }
        let n = self.graph.conditions.len();
        let mut walk = Walk {
            belief: self,
            faults: &faults,
            between: self.between(&faults),
            on: vec![false; n],
            sums: vec![0.0; n],
            total: 0.0,
        };
        walk.step(0, 1.0);
        let (total, between, mut conditions) = (walk.total, walk.between, walk.sums);
        for c in 0..n {
            conditions[c] = match between[c] {
                true if total > 0.0 => (conditions[c] / total).min(1.0),
                _ => {
                    let node = &self.graph.conditions[c];
                    let off = node.causes.iter().fold(1.0 - node.leak, |off, (cause, w)| {
                        off * (1.0 - w * probability(*cause, &faults, &conditions))
                    });
                    1.0 - off
                }
            };
        }
        Given { log_likelihood: total.ln(), conditions, faults }
    }

    /// P(answer | findings, exactly these faults) of a check, by answer. The conditions behind the check are
    /// taken as independent given the set and the findings. Empty for an id of another graph.
    pub fn expected_answers(&self, given: &Given, check: CheckId) -> Vec<f64> {
        let Some(node) = self.graph.checks.get(check.0) else { return Vec::new() };
        let mut below = node.leak.clone();
        for (cause, spread) in &node.causes {
            let p = probability(*cause, &given.faults, &given.conditions);
            if p > 0.0 {
                for (b, s) in below.iter_mut().zip(spread) {
                    *b *= 1.0 - p * (1.0 - s);
                }
            }
        }
        for k in (1..below.len()).rev() {
            below[k] = (below[k] - below[k - 1]).max(0.0);
        }
        below
    }

    /// Conditions that the set may bring about and that a finding depends on.
    fn between(&self, faults: &[bool]) -> Vec<bool> {
        let graph = &self.graph;
        let n = graph.conditions.len();
        let mut possible = vec![false; n];
        for c in 0..n {
            let node = &graph.conditions[c];
            possible[c] = node.leak > 0.0
                || node.causes.iter().any(|(cause, _)| match cause {
                    Cause::Fault(f) => faults[f.0],
                    Cause::Condition(d) => possible[d.0],
                });
        }
        let mut needed = vec![false; n];
        let mut mark = |cause: &Cause| {
            if let Cause::Condition(c) = cause {
                needed[c.0] = true;
            }
        };
        for (check, _) in &self.findings {
            graph.checks[check.0].causes.iter().for_each(|(cause, _)| mark(cause));
        }
        for c in (0..n).rev() {
            if needed[c] {
                for (cause, _) in &graph.conditions[c].causes {
                    if let Cause::Condition(d) = cause {
                        needed[d.0] = true;
                    }
                }
            }
        }
        possible.iter().zip(needed).map(|(p, n)| *p && n).collect()
    }
}

fn probability(cause: Cause, faults: &[bool], conditions: &[f64]) -> f64 {
    match cause {
        Cause::Fault(f) => f64::from(u8::from(faults[f.0])),
        Cause::Condition(c) => conditions[c.0],
    }
}

struct Walk<'a> {
    belief: &'a Belief,
    faults: &'a [bool],
    between: Vec<bool>,
    on: Vec<bool>,
    sums: Vec<f64>,
    total: f64,
}

impl Walk<'_> {
    fn active(&self, cause: Cause) -> bool {
        match cause {
            Cause::Fault(f) => self.faults[f.0],
            Cause::Condition(c) => self.on[c.0],
        }
    }

    fn step(&mut self, from: usize, weight: f64) {
        let Some(c) = (from..self.on.len()).find(|c| self.between[*c]) else {
            return self.leaf(weight);
        };
        let node = &self.belief.graph.conditions[c];
        let off = node
            .causes
            .iter()
            .filter(|(cause, _)| self.active(*cause))
            .fold(1.0 - node.leak, |p, (_, w)| p * (1.0 - w));
        for (state, p) in [(false, off), (true, 1.0 - off)] {
            if weight * p > FLOOR {
                self.on[c] = state;
                self.step(c + 1, weight * p);
            }
        }
        self.on[c] = false;
    }

    fn leaf(&mut self, mut weight: f64) {
        for (check, likelihood) in &self.belief.findings {
            let node = &self.belief.graph.checks[check.0];
            let mut expected = 0.0;
            let mut last = 0.0;
            for (k, l) in likelihood.iter().enumerate() {
                let below = node
                    .causes
                    .iter()
                    .filter(|(cause, _)| self.active(*cause))
                    .fold(node.leak[k], |p, (_, spread)| p * spread[k]);
                expected += l * (below - last);
                last = below;
            }
            weight *= expected;
            if weight <= 0.0 {
                return;
            }
        }
        self.total += weight;
        for (sum, on) in self.sums.iter_mut().zip(&self.on) {
            if *on {
                *sum += weight;
            }
        }
    }
}
