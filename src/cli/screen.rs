//! Where a command's words go, and what it ends with.

use crate::job::CardError;
use crate::job::store::StoreError;
use crate::text::Complaints;
use serde::Serialize;
use std::io::{self, Write};

/// Why a command did not do what was asked.
#[derive(Debug, thiserror::Error)]
pub enum Failure {
    /// The input is at fault, and says where: exit code 1.
    #[error("{0}")]
    Complaints(#[from] Complaints),
    /// The input is at fault: exit code 1.
    #[error("{0}")]
    Input(String),
    /// The command line is at fault: exit code 2.
    #[error("{0}")]
    Usage(String),
    /// The system failed: exit code 3.
    #[error("{0}")]
    System(String),
    /// The command has said itself what is wrong; this is its exit code.
    #[error("exit code {0}")]
    Told(u8),
    /// Whoever read our output went away: nothing to say, exit code 0.
    #[error("the reader of the output is gone")]
    ReaderGone,
}

impl Failure {
    /// The exit code: 1 input, 2 usage, 3 system.
    pub fn code(&self) -> u8 {
        match self {
            Self::Complaints(_) | Self::Input(_) => 1,
            Self::Usage(_) => 2,
            Self::System(_) => 3,
            Self::ReaderGone => 0,
            Self::Told(code) => *code,
        }
    }
}

impl From<io::Error> for Failure {
    fn from(e: io::Error) -> Self {
        match e.kind() {
            io::ErrorKind::BrokenPipe => Self::ReaderGone,
            _ => Self::System(format!("can't write the answer: {e}")),
        }
    }
}

impl From<StoreError> for Failure {
    fn from(e: StoreError) -> Self {
        match e {
            StoreError::Text(complaints) => Self::Complaints(complaints),
            StoreError::Missing { .. } | StoreError::Exists { .. } => Self::Input(e.to_string()),
            _ => Self::System(e.to_string()),
        }
    }
}

impl From<CardError> for Failure {
    fn from(e: CardError) -> Self {
        match e {
            CardError::Read(complaints) => Self::Complaints(complaints),
            _ => Self::Input(e.to_string()),
        }
    }
}

/// What a command talks to. Answers go to `out`, talk to `err`.
pub struct Screen<'a> {
    /// Standard output.
    pub out: &'a mut dyn Write,
    /// Standard error.
    pub err: &'a mut dyn Write,
    /// Columns to fill, 40 to 100.
    pub width: usize,
    /// Whether to print one JSON document instead of text.
    pub json: bool,
    /// Whether talk on stderr may carry colour.
    pub styled: bool,
    /// The time, RFC 3339.
    pub now: String,
}

impl Screen<'_> {
    /// Prints one JSON document.
    ///
    /// # Errors
    /// When stdout can't be written.
    pub fn document<T: Serialize>(&mut self, value: &T) -> Result<(), Failure> {
        serde_json::to_writer_pretty(&mut *self.out, value).map_err(|e| Failure::from(io::Error::from(e)))?;
        Ok(writeln!(self.out)?)
    }

    /// Prints text to stdout.
    ///
    /// # Errors
    /// When stdout can't be written.
    pub fn text(&mut self, text: &str) -> Result<(), Failure> {
        Ok(self.out.write_all(text.as_bytes())?)
    }

    /// Says something on stderr.
    ///
    /// # Errors
    /// When stderr can't be written.
    pub fn say(&mut self, text: &str) -> Result<(), Failure> {
        Ok(writeln!(self.err, "{text}")?)
    }
}

/// The time now, RFC 3339 to the second; empty where the clock can't be read.
pub fn clock() -> String {
    jiff::Timestamp::now().round(jiff::Unit::Second).map_or_else(|_| String::new(), |t| t.to_string())
}

/// Breaks text into lines of at most `width` columns, the first behind `first`, the others behind
/// `rest`. Words longer than the line stand on a line of their own. A figure stays with its unit, and a no-break space
/// holds what is round it together; it comes out as a plain one.
pub fn wrap(text: &str, width: usize, first: &str, rest: &str) -> String {
    use unicode_width::UnicodeWidthStr;
    let mut out = String::new();
    let mut line = first.to_string();
    let mut empty = true;
    for word in words(text) {
        if !empty && line.width() + 1 + word.width() > width {
            out.push_str(line.trim_end());
            out.push('\n');
            line = rest.to_string();
            empty = true;
        }
        if !empty {
            line.push(' ');
        }
        line.push_str(&word);
        empty = false;
    }
    out.push_str(line.trim_end());
    out.push('\n');
    out
}

/// The pieces of a text that a line may break between.
fn words(text: &str) -> Vec<String> {
    const UNITS: [&str; 14] =
        ["%", "dB", "V", "mV", "A", "mA", "uA", "Hz", "kHz", "ohm", "kohm", "Mohm", "min", "bits"];
    let mut out: Vec<String> = Vec::new();
    for word in text.split(|c: char| c.is_whitespace() && c != '\u{a0}').filter(|w| !w.is_empty()) {
        let word = word.replace('\u{a0}', " ");
        let bare = word.trim_end_matches([',', '.', ';', ':', ')', '?']);
        match out.last_mut() {
            Some(last) if UNITS.contains(&bare) && last.ends_with(|c: char| c.is_ascii_digit()) => {
                last.push(' ');
                last.push_str(&word);
            }
            _ => out.push(word),
        }
    }
    out
}
