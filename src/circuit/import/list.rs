//! Plain lists of parts: a line a part, `R1 1M IN GND`, and a few lines that say what the unit is.
//!
//! Designator first; value or part number and nets follow, pins in the card's order or by name (`c=C b=B e=E`). Words such as `film`,
//! `log` or `70%` may stand anywhere behind. `board`, `says`, `build`, `ground`, `supply`, `in`, `out`, `tone` and `neighbours` begin
//! lines about the unit. `#` begins a remark.

use super::drawing::{Drawing, DrawnPart, DrawnPin, SupplyDrawn, What};
use crate::rules::parts::Library;
use crate::text::{Complaint, Complaints, Place, Source, Span};
use crate::units::notation;
use std::collections::BTreeSet;

/// What one line says.
#[derive(Clone, Debug, PartialEq)]
pub enum Listed {
    /// Nothing: blank, or a remark.
    Nothing,
    /// A part.
    Part(DrawnPart),
    /// A supply.
    Supply(SupplyDrawn),
    /// Something about the unit: which word, and what follows it.
    Given(String, String),
    /// Two nets side by side.
    Neighbours([String; 2]),
}

/// Words that begin a line about the unit, and what they are kept as.
const HEADS: [(&str, &str); 12] = [
    ("board", "name"),
    ("name", "name"),
    ("unit", "name"),
    ("says", "says"),
    ("build", "build"),
    ("ground", "ground"),
    ("in", "in"),
    ("input", "in"),
    ("out", "out"),
    ("output", "out"),
    ("tone", "tone"),
    ("neighbours", "neighbours"),
];

/// Reads a list.
///
/// # Errors
/// Every line that is none, with what to write.
pub fn read_list(source: &Source, library: &Library) -> Result<Drawing, Complaints> {
    let mut drawing = Drawing::empty(source);
    let mut complaints = Complaints::default();
    let mut at = 0;
    for raw in source.text.split_inclusive('\n') {
        let start = at;
        at += raw.len();
        let line = raw.trim_end();
        let span = Span { start: start + (line.len() - line.trim_start().len()), end: start + line.len() };
        match read_line(line, library) {
            Ok(Listed::Nothing) => {}
            Ok(Listed::Part(part)) => drawing.parts.push(DrawnPart { span, ..part }),
            Ok(Listed::Supply(supply)) => drawing.supplies.push(SupplyDrawn { span, ..supply }),
            Ok(Listed::Given(key, value)) => drop(drawing.given.insert(key, value)),
            Ok(Listed::Neighbours(pair)) => drawing.neighbours.push(pair),
            Err((message, help)) => {
                let place = Place { file: drawing.file.clone(), span };
                complaints.0.push(Complaint::at("bad-line", place, message).help(help));
            }
        }
    }
    let mut seen: BTreeSet<&str> = BTreeSet::new();
    for part in &drawing.parts {
        if !seen.insert(&part.id) {
            let place = Place { file: drawing.file.clone(), span: part.span };
            let message = format!("'{}' is here a second time", part.id);
            complaints
                .0
                .push(Complaint::at("duplicate-name", place, message).help("give it another designator"));
        }
    }
    if drawing.parts.is_empty() && complaints.0.is_empty() {
        let place = Place { file: drawing.file.clone(), span: Span::default() };
        let complaint = Complaint::at("bad-line", place, "there is no part in this list");
        complaints.0.push(complaint.help("write a line a part, such as 'R1 1M IN GND'"));
    }
    complaints.or_ok(drawing)
}

/// Reads one line; the words of a part's line may be too few, which fitting it says.
///
/// # Errors
/// What is wrong, and what to write.
pub fn read_line(line: &str, library: &Library) -> Result<Listed, (String, String)> {
    let line = line.trim_start_matches('\u{feff}');
    let cut =
        line.find('#').into_iter().chain(line.find(';')).chain(line.find("//")).min().unwrap_or(line.len());
    let line = line[..cut].trim();
    let words = words(line);
    let Some(first) = words.first() else { return Ok(Listed::Nothing) };
    let id = first.trim_end_matches([':', '=']).to_owned();
    let rest = line[first.len().min(line.len())..].trim_start_matches([' ', '\t', ':', '=']).trim();
    let lower = id.to_lowercase();
    if lower == "supply" {
        return supply(rest).map(Listed::Supply);
    }
    if let Some((_, key)) = HEADS.iter().find(|(w, _)| *w == lower) {
        return given(key, rest);
    }
    if lower == "parts" && rest.is_empty() {
        return Ok(Listed::Nothing);
    }
    let letters = id.chars().take_while(char::is_ascii_alphabetic).count();
    let bad = id.len() > 24 || letters == 0 || !id.chars().all(|c| c.is_alphanumeric() || "+-_/".contains(c));
    if bad {
        return Err((
            format!("'{}' is no designator", id.chars().take(30).collect::<String>()),
            "begin the line with one such as R1, C3, Q2 or IC1".into(),
        ));
    }
    part(&id, &words[1..], library)
}

fn given(key: &str, rest: &str) -> Result<Listed, (String, String)> {
    let rest = rest.trim_matches('"').trim();
    if rest.is_empty() {
        return Err((format!("nothing follows '{key}'"), "write what it is behind it".into()));
    }
    let words: Vec<&str> = rest.split([' ', ',', '\t']).filter(|w| !w.is_empty()).collect();
    if key == "neighbours" {
        let [a, b] = words[..] else {
            return Err(("neighbours are two nets".into(), "write 'neighbours V9 VH'".into()));
        };
        return Ok(Listed::Neighbours([a.to_owned(), b.to_owned()]));
    }
    if ["ground", "in", "out"].contains(&key) && words.len() != 1 {
        return Err((format!("'{key}' is one net"), format!("write '{key} {}'", words[0])));
    }
    Ok(Listed::Given(key.to_owned(), rest.to_owned()))
}

fn supply(rest: &str) -> Result<SupplyDrawn, (String, String)> {
    let words: Vec<&str> = rest.split([' ', ',', '\t']).filter(|w| !w.is_empty()).collect();
    let is_volts = |w: &&&str| {
        w.to_uppercase().ends_with('V')
            && w.starts_with(|c: char| c.is_ascii_digit())
            && notation::volts(w).is_ok()
    };
    let source = ["battery", "adaptor", "bench"].into_iter().find(|s| words.contains(s));
    let help = || "write volts, plus and minus, such as 'supply 9V V9 GND battery'".to_owned();
    // `9V` may be a net too: the first that reads as volts is the voltage.
    let volts = words.iter().position(|w| is_volts(&w));
    let Some(volts) = volts else { return Err(("the supply has no volts".into(), help())) };
    let nets: Vec<&str> = words
        .iter()
        .enumerate()
        .filter(|(i, w)| *i != volts && Some(**w) != source)
        .map(|(_, w)| *w)
        .collect();
    let (id, plus, minus) = match nets[..] {
        [plus] => ("main", plus, "GND"),
        [plus, minus] => ("main", plus, minus),
        [id, plus, minus] => (id, plus, minus),
        _ => return Err(("a supply has two nets".into(), help())),
    };
    Ok(SupplyDrawn {
        id: id.to_owned(),
        span: Span::default(),
        plus: plus.to_owned(),
        minus: minus.to_owned(),
        volts: Some(words[volts].to_owned()),
        source,
        inner: None,
    })
}

/// Words between blanks and commas; a comma inside a number is a decimal one.
fn words(line: &str) -> Vec<String> {
    let mut out = Vec::new();
    for word in line.split([' ', '\t']).filter(|w| !w.is_empty()) {
        let number = word.starts_with(|c: char| c.is_ascii_digit())
            && word.split_once(',').is_some_and(|(_, b)| b.starts_with(|c: char| c.is_ascii_digit()));
        match number {
            true => out.push(word.trim_end_matches(',').to_owned()),
            false => out.extend(word.split(',').filter(|w| !w.is_empty() && *w != "=").map(str::to_owned)),
        }
    }
    out
}

fn part(id: &str, words: &[String], library: &Library) -> Result<Listed, (String, String)> {
    let letters: String = id.chars().take_while(char::is_ascii_alphabetic).collect::<String>().to_uppercase();
    let is_word = |w: &str| {
        let tapers = ["log", "lin", "linear", "audio", "antilog", "reverse-log"];
        let named = library.drawn().any(|(_, d)| d.words.iter().any(|x| x.value.eq_ignore_ascii_case(w)));
        named || tapers.contains(&w.to_lowercase().as_str()) || w.ends_with('%') || w.starts_with("role=")
    };
    let named_pin = |w: &str| {
        let (pin, net) = w.split_once('=').or_else(|| w.split_once(':'))?;
        (!pin.is_empty() && pin.len() <= 8 && pin != "role").then(|| (pin.to_owned(), net.to_owned()))
    };
    let mut more: Vec<String> = Vec::new();
    let mut rest: Vec<&str> = Vec::new();
    let mut pins: Vec<DrawnPin> = Vec::new();
    for word in words {
        match named_pin(word) {
            _ if is_word(word) => more.push(word.clone()),
            Some((pin, net)) => pins.push(DrawnPin { function: pin.clone(), number: pin, net: net_of(&net) }),
            None => rest.push(word),
        }
    }
    let passive = library.drawn().find(|(k, d)| {
        d.letters.iter().any(|l| l.value == letters) && library.kind(k).is_some_and(|k| k.value.is_some())
    });
    let reads = |w: &&&str| match letters.as_str() {
        "C" => notation::farads(w).is_ok(),
        "L" => notation::henries(w).is_ok(),
        _ => notation::ohms(
            w.trim_start_matches(['A', 'B', 'C', 'a', 'b', 'c']).trim_end_matches(['A', 'B', 'C']),
        )
        .is_ok(),
    };
    // `R3 4k7 V9 LED`: the name of a kind is a net where a part with a value has one end without it.
    if passive.is_some() && pins.is_empty() && rest.len() == 2 && rest.iter().any(|w| reads(&w)) {
        let is_net = |w: &str| {
            library.drawn().any(|(_, d)| {
                d.words.iter().any(|x| x.value.eq_ignore_ascii_case(w))
                    && !d.letters.iter().any(|l| l.value == letters)
            })
        };
        if let Some(at) = more.iter().position(|w| is_net(w)) {
            let net = more.remove(at);
            rest.extend(words.iter().find(|w| **w == net).map(String::as_str));
        }
    }
    let value_at = if passive.is_some() || letters == "C" {
        let with_letter =
            rest.iter().position(|w| reads(&w) && w.contains(|c: char| c.is_ascii_alphabetic()));
        with_letter.or_else(|| rest.iter().position(|w| reads(&w)))
    } else {
        rest.iter().position(|w| part_number(w)).or(if rest.len() > 2 || !pins.is_empty() {
            Some(0)
        } else {
            None
        })
    };
    let valueless = ["link", "wire", "jumper"].iter().any(|k| more.iter().any(|m| m.eq_ignore_ascii_case(k)))
        || ["LK", "LINK", "F", "FS", "JK", "SW", "S", "FSW"].contains(&letters.as_str());
    let value_at = value_at.filter(|i| !valueless && *i < rest.len());
    let value = value_at.map(|i| rest.remove(i).to_owned()).unwrap_or_default();
    pins.extend(rest.iter().map(|net| DrawnPin { net: net_of(net), ..DrawnPin::default() }));
    let mixed = pins.iter().any(|p| p.number.is_empty()) && pins.iter().any(|p| !p.number.is_empty());
    if mixed {
        return Err((
            format!("some pins of '{id}' are named and some are not"),
            "name all of them (c=C b=B e=E) or none".into(),
        ));
    }
    if ["BT", "BAT"].contains(&letters.as_str()) {
        let text = format!("{value} {}", rest.join(" "));
        let drawn = supply(&text)?;
        return Ok(Listed::Supply(SupplyDrawn { id: id.to_owned(), source: Some("battery"), ..drawn }));
    }
    Ok(Listed::Part(DrawnPart {
        id: id.to_owned(),
        span: Span::default(),
        what: What::Letters,
        value,
        more,
        pins,
    }))
}

fn net_of(word: &str) -> Option<String> {
    let open = ["-", "nc", "open", ""].contains(&word.to_lowercase().as_str());
    (!open).then(|| word.to_owned())
}

/// Whether a word looks like a part number: digits among letters, three signs at least, or an LED.
fn part_number(word: &str) -> bool {
    let digits = word.chars().filter(char::is_ascii_digit).count();
    let letters = word.chars().filter(char::is_ascii_alphabetic).count();
    word.to_uppercase().starts_with("LED")
        || word.to_uppercase().starts_with("ZENER")
        || (digits >= 3 && letters >= 1)
        || digits == 4
}
