//! What was seen at the bench, for a check of a board.

use super::CheckId;
use crate::text::or_nearest;
use crate::units::reading::{self, ReadingError};
use crate::units::{Reading, Shown, Unit};
use serde::Serialize;
use std::str::FromStr;
use thiserror::Error;

/// A level as heard, against what is usual at that place.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Ear {
    /// Nothing.
    None,
    /// Far too little.
    Faint,
    /// As it should be.
    Expected,
    /// Too much.
    Loud,
}

impl Ear {
    /// The words, softest first.
    pub const ALL: [(&'static str, Self); 4] =
        [("none", Self::None), ("faint", Self::Faint), ("expected", Self::Expected), ("loud", Self::Loud)];
}

impl FromStr for Ear {
    type Err = ();
    fn from_str(text: &str) -> Result<Self, ()> {
        // Sheets print `silent` where nothing is to be heard.
        let text = if text == "silent" { "none" } else { text };
        Self::ALL.iter().find(|(w, _)| *w == text).map(|(_, e)| *e).ok_or(())
    }
}

/// A finding of a board's check.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub enum Observed {
    /// Read off an instrument.
    Read(Reading),
    /// Judged by ear.
    Heard(Ear),
}

/// Why an answer does not fit its check.
#[derive(Clone, Debug, PartialEq, Error)]
pub enum ObservedError {
    /// Not a reading.
    #[error(transparent)]
    Reading(#[from] ReadingError),
    /// No reading of what a board does by itself.
    #[error("'{text}' is no {what}; write {help}")]
    Itself {
        /// The answer.
        text: String,
        /// What it should be.
        what: &'static str,
        /// What to write.
        help: &'static str,
    },
    /// A level that is neither a reading nor a word.
    #[error("'{text}' is no level; write decibels such as -12.3dB, or {help}")]
    Level {
        /// The answer.
        text: String,
        /// The words.
        help: String,
    },
}

impl Observed {
    /// Reads an answer to a check.
    ///
    /// # Errors
    /// [`ObservedError`]: what to write instead.
    ///
    /// ```
    /// use halfsplit::circuit::predict::{CheckId, Ear, Observed};
    /// let level = CheckId::Level("OUT".into());
    /// assert_eq!(Observed::parse(&level, "faint"), Ok(Observed::Heard(Ear::Faint)));
    /// assert_eq!(Observed::parse(&level, "silent"), Ok(Observed::Heard(Ear::None)));
    /// assert!(Observed::parse(&level, "fiant").is_err());
    /// ```
    pub fn parse(check: &CheckId, answer: &str) -> Result<Self, ObservedError> {
        if check.by_itself() {
            return by_itself(check, answer);
        }
        if check.unit() != Unit::Decibels {
            return Ok(Self::Read(reading::parse(answer, Some(check.unit()))?));
        }
        if let Ok(ear) = answer.trim().parse() {
            return Ok(Self::Heard(ear));
        }
        let words = Ear::ALL.iter().map(|(w, _)| *w);
        reading::parse(answer, Some(Unit::Decibels)).map(Self::Read).map_err(|e| match e {
            ReadingError::Notation(_) => ObservedError::Level {
                text: answer.chars().take(40).collect(),
                help: or_nearest(answer, words),
            },
            other => other.into(),
        })
    }
}

/// How far the middle of a swing may lie from its mean, as a share of the swing: few are even (common practice, no source).
const UNEVEN: f64 = 0.1;

impl Observed {
    /// Of a swing whose ends were read, the volts about which the net swings: what else that reading says.
    pub fn middle_of_swing(&self, check: &CheckId) -> Option<(CheckId, Self)> {
        let (CheckId::Swing(net), Self::Read(read)) = (check, self) else { return None };
        let Shown::Range(least, most) = read.shown else { return None };
        // The worth of a last digit whose rounding has that spread.
        let resolution = read.resolution.hypot(UNEVEN * (most - least) * 12f64.sqrt());
        let middle = Reading { shown: Shown::Value(read.middle()), resolution, ..*read };
        Some((CheckId::Volts(net.clone()), Self::Read(middle)))
    }
}

/// Words for there being nothing to read of what a board does by itself.
const NOTHING: [&str; 4] = ["none", "nothing", "silent", "still"];

fn by_itself(check: &CheckId, answer: &str) -> Result<Observed, ObservedError> {
    let word = answer.trim().to_lowercase();
    if NOTHING.contains(&word.as_str()) {
        let nothing = Reading { shown: Shown::Value(0.0), unit: None, vague: false, resolution: 0.0 };
        return Ok(Observed::Read(nothing));
    }
    let (what, help) = match check {
        CheckId::Swing(_) => (
            "swing",
            "the least and the most volts such as 2.1V..6.8V, volts from peak to peak such as 4.7V, or none where it stands still",
        ),
        CheckId::Noise(_) => {
            ("noise", "volts rms such as 800uV or 1.2mV, or none where the instrument shows nothing")
        }
        _ => ("rate", "hertz such as 2.4Hz or 1.2kHz, or none where nothing swings"),
    };
    let slip = || ObservedError::Itself { text: answer.chars().take(40).collect(), what, help };
    let read = reading::parse(answer, Some(check.unit())).map_err(|e| match e {
        ReadingError::Notation(_) | ReadingError::NoOverload { .. } => slip(),
        other => other.into(),
    })?;
    let least = match (check, read.shown) {
        // A net may swing below ground.
        (CheckId::Swing(_), Shown::Range(..)) => 0.0,
        (_, Shown::Range(low, _)) => low,
        _ => read.middle(),
    };
    if least < 0.0 { Err(slip()) } else { Ok(Observed::Read(read)) }
}
