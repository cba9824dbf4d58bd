//! Where along the signal path the nets and parts of a board sit, for halving the path by hand.
//!
//! The path is the shortest way from the signal's input to its output through the elements of the healthy network, round ground,
//! the supplies and every net on which a healthy board carries no tone. Absent: any judgement of what is wrong.

use crate::circuit::board::Board;
use crate::circuit::network::Node;
use std::collections::{BTreeMap, BTreeSet, VecDeque};

/// Positions along the signal path.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Stages {
    /// Nets of the path in order, the input first.
    path: Vec<String>,
    /// Of every net that hangs on the path somewhere: the number of stages before the place where it does.
    hangs: BTreeMap<String, u32>,
    /// The stage each part sits in, counted from the input.
    parts: BTreeMap<String, u32>,
}

impl Stages {
    /// Finds the path of a board. `heard` says whether a healthy board carries the tone on a net. Empty where the board has no
    /// signal or nothing joins its ends.
    pub fn of(board: &Board, heard: impl Fn(&str) -> bool) -> Self {
        let Some(signal) = board.signal() else { return Self::default() };
        let (Some(from), Some(to)) = (board.node(&signal.input), board.node(&signal.output)) else {
            return Self::default();
        };
        let net_of: BTreeMap<Node, &str> =
            board.nets().iter().filter_map(|n| Some((board.node(n)?, n.as_str()))).collect();
        let rails: BTreeSet<&str> =
            board.supplies().iter().flat_map(|s| [s.plus.as_str(), s.minus.as_str()]).collect();
        let shut = |node: Node| {
            let silent = |net: &&str| rails.contains(*net) || (!heard(net) && *net != signal.output);
            node.is_ground() || net_of.get(&node).is_some_and(silent)
        };
        let joins = joins(board, &shut);
        let walked = walk(&joins, [from]);
        let Some(path) = back(&walked, from, to) else { return Self::default() };
        let path: Vec<(Node, &str)> = path.iter().filter_map(|n| Some((*n, *net_of.get(n)?))).collect();
        let hangs = nearest(&joins, &path, &net_of);
        let mut stages =
            Self { path: path.iter().map(|(_, n)| (*n).to_owned()).collect(), hangs, parts: BTreeMap::new() };
        for part in board.parts() {
            let nets = part.pins.iter().filter_map(|p| p.net.as_deref());
            if let Some(stage) = stages.between(nets) {
                stages.parts.insert(part.id.clone(), stage);
            }
        }
        stages
    }

    /// The nets of the path in order, the input first.
    pub fn path(&self) -> &[String] {
        &self.path
    }

    /// The number of stages before a net of the path; none for a net beside it, and none for the input, before which there is nothing.
    pub fn position(&self, net: &str) -> Option<u32> {
        self.path.iter().position(|n| n == net).filter(|i| *i > 0).map(|i| i as u32)
    }

    /// The stage that a net belongs to.
    pub fn of_net(&self, net: &str) -> Option<u32> {
        self.between([net])
    }

    /// The stage that a part, or a bridge between two nets, belongs to.
    pub fn of_part(&self, part: &str) -> Option<u32> {
        match part.split_once('~') {
            Some((a, b)) => self.between([a, b]),
            None => self.parts.get(part).copied(),
        }
    }

    /// The stage between the places where nets hang: behind the first of several, before a single one.
    fn between<'a>(&self, nets: impl IntoIterator<Item = &'a str>) -> Option<u32> {
        let places: BTreeSet<u32> = nets.into_iter().filter_map(|n| self.hangs.get(n)).copied().collect();
        let (first, last) = (places.first()?, places.last()?);
        Some(if first == last { first.saturating_sub(1) } else { *first })
    }
}

/// Which nodes an element joins directly.
fn joins(board: &Board, shut: &impl Fn(Node) -> bool) -> BTreeMap<Node, BTreeSet<Node>> {
    let mut out: BTreeMap<Node, BTreeSet<Node>> = BTreeMap::new();
    for (_, element) in board.network().elements() {
        let ends: Vec<Node> = element.primitive.terminals().into_iter().filter(|n| !shut(*n)).collect();
        for a in &ends {
            out.entry(*a).or_default().extend(ends.iter().filter(|b| *b != a));
        }
    }
    out
}

/// Breadth first; where each node was reached from.
fn walk(
    joins: &BTreeMap<Node, BTreeSet<Node>>,
    from: impl IntoIterator<Item = Node>,
) -> BTreeMap<Node, Node> {
    let mut queue: VecDeque<Node> = from.into_iter().collect();
    let mut reached: BTreeMap<Node, Node> = queue.iter().map(|n| (*n, *n)).collect();
    while let Some(node) = queue.pop_front() {
        for next in joins.get(&node).into_iter().flatten() {
            if !reached.contains_key(next) {
                reached.insert(*next, node);
                queue.push_back(*next);
            }
        }
    }
    reached
}

fn back(reached: &BTreeMap<Node, Node>, from: Node, to: Node) -> Option<Vec<Node>> {
    let mut path = vec![to];
    while let Some(last) = path.last().copied().filter(|n| *n != from) {
        path.push(*reached.get(&last)?);
    }
    path.reverse();
    Some(path)
}

/// For each net the place of the path it is joined to by the fewest elements; the later of two.
fn nearest(
    joins: &BTreeMap<Node, BTreeSet<Node>>,
    path: &[(Node, &str)],
    net_of: &BTreeMap<Node, &str>,
) -> BTreeMap<String, u32> {
    let reached = walk(joins, path.iter().rev().map(|(n, _)| *n));
    let place = |start: Node| {
        let mut node = start;
        while let Some(before) = reached.get(&node).filter(|b| **b != node) {
            node = *before;
        }
        path.iter().position(|(n, _)| *n == node)
    };
    net_of
        .iter()
        .filter(|(node, _)| reached.contains_key(node))
        .filter_map(|(node, net)| Some(((*net).to_owned(), place(*node)? as u32)))
        .collect()
}
