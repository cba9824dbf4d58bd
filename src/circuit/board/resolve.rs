//! From the file to parts: names looked up, values read, pins put on nets. Every slip is noted; nothing stops at the first.

use super::expand::Recipe;
use super::written::{BoardFile, Nets, Part, Supply, Taper};
use crate::rules::parts::{Device, Kind, Library, Turn};
use crate::text::{At, Complaint, Complaints, Named, Place, Source, Span, or_nearest};
use crate::units::notation::{self, Tolerance};
use crate::units::{Unit, show};
use std::collections::BTreeMap;
use std::sync::Arc;

/// A part of the file with everything looked up.
pub(super) struct Resolved<'a> {
    pub(super) id: String,
    pub(super) span: Span,
    pub(super) kind_name: String,
    pub(super) kind: &'a Kind,
    pub(super) device: Option<(&'a str, &'a Device)>,
    pub(super) recipe: Recipe,
    /// Pin names with their nets, in the card's order; `None` where a pin may stay unconnected.
    pub(super) nets: Vec<Option<At<String>>>,
    /// Value or part number, for sentences.
    pub(super) label: String,
    pub(super) tolerance: Option<Tolerance>,
    pub(super) tolerance_said: Option<String>,
    pub(super) with: Vec<(String, f64)>,
    pub(super) taper: Option<Taper>,
    pub(super) role: Option<String>,
    pub(super) turn: Option<f64>,
    /// One standard deviation of the share of the track below a control's wiper.
    pub(super) law: Option<f64>,
    pub(super) position: Option<String>,
    pub(super) supply: bool,
}

/// Pairs of terminals that some position joins, and whether this one does.
type Contacts = Vec<((usize, usize), bool)>;

/// Collects complaints about one file.
pub(super) struct Notes {
    pub(super) file: Arc<Source>,
    pub(super) complaints: Complaints,
    /// What is odd and does no harm: it is told, and the board is taken all the same.
    pub(super) doubts: Complaints,
}

impl Notes {
    pub(super) fn say(&mut self, code: &'static str, span: Span, message: String, help: impl Into<String>) {
        let place = Place { file: self.file.clone(), span };
        self.complaints.0.push(Complaint::at(code, place, message).help(help));
    }
}

/// What a wire link or a resistor of 0 ohms has, ohms (common practice, no source).
pub(super) const LINK_OHMS: f64 = 0.02;

pub(super) fn parts<'a>(file: &BoardFile, library: &'a Library, notes: &mut Notes) -> Vec<Resolved<'a>> {
    let mut all = Vec::new();
    for supply in &file.supply {
        all.extend(Resolver { library, notes }.supply(supply));
    }
    for (id, part) in file.parts.iter() {
        let found = Resolver { library, notes }.part(id, part);
        if let Some(found) = found {
            if all.iter().any(|p: &Resolved<'_>| p.id == found.id) {
                notes.say(
                    "duplicate-name",
                    id.span,
                    format!("'{}' is also the name of a supply", id.value),
                    "give the part another name",
                );
            }
            all.push(found);
        }
    }
    all
}

/// Whether a pin is said to be connected to nothing.
fn is_free(net: &At<String>) -> bool {
    net.value.eq_ignore_ascii_case("nc")
}

struct Resolver<'a, 'n> {
    library: &'a Library,
    notes: &'n mut Notes,
}

impl<'a> Resolver<'a, '_> {
    fn supply(&mut self, supply: &Supply) -> Option<Resolved<'a>> {
        self.name_is_fit(&supply.name, "supply");
        let source = supply.source.value.as_str();
        if !["battery", "adaptor", "bench"].contains(&source) {
            let help = or_nearest(source, ["battery", "adaptor", "bench"]);
            self.notes.say("unknown-name", supply.source.span, format!("unknown source '{source}'"), help);
            return None;
        }
        let kind = self.library.kind(source)?;
        let mut parameters = parameters_of(&kind.parameters);
        match notation::volts(&supply.volts.value) {
            Ok(v) if v.0 > 0.0 => {
                parameters.insert("volts".into(), v.0);
            }
            Ok(_) => {
                let help = "exchange plus and minus and write a voltage above 0";
                self.notes.say("odd-value", supply.volts.span, "a supply must be above 0 V".into(), help);
            }
            Err(e) => self.bad_text(&supply.volts, &e.to_string()),
        }
        if let Some(inner) = &supply.inner {
            match notation::ohms(&inner.value) {
                Ok(r) if r.value.0 > 0.0 => {
                    parameters.insert("inner".into(), r.value.0);
                }
                Ok(_) => self.bad_text(inner, "the inner resistance must be above 0; write one such as 0R5"),
                Err(e) => self.bad_text(inner, &e.to_string()),
            }
        }
        Some(Resolved {
            id: supply.name.value.clone(),
            span: supply.name.span,
            kind_name: source.to_owned(),
            kind,
            device: None,
            recipe: Recipe {
                elements: kind.elements.clone(),
                pins: vec!["plus".into(), "minus".into()],
                parameters,
                wiper: None,
                contacts: Vec::new(),
            },
            nets: vec![Some(supply.plus.clone()), Some(supply.minus.clone())],
            label: supply.volts.value.clone(),
            tolerance: None,
            tolerance_said: None,
            with: Vec::new(),
            taper: None,
            role: None,
            turn: None,
            law: None,
            position: None,
            supply: true,
        })
    }

    fn part(&mut self, id: &At<String>, part: &Part) -> Option<Resolved<'a>> {
        self.name_is_fit(id, "part");
        let (kind_name, device) = self.kind_and_device(id, part)?;
        let kind = self.library.kind(&kind_name)?;
        let pins: Vec<String> = match device {
            Some((_, d)) => d.pins.iter().map(|(p, _)| p.value.clone()).collect(),
            None => kind.terminals.iter().map(|(p, _)| p.value.clone()).collect(),
        };
        let unused = device.map(|(_, d)| self.unused_sections(d, part)).unwrap_or_default();
        let optional: Vec<&str> = match device {
            Some((_, d)) => {
                let left_out = unused.iter().flat_map(|(_, pins)| pins).map(|p| p.value.as_str());
                d.optional.iter().map(|p| p.value.as_str()).chain(left_out).collect()
            }
            None if !kind.positions.0.is_empty() => pins.iter().map(String::as_str).collect(),
            None => Vec::new(),
        };
        let nets = self.nets(id, part, &pins, &optional);
        let mut parameters = parameters_of(device.map_or(&kind.parameters, |(_, d)| &d.parameters));
        let (label, marked) = self.value(id, part, kind, device.map(|(n, _)| n), &mut parameters);
        for (name, x) in &part.with {
            match parameters.get_mut(name) {
                Some(slot) => *slot = x.value,
                None => {
                    let help = or_nearest(name, parameters.keys().map(String::as_str));
                    self.notes.say(
                        "unknown-name",
                        x.span,
                        format!("'{}' has no parameter '{name}'", id.value),
                        help,
                    );
                }
            }
        }
        let tolerance = self.tolerance(part, kind, marked);
        let turn = self.turn(id, part, kind);
        let taper = part.taper.unwrap_or_default();
        let wiper = turn.map(|t| taper.share(t));
        if wiper.is_some() {
            parameters.insert("law".into(), 0.0);
        }
        let (position, contacts) = self.contacts(id, part, kind, &pins);
        Some(Resolved {
            id: id.value.clone(),
            span: id.span,
            kind_name,
            kind,
            device,
            recipe: Recipe {
                elements: Named(
                    device
                        .map_or(&kind.elements, |(_, d)| &d.elements)
                        .iter()
                        .filter(|(name, _)| !unused.iter().any(|(n, _)| *n == name.value))
                        .map(|(name, e)| (name.clone(), e.clone()))
                        .collect(),
                ),
                pins,
                parameters,
                wiper,
                contacts,
            },
            nets,
            label,
            tolerance,
            tolerance_said: part.tolerance.as_ref().map(|t| t.value.clone()),
            with: part.with.iter().map(|(k, v)| (k.clone(), v.value)).collect(),
            taper: turn.is_some().then(|| part.taper.unwrap_or_default()),
            role: self.role(part),
            turn,
            law: turn.map(|t| taper.deviation(t)),
            position,
            supply: false,
        })
    }

    /// Sections of a chip (an amplifier of a dual, a switch of four) none of whose pins the file names, with those pins: they are
    /// not in the circuit.
    fn unused_sections<'d>(&self, device: &'d Device, part: &Part) -> Vec<(&'d str, Vec<&'d At<String>>)> {
        let Nets::Map(map) = &part.nets else { return Vec::new() };
        let named = |pin: &str| map.iter().any(|(p, _)| p.value == pin);
        let own = |node: &&At<String>| {
            device.pins.get(&node.value).is_some() && !device.supply.iter().any(|s| s.value == node.value)
        };
        let sections = device.elements.iter().filter(|(_, e)| self.library.shape(&e.kind.value).is_some());
        sections
            .map(|(name, e)| (name.value.as_str(), e.nodes.iter().filter(own).collect::<Vec<_>>()))
            .filter(|(_, pins)| !pins.is_empty() && !pins.iter().any(|p| named(&p.value)))
            .collect()
    }

    fn role(&mut self, part: &Part) -> Option<String> {
        let role = part.role.as_ref()?;
        if self.library.role(&role.value).is_none() {
            let help = or_nearest(&role.value, self.library.roles().map(|(r, _)| r));
            let help = format!(
                "{help}; 'halfsplit rules list --kind role' lists them, and without 'role' it is worked out"
            );
            let place = Place { file: self.notes.file.clone(), span: role.span };
            let message = format!("unknown role '{}': what this part does is worked out instead", role.value);
            self.notes.doubts.0.push(Complaint::at("unknown-name", place, message).help(help));
            return None;
        }
        Some(role.value.clone())
    }

    fn name_is_fit(&mut self, name: &At<String>, what: &str) {
        let fit = name.value.chars().all(|c| c.is_alphanumeric() || "+-_/".contains(c))
            && name.value.chars().next().is_some_and(char::is_alphanumeric);
        if !fit || name.value.len() > 24 {
            let message = format!("'{}' can't be the name of a {what}", name.value);
            self.notes.say(
                "bad-name",
                name.span,
                message,
                "use letters, digits, - and _, a letter or digit first, 24 at most",
            );
        }
    }

    fn bad_text(&mut self, text: &At<String>, error: &str) {
        let (message, help) = error.split_once("; ").unwrap_or((error, ""));
        self.notes.say("bad-value", text.span, message.to_owned(), help);
    }

    fn kind_and_device(
        &mut self,
        id: &At<String>,
        part: &Part,
    ) -> Option<(String, Option<(&'a str, &'a Device)>)> {
        match (&part.kind, &part.device) {
            (Some(kind), None) => {
                let placeable: Vec<&str> =
                    self.library.kinds().filter(|(_, k)| !k.terminals.0.is_empty()).map(|(n, _)| n).collect();
                if placeable.contains(&kind.value.as_str()) {
                    return Some((kind.value.clone(), None));
                }
                let help = match self.library.kind(&kind.value) {
                    Some(_) => format!("write 'device:' with the part number of the {}", kind.value),
                    None => or_nearest(&kind.value, placeable),
                };
                self.notes.say(
                    "unknown-name",
                    kind.span,
                    format!("unknown part kind '{}'", kind.value),
                    help,
                );
                None
            }
            (None, Some(device)) => {
                let number = device.value.as_str();
                let names = self.library.device_names();
                let own = names.iter().copied().find(|n| *n == number);
                let found = own.and_then(|n| self.library.device(n).map(|d| (n, d)));
                if found.is_none() {
                    if is_valve(number) {
                        let message = format!(
                            "'{number}' is a valve; its supply is far above what this tool deals with"
                        );
                        self.notes.say("mains", device.span, message, TECHNICIAN);
                        return None;
                    }
                    let help = or_nearest(number, names);
                    self.notes.say(
                        "unknown-name",
                        device.span,
                        format!("no card for device '{number}'"),
                        help,
                    );
                }
                found.map(|(n, d)| (d.kind.value.clone(), Some((n, d))))
            }
            _ => {
                let message = format!("'{}' needs either 'kind' or 'device'", id.value);
                self.notes.say(
                    "missing-field",
                    id.span,
                    message,
                    "write 'kind: resistor' or 'device: 2N3904', say",
                );
                None
            }
        }
    }

    fn nets(
        &mut self,
        id: &At<String>,
        part: &Part,
        pins: &[String],
        optional: &[&str],
    ) -> Vec<Option<At<String>>> {
        let mut nets: Vec<Option<At<String>>> = vec![None; pins.len()];
        let mut free: Vec<usize> = Vec::new();
        match &part.nets {
            Nets::List(list) => {
                if list.len() != pins.len() {
                    let message = format!(
                        "'{}' has {} terminals, but {} nets are listed",
                        id.value,
                        pins.len(),
                        list.len()
                    );
                    let help = format!("list the nets of {}", pins.join(", "));
                    self.notes.say("wrong-nets", list.first().map_or(id.span, |n| n.span), message, help);
                }
                for (slot, net) in nets.iter_mut().zip(list) {
                    *slot = (!is_free(net)).then(|| net.clone());
                }
                // Too few: complained of once above.
                return nets;
            }
            Nets::Map(map) => {
                for (pin, net) in map {
                    match pins.iter().position(|p| *p == pin.value) {
                        Some(i) if is_free(net) => free.push(i),
                        Some(i) => nets[i] = Some(net.clone()),
                        None => {
                            let help = or_nearest(&pin.value, pins.iter().map(String::as_str));
                            self.notes.say(
                                "unknown-name",
                                pin.span,
                                format!("'{}' has no pin '{}'", id.value, pin.value),
                                help,
                            );
                        }
                    }
                }
            }
        }
        let missing: Vec<&str> = pins
            .iter()
            .zip(&nets)
            .enumerate()
            .filter(|(i, (p, n))| n.is_none() && !optional.contains(&p.as_str()) && !free.contains(i))
            .map(|(_, (p, _))| p.as_str())
            .collect();
        if !missing.is_empty() {
            let message = format!("'{}' has no net at {}", id.value, missing.join(", "));
            let help = format!("add them to 'nets'; write '{}: nc' for one that is left free", missing[0]);
            self.notes.say("missing-pin", id.span, message, help);
        }
        nets
    }

    /// The value into the parameters; its text and the tolerance its letter gave.
    fn value(
        &mut self,
        id: &At<String>,
        part: &Part,
        kind: &Kind,
        number: Option<&str>,
        parameters: &mut BTreeMap<String, f64>,
    ) -> (String, Option<Tolerance>) {
        let Some(rule) = kind.value.as_ref().filter(|_| number.is_none()) else {
            if let Some(value) = &part.value {
                let message = format!("'{}' takes no value", id.value);
                self.notes.say("wrong-field", value.span, message, "leave 'value' out");
            }
            return (number.map_or_else(|| kind.says.clone(), str::to_owned), None);
        };
        let Some(text) = &part.value else {
            let help = format!("add 'value: {}'", rule.max.value);
            self.notes.say("missing-field", id.span, format!("'{}' needs a value", id.value), help);
            return (String::new(), None);
        };
        let read = |text: &str| read_value(text, rule.unit);
        match read(&text.value) {
            Err(e) => {
                self.bad_text(text, &e);
                (text.value.clone(), None)
            }
            Ok((value, tolerance)) => {
                let (low, high) = (
                    read(&rule.min.value).map_or(0.0, |v| v.0),
                    read(&rule.max.value).map_or(f64::MAX, |v| v.0),
                );
                // A resistor of 0 ohms is a link.
                let value = if value == 0.0 && rule.unit == Unit::Ohms { low.max(LINK_OHMS) } else { value };
                if !(low..=high).contains(&value) || value <= 0.0 {
                    let message =
                        format!("{} is outside reason for {}", show::value(value, rule.unit), kind.says);
                    let help = match rule.unit == Unit::Ohms && value == 0.0 {
                        true => "a wire link, or a 0R resistor that is one, is 'kind: link'".into(),
                        false => format!("write a value from {} to {}", rule.min.value, rule.max.value),
                    };
                    self.notes.say("odd-value", text.span, message, help);
                }
                parameters.insert("value".into(), value);
                (text.value.clone(), tolerance)
            }
        }
    }

    fn tolerance(&mut self, part: &Part, kind: &Kind, marked: Option<Tolerance>) -> Option<Tolerance> {
        let usual = kind
            .value
            .as_ref()
            .filter(|_| part.device.is_none())
            .and_then(|rule| notation::tolerance(&rule.tolerance.value).ok());
        match &part.tolerance {
            None => marked.or(usual),
            Some(text) => match notation::tolerance(&text.value) {
                Ok(t) => Some(t),
                Err(e) => {
                    self.bad_text(text, &e.to_string());
                    usual
                }
            },
        }
    }

    fn turn(&mut self, id: &At<String>, part: &Part, kind: &Kind) -> Option<f64> {
        let Some(rule) = kind.turn else {
            if let Some(turn) = &part.turn {
                self.notes.say(
                    "wrong-field",
                    turn.span,
                    format!("'{}' can't be turned", id.value),
                    "leave 'turn' out",
                );
            }
            return None;
        };
        let turn = match (&part.turn, rule) {
            (None, Turn::Trim) => 0.5,
            (None, Turn::Set) => {
                let message = format!("the control '{}' has no turn", id.value);
                self.notes.say(
                    "no-turn",
                    id.span,
                    message,
                    "add 'turn: 50%', where it stands when the unit is measured",
                );
                0.5
            }
            (Some(text), _) => match notation::share(&text.value) {
                Ok(turn) => turn,
                Err(e) => {
                    self.bad_text(text, &e.to_string());
                    0.5
                }
            },
        };
        Some(turn)
    }

    fn contacts(
        &mut self,
        id: &At<String>,
        part: &Part,
        kind: &Kind,
        pins: &[String],
    ) -> (Option<String>, Contacts) {
        let positions = &kind.positions;
        if positions.0.is_empty() {
            if let Some(position) = &part.position {
                let message = format!("'{}' has no positions", id.value);
                self.notes.say("wrong-field", position.span, message, "leave 'position' out");
            }
            return (None, Vec::new());
        }
        let names: Vec<&str> = names(positions);
        let at = match &part.position {
            None => names[0],
            Some(text) if names.contains(&text.value.as_str()) => text.value.as_str(),
            Some(text) => {
                let help = or_nearest(&text.value, names.iter().copied());
                self.notes.say(
                    "unknown-name",
                    text.span,
                    format!("'{}' has no position '{}'", id.value, text.value),
                    help,
                );
                names[0]
            }
        };
        let index = |t: &At<String>| pins.iter().position(|p| *p == t.value).unwrap_or(0);
        let mut pairs: BTreeMap<(usize, usize), bool> = BTreeMap::new();
        for (position, joined) in positions.iter() {
            for [a, b] in joined {
                *pairs.entry((index(a), index(b))).or_insert(false) |= position.value == at;
            }
        }
        (Some(at.to_owned()), pairs.into_iter().collect())
    }
}

fn names<T>(of: &Named<T>) -> Vec<&str> {
    of.iter().map(|(k, _)| k.value.as_str()).collect()
}

fn parameters_of(written: &Named<crate::rules::parts::Parameter>) -> BTreeMap<String, f64> {
    written.iter().map(|(k, p)| (k.value.clone(), p.typical)).collect()
}

fn read_value(text: &str, unit: Unit) -> Result<(f64, Option<Tolerance>), String> {
    match unit {
        Unit::Ohms => notation::ohms(text).map(|m| (m.value.0, m.tolerance)),
        Unit::Farads => notation::farads(text).map(|m| (m.value.0, m.tolerance)),
        _ => notation::henries(text).map(|h| (h.0, None)),
    }
    .map_err(|e| e.to_string())
}

/// What to do with what this tool declines.
pub(super) const TECHNICIAN: &str =
    "leave this unit to a licensed technician; this tool is for supplies up to 50 V DC only";

fn is_valve(number: &str) -> bool {
    let n = number.to_ascii_uppercase();
    [
        "ECC", "ECF", "ECL", "EF8", "EL3", "EL8", "EZ8", "12AX", "12AT", "12AU", "6V6", "6L6", "6SN", "6SL",
        "KT6", "KT8", "5881",
    ]
    .iter()
    .any(|p| n.starts_with(p))
}
