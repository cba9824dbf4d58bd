//! Reads the small part of the reference simulator's netlist language that the test circuits use, into a `Network`.
//!
//! Cards: R, C, L, V, I, E, G, D, Q, J, M, X with `.model` and `.subckt`; behavioural sources only in the three forms of `board.cir`,
//! which are stated here by hand under their names; F only where its source has nothing but a resistor to ground, so that it stands for
//! that resistor's noise current. `RB`, `KF` and `AF` of models become noise (a base resistance also a resistor).

use std::collections::BTreeMap;

use halfsplit::circuit::edit::Edit;
use halfsplit::circuit::network::{
    BjtModel, Breakdown, Control, DiodeModel, ElementId, JfetModel, Law, MosfetModel, Network, Node, Noise,
    Parameter, Polarity, Primitive, Ramp, Terminal,
};

struct Subcircuit {
    ports: Vec<String>,
    lines: Vec<String>,
}

struct Reader {
    network: Network,
    models: BTreeMap<String, (String, BTreeMap<String, f64>)>,
    subcircuits: BTreeMap<String, Subcircuit>,
}

/// A value as the simulator writes it: `4.7u`, `1meg`, `2.2k`.
pub fn value(text: &str) -> f64 {
    let text = text.to_lowercase();
    let end = text
        .char_indices()
        .find(|(i, c)| {
            let exponent = *c == 'e' && text[i + 1..].starts_with(|n: char| n.is_ascii_digit() || n == '-');
            !(c.is_ascii_digit() || ".-+".contains(*c) || exponent)
        })
        .map_or(text.len(), |(i, _)| i);
    let factor = match &text[end..] {
        t if t.starts_with("meg") => 1e6,
        t if t.starts_with('t') => 1e12,
        t if t.starts_with('g') => 1e9,
        t if t.starts_with('k') => 1e3,
        t if t.starts_with('m') => 1e-3,
        t if t.starts_with('u') => 1e-6,
        t if t.starts_with('n') => 1e-9,
        t if t.starts_with('p') => 1e-12,
        _ => 1.0,
    };
    text[..end].parse::<f64>().unwrap() * factor
}

/// Reads a netlist.
pub fn read(text: &str) -> Network {
    let mut reader =
        Reader { network: Network::new(), models: BTreeMap::new(), subcircuits: BTreeMap::new() };
    let mut main = Vec::new();
    let mut inside: Option<(String, Subcircuit)> = None;
    for line in text.lines().skip(1).map(str::trim) {
        if line.is_empty() || line.starts_with('*') {
            continue;
        }
        let words: Vec<&str> = line.split_whitespace().collect();
        match words[0].to_lowercase().as_str() {
            ".model" => reader.model(line),
            ".subckt" => {
                let ports = words[2..].iter().map(|w| (*w).to_owned()).collect();
                inside = Some((words[1].to_owned(), Subcircuit { ports, lines: Vec::new() }));
            }
            ".ends" => {
                let (name, sub) = inside.take().unwrap();
                reader.subcircuits.insert(name, sub);
            }
            word if word.starts_with('.') => {}
            _ => match &mut inside {
                Some((_, sub)) => sub.lines.push(line.to_owned()),
                None => main.push(line.to_owned()),
            },
        }
    }
    for line in main {
        reader.card(&line, "", &BTreeMap::new());
    }
    reader.network
}

impl Reader {
    fn model(&mut self, line: &str) {
        let line = line.replace(['(', ')'], " ").replace(" =", "=").replace("= ", "=");
        let words: Vec<&str> = line.split_whitespace().collect();
        let values =
            words[3..].iter().map(|w| w.split_once('=').unwrap()).map(|(k, v)| (k.to_lowercase(), value(v)));
        self.models.insert(words[1].to_owned(), (words[2].to_uppercase(), values.collect()));
    }

    fn card(&mut self, line: &str, prefix: &str, ports: &BTreeMap<String, String>) {
        let words: Vec<&str> = line.split_whitespace().collect();
        let name = format!("{prefix}{}", words[0]);
        let full = |n: &str| {
            if n == "0" {
                "0".to_owned()
            } else {
                ports.get(n).cloned().unwrap_or_else(|| format!("{prefix}{n}"))
            }
        };
        let kind = words[0].chars().next().unwrap().to_ascii_uppercase();
        if kind == 'X' {
            let sub = &self.subcircuits[*words.last().unwrap()];
            let outer = words[1..words.len() - 1].iter().map(|w| full(w));
            let inner: BTreeMap<String, String> = sub.ports.iter().cloned().zip(outer).collect();
            for line in sub.lines.clone() {
                self.card(&line, &format!("{name}."), &inner);
            }
            return;
        }
        let node = |reader: &mut Reader, i: usize| reader.network.node(&full(words[i]));
        let (a, b) = (node(self, 1), node(self, 2));
        let primitive = match kind {
            'R' if words.len() > 4 => {
                // A resistor with a model: KF and AF = 2 are its noise index, by S = KF * V^2 / f / R^2.
                let (_, m) = &self.models[words[3]];
                assert_eq!(m["af"], 2.0, "AF of a resistor");
                let noise = Noise { excess: (m["kf"] * std::f64::consts::LN_10).sqrt(), ..Noise::default() };
                let id =
                    self.network.add(&name, Primitive::Resistor { a, b, ohms: value(words[4]) }).unwrap();
                return self.network.set_noise(id, noise).unwrap();
            }
            'R' => Primitive::Resistor { a, b, ohms: value(words[3]) },
            'F' => {
                let source = format!("{prefix}{}", words[3]);
                let density = self.thermal_of_loop(&source) * value(words[4]);
                let id =
                    self.network.add(&name, Primitive::CurrentSource { from: a, to: b, dc: 0.0, ac: 0.0 });
                let noise = Noise { density, ..Noise::default() };
                return self.network.set_noise(id.unwrap(), noise).unwrap();
            }
            'C' => Primitive::Capacitor { a, b, farads: value(words[3]) },
            'L' => Primitive::Inductor { a, b, henries: value(words[3]) },
            'V' | 'I' => {
                let after = |key: &str| {
                    words.iter().position(|w| w.eq_ignore_ascii_case(key)).map(|p| value(words[p + 1]))
                };
                let dc = after("DC")
                    .or_else(|| words.get(3).filter(|w| !w.eq_ignore_ascii_case("AC")).map(|w| value(w)));
                let (dc, ac) = (dc.unwrap_or(0.0), after("AC").unwrap_or(0.0));
                if kind == 'V' {
                    Primitive::VoltageSource { plus: a, minus: b, dc, ac }
                } else {
                    Primitive::CurrentSource { from: a, to: b, dc, ac }
                }
            }
            'E' | 'G' => {
                let (plus, minus) = (node(self, 3), node(self, 4));
                let law =
                    Law { controls: vec![Control { plus, minus, gain: value(words[5]) }], ..Law::default() };
                if kind == 'E' {
                    Primitive::ControlledVoltage { plus: a, minus: b, law }
                } else {
                    Primitive::ControlledCurrent { from: a, to: b, law }
                }
            }
            'B' => {
                Primitive::ControlledVoltage { plus: a, minus: b, law: self.behaviour(words[0], line, &full) }
            }
            'D' => Primitive::Diode { anode: a, cathode: b, model: self.diode(words[3]) },
            'Q' => {
                let emitter = node(self, 3);
                let (kind, m) = &self.models[words[4]];
                let get = |k: &str, d: f64| m.get(k).copied().unwrap_or(d);
                let polarity = if kind == "NPN" { Polarity::N } else { Polarity::P };
                let (rb, kf) = (get("rb", 0.0), get("kf", 0.0));
                assert!(kf == 0.0 || get("af", 1.0) == 1.0, "AF of a transistor");
                let model = BjtModel {
                    is: get("is", 1e-16),
                    bf: get("bf", 100.0),
                    br: get("br", 1.0),
                    vaf: get("vaf", f64::INFINITY),
                };
                let base = if rb > 0.0 { self.network.node(&format!("{name}.b")) } else { b };
                if rb > 0.0 {
                    self.network
                        .add(&format!("{name}.rb"), Primitive::Resistor { a: b, b: base, ohms: rb })
                        .unwrap();
                }
                let primitive = Primitive::Bjt { collector: a, base, emitter, polarity, model };
                let id = self.network.add(&name, primitive).unwrap();
                let noise = Noise { corner: kf / (2.0 * 1.602176634e-19), ..Noise::default() };
                return self.network.set_noise(id, noise).unwrap();
            }
            'J' => {
                let source = node(self, 3);
                let (kind, m) = &self.models[words[4]];
                let get = |k: &str, d: f64| m.get(k).copied().unwrap_or(d);
                let polarity = if kind == "NJF" { Polarity::N } else { Polarity::P };
                let model = JfetModel {
                    vto: get("vto", -2.0),
                    beta: get("beta", 1e-4),
                    lambda: get("lambda", 0.0),
                    is: get("is", 1e-14),
                };
                Primitive::Jfet { drain: a, gate: b, source, polarity, model }
            }
            'M' => return self.mosfet(&name, &words, &full),
            other => panic!("no reader for {other} cards"),
        };
        self.network.add(&name, primitive).unwrap();
    }

    /// Noise current of the resistor that closes a loop with a source of 0 V, which is made silent: what an F card copies.
    fn thermal_of_loop(&mut self, source: &str) -> f64 {
        let id = self.network.find_element(source).unwrap();
        let node = self.network.element(id).unwrap().primitive.terminals()[0];
        let on_it = |p: &Primitive| match p {
            Primitive::Resistor { a, b, ohms } if *a == node && b.is_ground() => Some(*ohms),
            _ => None,
        };
        let found = self.network.elements().find_map(|(id, e)| on_it(&e.primitive).map(|ohms| (id, ohms)));
        let (resistor, ohms) = found.unwrap();
        self.network.set_noise(resistor, Noise::SILENT).unwrap();
        (4.0 * 1.380649e-23 * 300.15 / ohms).sqrt()
    }

    /// A MOSFET with its body tied to its source, and the body diode the simulator puts there (IS 1e-14 unless the model says otherwise).
    fn mosfet(&mut self, name: &str, words: &[&str], full: &dyn Fn(&str) -> String) {
        assert_eq!(words[3], words[4], "the body is tied to the source");
        let [drain, gate, source] = [1, 2, 3].map(|i| self.network.node(&full(words[i])));
        let (kind, m) = self.models[words[5]].clone();
        let get = |k: &str, d: f64| m.get(k).copied().unwrap_or(d);
        let polarity = if kind == "NMOS" { Polarity::N } else { Polarity::P };
        let vto = polarity.sign() * get("vto", 0.0);
        let model = MosfetModel { vto, kp: get("kp", 2e-5), lambda: get("lambda", 0.0) };
        self.network.add(name, Primitive::Mosfet { drain, gate, source, polarity, model }).unwrap();
        let (anode, cathode) = if polarity == Polarity::N { (source, drain) } else { (drain, source) };
        let model = DiodeModel { is: get("is", 1e-14), ideality: 1.0, series_ohms: 0.0, breakdown: None };
        self.network.add(&format!("{name}.body"), Primitive::Diode { anode, cathode, model }).unwrap();
    }

    fn diode(&self, name: &str) -> DiodeModel {
        let (_, m) = &self.models[name];
        let get = |k: &str, d: f64| m.get(k).copied().unwrap_or(d);
        let breakdown = m.get("bv").map(|bv| Breakdown {
            volts: *bv,
            amps: get("ibv", 1e-3),
            ideality: get("nbv", get("n", 1.0)),
        });
        DiodeModel { is: get("is", 1e-14), ideality: get("n", 1.0), series_ohms: get("rs", 0.0), breakdown }
    }

    /// The three behavioural sources of `board.cir`, by name; the text is checked so that a change there cannot go unnoticed.
    fn behaviour(&mut self, name: &str, line: &str, full: &dyn Fn(&str) -> String) -> Law {
        let pair = |reader: &mut Reader, p: &str, m: &str, gain: f64| Control {
            plus: reader.network.node(&full(p)),
            minus: reader.network.node(&full(m)),
            gain,
        };
        let (law_text, law) = match name {
            "BHI" | "BLO" => {
                let sign = if name == "BHI" { 1.0 } else { -1.0 };
                let text = "V = 0.5*V(vp,vn) ~ 0.25*(V(vp,vn)-2+sqrt((V(vp,vn)-2)*(V(vp,vn)-2)+0.01))";
                let ramp = Ramp {
                    scale: 0.5 * sign,
                    offset: -2.0,
                    controls: vec![pair(self, "vp", "vn", 1.0)],
                    roundness: 0.01,
                };
                let text = text.replace('~', if sign > 0.0 { "+" } else { "-" });
                (text, Law { offset: 0.0, controls: vec![pair(self, "vp", "vn", 0.5)], ramps: vec![ramp] })
            }
            "BT" => {
                let text =
                    "V = 0.5*(V(in,com)+4.78) - 0.5*sqrt((V(in,com)-6.78)*(V(in,com)-6.78)+0.01)".to_owned();
                let ramp = Ramp {
                    scale: -1.0,
                    offset: -6.78,
                    controls: vec![pair(self, "in", "com", 1.0)],
                    roundness: 0.01,
                };
                (text, Law { offset: -1.0, controls: vec![pair(self, "in", "com", 1.0)], ramps: vec![ramp] })
            }
            other => panic!("no hand-made law for {other}"),
        };
        assert!(line.ends_with(&law_text), "the netlist's {name} has changed");
        law
    }
}

/// The edits of a reference fault (see the data's README) on a network read from the same netlist.
pub fn edits(network: &Network, list: &serde_json::Value) -> Vec<Edit> {
    list.as_array().unwrap().iter().map(|edit| one_edit(network, edit)).collect()
}

fn element(network: &Network, name: &str) -> ElementId {
    network.find_element(name).unwrap_or_else(|| panic!("no element {name}"))
}

fn one_edit(network: &Network, edit: &serde_json::Value) -> Edit {
    let text = |i: usize| edit[i].as_str().unwrap();
    let number = |i: usize| edit[i].as_f64().unwrap();
    let index = |i: usize| edit[i].as_u64().unwrap() as usize;
    match text(0) {
        "value" => {
            Edit::Set { element: element(network, text(1)), parameter: Parameter::Value, value: number(2) }
        }
        "remove" => Edit::Remove { element: element(network, text(1)) },
        "bridge" => {
            let [a, b] = [1, 2].map(|i| network.find_node(text(i)).unwrap());
            Edit::Bridge { a, b, ohms: number(3) }
        }
        "pin" => Edit::Lift { terminals: pin(network, text(1), index(2)), ohms: number(3) },
        "exchange" => {
            Edit::Exchange { element: element(network, text(1)), first: index(2) - 1, second: index(3) - 1 }
        }
        other => panic!("no edit {other}"),
    }
}

/// The terminals of pin `i` (from 1): for a chip, whatever of it sits on the pin's net.
fn pin(network: &Network, part: &str, i: usize) -> Vec<Terminal> {
    let nets: &[&str] = match part {
        "XU1" => &["bo", "n1", "a2", "0", "k3", "k2", "ko", "vcc"],
        "XU2" => &["vcc", "v5", "0"],
        _ => {
            return vec![Terminal { element: element(network, part), index: i - 1 }];
        }
    };
    let node: Node = network.find_node(nets[i - 1]).unwrap();
    network.terminals_on(part, node)
}
