//! The graph as a plain Bayesian network, for checking against general-purpose libraries.

use super::graph::{Cause, Graph};

/// A cause in an export: the node's name and its distribution over answers 1, 2, ...
#[derive(Debug, Clone, PartialEq)]
pub struct CauseExport {
    /// Name of the causing node.
    pub node: String,
    /// P(answer k) for k >= 1 by this cause alone.
    pub spread: Vec<f64>,
}

/// A node in an export. A fault is a node without causes whose leak is its prior.
#[derive(Debug, Clone, PartialEq)]
pub struct NodeExport {
    /// `f0`, `c0`, `x0`: fault, condition, check, numbered as in the graph.
    pub name: String,
    /// How many states; 2 for faults and conditions.
    pub states: usize,
    /// P(answer k) for k >= 1 with no cause active.
    pub leak: Vec<f64>,
    /// The causes, noisy-MAX.
    pub causes: Vec<CauseExport>,
}

/// A graph as noisy-MAX nodes, causes first.
#[derive(Debug, Clone, PartialEq)]
pub struct NetworkExport {
    /// Faults, then conditions, then checks.
    pub nodes: Vec<NodeExport>,
}

impl Graph {
    /// The graph as plain noisy-MAX nodes.
    pub fn export(&self) -> NetworkExport {
        let name = |cause: &Cause| match cause {
            Cause::Fault(f) => format!("f{}", f.0),
            Cause::Condition(c) => format!("c{}", c.0),
        };
        let mut nodes = Vec::new();
        for (i, prior) in self.priors.iter().enumerate() {
            nodes.push(NodeExport {
                name: format!("f{i}"),
                states: 2,
                leak: vec![*prior],
                causes: Vec::new(),
            });
        }
        for (i, node) in self.conditions.iter().enumerate() {
            nodes.push(NodeExport {
                name: format!("c{i}"),
                states: 2,
                leak: vec![node.leak],
                causes: node
                    .causes
                    .iter()
                    .map(|(c, w)| CauseExport { node: name(c), spread: vec![*w] })
                    .collect(),
            });
        }
        for (i, node) in self.checks.iter().enumerate() {
            nodes.push(NodeExport {
                name: format!("x{i}"),
                states: node.answers(),
                leak: spread(&node.leak),
                causes: node
                    .causes
                    .iter()
                    .map(|(c, cumulative)| CauseExport { node: name(c), spread: spread(cumulative) })
                    .collect(),
            });
        }
        NetworkExport { nodes }
    }
}

fn spread(cumulative: &[f64]) -> Vec<f64> {
    cumulative.windows(2).map(|w| w[1] - w[0]).collect()
}

impl NetworkExport {
    /// The export as one JSON document: `{"nodes":[{"name","states","leak":[..],"causes":[{"node","spread":[..]}]}]}`.
    pub fn to_json(&self) -> String {
        let list = |v: &[f64]| {
            let parts: Vec<String> = v.iter().map(|x| format!("{x:?}")).collect();
            format!("[{}]", parts.join(","))
        };
        let nodes: Vec<String> = self
            .nodes
            .iter()
            .map(|n| {
                let causes: Vec<String> = n
                    .causes
                    .iter()
                    .map(|c| format!("{{\"node\":\"{}\",\"spread\":{}}}", c.node, list(&c.spread)))
                    .collect();
                format!(
                    "{{\"name\":\"{}\",\"states\":{},\"leak\":{},\"causes\":[{}]}}",
                    n.name,
                    n.states,
                    list(&n.leak),
                    causes.join(",")
                )
            })
            .collect();
        format!("{{\"nodes\":[{}]}}\n", nodes.join(",\n"))
    }
}
