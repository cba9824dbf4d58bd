//! Values as printed on parts and written in drawings: `4k7`, `R47`, `104`, `4.7uF`, `4K7J`, `3V3`.
//!
//! Sources: IEC 60062 (letter and digit code, tolerance letters), EIA-198 (three-digit capacitor code), as tabulated publicly.
//! Absent: colours ([`super::colour`]) and what a person reads off a meter ([`super::reading`]).

use super::quantity::{Amps, Decibels, Farads, Henries, Hertz, Minutes, Ohms, Seconds, Unit, Volts};
use thiserror::Error;

/// Why a text is no value. Each message says what to write instead after a semicolon.
#[derive(Clone, Debug, PartialEq, Error)]
pub enum NotationError {
    /// Nothing was written.
    #[error("the value is empty; write one such as {example}")]
    Empty {
        /// A valid text.
        example: &'static str,
    },
    /// The text is no number with a prefix.
    #[error("'{text}' is no value in {unit}; write one such as {example}")]
    NoNumber {
        /// The text.
        text: String,
        /// What was wanted.
        unit: &'static str,
        /// A valid text.
        example: &'static str,
    },
    /// The letters behind the number are not known here.
    #[error("'{letters}' in '{text}' is no unit for {unit}; write one such as {example}")]
    WrongUnit {
        /// The letters not understood.
        letters: String,
        /// The text.
        text: String,
        /// What was wanted.
        unit: &'static str,
        /// A valid text.
        example: &'static str,
    },
    /// A lower-case m on a resistor may mean milli or mega.
    #[error("'{text}' could mean milliohms or megohms; write M for mega, R for ohms (0R1) or L for milli")]
    MilliOrMega {
        /// The text.
        text: String,
    },
    /// A capacitor mark without unit that is no three-digit code.
    #[error("'{text}' has no unit and is no three-digit code; write {text}u, {text}n or {text}p")]
    BareCapacitor {
        /// The text.
        text: String,
    },
    /// A number too large or small to be held.
    #[error("'{text}' is out of any range; write a value with a prefix such as {example}")]
    OutOfRange {
        /// The text.
        text: String,
        /// A valid text.
        example: &'static str,
    },
}

/// Tolerance as marked.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Tolerance {
    /// Fractions below and above the value: `[0.05, 0.05]` for 5 %, `[0.2, 0.8]` for letter Z.
    Relative {
        /// Fraction below, not negative.
        below: f64,
        /// Fraction above, not negative.
        above: f64,
    },
    /// Farads either way (letters B, C and D on capacitors below 10 pF).
    Picofarads(f64),
}

impl Tolerance {
    /// The same fraction either way.
    pub fn percent(percent: f64) -> Self {
        Self::Relative { below: percent / 100.0, above: percent / 100.0 }
    }

    /// The larger fraction, taking the value into account for absolute tolerances.
    pub fn fraction_of(self, value: f64) -> f64 {
        match self {
            Self::Relative { below, above } => below.max(above),
            Self::Picofarads(pf) => pf * 1e-12 / value,
        }
    }
}

/// A value with the tolerance letter it was marked with, if any.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Marked<T> {
    /// The value.
    pub value: T,
    /// The tolerance, if a letter gave one.
    pub tolerance: Option<Tolerance>,
}

/// How numbers of one unit are written.
struct Style {
    unit: Unit,
    name: &'static str,
    example: &'static str,
    /// Letters that may stand for the point, longest first.
    prefixes: &'static [(&'static str, f64)],
    /// Unit texts that may follow, lower case.
    symbols: &'static [&'static str],
}

const RESISTANCE: Style = Style {
    unit: Unit::Ohms,
    name: "ohms",
    example: "4k7",
    prefixes: &[
        ("meg", 1e6),
        ("Meg", 1e6),
        ("MEG", 1e6),
        ("L", 1e-3),
        ("R", 1.0),
        ("E", 1.0),
        ("r", 1.0),
        ("K", 1e3),
        ("k", 1e3),
        ("M", 1e6),
        ("G", 1e9),
    ],
    symbols: &["ohms", "ohm", "r"],
};
const CAPACITANCE: Style = Style {
    unit: Unit::Farads,
    name: "farads",
    example: "100n",
    prefixes: &[
        ("p", 1e-12),
        ("P", 1e-12),
        ("n", 1e-9),
        ("N", 1e-9),
        ("u", 1e-6),
        ("U", 1e-6),
        ("m", 1e-3),
        ("F", 1.0),
    ],
    symbols: &["farads", "farad", "f"],
};
const COMMON: &[(&str, f64)] =
    &[("p", 1e-12), ("n", 1e-9), ("u", 1e-6), ("m", 1e-3), ("k", 1e3), ("K", 1e3), ("M", 1e6), ("G", 1e9)];
const TENSION: Style = Style {
    unit: Unit::Volts,
    name: "volts",
    example: "9V",
    prefixes: &[("V", 1.0), ("v", 1.0), ("u", 1e-6), ("m", 1e-3), ("k", 1e3), ("K", 1e3)],
    symbols: &["volts", "volt", "vdc", "v"],
};
const CURRENT: Style = Style {
    unit: Unit::Amps,
    name: "amps",
    example: "20mA",
    prefixes: COMMON,
    symbols: &["amps", "amp", "a"],
};
const INDUCTANCE: Style = Style {
    unit: Unit::Henries,
    name: "henries",
    example: "100mH",
    prefixes: COMMON,
    symbols: &["henries", "henry", "h"],
};
const FREQUENCY: Style =
    Style { unit: Unit::Hertz, name: "hertz", example: "1kHz", prefixes: COMMON, symbols: &["hertz", "hz"] };
const TIME: Style = Style {
    unit: Unit::Seconds,
    name: "seconds",
    example: "20ms",
    prefixes: &[("p", 1e-12), ("n", 1e-9), ("u", 1e-6), ("m", 1e-3)],
    symbols: &["seconds", "second", "sec", "s"],
};
const RATIO: Style =
    Style { unit: Unit::Decibels, name: "decibels", example: "-12.3dB", prefixes: &[], symbols: &["db"] };

const STYLES: [&Style; 8] =
    [&TENSION, &RESISTANCE, &CURRENT, &FREQUENCY, &CAPACITANCE, &INDUCTANCE, &TIME, &RATIO];

/// Straightens the many ways to type the same: micro and ohm signs, a decimal comma, inner spaces, the long minus.
pub(super) fn straighten(text: &str) -> String {
    let mut out: String = text
        .trim()
        .chars()
        .filter(|c| !c.is_whitespace())
        .map(|c| match c {
            '\u{b5}' | '\u{3bc}' => 'u',
            '\u{3a9}' | '\u{2126}' => 'R',
            '\u{2212}' | '\u{2013}' => '-',
            c => c,
        })
        .collect();
    if out.matches(',').count() == 1 && !out.contains('.') {
        out = out.replace(',', ".");
    }
    out
}

/// The leading number of a text and what follows it. The number may lack digits before a prefix letter (`R47`).
fn number(text: &str) -> (&str, &str) {
    let mut point = false;
    let sign = usize::from(text.starts_with(['+', '-']));
    let digits = text[sign..]
        .find(|c: char| !(c.is_ascii_digit() || c == '.' && !std::mem::replace(&mut point, true)));
    text.split_at(digits.map_or(text.len(), |i| i + sign))
}

/// Reads `number prefix [digits] [unit]` under a style. `None` where the shape does not fit at all.
fn scaled(text: &str, style: &Style) -> Result<(f64, String), NotationError> {
    let no_number = || NotationError::NoNumber { text: clip(text), unit: style.name, example: style.example };
    let plain = straighten(text);
    if plain.is_empty() {
        return Err(NotationError::Empty { example: style.example });
    }
    let (head, rest) = number(&plain);
    let bare = head.trim_start_matches(['+', '-']);
    let (factor, after) = match unit_only(rest, style) {
        true => (1.0, rest),
        false => prefix(rest, style),
    };
    let used = after.len() < rest.len();
    let (fraction, tail) = after.split_at(after.find(|c: char| !c.is_ascii_digit()).unwrap_or(after.len()));
    let joined = match (used, fraction.is_empty()) {
        (true, false) if !bare.contains('.') => format!("{head}.{fraction}"),
        (_, true) if bare.chars().any(|c| c.is_ascii_digit()) => head.to_owned(),
        _ => return Err(no_number()),
    };
    // A number is at most a few digits; longer ones are no marking and would only hide a slip.
    let mantissa: f64 = joined.parse().map_err(|_| no_number())?;
    let value = mantissa * factor;
    // Decimal texts times powers of ten: round away the binary dust (4.7 * 1e-6), twelve figures are kept.
    let value = format!("{value:.12e}").parse().unwrap_or(value);
    if !value.is_finite() || joined.len() > 40 {
        return Err(NotationError::OutOfRange { text: clip(text), example: style.example });
    }
    Ok((value, tail.to_owned()))
}

fn clip(text: &str) -> String {
    text.trim().chars().take(40).collect()
}

fn unit_only(rest: &str, style: &Style) -> bool {
    style.symbols.contains(&rest.to_ascii_lowercase().as_str())
        && !style.prefixes.iter().any(|(p, _)| *p == rest)
}

fn prefix<'a>(rest: &'a str, style: &Style) -> (f64, &'a str) {
    let found = style.prefixes.iter().find_map(|(p, f)| rest.strip_prefix(p).map(|after| (*f, after)));
    found.unwrap_or((1.0, rest))
}

fn tail_is_unit(tail: &str, style: &Style) -> bool {
    tail.is_empty() || style.symbols.contains(&tail.to_ascii_lowercase().as_str())
}

fn plain(text: &str, style: &Style) -> Result<f64, NotationError> {
    let (value, tail) = scaled(text, style)?;
    if tail_is_unit(&tail, style) {
        return Ok(value);
    }
    Err(NotationError::WrongUnit {
        letters: clip(&tail),
        text: clip(text),
        unit: style.name,
        example: style.example,
    })
}

/// A number with any unit: the value in the base unit and the unit if one was written. Used for readings.
pub(super) fn any(text: &str, expected: Option<Unit>) -> Result<(f64, Option<Unit>), NotationError> {
    let straight = straighten(text);
    let lower = straight.to_ascii_lowercase();
    let named =
        STYLES.into_iter().find(|s| s.symbols.iter().any(|u| lower.ends_with(u)) && plain(text, s).is_ok());
    if let Some(style) = named {
        return Ok((plain(text, style)?, Some(style.unit)));
    }
    let wanted = expected.and_then(|u| STYLES.into_iter().find(|s| s.unit == u));
    let bare = Style {
        unit: Unit::Volts,
        name: wanted.map_or("any unit", |s| s.name),
        example: wanted.map_or("4.98V", |s| s.example),
        prefixes: COMMON,
        symbols: &[],
    };
    match wanted.filter(|s| !s.prefixes.is_empty()) {
        Some(style) => plain(text, style).map(|x| (x, None)),
        None => plain(text, &bare).map(|x| (x, None)),
    }
}

/// Ohms with a tolerance letter: `4k7`, `R47`, `2M2`, `4K7J`, `100`, `1 Mohm`.
///
/// # Errors
/// [`NotationError`] with what to write instead.
pub fn ohms(text: &str) -> Result<Marked<Ohms>, NotationError> {
    let straight = straighten(text);
    let behind = number(&straight).1;
    if behind.starts_with('m') && !behind.starts_with("meg") {
        return Err(NotationError::MilliOrMega { text: clip(text) });
    }
    let (value, tail) = scaled(text, &RESISTANCE)?;
    if tail_is_unit(&tail, &RESISTANCE) {
        return Ok(Marked { value: Ohms(value), tolerance: None });
    }
    match tolerance_percent(&tail) {
        Some(tolerance) => Ok(Marked { value: Ohms(value), tolerance: Some(tolerance) }),
        None => Err(NotationError::WrongUnit {
            letters: clip(&tail),
            text: clip(text),
            unit: RESISTANCE.name,
            example: RESISTANCE.example,
        }),
    }
}

/// Tolerance letters of IEC 60062 in percent (B, C and D from memory of the same table).
fn tolerance_percent(letter: &str) -> Option<Tolerance> {
    let percent = match letter {
        "B" => 0.1,
        "C" => 0.25,
        "D" => 0.5,
        "F" => 1.0,
        "G" => 2.0,
        "J" => 5.0,
        "K" => 10.0,
        "M" => 20.0,
        "N" => 30.0,
        _ => return None,
    };
    Some(Tolerance::percent(percent))
}

/// Tolerance letters on capacitors: absolute below 10 pF, else percent; Z is -20 +80 %, P is 0 +100 % (EIA-198 tables).
fn capacitor_tolerance(letter: &str, farads: f64) -> Option<Tolerance> {
    let small = farads < 9.9999e-12;
    match letter {
        "B" if small => Some(Tolerance::Picofarads(0.1)),
        "C" if small => Some(Tolerance::Picofarads(0.25)),
        "D" if small => Some(Tolerance::Picofarads(0.5)),
        "Z" => Some(Tolerance::Relative { below: 0.2, above: 0.8 }),
        "P" => Some(Tolerance::Relative { below: 0.0, above: 1.0 }),
        _ => tolerance_percent(letter),
    }
}

/// Farads: `100n`, `4u7`, `4.7uF`, `p47`, the three-digit code `104` (and `104K`), two digits are picofarads.
/// The classic trap is kept: `100` is 10 pF. Third digits 8 and 9 (times 0.01 and 0.1) follow common tables.
///
/// # Errors
/// [`NotationError`] with what to write instead.
pub fn farads(text: &str) -> Result<Marked<Farads>, NotationError> {
    let straight = straighten(text);
    let (head, tail) = number(&straight);
    let coded = !head.is_empty() && head.chars().all(|c| c.is_ascii_digit());
    // `47K` and `104J`: a capital tolerance letter behind a code, never a multiplier.
    // F stays the unit: who writes `100F` means farads far more often than a 1 % mark.
    let letter = matches!(tail, "" | "B" | "C" | "D" | "G" | "J" | "K" | "M" | "N" | "Z" | "P");
    if coded && letter && !(matches!(tail, "N" | "P") && head.len() < 3) {
        let picofarads =
            digits_code(head).ok_or_else(|| NotationError::BareCapacitor { text: clip(text) })?;
        let value = picofarads_to_farads(picofarads);
        return Ok(Marked { value: Farads(value), tolerance: capacitor_tolerance(tail, value) });
    }
    if tail.is_empty() && !head.is_empty() {
        return Err(NotationError::BareCapacitor { text: clip(text) });
    }
    let (value, tail) = scaled(text, &CAPACITANCE)?;
    if tail_is_unit(&tail, &CAPACITANCE) {
        return Ok(Marked { value: Farads(value), tolerance: None });
    }
    let letters = tail.trim_start_matches(['F', 'f']);
    match capacitor_tolerance(letters, value) {
        Some(tolerance) => Ok(Marked { value: Farads(value), tolerance: Some(tolerance) }),
        None => Err(NotationError::WrongUnit {
            letters: clip(&tail),
            text: clip(text),
            unit: CAPACITANCE.name,
            example: CAPACITANCE.example,
        }),
    }
}

fn picofarads_to_farads(pf: f64) -> f64 {
    let value = pf * 1e-12;
    format!("{value:.12e}").parse().unwrap_or(value)
}

fn digits_code(digits: &str) -> Option<f64> {
    let n: u32 = digits.parse().ok().filter(|_| digits.len() <= 3)?;
    if digits.len() < 3 {
        return Some(f64::from(n));
    }
    let factor = match n % 10 {
        8 => 0.01,
        9 => 0.1,
        k => 10f64.powi(k as i32),
    };
    Some(f64::from(n / 10) * factor)
}

/// Ohms without asking for the tolerance; see [`ohms`].
///
/// # Errors
/// As [`ohms`].
pub fn ohms_value(text: &str) -> Result<Ohms, NotationError> {
    ohms(text).map(|m| m.value)
}

/// Farads without asking for the tolerance; see [`farads`].
///
/// # Errors
/// As [`farads`].
pub fn farads_value(text: &str) -> Result<Farads, NotationError> {
    farads(text).map(|m| m.value)
}

/// Volts: `9V`, `3V3`, `100mV`, `-15`.
///
/// # Errors
/// [`NotationError`] with what to write instead.
pub fn volts(text: &str) -> Result<Volts, NotationError> {
    plain(text, &TENSION).map(Volts)
}

/// Amps: `20mA`, `1.5A`, `200u`.
///
/// # Errors
/// [`NotationError`] with what to write instead.
pub fn amps(text: &str) -> Result<Amps, NotationError> {
    plain(text, &CURRENT).map(Amps)
}

/// Henries: `100mH`, `4m7`.
///
/// # Errors
/// [`NotationError`] with what to write instead.
pub fn henries(text: &str) -> Result<Henries, NotationError> {
    plain(text, &INDUCTANCE).map(Henries)
}

/// Hertz: `1kHz`, `440`, `2k2`.
///
/// # Errors
/// [`NotationError`] with what to write instead.
pub fn hertz(text: &str) -> Result<Hertz, NotationError> {
    plain(text, &FREQUENCY).map(Hertz)
}

/// Seconds: `20ms`, `1.5s`.
///
/// # Errors
/// [`NotationError`] with what to write instead.
pub fn seconds(text: &str) -> Result<Seconds, NotationError> {
    plain(text, &TIME).map(Seconds)
}

/// Decibels: `-12.3dB`, `6`.
///
/// # Errors
/// [`NotationError`] with what to write instead.
pub fn decibels(text: &str) -> Result<Decibels, NotationError> {
    plain(text, &RATIO).map(Decibels)
}

/// Minutes: `5`, `5min`, `1.5h`.
///
/// # Errors
/// [`NotationError`] with what to write instead.
pub fn minutes(text: &str) -> Result<Minutes, NotationError> {
    const STYLE: Style = Style {
        unit: Unit::Seconds,
        name: "minutes",
        example: "5min",
        prefixes: &[("h", 60.0)],
        symbols: &["minutes", "min"],
    };
    plain(text, &STYLE).map(Minutes)
}

/// A tolerance as written in files: `5%`, `5 %`, `J`, `0.05`.
///
/// # Errors
/// [`NotationError`] with what to write instead.
pub fn tolerance(text: &str) -> Result<Tolerance, NotationError> {
    let straight = straighten(text);
    if let Some(found) = tolerance_percent(&straight) {
        return Ok(found);
    }
    let no = || NotationError::NoNumber { text: clip(text), unit: "percent", example: "5%" };
    fraction(text).filter(|f| (0.0..=1.0).contains(f)).map(|f| Tolerance::percent(f * 100.0)).ok_or_else(no)
}

/// A part of a whole: `70%` or `0.7`, 0 to 1.
///
/// # Errors
/// [`NotationError`] with what to write instead.
pub fn share(text: &str) -> Result<f64, NotationError> {
    let no = || NotationError::NoNumber { text: clip(text), unit: "0 % to 100 %", example: "70%" };
    fraction(text).filter(|f| (0.0..=1.0).contains(f)).ok_or_else(no)
}

fn fraction(text: &str) -> Option<f64> {
    let straight = straighten(text);
    match straight.strip_suffix('%') {
        Some(percent) => percent.parse::<f64>().ok().map(|p| p / 100.0),
        None => straight.parse::<f64>().ok(),
    }
}
