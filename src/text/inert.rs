//! Text from files and arguments made harmless: nothing that drives a terminal, turns the direction of a line, or hides.
//!
//! The one place that decides which characters these are. [`text`] takes a field, which stands on one line; [`lines`] takes whole
//! lines; [`json`] takes a JSON document, in which the same characters are written as escapes, so that nothing of it is lost;
//! [`Inert`] stands before a terminal or a pipe.

use serde_json::Value;
use std::io::{self, Write};

/// What becomes of a character.
#[derive(Clone, Copy, PartialEq, Eq)]
enum Sign {
    /// It stays.
    Stays,
    /// It parts words or lines.
    Parts,
    /// It is shown as U+FFFD, so that it is seen that something was there.
    Marked,
    /// It has no width: nothing is lost without it.
    Hidden,
}

fn sign(c: char) -> Sign {
    match c {
        '\t' | '\n' | '\r' | ' ' | '\u{2028}' | '\u{2029}' | '\u{85}' => Sign::Parts,
        c if c.is_control() => Sign::Marked,
        // Embeddings, overrides and isolates turn what stands after them.
        '\u{202a}'..='\u{202e}' | '\u{2066}'..='\u{2069}' => Sign::Marked,
        '\u{200b}' | '\u{200e}' | '\u{200f}' | '\u{61c}' | '\u{feff}' | '\u{2060}' | '\u{180e}' => {
            Sign::Hidden
        }
        '\u{fff9}'..='\u{fffb}' | '\u{e0000}'..='\u{e007f}' => Sign::Hidden,
        _ => Sign::Stays,
    }
}

/// A text on one line, without control, direction and invisible characters. White space runs become one space; a control
/// character or a direction override becomes U+FFFD, so that it is seen that something was there.
///
/// ```
/// assert_eq!(halfsplit::text::inert::text("a\n b\u{1b}[31mred\u{202e}x"), "a b\u{fffd}[31mred\u{fffd}x");
/// ```
pub fn text(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for c in text.chars() {
        match sign(c) {
            Sign::Parts if !out.is_empty() && !out.ends_with(' ') => out.push(' '),
            Sign::Parts | Sign::Hidden => {}
            Sign::Marked => out.push('\u{fffd}'),
            Sign::Stays => out.push(c),
        }
    }
    out.truncate(out.trim_end().len());
    out
}

/// The same for whole lines: line ends, tabs and blanks stay as they are, a carriage return goes.
///
/// ```
/// assert_eq!(halfsplit::text::inert::lines("a  b\r\n\tc\u{9b}2J\n"), "a  b\n\tc\u{fffd}2J\n");
/// ```
pub fn lines(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for c in text.chars() {
        match (sign(c), c) {
            (Sign::Parts, '\r') | (Sign::Hidden, _) => {}
            (Sign::Parts, '\n' | '\t' | ' ') | (Sign::Stays, _) => out.push(c),
            (Sign::Parts, _) => out.push(' '),
            (Sign::Marked, _) => out.push('\u{fffd}'),
        }
    }
    out
}

/// A JSON document with those characters as escapes: they can stand in its strings only, and it says the same.
///
/// ```
/// assert_eq!(halfsplit::text::inert::json("{\"a\": \"x\u{202e}\"}"), "{\"a\": \"x\\u202e\"}");
/// ```
pub fn json(document: &str) -> String {
    let mut out = String::with_capacity(document.len());
    let mut units = [0; 2];
    for c in document.chars() {
        match (sign(c), c) {
            (Sign::Stays, _) | (Sign::Parts, '\n' | '\t' | ' ' | '\r') => out.push(c),
            _ => {
                for unit in c.encode_utf16(&mut units) {
                    out.push_str(&format!("\\u{unit:04x}"));
                }
            }
        }
    }
    out
}

/// A writer that lets only harmless text through, as [`lines`] has it, whatever pieces it comes in.
#[derive(Debug)]
pub struct Inert<W: Write> {
    to: W,
    /// The first bytes of a character whose rest is still to come.
    begun: Vec<u8>,
    written: bool,
}

impl<W: Write> Inert<W> {
    /// A writer before another.
    pub fn new(to: W) -> Self {
        Self { to, begun: Vec::new(), written: false }
    }

    /// Whether anything was written.
    pub fn has_written(&self) -> bool {
        self.written
    }
}

impl<W: Write> Write for Inert<W> {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        self.written |= !bytes.is_empty();
        self.begun.extend_from_slice(bytes);
        let all = std::mem::take(&mut self.begun);
        let mut rest = all.as_slice();
        while !rest.is_empty() {
            match std::str::from_utf8(rest) {
                Ok(text) => {
                    self.to.write_all(lines(text).as_bytes())?;
                    rest = &[];
                }
                Err(e) => {
                    let (good, bad) = rest.split_at(e.valid_up_to());
                    self.to.write_all(lines(&String::from_utf8_lossy(good)).as_bytes())?;
                    match e.error_len() {
                        Some(n) => {
                            self.to.write_all("\u{fffd}".as_bytes())?;
                            rest = &bad[n..];
                        }
                        None => {
                            self.begun = bad.to_vec();
                            rest = &[];
                        }
                    }
                }
            }
        }
        Ok(bytes.len())
    }

    fn flush(&mut self) -> io::Result<()> {
        self.to.flush()
    }
}

/// Every text of a value made harmless.
pub fn all(value: &mut Value) {
    match value {
        Value::String(s) => *s = text(s),
        Value::Array(list) => list.iter_mut().for_each(all),
        Value::Object(map) => map.values_mut().for_each(all),
        _ => {}
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;

    #[test]
    fn pieces_of_characters_are_put_together() {
        let whole = "a\u{1b}[2J\u{9b}ü\u{202e}€\u{1f527}\n".as_bytes().to_vec();
        for cut in 0..=whole.len() {
            let mut out = Vec::new();
            let mut inert = Inert::new(&mut out);
            assert!(!inert.has_written());
            inert.write_all(&whole[..cut]).unwrap();
            inert.write_all(&whole[cut..]).unwrap();
            assert!(inert.has_written());
            assert_eq!(String::from_utf8(out).unwrap(), "a\u{fffd}[2J\u{fffd}ü\u{fffd}€\u{1f527}\n");
        }
        let mut out = Vec::new();
        Inert::new(&mut out).write_all(b"a\xff\xfeb").unwrap();
        assert_eq!(String::from_utf8(out).unwrap(), "a\u{fffd}\u{fffd}b");
    }

    #[test]
    fn what_is_left_drives_nothing() {
        let bad: String =
            (0..0x300u32).chain(0x2000..0x2100).chain(0xe0000..0xe0080).filter_map(char::from_u32).collect();
        let clean = text(&bad);
        assert!(!clean.chars().any(|c| c.is_control()));
        assert!(
            !clean
                .chars()
                .any(|c| matches!(c as u32, 0x200b | 0x200e | 0x200f | 0x202a..=0x202e | 0x2066..=0x2069))
        );
        assert_eq!(text(&clean), clean, "twice is once");
        let clean = lines(&bad);
        assert!(!clean.chars().any(|c| c.is_control() && c != '\n' && c != '\t'));
        assert_eq!(lines(&clean), clean, "twice is once");
        let document = json(&serde_json::to_string(&bad).unwrap());
        assert!(!document.chars().any(|c| c.is_control() || lines(&c.to_string()) != c.to_string()));
        assert_eq!(serde_json::from_str::<String>(&document).unwrap(), bad, "nothing is lost");
        assert_eq!(
            text("\u{1f9d1}\u{200d}\u{1f527} na\u{ef}ve \u{5e9}\u{5dc}\u{5d5}\u{5dd}"),
            "\u{1f9d1}\u{200d}\u{1f527} na\u{ef}ve \u{5e9}\u{5dc}\u{5d5}\u{5dd}"
        );
    }
}
