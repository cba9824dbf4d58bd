//! Ids of the checks that a board has by itself.

use crate::units::Unit;
use serde::{Serialize, Serializer};
use std::fmt;
use std::str::FromStr;
use thiserror::Error;

/// A check of a board: what to measure, and where.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum CheckId {
    /// Ohms from a net to ground with the power off: `ohms:NET`.
    Ohms(String),
    /// Current from a supply: `amps:SUPPLY`.
    Amps(String),
    /// Volts from a net to ground: `volts:NET`.
    Volts(String),
    /// Level at a net with the tone in: `level:NET`.
    Level(String),
}

/// Why a text is no check of a board.
#[derive(Clone, Debug, PartialEq, Eq, Error)]
#[error("'{text}' is no check of a board; write volts:NET, ohms:NET, level:NET or amps:SUPPLY")]
pub struct CheckParseError {
    /// The text.
    pub text: String,
}

impl CheckId {
    /// The net or supply.
    pub fn place(&self) -> &str {
        match self {
            Self::Ohms(p) | Self::Amps(p) | Self::Volts(p) | Self::Level(p) => p,
        }
    }

    /// The same measurement at another net.
    pub fn on(&self, net: &str) -> Self {
        match self {
            Self::Ohms(_) => Self::Ohms(net.to_owned()),
            Self::Amps(_) => Self::Amps(net.to_owned()),
            Self::Volts(_) => Self::Volts(net.to_owned()),
            Self::Level(_) => Self::Level(net.to_owned()),
        }
    }

    /// Whether a text can be the name of a place: a net, or a part and its pin.
    pub fn is_place(text: &str) -> bool {
        (1..=24).contains(&text.len()) && text.chars().all(|c| c.is_alphanumeric() || "+-_/.".contains(c))
    }

    /// Unit of its readings.
    pub fn unit(&self) -> Unit {
        match self {
            Self::Ohms(_) => Unit::Ohms,
            Self::Amps(_) => Unit::Amps,
            Self::Volts(_) => Unit::Volts,
            Self::Level(_) => Unit::Decibels,
        }
    }

    /// Whether the power must be on.
    pub fn powered(&self) -> bool {
        !matches!(self, Self::Ohms(_))
    }
}

impl fmt::Display for CheckId {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let word = match self {
            Self::Ohms(_) => "ohms",
            Self::Amps(_) => "amps",
            Self::Volts(_) => "volts",
            Self::Level(_) => "level",
        };
        write!(f, "{word}:{}", self.place())
    }
}

impl FromStr for CheckId {
    type Err = CheckParseError;
    fn from_str(text: &str) -> Result<Self, CheckParseError> {
        let bad = || CheckParseError { text: text.chars().take(60).collect() };
        let (word, place) = text.split_once(':').filter(|(_, p)| !p.is_empty()).ok_or_else(bad)?;
        let place = place.to_owned();
        match word {
            "ohms" => Ok(Self::Ohms(place)),
            "amps" => Ok(Self::Amps(place)),
            "volts" => Ok(Self::Volts(place)),
            "level" => Ok(Self::Level(place)),
            _ => Err(bad()),
        }
    }
}

impl Serialize for CheckId {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.collect_str(self)
    }
}

#[cfg(test)]
impl schemars::JsonSchema for CheckId {
    fn schema_name() -> std::borrow::Cow<'static, str> {
        "CheckId".into()
    }
    fn inline_schema() -> bool {
        true
    }
    fn json_schema(_: &mut schemars::SchemaGenerator) -> schemars::Schema {
        schemars::json_schema!({ "type": "string", "pattern": "^(volts|ohms|level|amps):.+$" })
    }
}
