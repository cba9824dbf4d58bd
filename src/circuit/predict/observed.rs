//! What was seen at the bench, for a check of a board.

use super::CheckId;
use crate::text::or_nearest;
use crate::units::reading::{self, ReadingError};
use crate::units::{Reading, Unit};
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
