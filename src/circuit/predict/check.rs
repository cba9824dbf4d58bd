//! Ids of the checks that a board has by itself.

use crate::units::{Reading, Shown, Unit, Volts, show};
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
    /// Rate at which a net swings by itself: `hertz:NET`.
    Hertz(String),
    /// Least and most volts of a net that swings by itself: `swing:NET`.
    Swing(String),
    /// Volts rms at a net with nothing going in: `noise:NET`.
    Noise(String),
}

/// Behind a swing's volts.
const PEAKS: &str = " peak to peak";
/// Where a board that rests lies on the scale of rates, hertz.
pub(super) const LEAST_HERTZ: f64 = 1e-3;
/// Rates below this are none, hertz: nobody watches a meter for two minutes to see it turn.
pub(super) const NONE_HERTZ: f64 = 1e-2;
/// Less than this is no noise, volts rms; where a usual meter's figure begins to say anything; a swing of less stands still.
const LEAST_NOISE: f64 = 1e-6;
pub(super) const NOISE_SHOWN: f64 = 0.3e-3;
const NONE_SWING: f64 = 0.02;
/// Ohms below this are a meter's leads.
const LEAST_OHMS: f64 = 0.05;

/// Why a text is no check of a board.
#[derive(Clone, Debug, PartialEq, Eq, Error)]
#[error(
    "'{text}' is no check of a board; write volts:NET, ohms:NET, level:NET, hertz:NET, swing:NET, noise:NET or amps:SUPPLY"
)]
pub struct CheckParseError {
    /// The text.
    pub text: String,
}

impl CheckId {
    /// What stands before the colon of an id.
    pub const WORDS: [&'static str; 7] = ["ohms", "amps", "volts", "level", "hertz", "swing", "noise"];

    /// The net or supply.
    pub fn place(&self) -> &str {
        match self {
            Self::Ohms(p) | Self::Amps(p) | Self::Volts(p) | Self::Level(p) => p,
            Self::Hertz(p) | Self::Swing(p) | Self::Noise(p) => p,
        }
    }

    /// The same measurement at another net.
    pub fn on(&self, net: &str) -> Self {
        match self {
            Self::Ohms(_) => Self::Ohms(net.to_owned()),
            Self::Amps(_) => Self::Amps(net.to_owned()),
            Self::Volts(_) => Self::Volts(net.to_owned()),
            Self::Level(_) => Self::Level(net.to_owned()),
            Self::Hertz(_) => Self::Hertz(net.to_owned()),
            Self::Swing(_) => Self::Swing(net.to_owned()),
            Self::Noise(_) => Self::Noise(net.to_owned()),
        }
    }

    /// Whether it reads what the board does by itself. Such readings are worked out only where one was taken or a complaint is about
    /// that; see [`super::Predictor::checks`].
    pub fn by_itself(&self) -> bool {
        matches!(self, Self::Hertz(_) | Self::Swing(_) | Self::Noise(_))
    }

    /// Whether its readings spread by ratio, so that they are predicted and scored by their logarithm.
    pub fn by_ratio(&self) -> bool {
        matches!(self, Self::Ohms(_) | Self::Hertz(_) | Self::Noise(_))
    }

    /// A figure on the scale of predictions: its logarithm where readings spread by ratio.
    pub fn scaled(&self, figure: f64) -> f64 {
        if self.by_ratio() { figure.max(self.floor()).ln() } else { figure }
    }

    /// The least figure where readings spread by ratio: what is below is none.
    pub(super) fn floor(&self) -> f64 {
        match self {
            Self::Hertz(_) => LEAST_HERTZ,
            Self::Noise(_) => LEAST_NOISE,
            _ => LEAST_OHMS,
        }
    }

    /// Whether a reading lies between two figures of this check; an end that is not given is open.
    pub fn is_within(&self, reading: &Reading, low: Option<f64>, high: Option<f64>) -> bool {
        let figure = match (self, self.figure(reading)) {
            (Self::Hertz(_), hertz) => hertz.max(LEAST_HERTZ),
            // A meter that shows nothing says that there is less than it shows.
            (Self::Noise(_), 0.0) => return low.is_none_or(|low| low < NOISE_SHOWN),
            (_, figure) => figure,
        };
        low.is_none_or(|low| figure >= low) && high.is_none_or(|high| figure <= high)
    }

    /// A prediction as a figure in the unit of the check.
    pub fn unscaled(&self, predicted: f64) -> f64 {
        if self.by_ratio() { predicted.exp() } else { predicted }
    }

    /// The one figure that a reading comes to, in the unit of the check: of a swing what lies between its ends.
    pub fn figure(&self, reading: &Reading) -> f64 {
        match (self, reading.shown) {
            (Self::Swing(_), Shown::Range(least, most)) => most - least,
            _ => reading.middle(),
        }
    }

    /// A figure of this check in words.
    pub fn says(&self, figure: f64) -> String {
        match self {
            Self::Hertz(_) if figure < NONE_HERTZ => "none".into(),
            Self::Swing(_) if figure < NONE_SWING => "none".into(),
            Self::Swing(_) => format!("{}{PEAKS}", show::value(figure, Unit::Volts)),
            Self::Noise(_) if figure < LEAST_NOISE => "none".into(),
            Self::Noise(_) => show::fine_volts(Volts(figure)),
            _ => show::value(figure, self.unit()),
        }
    }

    /// A band of figures of this check in words.
    pub fn says_band(&self, low: f64, high: f64) -> String {
        let (a, b) = (self.says(low), self.says(high));
        if a == b { a } else { format!("{} to {b}", a.strip_suffix(PEAKS).unwrap_or(&a)) }
    }

    /// A reading of this check in words.
    pub fn shows(&self, reading: &Reading) -> String {
        match reading.shown {
            Shown::Value(x) if self.by_itself() && reading.vague => format!("about {}", self.says(x)),
            Shown::Value(x) if self.by_itself() => self.says(x),
            Shown::Range(low, high) if matches!(self, Self::Noise(_)) => self.says_band(low, high),
            _ => show::reading_in(reading, self.unit()),
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
            Self::Hertz(_) => Unit::Hertz,
            Self::Swing(_) | Self::Noise(_) => Unit::Volts,
        }
    }

    /// Whether the power must be on.
    pub fn powered(&self) -> bool {
        !matches!(self, Self::Ohms(_))
    }
}

impl CheckId {
    /// The word before the place.
    pub fn word(&self) -> &'static str {
        match self {
            Self::Ohms(_) => "ohms",
            Self::Amps(_) => "amps",
            Self::Volts(_) => "volts",
            Self::Level(_) => "level",
            Self::Hertz(_) => "hertz",
            Self::Swing(_) => "swing",
            Self::Noise(_) => "noise",
        }
    }
}

impl fmt::Display for CheckId {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}:{}", self.word(), self.place())
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
            "hertz" => Ok(Self::Hertz(place)),
            "swing" => Ok(Self::Swing(place)),
            "noise" => Ok(Self::Noise(place)),
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
        schemars::json_schema!({ "type": "string", "pattern": "^(volts|ohms|level|amps|hertz|swing|noise):.+$" })
    }
}
