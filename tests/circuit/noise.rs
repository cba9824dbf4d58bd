//! Noise against the reference simulator (tests/data/circuits/noise, golden values made by tests/scripts/make_noise_golden.py), published
//! formulas and figures.

use std::collections::BTreeMap;

use halfsplit::circuit::dc::{Options, Solver};
use halfsplit::circuit::edit::Edit;
use halfsplit::circuit::network::{
    BjtModel, Control, ElementId, JfetModel, Law, Network, Node, Noise, Parameter, Polarity, Primitive,
};
use halfsplit::circuit::noise::{Grid, NoiseAt, NoiseKind, Origin, a_weighting};
use halfsplit::circuit::sweep::Sweep;
use serde_json::Value;

use super::{data, netlist};

const FOUR_KT: f64 = 4.0 * 1.380649e-23 * 300.15;

/// A circuit of the reference, with the corners of its JFETs' 1/f noise worked out from `KF` at their operating point.
fn circuit(name: &str) -> Network {
    let file = if name == "board" { "board.cir".to_owned() } else { format!("noise/{name}.cir") };
    let text = data(&file);
    let mut network = netlist::read(&text);
    let solver = Solver::new(&network, Options::default()).unwrap();
    let point = solver.operating_point().unwrap();
    let kf: BTreeMap<&str, f64> = BTreeMap::from([("J1", 1e-17), ("J2", 4e-17)]);
    let jfets: Vec<(ElementId, f64)> = network
        .elements()
        .filter(|_| name == "followers")
        .filter_map(|(id, e)| {
            let Primitive::Jfet { drain, gate, source, polarity, model } = &e.primitive else { return None };
            let amps = solver.currents(&point, id).unwrap()[0].abs();
            let JfetModel { vto, .. } = model;
            let sign = polarity.sign();
            assert!(sign * point.across(*gate, *drain) < *vto, "in saturation");
            let gm = 2.0 * amps / (sign * point.across(*gate, *source) - vto);
            Some((id, kf[e.name.as_str()] * amps / (FOUR_KT * 2.0 / 3.0 * gm)))
        })
        .collect();
    for (id, corner) in jfets {
        network.set_noise(id, Noise { corner, ..Noise::default() }).unwrap();
    }
    network
}

fn noise(network: &Network, out: &str, grid: &Grid) -> NoiseAt {
    let node = network.find_node(out).unwrap();
    Sweep::new(network, Options::default()).unwrap().noise(&[], &[node], grid).unwrap().remove(0)
}

/// Shares of the power under the reference's names: `r1_thermal`, `q1_ib`, `q1_1overf`.
fn shares(network: &Network, at: &NoiseAt) -> BTreeMap<String, f64> {
    let all = at.volts().powi(2);
    let mut out = BTreeMap::new();
    let mut before: BTreeMap<ElementId, usize> = BTreeMap::new();
    for c in &at.contributions {
        let Origin::Element(id) = c.origin else { panic!("no fault is in") };
        let element = network.element(id).unwrap();
        let name = element.name.to_lowercase();
        let shot = |before: &mut BTreeMap<ElementId, usize>| {
            let count = before.entry(id).or_default();
            *count += 1;
            *count
        };
        let suffix = match (&element.primitive, c.kind) {
            (Primitive::Resistor { .. }, NoiseKind::Thermal) => "thermal",
            (_, NoiseKind::Flicker | NoiseKind::Excess) => "1overf",
            (Primitive::Diode { .. }, NoiseKind::Thermal) => "rs",
            (Primitive::Bjt { .. }, NoiseKind::Shot) => ["ic", "ib"][shot(&mut before) - 1],
            (Primitive::Jfet { .. }, NoiseKind::Shot) => ["igs", "igd"][shot(&mut before) - 1],
            (_, NoiseKind::Chip) => "thermal",
            _ => "id",
        };
        // The copy of a resistor's noise current stands under the resistor's name.
        let name = name.replace(".fj", ".rin");
        let name = name.strip_suffix(".rb").map_or(format!("{name}_{suffix}"), |q| format!("{q}_rb"));
        *out.entry(name).or_insert(0.0) += c.power / all;
    }
    out
}

#[test]
fn noise_and_every_share_of_it_match_the_reference_simulator() {
    let golden: Value = serde_json::from_str(&data("noise/noise.json")).unwrap();
    let circuits = golden["circuits"].as_object().unwrap();
    assert_eq!(circuits.len(), 6);
    for (name, want) in circuits {
        let network = circuit(name);
        let spectrum: BTreeMap<String, f64> = want["density"]
            .as_object()
            .unwrap()
            .iter()
            .map(|(k, v)| (k.clone(), v.as_f64().unwrap()))
            .collect();
        let hertz: Vec<f64> = spectrum.keys().map(|k| k.parse().unwrap()).collect();
        let densities = noise(&network, "out", &Grid::at(&hertz)).density;
        for ((hertz, want), got) in spectrum.iter().zip(densities.iter().map(|d| d.sqrt())) {
            assert!((got / want - 1.0).abs() < 1e-3, "{name} at {hertz} Hz: {got:e}, not {want:e}");
        }
        let at = noise(&network, "out", &Grid::audible(12));
        for (got, key) in [(at.volts(), "volts"), (at.weighted_volts(), "a_weighted")] {
            let want = want[key].as_f64().unwrap();
            assert!((got / want - 1.0).abs() < 2e-4, "{name}, {key}: {got:e}, not {want:e}");
        }
        let got = shares(&network, &at);
        for (source, share) in want["shares"].as_object().unwrap() {
            let share = share.as_f64().unwrap();
            let plain = source.split_once('.').map_or(source.as_str(), |(_, inner)| inner);
            let got = got.get(plain).unwrap_or_else(|| panic!("{name}: nothing from {source}: {got:?}"));
            assert!((got / share - 1.0).abs() < 5e-3, "{name}, {source}: {got}, not {share}");
        }
    }
}

#[test]
fn a_coarse_grid_is_as_good_as_a_fine_one_for_these_boards() {
    for name in ["carbon", "followers", "gate", "preamp", "stage", "board"] {
        let network = circuit(name);
        let (fine, coarse) =
            (noise(&network, "out", &Grid::audible(24)), noise(&network, "out", &Grid::audible(3)));
        let off = coarse.volts() / fine.volts() - 1.0;
        assert!(off.abs() < 2e-3, "{name}: {off}");
        let off = coarse.weighted_volts() / fine.weighted_volts() - 1.0;
        assert!(off.abs() < 2e-3, "{name}, weighted: {off}");
    }
}

/// AN-940, Low Noise Amplifier Selection Guide, Analog Devices, equation 1: e = sqrt(4 k T R B).
#[test]
fn thermal_noise_by_its_formula() {
    for (ohms, low, high, microvolts) in
        [(1e3, 20.0, 20e3, 0.575779), (1e4, 20.0, 20e3, 1.82077), (1e6, 20.0, 20e3, 18.2077)]
    {
        let mut net = Network::new();
        let a = net.node("A");
        net.add("R1", Primitive::Resistor { a, b: Node::GROUND, ohms }).unwrap();
        let at = noise(&net, "A", &Grid::new(low, high, 2));
        // The figures are for a band of 20 kHz; here it begins at 20 Hz.
        let want = microvolts * 1e-6 * ((high - low) / 20e3f64).sqrt();
        assert!((at.volts() / want - 1.0).abs() < 1e-4, "{ohms}: {:e}", at.volts());
    }
}

/// 13.6 nV in a 10 kHz band makes 1.3 uV in 10 k (synth-diy mailing list, 20 February 2001); 4 nV for 1 k (glossary of a resistor
/// maker, "Noise figure").
#[test]
fn thermal_noise_by_figures_in_print() {
    let mut net = Network::new();
    let (a, b) = (net.node("A"), net.node("B"));
    net.add("R1", Primitive::Resistor { a, b: Node::GROUND, ohms: 10e3 }).unwrap();
    net.add("R2", Primitive::Resistor { a: b, b: Node::GROUND, ohms: 1e3 }).unwrap();
    let band = noise(&net, "A", &Grid::new(1.0, 10001.0, 4)).volts();
    assert!((band / 1.3e-6 - 1.0).abs() < 0.03, "{band:e}");
    let density = noise(&net, "B", &Grid::at(&[1000.0])).density[0].sqrt();
    assert!((density / 4e-9 - 1.0).abs() < 0.02, "{density:e}");
}

/// Noise index by its definition (IEC 60195): 0 dB is a microvolt rms for each volt across the part in one decade.
#[test]
fn excess_noise_by_the_noise_index() {
    // (index dB, volts across, band, microvolts): over n decades sqrt(n) times as much.
    for (db, volts, band, microvolts) in [
        (-20.0, 10.0, [20.0, 20e3], 1.73205),
        (0.0, 9.0, [20.0, 20e3], 15.5885),
        (0.0, 1.0, [100.0, 1000.0], 1.0),
    ] {
        let mut net = Network::new();
        let a = net.node("A");
        net.add("I1", Primitive::CurrentSource { from: Node::GROUND, to: a, dc: volts / 10e3, ac: 0.0 })
            .unwrap();
        let r = net.add("R1", Primitive::Resistor { a, b: Node::GROUND, ohms: 10e3 }).unwrap();
        net.set_noise(r, Noise { excess: 1e-6 * 10f64.powf(db / 20.0), ..Noise::default() }).unwrap();
        let at = noise(&net, "A", &Grid::new(band[0], band[1], 3));
        let excess = at.contributions.iter().find(|c| c.kind == NoiseKind::Excess).unwrap().power.sqrt();
        assert!((excess / (microvolts * 1e-6) - 1.0).abs() < 1e-4, "{db} dB: {excess:e}");
        // A fault that makes the part noisier leaves its thermal noise alone.
        let mut sweep = Sweep::new(&net, Options::default()).unwrap();
        let louder = [Edit::Set { element: r, parameter: Parameter::Noise, value: 10.0 }];
        let with = sweep.noise(&louder, &[a], &Grid::new(band[0], band[1], 3)).unwrap().remove(0);
        let thermal =
            |n: &NoiseAt| n.contributions.iter().find(|c| c.kind == NoiseKind::Thermal).unwrap().power;
        assert_eq!(thermal(&with), thermal(&at));
        let more = with.contributions.iter().find(|c| c.kind == NoiseKind::Excess).unwrap().power.sqrt();
        assert!((more / excess - 10.0).abs() < 1e-9);
    }
}

/// Shot noise sqrt(2 q I B): calculatoratoz.com 34680 works 8.25 mA plus 126 mA in 960 Hz out to 6.42633 nA.
#[test]
fn shot_noise_by_a_figure_in_print() {
    let mut net = Network::new();
    let (a, b) = (net.node("A"), net.node("B"));
    let is = 1e-14;
    net.add("I1", Primitive::CurrentSource { from: Node::GROUND, to: a, dc: 0.13425, ac: 0.0 }).unwrap();
    let model =
        halfsplit::circuit::network::DiodeModel { is, ideality: 1.0, series_ohms: 0.0, breakdown: None };
    net.add("D1", Primitive::Diode { anode: a, cathode: Node::GROUND, model }).unwrap();
    net.add("R1", Primitive::Resistor { a: b, b: Node::GROUND, ohms: 1.0 }).unwrap();
    let at = noise(&net, "A", &Grid::new(40.0, 1000.0, 2));
    // The junction's own resistance VT / I turns the current into volts.
    let amps = at.volts() / (0.0258649 / 0.13425);
    assert!((amps / 6.42633e-9 - 1.0).abs() < 1e-4, "{amps:e}");
}

/// An amplifier of gain 1e7 with noise at its inputs, as cards state it.
fn amplifier(net: &mut Network, plus: Node, minus: Node, out: Node, en: f64, i: f64) {
    let gain = |gain| Law { controls: vec![Control { plus, minus, gain }], ..Law::default() };
    let x = net.node("x");
    let stage =
        net.add("U.gm", Primitive::ControlledCurrent { from: Node::GROUND, to: x, law: gain(1e-3) }).unwrap();
    let load = net.add("U.rx", Primitive::Resistor { a: x, b: Node::GROUND, ohms: 1e10 }).unwrap();
    let copy = Law { controls: vec![Control { plus: x, minus: Node::GROUND, gain: 1.0 }], ..Law::default() };
    net.add("U.out", Primitive::ControlledVoltage { plus: out, minus: Node::GROUND, law: copy }).unwrap();
    net.set_noise(load, Noise::SILENT).unwrap();
    net.set_noise(stage, Noise { density: en * 1e-3, ..Noise::default() }).unwrap();
    for (name, node) in [("U.ip", plus), ("U.im", minus)] {
        let id = net.add(name, Primitive::CurrentSource { from: node, to: Node::GROUND, dc: 0.0, ac: 0.0 });
        net.set_noise(id.unwrap(), Noise { density: i, ..Noise::default() }).unwrap();
    }
}

/// The op-amp noise formula of the OPA1611 data sheet (SBOS450, figure 32) and of the OPA827's (SBOS376, figure 42), with those parts'
/// figures at 1 kHz; the sums worked out by hand from the printed formula.
#[test]
fn an_op_amp_stage_by_the_formula_of_its_data_sheet() {
    let stage = |en: f64, i: f64, r1: f64, r2: f64, rs: f64, inverting: bool| {
        let mut net = Network::new();
        let (p, n, out, s) = (net.node("P"), net.node("N"), net.node("OUT"), net.node("S"));
        let ground = Node::GROUND;
        if inverting {
            net.add("RP", Primitive::Resistor { a: p, b: ground, ohms: 1e-3 }).unwrap();
            net.add("RS", Primitive::Resistor { a: s, b: ground, ohms: rs }).unwrap();
            net.add("R1", Primitive::Resistor { a: n, b: s, ohms: r1 }).unwrap();
        } else {
            net.add("RS", Primitive::Resistor { a: p, b: ground, ohms: rs.max(1e-3) }).unwrap();
            net.add("R1", Primitive::Resistor { a: n, b: ground, ohms: r1 }).unwrap();
            net.add("RX", Primitive::Resistor { a: s, b: ground, ohms: 1.0 }).unwrap();
        }
        net.add("R2", Primitive::Resistor { a: out, b: n, ohms: r2 }).unwrap();
        amplifier(&mut net, p, n, out, en, i);
        let density = noise(&net, "OUT", &Grid::at(&[1000.0])).density[0].sqrt();
        density * 1e9
    };
    for (en, i, r1, r2, rs, inverting, nanovolts) in [
        (1.1e-9, 1.7e-12, 1e3, 10e3, 10e3, false, 239.342),
        (4.0e-9, 2.2e-15, 1e3, 10e3, 10e3, false, 154.326),
        (1.1e-9, 1.7e-12, 1e3, 10e3, 0.0, false, 47.5266),
        (1.1e-9, 1.7e-12, 1e3, 10e3, 100.0, true, 45.6605),
    ] {
        let got = stage(en, i, r1, r2, rs, inverting);
        assert!((got / nanovolts - 1.0).abs() < 1e-3, "{got}, not {nanovolts}");
    }
}

/// en^2 = 4 k T (rb + re / 2) for a transistor driven by a stiff source (parx.middelhoek.com, noise page; re = VT / IC). The formula leaves out the
/// base's shot noise in rb: 1.900 nV with it, 1.879 nV without.
#[test]
fn a_transistors_input_noise_by_its_formula() {
    let mut net = Network::new();
    let (b, c, v) = (net.node("B"), net.node("C"), net.node("V"));
    let is = 1e-14;
    let volts = 0.0258649 * (1e-3f64 / is).ln();
    net.add("VB", Primitive::VoltageSource { plus: b, minus: Node::GROUND, dc: volts, ac: 1.0 }).unwrap();
    net.add("VC", Primitive::VoltageSource { plus: v, minus: Node::GROUND, dc: 6.0, ac: 0.0 }).unwrap();
    let load = net.add("RC", Primitive::Resistor { a: v, b: c, ohms: 1e3 }).unwrap();
    net.set_noise(load, Noise::SILENT).unwrap();
    let model = BjtModel { is, bf: 200.0, br: 2.0, vaf: f64::INFINITY };
    let q = Primitive::Bjt { collector: c, base: b, emitter: Node::GROUND, polarity: Polarity::N, model };
    let q = net.add("Q1", q).unwrap();
    net.set_noise(q, Noise { base_ohms: 200.0, ..Noise::default() }).unwrap();
    let mut sweep = Sweep::new(&net, Options::default()).unwrap();
    let gain = sweep.solve(&[], Some(1000.0)).unwrap().response().unwrap().volts(c).norm();
    let out = sweep.noise(&[], &[c], &Grid::at(&[1000.0])).unwrap()[0].density[0].sqrt();
    let input = 1e9 * out / gain;
    assert!((input / 1.87872 - 1.0).abs() < 0.015, "{input} nV");
}

/// IEC 61672, at the exact third-octave frequencies, as tabulated at lichtbeeldgeluid.nl (geluid, tabellen).
#[test]
fn the_a_weighting_by_its_table() {
    for (exponent, db) in [
        (-18, -56.7),
        (-15, -39.4),
        (-12, -26.2),
        (-9, -16.1),
        (-6, -8.6),
        (-3, -3.2),
        (0, 0.0),
        (3, 1.2),
        (6, 1.0),
        (9, -1.1),
        (12, -6.6),
        (13, -9.3),
    ] {
        let hertz = 1000.0 * 10f64.powf(f64::from(exponent) / 10.0);
        let got = 20.0 * a_weighting(hertz).log10();
        assert!((got - db).abs() < 0.051, "{hertz} Hz: {got} dB, not {db}");
    }
    // White noise from 20 Hz to 20 kHz is 2.05 dB lower behind the weighting.
    let mut net = Network::new();
    let a = net.node("A");
    net.add("R1", Primitive::Resistor { a, b: Node::GROUND, ohms: 1e3 }).unwrap();
    let at = noise(&net, "A", &Grid::audible(8));
    assert!((at.weighted_volts() / at.volts() - 0.789926).abs() < 1e-4);
}

/// Noise bandwidth of one pole: pi / 2 times its corner (rfcafe.com, Filter equivalent noise bandwidth).
#[test]
fn the_noise_bandwidth_of_one_pole() {
    let mut net = Network::new();
    let a = net.node("A");
    net.add("R1", Primitive::Resistor { a, b: Node::GROUND, ohms: 10e3 }).unwrap();
    net.add("C1", Primitive::Capacitor { a, b: Node::GROUND, farads: 10e-9 }).unwrap();
    let at = noise(&net, "A", &Grid::new(1e-3, 1e9, 60));
    let corner = 1.0 / (std::f64::consts::TAU * 1e-4);
    let width = at.volts().powi(2) / (FOUR_KT * 10e3);
    assert!((width / corner / std::f64::consts::FRAC_PI_2 - 1.0).abs() < 1e-4, "{width}");
    // The same as kT/C, whatever the resistance.
    assert!((at.volts().powi(2) / (FOUR_KT / 4.0 / 10e-9) - 1.0).abs() < 1e-4);
}

#[test]
fn a_tone_on_a_supply_comes_through_as_the_response_says() {
    let mut net = Network::new();
    let (top, mid) = (net.node("TOP"), net.node("MID"));
    let v =
        net.add("V1", Primitive::VoltageSource { plus: top, minus: Node::GROUND, dc: 9.0, ac: 0.0 }).unwrap();
    net.add("R1", Primitive::Resistor { a: top, b: mid, ohms: 10e3 }).unwrap();
    net.add("R2", Primitive::Resistor { a: mid, b: Node::GROUND, ohms: 10e3 }).unwrap();
    net.add("C1", Primitive::Capacitor { a: mid, b: Node::GROUND, farads: 10e-6 }).unwrap();
    net.set_noise(v, Noise { tone: [100.0, 0.1], ..Noise::default() }).unwrap();
    let mut sweep = Sweep::new(&net, Options::default()).unwrap();
    let grid = Grid::audible(3);
    let with = sweep.noise(&[], &[mid], &grid).unwrap().remove(0);
    // Half of it behind 5 k and 10 uF: 1 / (2 pi f R C) = 3.183 Hz.
    let want = 0.05 / (1.0 + (100.0f64 / 3.183099).powi(2)).sqrt();
    assert!((with.tones[0].volts / want - 1.0).abs() < 1e-6, "{:?}", with.tones);
    assert_eq!(with.tones[0].hertz, 100.0);
    assert!(with.with_tones() > with.volts());
    // An open reservoir lets it through, a noisier supply raises it.
    let c = net.find_element("C1").unwrap();
    let open = sweep.noise(&[Edit::Remove { element: c }], &[mid], &grid).unwrap().remove(0);
    assert!((open.tones[0].volts - 0.05).abs() < 1e-6);
    let louder = [Edit::Set { element: v, parameter: Parameter::Noise, value: 5.0 }];
    let louder = sweep.noise(&louder, &[mid], &grid).unwrap().remove(0);
    assert!((louder.tones[0].volts / with.tones[0].volts - 5.0).abs() < 1e-9);
    let bad = [Edit::Set { element: v, parameter: Parameter::Noise, value: -1.0 }];
    assert!(sweep.noise(&bad, &[mid], &grid).is_err());
}

/// The sweep's short ways end where a network with the edits made does.
#[test]
fn noise_with_faults_in_is_that_of_the_edited_network() {
    let network = circuit("board");
    let reference: Value = serde_json::from_str(&data("ngspice_faults.json")).unwrap();
    let mut sweep = Sweep::new(&network, Options::default()).unwrap();
    let out = network.find_node("out").unwrap();
    let grid = Grid::audible(3);
    let mut tried = 0;
    for fault in reference["faults"].as_array().unwrap().iter().step_by(3) {
        let edits = netlist::edits(&network, &fault["edits"]);
        let fast = sweep.noise(&edits, &[out], &grid).unwrap().remove(0);
        let edited = halfsplit::circuit::edit::apply(&network, &edits).unwrap();
        let plain = noise(&edited, "out", &grid);
        let off = (fast.volts() / plain.volts() - 1.0).abs();
        assert!(off < 2e-3, "{}: {:e}, not {:e}", fault["id"], fast.volts(), plain.volts());
        tried += 1;
    }
    assert!(tried > 50);
}
