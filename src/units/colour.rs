//! Colour bands on resistors to a value, per IEC 60062:2016 as tabulated publicly. Grey as a tolerance is disputed between tables;
//! 0.01 % is used here.

use super::notation::{Marked, Tolerance};
use super::quantity::Ohms;
use crate::text::or_nearest;
use thiserror::Error;

/// Why bands give no value.
#[derive(Clone, Debug, PartialEq, Eq, Error)]
pub enum BandError {
    /// Wrong number of bands.
    #[error("{found} bands make no resistor; write three to six, such as yellow violet orange gold")]
    Count {
        /// How many there were.
        found: usize,
    },
    /// No colour of that name.
    #[error("unknown colour '{name}'; {help}")]
    UnknownColour {
        /// The name as written.
        name: String,
        /// Nearest valid names.
        help: String,
    },
    /// A colour that cannot stand there.
    #[error("{colour} cannot be the {place}; read the bands from the other end")]
    Misplaced {
        /// The colour.
        colour: &'static str,
        /// `digit`, `multiplier` or `tolerance`.
        place: &'static str,
    },
}

struct Colour {
    name: &'static str,
    digit: Option<u8>,
    exponent: Option<i32>,
    percent: Option<f64>,
}

const fn colour(
    name: &'static str,
    digit: Option<u8>,
    exponent: Option<i32>,
    percent: Option<f64>,
) -> Colour {
    Colour { name, digit, exponent, percent }
}

const COLOURS: [Colour; 13] = [
    colour("black", Some(0), Some(0), None),
    colour("brown", Some(1), Some(1), Some(1.0)),
    colour("red", Some(2), Some(2), Some(2.0)),
    colour("orange", Some(3), Some(3), Some(0.05)),
    colour("yellow", Some(4), Some(4), Some(0.02)),
    colour("green", Some(5), Some(5), Some(0.5)),
    colour("blue", Some(6), Some(6), Some(0.25)),
    colour("violet", Some(7), Some(7), Some(0.1)),
    colour("grey", Some(8), Some(8), Some(0.01)),
    colour("white", Some(9), Some(9), None),
    colour("gold", None, Some(-1), Some(5.0)),
    colour("silver", None, Some(-2), Some(10.0)),
    colour("pink", None, Some(-3), None),
];

fn find(name: &str) -> Result<&'static Colour, BandError> {
    let wanted = match name.trim().to_ascii_lowercase().as_str() {
        "gray" => "grey".to_owned(),
        "purple" => "violet".to_owned(),
        other => other.to_owned(),
    };
    COLOURS.iter().find(|c| c.name == wanted).ok_or_else(|| BandError::UnknownColour {
        name: name.chars().take(30).collect(),
        help: or_nearest(&wanted, COLOURS.iter().map(|c| c.name)),
    })
}

/// Three bands (tolerance 20 %), four, five, or six (the sixth, the temperature coefficient, is not read) to a value.
///
/// # Errors
/// [`BandError`]: wrong count, unknown colour, or a colour that cannot stand there.
///
/// ```
/// use halfsplit::units::{Ohms, colour};
/// assert_eq!(colour::bands(&["yellow", "violet", "orange", "gold"])?.value, Ohms(47_000.0));
/// # Ok::<(), colour::BandError>(())
/// ```
pub fn bands(names: &[&str]) -> Result<Marked<Ohms>, BandError> {
    let digits = match names.len() {
        3 | 4 => 2,
        5 | 6 => 3,
        found => return Err(BandError::Count { found }),
    };
    let mut number = 0.0;
    for name in &names[..digits] {
        let c = find(name)?;
        let digit = c.digit.ok_or(BandError::Misplaced { colour: c.name, place: "digit" })?;
        number = number * 10.0 + f64::from(digit);
    }
    let multiplier = find(names[digits])?;
    let exponent =
        multiplier.exponent.ok_or(BandError::Misplaced { colour: multiplier.name, place: "multiplier" })?;
    let tolerance = match names.get(digits + 1) {
        None => Tolerance::percent(20.0),
        Some(name) => {
            let c = find(name)?;
            Tolerance::percent(c.percent.ok_or(BandError::Misplaced { colour: c.name, place: "tolerance" })?)
        }
    };
    let value = if exponent < 0 { number / 10f64.powi(-exponent) } else { number * 10f64.powi(exponent) };
    Ok(Marked { value: Ohms(value), tolerance: Some(tolerance) })
}

/// The four bands of a value, nearest in two significant digits, with a tolerance of 5 %; `None` outside 0.1 ohm to 99 Gohm.
pub fn four_bands(value: Ohms) -> Option<[&'static str; 4]> {
    if !(0.1..=99e9).contains(&value.0) {
        return None;
    }
    let mut exponent = value.0.log10().floor() as i32 - 1;
    let mut number = (value.0 / 10f64.powi(exponent)).round() as u32;
    if number >= 100 {
        number /= 10;
        exponent += 1;
    }
    let digit = |d: u32| COLOURS.iter().find(|c| c.digit.map(u32::from) == Some(d)).map(|c| c.name);
    let multiplier = COLOURS.iter().find(|c| c.exponent == Some(exponent)).map(|c| c.name)?;
    Some([digit(number / 10)?, digit(number % 10)?, multiplier, "gold"])
}
