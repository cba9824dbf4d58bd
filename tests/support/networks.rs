//! Reads tests/data/networks.
#![allow(dead_code)]

use std::collections::BTreeMap;
use std::path::PathBuf;
use std::sync::Arc;

use halfsplit::belief::{Cause, CheckId, FaultId, Finding, Graph};
use serde_json::Value;

/// A network file as the engine sees it, with the names of its nodes.
pub struct Loaded {
    pub graph: Arc<Graph>,
    pub faults: BTreeMap<String, FaultId>,
    pub checks: BTreeMap<String, CheckId>,
    pub findings: Vec<Finding>,
}

/// What the libraries say: fault posteriors and, per unseen symptom, the sum of mutual informations in bits.
pub struct Golden {
    pub posteriors: BTreeMap<String, f64>,
    pub gains: BTreeMap<String, f64>,
}

fn read(file: &str) -> Value {
    let path = PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("tests/data/networks").join(file);
    let text = std::fs::read_to_string(&path).unwrap_or_else(|e| panic!("{}: {e}", path.display()));
    serde_json::from_str(&text).unwrap_or_else(|e| panic!("{}: {e}", path.display()))
}

pub fn load(name: &str) -> Loaded {
    let file = read(&format!("network_{name}.json"));
    let mut graph = Graph::new();
    let mut names: BTreeMap<String, Cause> = BTreeMap::new();
    let mut faults = BTreeMap::new();
    let mut checks = BTreeMap::new();
    for node in file["nodes"].as_array().unwrap() {
        let id = node["id"].as_str().unwrap().to_owned();
        let causes: Vec<(Cause, f64)> = node["parents"]
            .as_array()
            .map(|list| {
                list.iter().map(|p| (names[p[0].as_str().unwrap()], p[1].as_f64().unwrap())).collect()
            })
            .unwrap_or_default();
        match node["kind"].as_str().unwrap() {
            "fault" => {
                let f = graph.add_fault(node["prior"].as_f64().unwrap()).unwrap();
                names.insert(id.clone(), f.into());
                faults.insert(id, f);
            }
            "condition" => {
                let c = graph.add_condition(node["leak"].as_f64().unwrap(), &causes).unwrap();
                names.insert(id, c.into());
            }
            _ => {
                let x = graph.add_yes_no_check(node["leak"].as_f64().unwrap(), &causes).unwrap();
                checks.insert(id, x);
            }
        }
    }
    let findings = file["evidence"]
        .as_object()
        .unwrap()
        .iter()
        .map(|(id, v)| Finding::answer(checks[id], v.as_u64().unwrap() as usize))
        .collect();
    Loaded { graph: Arc::new(graph), faults, checks, findings }
}

pub fn golden(name: &str) -> Golden {
    let file = read(&format!("golden_{name}.json"));
    let map = |key: &str| -> BTreeMap<String, f64> {
        file[key]
            .as_object()
            .map(|o| o.iter().map(|(k, v)| (k.clone(), v.as_f64().unwrap())).collect())
            .unwrap_or_default()
    };
    Golden { posteriors: map("posteriors"), gains: map("gain_bits") }
}

/// log P(evidence) and fault posteriors by tests/scripts/chain_posteriors.py.
pub fn chain(name: &str) -> (f64, BTreeMap<String, f64>) {
    let file = read(&format!("chain_{name}.json"));
    let posteriors = file["posteriors"].as_object().unwrap();
    let posteriors = posteriors.iter().map(|(k, v)| (k.clone(), v.as_f64().unwrap())).collect();
    (file["log_evidence"].as_f64().unwrap(), posteriors)
}
