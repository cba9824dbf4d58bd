//! What some checks can be reached from: the ancestors, nothing else.

use super::graph::{Cause, Graph};

/// Faults and conditions that are causes, near or far, of given checks.
#[derive(Debug, Clone)]
pub(crate) struct Reach {
    faults: Vec<bool>,
    conditions: Vec<bool>,
}

impl Reach {
    pub fn of(graph: &Graph, checks: impl Iterator<Item = usize>) -> Reach {
        let mut reach = Reach {
            faults: vec![false; graph.priors.len()],
            conditions: vec![false; graph.conditions.len()],
        };
        for check in checks {
            for (cause, _) in &graph.checks[check].causes {
                reach.mark(cause);
            }
        }
        // Causes come before effects, so one sweep downwards finds all.
        for c in (0..graph.conditions.len()).rev() {
            if reach.conditions[c] {
                for (cause, _) in &graph.conditions[c].causes {
                    reach.mark(cause);
                }
            }
        }
        reach
    }

    fn mark(&mut self, cause: &Cause) {
        match cause {
            Cause::Fault(f) => self.faults[f.0] = true,
            Cause::Condition(c) => self.conditions[c.0] = true,
        }
    }

    pub fn faults(&self) -> impl Iterator<Item = usize> + '_ {
        (0..self.faults.len()).filter(|f| self.faults[*f])
    }

    pub fn conditions(&self) -> impl Iterator<Item = usize> + '_ {
        (0..self.conditions.len()).filter(|c| self.conditions[*c])
    }
}
