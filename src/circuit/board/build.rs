//! From resolved parts to a network.

use super::expand::{Blank, Change, Goes, Recipe, To, Tweak};
use super::resolve::{self, Notes, Resolved, TECHNICIAN};
use super::written::{BoardFile, Signal};
use super::{Board, Part, Pin, SignalLine, SupplyLine, changes, checks, faults, potential, roles, rows};
use crate::circuit::network::{ElementId, Network, Node, Place, Primitive, Terminal};
use crate::circuit::tolerance::{Shape, Size, Target, Varied};
use crate::rules::parts::{Library, Parameter};
use crate::rules::{MOST_VOLTS, Scope};
use crate::text::{At, Complaints, Source, decode_all, inert, parse};
use crate::units::notation::{self, NotationError};
use crate::units::{Hertz, Minutes, Volts};
use std::sync::Arc;

/// Inner resistance of a tone source and load of an amplifier's input where the file gives none (common practice, no source).
const TONE_OHMS: f64 = 1e3;
const LOAD_OHMS: f64 = 1e6;
/// Blocks direct current from the tone source; large enough to pass any tone.
const TONE_FARADS: f64 = 100e-6;
/// Minutes for opening a unit where the file gives none (common practice, no source).
const OPENING: Minutes = Minutes(5.0);

pub(super) fn load(
    source: &Source,
    library: &Library,
    changes: &[super::changes::Change],
) -> Result<Board, Complaints> {
    let document = parse(source)?;
    let (file, complaints) = decode_all::<BoardFile>(&document);
    let mut notes = Notes { file: Arc::new(source.clone()), complaints, doubts: Complaints::default() };
    let Some(mut file) = file else {
        return Err(notes.complaints);
    };
    changes::make(&mut file, changes, library)?;
    if let Some(declined) = declines(&file, &mut notes) {
        return Err(declined);
    }
    let resolved = resolve::parts(&file, library, &mut notes);
    checks::of_file(&file, &resolved, &mut notes);
    potential::of_supplies(&file, &resolved, &mut notes);
    if !notes.complaints.0.is_empty() {
        // Only the refusal matters where there is one.
        if let Some(mains) = notes.complaints.0.iter().find(|c| c.code == "mains") {
            return Err(mains.clone().into());
        }
        notes.complaints.sort();
        return Err(notes.complaints);
    }
    let mut builder =
        Builder { library, network: Network::with_ground(&file.ground.value), notes: &mut notes };
    let parts: Vec<Part> = resolved.iter().filter_map(|r| builder.part(r)).collect();
    let signal = file.signal.as_ref().and_then(|s| builder.signal(s));
    let network = builder.network;
    checks::of_network(&resolved, &parts, &network, &mut notes);
    if !notes.complaints.0.is_empty() {
        notes.complaints.sort();
        return Err(notes.complaints);
    }
    let mut board = Board {
        name: inert::text(&file.board.value),
        says: inert::text(&file.says),
        build: file.build,
        ground: file.ground.value.clone(),
        nets: nets(&file, &resolved),
        supplies: supplies(&file, &network),
        signal,
        varied: varied(&resolved, &parts, library),
        parts,
        network,
        neighbours: file.neighbours.iter().map(|[a, b]| [a.value.clone(), b.value.clone()]).collect(),
        faults: Vec::new(),
        rows: Vec::new(),
        path: file.path.iter().map(|n| n.value.clone()).collect(),
        opening: file.opening.unwrap_or(OPENING),
        notes: file.notes.clone(),
        doubts: notes.doubts.clone(),
    };
    board.rows = rows::rows(&file, &board, &mut notes);
    if !notes.complaints.0.is_empty() {
        notes.complaints.sort();
        return Err(notes.complaints);
    }
    roles::fill(&mut board, library);
    board.faults = faults::catalogue(&board, library);
    Ok(board)
}

/// The tool stops at mains and high voltage before anything else is said.
fn declines(file: &BoardFile, notes: &mut Notes) -> Option<Complaints> {
    for supply in &file.supply {
        let text = format!("{} {}", supply.source.value, supply.name.value).to_lowercase();
        let volts = notation::volts(&supply.volts.value).map_or(0.0, |v| v.0.abs());
        let live = ["mains", "wall-ac", "ht", "b+"].iter().any(|w| text.split_whitespace().any(|t| t == *w));
        let alternating = supply.volts.value.to_lowercase().contains("ac");
        if live || alternating || volts > MOST_VOLTS {
            notes.complaints.0.clear();
            let message = format!(
                "'{}' is a supply of {} from {}",
                supply.name.value, supply.volts.value, supply.source.value
            );
            notes.say("mains", supply.volts.span, message, TECHNICIAN);
            return Some(notes.complaints.clone());
        }
    }
    let said = [(file.board.value.as_str(), file.board.span)];
    let more = file.notes.iter().map(String::as_str).chain([file.says.as_str()]);
    let sign = Scope::builtin().ok().and_then(|scope| {
        let mut texts = said.into_iter().chain(more.map(|text| (text, file.board.span)));
        texts.find_map(|(text, span)| scope.sign(text).map(|sign| (sign, span)))
    });
    let (sign, span) = sign?;
    notes.complaints.0.clear();
    notes.say("mains", span, format!("the board speaks of '{}'", sign.words), TECHNICIAN);
    Some(notes.complaints.clone())
}

fn nets(file: &BoardFile, resolved: &[Resolved<'_>]) -> Vec<String> {
    let signal = file.signal.iter().flat_map(|s| [&s.r#in, &s.out]);
    let all = file.path.iter().chain(resolved.iter().flat_map(|r| r.nets.iter().flatten())).chain(signal);
    let mut nets: Vec<String> = Vec::new();
    for net in all {
        if net.value != file.ground.value && !nets.contains(&net.value) {
            nets.push(net.value.clone());
        }
    }
    nets
}

fn supplies(file: &BoardFile, network: &Network) -> Vec<SupplyLine> {
    let line = |s: &super::written::Supply| {
        Some(SupplyLine {
            name: s.name.value.clone(),
            volts: notation::volts(&s.volts.value).unwrap_or(Volts(0.0)),
            plus: s.plus.value.clone(),
            minus: s.minus.value.clone(),
            element: network.find_element(&format!("{}.v", s.name.value))?,
        })
    };
    file.supply.iter().filter_map(line).collect()
}

struct Builder<'a, 'n> {
    library: &'a Library,
    network: Network,
    notes: &'n mut Notes,
}

impl Builder<'_, '_> {
    fn part(&mut self, resolved: &Resolved<'_>) -> Option<Part> {
        let blanks = match resolved.recipe.blanks(self.library, None) {
            Ok(blanks) => blanks,
            Err(e) => {
                self.notes.say("bad-card", resolved.span, e.to_string(), "mend the card");
                return None;
            }
        };
        let names = &resolved.recipe.pins;
        let mut pins: Vec<Pin> =
            names.iter().zip(&resolved.nets).map(|(name, net)| self.pin(resolved, name, net)).collect();
        let mut elements = Vec::new();
        for blank in blanks {
            let nodes: Vec<Node> = blank.goes.iter().map(|g| self.node(&resolved.id, g, &pins)).collect();
            let place = match (resolved.supply, blank.powered) {
                (true, _) => Place::Supply,
                (false, true) => Place::Bench,
                (false, false) => Place::Board,
            };
            let goes = blank.goes.clone();
            let id = self.add(resolved, blank, &nodes, place)?;
            for (index, way) in goes.iter().enumerate() {
                if let Goes::Pin(pin) = way {
                    pins[*pin].terminals.push(Terminal { element: id, index });
                }
            }
            elements.push(id);
        }
        Some(Part {
            id: resolved.id.clone(),
            kind: resolved.kind_name.clone(),
            device: resolved.device.map(|(n, _)| n.to_owned()),
            label: resolved.label.clone(),
            role: resolved.role.clone(),
            role_why: None,
            tolerance: resolved.tolerance_said.clone(),
            with: resolved.with.clone(),
            taper: resolved.taper,
            turn: resolved.turn,
            position: resolved.position.clone(),
            pins,
            elements,
            delay: resolved.device.and_then(|(_, d)| d.delay.clone()),
            recipe: resolved.recipe.clone(),
        })
    }

    fn pin(&mut self, resolved: &Resolved<'_>, name: &str, net: &Option<At<String>>) -> Pin {
        let part = &resolved.id;
        let named = match resolved.device {
            Some((_, device)) => &device.pins,
            None => &resolved.kind.terminals,
        };
        let says = named.get(name).cloned().unwrap_or_default();
        let node = match net {
            Some(net) => self.network.node(&net.value),
            None => self.network.node(&format!("{part}.{name}")),
        };
        let output = resolved.device.is_some_and(|(_, d)| d.outputs.iter().any(|o| o.value == name));
        let net = net.as_ref().map(|n| n.value.clone());
        Pin { name: name.to_owned(), says, net, node, terminals: Vec::new(), output }
    }

    fn node(&mut self, part: &str, goes: &Goes, pins: &[Pin]) -> Node {
        match goes {
            Goes::Pin(i) => pins[*i].node,
            Goes::Inner(name) => self.network.node(&format!("{part}.{name}")),
        }
    }

    fn add(
        &mut self,
        resolved: &Resolved<'_>,
        blank: Blank,
        nodes: &[Node],
        place: Place,
    ) -> Option<ElementId> {
        let mut primitive = blank.primitive;
        for (index, node) in nodes.iter().enumerate() {
            if let Some(slot) = primitive.terminal_mut(index) {
                *slot = *node;
            }
        }
        let name = format!("{}.{}", resolved.id, blank.name);
        let added = self.network.add_at(&name, primitive, place).and_then(|id| {
            self.network.set_noise(id, blank.noise)?;
            Ok(id)
        });
        match added {
            Ok(id) => Some(id),
            Err(e) => {
                self.notes.say(
                    "odd-value",
                    resolved.span,
                    e.to_string(),
                    "check the figures under 'with' and on the card",
                );
                None
            }
        }
    }

    fn signal(&mut self, signal: &Signal) -> Option<SignalLine> {
        let tone = self.read(&signal.tone.freq, notation::hertz, Hertz(1e3));
        let level = self.read(&signal.tone.level, notation::volts, Volts(0.1));
        let ohms = |b: &mut Self, text: &Option<At<String>>, usual: f64| match text {
            Some(text) => b.read(text, notation::ohms_value, crate::units::Ohms(usual)).0,
            None => usual,
        };
        let (source, load) = (ohms(self, &signal.source, TONE_OHMS), ohms(self, &signal.load, LOAD_OHMS));
        let (input, output) = (self.network.node(&signal.r#in.value), self.network.node(&signal.out.value));
        let (emf, coupled) = (self.network.node("tone.emf"), self.network.node("tone.coupled"));
        let ground = Node::GROUND;
        let mut all = vec![
            ("tone.v", Primitive::VoltageSource { plus: emf, minus: ground, dc: 0.0, ac: 1.0 }),
            ("load.r", Primitive::Resistor { a: output, b: ground, ohms: load }),
        ];
        if signal.direct {
            all.push(("tone.r", Primitive::Resistor { a: emf, b: input, ohms: source }));
        } else {
            all.push(("tone.r", Primitive::Resistor { a: emf, b: coupled, ohms: source }));
            all.push(("tone.c", Primitive::Capacitor { a: coupled, b: input, farads: TONE_FARADS }));
        }
        for (name, primitive) in all {
            if let Err(e) = self.network.add_at(name, primitive, Place::Bench) {
                self.notes.say("odd-value", signal.r#in.span, e.to_string(), "check 'signal'");
            }
        }
        let blocked = (!signal.direct).then_some([coupled, input]);
        let (input, output) = (signal.r#in.value.clone(), signal.out.value.clone());
        Some(SignalLine { input, output, tone, level, blocked })
    }

    fn read<T: Copy>(
        &mut self,
        text: &At<String>,
        read: impl Fn(&str) -> Result<T, NotationError>,
        usual: T,
    ) -> T {
        match read(&text.value) {
            Ok(value) => value,
            Err(e) => {
                let told = e.to_string();
                let (message, help) = told.split_once("; ").unwrap_or((&told, ""));
                self.notes.say("bad-value", text.span, message.to_owned(), help);
                usual
            }
        }
    }
}

/// One draw for each part's tolerance and each figure of a card that spreads.
fn varied(resolved: &[Resolved<'_>], parts: &[Part], library: &Library) -> Vec<Varied> {
    let mut all = Vec::new();
    for (r, part) in resolved.iter().zip(parts) {
        if let Some(tolerance) = r.tolerance {
            let value = r.recipe.parameters.get("value").copied().unwrap_or(1.0);
            let share = tolerance.fraction_of(value);
            draw(&mut all, &r.recipe, part, library, "value", To::Times(1.0 + share), Shape::Uniform);
        }
        if let Some(law) = r.law {
            draw(&mut all, &r.recipe, part, library, "law", To::Plus(law), Shape::Normal);
        }
        let written = r.device.map_or(&r.kind.parameters, |(_, d)| &d.parameters);
        for (name, p) in written.iter().filter(|(_, p)| p.spread.is_some()) {
            // A figure measured on this very part does not spread; a supply of another voltage does, in proportion.
            let usual = r.recipe.parameters.get(&name.value) == Some(&p.typical);
            if usual || r.supply {
                draw(&mut all, &r.recipe, part, library, &name.value, spread(p), Shape::Normal);
            }
        }
        // What spreads in a section by its shape, where the card says nothing of it.
        for (section, element) in r.recipe.elements.iter() {
            let Some(shape) = library.shape(&element.kind.value) else { continue };
            let own = |name: &str| !element.with.contains_key(name);
            for (name, p) in shape.parameters.iter().filter(|(n, p)| p.spread.is_some() && own(&n.value)) {
                let at = (section.value.as_str(), name.value.as_str());
                draw_in(&mut all, &r.recipe, part, library, at, spread(p), Shape::Normal);
            }
        }
    }
    all
}

/// One standard deviation up.
fn spread(p: &Parameter) -> To {
    match p.typical {
        typical if typical != 0.0 => To::Times(1.0 + p.deviation() / typical),
        _ => To::Plus(p.deviation()),
    }
}

fn draw(
    all: &mut Vec<Varied>,
    recipe: &Recipe,
    part: &Part,
    library: &Library,
    name: &str,
    to: To,
    shape: Shape,
) {
    draw_in(all, recipe, part, library, ("", name), to, shape);
}

/// One draw of a figure of a part's section.
fn draw_in(
    all: &mut Vec<Varied>,
    recipe: &Recipe,
    part: &Part,
    library: &Library,
    (path, name): (&str, &str),
    to: To,
    shape: Shape,
) {
    let tweak = Tweak::Parameter { path: path.to_owned(), name: name.to_owned(), to };
    let Ok(changes) = recipe.changes(library, &part.elements, &tweak) else { return };
    // All that a figure moves is one draw; what starts from nothing moves by an amount and is drawn apart.
    let (from_nothing, by_share): (Vec<_>, Vec<_>) = changes.into_iter().partition(|c| c.from == 0.0);
    let groups = [
        (by_share, Size::Relative as fn(f64) -> Size, (|c| c.to / c.from - 1.0) as fn(&Change) -> f64),
        (from_nothing, Size::Absolute, |c| c.to),
    ];
    for (changes, size, far) in groups {
        let Some(first) = changes.first().map(far).filter(|x| *x != 0.0) else { continue };
        let target =
            |c: &Change| Target { element: c.element, parameter: c.parameter, times: far(c) / first };
        all.push(Varied { targets: changes.iter().map(target).collect(), size: size(first), shape });
    }
}
