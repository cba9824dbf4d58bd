//! Cross-checks of part files: every name a card uses must be one it may use.

use super::library::{Library, Read};
use super::written::{Device, EditRule, Element, Kind, Mode, Parameter, Shape};
use crate::text::{At, Complaint, Complaints, Named, Span, or_nearest};
use std::collections::BTreeMap;

/// A primitive of the cards: its name, how many nodes it has, and its numbers with their usual values (`None`: must be given).
pub(crate) struct Primitives {
    /// Name in `kind`.
    pub(crate) name: &'static str,
    /// Number of nodes.
    pub(crate) nodes: usize,
    /// Numbers in `with` and what they are when absent. NaN: absent means "not there".
    pub(crate) numbers: &'static [(&'static str, Option<f64>)],
}

const NONE: Option<f64> = Some(f64::NAN);
const DIODE: &[(&str, Option<f64>)] = &[
    ("is", NONE),
    ("volts", NONE),
    ("at", Some(1e-3)),
    ("ideality", Some(1.0)),
    ("series", Some(0.0)),
    ("breakdown", NONE),
    ("breakdown-at", Some(5e-3)),
    ("breakdown-ideality", Some(1.0)),
];
const BIPOLAR: &[(&str, Option<f64>)] = &[
    ("is", NONE),
    ("vbe", NONE),
    ("at", Some(1e-3)),
    ("hfe", None),
    ("reverse-hfe", Some(4.0)),
    ("early", Some(f64::INFINITY)),
];
const JFET: &[(&str, Option<f64>)] =
    &[("vp", None), ("idss", NONE), ("beta", NONE), ("lambda", Some(2e-3)), ("gate-is", Some(1e-14))];
const MOSFET: &[(&str, Option<f64>)] = &[("vth", None), ("kp", None), ("lambda", Some(5e-3))];

const PRIMITIVES: [Primitives; 12] = [
    Primitives { name: "resistor", nodes: 2, numbers: &[("value", None)] },
    Primitives { name: "capacitor", nodes: 2, numbers: &[("value", None)] },
    Primitives { name: "inductor", nodes: 2, numbers: &[("value", None)] },
    Primitives { name: "diode", nodes: 2, numbers: DIODE },
    Primitives { name: "npn", nodes: 3, numbers: BIPOLAR },
    Primitives { name: "pnp", nodes: 3, numbers: BIPOLAR },
    Primitives { name: "n-jfet", nodes: 3, numbers: JFET },
    Primitives { name: "p-jfet", nodes: 3, numbers: JFET },
    Primitives { name: "n-mosfet", nodes: 3, numbers: MOSFET },
    Primitives { name: "p-mosfet", nodes: 3, numbers: MOSFET },
    Primitives { name: "voltage", nodes: 2, numbers: &[("offset", Some(0.0))] },
    Primitives { name: "current", nodes: 2, numbers: &[("offset", Some(0.0))] },
];

/// The primitive of a name.
pub(crate) fn fields_of(kind: &str) -> Option<&'static Primitives> {
    PRIMITIVES.iter().find(|p| p.name == kind)
}

/// Checks one file against the whole library.
pub(super) fn file(read: &Read, library: &Library, complaints: &mut Complaints) {
    for (_, shape) in read.written.shapes.iter() {
        Checker { read, library, complaints }.shape(shape);
    }
    for (name, kind) in read.written.kinds.iter() {
        Checker { read, library, complaints }.kind(name, kind);
    }
    for (name, device) in read.written.devices.iter() {
        Checker { read, library, complaints }.device(name, device);
    }
}

struct Checker<'a> {
    read: &'a Read,
    library: &'a Library,
    complaints: &'a mut Complaints,
}

/// What the elements and modes of one body may name.
struct Body<'a> {
    pins: Vec<&'a str>,
    parameters: Vec<&'a str>,
    elements: &'a Named<Element>,
}

impl Checker<'_> {
    fn say(&mut self, code: &'static str, span: Span, message: String, help: String) {
        self.complaints.0.push(Complaint::at(code, self.read.place(span), message).help(help));
    }

    fn one_of(&mut self, what: &str, name: &At<String>, valid: &[&str]) {
        if !valid.contains(&name.value.as_str()) {
            let help = or_nearest(&name.value, valid.iter().copied());
            self.say("unknown-name", name.span, format!("unknown {what} '{}'", name.value), help);
        }
    }

    fn shape(&mut self, shape: &Shape) {
        let body = Body {
            pins: shape.ports.iter().map(|p| p.value.as_str()).collect(),
            parameters: names(&shape.parameters),
            elements: &shape.elements,
        };
        self.elements(&body);
        self.modes(&shape.modes, &body);
    }

    fn kind(&mut self, name: &At<String>, kind: &Kind) {
        let mut parameters = names(&kind.parameters);
        if kind.value.is_some() {
            parameters.push("value");
        }
        if kind.turn.is_some() {
            parameters.extend(["lower", "upper"]);
        }
        // Worked out from two others.
        if parameters.contains(&"leakage") {
            parameters.push("leak");
        }
        let body = Body { pins: names(&kind.terminals), parameters, elements: &kind.elements };
        self.elements(&body);
        // Kinds whose devices bring the pins name those; each device is checked against them.
        if !body.pins.is_empty() {
            self.modes(&kind.modes, &body);
            for input in &kind.inputs {
                self.one_of("terminal", input, &body.pins);
            }
        }
        for (_, pairs) in kind.positions.iter() {
            pairs.iter().flatten().for_each(|t| self.one_of("terminal", t, &body.pins));
        }
        let shares: Vec<f64> = kind.modes.iter().filter_map(|(_, m)| m.share).collect();
        if !shares.is_empty() && (shares.iter().sum::<f64>() + kind.sections - 1.0).abs() > 0.005 {
            let message = format!(
                "the shares of '{}' add up to {:.3}",
                name.value,
                shares.iter().sum::<f64>() + kind.sections
            );
            self.say("bad-shares", name.span, message, "make them add up to 1".into());
        }
    }

    fn device(&mut self, name: &At<String>, device: &Device) {
        let pins = names(&device.pins);
        let body =
            Body { pins: pins.clone(), parameters: names(&device.parameters), elements: &device.elements };
        self.elements(&body);
        self.modes(&device.modes, &body);
        let lists = [&device.inputs, &device.outputs, &device.optional, &device.supply];
        lists.into_iter().flatten().for_each(|p| self.one_of("pin", p, &pins));
        let orders =
            device.packages.iter().map(|(_, o)| o).chain(device.look_alikes.iter().map(|l| &l.order));
        for order in orders {
            order.iter().for_each(|p| self.one_of("pin", p, &pins));
            let mut sorted: Vec<&str> = order.iter().map(|p| p.value.as_str()).collect();
            sorted.sort_unstable();
            sorted.dedup();
            if let (true, Some(first)) = (sorted.len() != order.len(), order.first()) {
                self.say(
                    "bad-order",
                    first.span,
                    "a pin order names a pin twice".into(),
                    "name each pin once".into(),
                );
            }
        }
        if let Some(law) = &device.delay {
            self.one_of("pin", &law.pin, &pins);
        }
        match self.library.kind(&device.kind.value) {
            None => {
                let kinds: Vec<&str> = self.library.kinds().map(|(k, _)| k).collect();
                self.one_of("part kind", &device.kind, &kinds);
            }
            Some(kind) => {
                for (mode, rule) in kind.modes.iter() {
                    self.kind_mode_fits(name, device, &mode.value, rule, &pins);
                }
            }
        }
    }

    /// The kind's modes are worded in terms of pins that each of its cards must have.
    fn kind_mode_fits(&mut self, name: &At<String>, device: &Device, mode: &str, rule: &Mode, pins: &[&str]) {
        let parameters = names(&device.parameters);
        for used in rule.edits.iter().flat_map(EditRule::terminals) {
            if !pins.contains(&used.value.as_str()) {
                let message = format!(
                    "'{}' has no pin '{}', which mode '{mode}' of its kind names",
                    name.value, used.value
                );
                self.say("missing-pin", name.span, message, or_nearest(&used.value, pins.iter().copied()));
            }
        }
        for used in rule.edits.iter().filter_map(EditRule::parameter) {
            if !parameters.contains(&used.value.as_str()) {
                let message = format!(
                    "'{}' has no parameter '{}', which mode '{mode}' of its kind names",
                    name.value, used.value
                );
                self.say(
                    "missing-parameter",
                    name.span,
                    message,
                    or_nearest(&used.value, parameters.iter().copied()),
                );
            }
        }
    }

    fn modes(&mut self, modes: &Named<Mode>, body: &Body<'_>) {
        let elements: Vec<&str> = names(body.elements);
        for (_, mode) in modes.iter() {
            for edit in &mode.edits {
                edit.terminals().for_each(|t| self.one_of("terminal", t, &body.pins));
                if let Some(p) = edit.parameter() {
                    self.one_of("parameter", p, &body.parameters);
                }
                if let EditRule::Remove(e) = edit {
                    self.one_of("element", e, &elements);
                }
            }
        }
    }

    fn elements(&mut self, body: &Body<'_>) {
        let mut uses: BTreeMap<&str, (usize, Span)> = BTreeMap::new();
        for (_, element) in body.elements.iter() {
            self.element(element, body);
            let controls = element.terms.iter().chain(element.corners.iter().flat_map(|c| &c.terms));
            let listened = controls.flat_map(|t| &t.of);
            for node in element.nodes.iter().chain(listened) {
                uses.entry(&node.value).or_insert((0, node.span)).0 += 1;
            }
        }
        let known: Vec<&str> = uses.iter().filter(|(_, (n, _))| *n > 1).map(|(k, _)| *k).collect();
        for (node, (count, span)) in &uses {
            if *count == 1 && !body.pins.contains(node) {
                let help = or_nearest(node, body.pins.iter().copied().chain(known.iter().copied()));
                self.say("lone-node", *span, format!("inner node '{node}' is used only once"), help);
            }
        }
    }

    fn element(&mut self, element: &Element, body: &Body<'_>) {
        let kind = element.kind.value.as_str();
        let (nodes, fields, required): (usize, Vec<&str>, Vec<&str>) =
            match (fields_of(kind), self.library.shape(kind)) {
                (Some(p), _) => (
                    p.nodes,
                    p.numbers.iter().map(|(n, _)| *n).collect(),
                    p.numbers.iter().filter(|(_, d)| d.is_none()).map(|(n, _)| *n).collect(),
                ),
                (None, Some(shape)) => (shape.ports.len(), names(&shape.parameters), Vec::new()),
                (None, None) => {
                    let all = PRIMITIVES.iter().map(|p| p.name).chain(self.library.shapes().map(|(s, _)| s));
                    let help = or_nearest(kind, all);
                    return self.say(
                        "unknown-name",
                        element.kind.span,
                        format!("unknown element kind '{kind}'"),
                        help,
                    );
                }
            };
        if element.nodes.len() != nodes {
            let message = format!("'{kind}' has {nodes} nodes, but {} are listed", element.nodes.len());
            self.say("wrong-nodes", element.kind.span, message, format!("list {nodes} nodes"));
        }
        for (field, text) in &element.with {
            let field = At { value: field.clone(), span: text.span };
            self.one_of("number", &field, &fields);
            self.slot(kind, text, body);
        }
        for field in required {
            if !element.with.contains_key(field) {
                let help = format!("add 'with: {{{field}: …}}'");
                self.say("missing-field", element.kind.span, format!("'{kind}' needs '{field}'"), help);
            }
        }
        let either = |a: &str, b: &str| element.with.contains_key(a) != element.with.contains_key(b);
        let lacks = match kind {
            "diode" => !either("is", "volts"),
            "npn" | "pnp" => !either("is", "vbe"),
            "n-jfet" | "p-jfet" => !either("idss", "beta"),
            _ => false,
        };
        if lacks {
            let message = format!(
                "'{kind}' needs exactly one of two numbers: 'is' or 'volts' ('vbe'), 'idss' or 'beta'"
            );
            self.say(
                "missing-field",
                element.kind.span,
                message,
                "give one of the two and not the other".into(),
            );
        }
        let listens = !element.terms.is_empty() || !element.corners.is_empty();
        if listens && !matches!(kind, "voltage" | "current") {
            let help = "only 'voltage' and 'current' listen to other nodes".into();
            self.say("wrong-field", element.kind.span, format!("'{kind}' takes no terms or corners"), help);
        }
        let noise = element.noise.iter().flat_map(|n| n.figures());
        noise.for_each(|text| self.slot("noise", text, body));
        if let (Some(noise), true) = (&element.noise, self.library.shape(kind).is_some()) {
            let at = noise.figures().next().map_or(element.kind.span, |f| f.span);
            let help = "give it to the elements inside the shape".to_owned();
            self.say("wrong-field", at, format!("'{kind}' is a shape and takes no noise"), help);
        }
        let corners = element.corners.iter().flat_map(|c| [&c.scale, &c.offset]);
        let terms = element.terms.iter().chain(element.corners.iter().flat_map(|c| &c.terms));
        corners.chain(terms.map(|t| &t.gain)).for_each(|text| self.slot(kind, text, body));
    }

    fn slot(&mut self, kind: &str, text: &At<String>, body: &Body<'_>) {
        if let Some(name) = text.value.trim_start_matches('-').strip_prefix('$') {
            let name = At { value: name.to_owned(), span: text.span };
            return self.one_of("parameter", &name, &body.parameters);
        }
        if number(kind, &text.value).is_none() {
            let help = "write a number such as 4.7e3, or $name of a parameter".into();
            self.say("bad-value", text.span, format!("'{}' is no number", text.value), help);
        }
    }
}

/// A number in a card: as a computer writes it, or for resistors and capacitors as the trade does.
pub(crate) fn number(kind: &str, text: &str) -> Option<f64> {
    let plain = || text.parse::<f64>().ok().filter(|x| x.is_finite());
    match kind {
        "capacitor" if !text.contains('e') => crate::units::notation::farads_value(text).ok().map(|f| f.0),
        "resistor" => plain().or_else(|| crate::units::notation::ohms_value(text).ok().map(|r| r.0)),
        _ => plain(),
    }
}

fn names<T>(of: &Named<T>) -> Vec<&str> {
    of.iter().map(|(k, _)| k.value.as_str()).collect()
}

impl EditRule {
    /// The terminals it names.
    pub fn terminals(&self) -> impl Iterator<Item = &At<String>> {
        let found: Vec<&At<String>> = match self {
            Self::Open(at) | Self::Series { at, .. } => vec![at],
            Self::Short(both) | Self::Exchange(both) => both.iter().collect(),
            Self::Leak { between, .. } => between.iter().collect(),
            _ => Vec::new(),
        };
        found.into_iter()
    }

    /// The parameter it changes.
    pub fn parameter(&self) -> Option<&At<String>> {
        match self {
            Self::Scale { of, .. } | Self::Set { of, .. } => Some(of),
            _ => None,
        }
    }
}

impl Parameter {
    /// The value at so many standard deviations from the usual one.
    pub fn at(&self, deviations: f64) -> f64 {
        match self.spread {
            None => self.typical,
            Some((low, high)) if low * high > 0.0 => {
                self.typical * ((high / low).ln().abs() / 4.0 * deviations).exp()
            }
            Some((low, high)) => self.typical + (high - low) / 4.0 * deviations,
        }
    }

    /// One standard deviation upward: from the spread's ends, by ratio where both have one sign, else by difference.
    pub fn deviation(&self) -> f64 {
        match self.spread {
            None => 0.0,
            Some((low, high)) if low * high > 0.0 => self.typical * ((high / low).ln().abs() / 4.0),
            Some((low, high)) => (high - low) / 4.0,
        }
    }
}
