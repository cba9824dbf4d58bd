//! Published worked examples (tests/data/circuits/bias_worked_examples.yaml, sources named there) written as board files. The catalogue's
//! opens and shorts stand in for the books' ideal ones, and the tolerance grows by what 1 ohm and 1 gigohm make of it.

use super::load;
use halfsplit::circuit::board::Board;
use halfsplit::circuit::dc::{Options, Solution, Solver};
use halfsplit::circuit::edit::apply;
use halfsplit::circuit::network::Node;
use halfsplit::rules::parts::Library;
use halfsplit::text::Source;
use serde_yaml::Value;
use std::fmt::Write;

fn library() -> Library {
    Library::with(&[Source::new("ideal.yaml", include_str!("ideal.yaml"))]).unwrap_or_else(|c| panic!("{c}"))
}

fn text<'a>(v: &'a Value, key: &str) -> &'a str {
    v[key].as_str().unwrap_or_else(|| panic!("{key} in {v:?}"))
}

fn number(v: &Value, key: &str) -> f64 {
    v[key].as_f64().unwrap_or_else(|| panic!("{key} in {v:?}"))
}

/// An element list as a board file. Terminals in the books' order stay in the board's.
fn board_text(elements: &[Value]) -> String {
    let mut supplies = String::new();
    let mut parts = String::new();
    for e in elements {
        let name = text(e, "name");
        match text(e, "type") {
            "vsource" => {
                let volts = number(e, "volts");
                let (plus, minus) = if volts < 0.0 { ("minus", "plus") } else { ("plus", "minus") };
                let (plus, minus) = (text(e, plus), text(e, minus));
                let volts = volts.abs();
                let _ = writeln!(
                    supplies,
                    "  - {{name: {name}, plus: '{plus}', minus: '{minus}', volts: {volts}V, source: bench, inner: '0.000001'}}"
                );
            }
            "resistor" => {
                let (a, b, ohms) = (text(e, "a"), text(e, "b"), number(e, "ohms"));
                let _ = if (0.01..=1e8).contains(&ohms) {
                    writeln!(parts, "  {name}: {{kind: resistor, value: '{ohms}', nets: ['{a}', '{b}']}}")
                } else {
                    writeln!(
                        parts,
                        "  {name}: {{device: OHMS, nets: {{1: '{a}', 2: '{b}'}}, with: {{ohms: {ohms:e}}}}}"
                    )
                };
            }
            "diode_drop" | "zener_drop" => {
                let device = if text(e, "type") == "diode_drop" { "DROP" } else { "BREAK" };
                let (a, k, v) = (text(e, "anode"), text(e, "cathode"), number(e, "volts"));
                let _ = writeln!(
                    parts,
                    "  {name}: {{device: {device}, nets: {{anode: '{a}', cathode: '{k}'}}, with: {{volts: {v}}}}}"
                );
            }
            "npn_beta" => {
                let (c, b, em) = (text(e, "c"), text(e, "b"), text(e, "e"));
                let (gain, vbe) = (number(e, "beta") / 1e3, number(e, "vbe_v"));
                let _ = writeln!(
                    parts,
                    "  {name}: {{device: BETA, nets: {{c: '{c}', b: '{b}', e: '{em}'}}, with: {{gain: {gain}, vbe: {vbe}}}}}"
                );
            }
            "njf" => {
                let (d, g, s) = (text(e, "d"), text(e, "g"), text(e, "s"));
                let (idss, vp) = (number(e, "idss_a"), number(e, "vp_v"));
                let _ = writeln!(
                    parts,
                    "  {name}: {{device: SQUARE, nets: {{d: '{d}', g: '{g}', s: '{s}'}}, with: {{idss: {idss}, vp: {vp}}}}}"
                );
            }
            "opamp_ideal" => {
                let (o, p, m) = (text(e, "out"), text(e, "plus"), text(e, "minus"));
                let gain = e["vcvs_gain"].as_f64().unwrap_or(1e9);
                let _ = writeln!(
                    parts,
                    "  {name}: {{device: IDEAL, nets: {{plus: '{p}', minus: '{m}', out: '{o}', low: '0'}}, with: {{gain: {gain}}}}}"
                );
            }
            other => panic!("element type {other}"),
        }
    }
    format!("board: Example\nbuild: breadboard\nground: '0'\nsupply:\n{supplies}parts:\n{parts}")
}

struct Solved {
    board: Board,
    solver: Solver,
    point: Solution,
}

impl Solved {
    fn of(board: Board, faults: &[&str]) -> Self {
        let network = apply(board.network(), &board.edits(faults).unwrap()).unwrap();
        let solver = Solver::new(&network, Options::default()).unwrap();
        let point = solver.operating_point().unwrap();
        Self { board, solver, point }
    }

    fn volts(&self, net: &str) -> f64 {
        if net == "0" { 0.0 } else { self.point.volts(self.board.node(net).unwrap()) }
    }

    /// Current into a pin of a part (by position), from all of its elements. Terminals that only listen carry none.
    fn into(&self, part: &str, pin: usize) -> f64 {
        let part = self.board.parts().iter().find(|p| p.id == part).unwrap();
        let at = |t: &halfsplit::circuit::network::Terminal| {
            self.solver.currents(&self.point, t.element).unwrap().get(t.index).copied().unwrap_or(0.0)
        };
        part.pins[pin].terminals.iter().map(at).sum()
    }

    fn total(&self, supply: &str) -> f64 {
        let line = self.board.supplies().iter().find(|s| s.name == supply).unwrap();
        self.solver.delivered(&self.point, line.element).unwrap()
    }
}

fn hold(id: &str, solved: &Solved, expects: &[Value], extra_volts: f64, extra_amps: f64) -> usize {
    for e in expects {
        let tol = number(e, "tol");
        let (got, want, tol) = if let Some(at) = e["at"].as_str() {
            (solved.volts(at), number(e, "volts"), tol + extra_volts)
        } else if let Some(pair) = e["across"].as_sequence() {
            let net = |i: usize| solved.volts(pair[i].as_str().unwrap());
            (net(0) - net(1), number(e, "volts"), tol + extra_volts)
        } else {
            let got = match (e["through"].as_str(), e["total_of"].as_str(), e["base_current_of"].as_str()) {
                // A zener is listed cathode first.
                (Some(part), ..) if part.starts_with("DZ") => solved.into(part, 1),
                (Some(part), ..) => solved.into(part, 0),
                (_, Some(supply), _) => solved.total(supply),
                (.., Some(part)) => solved.into(part, 1),
                _ => solved.into(text(e, "collector_current_of"), 0),
            };
            (got, number(e, "amps"), tol + extra_amps)
        };
        // A hair for rounding in the book's own half-step tolerances.
        assert!((got.abs() - want.abs()).abs() <= tol * 1.001 + 1e-12, "{id}: {e:?} gave {got}");
    }
    expects.len()
}

#[test]
fn worked_examples_through_the_board_loader() {
    let file: Value =
        serde_yaml::from_str(include_str!("../data/circuits/bias_worked_examples.yaml")).unwrap();
    let library = library();
    let examples = file["examples"].as_sequence().unwrap();
    let mut held = 0;
    let mut faults = 0;
    for example in examples {
        let id = text(example, "id");
        let (kind, expects) = (text(example, "kind"), example["expect"].as_sequence());
        let Some(expects) = expects else { continue };
        match kind {
            "linear" | "nonlinear" | "opamp" => {
                let board = load(&board_text(example["elements"].as_sequence().unwrap()), &library);
                held += hold(id, &Solved::of(board, &[]), expects, 1e-6, 1e-10);
            }
            "fault" => {
                let base = examples.iter().find(|e| e["id"] == example["base"]).unwrap();
                let board = load(&board_text(base["elements"].as_sequence().unwrap()), &library);
                let fault =
                    format!("{}:{}", text(&example["fault"], "part"), text(&example["fault"], "mode"));
                let solved = Solved::of(board, &[&fault]);
                // A short of 1 ohm instead of none: at most its share of 9 V over 150 ohm.
                faults += hold(id, &solved, expects, 0.061, 0.0005);
            }
            _ => {}
        }
    }
    assert!(held >= 70 && faults >= 8, "{held} healthy and {faults} faulted answers held");
}

#[test]
fn the_mid_point_under_a_meter() {
    // Lessons In Electric Circuits Vol. I, Voltmeter impact (formula); 9 V, two 1 megohm, 10 megohm meter: 4.285714 V.
    use halfsplit::circuit::predict::{Bench, Predictor};
    let text = "board: Loading\nbuild: pcb\nground: GND\nsupply: [{name: main, plus: V, minus: GND, volts: 9V, source: bench, inner: '0.000001'}]\nparts:\n  R1: {kind: resistor, value: 1M, nets: [V, M]}\n  R2: {kind: resistor, value: 1M, nets: [M, GND]}\n";
    let board = load(text, &library());
    let mut predictor = Predictor::new(&board, Bench::default()).unwrap();
    let check = predictor.check("volts:M").unwrap();
    let all = predictor.predict(&[], std::slice::from_ref(&check)).unwrap();
    assert!((all.get(&check).unwrap().mean - 4.285_714).abs() < 1e-5);
    assert_eq!(board.node("GND"), Some(Node::GROUND));
}
