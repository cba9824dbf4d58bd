//! The text of a SPICE netlist: logical lines with their places, and numbers as SPICE writes them.

use crate::text::{Source, Span};

/// A logical line: its words with their places, continuation lines joined.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Line {
    pub(super) words: Vec<String>,
    pub(super) span: Span,
}

impl Line {
    pub(super) fn word(&self, n: usize) -> &str {
        self.words.get(n).map_or("", String::as_str)
    }

    /// The line's words that are `name=value`.
    pub(super) fn named(&self) -> impl Iterator<Item = (&str, &str)> {
        self.words.iter().filter_map(|w| w.split_once('='))
    }
}

/// What a netlist's text is made of.
#[derive(Clone, Debug, Default, PartialEq)]
pub(super) struct Text {
    /// The first line, which SPICE takes as a title whatever it says.
    pub(super) title: String,
    pub(super) lines: Vec<Line>,
    /// Words of comment lines that begin with `*board`: what this program's own export adds.
    pub(super) own: Vec<Vec<String>>,
}

/// Cuts a netlist into logical lines: comments out, continuations joined, `.control` blocks out, nothing after `.end`.
pub(super) fn lines(source: &Source) -> Text {
    let mut out = Text::default();
    let (mut at, mut in_control, mut first) = (0, false, true);
    for raw in source.text.split_inclusive('\n') {
        let (start, line) = (at, raw.trim_end_matches(['\n', '\r']));
        at += raw.len();
        if std::mem::take(&mut first) {
            let title = line.trim_start_matches('\u{feff}').trim();
            out.title = title.trim_start_matches('*').trim().to_owned();
            own(title, &mut out);
            continue;
        }
        let text = line.trim();
        if text.is_empty() || text.starts_with('*') {
            own(text, &mut out);
            continue;
        }
        let code = without_comment(text);
        let lower = code.to_lowercase();
        match lower.split_whitespace().next().unwrap_or("") {
            ".control" => in_control = true,
            ".endc" => {
                in_control = false;
                continue;
            }
            ".end" => break,
            _ => {}
        }
        if in_control {
            continue;
        }
        let span = Span {
            start: start + (line.len() - line.trim_start().len()),
            end: start + line.trim_end().len(),
        };
        match (code.strip_prefix('+'), out.lines.last_mut()) {
            (Some(more), Some(last)) => {
                for word in words(more) {
                    match last.words.last_mut() {
                        Some(end) if end.ends_with('=') || word.starts_with('=') => end.push_str(&word),
                        _ => last.words.push(word),
                    }
                }
            }
            _ => out.lines.push(Line { words: words(code), span }),
        }
    }
    out.lines.retain(|l| !l.words.is_empty());
    out
}

fn own(text: &str, out: &mut Text) {
    if let Some(rest) = text.strip_prefix("*board ") {
        out.own.push(rest.split_whitespace().map(str::to_owned).collect());
    }
}

fn without_comment(text: &str) -> &str {
    let cut = text.find(';').into_iter().chain(text.find(" $")).min();
    text[..cut.unwrap_or(text.len())].trim()
}

/// Words between blanks, commas and brackets; `a = b` is one word `a=b`; what stands in `{…}` or quotes is one word.
fn words(text: &str) -> Vec<String> {
    let mut out: Vec<String> = Vec::new();
    let mut word = String::new();
    let mut depth = 0_usize;
    let mut quote = None;
    for c in text.chars() {
        match c {
            _ if quote == Some(c) => quote = None,
            '\'' | '"' if quote.is_none() => quote = Some(c),
            '{' => {
                depth += 1;
                word.push(c);
            }
            '}' => {
                depth = depth.saturating_sub(1);
                word.push(c);
            }
            c if depth == 0 && quote.is_none() && (c.is_whitespace() || "(),".contains(c)) => {
                if !word.is_empty() {
                    out.push(std::mem::take(&mut word));
                }
            }
            c => word.push(c),
        }
    }
    if !word.is_empty() {
        out.push(word);
    }
    // Blanks round an equals sign.
    let mut joined: Vec<String> = Vec::new();
    let mut glue = false;
    for word in out {
        match joined.last_mut() {
            Some(last) if glue || word.starts_with('=') => {
                last.push_str(&word);
                glue = last.ends_with('=');
            }
            _ => {
                glue = word.ends_with('=');
                joined.push(word);
            }
        }
    }
    joined
}

/// A number as SPICE reads it: a scale letter behind the digits (`MEG` is a million, `M` a thousandth), further letters count for
/// nothing.
pub(super) fn number(text: &str) -> Option<f64> {
    let lower = text.trim().to_lowercase();
    let mut digits = lower.len();
    let mut exponent = false;
    for (i, c) in lower.char_indices() {
        let fits = c.is_ascii_digit()
            || c == '.'
            || ((c == '+' || c == '-') && (i == 0 || lower[..i].ends_with('e')))
            || (c == 'e'
                && !std::mem::replace(&mut exponent, true)
                && lower[i + 1..].starts_with(|d: char| d.is_ascii_digit() || d == '-' || d == '+'));
        if !fits {
            digits = i;
            break;
        }
    }
    let value: f64 = lower[..digits].parse().ok()?;
    let rest = &lower[digits..];
    let scale = match () {
        () if rest.starts_with("meg") => 1e6,
        () if rest.starts_with("mil") => 25.4e-6,
        () => match rest.chars().next() {
            Some('t') => 1e12,
            Some('g') => 1e9,
            Some('k') => 1e3,
            Some('m') => 1e-3,
            Some('u' | '\u{b5}' | '\u{3bc}') => 1e-6,
            Some('n') => 1e-9,
            Some('p') => 1e-12,
            Some('f') => 1e-15,
            _ => 1.0,
        },
    };
    // Times a power of ten: the binary dust is rounded away.
    format!("{:.11e}", value * scale).parse().ok().filter(|x: &f64| x.is_finite())
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;

    #[test]
    fn numbers_as_the_manual_has_them() {
        // Scale factors: SPICE3 user's manual, section on element values.
        for (text, value) in [
            ("1000", 1000.0),
            ("1000.0", 1000.0),
            ("1000Hz", 1000.0),
            ("1e3", 1000.0),
            ("1.0e3", 1000.0),
            ("1KHz", 1000.0),
            ("1K", 1000.0),
            ("10", 10.0),
            ("10V", 10.0),
            ("10Volts", 10.0),
            ("1M", 1e-3),
            ("1MEG", 1e6),
            ("2.2Megohm", 2.2e6),
            ("1mil", 25.4e-6),
            ("100nF", 100e-9),
            ("4.7u", 4.7e-6),
            ("1F", 1e-15),
            ("-12", -12.0),
            ("1E-9", 1e-9),
        ] {
            assert_eq!(number(text), Some(value), "{text}");
        }
        for text in ["", "abc", "{R}", "-", ".", "e3"] {
            assert_eq!(number(text), None, "{text}");
        }
    }

    #[test]
    fn lines_are_joined_and_comments_left_out() {
        let text = "A title\n* remark\nR1 a b\n+ 4k7 ; end of line\n.control\nop\n.endc\nV1 in 0 SIN(0 0.1 1k) AC = 1 $ so\n.END\nR2 c d 1\n";
        let found = lines(&Source::new("a.cir", text));
        let words: Vec<String> = found.lines.iter().map(|l| l.words.join(" ")).collect();
        assert_eq!(found.title, "A title");
        assert_eq!(words, ["R1 a b 4k7", "V1 in 0 SIN 0 0.1 1k AC=1"]);
    }
}
