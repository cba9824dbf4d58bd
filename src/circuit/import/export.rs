//! A board as a SPICE netlist that a circuit simulator runs: parts under their designators, chips as sub-circuits, the tone source, the
//! load and the supplies' inner resistance included.
//!
//! Comment lines that begin with `*board` carry what SPICE has no words for (how it is built, kinds, tolerances, roles, where controls
//! stand), so that [`super::read_spice`] reads the same board back.

use crate::circuit::board::{Board, Part};
use crate::circuit::dc::{Options, Solver};
use crate::circuit::network::{Control, DiodeModel, Element, ElementId, Law, Node, Polarity, Primitive};
use crate::rules::parts::Library;
use crate::text::{Complaint, Complaints};
use std::collections::BTreeMap;
use std::fmt::Write;

/// Writes a board as a netlist.
///
/// # Errors
/// Nets whose names differ in case only: SPICE does not tell them apart.
pub fn spice_deck(board: &Board, library: &Library) -> Result<String, Complaints> {
    cases_apart(board)?;
    let mut deck = Deck { board, out: String::new(), definitions: Vec::new(), inside: Vec::new() };
    deck.head();
    for part in board.parts() {
        deck.part(part, library);
    }
    deck.bench();
    deck.first_guess();
    Ok(deck.done())
}

fn cases_apart(board: &Board) -> Result<(), Complaints> {
    let mut seen: BTreeMap<String, &str> = BTreeMap::new();
    for net in board.nets() {
        if let Some(other) = seen.insert(net.to_lowercase(), net) {
            let message =
                format!("the nets '{other}' and '{net}' are one net to SPICE, which does not tell case");
            return Err(Complaint::nowhere("bad-name", message).help("give one of them another name").into());
        }
    }
    Ok(())
}

struct Deck<'a> {
    board: &'a Board,
    out: String,
    /// Models and sub-circuits: what each is, its name, its text. The same thing stands once.
    definitions: Vec<(String, String, String)>,
    /// Nodes inside sub-circuits as the simulator calls them.
    inside: Vec<(String, Node)>,
}

impl Deck<'_> {
    fn line(&mut self, text: impl AsRef<str>) {
        self.out.push_str(text.as_ref());
        self.out.push('\n');
    }

    fn head(&mut self) {
        let board = self.board;
        let plain = |t: &str| t.replace(['\n', '\r'], " ");
        self.line(format!("* {}", plain(board.name())));
        self.line(format!("*board name {}", plain(board.name())));
        if !board.says().is_empty() {
            self.line(format!("*board says {}", plain(board.says())));
        }
        self.line(format!("*board build {}", board.build().name()));
        self.line(format!("*board ground {}", board.ground()));
        if let Some(s) = board.signal() {
            self.line(format!("*board in {}", s.input));
            self.line(format!("*board out {}", s.output));
            self.line(format!("*board tone {}Hz {}V", s.tone.0, s.level.0));
            let ohms = |name: &str| {
                let id = board.network().find_element(name)?;
                match board.network().element(id).ok()?.primitive {
                    Primitive::Resistor { ohms, .. } => {
                        Some(crate::units::show::ohms_code(crate::units::Ohms(ohms)))
                    }
                    _ => None,
                }
            };
            let direct = board.network().find_element("tone.c").is_none();
            for (word, value) in [("source", ohms("tone.r")), ("load", ohms("load.r"))] {
                if let Some(value) = value {
                    self.line(format!("*board {word} {value}"));
                }
            }
            if direct {
                self.line("*board direct true");
            }
        }
        for [a, b] in board.neighbours() {
            self.line(format!("*board neighbours {a} {b}"));
        }
        if !board.path().is_empty() {
            self.line(format!("*board path {}", board.path().join(" ")));
        }
        for note in board.notes() {
            self.line(format!("*board note {}", plain(note)));
        }
    }

    /// The net of a node as the deck writes it.
    fn node(&self, node: Node) -> String {
        if node.is_ground() { "0".into() } else { self.board.network().node_name(node).to_owned() }
    }

    fn elements(&self, part: &Part) -> Vec<(ElementId, Element)> {
        let network = self.board.network();
        part.elements.iter().filter_map(|id| Some((*id, network.element(*id).ok()?.clone()))).collect()
    }

    fn part(&mut self, part: &Part, library: &Library) {
        let elements = self.elements(part);
        let is_supply = self.board.supplies().iter().any(|s| s.name == part.id);
        let ends: Vec<Node> = part.pins.iter().map(|p| p.node).collect();
        let single = match elements.as_slice() {
            [(_, e)] if !is_supply && e.primitive.terminals() == ends => Some(e.primitive.clone()),
            _ => None,
        };
        let nets: Vec<String> = part
            .pins
            .iter()
            .map(|p| match &p.net {
                Some(_) => self.node(p.node),
                None => format!("nc-{}-{}", part.id, p.name),
            })
            .collect();
        let nets = nets.join(" ");
        let name = match &single {
            Some(primitive) => {
                let (letter, value) = self.single(part, primitive);
                let name = named(letter, &part.id);
                self.line(format!("{name} {nets} {value}"));
                name
            }
            None if is_supply => {
                let name = named('X', &part.id);
                let (volts, inner) = supply_figures(&elements);
                self.define_supply(&part.kind);
                self.line(format!("{name} {nets} {} volts={volts:e} inner={inner:e}", part.kind));
                name
            }
            None => {
                let name = named('X', &part.id);
                let called = self.subcircuit(part, &elements, &name);
                self.line(format!("{name} {nets} {called}"));
                name
            }
        };
        self.words(part, &name, is_supply, library);
    }

    /// What SPICE has no words for, as a remark that reading it back understands.
    fn words(&mut self, part: &Part, name: &str, is_supply: bool, library: &Library) {
        if is_supply {
            return;
        }
        let mut words = Vec::new();
        match &part.device {
            Some(number) => words.push(format!("device={number}")),
            None => words.push(format!("kind={}", part.kind)),
        }
        if part.device.is_none() && library.kind(&part.kind).is_some_and(|k| k.value.is_some()) {
            words.push(format!("value={}", part.label.replace(' ', "")));
        }
        words.extend(part.tolerance.as_ref().map(|t| format!("tolerance={}", t.replace(' ', ""))));
        if part.turn.is_some() {
            words.push(format!("taper={}", part.taper.unwrap_or_default().name()));
            words.push(format!("turn={}%", show(part.turn.unwrap_or(0.5) * 100.0)));
        }
        words.extend(part.with.iter().map(|(k, v)| format!("with.{k}={v:e}")));
        words.extend(part.position.as_ref().map(|p| format!("position={p}")));
        if part.role_why.is_none() {
            words.extend(part.role.as_ref().map(|r| format!("role={r}")));
        }
        self.line(format!("*board part {name} {}", words.join(" ")));
    }

    /// Letter and value of a part that is one element of SPICE.
    fn single(&mut self, part: &Part, primitive: &Primitive) -> (char, String) {
        match primitive {
            Primitive::Resistor { ohms, .. } => ('R', format!("{ohms:e}")),
            Primitive::Capacitor { farads, .. } => ('C', format!("{farads:e}")),
            Primitive::Inductor { henries, .. } => ('L', format!("{henries:e}")),
            other => {
                let wanted = part.device.clone().unwrap_or_else(|| part.kind.clone());
                let text = model(other);
                let letter = match other {
                    Primitive::Diode { .. } => 'D',
                    Primitive::Bjt { .. } => 'Q',
                    Primitive::Jfet { .. } => 'J',
                    _ => 'X',
                };
                (letter, self.define(&wanted, &text, |name| format!(".model {name} {text}\n")))
            }
        }
    }

    /// A definition under the name wanted, or one near it where something else has that name.
    fn define(&mut self, wanted: &str, what: &str, text: impl Fn(&str) -> String) -> String {
        let what = format!("{wanted}\n{what}");
        if let Some((_, name, _)) = self.definitions.iter().find(|(w, _, _)| *w == what) {
            return name.clone();
        }
        let taken = |n: &String| self.definitions.iter().any(|(_, name, _)| name.eq_ignore_ascii_case(n));
        let more = (2..).map(|n| format!("{wanted}_{n}"));
        let name = std::iter::once(wanted.to_owned()).chain(more).find(|n| !taken(n)).unwrap_or_default();
        self.definitions.push((what, name.clone(), text(&name)));
        name
    }

    fn define_supply(&mut self, kind: &str) {
        let text = "v e minus {volts}\nrinner e plus {inner}\n";
        self.define(kind, text, |name| format!(".subckt {name} plus minus volts=9 inner=1\n{text}.ends\n"));
    }

    fn subcircuit(&mut self, part: &Part, elements: &[(ElementId, Element)], instance: &str) -> String {
        // Pins first, then inner nodes, by names that mean something inside only.
        let mut names: BTreeMap<Node, String> = BTreeMap::new();
        let mut pins = Vec::new();
        for pin in &part.pins {
            let own = format!("p{}", pin.name);
            names.entry(pin.node).or_insert_with(|| own.clone());
            pins.push(own);
        }
        // Two pins on one net are two nodes inside: elements tell by the terminals of the pin.
        let mut own_pin: BTreeMap<(usize, usize), String> = BTreeMap::new();
        for pin in &part.pins {
            for t in &pin.terminals {
                own_pin.insert((t.element.index(), t.index), format!("p{}", pin.name));
            }
        }
        let network = self.board.network();
        let mut inner = |id: ElementId, index: usize, node: Node| -> String {
            if let Some(pin) = own_pin.get(&(id.index(), index)) {
                return pin.clone();
            }
            let path = network.node_name(node);
            let bare = path.strip_prefix(&format!("{}.", part.id)).unwrap_or(path);
            names.entry(node).or_insert_with(|| format!("n_{}", bare.replace(['.', '-'], "_"))).clone()
        };
        let mut body = String::new();
        for (id, e) in elements {
            let path =
                e.name.strip_prefix(&format!("{}.", part.id)).unwrap_or(&e.name).replace(['.', '-'], "_");
            let nodes: Vec<String> =
                e.primitive.terminals().iter().enumerate().map(|(i, n)| inner(*id, i, *n)).collect();
            body.push_str(&element(&path, &e.primitive, &nodes));
        }
        let pins_nodes: Vec<Node> = part.pins.iter().map(|p| p.node).collect();
        let inner = names.iter().filter(|(node, _)| !pins_nodes.contains(node));
        self.inside.extend(inner.map(|(node, name)| (format!("{instance}.{name}"), *node)));
        let wanted = part.device.clone().unwrap_or_else(|| part.kind.clone());
        self.define(&wanted, &body, |name| format!(".subckt {name} {}\n{body}.ends\n", pins.join(" ")))
    }

    /// Tone source and load.
    fn bench(&mut self) {
        let network = self.board.network();
        let bench: Vec<(String, Primitive)> = network
            .elements()
            .filter(|(_, e)| e.name.starts_with("tone.") || e.name.starts_with("load."))
            .map(|(_, e)| (e.name.replace('.', "_"), e.primitive.clone()))
            .collect();
        let mut names = Vec::new();
        for (name, primitive) in bench {
            let nodes: Vec<String> =
                primitive.terminals().iter().map(|n| self.node(*n).replace('.', "_")).collect();
            let line = element(&name, &primitive, &nodes);
            names.extend(line.split_whitespace().next().map(str::to_owned));
            self.out.push_str(&line);
        }
        if !names.is_empty() {
            self.line(format!("*board bench {}", names.join(" ")));
        }
    }

    /// Our own operating point, for the simulator to begin at: chips' limits are hard to find from nothing.
    fn first_guess(&mut self) {
        let point =
            Solver::new(self.board.network(), Options::default()).ok().and_then(|s| s.operating_point().ok());
        let Some(point) = point else { return };
        let nets = self.board.nets().iter().filter_map(|n| Some((n.clone(), self.board.node(n)?)));
        let all: Vec<(String, Node)> = nets.chain(std::mem::take(&mut self.inside)).collect();
        for (name, node) in all.into_iter().filter(|(_, n)| !n.is_ground()) {
            self.line(format!(".nodeset v({name})={:.5}", point.volts(node)));
        }
    }

    fn done(mut self) -> String {
        self.definitions.sort_by(|a, b| a.1.cmp(&b.1));
        let definitions: String = self.definitions.iter().map(|(_, _, text)| text.as_str()).collect();
        self.out.push_str(&definitions);
        self.out.push_str(".op\n");
        if let Some(s) = self.board.signal() {
            let _ = writeln!(self.out, ".ac lin 1 {0} {0}", s.tone.0);
        }
        self.out.push_str(".end\n");
        self.out
    }
}

/// An element's name: SPICE tells by its first letter what it is.
fn named(letter: char, id: &str) -> String {
    match id.chars().next() {
        Some(first) if first.eq_ignore_ascii_case(&letter) && letter != 'X' => id.to_owned(),
        _ => format!("{letter}_{id}"),
    }
}

fn show(x: f64) -> String {
    format!("{x:.6}").trim_end_matches('0').trim_end_matches('.').to_owned()
}

/// Volts and inner ohms of a supply's elements.
fn supply_figures(elements: &[(ElementId, Element)]) -> (f64, f64) {
    let mut out = (0.0, 0.0);
    for (_, e) in elements {
        match &e.primitive {
            Primitive::VoltageSource { dc, .. } => out.0 = *dc,
            Primitive::Resistor { ohms, .. } => out.1 = *ohms,
            _ => {}
        }
    }
    out
}

/// One line of an element (two where it brings its model), inside a sub-circuit or at the top.
fn element(path: &str, primitive: &Primitive, nodes: &[String]) -> String {
    let at = |i: usize| nodes.get(i).map_or("0", String::as_str);
    match primitive {
        Primitive::Resistor { ohms, .. } => format!("r{path} {} {} {ohms:e}\n", at(0), at(1)),
        Primitive::Capacitor { farads, .. } => format!("c{path} {} {} {farads:e}\n", at(0), at(1)),
        Primitive::Inductor { henries, .. } => format!("l{path} {} {} {henries:e}\n", at(0), at(1)),
        Primitive::VoltageSource { dc, ac, .. } => {
            format!("v{path} {} {} dc {dc:e} ac {ac:e}\n", at(0), at(1))
        }
        Primitive::CurrentSource { dc, ac, .. } => {
            format!("i{path} {} {} dc {dc:e} ac {ac:e}\n", at(0), at(1))
        }
        Primitive::ControlledVoltage { law: l, .. } => {
            format!("b{path} {} {} v={}\n", at(0), at(1), law(l, &nodes[2.min(nodes.len())..]))
        }
        Primitive::ControlledCurrent { law: l, .. } => {
            format!("b{path} {} {} i={}\n", at(0), at(1), law(l, &nodes[2.min(nodes.len())..]))
        }
        Primitive::Diode { .. } => {
            format!("d{path} {} {} m_{path}\n.model m_{path} {}\n", at(0), at(1), model(primitive))
        }
        Primitive::Bjt { .. } => {
            format!("q{path} {} {} {} m_{path}\n.model m_{path} {}\n", at(0), at(1), at(2), model(primitive))
        }
        Primitive::Jfet { .. } => {
            format!("j{path} {} {} {} m_{path}\n.model m_{path} {}\n", at(0), at(1), at(2), model(primitive))
        }
        Primitive::Mosfet { .. } => {
            format!(
                "m{path} {} {} {} {} m_{path}\n.model m_{path} {}\n",
                at(0),
                at(1),
                at(2),
                at(2),
                model(primitive)
            )
        }
    }
}

fn of(polarity: Polarity, n: &'static str, p: &'static str) -> &'static str {
    match polarity {
        Polarity::N => n,
        Polarity::P => p,
    }
}

/// What follows a model's name.
fn model(primitive: &Primitive) -> String {
    match primitive {
        Primitive::Diode { model, .. } => format!("d({})", diode(model)),
        Primitive::Bjt { polarity, model, .. } => {
            let early = if model.vaf.is_finite() { format!(" vaf={:e}", model.vaf) } else { String::new() };
            let kind = of(*polarity, "npn", "pnp");
            format!("{kind}(is={:e} bf={:e} br={:e}{early})", model.is, model.bf, model.br)
        }
        Primitive::Jfet { polarity, model, .. } => format!(
            "{}(vto={:e} beta={:e} lambda={:e} is={:e})",
            of(*polarity, "njf", "pjf"),
            model.vto,
            model.beta,
            model.lambda,
            model.is
        ),
        // The simulator gives a threshold the sign of the device; its own body junctions carry next to nothing, as the cards bring the
        // body diode along.
        Primitive::Mosfet { polarity, model, .. } => format!(
            "{}(level=1 vto={:e} kp={:e} lambda={:e} is=1e-30)",
            of(*polarity, "nmos", "pmos"),
            polarity.sign() * model.vto,
            model.kp,
            model.lambda
        ),
        _ => String::new(),
    }
}

fn diode(model: &DiodeModel) -> String {
    let forward = format!("is={:e} n={:e} rs={:e}", model.is, model.ideality, model.series_ohms);
    match model.breakdown {
        Some(b) => format!("{forward} bv={:e} ibv={:e} nbv={:e}", b.volts, b.amps, b.ideality),
        None => forward,
    }
}

/// `offset + controls + scale * softpos(…)` of a controlled source; `nodes` are the nodes it listens to, two a control.
fn law(law: &Law, nodes: &[String]) -> String {
    let mut rest = nodes;
    let mut out = sum(law.offset, &law.controls, &mut rest);
    for ramp in &law.ramps {
        let x = sum(ramp.offset, &ramp.controls, &mut rest);
        let _ = write!(out, "+({:e})*0.5*(({x})+sqrt(({x})*({x})+{:e}))", ramp.scale, ramp.roundness);
    }
    out
}

fn sum(offset: f64, controls: &[Control], nodes: &mut &[String]) -> String {
    let mut out = format!("({offset:e})");
    for c in controls {
        for gain in [c.gain, -c.gain] {
            let Some((node, rest)) = nodes.split_first() else { return out };
            *nodes = rest;
            if node != "0" {
                let _ = write!(out, "+({gain:e})*v({node})");
            }
        }
    }
    out
}
