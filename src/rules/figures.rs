//! The quantities that stand in packs: probabilities, money, minutes, bands.

use serde::de::{self, Deserializer, Visitor};
use serde::{Deserialize, Serialize, Serializer};
use std::fmt;
use std::str::FromStr;

/// Why a figure was refused.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum FigureError {
    /// No probability.
    #[error("expected a probability, found '{0}'; write a number from 0 to 1 or a percentage such as 1.2%")]
    NotAProbability(String),
    /// A number, but no probability.
    #[error("'{0}' is not between 0 and 1; write a number from 0 to 1 or a percentage such as 1.2%")]
    NotBetween0And1(String),
    /// No amount of money.
    #[error("expected an amount of money, found '{0}'; write plain currency units such as 0.40")]
    NotMoney(String),
    /// No minutes.
    #[error("expected minutes from 0 to 10000, found '{0}'; write a number such as 2.5")]
    NotMinutes(String),
    /// No factor.
    #[error("expected a factor from 0 to 1000, found '{0}'; write a number such as 1.3")]
    NotAFactor(String),
    /// No band.
    #[error("expected a band, found '{0}'; write 4.75..5.25, ..1 or 12..")]
    NotABand(String),
    /// A band whose ends are the wrong way round.
    #[error("the band '{0}' is empty; write the lower end first")]
    EmptyBand(String),
}

fn short(text: &str) -> String {
    text.chars().take(40).collect()
}

fn finite(text: &str) -> Option<f64> {
    text.trim().parse::<f64>().ok().filter(|x| x.is_finite())
}

/// Reads a type from the text of a scalar, whatever the format made of it.
macro_rules! from_scalar {
    ($type:ident, $expecting:literal) => {
        impl<'de> Deserialize<'de> for $type {
            fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
                struct V;
                impl Visitor<'_> for V {
                    type Value = $type;
                    fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                        f.write_str($expecting)
                    }
                    fn visit_str<E: de::Error>(self, text: &str) -> Result<$type, E> {
                        text.parse().map_err(E::custom)
                    }
                    fn visit_f64<E: de::Error>(self, x: f64) -> Result<$type, E> {
                        self.visit_str(&x.to_string())
                    }
                    fn visit_i64<E: de::Error>(self, x: i64) -> Result<$type, E> {
                        self.visit_str(&x.to_string())
                    }
                    fn visit_u64<E: de::Error>(self, x: u64) -> Result<$type, E> {
                        self.visit_str(&x.to_string())
                    }
                }
                deserializer.deserialize_str(V)
            }
        }
    };
}

/// A probability: finite, 0 to 1. Written as `0.012` or `1.2%`.
///
/// ```
/// use halfsplit::rules::Probability;
/// let p: Probability = "1.2%".parse()?;
/// assert_eq!(p.get(), 0.012);
/// assert_eq!(p.to_string(), "1.2 %");
/// assert!("1.2".parse::<Probability>().is_err());
/// # Ok::<(), halfsplit::rules::FigureError>(())
/// ```
#[derive(Clone, Copy, Debug, Default, PartialEq, PartialOrd)]
pub struct Probability(f64);

impl Probability {
    /// Never.
    pub const ZERO: Self = Self(0.0);
    /// Always.
    pub const ONE: Self = Self(1.0);

    /// A probability from a number; `None` outside 0 to 1 and for NaN.
    pub fn new(value: f64) -> Option<Self> {
        (0.0..=1.0).contains(&value).then_some(Self(value))
    }

    /// A probability from a number, the nearest end of 0 to 1 outside it; NaN counts as 0.
    pub fn clamped(value: f64) -> Self {
        if value.is_nan() { Self::ZERO } else { Self(value.clamp(0.0, 1.0)) }
    }

    /// The number, 0 to 1.
    pub const fn get(self) -> f64 {
        self.0
    }

    /// The probability of the opposite.
    #[must_use]
    pub fn complement(self) -> Self {
        Self(1.0 - self.0)
    }

    /// Whether it is 0.
    pub fn is_zero(self) -> bool {
        self.0 == 0.0
    }
}

impl FromStr for Probability {
    type Err = FigureError;
    fn from_str(text: &str) -> Result<Self, FigureError> {
        let value = match text.trim().strip_suffix('%') {
            Some(percent) => finite(percent).map(|x| x / 100.0),
            None => finite(text),
        };
        let value = value.ok_or_else(|| FigureError::NotAProbability(short(text)))?;
        Self::new(value).ok_or_else(|| FigureError::NotBetween0And1(short(text)))
    }
}

impl fmt::Display for Probability {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{} %", rounded(self.0 * 100.0))
    }
}

impl Serialize for Probability {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.serialize_f64(self.0)
    }
}

from_scalar!(Probability, "a probability");

/// A number with at most four significant figures, without trailing noughts.
pub(super) fn rounded(x: f64) -> String {
    if x == 0.0 || !x.is_finite() {
        return x.to_string();
    }
    let digits = (3.0 - x.abs().log10().floor()).clamp(0.0, 12.0) as usize;
    let text = format!("{x:.digits$}");
    if text.contains('.') { text.trim_end_matches('0').trim_end_matches('.').to_string() } else { text }
}

/// An amount of money in hundredths of the currency unit, 0 or more.
///
/// ```
/// use halfsplit::rules::Money;
/// let m: Money = "0.40".parse()?;
/// assert_eq!((m.hundredths(), m.to_string()), (40, "0.40".into()));
/// # Ok::<(), halfsplit::rules::FigureError>(())
/// ```
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Money(u32);

impl Money {
    /// So many hundredths.
    pub const fn from_hundredths(hundredths: u32) -> Self {
        Self(hundredths)
    }

    /// The amount in hundredths.
    pub const fn hundredths(self) -> u32 {
        self.0
    }
}

impl FromStr for Money {
    type Err = FigureError;
    fn from_str(text: &str) -> Result<Self, FigureError> {
        let refuse = || FigureError::NotMoney(short(text));
        let (units, rest) = text.trim().split_once('.').unwrap_or((text.trim(), ""));
        let digits = |t: &str| t.bytes().all(|b| b.is_ascii_digit());
        if units.is_empty() || units.len() > 7 || rest.len() > 2 || !digits(units) || !digits(rest) {
            return Err(refuse());
        }
        format!("{units}{rest:0<2}").parse().map(Self).map_err(|_| refuse())
    }
}

impl fmt::Display for Money {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}.{:02}", self.0 / 100, self.0 % 100)
    }
}

impl Serialize for Money {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.serialize_f64(f64::from(self.0) / 100.0)
    }
}

from_scalar!(Money, "an amount of money");

/// Minutes of work, 0 to 10000.
#[derive(Clone, Copy, Debug, Default, PartialEq, PartialOrd)]
pub struct Minutes(f64);

impl Minutes {
    /// Minutes from a number; `None` for NaN and outside 0 to 10000.
    pub fn new(value: f64) -> Option<Self> {
        (0.0..=10_000.0).contains(&value).then_some(Self(value))
    }

    /// The number of minutes.
    pub const fn get(self) -> f64 {
        self.0
    }
}

impl FromStr for Minutes {
    type Err = FigureError;
    fn from_str(text: &str) -> Result<Self, FigureError> {
        finite(text).and_then(Self::new).ok_or_else(|| FigureError::NotMinutes(short(text)))
    }
}

impl fmt::Display for Minutes {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{} min", rounded(self.0))
    }
}

impl Serialize for Minutes {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.serialize_f64(self.0)
    }
}

from_scalar!(Minutes, "minutes");

/// A factor on a prior, 0 to 1000.
#[derive(Clone, Copy, Debug, PartialEq, PartialOrd)]
pub struct Factor(f64);

impl Factor {
    /// Changes nothing.
    pub const ONE: Self = Self(1.0);

    /// A factor from a number; `None` for NaN and outside 0 to 1000.
    pub fn new(value: f64) -> Option<Self> {
        (0.0..=1000.0).contains(&value).then_some(Self(value))
    }

    /// The number.
    pub const fn get(self) -> f64 {
        self.0
    }
}

impl FromStr for Factor {
    type Err = FigureError;
    fn from_str(text: &str) -> Result<Self, FigureError> {
        finite(text).and_then(Self::new).ok_or_else(|| FigureError::NotAFactor(short(text)))
    }
}

impl Serialize for Factor {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.serialize_f64(self.0)
    }
}

from_scalar!(Factor, "a factor");

/// A stretch of values, open ends allowed: `4.75..5.25`, `..1`, `12..`. The lower end is below the
/// upper one; an open end is an infinity.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Band {
    /// Lower end.
    pub low: f64,
    /// Upper end.
    pub high: f64,
}

impl Band {
    /// Whether a value lies in it, ends included.
    pub fn holds(self, value: f64) -> bool {
        self.low <= value && value <= self.high
    }

    /// The length that it shares with another stretch.
    pub(super) fn overlap(self, low: f64, high: f64) -> f64 {
        (self.high.min(high) - self.low.max(low)).max(0.0)
    }
}

impl FromStr for Band {
    type Err = FigureError;
    fn from_str(text: &str) -> Result<Self, FigureError> {
        let refuse = || FigureError::NotABand(short(text));
        let (low, high) = text.trim().split_once("..").ok_or_else(refuse)?;
        let end = |t: &str, open: f64| {
            if t.trim().is_empty() { Ok(open) } else { finite(t).ok_or_else(refuse) }
        };
        let band = Self { low: end(low, f64::NEG_INFINITY)?, high: end(high, f64::INFINITY)? };
        if band.low < band.high { Ok(band) } else { Err(FigureError::EmptyBand(short(text))) }
    }
}

impl fmt::Display for Band {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match (self.low.is_finite(), self.high.is_finite()) {
            (true, true) => write!(f, "{} to {}", rounded(self.low), rounded(self.high)),
            (false, true) => write!(f, "up to {}", rounded(self.high)),
            (true, false) => write!(f, "{} and more", rounded(self.low)),
            (false, false) => f.write_str("any value"),
        }
    }
}

impl Serialize for Band {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        let end = |x: f64| x.is_finite().then_some(x);
        (end(self.low), end(self.high)).serialize(serializer)
    }
}

from_scalar!(Band, "a band");

#[cfg(test)]
mod schemas {
    use super::*;
    use schemars::{JsonSchema, Schema, SchemaGenerator, json_schema};

    macro_rules! schema {
        ($type:ident, $($body:tt)+) => {
            impl JsonSchema for $type {
                fn schema_name() -> std::borrow::Cow<'static, str> {
                    stringify!($type).into()
                }
                fn json_schema(_: &mut SchemaGenerator) -> Schema {
                    json_schema!($($body)+)
                }
            }
        };
    }

    schema!(Probability, {
        "description": "A probability: 0 to 1, or a percentage such as 1.2%.",
        "anyOf": [
            {"type": "number", "minimum": 0, "maximum": 1},
            {"type": "string", "pattern": "^[0-9.]+ ?%$"}
        ]
    });
    schema!(Money, {"description": "Plain currency units, at most two decimals.", "type": "number", "minimum": 0});
    schema!(Minutes, {"description": "Minutes of work.", "type": "number", "minimum": 0, "maximum": 10000});
    schema!(Factor, {"description": "A factor on a prior.", "type": "number", "minimum": 0, "maximum": 1000});
    schema!(Band, {
        "description": "A stretch of values: 4.75..5.25, ..1 or 12..",
        "type": "string",
        "pattern": "^-?[0-9.eE+-]*\\.\\.-?[0-9.eE+-]*$"
    });
}
