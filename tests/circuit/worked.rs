//! Published worked examples (tests/data/circuits/bias_worked_examples.yaml, sources named there) solved through `Network`.
//!
//! The books' idealised parts are stated with the solver's primitives: a constant drop is a source behind a razor-sharp junction, a
//! transistor of constant VBE is that drop with a current gain on it, an ideal amplifier is a gain of 1e9.

use std::collections::BTreeMap;

use halfsplit::circuit::dc::{Options, Solution, Solver};
use halfsplit::circuit::edit::{Edit, SHORT_OHMS, apply};
use halfsplit::circuit::network::{
    BjtModel, Breakdown, Control, DiodeModel, ElementId, JfetModel, Law, Network, Node, Polarity, Primitive,
};
use halfsplit::circuit::ohms::{LEADS_OHMS, Meter, PowerOff};
use serde_yaml::Value;

use super::data;

/// How an example counts a transistor's emitter current.
#[derive(Clone, Copy, PartialEq)]
enum Emitter {
    /// IE = (beta + 1) IB.
    Exact,
    /// IE = beta IB, as the introductory book rounds.
    Rounded,
}

struct Built {
    network: Network,
    /// Which element, and with which sign, carries the current "through" a name; and base and collector current of a transistor.
    through: BTreeMap<String, (ElementId, f64)>,
    collectors: BTreeMap<String, (String, f64)>,
}

fn text<'a>(v: &'a Value, key: &str) -> &'a str {
    v[key].as_str().unwrap_or_else(|| panic!("no {key} in {v:?}"))
}

fn number(v: &Value, key: &str) -> f64 {
    v[key].as_f64().unwrap_or_else(|| panic!("no {key} in {v:?}"))
}

fn sharp(reverse: Option<f64>) -> DiodeModel {
    let breakdown = reverse.map(|volts| Breakdown { volts, amps: 1e-3, ideality: 1e-3 });
    DiodeModel {
        is: if reverse.is_some() { 1e-15 } else { 1e-3 },
        ideality: if reverse.is_some() { 1.0 } else { 1e-3 },
        series_ohms: 0.0,
        breakdown,
    }
}

impl Built {
    fn new(elements: &Value, emitter: Emitter) -> Built {
        let mut built =
            Built { network: Network::new(), through: BTreeMap::new(), collectors: BTreeMap::new() };
        for e in elements.as_sequence().unwrap() {
            built.add(e, emitter);
        }
        built
    }

    fn put(&mut self, name: &str, primitive: Primitive, sign: f64) {
        let id = self.network.add(name, primitive).unwrap();
        self.through.insert(name.to_owned(), (id, sign));
    }

    /// A constant forward drop from `a` to `c`.
    fn drop(&mut self, name: &str, a: Node, c: Node, volts: f64) {
        let inner = self.network.node(&format!("{name}.inner"));
        self.network
            .add(
                &format!("{name}.volts"),
                Primitive::VoltageSource { plus: inner, minus: c, dc: volts, ac: 0.0 },
            )
            .unwrap();
        self.put(name, Primitive::Diode { anode: a, cathode: inner, model: sharp(None) }, 1.0);
    }

    fn add(&mut self, e: &Value, emitter: Emitter) {
        let name = text(e, "name").to_owned();
        let mut node = |key: &str| {
            let text = e[key].as_str().unwrap_or_else(|| panic!("no {key} in {e:?}"));
            self.network.node(text)
        };
        match text(e, "type") {
            "vsource" => {
                let (plus, minus) = (node("plus"), node("minus"));
                self.put(
                    &name,
                    Primitive::VoltageSource { plus, minus, dc: number(e, "volts"), ac: 0.0 },
                    1.0,
                );
            }
            "resistor" => {
                let (a, b) = (node("a"), node("b"));
                self.put(&name, Primitive::Resistor { a, b, ohms: number(e, "ohms") }, 1.0);
            }
            "diode_drop" => {
                let (a, c) = (node("anode"), node("cathode"));
                self.drop(&name, a, c, number(e, "volts"));
            }
            "zener_drop" => {
                let (anode, cathode) = (node("anode"), node("cathode"));
                self.put(
                    &name,
                    Primitive::Diode { anode, cathode, model: sharp(Some(number(e, "volts"))) },
                    -1.0,
                );
            }
            "npn_beta" => {
                let (c, b, em) = (node("c"), node("b"), node("e"));
                self.transistor(&name, [c, b, em], number(e, "beta"), number(e, "vbe_v"), emitter);
            }
            "njf" => {
                let (drain, gate, source) = (node("d"), node("g"), node("s"));
                let (idss, vto) = (number(e, "idss_a"), number(e, "vp_v"));
                let model = JfetModel { vto, beta: idss / (vto * vto), lambda: 0.0, is: 0.0 };
                self.put(&name, Primitive::Jfet { drain, gate, source, polarity: Polarity::N, model }, 1.0);
            }
            "opamp_ideal" => {
                let (plus, minus, out) = (node("plus"), node("minus"), node("out"));
                let gain = e["vcvs_gain"].as_f64().unwrap_or(1e9);
                let law = Law { controls: vec![Control { plus, minus, gain }], ..Law::default() };
                self.put(&name, Primitive::ControlledVoltage { plus: out, minus: Node::GROUND, law }, 1.0);
            }
            other => panic!("no element type {other}"),
        }
    }

    fn transistor(&mut self, name: &str, [c, b, e]: [Node; 3], beta: f64, vbe: f64, emitter: Emitter) {
        const SENSE_OHMS: f64 = 0.01;
        let sensed = self.network.node(&format!("{name}.base"));
        self.put(&format!("{name}.b"), Primitive::Resistor { a: b, b: sensed, ohms: SENSE_OHMS }, 1.0);
        self.drop(&format!("{name}.be"), sensed, e, vbe);
        let gain = if emitter == Emitter::Rounded { beta - 1.0 } else { beta };
        let control = Control { plus: b, minus: sensed, gain: gain / SENSE_OHMS };
        let law = Law { controls: vec![control], ..Law::default() };
        self.put(&format!("{name}.c"), Primitive::ControlledCurrent { from: c, to: e, law }, 1.0);
        self.collectors.insert(name.to_owned(), (format!("{name}.b"), beta));
    }

    fn solve(&self) -> Solved<'_> {
        let solver = Solver::new(&self.network, Options::default()).unwrap();
        let point = solver.operating_point().unwrap();
        for (node, amps) in solver.imbalance(&point).unwrap() {
            assert!(amps.abs() < 1e-6, "{}: {amps} A left over", self.network.node_name(node));
        }
        Solved { built: self, solver, point }
    }
}

struct Solved<'a> {
    built: &'a Built,
    solver: Solver,
    point: Solution,
}

impl Solved<'_> {
    fn at(&self, name: &str) -> f64 {
        self.point.volts(self.built.network.find_node(name).unwrap())
    }

    fn through(&self, name: &str) -> f64 {
        let (id, sign) = self.built.through[name];
        sign * self.solver.currents(&self.point, id).unwrap()[0]
    }

    fn base_current(&self, name: &str) -> f64 {
        self.through(&self.built.collectors[name].0)
    }

    /// Emitter current by the example's own way of counting.
    fn emitter_current(&self, name: &str, emitter: Emitter) -> f64 {
        let beta = self.built.collectors[name].1;
        self.base_current(name) * if emitter == Emitter::Rounded { beta } else { beta + 1.0 }
    }

    fn expect(&self, id: &str, expect: &Value) -> usize {
        let list = expect.as_sequence().unwrap();
        for e in list {
            let tol = number(e, "tol");
            let (want, got) = if let Some(node) = e["at"].as_str() {
                (number(e, "volts"), self.at(node))
            } else if let Some(pair) = e["across"].as_sequence() {
                let [p, m] = [0, 1].map(|i| pair[i].as_str().unwrap());
                (number(e, "volts"), self.at(p) - self.at(m))
            } else if let Some(name) = e["through"].as_str() {
                (number(e, "amps"), self.through(name))
            } else if let Some(name) = e["total_of"].as_str() {
                (number(e, "amps"), -self.through(name))
            } else if let Some(name) = e["base_current_of"].as_str() {
                (number(e, "amps"), self.base_current(name))
            } else if let Some(name) = e["collector_current_of"].as_str() {
                (number(e, "amps"), self.base_current(name) * self.built.collectors[name].1)
            } else {
                panic!("{id}: nothing to check in {e:?}")
            };
            assert!((got - want).abs() <= tol, "{id}: {e:?} came out as {got}");
        }
        list.len()
    }
}

fn close(id: &str, got: f64, want: f64, tol: f64) {
    assert!((got - want).abs() <= tol, "{id}: {got}, published {want} +- {tol}");
}

fn find<'a>(examples: &'a [Value], id: &str) -> &'a Value {
    examples.iter().find(|e| text(e, "id") == id).unwrap_or_else(|| panic!("no example {id}"))
}

fn with(elements: &Value, changes: &[(&str, &str, f64)]) -> Value {
    let mut elements = elements.clone();
    for e in elements.as_sequence_mut().unwrap() {
        for (name, key, value) in changes {
            if text(e, "name") == *name {
                e[*key] = Value::from(*value);
            }
        }
    }
    elements
}

/// The fault of an example, as a helper of the repair bench would put it in.
fn fault(built: &Built, fault: &Value) -> Edit {
    let element = built.network.find_element(text(fault, "part")).unwrap();
    match text(fault, "mode") {
        "short" => {
            // The book's short is perfect.
            Edit::Replace { element, ohms: 1e-6 * SHORT_OHMS }
        }
        "open" => Edit::Remove { element },
        other => panic!("no mode {other}"),
    }
}

fn faulted(examples: &[Value], example: &Value) -> Built {
    let base = find(examples, text(example, "base"));
    let mut built = Built::new(&base["elements"], Emitter::Exact);
    let edit = fault(&built, &example["fault"]);
    built.network = apply(&built.network, &[edit]).unwrap();
    built
}

#[test]
fn every_worked_example_comes_out_as_published() {
    let document: Value = serde_yaml::from_str(&data("bias_worked_examples.yaml")).unwrap();
    let examples = document["examples"].as_sequence().unwrap();
    let mut checked = 0;
    for example in examples {
        let id = text(example, "id");
        checked += match text(example, "kind") {
            "linear" | "nonlinear" | "opamp" => {
                Built::new(&example["elements"], Emitter::Exact).solve().expect(id, &example["expect"])
            }
            "fault" => {
                let built = faulted(examples, example);
                // A removed part carries nothing by definition; the books list that too.
                built.solve().expect(id, &example["expect"])
            }
            // These are checked in tests of their own, below, or are not about circuits (rules of thumb, orders of likelihood).
            "linear_table" | "fault_qualitative" | "bjt_table" | "device_table" | "conversion"
            | "formula" | "rules" | "order" => 0,
            other => panic!("{id}: no way to check kind {other}"),
        };
    }
    assert!(checked > 90, "only {checked} figures checked");
}

#[test]
fn transistor_tables_come_out_as_published() {
    let document: Value = serde_yaml::from_str(&data("bias_worked_examples.yaml")).unwrap();
    let examples = document["examples"].as_sequence().unwrap();
    let mut rows = 0;
    for id in ["bjt_base_bias", "bjt_collector_feedback_bias", "bjt_emitter_bias"] {
        let example = find(examples, id);
        for row in example["rows"].as_sequence().unwrap() {
            let elements = if id == "bjt_emitter_bias" {
                let form = "[{name: VCC, type: vsource, plus: v, minus: '0', volts: 10}, {name: VBB, type: vsource, plus: w, minus: '0', volts: 0},
                  {name: RC, type: resistor, a: v, b: c, ohms: 4700}, {name: RB, type: resistor, a: w, b: b, ohms: 1}, {name: RE, type: resistor, a: e, b: '0', ohms: 1},
                  {name: Q1, type: npn_beta, c: c, b: b, e: e, beta: 100, vbe_v: 0.7}]";
                let form: Value = serde_yaml::from_str(form).unwrap();
                with(
                    &form,
                    &[
                        ("VBB", "volts", number(row, "vbb_v")),
                        ("RB", "ohms", number(row, "rb_ohms")),
                        ("RE", "ohms", number(row, "re_ohms")),
                        ("Q1", "beta", number(row, "beta")),
                    ],
                )
            } else {
                let rb = row["rb_ohms"].as_f64().unwrap_or(470e3);
                with(&example["elements"], &[("Q1", "beta", number(row, "beta")), ("RB", "ohms", rb)])
            };
            let built = Built::new(&elements, Emitter::Rounded);
            close(
                id,
                built.solve().emitter_current("Q1", Emitter::Rounded),
                number(row, "emitter_amps"),
                number(row, "tol"),
            );
            rows += 1;
        }
        if let Some(design) = example.get("design_value") {
            let elements = with(
                &example["elements"],
                &[("RB", "ohms", number(design, "rb_ohms")), ("Q1", "beta", number(design, "beta"))],
            );
            let solved_for = Built::new(&elements, Emitter::Rounded);
            close(
                id,
                solved_for.solve().emitter_current("Q1", Emitter::Rounded),
                number(design, "target_emitter_amps"),
                0.005e-3,
            );
        }
    }
    assert_eq!(rows, 11);
}

#[test]
fn device_tables_come_out_as_published() {
    let document: Value = serde_yaml::from_str(&data("bias_worked_examples.yaml")).unwrap();
    let examples = document["examples"].as_sequence().unwrap();
    let drive = |net: &mut Network, name: &str, volts: f64| {
        let plus = net.node(name);
        let id = net
            .add(
                &format!("V{name}"),
                Primitive::VoltageSource { plus, minus: Node::GROUND, dc: volts, ac: 0.0 },
            )
            .unwrap();
        (plus, id)
    };
    for row in find(examples, "diode_exponential_model")["rows"].as_sequence().unwrap() {
        let mut net = Network::new();
        let (anode, source) = drive(&mut net, "a", number(row, "vd_v"));
        let model = DiodeModel {
            is: number(row, "is_a"),
            ideality: number(row, "ideality"),
            series_ohms: 0.0,
            breakdown: None,
        };
        net.add("D1", Primitive::Diode { anode, cathode: Node::GROUND, model }).unwrap();
        let solver = Solver::new(&net, Options::default()).unwrap();
        let amps = solver.delivered(&solver.operating_point().unwrap(), source).unwrap();
        close(
            "diode_exponential_model",
            amps,
            number(row, "amps"),
            number(row, "rel_tol") * number(row, "amps"),
        );
    }
    let jfet = find(examples, "jfet_saturation_points");
    let drain_amps = |vgs: f64, vds: f64, polarity: Polarity, idss: f64, vp: f64| {
        let mut net = Network::new();
        let ((gate, _), (drain, source)) = (drive(&mut net, "g", vgs), drive(&mut net, "d", vds));
        let model = JfetModel { vto: vp, beta: idss / (vp * vp), lambda: 0.0, is: 1e-14 };
        net.add("J1", Primitive::Jfet { drain, gate, source: Node::GROUND, polarity, model }).unwrap();
        let solver = Solver::new(&net, Options::default()).unwrap();
        solver.delivered(&solver.operating_point().unwrap(), source).unwrap()
    };
    let (idss, vp) = (number(jfet, "idss_a"), number(jfet, "vp_v"));
    for row in jfet["rows"].as_sequence().unwrap() {
        close(
            "jfet saturation",
            drain_amps(number(row, "vgs_v"), 10.0, Polarity::N, idss, vp),
            number(row, "drain_amps"),
            number(row, "tol"),
        );
    }
    for point in jfet["triode_rows"]["points"].as_sequence().unwrap() {
        let got = drain_amps(-1.0, number(point, "vds_v"), Polarity::N, idss, vp);
        close("jfet triode", got, number(point, "amps"), 0.001 * number(point, "amps"));
    }
    let p = find(examples, "jfet_pchannel_fixed_bias");
    let (given, answer) = (&p["given"], &p["answer"]);
    let got = drain_amps(
        number(answer, "vgs_v"),
        number(answer, "vds_v"),
        Polarity::P,
        -number(given, "idss_a"),
        -number(given, "pinch_off_v"),
    );
    // 0.5 mV of gate voltage is 2 uA here.
    close("jfet_pchannel_fixed_bias", got, number(given, "drain_amps"), 3e-6);
    let gain = &find(examples, "bjt_active_region_current_gain")["rows"][0];
    let mut net = Network::new();
    let (collector, source) = drive(&mut net, "c", 5.0);
    let base = net.node("b");
    net.add(
        "IB",
        Primitive::CurrentSource { from: Node::GROUND, to: base, dc: number(gain, "base_amps"), ac: 0.0 },
    )
    .unwrap();
    let model = BjtModel { is: 1e-16, bf: number(gain, "beta"), br: 1.0, vaf: f64::INFINITY };
    net.add("Q1", Primitive::Bjt { collector, base, emitter: Node::GROUND, polarity: Polarity::N, model })
        .unwrap();
    let solver = Solver::new(&net, Options::default()).unwrap();
    let amps = solver.delivered(&solver.operating_point().unwrap(), source).unwrap();
    close("bjt_active_region_current_gain", amps, number(gain, "collector_amps"), number(gain, "tol"));
}

fn divider(volts: f64, upper: f64, lower: f64) -> (Network, Node) {
    let mut net = Network::new();
    let (top, mid) = (net.node("top"), net.node("mid"));
    net.add("V1", Primitive::VoltageSource { plus: top, minus: Node::GROUND, dc: volts, ac: 0.0 }).unwrap();
    net.add("RU", Primitive::Resistor { a: top, b: mid, ohms: upper }).unwrap();
    net.add("RL", Primitive::Resistor { a: mid, b: Node::GROUND, ohms: lower }).unwrap();
    (net, mid)
}

fn mid_volts(net: &Network, mid: Node) -> f64 {
    Solver::new(net, Options::default()).unwrap().operating_point().unwrap().volts(mid)
}

#[test]
fn loads_thevenin_and_conversions_come_out_as_published() {
    let document: Value = serde_yaml::from_str(&data("bias_worked_examples.yaml")).unwrap();
    let examples = document["examples"].as_sequence().unwrap();
    let battery = find(examples, "battery_load_test");
    for row in battery["rows"].as_sequence().unwrap() {
        let (net, mid) =
            divider(number(row, "emf_v"), number(row, "internal_ohms"), number(battery, "load_ohms"));
        close("battery_load_test", mid_volts(&net, mid), number(row, "loaded_v"), number(row, "tol"));
    }
    let parallel = find(examples, "parallel_three_resistors");
    let mut built = Built::new(&parallel["elements"], Emitter::Exact);
    built.network =
        apply(&built.network, &[Edit::Remove { element: built.network.find_element("V1").unwrap() }])
            .unwrap();
    let a = built.network.find_node("a").unwrap();
    let mut off = PowerOff::new(&built.network, Options::default(), Meter::low_voltage()).unwrap();
    close(
        "parallel ohms",
        off.ohms(&[], a, Node::GROUND).unwrap().ohms - LEADS_OHMS,
        number(&parallel["equivalent_ohms"], "value"),
        0.0005,
    );
    let two = find(examples, "two_source_network");
    for (only, dead) in [("only_v1", "V2"), ("only_v2", "V1")] {
        let want = &two["superposition"][only];
        let solved_for = Built::new(&with(&two["elements"], &[(dead, "volts", 0.0)]), Emitter::Exact);
        let solved = solved_for.solve();
        for r in ["R1", "R2", "R3"] {
            close(only, solved.through(r).abs(), number(want, &format!("{}_amps", r.to_lowercase())), 0.0005);
        }
    }
    let open = Built::new(&with(&two["elements"], &[("R2", "ohms", 1e9)]), Emitter::Exact);
    close(
        "thevenin volts",
        open.solve().at("n2"),
        number(&two["thevenin_at_r2"], "open_circuit_volts"),
        0.0005,
    );
    let inner = find(examples, "battery_internal_resistance");
    let short = Built::new(&with(&inner["elements"], &[("RL", "ohms", 1e-6)]), Emitter::Exact);
    close(
        "short circuit",
        short.solve().through("RL"),
        number(&inner["short_circuit_amps"], "value"),
        number(&inner["short_circuit_amps"], "tol"),
    );
    // The divider the book converts to is the Thevenin source it came from, to the rounding of its figures.
    let conversion = find(examples, "bjt_voltage_divider_from_thevenin");
    let (given, answer) = (&conversion["given"], &conversion["answer"]);
    let (net, mid) =
        divider(number(given, "vcc_v"), number(answer, "r_upper_ohms"), number(answer, "r_lower_ohms"));
    close("thevenin of the divider", mid_volts(&net, mid), number(given, "thevenin_v"), 0.005);
    let loaded =
        apply(&net, &[Edit::Bridge { a: mid, b: Node::GROUND, ohms: number(given, "thevenin_ohms") }])
            .unwrap();
    close("its resistance", mid_volts(&loaded, mid), 0.5 * number(given, "thevenin_v"), 0.005);
    // Cascode: 80 k from each base supply gives both emitters the current asked for.
    let cascode = find(examples, "bjt_cascode_bias");
    let (given, answer) = (&cascode["given"], &cascode["answer"]);
    for (supply, emitter_v, rb) in [
        ("upper_base_supply_v", number(given, "mid_node_v"), "rb_upper_ohms"),
        ("lower_base_supply_v", 0.0, "rb_lower_ohms"),
    ] {
        let form = format!(
            "[{{name: VCC, type: vsource, plus: v, minus: '0', volts: 20}}, {{name: VB, type: vsource, plus: w, minus: '0', volts: {}}}, {{name: VE, type: vsource, plus: e, minus: '0', volts: {emitter_v}}},
              {{name: RB, type: resistor, a: w, b: b, ohms: {}}}, {{name: Q1, type: npn_beta, c: v, b: b, e: e, beta: 100, vbe_v: 0.7}}]",
            number(given, supply), number(answer, rb)
        );
        let built = Built::new(&serde_yaml::from_str(&form).unwrap(), Emitter::Rounded);
        close(
            "bjt_cascode_bias",
            built.solve().emitter_current("Q1", Emitter::Rounded),
            number(given, "emitter_amps"),
            0.005e-3,
        );
    }
}

/// "What if this part fails", told as directions of change.
#[test]
fn qualitative_faults_move_the_way_the_book_says() {
    let document: Value = serde_yaml::from_str(&data("bias_worked_examples.yaml")).unwrap();
    let examples = document["examples"].as_sequence().unwrap();
    let direction = |before: f64, after: f64| {
        if (after - before).abs() < 1e-3 * before.abs() {
            "same"
        } else if after.abs() > before.abs() {
            "up"
        } else {
            "down"
        }
    };
    // Parallel resistors behind a source with inner resistance (the book gives none: 10 ohm here), second one shorted.
    let example = find(examples, "fault_parallel_r2_short_real_source");
    let form = "[{name: V1, type: vsource, plus: e, minus: '0', volts: 9}, {name: RI, type: resistor, a: e, b: a, ohms: 10}, {name: R1, type: resistor, a: a, b: '0', ohms: 90},
      {name: R2, type: resistor, a: a, b: '0', ohms: 45}, {name: R3, type: resistor, a: a, b: '0', ohms: 180}]";
    let elements: Value = serde_yaml::from_str(form).unwrap();
    let (before, after) = (
        Built::new(&elements, Emitter::Exact),
        Built::new(&with(&elements, &[("R2", "ohms", 1e-3)]), Emitter::Exact),
    );
    let (before, after) = (before.solve(), after.solve());
    let want = &example["direction"];
    let said = |key: &str| {
        if text(want, key) == "low" { "down" } else { "up" }
    };
    assert_eq!(direction(before.at("a"), after.at("a")), said("supply_voltage"));
    for (key, r) in
        [("r1_current", "R1"), ("r2_current", "R2"), ("r3_current", "R3"), ("total_current", "RI")]
    {
        assert_eq!(direction(before.through(r), after.through(r)), said(key), "{key}");
    }
    // (R1 || R2) in series with (R3 || R4), second one shorted.
    let example = find(examples, "fault_series_parallel_r2_short_qualitative");
    let elements = &find(examples, "series_parallel_four_resistors")["elements"];
    let (before, after) = (
        Built::new(elements, Emitter::Exact),
        Built::new(&with(elements, &[("R2", "ohms", 1e-3)]), Emitter::Exact),
    );
    let (before, after) = (before.solve(), after.solve());
    let want = &example["direction"];
    assert_eq!(direction(before.through("V1"), after.through("V1")), text(want, "total_current"));
    for (r, key) in [("R1", "r1"), ("R2", "r2"), ("R3", "r3"), ("R4", "r4")] {
        assert_eq!(direction(before.through(r), after.through(r)), text(&want[key], "amps"), "{r} amps");
        let across = |s: &Solved<'_>| {
            if r < "R3" { s.at("a") - s.at("m") } else { s.at("m") }
        };
        assert_eq!(direction(across(&before), across(&after)), text(&want[key], "volts"), "{r} volts");
    }
}

/// Corner frequencies of filters_levels.yaml: -3.01 dB there, and a tenth of the series reactance for the bypass rule.
#[test]
fn corners_and_meter_loading_come_out_as_published() {
    let document: Value = serde_yaml::from_str(&data("filters_levels.yaml")).unwrap();
    let corner = &document["rc_corner"];
    let published = &corner["published_example"];
    let mut cases =
        vec![(number(published, "ohms"), number(published, "microfarads") * 1e-6, number(published, "hz"))];
    let computed = corner["computed_examples"].as_sequence().unwrap();
    cases.extend(computed.iter().map(|c| (number(c, "ohms"), number(c, "farads"), number(c, "hz"))));
    assert!(cases.len() >= 8);
    for (ohms, farads, hz) in cases {
        let mut net = Network::new();
        let (input, out) = (net.node("in"), net.node("out"));
        net.add("V1", Primitive::VoltageSource { plus: input, minus: Node::GROUND, dc: 0.0, ac: 1.0 })
            .unwrap();
        net.add("R1", Primitive::Resistor { a: input, b: out, ohms }).unwrap();
        net.add("C1", Primitive::Capacitor { a: out, b: Node::GROUND, farads }).unwrap();
        let solver = Solver::new(&net, Options::default()).unwrap();
        let response = solver.response(&solver.operating_point().unwrap(), hz).unwrap();
        close("corner", response.level(out, 1.0), number(&corner["level_at_corner"], "db"), 0.005);
    }
    let loading = &document["meter_facts"]["loading_error"]["example"];
    let source = 2.0 * number(loading, "rsource_ohms");
    let (net, mid) = divider(2.0 * number(loading, "true_v"), source, source);
    let metered =
        apply(&net, &[Edit::Bridge { a: mid, b: Node::GROUND, ohms: number(loading, "rm_ohms") }]).unwrap();
    close("meter loading", mid_volts(&metered, mid), number(loading, "reading_v"), 1e-6);
}
