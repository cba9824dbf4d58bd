//! The export, and graded checks against a general-purpose library: tests/data/networks/graded.json is this graph's
//! export, golden_graded.json what pyAgrum makes of it with full tables (tests/scripts/check_export.py).
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

use std::path::PathBuf;
use std::sync::Arc;

use halfsplit::belief::{Belief, Cause, CheckId, FaultId, Finding, Graph};
use serde_json::Value;

fn read(file: &str) -> String {
    let path = PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("tests/data/networks").join(file);
    std::fs::read_to_string(&path).unwrap_or_else(|e| panic!("{}: {e}", path.display()))
}

/// Ten faults, five conditions in two layers, eight checks of two to four answers.
fn graded() -> Graph {
    let mut graph = Graph::new();
    let f: Vec<Cause> = (0..10).map(|i| graph.add_fault(0.01 * (i + 1) as f64).unwrap().into()).collect();
    let mut c: Vec<Cause> = Vec::new();
    for i in 0..3 {
        let causes = [(f[i], 0.9), (f[i + 3], 0.75), (f[(i * 5 + 7) % 10], 0.5)];
        c.push(graph.add_condition(0.005 * i as f64, &causes).unwrap().into());
    }
    for i in 0..2 {
        let causes = [(c[i], 0.85), (c[i + 1], 0.6), (f[7 + i], 0.95)];
        c.push(graph.add_condition(0.0, &causes).unwrap().into());
    }
    for i in 0..8 {
        let answers = 2 + i % 3;
        let spread = |a: f64| -> Vec<f64> { (1..answers).map(|k| a * k as f64 / 10.0).collect() };
        let causes = [
            (c[i % 5], spread(1.5)),
            (c[(i + 2) % 5], spread(0.75)),
            (f[i], spread(1.25)),
            (f[8 + i % 2], spread(0.5)),
        ];
        graph.add_check(&spread(0.125), &causes).unwrap();
    }
    graph
}

#[test]
fn export_is_complete() {
    let graph = graded();
    let json = graph.export().to_json();
    assert_eq!(json, read("graded.json"), "run tests/scripts/check_export.py after writing a new export");
    let parsed: Value = serde_json::from_str(&json).unwrap();
    // Built again from the text alone, the graph is the same.
    let mut again = Graph::new();
    let nums =
        |v: &Value| -> Vec<f64> { v.as_array().unwrap().iter().map(|x| x.as_f64().unwrap()).collect() };
    let mut names: Vec<(String, Cause)> = Vec::new();
    for node in parsed["nodes"].as_array().unwrap() {
        let name = node["name"].as_str().unwrap().to_owned();
        let leak = nums(&node["leak"]);
        let causes: Vec<(Cause, Vec<f64>)> = node["causes"]
            .as_array()
            .unwrap()
            .iter()
            .map(|c| {
                (names.iter().find(|n| n.0 == c["node"].as_str().unwrap()).unwrap().1, nums(&c["spread"]))
            })
            .collect();
        assert_eq!(leak.len() as u64 + 1, node["states"].as_u64().unwrap());
        match &name[..1] {
            "f" => names.push((name, again.add_fault(leak[0]).unwrap().into())),
            "c" => {
                let causes: Vec<(Cause, f64)> = causes.into_iter().map(|(c, s)| (c, s[0])).collect();
                names.push((name, again.add_condition(leak[0], &causes).unwrap().into()));
            }
            _ => {
                again.add_check(&leak, &causes).unwrap();
            }
        }
    }
    for (a, b) in again.export().nodes.iter().zip(&graph.export().nodes) {
        assert_eq!((&a.name, a.states, a.causes.len()), (&b.name, b.states, b.causes.len()));
        let near = |x: &[f64], y: &[f64]| x.iter().zip(y).all(|(x, y)| (x - y).abs() < 1e-15);
        assert!(near(&a.leak, &b.leak), "{a:?} {b:?}");
        for (x, y) in a.causes.iter().zip(&b.causes) {
            assert!(x.node == y.node && near(&x.spread, &y.spread), "{x:?} {y:?}");
        }
    }
    assert_eq!(again.export().nodes.len(), graph.export().nodes.len());
}

#[test]
fn graded_checks_equal_the_library() {
    let graph = Arc::new(graded());
    let golden: Value = serde_json::from_str(&read("golden_graded.json")).unwrap();
    let cases = golden["cases"].as_array().unwrap();
    assert!(cases.len() >= 5);
    for case in cases {
        let findings: Vec<Finding> = case["findings"]
            .as_object()
            .unwrap()
            .iter()
            .map(|(name, v)| {
                let check = CheckId(name[1..].parse().unwrap());
                match v.as_u64() {
                    Some(k) => Finding::answer(check, k as usize),
                    None => Finding::soft(
                        check,
                        v.as_array().unwrap().iter().map(|x| x.as_f64().unwrap()).collect(),
                    ),
                }
            })
            .collect();
        let belief = Belief::new(graph.clone(), &findings).unwrap();
        for (name, v) in case["posteriors"].as_object().unwrap() {
            let index: usize = name[1..].parse().unwrap();
            let got: Vec<f64> = match &name[..1] {
                "f" => {
                    let p = belief.fault(FaultId(index)).unwrap();
                    vec![1.0 - p, p]
                }
                "c" => {
                    let p = belief.condition(halfsplit::belief::ConditionId(index));
                    let Some(p) = p else { continue };
                    vec![1.0 - p, p]
                }
                _ => belief.predict(CheckId(index)).unwrap().answers,
            };
            for (a, b) in got.iter().zip(v.as_array().unwrap()) {
                assert!((a - b.as_f64().unwrap()).abs() < 1e-9, "{name}: {got:?} not {v} in {case}");
            }
        }
        let evidence = case["evidence_probability"].as_f64().unwrap();
        assert!((belief.posterior().log_evidence.exp() / evidence - 1.0).abs() < 1e-9);
    }
}
