//! One line after the other: which part is spoken of, which pins wait for their readings, which columns a table has.

use super::lex::{self, HEARD, Number, Piece, is_part, is_pin, pieces, pin_named, unit_of};
use super::{Became, Entry, Where};
use crate::units::{Unit, reading};
use std::collections::VecDeque;

/// Words that say what is measured.
const QUANTITIES: [(&str, Unit); 17] = [
    ("volts", Unit::Volts),
    ("volt", Unit::Volts),
    ("voltage", Unit::Volts),
    ("voltages", Unit::Volts),
    ("dc", Unit::Volts),
    ("vdc", Unit::Volts),
    ("ohms", Unit::Ohms),
    ("ohm", Unit::Ohms),
    ("resistance", Unit::Ohms),
    ("resistances", Unit::Ohms),
    ("amps", Unit::Amps),
    ("current", Unit::Amps),
    ("currents", Unit::Amps),
    ("level", Unit::Decibels),
    ("levels", Unit::Decibels),
    ("hertz", Unit::Hertz),
    ("frequency", Unit::Hertz),
];
/// Words without a meaning of their own between a place and its reading.
const FILLERS: [&str; 16] = [
    "rail", "line", "net", "node", "point", "at", "is", "was", "reads", "reading", "measured", "measures",
    "shows", "gives", "the", "on",
];
/// Words at the head of a table's columns.
const COLUMNS: [(&str, Column); 24] = [
    ("part", Column::Part),
    ("ref", Column::Part),
    ("device", Column::Part),
    ("chip", Column::Part),
    ("ic", Column::Part),
    ("transistor", Column::Part),
    ("pin", Column::Pin),
    ("pins", Column::Pin),
    ("leg", Column::Pin),
    ("net", Column::Name),
    ("node", Column::Name),
    ("point", Column::Name),
    ("where", Column::Name),
    ("reading", Column::Reading(None)),
    ("readings", Column::Reading(None)),
    ("measured", Column::Reading(None)),
    ("value", Column::Reading(None)),
    ("v", Column::Reading(Some(Unit::Volts))),
    ("volts", Column::Reading(Some(Unit::Volts))),
    ("voltage", Column::Reading(Some(Unit::Volts))),
    ("ohms", Column::Reading(Some(Unit::Ohms))),
    ("expected", Column::Other),
    ("remark", Column::Other),
    ("notes", Column::Other),
];

/// What a column of a table holds.
#[derive(Clone, Debug, PartialEq)]
enum Column {
    Part,
    Pin,
    Name,
    Reading(Option<Unit>),
    Other,
    /// Readings of one part, at the pin that the row begins with.
    OfPart(String),
    /// Readings of one pin, of the part that the row begins with.
    OfPin(String),
}

/// Where the next reading belongs.
#[derive(Clone, Debug, PartialEq)]
enum Waiting {
    Pin(String, String),
    Named(String),
}

/// Reads lines one after the other.
#[derive(Debug, Default)]
pub(super) struct Reader {
    /// The part spoken of.
    part: Option<String>,
    /// What is measured, from a heading.
    quantity: Option<Unit>,
    /// The unit of bare numbers, from a heading.
    unit: String,
    /// Columns of the table that is being read.
    columns: Vec<Column>,
}

/// The state within a line.
struct Here<'r> {
    reader: &'r mut Reader,
    part: Option<String>,
    quantity: Option<Unit>,
    unit: String,
    waiting: VecDeque<Waiting>,
    /// Pins named before their part: `pin 3 of IC1`.
    orphans: Vec<String>,
    entries: Vec<Entry>,
    /// Parts named in a row, for the head of a table.
    parts: Vec<String>,
    /// Words that are no part of a reading.
    idle: Vec<String>,
    /// Whether one reading goes for all pins that wait: `pins 2 and 3: 4.5`.
    plural: bool,
    /// Whether a sign has led on to the readings of the pins that wait.
    assigned: bool,
}

impl Reader {
    /// What a line becomes; headings are kept in mind for the lines after it.
    pub fn line(&mut self, text: &str) -> Became {
        let text = match without_comment(text) {
            Some(text) => text,
            None if text.trim().is_empty() => {
                // A table ends where a line is left free.
                self.columns.clear();
                return Became::Nothing;
            }
            None => return Became::Remark,
        };
        if text.chars().all(|c| "-=_|+:* \t".contains(c)) {
            return Became::Remark;
        }
        match self.understand(text) {
            Ok(became) => became,
            Err(why) => Became::Refused(why),
        }
    }

    fn understand(&mut self, text: &str) -> Result<Became, String> {
        if let Some(head) = self.table_head(text) {
            return Ok(head);
        }
        if !self.columns.is_empty() {
            if let Some(entries) = self.table_row(text)? {
                return Ok(Became::Read(entries));
            }
            self.columns.clear();
        }
        let pieces = pieces(text)?;
        let mut here = Here {
            part: self.part.clone(),
            quantity: self.quantity,
            unit: self.unit.clone(),
            reader: self,
            waiting: VecDeque::new(),
            orphans: Vec::new(),
            entries: Vec::new(),
            parts: Vec::new(),
            idle: Vec::new(),
            plural: false,
            assigned: false,
        };
        here.run(&pieces)?;
        here.end(&pieces)
    }

    /// The head of a table, if the line is one: words for columns, or several parts, or several legs, and no reading.
    fn table_head(&mut self, text: &str) -> Option<Became> {
        let cells: Vec<String> = cells_of(text)
            .unwrap_or_else(|| text.split_whitespace().map(str::to_string).collect())
            .into_iter()
            .map(|c| c.trim_matches(|c: char| "():.#\"".contains(c)).to_string())
            .filter(|c| !c.is_empty())
            .collect();
        if cells.len() < 2 || text.trim_end().ends_with(':') && cells.len() < 3 {
            return None;
        }
        let column = |cell: &String| -> Option<Column> {
            let bare = cell.split([' ', '(']).next().unwrap_or(cell).to_lowercase();
            COLUMNS.iter().find(|(word, _)| *word == bare).map(|(_, c)| c.clone())
        };
        let (first, rest) = cells.split_first()?;
        let parts = |cells: &[String]| cells.len() > 1 && cells.iter().all(|c| is_part(c));
        let legs = |cells: &[String]| {
            cells.len() > 1 && cells.iter().all(|c| c.len() == 1 && is_pin(c) && !"+-".contains(c.as_str()))
        };
        let of_part = |cells: &[String]| cells.iter().map(|c| Column::OfPart(c.clone())).collect::<Vec<_>>();
        let of_pin = |cells: &[String]| cells.iter().map(|c| Column::OfPin(c.clone())).collect::<Vec<_>>();
        let columns = if column(first) == Some(Column::Pin) && rest.iter().all(|c| is_part(c)) {
            [vec![Column::Pin], of_part(rest)].concat()
        } else if parts(&cells) {
            [vec![Column::Pin], of_part(&cells)].concat()
        } else if column(first) == Some(Column::Part) && legs(rest) {
            [vec![Column::Part], of_pin(rest)].concat()
        } else if legs(&cells) {
            [vec![Column::Part], of_pin(&cells)].concat()
        } else {
            let named: Option<Vec<Column>> = cells.iter().map(column).collect();
            let named = named?;
            let has = |wanted: fn(&Column) -> bool| named.iter().filter(|c| wanted(c)).count();
            let places = has(|c| matches!(c, Column::Pin | Column::Name));
            if has(|c| matches!(c, Column::Reading(_))) != 1 || places != 1 {
                return None;
            }
            named
        };
        self.columns = columns;
        Some(Became::Heading(format!("a table of {} columns", self.columns.len())))
    }

    /// A row of the table; nothing where the line is none, so that the table has ended.
    fn table_row(&self, text: &str) -> Result<Option<Vec<Entry>>, String> {
        let cells = match cells_of(text) {
            Some(cells) => cells,
            None => {
                // Without bars the columns are what white space parts, and none may be left free.
                let pieces = pieces(text)?;
                let mut cells = Vec::new();
                for piece in &pieces {
                    match piece {
                        Piece::Number(n) => cells.push(written(n)),
                        Piece::Part(w) | Piece::Word(w) | Piece::Pin(w) => cells.push(w.clone()),
                        Piece::PartPin(part, pin) => cells.push(format!("{part}.{pin}")),
                        Piece::Dash => cells.push("-".into()),
                        Piece::Doubt => cells.push("?".into()),
                        Piece::Pins(_) => return Ok(None),
                        Piece::Assign | Piece::Comma => {}
                    }
                }
                cells
            }
        };
        if cells.iter().all(|c| c.is_empty()) {
            return Ok(None);
        }
        let begins = cells.first().map(String::as_str).unwrap_or_default();
        match self.columns.first() {
            Some(Column::Pin) if begins.parse::<u32>().is_err() && !is_pin(begins) => return Ok(None),
            Some(Column::Part) if !is_part(begins) => return Ok(None),
            _ => {}
        }
        if self.columns.iter().any(|c| matches!(c, Column::OfPart(_)))
            && cells.len() == 2
            && self.columns.len() > 2
        {
            let parts = self.columns.len() - 1;
            return Err(format!(
                "the table has {parts} parts and this row one reading; write '-' where there is none"
            ));
        }
        if cells.len() != self.columns.len() {
            return Err(format!(
                "the table has {} columns and this row {}; write '-' where there is no reading",
                self.columns.len(),
                cells.len()
            ));
        }
        let cell = |wanted: fn(&Column) -> bool| {
            self.columns.iter().position(wanted).map(|i| cells[i].as_str()).filter(|c| !c.is_empty())
        };
        let row_part = cell(|c| *c == Column::Part).or(self.part.as_deref());
        let row_pin = cell(|c| *c == Column::Pin);
        let mut out = Vec::new();
        for (column, text) in self.columns.iter().zip(&cells) {
            let (at, quantity) = match column {
                Column::OfPart(part) => (pin_at(Some(part), row_pin)?, None),
                Column::OfPin(pin) => (pin_at(row_part, Some(pin))?, None),
                Column::Reading(quantity) => match cell(|c| *c == Column::Name) {
                    Some(name) => (named_at(name), *quantity),
                    None => (pin_at(row_part, row_pin)?, *quantity),
                },
                _ => continue,
            };
            match pieces(text)?.as_slice() {
                [] | [Piece::Dash] => {}
                [Piece::Doubt] => {
                    out.push(Entry { at, quantity: quantity.or(self.quantity), answer: "unsure".into() })
                }
                [Piece::Number(n)] => out.push(entry(at, n, quantity.or(self.quantity), &self.unit)?),
                [Piece::Word(w)] if HEARD.contains(&w.to_lowercase().as_str()) => out.push(heard(at, w)),
                _ => {
                    return Err(format!(
                        "'{text}' is no reading; write one such as 4.5, or '-' where there is none"
                    ));
                }
            }
        }
        Ok(Some(out))
    }
}

/// Cells between bars or tabs (or semicolons); nothing where a line has none of them.
fn cells_of(text: &str) -> Option<Vec<String>> {
    let mark = ['|', '\t'].into_iter().find(|m| text.trim().contains(*m)).or_else(|| {
        let commas = text.split(',').count() > 2
            && !text.contains(": ")
            && !text.contains(", ")
            && !text.contains(' ');
        (text.matches(';').count() > 1 && !text.contains("; ")).then_some(';').or(commas.then_some(','))
    })?;
    let text = if mark == '|' { text.trim().trim_start_matches('|').trim_end_matches('|') } else { text };
    Some(text.split(mark).map(|c| c.trim().trim_matches('"').to_string()).collect())
}

fn written(n: &Number) -> String {
    format!("{}{}{}", n.text, n.unit, if n.vague { "?" } else { "" })
}

fn pin_at(part: Option<&str>, pin: Option<&str>) -> Result<Where, String> {
    match (part, pin) {
        (Some(part), Some(pin)) => Ok(Where::Pin {
            part: part.to_owned(),
            pin: pin_named(pin.trim_start_matches("pin").trim_start_matches(['#', ' '])),
        }),
        (None, _) => Err("no part is named; put a line such as 'IC1' above, or write IC1.3".into()),
        (_, None) => Err("no pin is named; write it in front of the reading".into()),
    }
}

fn named_at(name: &str) -> Where {
    match pieces(name).as_deref() {
        Ok([Piece::PartPin(part, pin)]) => Where::Pin { part: part.clone(), pin: pin.clone() },
        _ => Where::Named(name.to_owned()),
    }
}

/// The line without a comment; nothing where it is empty or nothing but one.
fn without_comment(text: &str) -> Option<&str> {
    let text = text.find("//").map_or(text, |at| &text[..at]);
    let mut end = text.len();
    for (at, _) in text.match_indices('#') {
        let behind = text[at + 1..].chars().next();
        // `#3` is pin 3.
        if !behind.is_some_and(|c| c.is_ascii_digit()) {
            end = at;
            break;
        }
    }
    let text = text[..end].trim();
    (!text.is_empty()).then_some(text)
}

/// A reading as a card has it.
fn entry(at: Where, n: &Number, quantity: Option<Unit>, unit: &str) -> Result<Entry, String> {
    let own = n.quantity();
    let unit = if n.unit.is_empty() && n.text != "OL" { unit } else { &n.unit };
    let from_heading = unit_of(unit);
    let quantity = own.or(quantity).or(from_heading);
    let expected = quantity.unwrap_or(if n.text == "OL" { Unit::Ohms } else { Unit::Volts });
    // A unit from a heading counts only where it is one of what is measured.
    let unit = if own.is_none() && from_heading.is_some_and(|u| u != expected) { "" } else { unit };
    let vague = if n.vague { "~" } else { "" };
    let answer = format!("{vague}{}{}", n.text, lex::on_card(unit));
    let read = reading::parse(&answer, Some(expected)).map_err(|e| e.to_string())?;
    if read.middle().is_nan() {
        return Err(format!("'{answer}' is no reading"));
    }
    let quantity = if n.text == "OL" && quantity.is_none() { Some(Unit::Ohms) } else { quantity };
    Ok(Entry { at, quantity, answer })
}

fn heard(at: Where, word: &str) -> Entry {
    Entry { at, quantity: Some(Unit::Decibels), answer: word.to_lowercase() }
}

impl Here<'_> {
    fn run(&mut self, pieces: &[Piece]) -> Result<(), String> {
        let mut i = 0;
        while let Some(piece) = pieces.get(i) {
            let next = pieces.get(i + 1);
            let rest = &pieces[i + 1..];
            match piece {
                Piece::Part(part) => i += self.part_named(part, rest)?,
                Piece::PartPin(part, pin) => {
                    self.settled()?;
                    self.part = Some(part.clone());
                    self.waiting.push_back(Waiting::Pin(part.clone(), pin_named(pin)));
                }
                Piece::Pin(pin) => self.pin(pin)?,
                Piece::Pins(pins) => {
                    for pin in pins {
                        self.pin(pin)?;
                    }
                }
                Piece::Number(n) => self.number(n, next, rest)?,
                Piece::Word(word) => i += self.word(word, rest)?,
                Piece::Doubt => match (self.waiting.pop_front(), self.entries.last_mut()) {
                    (Some(at), _) => {
                        let entry = Entry { at: at.into(), quantity: self.quantity, answer: "unsure".into() };
                        self.entries.push(entry);
                    }
                    // `4.5 ?`: the reading before it is doubtful.
                    (None, Some(last)) if !last.answer.starts_with('~') && last.answer != "unsure" => {
                        last.answer.insert(0, '~');
                    }
                    _ => return Err("a '?' without a pin before it".into()),
                },
                Piece::Dash => {
                    let leads_on = !self.waiting.is_empty() && matches!(next, Some(Piece::Number(_)));
                    if !leads_on {
                        // Nothing was read there.
                        self.waiting.pop_front();
                    }
                }
                Piece::Assign => self.assigned = !self.waiting.is_empty(),
                Piece::Comma => {}
            }
            i += 1;
        }
        Ok(())
    }

    /// Refuses pins that wait for a reading when something else begins.
    fn settled(&mut self) -> Result<(), String> {
        match self.waiting.front() {
            None => Ok(()),
            Some(Waiting::Pin(part, pin)) => {
                Err(format!("{part}.{pin} has no reading; write it behind the pin"))
            }
            Some(Waiting::Named(name)) => Err(format!("'{name}' has no reading; write it behind the name")),
        }
    }

    /// A part: what follows is about it. Returns how many pieces after it are used up.
    fn part_named(&mut self, part: &str, rest: &[Piece]) -> Result<usize, String> {
        if !self.orphans.is_empty() {
            for pin in std::mem::take(&mut self.orphans) {
                self.waiting.push_back(Waiting::Pin(part.to_owned(), pin));
            }
            self.part = Some(part.to_owned());
            return Ok(0);
        }
        // `pin 3 of IC1` in a list about another part.
        if let Some(Waiting::Pin(_, _)) = self.waiting.front()
            && self.idle.last().is_some_and(|w| w == "of")
        {
            for wait in &mut self.waiting {
                if let Waiting::Pin(of, _) = wait {
                    *of = part.to_owned();
                }
            }
            self.part = Some(part.to_owned());
            return Ok(0);
        }
        self.settled()?;
        let mut used = 0;
        // A type number behind the designator names the part, and is no reading.
        match rest {
            [Piece::Word(w), ..] if is_type(w) => used = 1,
            [Piece::Assign, Piece::Word(w), ..] if is_type(w) => used = 2,
            [Piece::Part(w), ..] if w.len() > 3 && is_type(w) => used = 1,
            [Piece::Number(n), ..]
                if n.text.len() == 4 && n.text.chars().all(|c| c.is_ascii_digit()) && n.unit.is_empty() =>
            {
                used = 1
            }
            _ => {}
        }
        let rest = &rest[used..];
        let ahead = about_it(rest);
        let numbers = ahead.iter().filter(|p| matches!(p, Piece::Number(_))).count();
        let only_numbers =
            ahead.iter().all(|p| matches!(p, Piece::Number(_) | Piece::Comma | Piece::Assign | Piece::Dash));
        // One number behind a name that may be a net's as well as a part's: V9 9.1.
        if numbers == 1
            && only_numbers
            && ahead.iter().any(|p| matches!(p, Piece::Number(n) if n.pin().is_none() || ahead_ends(ahead)))
        {
            self.part = None;
            self.waiting.push_back(Waiting::Named(part.to_owned()));
            return Ok(used);
        }
        self.part = Some(part.to_owned());
        self.parts.push(part.to_owned());
        if only_numbers
            && numbers > 2
            && !ahead.iter().skip(1).any(|p| *p == Piece::Assign)
            && !in_pairs(ahead)
            && !has_a_leftover(ahead)
        {
            let readings: Vec<&Piece> =
                ahead.iter().filter(|p| matches!(p, Piece::Number(_) | Piece::Dash)).collect();
            let of = readings.len();
            for (i, piece) in readings.into_iter().enumerate() {
                if let Piece::Number(n) = piece {
                    let at = Where::Counted { part: part.to_owned(), pin: i + 1, of };
                    self.entries.push(entry(at, n, self.quantity, &self.unit)?);
                }
            }
            return Ok(used + ahead.len());
        }
        Ok(used)
    }

    fn pin(&mut self, pin: &str) -> Result<(), String> {
        match &self.part {
            Some(part) => self.waiting.push_back(Waiting::Pin(part.clone(), pin_named(pin))),
            None => self.orphans.push(pin_named(pin)),
        }
        Ok(())
    }

    fn number(&mut self, n: &Number, next: Option<&Piece>, rest: &[Piece]) -> Result<(), String> {
        let is_pin = n.pin().is_some() && self.part.is_some();
        if self.waiting.is_empty() || (is_pin && !self.assigned && names_pins(rest, next)) {
            // `9V 9.1`, `+5V = 4.98`: a rail named by its volts.
            let follows = matches!(next, Some(Piece::Number(_) | Piece::Assign | Piece::Word(_)));
            if self.waiting.is_empty()
                && n.quantity() == Some(Unit::Volts)
                && follows
                && n.unit.ends_with(['V', 'v'])
            {
                self.waiting.push_back(Waiting::Named(written(n)));
                return Ok(());
            }
            // `1-4.5` is pin 1, `1-8:` are eight of them.
            if let (true, Some(_), Some((low, high))) =
                (self.waiting.is_empty(), &self.part, n.text.split_once(".."))
                && let (Ok(low), false) = (low.parse::<u32>(), n.vague)
            {
                if next == Some(&Piece::Assign)
                    && let (Ok(high), true) = (high.parse::<u32>(), n.unit.is_empty())
                {
                    for pin in low..=high.min(low + 64) {
                        self.pin(&pin.to_string())?;
                    }
                    return Ok(());
                }
                self.pin(&low.to_string())?;
                let value = Number { text: high.to_owned(), ..n.clone() };
                return self.number(&value, next, rest);
            }
            return match (n.pin(), &self.part) {
                (Some(pin), Some(_)) => self.pin(&pin.to_string()),
                (Some(pin), None) if self.plural || self.idle.last().is_some_and(|w| w == "pin") => {
                    self.pin(&pin.to_string())
                }
                (None, Some(part)) if !self.entries.is_empty() || !self.parts.is_empty() => Err(format!(
                    "'{}' has no pin of {part} before it; write the pin in front of each reading",
                    written(n)
                )),
                _ => Err(format!(
                    "'{}' belongs to nothing; write the part and pin (IC1.3) or the net in front of it",
                    written(n)
                )),
            };
        }
        let all =
            self.plural && self.waiting.len() > 1 && !rest.iter().any(|p| matches!(p, Piece::Number(_)));
        while let Some(at) = self.waiting.pop_front() {
            let at: Where = at.into();
            self.entries.push(entry(at, n, self.quantity, &self.unit)?);
            if !all {
                break;
            }
        }
        self.assigned &= !self.waiting.is_empty();
        Ok(())
    }

    /// A word. Returns how many pieces after it are used up.
    fn word(&mut self, word: &str, rest: &[Piece]) -> Result<usize, String> {
        let lower = word.to_lowercase();
        let lower = lower.trim_end_matches('.');
        let next = rest.first();
        if let ("pin" | "leg" | "lug" | "p", Some(Piece::Number(n))) = (lower, next)
            && n.pin().is_some()
        {
            let text = n.text.clone();
            self.pin(&text)?;
            return Ok(1);
        }
        match lower {
            "pin" | "leg" | "lug" => {
                if let Some(Piece::Word(w)) = next {
                    let w = w.clone();
                    self.pin(&w)?;
                    return Ok(1);
                }
                return Ok(0);
            }
            "pins" | "legs" => {
                self.plural = true;
                let (pins, used) = plural(rest)?;
                for pin in pins {
                    self.pin(&pin)?;
                }
                return Ok(used);
            }
            "and" | "&" => return Ok(0),
            "of" => {
                self.idle.push("of".into());
                return Ok(0);
            }
            _ => {}
        }
        if ["vbe", "vce", "vcb", "vgs", "vds", "vdg"].contains(&lower) {
            return Err(format!("'{word}' lies between two pins; write each pin's volts against ground"));
        }
        if HEARD.contains(&lower) && !self.waiting.is_empty() {
            while let Some(at) = self.waiting.pop_front() {
                self.entries.push(heard(at.into(), word));
                if !self.plural {
                    break;
                }
            }
            return Ok(0);
        }
        let quantity = QUANTITIES.iter().find(|(w, _)| *w == lower).map(|(_, u)| *u);
        let leads = matches!(next, Some(Piece::Assign) | None);
        if let Some(quantity) = quantity
            && self.waiting.is_empty()
            && !(self.part.is_some() && is_pin(word) && matches!(next, Some(Piece::Number(_))))
        {
            self.quantity = Some(quantity);
            // `current 12 mA`: there is one place where a current is read.
            let number = matches!(rest, [Piece::Number(_), ..] | [Piece::Assign, Piece::Number(_), ..]);
            if quantity == Unit::Amps && number && self.entries.is_empty() && self.part.is_none() {
                self.waiting.push_back(Waiting::Named("supply".into()));
            }
            return Ok(0);
        }
        if let Some(unit) = unit_of(word)
            && self.waiting.is_empty()
            && (self.entries.is_empty() || leads)
            && !(self.part.is_some() && is_pin(word))
        {
            self.quantity = Some(unit);
            self.unit = word.to_owned();
            return Ok(0);
        }
        // A letter behind a part is its leg; so it is behind another leg's reading.
        if is_pin(word)
            && (self.part.is_some() || rest.iter().any(|p| matches!(p, Piece::Word(w) if w == "of")))
        {
            self.pin(word)?;
            return Ok(0);
        }
        if FILLERS.contains(&lower) {
            return Ok(0);
        }
        if !word.chars().any(char::is_alphanumeric) && !word.contains(['+', '-']) {
            return Ok(0);
        }
        // A name: of several words, if need be, up to its reading.
        let mut name = word.to_owned();
        let mut used = 0;
        while let Some(Piece::Word(more)) = rest.get(used) {
            let lower = more.to_lowercase();
            if unit_of(more).is_some()
                && !matches!(rest.get(used + 1), Some(Piece::Assign | Piece::Number(_)))
            {
                break;
            }
            if HEARD.contains(&lower.as_str()) || is_pin(more) && self.part.is_some() {
                break;
            }
            used += 1;
            if !FILLERS.contains(&lower.as_str()) {
                name = format!("{name} {more}");
            }
        }
        self.settled()?;
        let dash = matches!(rest.get(used), Some(Piece::Dash));
        let value =
            rest.get(used..).unwrap_or_default().iter().find(|p| !matches!(p, Piece::Assign | Piece::Dash));
        let is_value = match value {
            Some(Piece::Number(_) | Piece::Doubt) => true,
            Some(Piece::Word(w)) => HEARD.contains(&w.to_lowercase().as_str()),
            // `TP1: R4 ...`: nothing that a reading could be of.
            _ => dash,
        };
        if is_value {
            self.part = None;
            self.waiting.push_back(Waiting::Named(name));
        } else {
            self.idle.push(name);
        }
        Ok(used)
    }

    /// What the whole line became.
    fn end(mut self, pieces: &[Piece]) -> Result<Became, String> {
        let numbers = pieces.iter().any(|p| matches!(p, Piece::Number(_)));
        if self.entries.is_empty() {
            // A line that names a part, and perhaps a unit, is about what follows it.
            if self.waiting.is_empty() && self.orphans.is_empty() && !numbers {
                let Here { reader, quantity, unit, parts, idle, .. } = self;
                let figures = idle.iter().find(|w| w.contains(|c: char| c.is_ascii_digit()) && !is_type(w));
                if let Some(word) = figures {
                    return Err(format!(
                        "'{word}' is no reading; write the place, a space and the reading, or # before a remark"
                    ));
                }
                if let [one] = parts.as_slice()
                    && (idle.is_empty() || has_pins(one))
                {
                    reader.part = Some(one.clone());
                    (reader.quantity, reader.unit) = (quantity, unit);
                    return Ok(Became::Heading(one.clone()));
                }
                if parts.is_empty() && (quantity != reader.quantity || unit != reader.unit) {
                    (reader.quantity, reader.unit) = (quantity, unit);
                    let what = quantity.map_or("readings", |q| q.symbol());
                    return Ok(Became::Heading(format!("readings in {what}")));
                }
                return Ok(Became::Remark);
            }
            self.settled()?;
            if let Some(pin) = self.orphans.first() {
                return Err(format!(
                    "pin {pin} of which part? Write IC1.{pin}, or a line with the part above"
                ));
            }
            if self.waiting.is_empty() && pieces.contains(&Piece::Dash) {
                return Ok(Became::Remark);
            }
            return Err(
                "there is a number and no place that it belongs to; write IC1.3 4.5, or # before a remark"
                    .into(),
            );
        }
        self.settled()?;
        if let Some(pin) = self.orphans.first() {
            return Err(format!("pin {pin} of which part? Write IC1.{pin}"));
        }
        let last = self.part.take();
        if let Some(part) = last
            && pieces.first().is_some_and(|p| matches!(p, Piece::Part(_)))
            && self.parts.len() == 1
        {
            // The next line may go on with the same part.
            self.reader.part = Some(part);
        }
        Ok(Became::Read(self.entries))
    }
}

impl From<Waiting> for Where {
    fn from(waiting: Waiting) -> Self {
        match waiting {
            Waiting::Pin(part, pin) => Self::Pin { part, pin },
            Waiting::Named(name) => Self::Named(name),
        }
    }
}

/// The pins behind `pins`: `1, 2 and 7`, `1-8`; with how many pieces they take.
fn plural(rest: &[Piece]) -> Result<(Vec<String>, usize), String> {
    let mut pins: Vec<String> = Vec::new();
    let mut used = 0;
    // Up to the sign that leads on to the reading; without one, all whole numbers but the last.
    let until = rest
        .iter()
        .position(|p| *p == Piece::Assign)
        .unwrap_or_else(|| rest.iter().rposition(|p| matches!(p, Piece::Number(_))).unwrap_or(rest.len()));
    for piece in &rest[..until] {
        match piece {
            Piece::Number(n) => match (n.pin(), n.text.split_once("..")) {
                (Some(pin), _) => pins.push(pin.to_string()),
                (None, Some((low, high))) => {
                    let (low, high): (u32, u32) = match (low.parse(), high.parse()) {
                        (Ok(low), Ok(high)) if low < high && high <= 64 => (low, high),
                        _ => return Err(format!("'{}' are no pins; write them such as 1-8", n.text)),
                    };
                    pins.extend((low..=high).map(|p| p.to_string()));
                }
                _ => break,
            },
            Piece::Word(w) if w == "and" || w == "&" => {}
            Piece::Word(w) if is_pin(w) => pins.push(w.clone()),
            Piece::Comma => {}
            _ => break,
        }
        used += 1;
    }
    Ok((pins, used))
}

/// Whether a designator is that of a part with more than two pins.
fn has_pins(part: &str) -> bool {
    let letters: String = part.chars().take_while(char::is_ascii_alphabetic).collect();
    ["IC", "U", "Q", "T", "TR", "VT", "J", "JFET", "FET", "REG", "VREG"]
        .contains(&letters.to_uppercase().as_str())
}

/// Whether a word is a type number: letters and figures, and no value.
fn is_type(word: &str) -> bool {
    word.len() > 3
        && word.chars().any(|c| c.is_ascii_digit())
        && word.chars().any(|c| c.is_ascii_alphabetic())
        && word.chars().all(|c| c.is_ascii_alphanumeric() || c == '-' || c == '/')
}

/// The pieces up to the next part or name.
fn about_it(rest: &[Piece]) -> &[Piece] {
    let end = rest.iter().position(|p| matches!(p, Piece::Part(_) | Piece::PartPin(..)));
    &rest[..end.unwrap_or(rest.len())]
}

/// Whether nothing but the one reading follows.
fn ahead_ends(ahead: &[Piece]) -> bool {
    ahead.iter().filter(|p| matches!(p, Piece::Number(_))).count() == 1
}

/// Whether numbers alternate between pins and readings: the pins go up, or the readings look like no pins.
fn in_pairs(ahead: &[Piece]) -> bool {
    let numbers: Vec<&Number> =
        ahead.iter().filter_map(|p| if let Piece::Number(n) = p { Some(n) } else { None }).collect();
    let mut last = 0;
    let pins = numbers.iter().step_by(2).all(|n| n.pin().is_some());
    let up = numbers.iter().step_by(2).filter_map(|n| n.pin()).all(|p| std::mem::replace(&mut last, p) < p);
    let clear = numbers.iter().skip(1).step_by(2).any(|n| n.pin().is_none() && n.text != "0");
    numbers.len().is_multiple_of(2) && pins && (up || clear)
}

/// Whether numbers begin as pin and reading, and one is left over.
fn has_a_leftover(ahead: &[Piece]) -> bool {
    let numbers: Vec<&Number> =
        ahead.iter().filter_map(|p| if let Piece::Number(n) = p { Some(n) } else { None }).collect();
    match numbers.as_slice() {
        [first, second, ..] => {
            !numbers.len().is_multiple_of(2) && first.pin().is_some() && second.pin().is_none()
        }
        _ => false,
    }
}

/// Whether this number and those behind it are pins: whole numbers up to a sign that leads on.
fn names_pins(rest: &[Piece], next: Option<&Piece>) -> bool {
    if next == Some(&Piece::Assign) {
        return true;
    }
    let Some(until) = rest.iter().position(|p| *p == Piece::Assign) else { return false };
    rest[..until].iter().all(|p| match p {
        Piece::Number(n) => n.pin().is_some(),
        Piece::Comma => true,
        Piece::Word(w) => w == "and" || w == "&",
        _ => false,
    })
}
