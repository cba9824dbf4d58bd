//! Poles, oscillators and waves against closed forms, published figures and the reference simulator (tests/data/circuits/time, golden
//! values made by tests/scripts/make_time_golden.py).

use std::f64::consts::TAU;

use halfsplit::circuit::dc::Options;
use halfsplit::circuit::edit::Edit;
use halfsplit::circuit::motion::{Cycle, Following, Motion};
use halfsplit::circuit::network::{BjtModel, ElementId, Network, Node, Parameter, Polarity, Primitive};
use halfsplit::circuit::poles::{Poise, Poles};
use halfsplit::circuit::sweep::Sweep;
use halfsplit::circuit::transient::{Accuracy, Start, Wave};
use serde_json::Value;

use super::{data, netlist};

fn circuit(name: &str) -> Network {
    netlist::read(&data(&format!("time/{name}.cir")))
}

fn golden() -> Value {
    serde_json::from_str(&data("time/time.json")).unwrap()
}

/// A circuit written down part by part: `R`, `C`, `L` with a value, `E` a voltage-controlled voltage source with its gain.
fn build(lines: &str) -> Network {
    netlist::read(&format!("* a circuit of this test\n{}", lines.replace("; ", "\n")))
}

fn poles(network: &Network) -> Poles {
    Sweep::new(network, Options::default()).unwrap().poles(&[]).unwrap()
}

#[track_caller]
fn close(got: f64, want: f64, share: f64, what: &str) {
    assert!((got - want).abs() <= share * want.abs(), "{what}: {got}, not {want}");
}

/// Poles at the edge of oscillation lie on the imaginary axis at the published frequency.
#[track_caller]
fn on_the_edge(lines: &str, hertz: f64) {
    let found = poles(&build(lines));
    let rightmost = found.rightmost().unwrap();
    close(rightmost.im / TAU, hertz, 1e-5, lines);
    assert!(rightmost.re.abs() < 1e-5 * rightmost.im, "{lines}: {rightmost}");
}

/// f = 1 / (2 pi R C), gain 3 (virtual-labs, Wien bridge experiment, theory).
#[test]
fn a_wien_bridge_needs_a_gain_of_three() {
    let bridge = |gain: f64| {
        poles(&build(&format!("R1 o a 10k; C1 a p 10n; R2 p 0 10k; C2 p 0 10n; EO o 0 p 0 {gain}")))
    };
    let at = |gain| bridge(gain).rightmost().unwrap();
    close(at(3.0).im / TAU, 1591.55, 1e-5, "frequency");
    assert!(at(3.0).re.abs() < 1e-3);
    for (gain, re) in [(2.9, -500.0), (3.1, 500.0)] {
        close(at(gain).re, re, 1e-6, "real part");
        close(at(gain).im, 9987.49, 1e-6, "imaginary part");
        assert_eq!(bridge(gain).is_stable(), re < 0.0);
    }
    assert!(matches!(bridge(3.1).poise(), Poise::Oscillates { .. }));
}

/// Three sections loading each other: gain 29 either way (pindionline.com; LEAP project 332 prints 650 Hz for 10 k and 10 nF; for low-pass
/// sections sqrt(6) / (2 pi R C), encyclopedia article RC oscillator).
#[test]
fn phase_shift_oscillators_by_their_formulas() {
    on_the_edge(
        "EO o 0 n 0 -29; C1 o a 10n; R1 a 0 10k; C2 a b 10n; R2 b 0 10k; C3 b n 10n; R3 n 0 10k",
        649.747,
    );
    on_the_edge(
        "EO o 0 n 0 -29; R1 o a 10k; C1 a 0 10n; R2 a b 10k; C2 b 0 10n; R3 b n 10k; C3 n 0 10n",
        3898.48,
    );
    // Buffered sections: sqrt(3) / (2 pi R C) at a gain of 8 (newtoncbraga.com CB12740E).
    on_the_edge(
        "EO o 0 n 0 -8; R1 o a 10k; C1 a 0 10n; EA a1 0 a 0 1; R2 a1 b 10k; C2 b 0 10n; EB b1 0 b 0 1; R3 b1 n 10k; C3 n 0 10n",
        2756.64,
    );
}

/// f = 1 / (2 pi R C sqrt(6 + 4 Rc / R)), hfe = 23 + 29 R / Rc + 4 Rc / R (Fundamentals of Electronics, Book 4, equations 12.29 to 12.32).
#[test]
fn a_transistor_phase_shift_oscillator_by_its_formula() {
    for (ratio, hertz) in [(0.5, 562.698), (1.0, 503.292), (2.7, 388.298), (5.0, 312.129)] {
        let (r, rc) = (10e3, 10e3 * ratio);
        let hfe = 23.0 + 29.0 / ratio + 4.0 * ratio;
        // The base is a point of no volts behind the last resistor; its current is that resistor's.
        let lines = format!(
            "RC c 0 {rc}; C1 c a 10n; R1 a 0 {r}; C2 a b 10n; R2 b 0 {r}; C3 b d 10n; RB d 0 {r}; G1 c 0 d 0 {}",
            hfe / r
        );
        on_the_edge(&lines, hertz);
    }
}

/// f0 and Q of a Sallen-Key low-pass (vcalc.com, Sallen-Key Q; the Butterworth Q of 0.707 at ee-diary.com 2022/02).
#[test]
fn a_sallen_key_filter_has_its_q() {
    for (c1, c2, gain, f0, q) in [
        (22e-9, 10e-9, 1.0, 1073.02, 0.74162),
        (20e-9, 10e-9, 1.0, 1125.40, 0.5_f64.sqrt()),
        (10e-9, 10e-9, 1.586, 1591.55, 0.707214),
    ] {
        let lines = format!("VS s 0 0; R1 s a 10k; R2 a b 10k; C1 a o {c1}; C2 b 0 {c2}; EO o 0 b 0 {gain}");
        let found = poles(&build(&lines));
        let pole = found.all.iter().find(|p| p.im > 0.0).unwrap();
        close(pole.norm() / TAU, f0, 1e-5, "f0");
        close(-pole.norm() / (2.0 * pole.re), q, 1e-5, "Q");
        let Poise::Stable { damping, hertz } = found.poise() else { panic!("{found:?}") };
        close(damping, 0.5 / q, 1e-5, "damping");
        close(hertz, f0, 1e-5, "frequency");
    }
}

/// A follower with a capacitive load: an extra pole 1 / (2 pi Ro CL) in the loop (AN5597, Maxim 2013, figure 2). Gain 1e5, pole 30 Hz, 100 ohm; the
/// damping of the two-pole loop worked out by hand.
#[test]
fn a_capacitive_load_takes_a_followers_margin() {
    for (load, damping) in [(1e-9, 0.364), (1e-8, 0.115), (1e-7, 0.0365)] {
        let lines =
            format!("GM 0 x 0 o 1m; RX x 0 100meg; CX x 0 53.0516p; EY y 0 x 0 1; RO y o 100; CL o 0 {load}");
        let Poise::Stable { damping: got, .. } = poles(&build(&lines)).poise() else { panic!() };
        close(got, damping, 5e-3, "damping");
    }
}

#[test]
fn a_tuned_circuit_rings_as_it_should() {
    // f = 1 / (2 pi sqrt(L C)), Q = R sqrt(C / L) for a parallel circuit (any textbook).
    let network = build("L1 a 0 0.1; C1 a 0 100n; R1 a 0 20k; IS 0 a 0");
    let found = poles(&network);
    let pole = found.rightmost().unwrap();
    close(pole.norm() / TAU, 1591.549, 1e-6, "frequency");
    close(-pole.norm() / (2.0 * pole.re), 20.0, 1e-6, "Q");
    let a = network.find_node("a").unwrap();
    let start = Start::Moved(vec![0.0, 1.0]);
    let fine = Accuracy { share: 1e-6, volts: 1e-6, ..Accuracy::default() };
    let mut sweep = Sweep::new(&network, Options::default()).unwrap();
    let track = sweep.transient(&[], &[], &start, 5e-3, &[a], fine).unwrap();
    for k in 1..40 {
        let t = f64::from(k) * 1.2e-4;
        let (omega, decay) = (pole.im, -pole.re);
        // Starts from 1 V and no current in the coil.
        let want = (-decay * t).exp() * ((omega * t).cos() - decay / omega * (omega * t).sin());
        assert!((track.at(0, t) - want).abs() < 1e-3, "{t}: {}, not {want}", track.at(0, t));
    }
}

/// The reference simulator's pole-zero analysis on the phase-shift LFO; for the boards where that analysis errs, the growth seen in its
/// transient (within 0.5 %). Poles of the triangle LFO at rest: an independent solver.
#[test]
fn poles_of_whole_boards() {
    for (name, re, im, within) in [
        ("phase_lfo", 8.17569, 28.1867, 1e-5),
        ("triangle_lfo", 6021810.0, 0.0, 1e-5),
        ("boost", 189.32, 193.476, 5e-3),
        ("boost_22u", 48.6, 151.426, 1e-3),
        ("boost_100u", -9.82736, 0.0, 1e-4),
    ] {
        let found = poles(&circuit(name)).rightmost().unwrap();
        close(found.re, re, within, name);
        close(found.im, im, within, name);
    }
    // A pole far behind a slow one keeps its digits.
    let found = poles(&circuit("triangle_lfo"));
    for want in [21.277, -4.25532, -18783700.0] {
        assert!(found.all.iter().any(|p| (p.re / want - 1.0).abs() < 1e-5), "{want} is missing in {found:?}");
    }
}

fn cycle(network: &Network, names: &[String]) -> Cycle {
    let nodes: Vec<Node> = names.iter().map(|n| network.find_node(n).unwrap()).collect();
    let mut sweep = Sweep::new(network, Options::default()).unwrap();
    match sweep.motion(&[], &nodes, &Following::default()).unwrap().1 {
        Motion::Runs(cycle) => cycle,
        other => panic!("{other:?}"),
    }
}

#[test]
fn oscillators_run_as_in_the_reference_simulator() {
    let golden = golden();
    let all = golden["oscillators"].as_object().unwrap();
    assert!(all.len() >= 8);
    for (name, want) in all {
        let network = circuit(name);
        if !want["runs"].as_bool().unwrap() {
            let (found, motion) = Sweep::new(&network, Options::default())
                .unwrap()
                .motion(&[], &[], &Following::default())
                .unwrap();
            assert!(found.is_stable() && motion == Motion::Rests, "{name}: {motion:?}");
            continue;
        }
        let swings = want["swings"].as_object().unwrap();
        let names: Vec<String> = swings.keys().cloned().collect();
        let got = cycle(&network, &names);
        close(got.hertz, want["hertz"].as_f64().unwrap(), 2.5e-3, name);
        for ((node, want), got) in swings.iter().zip(&got.swings) {
            let number = |key: &str| want[key].as_f64().unwrap();
            let span = number("most") - number("least");
            for (got, key) in [(got.least, "least"), (got.most, "most"), (got.mean, "mean")] {
                assert!(
                    (got - number(key)).abs() < 0.015 * span,
                    "{name}, {node}, {key}: {got}, not {}",
                    number(key)
                );
            }
        }
        assert!(got.shapes.iter().all(|s| s.iter().all(|v| v.is_finite())));
    }
}

#[test]
fn waves_follow_the_reference_simulator() {
    let golden = golden();
    let drives: [(&str, Wave, Start, f64); 3] = [
        ("fuzz", Wave::Sine { offset: 0.0, peak: 0.2, hertz: 1e3 }, Start::Rest, 2e-3),
        ("rectifier", Wave::Sine { offset: 0.0, peak: 12.0, hertz: 50.0 }, Start::Rest, 2e-3),
        ("power_on", Wave::Lines(vec![(1e-3, 0.0), (2e-3, 9.0)]), Start::Empty, 2e-3),
    ];
    for (name, wave, start, within) in drives {
        let network = circuit(name);
        let want = &golden["waves"][name];
        let samples = want["samples"].as_object().unwrap();
        let nodes: Vec<Node> = samples.keys().map(|n| network.find_node(n).unwrap()).collect();
        let source = network.find_element("VSIG").unwrap();
        let [first, last] = [0, 1].map(|i| want["seconds"][i].as_f64().unwrap());
        let mut sweep = Sweep::new(&network, Options::default()).unwrap();
        let track =
            sweep.transient(&[], &[(source, wave)], &start, last, &nodes, Accuracy::default()).unwrap();
        for (k, (node, list)) in samples.iter().enumerate() {
            let list: Vec<f64> = list.as_array().unwrap().iter().map(|v| v.as_f64().unwrap()).collect();
            let off = list.iter().enumerate().map(|(i, want)| {
                let t = first + (last - first) * i as f64 / list.len() as f64;
                (track.at(k, t) - want).powi(2)
            });
            let rms = (off.sum::<f64>() / list.len() as f64).sqrt();
            let most = list.iter().fold(f64::NEG_INFINITY, |m, v| m.max(*v));
            let least = list.iter().fold(f64::INFINITY, |m, v| m.min(*v));
            assert!(rms < within * (most - least), "{name}, {node}: {rms} of {}", most - least);
        }
    }
}

/// 1 - exp(-t / RC) (any textbook), and nothing that rings when a step is far longer than the time constant.
#[test]
fn a_capacitor_charges_and_a_fast_one_does_not_ring() {
    let network = build("V1 v 0 0; R1 v a 1k; C1 a 0 1u; R2 a b 100; C2 b 0 1n");
    let [a, b] = ["a", "b"].map(|n| network.find_node(n).unwrap());
    let source = network.find_element("V1").unwrap();
    let step = Wave::Lines(vec![(0.0, 0.0), (1e-8, 1.0)]);
    let mut sweep = Sweep::new(&network, Options::default()).unwrap();
    let track =
        sweep.transient(&[], &[(source, step)], &Start::Rest, 8e-3, &[a, b], Accuracy::default()).unwrap();
    for (taus, share) in [(1.0, 0.632121), (2.0, 0.864665), (3.0, 0.950213), (5.0, 0.993262)] {
        assert!(
            (track.at(0, taus * 1.001e-3) - share).abs() < 2e-3,
            "{taus}: {}",
            track.at(0, taus * 1.001e-3)
        );
    }
    // C2 is ten thousand times faster than the rise it follows.
    for (a, b) in track.volts[0].iter().zip(&track.volts[1]) {
        assert!((a - b).abs() < 2e-3 && (-1e-4..1.001).contains(a), "{a} {b}");
    }
    assert!(track.volts[0].windows(2).all(|w| w[1] > w[0] - 1e-5));
    assert!(track.steps < 200, "{} steps", track.steps);
}

/// Ripple of a half-wave rectifier on a triangle of 10 V peak and 1 ms, 475 uF, 1 A: exactly 2.0 V (discharge cut short by the rise of 40 V/ms), of
/// which the rule I / (f C) makes 2.105 V (data of GATE EC 2016 set 2, question 39).
#[test]
fn ripple_of_a_rectifier() {
    let network = build(".model dd D(IS=1e-12 N=0.02); V1 a 0 0; D1 a o dd; C1 o 0 475u; I1 o 0 1");
    let (source, o) = (network.find_element("V1").unwrap(), network.find_node("o").unwrap());
    let wave = Wave::Again { points: vec![(0.0, -10.0), (0.5e-3, 10.0), (1e-3, -10.0)], period: 1e-3 };
    let mut sweep = Sweep::new(&network, Options { fallbacks: true, ..Options::default() }).unwrap();
    let track =
        sweep.transient(&[], &[(source, wave)], &Start::Empty, 10e-3, &[o], Accuracy::default()).unwrap();
    let late = track.seconds.partition_point(|t| *t < 8e-3);
    let most = track.volts[0][late..].iter().fold(f64::MIN, |m, v| m.max(*v));
    let least = track.volts[0][late..].iter().fold(f64::MAX, |m, v| m.min(*v));
    close(most - least, 2.0, 5e-3, "ripple");
}

/// t = ln 2 * R * C for each half: 5 kHz for 40 k, 60 k and 2.9 nF (holooly.com 1144018, within the 6 % that junctions take off); the
/// reference simulator has 4832.6 Hz for the same parts.
#[test]
fn a_multivibrator_by_its_formula() {
    let lines = ".model q NPN(IS=1e-14 BF=200 BR=2); VC v 0 9; RC1 v c1 1k; RC2 v c2 1k; R1 v b1 40k; R2 v b2 60k; C1 c2 b1 2.9n; C2 c1 b2 2.9n; Q1 c1 b1 0 q; Q2 c2 b2 0 q; CA c1 0 20p; CB c2 0 20p; CC b1 0 20p; CD b2 0 20p";
    let network = build(lines);
    let got = cycle(&network, &["c1".into()]);
    close(got.hertz, 4832.6, 5e-3, "simulated");
    close(got.hertz, 5000.0, 0.06, "in print");
}

/// Two transistors that hold each other off have two states and rest in neither's middle.
#[test]
fn a_latch_is_told_from_an_oscillator() {
    let mut net = Network::new();
    let (v, c1, c2, b1, b2) = (net.node("V"), net.node("C1"), net.node("C2"), net.node("B1"), net.node("B2"));
    let ground = Node::GROUND;
    net.add("VC", Primitive::VoltageSource { plus: v, minus: ground, dc: 5.0, ac: 0.0 }).unwrap();
    let model = BjtModel { is: 1e-14, bf: 100.0, br: 2.0, vaf: f64::INFINITY };
    for (k, (c, b, other)) in [(c1, b1, c2), (c2, b2, c1)].into_iter().enumerate() {
        let mut r = |name: &str, a, b, ohms| {
            net.add(&format!("{name}{k}"), Primitive::Resistor { a, b, ohms }).unwrap()
        };
        r("RC", v, c, 1e3);
        r("RB", other, b, 10e3);
        net.add(&format!("CB{k}"), Primitive::Capacitor { a: b, b: ground, farads: 10e-9 }).unwrap();
        let q = Primitive::Bjt { collector: c, base: b, emitter: ground, polarity: Polarity::N, model };
        net.add(&format!("Q{k}"), q).unwrap();
    }
    let mut sweep = Sweep::new(&net, Options::default()).unwrap();
    let (found, motion) = sweep.motion(&[], &[c1, c2], &Following::default()).unwrap();
    assert!(matches!(found.poise(), Poise::Jumps { .. }), "{found:?}");
    let Motion::Latches(states) = motion else { panic!("{motion:?}") };
    assert_eq!(states.len(), 2);
    assert!(
        states.iter().any(|s| s[0] < 0.2 && s[1] > 4.0) && states.iter().any(|s| s[1] < 0.2 && s[0] > 4.0)
    );
}

/// Faults change rate, swing and whether it runs at all, as the drawing says.
#[test]
fn faults_of_an_oscillator() {
    let network = circuit("phase_lfo");
    let find = |n: &str| network.find_element(n).unwrap();
    let c = network.find_node("c").unwrap();
    let mut sweep = Sweep::new(&network, Options::default()).unwrap();
    let mut motion = |edits: &[Edit]| sweep.motion(edits, &[c], &Following::default()).unwrap().1;
    let runs = |m: &Motion| if let Motion::Runs(cycle) = m { Some(cycle.hertz) } else { None };
    let healthy = runs(&motion(&[])).unwrap();
    let set = |element: ElementId, value: f64| Edit::Set { element, parameter: Parameter::Value, value };
    // All capacitors at half their value: twice the rate.
    let all = [("C1", 0.5e-6), ("C2", 0.5e-6), ("C3", 0.5e-6), ("C4", 235e-6)];
    let half: Vec<Edit> = all.map(|(n, farads)| set(find(n), farads)).into_iter().collect();
    close(runs(&motion(&half)).unwrap(), 2.0 * healthy, 5e-3, "half the capacitance");
    // No emitter capacitor: too little gain. A tenth of the gain of the transistor: the same.
    assert_eq!(motion(&[Edit::Remove { element: find("C4") }]), Motion::Rests);
    let weak = Edit::Set { element: find("Q1"), parameter: Parameter::Bf, value: 20.0 };
    assert_eq!(motion(&[weak]), Motion::Rests);
}

#[test]
fn a_run_that_cannot_go_on_says_where() {
    let network = build("V1 v 0 1; R1 v a 1k; C1 a 0 1u");
    let a = network.find_node("a").unwrap();
    let mut sweep = Sweep::new(&network, Options::default()).unwrap();
    let resistor = network.find_element("R1").unwrap();
    let wave = Wave::Lines(vec![(0.0, 1.0)]);
    let error =
        sweep.transient(&[], &[(resistor, wave)], &Start::Rest, 1.0, &[a], Accuracy::default()).unwrap_err();
    assert!(error.to_string().contains("R1"), "{error}");
    let few = Accuracy { steps: 3, ..Accuracy::default() };
    let error = sweep.transient(&[], &[], &Start::Empty, 1.0, &[a], few).unwrap_err();
    assert!(error.to_string().contains("after"), "{error}");
}
