//! SPICE netlists: elements, models by name, sub-circuit calls with named chips or with parts inside.

use super::MOST_PARTS;
use super::drawing::{Drawing, DrawnPart, DrawnPin, SupplyDrawn, What};
use super::spice_text::{self, Line, Text, number};
use crate::text::{Complaint, Complaints, Place, Source};
use crate::units::{Farads, Henries, Ohms, show};
use std::collections::BTreeMap;

/// Deepest nesting of sub-circuits.
const DEEPEST: usize = 4;
/// The most sub-circuits that are taken apart.
const MOST_CALLS: usize = 2000;
/// Below this a resistor's value was meant in megohms: the `M` of the trade, which SPICE reads as milli.
const MEANT_MEGOHMS: f64 = 1.0;

/// Reads a netlist. The first line is its title, as SPICE has it.
///
/// # Errors
/// Elements that no part stands for (controlled sources, switches, lines), values that are no number, sub-circuits that are neither
/// here nor a chip's name.
pub fn read_spice(source: &Source) -> Result<Drawing, Complaints> {
    let text = spice_text::lines(source);
    let mut reader = Reader {
        drawing: Drawing::empty(source),
        complaints: Complaints::default(),
        subcircuits: BTreeMap::new(),
        models: BTreeMap::new(),
        parameters: BTreeMap::new(),
        skipped: Vec::new(),
        calls: 0,
        spelled: BTreeMap::new(),
    };
    reader.drawing.title.clone_from(&text.title);
    let main = reader.definitions(&text);
    reader.own(&text);
    if main.is_empty() {
        // Where a sub-circuit without an end took the rest, that is what is to be said.
        if !reader.complaints.0.is_empty() {
            return Err(reader.complaints);
        }
        let place = Place { file: reader.drawing.file.clone(), span: Default::default() };
        let complaint = Complaint::at("bad-netlist", place, "there is no element in this netlist");
        return Err(complaint
            .help("the first line is a title; elements such as 'R1 a b 10k' follow it")
            .into());
    }
    for word in main.iter().flat_map(|line| line.words.iter().skip(1)) {
        reader.spelled.entry(word.to_lowercase()).or_insert_with(|| word.clone());
    }
    let top = Scope { nets: BTreeMap::new(), suffix: String::new(), depth: 0 };
    for line in &main {
        reader.element(line, &top);
    }
    if element_like(&text.title) {
        let says = format!("the first line, '{}', is the title and no part: SPICE takes it so", text.title);
        reader.drawing.note(None, says);
    }
    let Reader { drawing, complaints, .. } = reader;
    complaints.or_ok(drawing)
}

fn element_like(title: &str) -> bool {
    let words: Vec<&str> = title.split_whitespace().collect();
    let named = words.first().is_some_and(|w| {
        w.starts_with(|c: char| "RCLDQJMVXrcldqjmvx".contains(c)) && w.contains(|c: char| c.is_ascii_digit())
    });
    named && words.len() >= 4 && words.last().is_some_and(|w| number(w).is_some())
}

/// A sub-circuit of the file.
#[derive(Clone, Debug)]
struct Subcircuit {
    nodes: Vec<String>,
    lines: Vec<Line>,
}

/// A model of the file: its type and figures.
#[derive(Clone, Debug)]
struct Model {
    kind: String,
    figures: BTreeMap<String, String>,
}

/// Where an element's nodes lead: at the top they are nets, in a call its arguments.
struct Scope {
    nets: BTreeMap<String, String>,
    suffix: String,
    depth: usize,
}

struct Reader {
    drawing: Drawing,
    complaints: Complaints,
    subcircuits: BTreeMap<String, Subcircuit>,
    models: BTreeMap<String, Model>,
    parameters: BTreeMap<String, String>,
    /// Elements that this program's own export adds for the bench.
    skipped: Vec<String>,
    /// How many sub-circuits were taken apart.
    calls: usize,
    /// Nodes of the main circuit as they were first written.
    spelled: BTreeMap<String, String>,
}

impl Reader {
    fn say(&mut self, line: &Line, message: impl Into<String>, help: impl Into<String>) {
        let place = Place { file: self.drawing.file.clone(), span: line.span };
        self.complaints.0.push(Complaint::at("bad-netlist", place, message).help(help));
    }

    fn note(&mut self, line: &Line, says: impl Into<String>) {
        self.drawing.note(Some(line.span), says);
    }

    /// Sub-circuits, models and parameters; returns the lines of the main circuit.
    fn definitions(&mut self, text: &Text) -> Vec<Line> {
        let mut main = Vec::new();
        let mut inside: Vec<(String, Subcircuit)> = Vec::new();
        for line in &text.lines {
            let first = line.word(0).to_lowercase();
            match first.as_str() {
                ".subckt" => {
                    let is_node = |w: &&String| !w.contains('=') && w.to_lowercase() != "params:";
                    let nodes =
                        line.words.iter().skip(2).take_while(is_node).map(|n| n.to_lowercase()).collect();
                    inside.push((line.word(1).to_lowercase(), Subcircuit { nodes, lines: Vec::new() }));
                }
                ".ends" => match inside.pop() {
                    Some((name, found)) => drop(self.subcircuits.insert(name, found)),
                    None => self.say(line, "'.ends' without a '.subckt' before it", "take it out"),
                },
                ".model" => {
                    let figures = line.named().map(|(k, v)| (k.to_lowercase(), v.to_owned())).collect();
                    let model = Model { kind: line.word(2).to_lowercase(), figures };
                    self.models.insert(line.word(1).to_lowercase(), model);
                }
                ".param" => {
                    self.parameters.extend(line.named().map(|(k, v)| (k.to_lowercase(), v.to_owned())));
                }
                ".include" | ".inc" | ".lib" => {
                    let says =
                        format!("'{}' is not read: parts are told by their names", line.words.join(" "));
                    self.note(line, says);
                }
                _ if first.starts_with('.') => {}
                _ => match inside.last_mut() {
                    Some((_, sub)) => sub.lines.push(line.clone()),
                    None => main.push(line.clone()),
                },
            }
        }
        if let Some((name, _)) = inside.last() {
            let place = Place { file: self.drawing.file.clone(), span: Default::default() };
            let complaint =
                Complaint::at("bad-netlist", place, format!("the sub-circuit '{name}' has no end"));
            self.complaints.0.push(complaint.help("close it with '.ends'"));
        }
        main
    }

    /// What this program's own export says beside the netlist.
    fn own(&mut self, text: &Text) {
        for words in &text.own {
            let rest = words.iter().skip(2).map(String::as_str).collect::<Vec<_>>().join(" ");
            match (words.first().map(String::as_str), words.get(1)) {
                (Some("bench"), Some(first)) => {
                    self.skipped.push(first.to_lowercase());
                    self.skipped.extend(rest.split_whitespace().map(str::to_lowercase));
                }
                (Some("note"), Some(_)) => self.drawing.remarks.push(words[1..].join(" ")),
                (Some("neighbours"), Some(a)) if !rest.is_empty() => {
                    self.drawing.neighbours.push([a.clone(), rest]);
                }
                (Some(key), Some(first)) => {
                    let value = if rest.is_empty() { first.clone() } else { format!("{first} {rest}") };
                    let key =
                        if key == "part" { format!("part {}", first.to_lowercase()) } else { key.to_owned() };
                    self.drawing.given.insert(key, value);
                }
                _ => {}
            }
        }
    }

    /// The net of a node; SPICE does not tell case, so the first spelling counts.
    fn net(&self, scope: &Scope, node: &str) -> String {
        let lower = node.to_lowercase();
        if lower == "0" || lower == "gnd" {
            return "0".into();
        }
        match scope.nets.get(&lower) {
            Some(net) => net.clone(),
            None if scope.depth == 0 => self.spelled.get(&lower).cloned().unwrap_or_else(|| node.to_owned()),
            None => format!("{lower}-{}", scope.suffix),
        }
    }

    fn element(&mut self, line: &Line, scope: &Scope) {
        let name = line.word(0);
        if self.skipped.contains(&name.to_lowercase()) {
            return;
        }
        if self.drawing.parts.len() > MOST_PARTS {
            return;
        }
        let letter = name.chars().next().map_or(' ', |c| c.to_ascii_uppercase());
        match letter {
            'R' => self.passive(line, scope, "resistor"),
            'C' => self.passive(line, scope, "capacitor"),
            'L' => self.passive(line, scope, "inductor"),
            'D' => self.device(line, scope, 2, "diode"),
            'Q' => self.device(line, scope, 3, "bipolar"),
            'J' => self.device(line, scope, 3, "jfet"),
            'M' => self.device(line, scope, 4, "mosfet"),
            'V' => self.voltage(line, scope),
            'X' => self.call(line, scope),
            'I' => self.say(
                line,
                format!("'{name}' is a current source, and no part is one"),
                "draw what makes the current, or take it out",
            ),
            'E' | 'F' | 'G' | 'H' | 'B' => {
                let help = "put the part it stands for in its place, such as 'XU1 1 2 3 4 5 6 7 8 TL072'";
                self.say(line, format!("'{name}' is a controlled source, and no part is one"), help);
            }
            'S' | 'W' => {
                let help = "draw it closed (a resistor of 0.05 ohm) or leave it out, as it stands when the unit is measured";
                self.say(line, format!("'{name}' is a switch of the simulator"), help);
            }
            'K' => self.say(
                line,
                format!("'{name}' couples coils; transformers are not known here"),
                "leave it out, or draw what the winding gives as a supply",
            ),
            'T' | 'U' | 'O' => {
                self.say(line, format!("'{name}' is a line, and no part is one"), "take it out")
            }
            _ => {
                let help = "elements begin with R, C, L, D, Q, J, M, V or X";
                self.say(line, format!("'{name}' is no element that is known here"), help);
            }
        }
    }

    /// A part's designator: SPICE's letter goes where the name has one of its own behind it (`R_LDR1`).
    fn id(&self, line: &Line, scope: &Scope) -> String {
        let name = line.word(0);
        let bare = match name.split_once('_') {
            Some((letter, rest)) if letter.len() == 1 && !rest.is_empty() => rest,
            _ => name,
        };
        if scope.suffix.is_empty() { bare.to_owned() } else { format!("{bare}-{}", scope.suffix) }
    }

    fn part(&mut self, line: &Line, scope: &Scope, kind: &'static str, value: String, nodes: &[&str]) {
        let id = self.id(line, scope);
        let pins =
            nodes.iter().map(|n| DrawnPin { net: Some(self.net(scope, n)), ..DrawnPin::default() }).collect();
        let key = format!("part {}", line.word(0).to_lowercase());
        let given = if scope.depth == 0 { self.drawing.given.get(&key).cloned() } else { None };
        let more =
            given.map(|g| g.split_whitespace().skip(1).map(str::to_owned).collect()).unwrap_or_default();
        self.drawing.parts.push(DrawnPart { id, span: line.span, what: What::Kind(kind), value, more, pins });
    }

    /// A number of the file: plain, `{name}` of a parameter, or the parameter's bare name.
    fn figure(&self, text: &str) -> Option<f64> {
        let mut text = text.trim_matches(['{', '}']).to_owned();
        for _ in 0..DEEPEST {
            if let Some(x) = number(&text) {
                return Some(x);
            }
            text = self.parameters.get(&text.to_lowercase())?.trim_matches(['{', '}']).to_owned();
        }
        None
    }

    fn passive(&mut self, line: &Line, scope: &Scope, kind: &'static str) {
        let written = line.words.get(3..).unwrap_or_default();
        let letter = line.word(0).chars().next().map_or(' ', |c| c.to_ascii_lowercase());
        let named = |w: &String| {
            w.split_once('=')
                .filter(|(k, _)| k.to_lowercase() == letter.to_string())
                .map(|(_, v)| v.to_owned())
        };
        let text =
            written.iter().find_map(named).or_else(|| written.iter().find(|w| !w.contains('=')).cloned());
        let Some(text) = text else {
            self.say(
                line,
                format!("'{}' has no value", line.word(0)),
                "write name, two nodes and a value, such as 'R1 in out 4.7k'",
            );
            return;
        };
        let Some(mut value) = self.figure(&text).filter(|v| *v > 0.0) else {
            self.say(
                line,
                format!("'{text}' is no value above 0 for '{}'", line.word(0)),
                "write a number such as 4.7k; sums in {…} are not worked out here",
            );
            return;
        };
        // `4k7`: SPICE drops what follows the letter, the trade means it.
        if let Some(meant) = letter_code(&text, kind) {
            value = meant;
        }
        let value = match kind {
            "resistor" => {
                if value < MEANT_MEGOHMS && text.to_lowercase().trim_end_matches("ohm").ends_with('m') {
                    value *= 1e9;
                    let says = format!(
                        "{} is read as {}: SPICE itself takes '{text}' for milliohms and wants Meg",
                        line.word(0),
                        show::ohms(Ohms(value))
                    );
                    self.note(line, says);
                }
                show::ohms_code(Ohms(value))
            }
            "capacitor" => show::farads_code(Farads(value)),
            _ => show::henries_code(Henries(value)),
        };
        self.part(line, scope, kind, value, &[line.word(1), line.word(2)]);
    }

    /// A diode or transistor: its model's name tells which part it is.
    fn device(&mut self, line: &Line, scope: &Scope, nodes: usize, kind: &'static str) {
        let words: Vec<&str> = line.words.iter().map(String::as_str).filter(|w| !w.contains('=')).collect();
        // A substrate may stand before the model of a bipolar transistor.
        let model_at = match kind {
            "bipolar" if words.len() > 5 && number(words[5]).is_none() => 5,
            _ => nodes + 1,
        };
        let Some(model) = words.get(model_at).copied() else {
            self.say(
                line,
                format!("'{}' has too few nodes or no model", line.word(0)),
                format!("write name, {nodes} nodes and the part number"),
            );
            return;
        };
        if kind == "mosfet" && words[3] != words[4] {
            let says =
                format!("the body of {} is not at its source; it is taken as if it were", line.word(0));
            self.note(line, says);
        }
        let found = self.models.get(&model.to_lowercase()).cloned();
        let typed = found.as_ref().map_or("", |m| m.kind.as_str());
        let kind = match (kind, typed) {
            ("bipolar", "pnp") => "pnp",
            ("bipolar", "npn") => "npn",
            ("jfet", "pjf") => "p-jfet",
            ("jfet", "njf") => "n-jfet",
            ("mosfet", "pmos") => "p-mosfet",
            ("mosfet", "nmos") => "n-mosfet",
            (kind, _) => kind,
        };
        let taken = nodes.min(3);
        let pins: Vec<&str> = words[1..=taken].to_vec();
        self.part(line, scope, kind, model.to_owned(), &pins);
        let volts = found.and_then(|m| m.figures.get("bv").and_then(|v| number(v)));
        if let (Some(volts), Some(part)) = (volts, self.drawing.parts.last_mut()) {
            part.more.push(format!("breakdown={volts}"));
        }
    }

    fn voltage(&mut self, line: &Line, scope: &Scope) {
        let lower: Vec<String> = line.words.iter().map(|w| w.to_lowercase()).collect();
        let (plus, minus) = (self.net(scope, line.word(1)), self.net(scope, line.word(2)));
        let behind = |word: &str| {
            let at = lower.iter().position(|w| w == word)?;
            self.figure(line.word(at + 1))
        };
        let named = line.named().find(|(k, _)| k.to_lowercase() == "dc").and_then(|(_, v)| self.figure(v));
        let plain = lower.get(3).and_then(|w| self.figure(w));
        let dc = behind("dc").or(named).or(plain).unwrap_or(0.0);
        let varies = ["ac", "sin", "sine", "pulse", "exp", "pwl", "sffm"];
        let tone =
            lower.iter().skip(3).any(|w| varies.iter().any(|v| w == v || w.starts_with(&format!("{v}="))));
        match () {
            () if tone => {
                let net = if plus == "0" { minus } else { plus };
                if self.drawing.tone.replace(net).is_some() {
                    let says = format!("{} is a second source of a tone; the last one counts", line.word(0));
                    self.note(line, says);
                }
            }
            () if dc == 0.0 => {
                let says = format!("{} is a source of 0 V: a link is put in its place", line.word(0));
                self.note(line, says);
                self.part(line, scope, "link", String::new(), &[line.word(1), line.word(2)]);
            }
            () => {
                let (plus, minus) = if dc > 0.0 { (plus, minus) } else { (minus, plus) };
                let supply = SupplyDrawn {
                    id: line.word(0).to_owned(),
                    span: line.span,
                    plus,
                    minus,
                    volts: Some(volts_text(dc.abs())),
                    source: None,
                    inner: None,
                };
                self.drawing.supplies.push(supply);
            }
        }
    }

    fn call(&mut self, line: &Line, scope: &Scope) {
        let words: Vec<&str> = line
            .words
            .iter()
            .map(String::as_str)
            .filter(|w| !w.contains('=') && w.to_lowercase() != "params:")
            .collect();
        let [_, nodes @ .., name] = words.as_slice() else {
            self.say(
                line,
                format!("'{}' calls nothing", line.word(0)),
                "write name, nodes and the chip, such as 'XU1 1 2 3 4 5 6 7 8 TL072'",
            );
            return;
        };
        let lower = name.to_lowercase();
        let is_pot = ["pot", "potentiometer", "trimmer"].contains(&lower.as_str()) && nodes.len() == 3;
        let found = self.subcircuits.get(&lower).cloned();
        let inside = found.as_ref().is_some_and(|s| s.lines.iter().all(is_a_part));
        let known = self.drawing.given.contains_key(&format!("part {}", line.word(0).to_lowercase()));
        if let Some(sub) = found.as_ref().filter(|_| inside && !known && !is_pot && !is_chip_number(name)) {
            return self.flatten(line, scope, sub, nodes);
        }
        // The names of the sub-circuit's own nodes say which pin is which, where there are names.
        let names: Vec<String> =
            found.map(|s| s.nodes).filter(|n| n.len() == nodes.len()).unwrap_or_default();
        let id = self.id(line, scope);
        let id = id
            .strip_prefix(['X', 'x'])
            .filter(|r| r.starts_with(char::is_alphabetic))
            .unwrap_or(&id)
            .to_owned();
        let pin = |(i, n): (usize, &&str)| DrawnPin {
            number: String::new(),
            function: names.get(i).cloned().unwrap_or_default(),
            net: Some(self.net(scope, n)).filter(|n| !is_open(n)),
        };
        let key = format!("part {}", line.word(0).to_lowercase());
        let given = self.drawing.given.get(&key).cloned();
        let mut more: Vec<String> = line.named().map(|(k, v)| format!("{}={v}", k.to_lowercase())).collect();
        more.extend(given.iter().flat_map(|g| g.split_whitespace().skip(1)).map(str::to_owned));
        let what = if is_pot {
            What::Kind(if lower == "trimmer" { "trimmer" } else { "pot" })
        } else {
            What::Kind("chip")
        };
        let pins: Vec<DrawnPin> = nodes.iter().enumerate().map(pin).collect();
        if let Some(source) = ["battery", "adaptor", "bench"].into_iter().find(|s| *s == lower)
            && let [plus, minus] = pins.as_slice()
            && let (Some(plus), Some(minus)) = (&plus.net, &minus.net)
        {
            let figure = |name: &str| {
                line.named().find(|(k, _)| k.to_lowercase() == name).and_then(|(_, v)| self.figure(v))
            };
            let (volts, inner) = (figure("volts"), figure("inner"));
            let supply = SupplyDrawn {
                id,
                span: line.span,
                plus: plus.clone(),
                minus: minus.clone(),
                volts: volts.map(volts_text),
                source: Some(source),
                inner,
            };
            self.drawing.supplies.push(supply);
            return;
        }
        let value = if is_pot {
            more.iter().find_map(|w| value_of_pot(w)).unwrap_or_default()
        } else {
            (*name).to_owned()
        };
        self.drawing.parts.push(DrawnPart { id, span: line.span, what, value, more, pins });
    }

    fn flatten(&mut self, line: &Line, scope: &Scope, sub: &Subcircuit, nodes: &[&str]) {
        self.calls += 1;
        if self.calls > MOST_CALLS {
            if self.calls == MOST_CALLS + 1 {
                self.say(line, "sub-circuits call sub-circuits too many times", "import one unit at a time");
            }
            return;
        }
        if scope.depth >= DEEPEST {
            self.say(line, "sub-circuits are nested too deeply", "call it from the main circuit");
            return;
        }
        if sub.nodes.len() != nodes.len() {
            let message = format!(
                "'{}' has {} nodes where its sub-circuit has {}",
                line.word(0),
                nodes.len(),
                sub.nodes.len()
            );
            self.say(line, message, format!("give the nodes of {}", sub.nodes.join(", ")));
            return;
        }
        let name = line.word(0);
        let suffix =
            if scope.suffix.is_empty() { name.to_owned() } else { format!("{name}-{}", scope.suffix) };
        let nets = sub
            .nodes
            .iter()
            .zip(nodes)
            .map(|(inner, outer)| (inner.clone(), self.net(scope, outer)))
            .collect();
        let inner = Scope { nets, suffix, depth: scope.depth + 1 };
        for element in &sub.lines {
            self.element(element, &inner);
        }
    }
}

/// Whether an element of a sub-circuit is a part and no piece of a model.
fn is_a_part(line: &Line) -> bool {
    line.word(0).starts_with(|c: char| "RCLDQJMXrcldqjmx".contains(c))
}

/// Whether a node's name says that nothing is there.
fn is_open(node: &str) -> bool {
    let lower = node.to_lowercase();
    lower == "nc" || ["nc_", "nc-"].iter().any(|p| lower.starts_with(p))
}

/// Whether a name has the look of a chip's number: letters with digits behind.
fn is_chip_number(name: &str) -> bool {
    let letters = name.chars().take_while(char::is_ascii_alphabetic).count();
    let digits = name[letters..].chars().take_while(char::is_ascii_digit).count();
    (1..=4).contains(&letters) && digits >= 3
}

fn value_of_pot(word: &str) -> Option<String> {
    let (key, value) = word.split_once('=')?;
    let value = number(value).filter(|_| ["r", "rtot", "value", "ohms"].contains(&key))?;
    Some(show::ohms_code(Ohms(value)))
}

/// `4k7` and `2u2` in the trade's sense: a letter between digits.
fn letter_code(text: &str, kind: &str) -> Option<f64> {
    use crate::units::notation;
    let at = text.find(|c: char| c.is_ascii_alphabetic())?;
    if at == 0
        || !text[at..].chars().nth(1)?.is_ascii_digit()
        || !text[at + 1..].chars().all(|c| c.is_ascii_digit())
    {
        return None;
    }
    if text[at..].starts_with(['e', 'E']) {
        return None;
    }
    match kind {
        "resistor" => notation::ohms_value(text).ok().map(|r| r.0),
        "capacitor" => notation::farads_value(text).ok().map(|c| c.0),
        _ => notation::henries(text).ok().map(|l| l.0),
    }
}

/// Volts as a board file has them.
fn volts_text(volts: f64) -> String {
    format!("{}V", format!("{volts:.6}").trim_end_matches('0').trim_end_matches('.'))
}
