//! The reference board, healthy and with 167 single faults, against the reference simulator (ngspice 39.3).

use halfsplit::circuit::dc::{Options, Path, Solver};
use halfsplit::circuit::edit::apply;
use halfsplit::circuit::network::Network;
use halfsplit::circuit::sweep::{Faulted, Sweep};
use serde_json::Value;

use super::{data, netlist};

fn reference() -> (Network, Value) {
    (netlist::read(&data("board.cir")), serde_json::from_str(&data("ngspice_faults.json")).unwrap())
}

/// Worst miss against a reference record, in units of the allowed difference.
fn misses(network: &Network, found: &Faulted, record: &Value) -> Vec<String> {
    let mut misses = Vec::new();
    for (name, volts) in record["dc"].as_object().unwrap() {
        let (want, got) = (volts.as_f64().unwrap(), found.volts(network.find_node(name).unwrap()));
        if (got - want).abs() > 1e-3 + 1e-3 * want.abs() || got.is_nan() {
            misses.push(format!("{name}: {got} V, not {want} V"));
        }
    }
    for (name, pair) in record["ac_1khz"].as_object().unwrap() {
        let want = num_complex::Complex64::new(pair[0].as_f64().unwrap(), pair[1].as_f64().unwrap());
        let got = found.response().unwrap().volts(network.find_node(name).unwrap());
        if (got - want).norm() > 1e-3 + 5e-3 * want.norm() || got.re.is_nan() {
            misses.push(format!("{name}: {got} at 1 kHz, not {want}"));
        }
    }
    misses
}

#[test]
fn healthy_board_and_all_single_faults_match_the_reference_simulator() {
    let (network, reference) = reference();
    let mut sweep = Sweep::new(&network, Options::default()).unwrap();
    let mut wrong = Vec::new();
    let mut steps = Vec::new();
    let healthy = sweep.solve(&[], Some(1000.0)).unwrap();
    wrong.extend(misses(&network, &healthy, &reference["healthy"]));
    let faults = reference["faults"].as_array().unwrap();
    assert_eq!(faults.len(), 167);
    for fault in faults {
        let id = fault["id"].as_str().unwrap();
        match sweep.solve(&netlist::edits(&network, &fault["edits"]), Some(1000.0)) {
            Ok(found) => {
                steps.push((found.iterations, found.path, id));
                wrong.extend(misses(&network, &found, fault).into_iter().map(|m| format!("{id}: {m}")));
            }
            Err(error) => wrong.push(format!("{id}: {error}")),
        }
    }
    assert!(wrong.is_empty(), "{} differences:\n{}", wrong.len(), wrong.join("\n"));
    steps.sort();
    let median = steps[steps.len() / 2].0;
    assert!(median <= 8, "median of {median} Newton steps from the healthy point: {steps:?}");
}

/// The sweep's short cuts (numbers laid over, kept compiled networks) give what rebuilding the network gives.
#[test]
fn sweep_equals_apply_and_solve_for_every_fault_and_some_pairs() {
    let (network, reference) = reference();
    let mut sweep = Sweep::new(&network, Options::default()).unwrap();
    let sets: Vec<_> = reference["faults"]
        .as_array()
        .unwrap()
        .iter()
        .map(|f| netlist::edits(&network, &f["edits"]))
        .collect();
    let pairs = (0..sets.len()).map(|i| [sets[i].clone(), sets[(i * 37 + 11) % sets.len()].clone()].concat());
    for edits in sets.iter().cloned().chain(pairs.collect::<Vec<_>>()) {
        let fast = sweep.solve(&edits, Some(1000.0)).unwrap();
        let edited = apply(&network, &edits).unwrap();
        let solver = Solver::new(&edited, Options::default()).unwrap();
        let point = solver.operating_point().unwrap();
        let response = solver.response(&point, 1000.0).unwrap();
        for node in network.nodes() {
            let (a, b) = (fast.volts(node), point.volts(node));
            assert!(
                (a - b).abs() < 1e-4 + 1e-5 * b.abs(),
                "{edits:?} at {}: {a} or {b}",
                network.node_name(node)
            );
            let (a, b) = (fast.response().unwrap().volts(node), response.volts(node));
            assert!(
                (a - b).norm() < 1e-4 + 1e-4 * b.norm(),
                "{edits:?} at {}: {a} or {b}",
                network.node_name(node)
            );
        }
    }
}

/// 120 pairs of faults drawn at random, against the same simulator.
#[test]
fn pairs_of_faults_match_the_reference_simulator() {
    let network = netlist::read(&data("board.cir"));
    let reference: Value = serde_json::from_str(&data("pairs.json")).unwrap();
    let mut sweep = Sweep::new(&network, Options::default()).unwrap();
    let mut wrong = Vec::new();
    let pairs = reference["pairs"].as_array().unwrap();
    assert_eq!(pairs.len(), 120);
    for pair in pairs {
        let found = sweep.solve(&netlist::edits(&network, &pair["edits"]), Some(1000.0)).unwrap();
        wrong.extend(
            misses(&network, &found, pair)
                .into_iter()
                .map(|m| format!("{} by {:?}: {m}", pair["id"], found.path)),
        );
    }
    assert!(wrong.is_empty(), "{} differences:\n{}", wrong.len(), wrong.join("\n"));
}

/// Every pair of faults of different parts has an operating point, and nearly all of them straight from the healthy one.
#[test]
fn every_pair_of_faults_is_solved() {
    let (network, reference) = reference();
    let faults = reference["faults"].as_array().unwrap();
    let sets: Vec<_> = faults.iter().map(|f| netlist::edits(&network, &f["edits"])).collect();
    let mut sweep = Sweep::new(&network, Options::default()).unwrap();
    let (mut solved, mut otherwise) = (0, 0);
    for (i, first) in sets.iter().enumerate() {
        for (j, second) in
            sets.iter().enumerate().skip(i + 1).filter(|(j, _)| faults[*j]["part"] != faults[i]["part"])
        {
            let edits = [first.clone(), second.clone()].concat();
            match sweep.solve(&edits, None) {
                Ok(found) => {
                    solved += 1;
                    otherwise += usize::from(found.path != Path::Direct);
                }
                Err(error) => panic!("{}+{}: {error}", faults[i]["id"], faults[j]["id"]),
            }
        }
    }
    assert_eq!(solved, 13_605);
    assert!(otherwise < 1000, "{otherwise} of {solved} needed a fallback");
}
