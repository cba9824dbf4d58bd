//! A board as a person looks for things on it: parts by net, nets by part, and the way of the signal drawn in text.

use super::board::{Board, Part};
use super::page::{fold, sentence};
use crate::rules::parts::Library;
use crate::units::show;
use serde::Serialize;
use std::fmt::Write;

/// A net and the pins on it.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct NetRow {
    /// Its name.
    pub net: String,
    /// What it is where that is known: `ground`, `supply main, plus`, `input`, `output`.
    pub is: Vec<String>,
    /// Pins on it, such as `IC1.3`, `R4`, `C3+`.
    pub pins: Vec<String>,
}

/// A part and its nets.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct PartRow {
    /// Designator.
    pub part: String,
    /// Value or number.
    pub value: String,
    /// Its kind, a noun phrase.
    pub kind: String,
    /// Pins with their nets; nothing for a pin left open.
    pub pins: Vec<(String, Option<String>)>,
    /// What it does here.
    pub role: Option<String>,
    /// What the role was seen by, where the file does not give it.
    pub role_why: Option<String>,
}

/// One net on the signal's way, and what leads on from it.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Step {
    /// The net.
    pub net: String,
    /// Parts that hang on it beside the way, each a phrase.
    pub beside: Vec<String>,
    /// Parts that lead to the next net, each a phrase; none at the end.
    pub on: Vec<String>,
}

/// A board looked over.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Overview {
    /// The unit.
    pub board: String,
    /// What it does.
    pub says: String,
    /// How it is built.
    pub build: String,
    /// Supplies, each a phrase.
    pub supplies: Vec<String>,
    /// The way of the signal; empty where there is none.
    pub path: Vec<Step>,
    /// Every net, ground first.
    pub nets: Vec<NetRow>,
    /// Every part in the order of the file.
    pub parts: Vec<PartRow>,
}

/// Looks a board over. `path` are the nets along the signal's way.
pub fn overview(board: &Board, library: &Library, path: &[String]) -> Overview {
    let supplies = board
        .supplies()
        .iter()
        .map(|s| format!("supply {}: {} from {} to {}", s.name, show::volts(s.volts), s.plus, s.minus));
    let all = std::iter::once(board.ground()).chain(board.nets().iter().map(String::as_str));
    Overview {
        board: board.name().to_owned(),
        says: board.says().to_owned(),
        build: board.build().name().to_owned(),
        supplies: supplies.collect(),
        path: steps(board, library, path),
        nets: all.map(|net| net_row(board, net)).collect(),
        parts: board
            .parts()
            .iter()
            .filter(|p| !board.supplies().iter().any(|s| s.name == p.id))
            .map(|p| part_row(p, library))
            .collect(),
    }
}

fn net_row(board: &Board, net: &str) -> NetRow {
    let mut is = Vec::new();
    if net == board.ground() {
        is.push("ground".to_owned());
    }
    for s in board.supplies() {
        for (end, name) in [(&s.plus, "plus"), (&s.minus, "minus")] {
            if end == net && net != board.ground() {
                is.push(format!("supply {}, {name}", s.name));
            }
        }
    }
    if let Some(signal) = board.signal() {
        is.extend((signal.input == net).then(|| "input".to_owned()));
        is.extend((signal.output == net).then(|| "output".to_owned()));
    }
    NetRow { net: net.to_owned(), is, pins: board.pins_on(net) }
}

fn part_row(part: &Part, library: &Library) -> PartRow {
    let kind = library.kind(&part.kind).map_or(part.kind.as_str(), |k| k.says.as_str());
    let says = part.device.as_deref().and_then(|d| library.device(d)).map_or(kind, |d| d.says.as_str());
    PartRow {
        part: part.id.clone(),
        value: part.label.clone(),
        kind: without_article(says).to_owned(),
        pins: part.pins.iter().map(|p| (p.name.clone(), p.net.clone())).collect(),
        role: part.role.clone(),
        role_why: part.role_why.clone(),
    }
}

fn without_article(says: &str) -> &str {
    says.strip_prefix("a ").or_else(|| says.strip_prefix("an ")).unwrap_or(says)
}

/// What the part is called in a phrase: `R3 68k`, `Q1 2N5088`.
fn named(part: &Part) -> String {
    if part.label.is_empty() || part.label.contains(' ') {
        part.id.clone()
    } else {
        format!("{} {}", part.id, part.label)
    }
}

fn role(part: &Part) -> String {
    part.role.as_ref().map_or(String::new(), |r| format!(", {}", r.replace('-', " ")))
}

fn steps(board: &Board, library: &Library, path: &[String]) -> Vec<Step> {
    let on = |part: &Part, net: &str| part.pins.iter().any(|p| p.net.as_deref() == Some(net));
    let leads = |a: &str, b: &str| -> Vec<&Part> {
        let joins = |p: &&Part| on(p, a) && on(p, b) && !is_supply(board, p) && one_section(p, library, a, b);
        board.parts().iter().filter(joins).collect()
    };
    let mut along: Vec<&str> = Vec::new();
    for pair in path.windows(2) {
        along.extend(leads(&pair[0], &pair[1]).iter().map(|p| p.id.as_str()));
    }
    let mut out = Vec::new();
    for (i, net) in path.iter().enumerate() {
        let next = path.get(i + 1);
        let forward = next.map(|n| leads(net, n)).unwrap_or_default();
        let beside = board
            .parts()
            .iter()
            .filter(|p| on(p, net) && !along.contains(&p.id.as_str()) && !is_supply(board, p))
            .map(|p| hanging(p, net));
        out.push(Step {
            net: net.clone(),
            beside: beside.collect(),
            on: forward.iter().map(|p| leading(p, net, next.map_or("", String::as_str))).collect(),
        });
    }
    out
}

/// Whether pins on two nets belong together inside a part: of a chip with several sections only those of one do.
fn one_section(part: &Part, library: &Library, a: &str, b: &str) -> bool {
    let Some(device) = part.device.as_deref().and_then(|d| library.device(d)) else { return true };
    let sections: Vec<&crate::rules::parts::Element> = device
        .elements
        .iter()
        .map(|(_, e)| e)
        .filter(|e| e.kind.value == "amplifier" || e.kind.value == "inverter")
        .collect();
    let on = |pin: &str, net: &str| part.pins.iter().any(|p| p.name == pin && p.net.as_deref() == Some(net));
    let has = |e: &crate::rules::parts::Element, net: &str| e.nodes.iter().take(3).any(|n| on(&n.value, net));
    sections.len() < 2 || device.delay.is_some() || sections.iter().any(|e| has(e, a) && has(e, b))
}

fn is_supply(board: &Board, part: &Part) -> bool {
    board.supplies().iter().any(|s| s.name == part.id)
}

/// `R2 390k to V9, base bias`.
fn hanging(part: &Part, net: &str) -> String {
    let others: Vec<&str> = match part.pins.len() {
        2 => part.pins.iter().filter_map(|p| p.net.as_deref()).filter(|n| *n != net).collect(),
        _ => Vec::new(),
    };
    if let [other] = others[..] {
        return format!("{} to {other}{}", named(part), role(part));
    }
    let pins: Vec<&str> =
        part.pins.iter().filter(|p| p.net.as_deref() == Some(net)).map(|p| p.name.as_str()).collect();
    format!(
        "{}, {} {}{}",
        named(part),
        if pins.len() == 1 { "pin" } else { "pins" },
        pins.join(" and "),
        role(part)
    )
}

/// `C1 47n, input coupling`; `Q1 2N5088, b to c, gain transistor`.
fn leading(part: &Part, from: &str, to: &str) -> String {
    if part.pins.len() == 2 {
        return format!("{}{}", named(part), role(part));
    }
    let pin =
        |net: &str| part.pins.iter().find(|p| p.net.as_deref() == Some(net)).map_or("", |p| p.name.as_str());
    format!("{}, {} to {}{}", named(part), pin(from), pin(to), role(part))
}

impl Overview {
    /// Only one net or part, with what hangs on it; `None` where there is neither of that name.
    pub fn only(&self, net: Option<&str>, part: Option<&str>) -> Option<Self> {
        let mut out = self.clone();
        if net.is_some() || part.is_some() {
            out.path.clear();
        }
        if let Some(net) = net {
            out.nets.retain(|n| n.net == net);
            let pins = out.nets.first()?.pins.clone();
            let on = |p: &PartRow| p.pins.iter().any(|(_, n)| n.as_deref() == Some(net)) && !pins.is_empty();
            out.parts.retain(on);
        }
        if let Some(part) = part {
            out.parts.retain(|p| p.part == part);
            let nets: Vec<&str> = out.parts.first()?.pins.iter().filter_map(|(_, n)| n.as_deref()).collect();
            out.nets.retain(|n| nets.contains(&n.net.as_str()));
        }
        Some(out)
    }

    /// As text of at most `width` columns.
    pub fn to_text(&self, width: usize) -> String {
        let mut out = format!("{}\n", self.board);
        if !self.says.is_empty() {
            out.push_str(&sentence(&self.says, width, "", 0));
        }
        let _ = writeln!(out);
        let _ = writeln!(out, "- built on {}", self.build);
        for line in &self.supplies {
            out.push_str(&sentence(line, width, "- ", 2));
        }
        if !self.path.is_empty() {
            out.push_str("\nThe way of the signal\n\n");
            self.path_text(width, &mut out);
        }
        out.push_str("\nParts by net\n\n");
        let wide = self.nets.iter().map(|n| n.net.len()).max().unwrap_or(0).min(16);
        for row in &self.nets {
            let is = if row.is.is_empty() { String::new() } else { format!("({}) ", row.is.join("; ")) };
            let first = format!("{:<wide$}  {is}", row.net);
            out.push_str(&fold(&row.pins, ", ", width, &first, wide + 2));
        }
        out.push_str("\nNets by part\n\n");
        let wide = self.parts.iter().map(|p| p.part.len()).max().unwrap_or(0);
        for row in &self.parts {
            self.part_text(row, wide, width, &mut out);
        }
        out
    }

    fn path_text(&self, width: usize, out: &mut String) {
        for (i, step) in self.path.iter().enumerate() {
            let ends = [(0, "in"), (self.path.len() - 1, "out")];
            let end = ends.iter().find(|(k, _)| *k == i).map_or(String::new(), |(_, w)| format!("  <- {w}"));
            let _ = writeln!(out, "{}{end}", step.net);
            for beside in &step.beside {
                out.push_str(&sentence(beside, width, " |   . ", 7));
            }
            for on in &step.on {
                out.push_str(&sentence(on, width, " +-- ", 7));
            }
        }
    }

    fn part_text(&self, row: &PartRow, wide: usize, width: usize, out: &mut String) {
        let value = if row.value.is_empty() || without_article(&row.value) == row.kind {
            String::new()
        } else {
            format!("{}, ", row.value)
        };
        let mut pieces = vec![format!("{value}{}", row.kind)];
        let plain = row.pins.iter().map(|(p, _)| p.as_str()).eq(["1", "2"]);
        let pins = row.pins.iter().map(|(p, n)| match n {
            Some(net) if plain => net.clone(),
            Some(net) => format!("{p} {net}"),
            None => format!("{p} open"),
        });
        let pins: Vec<String> = pins.collect();
        pieces[0].push(':');
        pieces.extend(pins);
        let text = format!("{} {}", pieces[0], pieces[1..].join(", "));
        let role = match (&row.role, &row.role_why) {
            (Some(role), Some(why)) => format!(" [{}: {why}]", role.replace('-', " ")),
            (Some(role), None) => format!(" [{}]", role.replace('-', " ")),
            _ => String::new(),
        };
        out.push_str(&sentence(&format!("{text}{role}"), width, &format!("{:<wide$}  ", row.part), wide + 2));
    }
}
