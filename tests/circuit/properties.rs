//! Kirchhoff holds at every node of whatever the solver calls solved; what cannot be solved says so by name.

use halfsplit::circuit::dc::{Options, Path, SolveError, Solver};
use halfsplit::circuit::edit::{Edit, apply};
use halfsplit::circuit::network::{
    BjtModel, Breakdown, Control, DiodeModel, JfetModel, Law, MosfetModel, Network, NetworkError, Node,
    Parameter, Polarity, Primitive, Ramp, Terminal,
};
use halfsplit::circuit::sweep::Sweep;
use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::{RngCore, SeedableRng};

struct Dice(ChaCha8Rng);

impl Dice {
    fn below(&mut self, n: usize) -> usize {
        (self.0.next_u64() % n as u64) as usize
    }
    fn unit(&mut self) -> f64 {
        (self.0.next_u64() >> 11) as f64 / (1u64 << 53) as f64
    }
    /// Between the two, evenly over decades.
    fn decades(&mut self, low: f64, high: f64) -> f64 {
        low * (high / low).powf(self.unit())
    }
    fn node(&mut self, nodes: &[Node]) -> Node {
        nodes[self.below(nodes.len())]
    }
    fn polarity(&mut self) -> Polarity {
        if self.below(2) == 0 { Polarity::N } else { Polarity::P }
    }
}

/// A random circuit of up to a dozen nodes: resistors joining everything, a supply, and devices wherever the dice put them.
fn random_circuit(seed: u64) -> Network {
    let mut dice = Dice(ChaCha8Rng::seed_from_u64(seed));
    let mut net = Network::new();
    let count = 3 + dice.below(9);
    let mut nodes = vec![Node::GROUND];
    for i in 0..count {
        let node = net.node(&format!("n{i}"));
        let other = dice.node(&nodes);
        net.add(&format!("RT{i}"), Primitive::Resistor { a: node, b: other, ohms: dice.decades(10.0, 1e6) })
            .unwrap();
        nodes.push(node);
    }
    // An ideal source straight across a junction has no sane answer; a battery has an inner resistance.
    let inner = net.node("inner");
    let dc = 30.0 * dice.unit() - 15.0;
    net.add("V1", Primitive::VoltageSource { plus: inner, minus: Node::GROUND, dc, ac: 1.0 }).unwrap();
    net.add("RV", Primitive::Resistor { a: inner, b: nodes[1], ohms: dice.decades(0.5, 50.0) }).unwrap();
    for i in 0..count + dice.below(10) {
        let [a, b, c] = [0; 3].map(|_| dice.node(&nodes));
        let is = dice.decades(1e-16, 1e-8);
        let primitive = match dice.below(9) {
            0 => Primitive::Resistor { a, b, ohms: dice.decades(1.0, 1e9) },
            1 => Primitive::CurrentSource { from: a, to: b, dc: 2e-3 * dice.unit(), ac: 0.0 },
            2 | 3 => {
                let breakdown = (dice.below(3) == 0).then(|| Breakdown {
                    volts: dice.decades(2.4, 12.0),
                    amps: 5e-3,
                    ideality: 1.0 + 3.0 * dice.unit(),
                });
                let model = DiodeModel {
                    is,
                    ideality: 1.0 + dice.unit(),
                    series_ohms: if dice.below(2) == 0 { 0.0 } else { dice.decades(0.05, 10.0) },
                    breakdown,
                };
                Primitive::Diode { anode: a, cathode: b, model }
            }
            4 | 5 => {
                let model = BjtModel {
                    is,
                    bf: dice.decades(20.0, 800.0),
                    br: dice.decades(0.5, 10.0),
                    vaf: dice.decades(20.0, 200.0),
                };
                Primitive::Bjt { collector: a, base: b, emitter: c, polarity: dice.polarity(), model }
            }
            6 => {
                let model = JfetModel {
                    vto: -dice.decades(0.4, 5.0),
                    beta: dice.decades(1e-4, 1e-2),
                    lambda: 0.01 * dice.unit(),
                    is: 1e-14,
                };
                Primitive::Jfet { drain: a, gate: b, source: c, polarity: dice.polarity(), model }
            }
            7 => {
                let model = MosfetModel {
                    vto: dice.decades(0.5, 4.0),
                    kp: dice.decades(1e-4, 0.5),
                    lambda: 0.02 * dice.unit(),
                };
                Primitive::Mosfet { drain: a, gate: b, source: c, polarity: dice.polarity(), model }
            }
            _ => {
                let control = |gain| Control { plus: a, minus: b, gain };
                let ramp = Ramp { scale: 0.5, offset: -1.0, controls: vec![control(1.0)], roundness: 0.01 };
                let law = Law {
                    offset: 1e-4,
                    controls: vec![control(1e-4 * dice.unit())],
                    ramps: vec![Ramp { scale: 1e-4, ..ramp }],
                };
                Primitive::ControlledCurrent { from: a, to: b, law: Law { offset: -law.offset, ..law } }
            }
        };
        net.add(&format!("E{i}"), primitive).unwrap();
    }
    net
}

#[test]
fn kirchhoff_holds_to_a_nanoampere_in_a_thousand_random_circuits() {
    let mut paths = std::collections::BTreeMap::new();
    let mut failed = Vec::new();
    for seed in 0..1000 {
        let net = random_circuit(seed);
        let solver = Solver::new(&net, Options::default()).unwrap();
        match solver.operating_point() {
            Ok(point) => {
                *paths.entry(point.path).or_insert(0) += 1;
                for (node, amps) in solver.imbalance(&point).unwrap() {
                    assert!(amps.abs() < 1e-9, "seed {seed}, {}: {amps} A left over", net.node_name(node));
                }
                let response = solver.response(&point, 1000.0).unwrap();
                assert!(net.nodes().all(|n| response.volts(n).is_finite()));
            }
            Err(error) => failed.push(format!("{seed}: {error}")),
        }
    }
    assert!(failed.is_empty(), "{} of 1000 not solved:\n{}", failed.len(), failed.join("\n"));
    assert!(paths[&Path::Direct] > 900, "{paths:?}");
}

/// Starting from another point of the same circuit changes the way, not the answer's validity.
#[test]
fn solving_twice_gives_the_same_bytes() {
    for seed in [3, 77, 500] {
        let net = random_circuit(seed);
        let once = Solver::new(&net, Options::default()).unwrap().operating_point().unwrap();
        let twice = Solver::new(&net, Options::default()).unwrap().operating_point().unwrap();
        assert_eq!(once, twice);
    }
}

#[test]
fn no_convergence_names_the_worst_node_and_its_amps() {
    let mut net = Network::new();
    let (top, mid) = (net.node("TOP"), net.node("MID"));
    net.add("V1", Primitive::VoltageSource { plus: top, minus: Node::GROUND, dc: 9.0, ac: 0.0 }).unwrap();
    net.add("R1", Primitive::Resistor { a: top, b: mid, ohms: 1e3 }).unwrap();
    let model = DiodeModel { is: 1e-14, ideality: 1.0, series_ohms: 0.0, breakdown: None };
    net.add("D1", Primitive::Diode { anode: mid, cathode: Node::GROUND, model }).unwrap();
    let hasty = Options { max_iterations: 2, fallbacks: false, ..Options::default() };
    let error = Solver::new(&net, hasty).unwrap().operating_point().unwrap_err();
    match &error {
        SolveError::NoConvergence { place, residual, unit, iterations, .. } => {
            assert_eq!((place.as_str(), *unit, *iterations), ("node MID", "A", 2));
            assert!(residual.abs() > 1e-6, "{residual}");
        }
        other => panic!("{other:?}"),
    }
    assert!(
        error.to_string().starts_with("no operating point found: at node MID the balance is off by "),
        "{error}"
    );
    // The same board with the usual patience is no trouble at all.
    let point = Solver::new(&net, Options::default()).unwrap().operating_point().unwrap();
    assert_eq!(point.path, Path::Direct);
}

/// What Newton cannot do from where it stands, the fallbacks do: with two steps an attempt, a hard start still ends in a valid point or an error.
#[test]
fn fallbacks_reach_a_point_that_holds() {
    let mut by_fallback = 0;
    for seed in 0..60 {
        let net = random_circuit(seed);
        let short_of_breath = Options { max_iterations: 6, ..Options::default() };
        let Ok(solver) = Solver::new(&net, short_of_breath) else {
            continue;
        };
        if let Ok(point) = solver.operating_point() {
            by_fallback += usize::from(point.path > Path::Reordered);
            assert!(
                solver.imbalance(&point).unwrap().iter().all(|(_, amps)| amps.abs() < 1e-9),
                "seed {seed} by {:?}",
                point.path
            );
        }
    }
    assert!(by_fallback >= 10, "only {by_fallback} points were found by a fallback");
}

#[test]
fn what_is_not_determined_is_named() {
    let mut net = Network::new();
    let a = net.node("A");
    net.add("V1", Primitive::VoltageSource { plus: a, minus: Node::GROUND, dc: 9.0, ac: 0.0 }).unwrap();
    net.add("V2", Primitive::VoltageSource { plus: a, minus: Node::GROUND, dc: 5.0, ac: 0.0 }).unwrap();
    let error = Solver::new(&net, Options::default()).unwrap_err();
    assert!(
        matches!(&error, SolveError::Singular { place } if place.contains("V1") || place.contains("V2")),
        "{error}"
    );
}

#[test]
fn values_nodes_terminals_and_names_are_checked() {
    let mut net = Network::new();
    let a = net.node("A");
    let bad = |net: &mut Network, p: Primitive| net.add("X", p).unwrap_err();
    let error = bad(&mut net, Primitive::Resistor { a, b: Node::GROUND, ohms: -1.0 });
    assert_eq!(error.to_string(), "element X: value is -1, but it must be finite and above 0");
    let model = BjtModel { is: 1e-14, bf: f64::NAN, br: 1.0, vaf: f64::INFINITY };
    let error =
        bad(&mut net, Primitive::Bjt { collector: a, base: a, emitter: a, polarity: Polarity::N, model });
    assert!(matches!(error, NetworkError::BadValue { parameter: "forward gain", .. }), "{error}");
    let stranger = Network::new().node("far").max({
        let mut other = Network::new();
        (0..9).map(|i| other.node(&i.to_string())).last().unwrap()
    });
    let error = bad(&mut net, Primitive::Capacitor { a, b: stranger, farads: 1e-9 });
    assert!(matches!(error, NetworkError::UnknownNode { .. }), "{error}");
    let r1 = net.add("R1", Primitive::Resistor { a, b: Node::GROUND, ohms: 1e3 }).unwrap();
    let error = net.add("R1", Primitive::Resistor { a, b: Node::GROUND, ohms: 1e3 }).unwrap_err();
    assert!(matches!(error, NetworkError::DuplicateElement { .. }), "{error}");
    let wrong_edits = [
        Edit::Set { element: r1, parameter: Parameter::Bf, value: 1.0 },
        Edit::Set { element: r1, parameter: Parameter::Value, value: 0.0 },
        Edit::Bridge { a, b: Node::GROUND, ohms: f64::NAN },
        Edit::Bridge { a: stranger, b: Node::GROUND, ohms: 1.0 },
        Edit::Exchange { element: r1, first: 0, second: 2 },
        Edit::Lift { terminals: vec![Terminal { element: r1, index: 5 }], ohms: 1.0 },
        Edit::Lift { terminals: vec![Terminal { element: r1, index: 0 }], ohms: 0.0 },
        Edit::Rewire { moves: vec![(Terminal { element: r1, index: 0 }, stranger)] },
        Edit::Replace { element: r1, ohms: -5.0 },
    ];
    net.add("V1", Primitive::VoltageSource { plus: a, minus: Node::GROUND, dc: 1.0, ac: 0.0 }).unwrap();
    let mut sweep = Sweep::new(&net, Options::default()).unwrap();
    for edit in wrong_edits {
        assert!(apply(&net, std::slice::from_ref(&edit)).is_err(), "{edit:?}");
        assert!(
            matches!(sweep.solve(std::slice::from_ref(&edit), None), Err(SolveError::Edit(_))),
            "{edit:?}"
        );
    }
    assert!(matches!(sweep.solve(&[], Some(-1.0)), Err(SolveError::BadFrequency { .. })));
    assert!(sweep.solve(&[], Some(1.0)).is_ok());
}
