//! Lines from whoever sits there: with arrow keys at a terminal, plain where there is none.

use crate::text::inert;
use console::{Key, Term};
use std::io::{self, BufRead, IsTerminal, Write};
use unicode_width::{UnicodeWidthChar, UnicodeWidthStr};

/// What stands before the line that is typed.
const PROMPT: &str = "> ";
/// Longest line taken, in bytes; the rest of a longer one is dropped.
const LONGEST: usize = 4096;

/// Where lines come from.
pub enum Input {
    /// A terminal: keys are read one by one and the line can be edited.
    Keys(Term),
    /// A pipe, a file, a screen reader's terminal: plain lines.
    Lines(Box<dyn BufRead>),
}

impl std::fmt::Debug for Input {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str(match self {
            Self::Keys(_) => "Keys",
            Self::Lines(_) => "Lines",
        })
    }
}

impl Input {
    /// Keys where stdin and `term`, the side that is talked on, are terminals that can move a cursor, and `plain` isn't asked for;
    /// else lines.
    pub fn new(plain: bool, term: Term) -> Self {
        let dumb = std::env::var("TERM").is_ok_and(|t| t == "dumb" || t.is_empty());
        if !plain && !dumb && term.is_term() && io::stdin().is_terminal() {
            Self::Keys(term)
        } else {
            Self::Lines(Box::new(io::stdin().lock()))
        }
    }

    /// Asks for one line. Nothing at the end of the input, and when the user leaves with Ctrl-C or Ctrl-D.
    ///
    /// # Errors
    /// When the input can't be read or `out` can't be written.
    pub fn ask(
        &mut self,
        out: &mut dyn Write,
        choices: &[String],
        width: usize,
    ) -> io::Result<Option<String>> {
        match self {
            Self::Keys(term) => {
                out.flush()?;
                Editor::new(choices, width).run(term)
            }
            Self::Lines(lines) => {
                write!(out, "{PROMPT}")?;
                out.flush()?;
                let line = plain_line(lines.as_mut())?;
                // What was typed is not echoed from a pipe: end the prompt's line.
                if line.is_none() || !io::stdin().is_terminal() {
                    writeln!(out)?;
                }
                Ok(line)
            }
        }
    }

    /// Whether keys are read one by one.
    pub fn has_keys(&self) -> bool {
        matches!(self, Self::Keys(_))
    }
}

/// One line without its end; bytes that are no text become a sign that stands for them.
fn plain_line(lines: &mut dyn BufRead) -> io::Result<Option<String>> {
    let mut bytes = Vec::new();
    let mut any = false;
    loop {
        let part = lines.fill_buf()?;
        if part.is_empty() {
            break;
        }
        any = true;
        let end = part.iter().position(|b| *b == b'\n');
        let take = end.unwrap_or(part.len());
        let room = LONGEST.saturating_sub(bytes.len());
        bytes.extend_from_slice(&part[..take.min(room)]);
        let used = end.map_or(part.len(), |e| e + 1);
        lines.consume(used);
        if end.is_some() {
            break;
        }
    }
    if bytes.last() == Some(&b'\r') {
        bytes.pop();
    }
    Ok(any.then(|| String::from_utf8_lossy(&bytes).into_owned()))
}

/// What a key press leads to.
#[derive(Debug, PartialEq, Eq)]
enum Pressed {
    On,
    Done(Option<String>),
}

/// One line being typed: its text, the cursor, and which choice the arrows stand on.
#[derive(Debug)]
struct Editor<'a> {
    choices: &'a [String],
    width: usize,
    text: Vec<char>,
    cursor: usize,
    chosen: Option<usize>,
}

impl<'a> Editor<'a> {
    fn new(choices: &'a [String], width: usize) -> Self {
        Self { choices, width, text: Vec::new(), cursor: 0, chosen: None }
    }

    fn run(mut self, term: &Term) -> io::Result<Option<String>> {
        loop {
            term.write_str(&self.drawn())?;
            term.flush()?;
            let key = match term.read_key_raw() {
                Ok(key) => key,
                Err(e) if e.kind() == io::ErrorKind::Interrupted => Key::CtrlC,
                Err(e) if e.kind() == io::ErrorKind::UnexpectedEof => Key::CtrlC,
                Err(e) => return Err(e),
            };
            if let Pressed::Done(line) = self.press(&key) {
                self.cursor = self.text.len();
                term.write_str(&self.drawn())?;
                term.write_str("\n")?;
                return Ok(line);
            }
        }
    }

    fn press(&mut self, key: &Key) -> Pressed {
        match key {
            Key::Enter => return Pressed::Done(Some(self.text.iter().collect())),
            Key::CtrlC => return Pressed::Done(None),
            Key::Char('\u{4}') if self.text.is_empty() => return Pressed::Done(None),
            Key::Char('\u{15}') => self.set(""),
            Key::Char(c) if !c.is_control() && self.text.len() < LONGEST => {
                self.text.insert(self.cursor, *c);
                self.cursor += 1;
            }
            Key::Backspace if self.cursor > 0 => {
                self.cursor -= 1;
                self.text.remove(self.cursor);
            }
            Key::Del if self.cursor < self.text.len() => {
                self.text.remove(self.cursor);
            }
            Key::ArrowLeft => self.cursor = self.cursor.saturating_sub(1),
            Key::ArrowRight => self.cursor = (self.cursor + 1).min(self.text.len()),
            Key::Home => self.cursor = 0,
            Key::End => self.cursor = self.text.len(),
            Key::ArrowDown | Key::Tab => self.choose(1),
            Key::ArrowUp | Key::BackTab => self.choose(self.choices.len().saturating_sub(1)),
            Key::Escape => self.set(""),
            _ => {}
        }
        Pressed::On
    }

    fn set(&mut self, text: &str) {
        self.text = text.chars().collect();
        self.cursor = self.text.len();
        self.chosen = None;
    }

    /// Puts the next choice (or the one before) into the line.
    fn choose(&mut self, step: usize) {
        if self.choices.is_empty() {
            return;
        }
        let next = match self.chosen {
            Some(i) => (i + step) % self.choices.len(),
            None if step == 1 => 0,
            None => self.choices.len() - 1,
        };
        self.set(&inert::text(&self.choices[next]));
        self.chosen = Some(next);
    }

    /// The line as it is drawn over itself; of a line too long for the terminal, the stretch round the cursor.
    fn drawn(&self) -> String {
        let room = self.width.saturating_sub(PROMPT.width() + 1).max(8);
        let width = |c: &char| c.width().unwrap_or(0);
        let mut first = 0;
        while self.text[first..self.cursor].iter().map(width).sum::<usize>() > room {
            first += 1;
        }
        let mut shown = String::new();
        let mut used = 0;
        let mut after = 0;
        for (i, c) in self.text.iter().enumerate().skip(first) {
            if used + width(c) > room {
                break;
            }
            used += width(c);
            after += if i >= self.cursor { width(c) } else { 0 };
            shown.push(*c);
        }
        let back = if after > 0 { format!("\u{1b}[{after}D") } else { String::new() };
        format!("\r\u{1b}[2K{PROMPT}{shown}{back}")
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;

    #[test]
    fn keys_edit_the_line_and_arrows_choose() {
        let choices = ["normal".to_string(), "faint".into(), "silent".into()];
        let mut editor = Editor::new(&choices, 20);
        let mut press = |keys: &[Key]| {
            keys.iter().for_each(|k| assert_eq!(editor.press(k), Pressed::On));
            (editor.text.iter().collect::<String>(), editor.drawn())
        };
        assert_eq!(press(&[Key::ArrowDown, Key::ArrowDown]).0, "faint");
        assert_eq!(press(&[Key::ArrowUp, Key::ArrowUp]).0, "silent", "round the end");
        assert_eq!(
            press(&[Key::Escape, Key::Char('4'), Key::Char('7'), Key::ArrowLeft, Key::Char('k')]).0,
            "4k7"
        );
        assert_eq!(press(&[]).1, "\r\u{1b}[2K> 4k7\u{1b}[1D");
        assert_eq!(press(&[Key::Del, Key::Backspace, Key::Home, Key::Char('Ω')]).0, "Ω4");
        let long: Vec<Key> = "a remark that is too long".chars().map(Key::Char).collect();
        assert!(press(&long).1.width() <= 20 + 6, "within the terminal, control signs aside");
        assert_eq!(editor.press(&Key::CtrlC), Pressed::Done(None));
    }

    #[test]
    fn plain_lines_come_whole_or_cut() {
        let mut lines: &[u8] = b"one\r\n\xff\n\nlast";
        let mut next = || plain_line(&mut lines).unwrap();
        assert_eq!(next().as_deref(), Some("one"));
        assert_eq!(next().as_deref(), Some("\u{fffd}"));
        assert_eq!(next().as_deref(), Some(""));
        assert_eq!(next().as_deref(), Some("last"));
        assert_eq!(next(), None);
        let mut long: &[u8] = &[b'x'; 3 * LONGEST];
        assert_eq!(plain_line(&mut long).unwrap().unwrap().len(), LONGEST);
    }
}
