//! Readings of a list at their places: nets of the job's board, checks of the rules, spots of a unit without a board.

use super::{Became, Entry, List, Where, lex};
use crate::circuit::board::{Board, Spot};
use crate::circuit::predict::{CheckId, Observed};
use crate::job::session::{impossible_on_board, slip_on_board};
use crate::job::{CardFinding, Circuit, meaning};
use crate::rules::Rules;
use crate::text::At;
use crate::units::{Unit, reading, show};
use std::collections::BTreeMap;

/// One reading of a list as a finding.
#[derive(Clone, Debug, PartialEq)]
pub struct Taken {
    /// Check id: what is noted, with the pin as its place where one was named.
    pub check: String,
    /// The answer.
    pub answer: String,
    /// Where it was read, in words: `IC1.3 (non-inverting input a), net VH`.
    pub at: String,
    /// What it was taken for: `4.40 V`.
    pub value: String,
    /// The net, where there is a board.
    pub net: Option<String>,
    /// What a person should see about it; nothing as a rule.
    pub note: Option<String>,
}

/// A line of a list with what it became.
#[derive(Clone, Debug, PartialEq)]
pub struct TakenLine {
    /// Its number, from 1.
    pub number: usize,
    /// As written.
    pub text: String,
    /// A heading, in words; nothing for others.
    pub heading: Option<String>,
    /// Its readings.
    pub taken: Vec<Taken>,
    /// Why it (or one of its readings) could not be read.
    pub refused: Vec<String>,
}

/// Finds the place of each reading of a list.
pub fn place(list: &List, rules: &Rules, circuit: Option<&Circuit<'_>>) -> Vec<TakenLine> {
    let mut out: Vec<TakenLine> = Vec::new();
    for (i, line) in list.lines.iter().enumerate() {
        let mut taken = TakenLine {
            number: line.number,
            text: line.text.clone(),
            heading: None,
            taken: Vec::new(),
            refused: Vec::new(),
        };
        match &line.became {
            Became::Nothing | Became::Remark => {}
            Became::Heading(what) => taken.heading = Some(what.clone()),
            Became::Refused(why) => taken.refused.push(why.clone()),
            Became::Read(entries) => {
                for entry in entries {
                    let net = circuit.and_then(|c| net_of_its_own(c.board(), &list.lines[..=i], entry));
                    let chip = entry.part().and_then(|p| chip_called(rules, p, list.texts(i)));
                    match one(net.as_ref().unwrap_or(entry), chip, rules, circuit) {
                        Ok(reading) => taken.taken.push(reading),
                        Err(why) => taken.refused.push(why),
                    }
                }
            }
        }
        out.push(taken);
    }
    twice(&mut out);
    apart(&mut out);
    out
}

/// The reading at a net of that name, where a line that names no part would have it at a pin of a part further up, which was no
/// heading: `OUT 4.4` below `IC1 7 4.5`. `lines` end with the line of the reading.
fn net_of_its_own(board: &Board, lines: &[super::Line], entry: &Entry) -> Option<Entry> {
    let Where::Pin { part, pin } = &entry.at else { return None };
    let (here, above) = lines.split_last()?;
    // `VB` is the base's volts where there is a base; a chip has none, and the net of that name is meant.
    if board.part_named(part).is_some() && board.spot(&format!("{part}.{pin}")).is_err() {
        let meant = |net: &&String| {
            let as_volts =
                |w: &str| !w.eq_ignore_ascii_case(pin) && lex::pin_named(w).eq_ignore_ascii_case(pin);
            words(&here.text).any(|w| net.eq_ignore_ascii_case(w) && as_volts(w))
        };
        if let Some(net) = board.nets().iter().find(meant) {
            return Some(Entry { at: Where::Named(net.clone()), ..entry.clone() });
        }
    }
    let (part, names) = (part.to_lowercase(), |l: &super::Line, p: &str| l.text.to_lowercase().contains(p));
    // The legs of a transistor have one letter.
    if names(here, &part) || pin.len() < 2 || pin.parse::<u32>().is_ok() {
        return None;
    }
    let named = above.iter().rev().find(|l| names(l, &part))?;
    if matches!(named.became, Became::Heading(_)) {
        return None;
    }
    let net = board.nets().iter().find(|n| n.eq_ignore_ascii_case(pin))?;
    Some(Entry { at: Where::Named(net.clone()), ..entry.clone() })
}

/// Refuses a place that is in the list twice with different readings; the same again is left out.
fn twice(lines: &mut [TakenLine]) {
    let mut seen: BTreeMap<String, (String, usize)> = BTreeMap::new();
    for line in lines {
        let number = line.number;
        let mut refused = Vec::new();
        line.taken.retain(|t| match seen.get(&t.check) {
            None => {
                seen.insert(t.check.clone(), (t.value.clone(), number));
                true
            }
            Some((value, _)) if *value == t.value => false,
            Some((value, at)) => {
                refused.push(format!(
                    "{} is in the list twice, {value} on line {at} and {} here; leave the one that holds",
                    t.check, t.value
                ));
                false
            }
        });
        line.refused.extend(refused);
    }
}

/// Marks readings of one net that lie apart: a joint between the two pins is open, or one of them is a slip.
fn apart(lines: &mut [TakenLine]) {
    let mut first: BTreeMap<(String, String), (String, f64)> = BTreeMap::new();
    for taken in lines.iter_mut().flat_map(|l| &mut l.taken) {
        let (Some(net), Some((word, place))) = (&taken.net, taken.check.split_once(':')) else { continue };
        if word != "volts" {
            continue;
        }
        let Ok(read) = reading::parse(&taken.answer, Some(Unit::Volts)) else { continue };
        let value = read.middle();
        let key = (word.to_owned(), net.clone());
        match first.get(&key) {
            None => {
                first.insert(key, (place.to_owned(), value));
            }
            Some((other, volts)) if (volts - value).abs() > 0.1 + 0.03 * volts.abs().max(value.abs()) => {
                taken.note = Some(format!(
                    "{other} on the same net read {}: look at the joint and the track between the two",
                    show::value(*volts, Unit::Volts)
                ));
            }
            Some(_) => {}
        }
    }
}

fn words(text: &str) -> impl Iterator<Item = &str> {
    text.split(|c: char| c.is_whitespace() || ",;:=()[]".contains(c)).filter(|w| !w.is_empty())
}

/// The device of a spot of the unit that a part is called beside its designator: `IC2 (PT2399)`, `PT2399 IC2`. What was written last
/// counts; of two parts called alike the first is the one that the rules speak of.
fn chip_called<'r, 't>(
    rules: &'r Rules,
    part: &str,
    texts: impl Iterator<Item = &'t str>,
) -> Option<&'r str> {
    let devices: Vec<&str> = rules.resting_spots().iter().filter_map(|s| s.device.as_deref()).collect();
    let device = |word: &str| devices.iter().copied().find(|d| d.eq_ignore_ascii_case(word));
    let called: Vec<(&str, &str)> = texts
        .flat_map(str::lines)
        .flat_map(|line| {
            let words: Vec<&str> = words(line).collect();
            let pair = |pair: &[&'t str]| match pair {
                [a, b] if lex::is_part(a) => device(b).map(|d| (*a, d)),
                [a, b] if lex::is_part(b) => device(a).map(|d| (*b, d)),
                _ => None,
            };
            words.windows(2).filter_map(pair).collect::<Vec<_>>()
        })
        .collect();
    let (_, device) = called.iter().rev().find(|(p, _)| p.eq_ignore_ascii_case(part))?;
    let (first, _) = called.iter().find(|(_, d)| d == device)?;
    first.eq_ignore_ascii_case(part).then_some(*device)
}

fn word_of(unit: Unit) -> &'static str {
    match unit {
        Unit::Ohms => "ohms",
        Unit::Amps => "amps",
        Unit::Decibels => "level",
        Unit::Hertz => "hertz",
        _ => "volts",
    }
}

fn one(
    entry: &Entry,
    chip: Option<&str>,
    rules: &Rules,
    circuit: Option<&Circuit<'_>>,
) -> Result<Taken, String> {
    if let Where::Named(name) = &entry.at {
        let id = name.replace(' ', "-");
        if circuit.is_none_or(|c| c.board().spot(name).is_err()) && rules.find_check(&id).is_ok() {
            return found(&id, &entry.answer, rules, circuit, id.clone(), None, None);
        }
    }
    let unit = entry.quantity.unwrap_or(Unit::Volts);
    match circuit {
        Some(circuit) => on_board(entry, unit, rules, circuit),
        None => without_board(entry, chip, unit, rules),
    }
}

/// A finding proven: its answer means something.
fn found(
    check: &str,
    answer: &str,
    rules: &Rules,
    circuit: Option<&Circuit<'_>>,
    at: String,
    net: Option<String>,
    note: Option<String>,
) -> Result<Taken, String> {
    let of = |text: &str| At { value: text.to_owned(), span: Default::default() };
    let finding = CardFinding {
        at: None,
        check: of(check),
        answer: of(answer),
        minutes: None,
        remark: None,
        struck: None,
    };
    meaning(rules, circuit, &finding)
        .map_err(|s| if s.help.is_empty() { s.message } else { format!("{}; {}", s.message, s.help) })?;
    if let Some(doubt) = circuit.and_then(|c| impossible_on_board(c, check, answer)) {
        return Err(format!("{at}: {}", doubt.says));
    }
    let slip = circuit.and_then(|c| slip_on_board(c, check, answer));
    let slip = slip.map(|(_, meant, unit)| {
        format!("{} would be healthy: is the prefix right?", show::value(meant, unit))
    });
    let note = note.or(slip);
    Ok(Taken { check: check.into(), answer: answer.into(), at, value: value(check, answer), net, note })
}

/// An answer in the way that readings are shown.
fn value(check: &str, answer: &str) -> String {
    match check.parse::<CheckId>().map(|id| (Observed::parse(&id, answer), id)) {
        Ok((Ok(Observed::Read(read)), id)) => id.shows(&read),
        _ => answer.to_owned(),
    }
}

fn on_board(entry: &Entry, unit: Unit, rules: &Rules, circuit: &Circuit<'_>) -> Result<Taken, String> {
    let board = circuit.board();
    let word = word_of(unit);
    if unit == Unit::Amps {
        let name = match &entry.at {
            Where::Named(name) => supply_named(board, name),
            _ => None,
        };
        let Some(name) = name else {
            let names: Vec<&str> = board.supplies().iter().map(|s| s.name.as_str()).collect();
            return Err(format!(
                "a current is read in the supply's lead; write amps:{}=23mA",
                names.join(" or amps:")
            ));
        };
        let at = format!("current from supply {name}");
        return found(&format!("amps:{name}"), &entry.answer, rules, Some(circuit), at, None, None);
    }
    let place = match &entry.at {
        Where::Pin { part, pin } => pin_text(board, part, pin),
        Where::Counted { part, pin, of } => counted(board, part, *pin, *of)?,
        Where::Named(name) => name.clone(),
    };
    let spot = match (board.spot(&place), &entry.at) {
        (Ok(spot), _) => spot,
        (Err(e), Where::Named(name)) => match rail_named(board, name) {
            Some(net) => Spot::Net(net),
            None => return Err(e.to_string()),
        },
        (Err(e), _) => return Err(e.to_string()),
    };
    let (at, place) = match spot.pin() {
        Some((part, pin)) => {
            let says = if pin.says.is_empty() || pin.says == pin.name {
                String::new()
            } else {
                format!(" ({})", pin.says)
            };
            let net = spot.net().map_or_else(|| "on ground".to_owned(), |n| format!("net {n}"));
            let net = if matches!(spot, Spot::Free(..)) { "not connected".to_owned() } else { net };
            (format!("{}.{}{says}, {net}", part.id, pin.name), format!("{}.{}", part.id, pin.name))
        }
        None => match spot.net() {
            Some(net) => (format!("net {net}"), net.to_owned()),
            None => ("ground".to_owned(), board.ground().to_owned()),
        },
    };
    let note = kept_note(&spot, &place, unit, &entry.answer);
    let net = spot.net().map(str::to_owned);
    found(&format!("{word}:{place}"), &entry.answer, rules, Some(circuit), at, net, note)
}

/// What to say of a reading that weighs nothing.
fn kept_note(spot: &Spot<'_>, place: &str, unit: Unit, answer: &str) -> Option<String> {
    let volts = reading::parse(answer, Some(Unit::Volts)).ok().map(|r| r.middle());
    match spot {
        Spot::Ground(_) if unit == Unit::Volts && volts.is_some_and(|v| v.abs() > 0.05) => Some(format!(
            "{place} is on ground and should read 0 V: look at its joint and its ground wire. Kept; it weighs nothing"
        )),
        Spot::Ground(_) => Some("on ground; kept, it weighs nothing".into()),
        Spot::Free(..) => Some("connected to nothing on the board; kept, it weighs nothing".into()),
        _ => None,
    }
}

/// A part and its pin in one word; `IC1A` with `out` is `IC1` with `outa`.
fn pin_text(board: &Board, part: &str, pin: &str) -> String {
    let whole = format!("{part}.{pin}");
    if board.part_named(part).is_some() {
        return whole;
    }
    let last = part.char_indices().next_back().map_or(0, |(at, _)| at);
    let (stem, section) = part.split_at(last);
    match board.part_named(stem) {
        Some(found) if section.chars().all(|c| c.is_ascii_alphabetic()) => {
            let section = section.to_lowercase();
            let own = format!("{}.{pin}{section}", found.id);
            if board.spot(&own).is_ok() { own } else { format!("{}.{pin}", found.id) }
        }
        _ => whole,
    }
}

fn counted(board: &Board, part: &str, pin: usize, of: usize) -> Result<String, String> {
    let Some(found) = board.part_named(part) else {
        return Ok(format!("{part}.{pin}"));
    };
    let numbered = found.pins.iter().filter(|p| p.name.parse::<u32>().is_ok()).count();
    if numbered == 0 {
        let names: Vec<&str> = found.pins.iter().map(|p| p.name.as_str()).collect();
        return Err(format!(
            "which leg of {} is which? Write {} each before its reading",
            found.id,
            names.join(", ")
        ));
    }
    if numbered != of {
        return Err(format!(
            "{} has {numbered} pins and this line {of} readings without one; write each pin in front of its reading",
            found.id
        ));
    }
    Ok(format!("{}.{pin}", found.id))
}

/// The supply that a word means.
fn supply_named<'b>(board: &'b Board, name: &str) -> Option<&'b str> {
    let lower = name.to_lowercase();
    let of = |s: &&crate::circuit::board::SupplyLine| s.name.eq_ignore_ascii_case(&lower);
    if let Some(supply) = board.supplies().iter().find(of) {
        return Some(&supply.name);
    }
    let general = [
        "supply",
        "current",
        "battery",
        "adaptor",
        "adapter",
        "total",
        "whole",
        "unit",
        "current draw",
        "draw",
    ];
    match board.supplies() {
        [one] if general.contains(&lower.as_str()) => Some(&one.name),
        _ => None,
    }
}

/// The net that a rail's usual names mean: `battery`, `+9V`, `VCC` is where the one supply comes in, where no net has the name.
fn rail_named<'b>(board: &'b Board, name: &str) -> Option<&'b str> {
    let lower = name.to_lowercase().replace(' ', "");
    let [supply] = board.supplies() else { return None };
    let volts = format!("{}v", supply.volts.0);
    let general = ["battery", "supply", "adaptor", "adapter", "vcc", "vdd", "v+", "power"];
    let same = general.contains(&lower.as_str()) || lower.trim_start_matches('+') == volts;
    (same && supply.minus == board.ground()).then_some(supply.plus.as_str())
}

/// How many pins chips have.
const CHIP_PINS: [usize; 9] = [8, 14, 16, 18, 20, 22, 24, 28, 40];

fn without_board(entry: &Entry, chip: Option<&str>, unit: Unit, rules: &Rules) -> Result<Taken, String> {
    // A chip is looked up by its number, where that is known.
    let pin_of = |part: &str, pin: &str| {
        let part = part.to_uppercase();
        let leg = if pin.parse::<u32>().is_ok() { format!("pin {pin}") } else { pin.to_owned() };
        match chip {
            Some(chip) => (format!("{chip}.{pin}"), format!("{part} ({chip}), {part} {leg}")),
            None => (format!("{part}.{pin}"), format!("{part}, {leg}")),
        }
    };
    let (place, at) = match &entry.at {
        Where::Pin { part, pin } => pin_of(part, &pin.to_lowercase()),
        Where::Counted { part, of, .. } if !CHIP_PINS.contains(of) => {
            return Err(format!(
                "{part}: {of} readings without their pins; write each pin in front of its reading"
            ));
        }
        Where::Counted { part, pin, .. } => pin_of(part, &pin.to_string()),
        Where::Named(name) => {
            if lex::is_part(name) {
                return Err(format!(
                    "'{name}' has several pins; write which one, such as {name}.1 or {name} C"
                ));
            }
            (name.replace(' ', "-"), name.clone())
        }
    };
    if CheckId::is_place(&place) {
        found(&format!("{}:{place}", word_of(unit)), &entry.answer, rules, None, at, None, None)
    } else {
        Err(format!("'{place}' is no name of a place; use letters, figures, +, - and _, 24 at most"))
    }
}
