//! Readings as people write them down: many pins and nets with what the meter showed, in whatever habit.
//!
//! [`read`] takes a list apart line by line, without knowing the unit: `IC1: 1 4.5, 2 4.5`, `Q1 E 0.72 B 1.33 C 4.0`,
//! `IC2 pin 6 = 2.3V`, a column a chip, tables, decimal commas, `?` and `~`. Each line became something, or is refused with a
//! reason; nothing is guessed at where two readings of a line are possible. [`place`] then finds each spot on the job's board, or
//! takes it as a spot of a unit without one, and makes findings of them.
//!
//! Pure: text in, values out.

mod lex;
mod line;
mod place;
#[cfg(test)]
mod tests;

pub use place::{Taken, TakenLine, place};

use crate::units::Unit;
use line::Reader;

/// A list of readings, line by line.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct List {
    /// Its lines, in order.
    pub lines: Vec<Line>,
    /// Texts written before it that may say which chip a part is.
    before: Vec<String>,
}

/// One line of a list.
#[derive(Clone, Debug, PartialEq)]
pub struct Line {
    /// Its number, from 1.
    pub number: usize,
    /// As written, without white space at its end.
    pub text: String,
    /// What it became.
    pub became: Became,
}

/// What a line became.
#[derive(Clone, Debug, PartialEq)]
pub enum Became {
    /// It is empty.
    Nothing,
    /// It says what the lines after it are about: a part, the columns of a table, a unit.
    Heading(String),
    /// Words without a reading.
    Remark,
    /// Readings.
    Read(Vec<Entry>),
    /// It can't be read: why, and what to write instead.
    Refused(String),
}

/// One reading of a list.
#[derive(Clone, Debug, PartialEq)]
pub struct Entry {
    /// Where it was taken.
    pub at: Where,
    /// What was measured, where that was said.
    pub quantity: Option<Unit>,
    /// What was shown, as a card's answer: `4.5V`, `~4,5`, `OL`, `silent`, `unsure`.
    pub answer: String,
}

/// Where a reading was taken, as written.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Where {
    /// At a pin of a part.
    Pin {
        /// The part.
        part: String,
        /// Its pin.
        pin: String,
    },
    /// At a pin that was only counted: the first, the second of so many.
    Counted {
        /// The part.
        part: String,
        /// From 1.
        pin: usize,
        /// How many readings the part has.
        of: usize,
    },
    /// At something with a name: a net, a rail, a supply, a check.
    Named(String),
}

impl Entry {
    /// The part that it names.
    fn part(&self) -> Option<&str> {
        match &self.at {
            Where::Pin { part, .. } | Where::Counted { part, .. } => Some(part),
            Where::Named(_) => None,
        }
    }
}

impl List {
    /// Whether a line could not be read.
    pub fn is_refused(&self) -> bool {
        self.lines.iter().any(|l| matches!(l.became, Became::Refused(_)))
    }

    /// The list where a part without a pin means this one of its pins: `Q1 1.33` its collector, where collectors are asked for.
    #[must_use]
    pub fn with_pin(mut self, pin: &str) -> Self {
        for line in &mut self.lines {
            let Became::Read(entries) = &mut line.became else { continue };
            for entry in entries {
                if let Where::Named(name) = &entry.at
                    && lex::is_part(name)
                {
                    entry.at = Where::Pin { part: name.clone(), pin: pin.to_owned() };
                }
            }
        }
        self
    }

    /// The list on a card whose remarks may say which chip a part is: `IC2 (PT2399)` of a list pasted before.
    #[must_use]
    pub fn after<'t>(mut self, remarks: impl IntoIterator<Item = &'t str>) -> Self {
        self.before = remarks.into_iter().map(str::to_owned).collect();
        self
    }

    /// What was written before the list, and its lines up to one, by index.
    fn texts(&self, up_to: usize) -> impl Iterator<Item = &str> {
        let lines = self.lines.iter().take(up_to + 1).map(|l| l.text.as_str());
        self.before.iter().map(String::as_str).chain(lines)
    }

    /// All readings with the numbers of their lines.
    pub fn entries(&self) -> impl Iterator<Item = (usize, &Entry)> {
        self.lines.iter().flat_map(|l| {
            let entries: &[Entry] = if let Became::Read(entries) = &l.became { entries } else { &[] };
            entries.iter().map(|e| (l.number, e))
        })
    }
}

/// Longest list that is read, in lines, and longest line, in signs: more is no bench note.
const MOST_LINES: usize = 2000;
const LONGEST: usize = 1000;

/// Takes a list of readings apart.
///
/// ```
/// use halfsplit::job::readings::{Became, read};
/// let list = read("IC1: 1 4.5, 2 4,5, 3 ~4.4\nQ1 E 0.72 B 1.33 C 4.0\nthe LED is dim\nIC2 pin 6\n");
/// assert_eq!(list.entries().count(), 6);
/// assert_eq!(list.lines[2].became, Became::Remark);
/// assert!(matches!(&list.lines[3].became, Became::Refused(why) if why.contains("no reading")));
/// ```
pub fn read(text: &str) -> List {
    let mut reader = Reader::default();
    let mut lines = Vec::new();
    for (index, text) in text.trim_start_matches('\u{feff}').lines().enumerate() {
        let text = text.trim_end();
        let became = match (index < MOST_LINES, text.chars().count() <= LONGEST) {
            (false, _) => {
                Became::Refused(format!("a list has {MOST_LINES} lines at most; give the rest on its own"))
            }
            (_, false) => Became::Refused(format!("a line has {LONGEST} signs at most; break it up")),
            _ => reader.line(text),
        };
        let text = text.chars().take(LONGEST).collect();
        lines.push(Line { number: index + 1, text, became });
        if index >= MOST_LINES {
            break;
        }
    }
    List { lines, before: Vec::new() }
}
