//! Scored sets that the authored graph cannot tell apart share one propagation.

use std::collections::BTreeMap;

use super::graph::Cause;
use super::state::log_sum;
use super::{CheckId, Graph, SetScores};

/// Sets with the same active links among the findings' causes and the same computed causes.
#[derive(Debug, Clone)]
pub(crate) struct Group {
    /// Designated faults at the values of the group's first set; others free.
    pub fixed: Vec<Option<bool>>,
    /// Computed causes on checks with findings, by check.
    pub causes: Vec<(usize, Vec<f64>)>,
    /// log of sum over the group's sets of prior * likelihood.
    pub log_weight: f64,
    /// Position of each set in the list, and its share of the group's weight.
    pub sets: Vec<(usize, f64)>,
    /// The group's share of the posterior.
    pub share: f64,
}

impl Group {
    pub fn computed(&self, check: usize) -> Option<&[f64]> {
        self.causes.iter().find(|(c, _)| *c == check).map(|(_, v)| v.as_slice())
    }
}

/// What the authored graph can see of a set: its reached members, and the computed causes as bits.
type Key = (Vec<usize>, Vec<(usize, Vec<u64>)>);

/// The groups, and the prior mass of sets not listed.
pub(crate) fn groups(
    graph: &Graph,
    findings: &[(CheckId, Vec<f64>)],
    sets: Option<&SetScores>,
) -> (Vec<Group>, f64) {
    let Some(scores) = sets else {
        let free = Group {
            fixed: vec![None; graph.fault_count()],
            causes: Vec::new(),
            log_weight: 0.0,
            sets: Vec::new(),
            share: 1.0,
        };
        return (vec![free], 0.0);
    };
    let reached = reached_faults(graph, findings);
    let log_priors = scores.log_priors(graph);
    let mut index: BTreeMap<Key, usize> = BTreeMap::new();
    let mut gathered: Vec<Vec<(usize, f64)>> = Vec::new();
    for (s, set) in scores.sets.iter().enumerate() {
        let log = log_priors[s] + set.log_likelihood;
        if log == f64::NEG_INFINITY {
            continue;
        }
        let mut seen: Vec<usize> = set.members.iter().map(|f| f.0).filter(|f| reached[*f]).collect();
        seen.sort_unstable();
        let causes = merged(graph, findings, set)
            .into_iter()
            .map(|(c, v)| (c, v.into_iter().map(f64::to_bits).collect()))
            .collect();
        let next = gathered.len();
        let place = *index.entry((seen, causes)).or_insert(next);
        if place == next {
            gathered.push(Vec::new());
        }
        gathered[place].push((s, log));
    }
    let out = gathered
        .into_iter()
        .map(|members| {
            let logs: Vec<f64> = members.iter().map(|(_, l)| *l).collect();
            let log_weight = log_sum(&logs);
            let mut fixed = vec![None; graph.fault_count()];
            scores.faults.iter().for_each(|f| fixed[f.0] = Some(false));
            let first = &scores.sets[members[0].0];
            first.members.iter().for_each(|f| fixed[f.0] = Some(true));
            Group {
                fixed,
                causes: merged(graph, findings, first),
                log_weight,
                sets: members.iter().map(|(s, l)| (*s, (l - log_weight).exp())).collect(),
                share: 0.0,
            }
        })
        .collect();
    let listed: f64 = log_priors.iter().map(|l| l.exp()).sum();
    (out, (1.0 - listed).max(0.0))
}

/// Computed causes of one set on checks with findings, those on the same check multiplied.
fn merged(
    _graph: &Graph,
    findings: &[(CheckId, Vec<f64>)],
    set: &super::ScoredSet,
) -> Vec<(usize, Vec<f64>)> {
    let mut out: Vec<(usize, Vec<f64>)> = Vec::new();
    for cause in &set.causes {
        if findings.binary_search_by_key(&cause.check, |(c, _)| *c).is_err() {
            continue;
        }
        match out.iter_mut().find(|(c, _)| *c == cause.check.0) {
            Some((_, v)) => v.iter_mut().zip(&cause.cumulative).for_each(|(a, b)| *a *= b),
            None => out.push((cause.check.0, cause.cumulative.clone())),
        }
    }
    out.sort_by_key(|(c, _)| *c);
    out
}

/// Faults that some finding's check can be reached from.
pub(crate) fn reached_faults(graph: &Graph, findings: &[(CheckId, Vec<f64>)]) -> Vec<bool> {
    let mut faults = vec![false; graph.fault_count()];
    let mut conditions = vec![false; graph.condition_count()];
    let mut mark = |cause: &Cause, conditions: &mut Vec<bool>| match cause {
        Cause::Fault(f) => faults[f.0] = true,
        Cause::Condition(c) => conditions[c.0] = true,
    };
    for (check, _) in findings {
        for (cause, _) in &graph.checks[check.0].causes {
            mark(cause, &mut conditions);
        }
    }
    for c in (0..graph.condition_count()).rev() {
        if conditions[c] {
            for (cause, _) in &graph.conditions[c].causes {
                mark(cause, &mut conditions);
            }
        }
    }
    faults
}
