//! Every device family and every kind of edit against the reference simulator, on small circuits (tests/data/circuits/devices/*.cir, golden
//! values made by tests/scripts/make_circuit_golden.py).

use halfsplit::circuit::dc::{Options, Solver};
use halfsplit::circuit::edit::Edit;
use halfsplit::circuit::network::{Network, Node, Parameter, Terminal};
use halfsplit::circuit::sweep::Sweep;
use num_complex::Complex64;
use serde_json::Value;

use super::{data, netlist};

fn circuit(name: &str) -> Network {
    netlist::read(&data(&format!("devices/{name}.cir")))
}

fn golden() -> Value {
    serde_json::from_str(&data("devices.json")).unwrap()
}

/// Differences between what was found and a golden record, at the nodes the network knows by the same name.
fn differences(
    network: &Network,
    want: &Value,
    volts: &dyn Fn(Node) -> f64,
    responses: &[(f64, Vec<Complex64>)],
) -> Vec<String> {
    let mut wrong = Vec::new();
    let mut seen = 0;
    for (name, value) in want["dc"].as_object().unwrap() {
        let Some(node) = network.find_node(name) else {
            continue;
        };
        seen += 1;
        let (want, got) = (value.as_f64().unwrap(), volts(node));
        if (got - want).abs() > 5e-5 + 2e-4 * want.abs() || got.is_nan() {
            wrong.push(format!("{name}: {got} V, not {want} V"));
        }
    }
    assert!(seen + 2 >= want["dc"].as_object().unwrap().len(), "the golden record names other nodes");
    for (record, (hertz, response)) in want["ac"].as_array().unwrap().iter().zip(responses) {
        assert_eq!(record["hertz"].as_f64().unwrap(), *hertz);
        for (name, pair) in record["volts"].as_object().unwrap() {
            let Some(node) = network.find_node(name) else {
                continue;
            };
            let want = Complex64::new(pair[0].as_f64().unwrap(), pair[1].as_f64().unwrap());
            let got = response[node.index()];
            if (got - want).norm() > 1e-6 + 1e-3 * want.norm() || got.re.is_nan() {
                wrong.push(format!("{name} at {hertz} Hz: {got}, not {want}"));
            }
        }
    }
    wrong
}

const FREQUENCIES: [f64; 3] = [50.0, 1000.0, 12000.0];

#[test]
fn every_device_family_matches_the_reference_simulator() {
    let golden = golden();
    for name in ["zener", "leds", "germanium", "npn", "pnp", "jfets", "mosfets", "passive", "edit_base"] {
        let network = circuit(name);
        let solver = Solver::new(&network, Options::default()).unwrap();
        let point = solver.operating_point().unwrap();
        let responses: Vec<_> = FREQUENCIES
            .iter()
            .map(|f| {
                let response = solver.response(&point, *f).unwrap();
                (*f, network.nodes().map(|n| response.volts(n)).collect())
            })
            .collect();
        let wrong = differences(&network, &golden["circuits"][name], &|n| point.volts(n), &responses);
        assert!(wrong.is_empty(), "{name}:\n{}", wrong.join("\n"));
        let left = solver.imbalance(&point).unwrap().into_iter().map(|(_, a)| a.abs()).fold(0.0, f64::max);
        assert!(left < 1e-9, "{name}: {left} A left over");
    }
}

#[test]
fn every_kind_of_edit_matches_the_edited_netlist_in_the_reference_simulator() {
    let golden = golden();
    let network = circuit("edit_base");
    let element = |n: &str| network.find_element(n).unwrap();
    let node = |n: &str| network.find_node(n).unwrap();
    let q1 = |index: usize| Terminal { element: element("Q1"), index };
    let cases: Vec<(&str, Vec<Edit>)> = vec![
        ("edit_replace", vec![Edit::Replace { element: element("D1"), ohms: 33.0 }]),
        (
            "edit_rewire",
            vec![Edit::Rewire { moves: vec![(q1(0), node("b")), (q1(1), node("e")), (q1(2), node("c"))] }],
        ),
        ("edit_gain", vec![Edit::Set { element: element("Q1"), parameter: Parameter::Bf, value: 40.0 }]),
        (
            "edit_lift_bridge",
            vec![
                Edit::Lift { terminals: vec![Terminal { element: element("D1"), index: 0 }], ohms: 47e3 },
                Edit::Bridge { a: node("k"), b: node("b"), ohms: 1.0 },
            ],
        ),
    ];
    let mut sweep = Sweep::new(&network, Options::default()).unwrap();
    for (name, edits) in cases {
        let responses: Vec<_> = FREQUENCIES
            .iter()
            .map(|f| {
                let found = sweep.solve(&edits, Some(*f)).unwrap();
                (*f, network.nodes().map(|n| found.response().unwrap().volts(n)).collect())
            })
            .collect();
        let found = sweep.solve(&edits, None).unwrap();
        let wrong = differences(&network, &golden["circuits"][name], &|n| found.volts(n), &responses);
        assert!(wrong.is_empty(), "{name}:\n{}", wrong.join("\n"));
    }
}

/// An ideal control input draws nothing, so a bad joint in it alone changes nothing at all.
#[test]
fn a_bad_joint_in_a_control_input_changes_nothing() {
    let network = circuit("edit_base");
    let mut sweep = Sweep::new(&network, Options::default()).unwrap();
    let input = Terminal { element: network.find_element("E1").unwrap(), index: 2 };
    let joint = Edit::Lift { terminals: vec![input], ohms: 1e9 };
    let (found, healthy) = (sweep.solve(&[joint], None).unwrap(), sweep.solve(&[], None).unwrap());
    for node in network.nodes() {
        assert!((found.volts(node) - healthy.volts(node)).abs() < 1e-4, "{} V", found.volts(node));
    }
}
