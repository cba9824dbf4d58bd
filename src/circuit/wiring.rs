//! Is it built as drawn? What a builder ticks before the first power: net by net the pins that must beep together and the neighbours
//! that must not, the direction of each part that has one, each chip's notch. And what such ticks mean for the board's faults.

use super::board::{Board, Fault, Part, Pin};
use super::edit::Edit;
use super::page::{fold, markdown, sentence};
use crate::rules::parts::Library;
use crate::text::or_nearest;
use crate::units::{Minutes, show};
use serde::Serialize;
use std::collections::BTreeMap;
use std::fmt::Write;

/// Up to here a continuity tester beeps through a resistor, ohms (common practice, no source).
const BEEPS: f64 = 100.0;
/// Nets that are gone over in one go.
const GROUP: usize = 6;
/// Seconds for one pin or one neighbour with the probes in hand (common practice, no source).
const SECONDS: f64 = 4.0;

/// Chance that a pin whose joint is open, or whose leg sits elsewhere, is found not to beep (common practice, no source).
const MISSES: f64 = 0.97;
/// The same for one end of a part with two, of which either may be the one without contact, or which is open inside and beeps all
/// the same.
const EITHER_END: f64 = 0.45;
/// The same for a part in the wrong way round or with other legs: whoever goes by the hole hears it beep.
const OTHER_LEGS: f64 = 0.3;
/// Chance that a bridge is found to beep.
const TOUCHES: f64 = 0.97;

/// A net as it is gone over.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct NetTicks {
    /// What is noted: `wiring:NET`.
    pub check: String,
    /// The net.
    pub net: String,
    /// Rows or strips it is in, where the file says.
    pub rows: Vec<String>,
    /// Pins that must beep together.
    pub pins: Vec<String>,
    /// Nets beside it that must not beep with it, each with where they come near.
    pub apart: Vec<Apart>,
}

/// Two nets that come near each other.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Apart {
    /// The other net.
    pub net: String,
    /// Where: `IC1 pins 7 and 8`, `side by side`.
    pub at: String,
    /// What lies between that may make it beep all the same.
    pub beeps: Option<String>,
}

/// A few nets that are gone over in one go.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Group {
    /// Heading.
    pub title: String,
    /// Minutes that it takes.
    pub minutes: f64,
    /// The nets, in the order of building.
    pub nets: Vec<NetTicks>,
}

/// A part that goes in one way round only.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Way {
    /// Designator and number.
    pub part: String,
    /// How it stands.
    pub says: String,
}

/// What a builder ticks before the first power.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Wiring {
    /// The unit.
    pub board: String,
    /// How it is built.
    pub build: String,
    /// What to do first.
    pub first: String,
    /// Legs that the file's own rows put wrong.
    pub misplaced: Vec<String>,
    /// Parts that go in one way round only.
    pub ways: Vec<Way>,
    /// Nets in the order of building.
    pub groups: Vec<Group>,
    /// How to note what was found.
    pub then: String,
}

/// The page of a board.
pub fn wiring(board: &Board, library: &Library) -> Wiring {
    let near = nearby(board, library);
    let ticks = |net: &str| net_ticks(board, net, &near);
    let supply: Vec<&str> = supply_nets(board);
    let others: Vec<&str> = board.nets().iter().map(String::as_str).filter(|n| !supply.contains(n)).collect();
    let mut groups = vec![group("Ground and supply".to_owned(), supply.iter().map(|n| ticks(n)).collect())];
    for nets in others.chunks(GROUP) {
        let title = match nets {
            [one] => (*one).to_owned(),
            _ => format!("{} to {}", nets[0], nets[nets.len() - 1]),
        };
        groups.push(group(title, nets.iter().map(|n| ticks(n)).collect()));
    }
    groups.retain(|g| !g.nets.is_empty());
    let example = groups.last().and_then(|g| g.nets.last());
    let (net, pin) = example.map_or(("VH".to_owned(), "R1".to_owned()), |n| {
        (n.net.clone(), n.pins.first().cloned().unwrap_or_default())
    });
    Wiring {
        board: board.name().to_owned(),
        build: board.build().name().to_owned(),
        first: "Power off and unplugged, chips out of their sockets if they have any, controls half-way. Continuity range: one probe stays on the first pin of a net, the other goes round.".into(),
        misplaced: board.misplaced().into_iter().map(|m| m.says).collect(),
        ways: board.parts().iter().filter_map(|p| way(p, library)).collect(),
        groups,
        then: format!("Note a net that is as it should be with wiring:{net}=all, a pin that does not beep with 'wiring:{net}=no {pin}', a neighbour that does with 'wiring:{net}=touches NET'."),
    }
}

fn group(title: String, nets: Vec<NetTicks>) -> Group {
    let touches: usize = nets.iter().map(|n| n.pins.len().saturating_sub(1) + n.apart.len()).sum();
    let minutes = (touches as f64 * SECONDS / 60.0 * 10.0).round() / 10.0;
    Group { title, minutes: minutes.max(0.1), nets }
}

/// Ground, the supplies' ends and what their guards and series parts feed, in the order of the board's nets.
fn supply_nets(board: &Board) -> Vec<&str> {
    let ends = board.supplies().iter().flat_map(|s| [s.plus.as_str(), s.minus.as_str()]);
    let mut rails: Vec<&str> = ends.collect();
    let feeding = ["polarity-guard", "rail-series", "supply-filter", "regulator", "charge-pump"];
    for _ in 0..4 {
        for part in board.parts().iter().filter(|p| p.role.as_deref().is_some_and(|r| feeding.contains(&r))) {
            let nets: Vec<&str> = part.pins.iter().filter_map(|p| p.net.as_deref()).collect();
            let output =
                part.pins.iter().filter(|p| part.pins.len() == 2 || p.name == "out" || p.name == "5");
            if nets.iter().any(|n| rails.contains(n)) {
                rails.extend(output.filter_map(|p| p.net.as_deref()));
            }
        }
    }
    let all = std::iter::once(board.ground()).chain(board.nets().iter().map(String::as_str));
    all.filter(|n| *n == board.ground() || rails.contains(n)).collect()
}

type Nearby = BTreeMap<(String, String), String>;

/// Pairs of nets that come near each other, and where.
fn nearby(board: &Board, library: &Library) -> Nearby {
    let mut out = Nearby::new();
    let mut put = |a: &str, b: &str, at: String| {
        if a != b {
            let pair = if a <= b { (a.to_owned(), b.to_owned()) } else { (b.to_owned(), a.to_owned()) };
            out.entry(pair).or_insert(at);
        }
    };
    for [a, b] in board.neighbours() {
        put(a, b, "side by side".into());
    }
    for part in board.parts() {
        let Some(device) = part.device.as_deref().and_then(|d| library.device(d)) else { continue };
        let Some((package, order)) = device.packages.iter().next() else { continue };
        let half = if package.value.starts_with("DIP") { order.len() / 2 } else { order.len() };
        for (i, pair) in order.windows(2).enumerate().filter(|(i, _)| i + 1 != half) {
            let _ = i;
            let net = |pin: &str| part.pins.iter().find(|p| p.name == pin).and_then(|p| p.net.clone());
            if let (Some(a), Some(b)) = (net(&pair[0].value), net(&pair[1].value)) {
                put(&a, &b, format!("{} pins {} and {}", part.id, pair[0].value, pair[1].value));
            }
        }
    }
    let known = |f: &&Fault| f.mode == "bridge";
    for fault in board.faults().iter().filter(known) {
        if let Some((a, b)) = fault.part.split_once('~') {
            put(a, b, "rows side by side".into());
        }
    }
    out
}

fn net_ticks(board: &Board, net: &str, near: &Nearby) -> NetTicks {
    let apart = near.iter().filter_map(|((a, b), at)| {
        let other = match net {
            _ if a == net => b,
            _ if b == net => a,
            _ => return None,
        };
        Some(Apart { net: other.clone(), at: at.clone(), beeps: between(board, net, other) })
    });
    NetTicks {
        check: format!("wiring:{net}"),
        net: net.to_owned(),
        rows: board.rows_of(net).into_iter().map(str::to_owned).collect(),
        pins: board.pins_on(net),
        apart: apart.collect(),
    }
}

/// A part between two nets that a tester beeps through.
fn between(board: &Board, a: &str, b: &str) -> Option<String> {
    let joins = |part: &&Part| {
        let on = |net: &str| part.pins.iter().any(|p| p.net.as_deref() == Some(net));
        let low = match part.kind.as_str() {
            "resistor" => crate::units::notation::ohms_value(&part.label).is_ok_and(|r| r.0 < BEEPS),
            "link" | "fuse" | "inductor" | "toggle" | "footswitch" | "jack" => true,
            "pot" | "trimmer" => {
                crate::units::notation::ohms_value(&part.label).is_ok_and(|r| r.0 < 4.0 * BEEPS)
            }
            _ => false,
        };
        low && on(a) && on(b)
    };
    board.parts().iter().find(joins).map(|p| p.id.clone())
}

/// How a part stands that goes in one way round only.
fn way(part: &Part, library: &Library) -> Option<Way> {
    let net = |pin: &str| part.pins.iter().find(|p| p.name == pin).and_then(|p| p.net.clone());
    let named = match part.label.is_empty() || part.label.contains(' ') {
        true => part.id.clone(),
        false => format!("{} {}", part.id, part.label),
    };
    let says = match part.kind.as_str() {
        "electrolytic" => {
            format!("plus (the longer leg) on {}, minus (the stripe) on {}", net("plus")?, net("minus")?)
        }
        "tantalum" => format!("plus (marked) on {}, minus on {}", net("plus")?, net("minus")?),
        "diode" => format!("band on {}, other end on {}", net("cathode")?, net("anode")?),
        "led" => format!("flat side, short leg on {}; long leg on {}", net("cathode")?, net("anode")?),
        "coupler" => format!("lamp: anode on {}, cathode on {}", net("anode")?, net("cathode")?),
        _ => {
            let device = part.device.as_deref().and_then(|d| library.device(d))?;
            let (package, order) = device.packages.iter().next()?;
            let legs: Vec<String> = order
                .iter()
                .map(|leg| format!("{} {}", leg.value, net(&leg.value).unwrap_or_else(|| "open".into())))
                .collect();
            if package.value.starts_with("DIP") {
                let supply = device
                    .supply
                    .iter()
                    .filter_map(|p| Some(format!("pin {} on {}", p.value, net(&p.value)?)));
                let supply: Vec<String> = supply.collect();
                format!("notch at pins 1 and {}; {}", order.len(), supply.join(", "))
            } else {
                let view =
                    if package.value == "TO-220" { "print facing you" } else { "flat side facing you" };
                format!("{view}, legs down, left to right: {}", legs.join(", "))
            }
        }
    };
    Some(Way { part: named, says })
}

/// What was ticked on a net.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Ticked {
    /// Pins that do not beep with the rest, as (designator, pin).
    pub missing: Vec<(String, String)>,
    /// Nets that beep with it and should not.
    pub touching: Vec<String>,
}

impl Ticked {
    /// Reads what was noted of a net: `all`, `no C5+ R3`, `touches V9`, or both one behind the other.
    ///
    /// # Errors
    /// What is wrong, and what to write.
    pub fn parse(board: &Board, net: &str, answer: &str) -> Result<Self, (String, String)> {
        let lower = answer.trim().to_lowercase();
        if ["all", "ok", "yes"].contains(&lower.as_str()) {
            return Ok(Self::default());
        }
        let pins = board.pins_on(net);
        let how = || format!("write all, 'no PIN…' or 'touches NET…'; on {net} are {}", pins.join(", "));
        let mut out = Self::default();
        let mut into: Option<bool> = None;
        for word in answer.split([' ', ',', ';', '\t']).filter(|w| !w.is_empty()) {
            match word.to_lowercase().as_str() {
                "no" | "not" | "missing" => into = Some(true),
                "touches" | "bridged" | "also" => into = Some(false),
                "and" | "with" | "to" => {}
                _ => match into {
                    Some(true) => out.missing.push(pin_on(board, net, word)?),
                    Some(false) => out.touching.push(net_of(board, net, word)?),
                    None => {
                        return Err((format!("'{answer}' says nothing about the wiring of {net}"), how()));
                    }
                },
            }
        }
        match out == Self::default() {
            true => Err((format!("'{answer}' names no pin and no net"), how())),
            false => Ok(out),
        }
    }
}

fn pin_on(board: &Board, net: &str, word: &str) -> Result<(String, String), (String, String)> {
    let here = |pin: &Pin| pin.net.as_deref() == Some(net);
    let called = board
        .parts()
        .iter()
        .flat_map(|part| part.pins.iter().map(move |pin| (part, pin)))
        .find(|(part, pin)| here(pin) && part.called(pin).eq_ignore_ascii_case(word));
    let found = called.or_else(|| board.find_pin(word).filter(|(_, pin)| here(pin)));
    let found = found.or_else(|| {
        let part = board.parts().iter().find(|p| p.id.eq_ignore_ascii_case(word))?;
        let mut on = part.pins.iter().filter(|p| here(p));
        // A designator alone will do where only one of its pins is on the net.
        let pin = on.next()?;
        on.next().is_none().then_some((part, pin))
    });
    found.map(|(part, pin)| (part.id.clone(), pin.name.clone())).ok_or_else(|| {
        let pins = board.pins_on(net);
        let help = format!(
            "{}; on {net} are {}",
            or_nearest(word, pins.iter().map(String::as_str)),
            pins.join(", ")
        );
        (format!("'{word}' is no pin on {net}"), help)
    })
}

fn net_of(board: &Board, net: &str, word: &str) -> Result<String, (String, String)> {
    let all = || {
        std::iter::once(board.ground()).chain(board.nets().iter().map(String::as_str)).filter(|n| *n != net)
    };
    let by_pin = board.find_pin(word).and_then(|(_, pin)| pin.net.as_deref());
    let found = all()
        .find(|n| *n == word)
        .or(by_pin.filter(|n| *n != net))
        .or_else(|| all().find(|n| n.eq_ignore_ascii_case(word)));
    found
        .map(str::to_owned)
        .ok_or_else(|| (format!("there is no other net '{word}' on this board"), or_nearest(word, all())))
}

/// Chance that with a fault in, a pin is found not to beep with its net.
pub fn misses(board: &Board, fault: &Fault, part: &str, pin: &str) -> f64 {
    if fault.part != part {
        return 0.0;
    }
    let Some(found) = board.parts().iter().find(|p| p.id == part) else { return 0.0 };
    let Some(pin) = found.pins.iter().find(|p| p.name == pin) else { return 0.0 };
    if fault.id == format!("{part}.{}:joint", pin.name) {
        return MISSES;
    }
    let of_pin = |p: &Pin, edit: &Edit| match edit {
        Edit::Lift { terminals, .. } => terminals.iter().any(|t| p.terminals.contains(t)),
        _ => false,
    };
    let moved = fault.edits.iter().any(|e| match e {
        Edit::Rewire { moves } => moves.iter().any(|(t, _)| pin.terminals.contains(t)),
        _ => false,
    });
    let lifted = match found.pins.len() {
        2 => fault.edits.iter().any(|e| found.pins.iter().any(|p| of_pin(p, e))),
        _ => fault.edits.iter().any(|e| of_pin(pin, e)) && !fault.id.ends_with(":joint"),
    };
    match (lifted, moved) {
        (true, _) => EITHER_END,
        (_, true) => OTHER_LEGS,
        _ => 0.0,
    }
}

/// Chance that with a fault in, two nets are found to beep with each other.
pub fn touches(fault: &Fault, a: &str, b: &str) -> f64 {
    let pair = fault.part.split_once('~').filter(|_| fault.mode == "bridge");
    if pair.is_some_and(|p| p == (a, b) || p == (b, a)) { TOUCHES } else { 0.0 }
}

impl Wiring {
    /// As text of at most `width` columns, with boxes to tick.
    pub fn to_text(&self, width: usize) -> String {
        let mut out = format!("{}\n\n", self.board);
        out.push_str(&sentence(&format!("Is it built as drawn? ({})", self.build), width, "", 0));
        out.push_str(&sentence(&self.first, width, "", 0));
        if !self.misplaced.is_empty() {
            out.push_str("\nBy the rows in the file\n\n");
            self.misplaced.iter().for_each(|m| out.push_str(&sentence(m, width, "! ", 2)));
        }
        if !self.ways.is_empty() {
            out.push_str("\nWhich way round\n\n");
            for way in &self.ways {
                out.push_str(&sentence(&format!("{}: {}", way.part, way.says), width, "[ ] ", 4));
            }
        }
        for group in &self.groups {
            let _ = writeln!(out, "\n{} ({})\n", group.title, group.takes());
            group.nets.iter().for_each(|n| n.text(width, &mut out));
        }
        out.push('\n');
        out.push_str(&sentence(&self.then, width, "", 0));
        out
    }

    /// As Markdown.
    pub fn to_markdown(&self) -> String {
        let mut out =
            format!("# {}\n\nIs it built as drawn? ({})\n\n{}\n", self.board, self.build, self.first);
        if !self.misplaced.is_empty() {
            out.push_str("\n## By the rows in the file\n\n");
            self.misplaced.iter().for_each(|m| {
                let _ = writeln!(out, "- {m}");
            });
        }
        if !self.ways.is_empty() {
            out.push_str("\n## Which way round\n\n");
            self.ways.iter().for_each(|w| {
                let _ = writeln!(out, "- [ ] {}: {}", w.part, w.says);
            });
        }
        for group in &self.groups {
            let _ = writeln!(out, "\n## {} ({})\n", group.title, group.takes());
            out.push_str(&markdown(&group.nets.iter().map(NetTicks::row).collect::<Vec<_>>(), &COLUMNS));
        }
        let _ = writeln!(out, "\n{}", self.then);
        out
    }

    /// As a page for print.
    pub fn to_html(&self) -> String {
        use super::html::{escape, page, table};
        let mut body = format!("<p>{}</p>\n", escape(&self.first));
        if !self.misplaced.is_empty() {
            let items: String = self.misplaced.iter().map(|m| format!("<li>{}</li>\n", escape(m))).collect();
            let _ = write!(body, "<h2>By the rows in the file</h2>\n<ul>\n{items}</ul>\n");
        }
        if !self.ways.is_empty() {
            let rows: Vec<Vec<String>> =
                self.ways.iter().map(|w| vec!["\u{2610}".into(), w.part.clone(), w.says.clone()]).collect();
            let _ = write!(
                body,
                "<h2>Which way round</h2>\n{}",
                table("Which way round", &rows, &["tick", "part", "stands"], 1)
            );
        }
        for group in &self.groups {
            let rows: Vec<Vec<String>> = group.nets.iter().map(NetTicks::row).collect();
            let title = format!("{} ({})", group.title, group.takes());
            let _ = write!(body, "<h2>{}</h2>\n{}", escape(&title), table(&title, &rows, &COLUMNS, 1));
        }
        let _ = writeln!(body, "<p>{}</p>", escape(&self.then));
        page(&format!("{}: is it built as drawn?", self.board), &body)
    }
}

const COLUMNS: [&str; 4] = ["tick", "net", "must beep together", "must not beep with"];

impl Group {
    fn takes(&self) -> String {
        show::minutes(Minutes(self.minutes))
    }
}

impl Apart {
    fn words(&self) -> String {
        let beeps = self.beeps.as_ref().map_or(String::new(), |p| format!("; {p} lies between and may beep"));
        format!("{} ({}{beeps})", self.net, self.at)
    }
}

impl NetTicks {
    fn name(&self) -> String {
        match self.rows.is_empty() {
            true => self.net.clone(),
            false => format!("{} (row {})", self.net, self.rows.join(", ")),
        }
    }

    fn row(&self) -> Vec<String> {
        let apart: Vec<String> = self.apart.iter().map(Apart::words).collect();
        let apart = if apart.is_empty() { "\u{2013}".to_owned() } else { apart.join("; ") };
        vec!["\u{2610}".into(), self.name(), self.pins.join(", "), apart]
    }

    fn text(&self, width: usize, out: &mut String) {
        out.push_str(&fold(&self.pins, ", ", width, &format!("[ ] {}: ", self.name()), 8));
        if !self.apart.is_empty() {
            let apart: Vec<String> = self.apart.iter().map(Apart::words).collect();
            out.push_str(&sentence(&apart.join("; "), width, "    not with ", 8));
        }
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]
    use super::*;
    use crate::circuit::board::tests::own_boards;

    fn board(name: &str) -> Board {
        own_boards().into_iter().find(|(n, _)| n.starts_with(name)).unwrap().1
    }

    #[test]
    fn every_pin_and_every_neighbour_is_on_the_page_once() {
        let library = Library::builtin().unwrap();
        for (name, board) in own_boards() {
            let page = wiring(&board, &library);
            let nets: Vec<&NetTicks> = page.groups.iter().flat_map(|g| &g.nets).collect();
            assert_eq!(nets.len(), board.nets().len() + 1, "{name}");
            let pins: usize = nets.iter().map(|n| n.pins.len()).sum();
            let on_nets = board.parts().iter().flat_map(|p| &p.pins).filter(|p| p.net.is_some()).count();
            assert_eq!(pins, on_nets, "{name}");
            for bridge in board.faults().iter().filter(|f| f.mode == "bridge") {
                let (a, b) = bridge.part.split_once('~').unwrap();
                let has =
                    |x: &str, y: &str| nets.iter().any(|n| n.net == x && n.apart.iter().any(|p| p.net == y));
                assert!(has(a, b) && has(b, a), "{name} {}", bridge.id);
            }
            for width in [44, 80] {
                let text = page.to_text(width);
                let wide = |l: &&str| unicode_width::UnicodeWidthStr::width(*l) > width;
                assert!(!text.lines().any(|l| wide(&l)), "{name} at {width}:\n{text}");
            }
        }
    }

    #[test]
    fn ticks_are_read_and_refused() {
        let lantern = board("tin");
        let parse = |net: &str, answer: &str| Ticked::parse(&lantern, net, answer);
        assert_eq!(parse("VH", "all"), Ok(Ticked::default()));
        let missed = parse("VH", "no C5+ R4").unwrap();
        assert_eq!(missed.missing, [("C5".into(), "plus".into()), ("R4".into(), "2".into())]);
        let both = parse("VH", "no IC1.5, touches V9").unwrap();
        assert_eq!((both.missing.len(), both.touching.as_slice()), (1, &["V9".to_owned()][..]));
        for (answer, says) in [
            ("perhaps", "says nothing about the wiring"),
            ("no", "names no pin"),
            ("no C9", "'C9' is no pin on VH"),
            ("touches VZ", "no other net 'VZ'"),
            ("no C5-", "'C5-' is no pin on VH"),
        ] {
            let (told, help) = parse("VH", answer).unwrap_err();
            assert!(told.contains(says) && !help.is_empty(), "{answer}: {told}; {help}");
        }
    }

    #[test]
    fn what_a_fault_does_to_a_pin_follows_from_its_edits() {
        let lantern = board("tin");
        let chance =
            |fault: &str, part: &str, pin: &str| misses(&lantern, lantern.fault(fault).unwrap(), part, pin);
        assert_eq!(chance("IC1.5:joint", "IC1", "5"), MISSES);
        assert_eq!(chance("IC1.5:joint", "IC1", "3"), 0.0);
        assert_eq!((chance("R4:open", "R4", "1"), chance("R4:open", "R4", "2")), (EITHER_END, EITHER_END));
        assert_eq!(chance("R4:x10", "R4", "1"), 0.0);
        assert_eq!(chance("U1:turned", "U1", "in"), OTHER_LEGS);
        assert_eq!((chance("U1:turned", "U1", "gnd"), chance("R4:open", "R5", "1")), (0.0, 0.0));
        let bridge = lantern.faults().iter().find(|f| f.mode == "bridge").unwrap();
        let (a, b) = bridge.part.split_once('~').unwrap();
        assert_eq!(
            (touches(bridge, a, b), touches(bridge, b, a), touches(bridge, a, "DRY")),
            (TOUCHES, TOUCHES, 0.0)
        );
    }
}
