//! Where a command's words go, and what it ends with.

use crate::circuit::board::Board;
use crate::job::CardError;
use crate::text::{Complaint, Complaints, inert};
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
        Ok(document(self.out, value)?)
    }

    /// The time, where there is a clock.
    pub fn at(&self) -> Option<String> {
        Some(self.now.clone()).filter(|now| !now.is_empty())
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

    /// Says on stderr what is odd in a board file and was taken all the same.
    ///
    /// # Errors
    /// When it can't be written.
    pub fn doubts(&mut self, board: &Board) -> Result<(), Failure> {
        for doubt in &board.doubts().0 {
            let line = wrap(&inert::text(&doubt.to_string()), self.width, "Note: ", "  ");
            self.say(line.trim_end())?;
        }
        Ok(())
    }
}

/// Prints one JSON document, its control and direction characters as escapes.
///
/// # Errors
/// When it can't be written.
pub fn document<T: Serialize>(out: &mut dyn Write, value: &T) -> io::Result<()> {
    let text = serde_json::to_string_pretty(value).map_err(io::Error::other)?;
    writeln!(out, "{}", inert::json(&text))
}

/// What a command prints with `--json` where it can't do what was asked and has printed nothing else.
#[derive(Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct ErrorDocument {
    /// What is wrong.
    error: ErrorFace,
}

/// What is wrong.
#[derive(Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
struct ErrorFace {
    /// The exit code: 1 the input is at fault, 2 the command line, 3 the system failed.
    exit: u8,
    /// `input`, `usage` or `system`.
    kind: &'static str,
    /// All of it in words.
    message: String,
    /// Each mistake in the input by itself; may be empty.
    complaints: Vec<OneComplaint>,
}

/// A mistake.
#[derive(Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct OneComplaint {
    /// Kebab-case name of the kind of mistake.
    code: &'static str,
    /// What is wrong.
    message: String,
    /// What to write instead; may be empty.
    help: String,
    /// Where, if it is in a readable file.
    place: Option<Spot>,
}

/// Where a mistake stands.
#[derive(Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
struct Spot {
    /// The file.
    file: String,
    /// From 1.
    line: usize,
    /// From 1, in characters.
    column: usize,
}

impl From<&Complaint> for OneComplaint {
    fn from(c: &Complaint) -> Self {
        let place = c.place.as_ref().map(|p| {
            let (line, column) = p.line_column();
            Spot { file: p.file.name.clone(), line, column }
        });
        Self { code: c.code, message: c.message.clone(), help: c.help.clone(), place }
    }
}

impl ErrorDocument {
    /// The document of words that a code goes with.
    pub fn new(exit: u8, message: String) -> Self {
        let kind = match exit {
            1 => "input",
            2 => "usage",
            _ => "system",
        };
        Self { error: ErrorFace { exit, kind, message, complaints: Vec::new() } }
    }

    /// The document of a failure; none where nothing failed.
    pub fn of(failure: &Failure) -> Option<Self> {
        let mut document = match failure {
            Failure::ReaderGone => return None,
            Failure::Told(code) => Self::new(*code, "see the standard error output".into()),
            other => Self::new(other.code(), other.to_string()),
        };
        if let Failure::Complaints(complaints) = failure {
            document.error.complaints = complaints.0.iter().map(OneComplaint::from).collect();
        }
        Some(document)
    }
}

/// The time now, RFC 3339 to the second; empty where the clock can't be read, or stands outside the years that this form of writing
/// has (-9999 to 9999).
pub fn clock() -> String {
    stamp(std::time::SystemTime::now())
}

fn stamp(now: std::time::SystemTime) -> String {
    let time = jiff::Timestamp::try_from(now).and_then(|t| t.round(jiff::Unit::Second));
    time.map_or_else(|_| String::new(), |t| t.to_string())
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

#[cfg(test)]
mod tests {
    use super::*;
    use std::time::{Duration, SystemTime};

    #[test]
    fn the_committed_schema_says_what_the_type_says() {
        crate::rules::assert_output_schema::<ErrorDocument>("error");
    }

    #[test]
    fn no_clock_stops_anything() {
        let after = |seconds: u64| SystemTime::UNIX_EPOCH.checked_add(Duration::from_secs(seconds));
        let before = |seconds: u64| SystemTime::UNIX_EPOCH.checked_sub(Duration::from_secs(seconds));
        assert_eq!(after(0).map(stamp).as_deref(), Some("1970-01-01T00:00:00Z"));
        assert_eq!(after(253_402_207_199).map(stamp).as_deref(), Some("9999-12-30T21:59:59Z"));
        // Within a second of the end, on 9999-12-31, at year 10000, 30000, and as far as the system counts.
        for seconds in [253_402_207_201, 253_402_300_799, 253_402_300_800, 884_541_408_000, i64::MAX as u64] {
            assert_eq!(after(seconds).map(stamp).unwrap_or_default(), "", "{seconds}");
        }
        let nearly = after(253_402_207_199).and_then(|t| t.checked_add(Duration::from_millis(999)));
        assert!(nearly.map(stamp).is_some());
        assert_eq!(before(62_135_596_800).map(stamp).as_deref(), Some("0001-01-01T00:00:00Z"));
        for seconds in [377_705_116_799, 377_705_116_801, 884_541_408_000, i64::MAX as u64] {
            let _ = before(seconds).map(stamp);
        }
    }
}
