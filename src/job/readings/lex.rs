//! A line of a list in pieces: parts, pins, numbers, words, and the signs between them.

use crate::units::{Unit, reading};

/// A piece of a line.
#[derive(Clone, Debug, PartialEq)]
pub(super) enum Piece {
    /// A part's designator: `IC1`, `Q2`.
    Part(String),
    /// A part with its pin: `IC1.3`, `Q1c`.
    PartPin(String, String),
    /// A pin that can be nothing else: `pin3`, `#3`.
    Pin(String),
    /// Several pins in one word: `EBC`.
    Pins(Vec<String>),
    /// A number, perhaps with its unit.
    Number(Number),
    /// A word.
    Word(String),
    /// `:`, `=`, an arrow, dots that lead on.
    Assign,
    /// A comma, a semicolon, a bar, a tab, a slash.
    Comma,
    /// A dash by itself.
    Dash,
    /// A question mark by itself.
    Doubt,
}

/// A number as written.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Number {
    /// As written, without unit: `~4,5`, `4.4..4.6`, `OL`.
    pub text: String,
    /// Its unit as written; empty where there is none.
    pub unit: String,
    /// Called doubtful.
    pub vague: bool,
}

impl Number {
    /// The number as that of a pin, if it can be one.
    pub fn pin(&self) -> Option<u32> {
        let plain = self.unit.is_empty() && !self.vague && self.text.chars().all(|c| c.is_ascii_digit());
        self.text.parse().ok().filter(|n| plain && (1..=64).contains(n))
    }

    /// What its unit measures; nothing where none is written, an error for one that no reading has.
    pub fn quantity(&self) -> Option<Unit> {
        unit_of(&self.unit)
    }
}

/// What a unit as written measures.
pub(super) fn unit_of(unit: &str) -> Option<Unit> {
    let plain: String = unit
        .trim_end_matches('.')
        .replace(['\u{3a9}', '\u{2126}'], "ohm")
        .replace(['\u{b5}', '\u{3bc}'], "u");
    Some(match plain.to_lowercase().as_str() {
        "v" | "vdc" | "vcc" | "volt" | "volts" | "mv" | "millivolt" | "millivolts" | "mvdc" | "uv" | "kv" => {
            Unit::Volts
        }
        "ohm" | "ohms" | "r" | "k" | "kr" | "kohm" | "kohms" | "mohm" | "mohms" | "meg" | "megohm"
        | "megohms" => Unit::Ohms,
        "m" if plain == "M" => Unit::Ohms,
        "a" | "ma" | "ua" | "amp" | "amps" | "milliamp" | "milliamps" => Unit::Amps,
        "db" | "dbv" | "dbu" => Unit::Decibels,
        "hz" | "khz" | "hertz" => Unit::Hertz,
        _ => return None,
    })
}

/// How a unit is written behind a number on a card.
pub(super) fn on_card(unit: &str) -> String {
    let plain = unit
        .trim_end_matches('.')
        .replace(['\u{3a9}', '\u{2126}'], "ohm")
        .replace(['\u{b5}', '\u{3bc}'], "u");
    match plain.to_lowercase().as_str() {
        "v" | "vdc" | "vcc" | "volt" | "volts" => "V".into(),
        "mv" | "mvdc" | "millivolt" | "millivolts" => "mV".into(),
        "uv" => "uV".into(),
        "kv" => "kV".into(),
        "ma" | "milliamp" | "milliamps" => "mA".into(),
        "a" | "amp" | "amps" => "A".into(),
        "ua" => "uA".into(),
        "ohm" | "ohms" | "r" => "ohm".into(),
        "k" | "kr" | "kohm" | "kohms" => "k".into(),
        "m" if plain == "M" => "M".into(),
        "mohm" | "mohms" | "meg" | "megohm" | "megohms" => "M".into(),
        "db" => "dB".into(),
        "hz" | "hertz" => "Hz".into(),
        "khz" => "kHz".into(),
        _ => plain,
    }
}

/// How designators begin.
const LETTERS: [&str; 34] = [
    "IC", "U", "Q", "T", "TR", "VT", "D", "LED", "ZD", "DZ", "VR", "RV", "P", "POT", "R", "C", "L", "J",
    "JK", "JFET", "K", "S", "SW", "FB", "OPT", "OC", "VTL", "M", "X", "REG", "VREG", "FET", "BR", "CN",
];
/// Designators whose pin may be written behind them without a sign: `Q1c`.
const GLUED: [&str; 9] = ["Q", "T", "TR", "VT", "J", "JFET", "FET", "D", "LED"];
/// Legs that come in groups: `EBC 0.72 1.33 4.0`.
const GROUPS: [&str; 3] = ["EBC", "DGS", "AK"];
/// Words for pins.
const PINS: [&str; 62] = [
    "e",
    "b",
    "c",
    "d",
    "g",
    "s",
    "a",
    "k",
    "w",
    "+",
    "-",
    "emitter",
    "base",
    "collector",
    "drain",
    "gate",
    "source",
    "anode",
    "cathode",
    "kathode",
    "wiper",
    "in",
    "out",
    "gnd",
    "adj",
    "input",
    "output",
    "ground",
    "adjust",
    "in+",
    "in-",
    "+in",
    "-in",
    "ina",
    "inb",
    "outa",
    "outb",
    "in+a",
    "in-a",
    "in+b",
    "in-b",
    "ve",
    "vb",
    "vc",
    "vd",
    "vg",
    "vs",
    "v+",
    "v-",
    "vcc",
    "vdd",
    "vss",
    "vee",
    "tip",
    "ring",
    "sleeve",
    "plus",
    "minus",
    "emit",
    "coll",
    "cath",
    "em",
];
/// Readings that are words.
pub(super) const HEARD: [&str; 5] = ["none", "silent", "faint", "expected", "loud"];

/// Whether a word names a pin where a part is being spoken of.
pub(super) fn is_pin(word: &str) -> bool {
    PINS.contains(&word.to_lowercase().as_str())
}

/// The pin that a word means: `Vc` is the collector's volts.
pub(super) fn pin_named(word: &str) -> String {
    match word.to_lowercase().as_str() {
        lower @ ("ve" | "vb" | "vc" | "vd" | "vg" | "vs") => lower[1..].to_owned(),
        _ => word.to_owned(),
    }
}

/// A designator: letters and one to three digits, perhaps the letter of a section.
pub(super) fn is_part(text: &str) -> bool {
    let letters = text.chars().take_while(char::is_ascii_alphabetic).count();
    let rest = &text[letters..];
    let digits = rest.chars().take_while(char::is_ascii_digit).count();
    let section = &rest[digits..];
    LETTERS.iter().any(|l| l.eq_ignore_ascii_case(&text[..letters]))
        && (1..=3).contains(&digits)
        && (section.is_empty() || matches!(section.to_ascii_lowercase().as_str(), "a" | "b" | "c" | "d"))
}

/// Takes a line apart.
///
/// # Errors
/// Where a piece can be read in several ways: what to write instead.
pub(super) fn pieces(line: &str) -> Result<Vec<Piece>, String> {
    let line = without_brackets(&line.replace(['"', '\u{201c}', '\u{201d}', '`'], " "));
    // A comma right behind a name, nothing between it and what follows: commas part cells, and are no decimal points.
    let cells = line
        .as_bytes()
        .windows(3)
        .any(|w| w[1] == b',' && w[0].is_ascii_alphabetic() && !w[2].is_ascii_whitespace())
        || line
            .as_bytes()
            .windows(3)
            .any(|w| w[1] == b',' && w[2].is_ascii_alphabetic() && !w[0].is_ascii_whitespace());
    let cells = cells && !line.contains([';', '\t']);
    let mut out = Vec::new();
    let mut chunk = String::new();
    let mut signs = line.chars().peekable();
    while let Some(sign) = signs.next() {
        let mark = match sign {
            ';' | '|' | '\t' => Some(Piece::Comma),
            '-' | '=' if signs.peek() == Some(&'>') => {
                signs.next();
                Some(Piece::Assign)
            }
            '=' | ':' | '\u{2192}' => Some(Piece::Assign),
            '.' | '\u{2026}' if chunk.is_empty() || signs.peek() == Some(&'.') => {
                let mut dots = if sign == '.' { 1 } else { 3 };
                while signs.next_if(|c| *c == '.' || *c == '\u{2026}').is_some() {
                    dots += 1;
                }
                // Two or three dots between numbers are a range, one before digits a point; more lead on to the reading.
                if dots > 3 || (dots > 1 && chunk.is_empty()) {
                    Some(Piece::Assign)
                } else {
                    chunk.push_str(&".".repeat(dots));
                    continue;
                }
            }
            c if c.is_whitespace() => {
                flush(&mut chunk, cells, &mut out)?;
                continue;
            }
            c => {
                chunk.push(c);
                continue;
            }
        };
        flush(&mut chunk, cells, &mut out)?;
        out.extend(mark);
    }
    flush(&mut chunk, cells, &mut out)?;
    Ok(joined(out))
}

/// The line without what stands in brackets: remarks and type numbers go, pins, units and numbers of pins stay.
fn without_brackets(line: &str) -> String {
    let mut out = String::with_capacity(line.len());
    let mut rest = line;
    while let Some(open) = rest.find(['(', '[']) {
        let (before, behind) = rest.split_at(open);
        let close = if behind.starts_with('(') { ')' } else { ']' };
        let Some(end) = behind.find(close) else { break };
        let inside = behind[1..end].trim();
        // V(IC1.3): volts there.
        let volts_of = before.ends_with(['V', 'v', 'U'])
            && !before.trim_end_matches(['V', 'v', 'U']).ends_with(char::is_alphanumeric);
        let keeps = volts_of
            || is_group(inside).is_some()
            || unit_of(inside).is_some()
            || inside.parse::<u32>().is_ok_and(|n| (1..=64).contains(&n)) && !before.ends_with(' ')
            || !inside.is_empty()
                && inside.split([' ', '/', ',', '-']).all(|w| w.is_empty() || (w.len() == 1 && is_pin(w)));
        out.push_str(if volts_of { &before[..before.len() - 1] } else { before });
        out.push(' ');
        if keeps {
            out.push_str(inside);
        }
        out.push(' ');
        rest = &behind[end + 1..];
    }
    out.push_str(rest);
    out
}

/// The legs of a group such as `CBE`.
fn is_group(word: &str) -> Option<Vec<String>> {
    let upper = word.to_ascii_uppercase();
    let of = |group: &&str| {
        upper.len() == group.len() && upper.len() > 1 && group.chars().all(|c| upper.matches(c).count() == 1)
    };
    // Lower case `ak` and the like are no words either, but `EBC` in capitals is how legs are written.
    GROUPS.iter().any(of).then(|| upper.chars().map(|c| c.to_string()).collect())
}

fn flush(chunk: &mut String, cells: bool, out: &mut Vec<Piece>) -> Result<(), String> {
    let text = std::mem::take(chunk);
    let mut rest = text.as_str();
    while let Some(tail) = rest.strip_prefix(',') {
        out.push(Piece::Comma);
        rest = tail;
    }
    let (body, commas) = match rest.find(|c| c != ',') {
        None => ("", 0),
        Some(_) => {
            let body = rest.trim_end_matches(',');
            (body, rest.len() - body.len())
        }
    };
    if !body.is_empty() {
        parted(body, cells, out)?;
    }
    if commas > 0 {
        out.push(Piece::Comma);
    }
    Ok(())
}

/// A chunk without white space: split at commas that are no decimal ones, and at slashes.
fn parted(chunk: &str, cells: bool, out: &mut Vec<Piece>) -> Result<(), String> {
    if chunk.contains(',') {
        let points = chunk.contains('.');
        let numbers = chunk
            .split(',')
            .all(|p| p.starts_with(|c: char| c.is_ascii_digit() || "+-~.\u{2212}".contains(c)));
        let commas = chunk.matches(',').count();
        if numbers && !points && !cells && commas > 1 {
            return Err(format!(
                "'{chunk}' can be read in several ways; put a space behind a comma that parts readings, or write points"
            ));
        }
        if !numbers || points || cells {
            for (i, part) in chunk.split(',').enumerate() {
                if i > 0 {
                    out.push(Piece::Comma);
                }
                if !part.is_empty() {
                    parted(part, cells, out)?;
                }
            }
            return Ok(());
        }
    }
    if chunk.contains('/') && !["n/a", "N/A"].contains(&chunk) {
        for (i, part) in chunk.split('/').enumerate() {
            if i > 0 {
                out.push(Piece::Comma);
            }
            if !part.is_empty() {
                parted(part, cells, out)?;
            }
        }
        return Ok(());
    }
    out.push(piece(chunk)?);
    Ok(())
}

fn piece(chunk: &str) -> Result<Piece, String> {
    let lower = chunk.to_lowercase();
    match lower.as_str() {
        "-" | "--" | "---" | "\u{2013}" | "\u{2014}" | "n/a" | "na" | "nc" | "n.c." | "x" => {
            return Ok(Piece::Dash);
        }
        "?" | "??" => return Ok(Piece::Doubt),
        _ => {}
    }
    for before in ["pin", "leg", "lug", "p", "#", "no.", "nr."] {
        // `P1` is a pot as a rule, `p1` a pin.
        let text = if before == "p" { chunk } else { lower.as_str() };
        let digits = text.strip_prefix(before).map(|d| d.trim_start_matches(['.', '#', '-']));
        if let Some(digits) =
            digits.filter(|d| !d.is_empty() && d.len() < 3 && d.chars().all(|c| c.is_ascii_digit()))
        {
            return Ok(Piece::Pin(digits.to_owned()));
        }
    }
    if let Some(number) = number(chunk)? {
        return Ok(Piece::Number(number));
    }
    if is_part(chunk) {
        // `Q1c` is a leg of Q1, `IC1a` a section of IC1.
        let (head, last) = chunk.split_at(chunk.len() - 1);
        let letters: String = chunk.chars().take_while(char::is_ascii_alphabetic).collect();
        let glued = GLUED.iter().any(|g| g.eq_ignore_ascii_case(&letters));
        if last.chars().all(|c| c.is_ascii_alphabetic()) && glued {
            return Ok(Piece::PartPin(head.to_owned(), last.to_owned()));
        }
        return Ok(Piece::Part(chunk.to_owned()));
    }
    let letters: String = chunk.chars().take_while(char::is_ascii_alphabetic).collect();
    if let Some(last) = chunk.chars().next_back().filter(|c| "eEgGsSkK".contains(*c))
        && GLUED.iter().any(|g| g.eq_ignore_ascii_case(&letters))
        && is_part(&chunk[..chunk.len() - 1])
    {
        return Ok(Piece::PartPin(chunk[..chunk.len() - 1].to_owned(), last.to_string()));
    }
    if let Some(at) = chunk.find(['.', '#', '-', '_']).filter(|at| *at > 0) {
        let (part, pin) = (&chunk[..at], &chunk[at + 1..]);
        let typed = part.chars().any(|c| c.is_ascii_digit()) && part.chars().any(|c| c.is_ascii_alphabetic());
        let is_one =
            pin.len() <= 2 && pin.chars().all(|c| c.is_ascii_digit()) && !pin.is_empty() || is_pin(pin);
        if is_one && (is_part(part) || (typed && part.len() >= 4 && chunk[at..].starts_with('.'))) {
            return Ok(Piece::PartPin(part.to_owned(), pin_named(pin)));
        }
    }
    match is_group(chunk) {
        Some(pins) if chunk.chars().all(|c| c.is_ascii_uppercase()) || chunk.len() == 3 => {
            Ok(Piece::Pins(pins))
        }
        _ => Ok(Piece::Word(chunk.to_owned())),
    }
}

/// A number with its unit, if the chunk is one.
///
/// # Errors
/// A number that is clearly meant and can't be read.
fn number(chunk: &str) -> Result<Option<Number>, String> {
    let mut body = chunk;
    let mut vague = false;
    for before in ["~", "\u{2248}", "ca.", "c.", "abt"] {
        if let Some(rest) = body.strip_prefix(before).filter(|r| !r.is_empty()) {
            (body, vague) = (rest, true);
        }
    }
    if let Some(rest) = body.strip_suffix('?') {
        (body, vague) = (rest, true);
    }
    if reading::parse(body, Some(Unit::Ohms)).is_ok_and(|r| r.middle().is_infinite()) {
        return Ok(Some(Number { text: "OL".into(), unit: String::new(), vague }));
    }
    let signed = body.trim_start_matches(['+', '-', '\u{2212}']);
    let digits = signed.strip_prefix('.').unwrap_or(signed);
    if !digits.starts_with(|c: char| c.is_ascii_digit()) {
        return Ok(None);
    }
    if body[..body.len() - signed.len()].chars().count() > 1 {
        return Err(format!("'{chunk}' has more than one sign in front"));
    }
    // Two numbers with a dash or dots between them are a range.
    if let Some((low, high)) = range(body) {
        let (low, high) = (number(low)?, number(high)?);
        return match (low, high) {
            (Some(low), Some(high)) if !high.text.contains("..") => {
                Ok(Some(Number { text: format!("{}..{}", low.text, high.text), unit: high.unit, vague }))
            }
            _ => Ok(None),
        };
    }
    let digits = signed.find(|c: char| !(c.is_ascii_digit() || c == '.' || c == ',')).unwrap_or(signed.len());
    let (figures, unit) = signed.split_at(digits);
    let sign = &body[..body.len() - signed.len()];
    let points = figures.matches(['.', ',']).count();
    if figures.ends_with(['.', ')']) && unit.is_empty() && points == 1 {
        // `1.` and `1)` number a line.
        return Ok(Some(Number {
            text: format!("{sign}{}", figures.trim_end_matches('.')),
            unit: String::new(),
            vague,
        }));
    }
    if points > 1 {
        return Err(format!("'{chunk}' has more than one decimal point; write one such as 4.5"));
    }
    if unit.is_empty() || unit_of(unit).is_some() || unit == "m" || unit == "u" {
        let text = format!("{sign}{figures}");
        return Ok(Some(Number { text, unit: unit.to_owned(), vague }));
    }
    if unit == ")" {
        return Ok(Some(Number { text: format!("{sign}{figures}"), unit: String::new(), vague }));
    }
    // 4V5, 4k7: the letter stands for the point.
    let letter = unit.chars().next().filter(|c| "VvkKMRr".contains(*c));
    let behind = letter.map(|l| &unit[l.len_utf8()..]).unwrap_or_default();
    if points == 0 && !behind.is_empty() && behind.len() < 4 && behind.chars().all(|c| c.is_ascii_digit()) {
        let unit = match letter {
            Some('V' | 'v') => "V",
            Some('k' | 'K') => "k",
            Some('M') => "M",
            _ => "ohm",
        };
        return Ok(Some(Number { text: format!("{sign}{figures}.{behind}"), unit: unit.into(), vague }));
    }
    if unit.starts_with(['o', 'O', 'l', 'I'])
        && !unit.to_lowercase().starts_with("ohm")
        && points < 2
        && figures.contains('.')
    {
        return Err(format!("'{chunk}' has a letter where a figure should be"));
    }
    let known = unit.chars().all(|c| c.is_alphabetic() || "%\u{b0}.".contains(c));
    if known && (points > 0 || !sign.is_empty() || unit.len() <= 2) && !unit.contains(char::is_whitespace) {
        return Err(format!(
            "'{unit}' in '{chunk}' is no unit of a reading; write V, mV, ohm, k, M, mA or dB"
        ));
    }
    Ok(None)
}

fn range(body: &str) -> Option<(&str, &str)> {
    for mark in ["...", ".."] {
        if let Some((low, high)) = body.split_once(mark) {
            return (!low.is_empty() && !high.is_empty()).then_some((low, high));
        }
    }
    let dash = body.char_indices().skip(1).find(|(i, c)| {
        "-\u{2013}\u{2212}".contains(*c) && body[..*i].ends_with(|c: char| c.is_ascii_alphanumeric())
    });
    let (at, sign) = dash?;
    let high = &body[at + sign.len_utf8()..];
    high.starts_with(|c: char| c.is_ascii_digit()).then(|| (&body[..at], high))
}

/// Units that stand by themselves behind a number join it; so do words that call it doubtful, and a range in words.
fn joined(pieces: Vec<Piece>) -> Vec<Piece> {
    let mut out: Vec<Piece> = Vec::with_capacity(pieces.len());
    let mut vague_next = false;
    let mut pieces = pieces.into_iter().peekable();
    while let Some(piece) = pieces.next() {
        match piece {
            Piece::Word(word) => {
                let lower = word.to_lowercase();
                if matches!(
                    lower.as_str(),
                    "~" | "\u{2248}"
                        | "about"
                        | "approx"
                        | "approx."
                        | "around"
                        | "roughly"
                        | "circa"
                        | "ca"
                        | "ca."
                        | "nearly"
                        | "almost"
                ) {
                    vague_next = true;
                    continue;
                }
                let bare = out.last().is_some_and(|l| matches!(l, Piece::Number(n) if n.unit.is_empty()));
                let alone = !matches!(pieces.peek(), Some(Piece::Number(_)));
                let joins = match lower.as_str() {
                    "v" | "mv" | "vdc" | "volt" | "volts" | "ma" | "ohm" | "ohms" | "kohm" | "kohms"
                    | "mohm" | "mohms" | "db" | "hz" | "khz" | "\u{3a9}" | "\u{2126}" | "k\u{3c9}"
                    | "m\u{3c9}" | "k\u{2126}" | "m\u{2126}" => true,
                    // One letter may be the next leg.
                    "k" | "m" | "a" | "ua" => alone,
                    _ => false,
                };
                if bare
                    && joins
                    && let Some(Piece::Number(n)) = out.last_mut()
                {
                    n.unit = word;
                    continue;
                }
                let after_number = matches!(out.last(), Some(Piece::Number(_)));
                if after_number && matches!(lower.as_str(), "dc" | "steady" | "ok" | "okay") {
                    continue;
                }
                if after_number && lower == "to" && matches!(pieces.peek(), Some(Piece::Number(_))) {
                    if let (Some(Piece::Number(low)), Some(Piece::Number(high))) = (out.pop(), pieces.next())
                    {
                        let unit = if high.unit.is_empty() { low.unit } else { high.unit };
                        out.push(Piece::Number(Number {
                            text: format!("{}..{}", low.text, high.text),
                            unit,
                            vague: low.vague || high.vague || std::mem::take(&mut vague_next),
                        }));
                    }
                    continue;
                }
                out.push(Piece::Word(word));
            }
            Piece::Number(mut n) => {
                n.vague |= std::mem::take(&mut vague_next);
                out.push(Piece::Number(n));
            }
            other => out.push(other),
        }
    }
    out
}
