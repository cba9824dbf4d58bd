//! The most probable complete fault sets, exactly and best first.

use super::state::Belief;
use super::{BeliefError, FaultId};

/// A complete fault set (all others absent) and its posterior probability.
#[derive(Debug, Clone, PartialEq)]
pub struct WeightedSet {
    /// The faults present, ordered by id; empty for no fault at all.
    pub members: Vec<FaultId>,
    /// P(exactly this set | findings).
    pub probability: f64,
}

/// The most probable fault sets and what they leave over.
#[derive(Debug, Clone, PartialEq)]
pub struct WeightedSets {
    /// Best first; ties in the order of their members.
    pub sets: Vec<WeightedSet>,
    /// Posterior mass of all sets not in the list.
    pub remaining: f64,
    /// Whether no set outside the list can be more probable than one inside (always so unless the search limit struck).
    pub certain: bool,
}

/// A part of the space: `fixed` faults are settled, at most `bound` for any one set in it.
struct Node {
    group: usize,
    fixed: Vec<Option<bool>>,
    bound: f64,
}

impl Belief {
    /// The `count` most probable complete fault sets.
    ///
    /// # Errors
    /// [`BeliefError::TooCostly`].
    pub fn best_sets(&self, count: usize) -> Result<WeightedSets, BeliefError> {
        let top_share = |g: usize| {
            let within = self.groups[g].sets.iter().map(|(_, w)| *w).fold(0.0, f64::max);
            if self.sets.is_some() { within } else { 1.0 }
        };
        let mut nodes: Vec<Node> = self
            .groups
            .iter()
            .enumerate()
            .map(|(g, group)| Node {
                group: g,
                fixed: group.fixed.clone(),
                bound: group.share * top_share(g),
            })
            .collect();
        let mut found: Vec<WeightedSet> = Vec::new();
        let mut budget = 50 * count + 2000;
        while let Some(place) = best_node(&nodes) {
            found.sort_by(|a, b| {
                b.probability.total_cmp(&a.probability).then_with(|| a.members.cmp(&b.members))
            });
            let enough = found.len() >= count && found[count - 1].probability >= nodes[place].bound;
            if enough || budget == 0 || nodes[place].bound <= 0.0 {
                break;
            }
            budget -= 1;
            let node = nodes.swap_remove(place);
            self.expand(&node, &mut nodes, &mut found)?;
        }
        found.sort_by(|a, b| b.probability.total_cmp(&a.probability).then_with(|| a.members.cmp(&b.members)));
        found.truncate(count);
        let certain = match (best_node(&nodes), found.last()) {
            (Some(place), Some(last)) => nodes[place].bound <= last.probability || nodes[place].bound <= 0.0,
            _ => true,
        };
        let sum: f64 = found.iter().map(|s| s.probability).sum();
        Ok(WeightedSets { sets: found, remaining: (1.0 - sum).max(0.0), certain })
    }

    fn expand(
        &self,
        node: &Node,
        nodes: &mut Vec<Node>,
        found: &mut Vec<WeightedSet>,
    ) -> Result<(), BeliefError> {
        let group = &self.groups[node.group];
        let Some(run) = self.run(group, &node.fixed)? else {
            return Ok(());
        };
        let mut free: Vec<(usize, f64)> = (0..node.fixed.len())
            .filter(|f| node.fixed[*f].is_none())
            .map(|f| (f, run.fault(f, self.graph.priors[f])))
            .filter(|(_, p)| *p > 0.0)
            .collect();
        free.sort_by(|a, b| b.1.total_cmp(&a.1).then(a.0.cmp(&b.0)));
        let mut rest = node.fixed.clone();
        for (f, p) in free {
            let mut fixed = rest.clone();
            fixed[f] = Some(true);
            nodes.push(Node { group: node.group, fixed, bound: node.bound * p });
            rest[f] = Some(false);
        }
        let mut members: Vec<FaultId> = (0..rest.len())
            .filter(|f| rest[*f] == Some(true) && group.fixed[*f].is_none())
            .map(FaultId)
            .collect();
        match &self.sets {
            None => {
                let probability = self.probability_of(&members)?;
                found.push(WeightedSet { members, probability });
            }
            Some(sets) => {
                for (s, _) in &group.sets {
                    let mut all = members.clone();
                    all.extend(&sets.sets[*s].members);
                    all.sort_unstable();
                    let probability = self.probability_of(&all)?;
                    found.push(WeightedSet { members: all, probability });
                }
                members.clear();
            }
        }
        Ok(())
    }
}

fn best_node(nodes: &[Node]) -> Option<usize> {
    (0..nodes.len()).max_by(|a, b| nodes[*a].bound.total_cmp(&nodes[*b].bound).then(b.cmp(a)))
}
