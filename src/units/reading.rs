//! What a person types after looking at a meter: `4.98`, `4,98 V`, `OL`, `1.2k`, `about 5V`, `2.4..2.6V`.

use super::notation::{self, NotationError, straighten};
use super::quantity::Unit;
use serde::Serialize;
use thiserror::Error;

/// What the display showed.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Shown {
    /// One number, in the base unit.
    Value(f64),
    /// Somewhere between two numbers, low first, in the base unit.
    Range(f64, f64),
    /// Over the range of the meter: an open circuit on an ohms range.
    Overload,
}

/// A reading as typed.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Reading {
    /// What was shown.
    pub shown: Shown,
    /// The unit written, if one was.
    pub unit: Option<Unit>,
    /// Whether it was called approximate.
    pub vague: bool,
    /// Worth of the last digit typed, in the base unit; 0 for an overload.
    pub resolution: f64,
}

impl Reading {
    /// The number, the middle of a range, or infinity for an overload.
    pub fn middle(&self) -> f64 {
        match self.shown {
            Shown::Value(x) => x,
            Shown::Range(low, high) => (low + high) / 2.0,
            Shown::Overload => f64::INFINITY,
        }
    }
}

/// Why a text is no reading.
#[derive(Clone, Debug, PartialEq, Error)]
pub enum ReadingError {
    /// No number in it.
    #[error(transparent)]
    Notation(#[from] NotationError),
    /// Another unit than the check asks for.
    #[error("'{text}' is in {found}, but this check reads {wanted}; write a value in {wanted}")]
    OtherUnit {
        /// The text.
        text: String,
        /// The unit written.
        found: &'static str,
        /// The unit wanted.
        wanted: &'static str,
    },
    /// A range with its ends the wrong way round.
    #[error("the range '{text}' runs downwards; write the lower end first")]
    Downwards {
        /// The text.
        text: String,
    },
    /// An overload where none is possible.
    #[error(
        "'{text}' means over range, which is no {wanted} reading; change the range of the meter and write the number"
    )]
    NoOverload {
        /// The text.
        text: String,
        /// The unit wanted.
        wanted: &'static str,
    },
}

const VAGUE: [&str; 9] = ["about", "approx.", "approx", "around", "roughly", "circa", "ca.", "ca", "~"];

/// Reads a reading. `expected` supplies the unit where none was typed and refuses another.
///
/// # Errors
/// [`ReadingError`]: its message says what to write instead.
///
/// ```
/// use halfsplit::units::{Shown, Unit, reading};
/// assert_eq!(reading::parse("4,98 V", Some(Unit::Volts))?.shown, Shown::Value(4.98));
/// assert_eq!(reading::parse("OL", Some(Unit::Ohms))?.shown, Shown::Overload);
/// # Ok::<(), reading::ReadingError>(())
/// ```
pub fn parse(text: &str, expected: Option<Unit>) -> Result<Reading, ReadingError> {
    let (body, vague) = without_vague(text);
    if is_overload(&body) {
        return match expected {
            None | Some(Unit::Ohms) => {
                Ok(Reading { shown: Shown::Overload, unit: None, vague, resolution: 0.0 })
            }
            Some(unit) => Err(ReadingError::NoOverload { text: clip(text), wanted: unit.symbol() }),
        };
    }
    let Some((low, high)) = ends(&body) else {
        let (value, unit) = one(&body, text, expected)?;
        return Ok(Reading { shown: Shown::Value(value), unit, vague, resolution: resolution(&body, value) });
    };
    let low = complete(&low, &high);
    let ((a, unit_a), (b, unit_b)) = (one(&low, text, expected)?, one(&high, text, expected)?);
    if a > b {
        return Err(ReadingError::Downwards { text: clip(text) });
    }
    let resolution = resolution(&low, a).max(resolution(&high, b));
    Ok(Reading { shown: Shown::Range(a, b), unit: unit_b.or(unit_a), vague, resolution })
}

fn clip(text: &str) -> String {
    text.trim().chars().take(40).collect()
}

fn without_vague(text: &str) -> (String, bool) {
    let trimmed = text.trim();
    let lower = trimmed.to_ascii_lowercase();
    let word = VAGUE.iter().find(|w| lower.starts_with(*w) && lower.len() > w.len());
    match word {
        Some(w) => (trimmed[w.len()..].trim().to_owned(), true),
        None => match trimmed.strip_suffix('?') {
            Some(rest) => (rest.trim().to_owned(), true),
            None => (trimmed.to_owned(), false),
        },
    }
}

fn is_overload(text: &str) -> bool {
    let known = [
        "ol",
        "0l",
        "o.l",
        "0.l",
        "o.l.",
        ".ol",
        "overload",
        "overrange",
        "over",
        "open",
        "inf",
        "infinite",
        "infinity",
        "\u{221e}",
    ];
    known.contains(&text.to_lowercase().as_str())
}

fn ends(text: &str) -> Option<(String, String)> {
    let marks = ["...", "..", "\u{2026}", " to "];
    let (low, high) = marks.iter().find_map(|m| text.split_once(m))?;
    Some((low.trim().to_owned(), high.trim().to_owned()))
}

/// A lower end typed without a unit takes the letters of the upper one: `200..300mV`.
fn complete(low: &str, high: &str) -> String {
    if low.chars().any(char::is_alphabetic) {
        return low.to_owned();
    }
    let letters = high.trim_start_matches(|c: char| !c.is_alphabetic() && c != '\u{2126}');
    match high.trim_end_matches(char::is_alphabetic).chars().any(char::is_alphabetic) {
        true => low.to_owned(),
        false => format!("{low}{letters}"),
    }
}

fn one(body: &str, text: &str, expected: Option<Unit>) -> Result<(f64, Option<Unit>), ReadingError> {
    let (value, unit) = notation::any(body, expected)?;
    match (unit, expected) {
        (Some(found), Some(wanted)) if found != wanted => {
            Err(ReadingError::OtherUnit { text: clip(text), found: found.symbol(), wanted: wanted.symbol() })
        }
        _ => Ok((value, unit)),
    }
}

/// Worth of the last digit: the same text with every digit 0 but the last, which is 1.
fn resolution(body: &str, value: f64) -> f64 {
    let straight = straighten(body);
    let digits: Vec<char> = straight.chars().filter(char::is_ascii_digit).collect();
    let whole: f64 = digits.iter().collect::<String>().parse().unwrap_or(0.0);
    if whole == 0.0 { 0.0 } else { value.abs() / whole }
}
