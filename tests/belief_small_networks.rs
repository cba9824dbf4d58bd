//! Small published networks. Nodes that are no noisy-OR go in as scored sets: any joint table over a few faults, and any
//! table of a check given the set, can be expressed so. Sources stand in the data file.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

#[path = "support/data.rs"]
mod data;

use std::sync::Arc;

use data::{diagnosis, list, near, num, text};
use halfsplit::belief::{
    Belief, CheckId, ComputedCause, FaultId, Finding, Graph, Limits, ScoredSet, SetScores, net_strength,
};
use serde_yaml::Value;

/// Scores all sets over `n` even faults by `joint`, with computed distributions of checks by `spreads`.
fn scored(
    graph: &mut Graph,
    n: usize,
    joint: impl Fn(&[bool]) -> f64,
    spreads: impl Fn(&[bool]) -> Vec<(CheckId, Vec<f64>)>,
) -> Arc<SetScores> {
    let faults: Vec<FaultId> = graph.faults().take(n).collect();
    let sets = (0usize..1 << n)
        .map(|mask| {
            let on: Vec<bool> = (0..n).map(|i| mask >> i & 1 == 1).collect();
            let causes = spreads(&on)
                .into_iter()
                .map(|(check, spread)| {
                    let mut sum = 0.0;
                    let mut cumulative: Vec<f64> = spread
                        .iter()
                        .map(|p| {
                            sum += p;
                            sum
                        })
                        .collect();
                    *cumulative.last_mut().unwrap() = 1.0;
                    ComputedCause { check, cumulative }
                })
                .collect();
            ScoredSet {
                members: (0..n).filter(|i| on[*i]).map(|i| faults[i]).collect(),
                log_likelihood: joint(&on).ln(),
                causes,
            }
        })
        .collect();
    Arc::new(SetScores { faults, sets })
}

fn bernoulli(on: bool, p: f64) -> f64 {
    if on { p } else { 1.0 - p }
}

#[test]
fn asia() {
    const NAMES: [&str; 5] = ["asia", "smoke", "tub", "lung", "bronc"];
    let mut graph = Graph::new();
    let faults: Vec<FaultId> = NAMES.iter().map(|_| graph.add_fault(0.5).unwrap()).collect();
    let either = graph.add_condition(0.0, &[(faults[2].into(), 1.0), (faults[3].into(), 1.0)]).unwrap();
    let xray = graph.add_yes_no_check(0.05, &[(either.into(), net_strength(0.98, 0.05))]).unwrap();
    let dysp = graph.add_yes_no_check(0.0, &[]).unwrap();
    // To observe a fault or condition, a check that shows exactly it.
    let seen: Vec<CheckId> =
        faults.iter().map(|f| graph.add_yes_no_check(0.0, &[((*f).into(), 1.0)]).unwrap()).collect();
    let seen_either = graph.add_yes_no_check(0.0, &[(either.into(), 1.0)]).unwrap();
    let joint = |on: &[bool]| {
        bernoulli(on[0], 0.01)
            * bernoulli(on[1], 0.5)
            * bernoulli(on[2], if on[0] { 0.05 } else { 0.01 })
            * bernoulli(on[3], if on[1] { 0.1 } else { 0.01 })
            * bernoulli(on[4], if on[1] { 0.6 } else { 0.3 })
    };
    let breath = |on: &[bool]| {
        let p = match (on[2] || on[3], on[4]) {
            (true, true) => 0.9,
            (true, false) => 0.7,
            (false, true) => 0.8,
            (false, false) => 0.1,
        };
        vec![(dysp, vec![1.0 - p, p])]
    };
    let scores = scored(&mut graph, 5, joint, breath);
    let graph = Arc::new(graph);
    let check = |name: &str| match name {
        "xray" => xray,
        "dysp" => dysp,
        "either" => seen_either,
        other => seen[NAMES.iter().position(|n| *n == other).unwrap()],
    };
    for row in list(&diagnosis("small_networks.yaml")["asia"]) {
        let findings: Vec<Finding> = row["evidence"]
            .as_mapping()
            .unwrap()
            .iter()
            .map(|(k, v)| Finding::answer(check(text(k)), usize::from(text(v) == "yes")))
            .collect();
        let belief =
            Belief::build(graph.clone(), &findings, Some(scores.clone()), Limits::default()).unwrap();
        for (key, expected) in row.as_mapping().unwrap() {
            let got = match text(key) {
                "evidence" => continue,
                // The even priors of the five faults are a constant, 2^-5.
                "P_e" => belief.posterior().log_evidence.exp() * 32.0,
                name => match NAMES.iter().position(|n| *n == name) {
                    Some(i) => belief.posterior().faults[i],
                    None => belief.predict(check(name)).unwrap().answers[1],
                },
            };
            // Recomputed by a library that reads decimals at single precision: 2e-7.
            assert!((got - num(expected)).abs() < 3e-7, "{key:?} {row:?}: {got}");
        }
    }
}

#[test]
fn burglary() {
    // Faults: burglary, earthquake, and the alarm, whose table is no noisy-OR.
    let mut graph = Graph::new();
    let faults: Vec<FaultId> = (0..3).map(|_| graph.add_fault(0.5).unwrap()).collect();
    let alarm = faults[2];
    let john = graph.add_yes_no_check(0.05, &[(alarm.into(), net_strength(0.9, 0.05))]).unwrap();
    let mary = graph.add_yes_no_check(0.01, &[(alarm.into(), net_strength(0.7, 0.01))]).unwrap();
    let seen: Vec<CheckId> =
        faults.iter().map(|f| graph.add_yes_no_check(0.0, &[((*f).into(), 1.0)]).unwrap()).collect();
    let joint = |on: &[bool]| {
        let rings = match (on[0], on[1]) {
            (true, true) => 0.95,
            (true, false) => 0.94,
            (false, true) => 0.29,
            (false, false) => 0.001,
        };
        bernoulli(on[0], 0.001) * bernoulli(on[1], 0.002) * bernoulli(on[2], rings)
    };
    let scores = scored(&mut graph, 3, joint, |_| Vec::new());
    let graph = Arc::new(graph);
    let check = |name: &str| match name {
        "J" => john,
        "M" => mary,
        "A" => seen[2],
        "E" => seen[1],
        _ => seen[0],
    };
    for row in list(&diagnosis("small_networks.yaml")["burglary"]) {
        let findings: Vec<Finding> = row["evidence"]
            .as_mapping()
            .unwrap()
            .iter()
            .map(|(k, v)| Finding::answer(check(text(k)), v.as_u64().unwrap() as usize))
            .collect();
        let belief =
            Belief::build(graph.clone(), &findings, Some(scores.clone()), Limits::default()).unwrap();
        let got = belief.predict(check(text(&row["query"]))).unwrap().answers[1];
        near(got, num(&row["exact"]), 11, &format!("{row:?}"));
    }
}

/// Jensen & Nielsen, Bayesian Networks and Decision Graphs (2007), chapter 2: the car that will not start. Tables and
/// posteriors also stand in a public tutorial that reproduces the example.
#[test]
fn car_start() {
    let mut graph = Graph::new();
    let no_fuel = graph.add_fault(0.02).unwrap();
    let dirty_plugs = graph.add_fault(0.04).unwrap();
    let meter = graph.add_check(&[0.0, 0.0], &[]).unwrap();
    let start = graph.add_yes_no_check(0.0, &[]).unwrap();
    let spreads = |on: &[bool]| {
        let starts = match (on[0], on[1]) {
            (false, false) => 0.99,
            (false, true) => 0.01,
            _ => 0.0,
        };
        let shows = if on[0] { vec![0.001, 0.001, 0.998] } else { vec![0.39, 0.60, 0.01] };
        vec![(meter, shows), (start, vec![starts, 1.0 - starts])]
    };
    let scores = scored(&mut graph, 2, |_| 1.0, spreads);
    let none = Belief::build(Arc::new(graph), &[], Some(scores), Limits::default()).unwrap();
    near(none.predict(start).unwrap().answers[1], 0.068216, 6, "does not start");
    for (got, expected) in none.predict(meter).unwrap().answers.iter().zip([0.38222, 0.58802, 0.02976]) {
        near(*got, expected, 5, "meter");
    }
    let dead = none.with_finding(Finding::answer(start, 1)).unwrap();
    near(dead.fault(no_fuel).unwrap(), 0.29318635, 8, "no fuel");
    near(dead.fault(dirty_plugs).unwrap(), 0.58062625, 8, "dirty plugs");
    for (got, expected) in
        dead.predict(meter).unwrap().answers.iter().zip([0.27595051, 0.42438138, 0.29966811])
    {
        near(*got, expected, 8, "meter");
    }
    let half = dead.with_finding(Finding::answer(meter, 1)).unwrap();
    near(half.fault(no_fuel).unwrap(), 0.000690855832, 12, "no fuel, half full");
    near(half.fault(dirty_plugs).unwrap(), 0.80434963, 8, "dirty plugs, half full");
    let empty = dead.with_finding(Finding::answer(meter, 2)).unwrap();
    near(empty.fault(no_fuel).unwrap(), 0.97641345, 8, "no fuel, empty");
    near(empty.fault(dirty_plugs).unwrap(), 0.05804083, 8, "dirty plugs, empty");
}

#[test]
fn rows_are_all_there() {
    let file = diagnosis("small_networks.yaml");
    let count = |v: &Value| list(v).len();
    assert_eq!((count(&file["asia"]), count(&file["burglary"])), (9, 10));
}
