//! Scored sets that the authored graph cannot tell apart share one propagation.

use std::collections::HashMap; // looked up only, never walked through

use super::compile::Template;
use super::state::log_sum;
use super::{CheckId, ScoredSet, SetScores};

/// Sets with the same active links among the findings' causes and the same computed causes.
#[derive(Debug, Clone, Default)]
pub(crate) struct Group {
    /// Designated faults that are present and that some finding can see.
    pub present: Vec<usize>,
    /// Computed causes on checks with findings, by check.
    pub causes: Vec<(usize, Vec<f64>)>,
    /// log of sum over the group's sets of prior * likelihood.
    pub log_weight: f64,
    /// Position of each set in the list, and its share of the group's weight.
    pub sets: Vec<(usize, f64)>,
    /// The group's share of the posterior.
    pub share: f64,
}

/// What the authored graph can see of a set: classes of its members, and the computed causes as bits.
type Key = (Vec<usize>, Vec<u64>);

/// Groups the sets at the places `keep`, whose logarithmic weights are `logs`. The order is that of first members.
/// `seen` are the checks that count, in order.
pub(crate) fn groups(
    template: &Template,
    seen: &[CheckId],
    scores: &SetScores,
    logs: &[f64],
    keep: impl Iterator<Item = usize>,
) -> Vec<Group> {
    let classes = template.held_classes();
    // Only looked up, never walked, so the order of hashing shows nowhere.
    let mut index: HashMap<Key, usize> = HashMap::new(); // looked up only
    let mut gathered: Vec<Vec<usize>> = Vec::new();
    for s in keep.filter(|s| logs[*s] > f64::NEG_INFINITY) {
        let set = &scores.sets[s];
        let mut classes: Vec<usize> = set.members.iter().filter_map(|f| classes[f.0]).collect();
        classes.sort_unstable();
        let mut bits = Vec::new();
        for (check, cumulative) in merged(seen, set) {
            bits.push(check as u64);
            bits.extend(cumulative.iter().map(|x| x.to_bits()));
        }
        let next = gathered.len();
        let place = *index.entry((classes, bits)).or_insert(next);
        if place == next {
            gathered.push(Vec::new());
        }
        gathered[place].push(s);
    }
    let build = |members: Vec<usize>| {
        let own: Vec<f64> = members.iter().map(|s| logs[*s]).collect();
        let log_weight = log_sum(&own);
        let first = &scores.sets[members[0]];
        let mut present: Vec<usize> = first.members.iter().map(|f| f.0).collect();
        present.retain(|f| classes[*f].is_some());
        Group {
            present,
            causes: merged(seen, first),
            log_weight,
            sets: members.into_iter().zip(own).map(|(s, l)| (s, (l - log_weight).exp())).collect(),
            share: 0.0,
        }
    };
    gathered.into_iter().map(build).collect()
}

/// Computed causes of one set on the checks that count, those on the same check multiplied.
pub(crate) fn merged(seen: &[CheckId], set: &ScoredSet) -> Vec<(usize, Vec<f64>)> {
    let mut out: Vec<(usize, Vec<f64>)> = Vec::new();
    for cause in &set.causes {
        if seen.binary_search(&cause.check).is_err() {
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
