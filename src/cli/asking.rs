//! The questions that `open` asks.

use super::input::Input;
use super::screen::{Failure, Screen, wrap};
use crate::job::PowerSource;
use crate::job::session::{Said, understand};
use crate::rules::{Build, History, Tool};
use crate::text::or_nearest;

/// Something that can be picked: the word for it and a line that says what it is.
#[derive(Clone, Debug)]
pub struct Choice {
    /// The word.
    pub word: String,
    /// What it is.
    pub says: String,
}

/// What can be typed at a question with choices.
const HELP: &str = "A word of the list, its first letters or its number; Enter where you don't know. Ctrl-C leaves, and no card is made.";

/// Asks for one thing at a time.
pub struct Asker<'a, 'b> {
    /// Where lines come from.
    pub input: &'a mut Input,
    /// Where words go.
    pub screen: &'a mut Screen<'b>,
    /// Whether the questions are talk beside an answer and go to stderr.
    pub aside: bool,
}

fn choices(rows: &[(&str, &str)]) -> Vec<Choice> {
    rows.iter().map(|(word, says)| Choice { word: (*word).into(), says: (*says).into() }).collect()
}

impl Asker<'_, '_> {
    /// Says something.
    ///
    /// # Errors
    /// When it can't be written.
    pub fn say(&mut self, words: &str) -> Result<(), Failure> {
        self.put(&wrap(words, self.screen.width, "", ""))
    }

    fn put(&mut self, text: &str) -> Result<(), Failure> {
        let to = if self.aside { &mut self.screen.err } else { &mut self.screen.out };
        Ok(to.write_all(text.as_bytes())?)
    }

    /// One line; nothing where Enter alone is pressed or a pipe has ended.
    ///
    /// # Errors
    /// When the user leaves with Ctrl-C; when it can't be asked.
    pub fn line(&mut self, question: &str) -> Result<Option<String>, Failure> {
        self.say(question)?;
        self.typed(&[])
    }

    /// One line as typed, an empty one too; nothing where the input has ended or the user leaves.
    ///
    /// # Errors
    /// When it can't be asked.
    pub fn raw(&mut self, question: &str) -> Result<Option<String>, Failure> {
        self.say(question)?;
        let to = if self.aside { &mut *self.screen.err } else { &mut *self.screen.out };
        Ok(self.input.ask(to, &[], self.screen.width)?.map(|l| l.trim().to_string()))
    }

    fn typed(&mut self, choices: &[String]) -> Result<Option<String>, Failure> {
        let to = if self.aside { &mut *self.screen.err } else { &mut *self.screen.out };
        match self.input.ask(to, choices, self.screen.width)? {
            None if self.input.has_keys() => Err(Failure::Input("stopped; nothing was made".into())),
            line => Ok(line.map(|l| l.trim().to_string()).filter(|l| !l.is_empty())),
        }
    }

    /// One of several, by number, word or first letters; nothing for Enter alone.
    fn one(
        &mut self,
        question: &str,
        choices: &[Choice],
        also: &[(&str, usize)],
    ) -> Result<Option<usize>, Failure> {
        let words: Vec<String> = choices.iter().map(|u| u.word.clone()).collect();
        self.ask_with(question, choices)?;
        loop {
            let Some(line) = self.typed(&words)? else { return Ok(None) };
            if let Some((_, i)) = also.iter().find(|(word, _)| word.eq_ignore_ascii_case(&line)) {
                return Ok(Some(*i));
            }
            match understand(&line, &words, false) {
                Said::Answer(i) => return Ok(Some(i)),
                Said::Unsure | Said::Later => return Ok(None),
                Said::Help => self.say(HELP)?,
                _ => {
                    let words = words.iter().map(String::as_str);
                    self.say(&format!("'{line}' is none of them; {}", or_nearest(&line, words)))?;
                }
            }
        }
    }

    /// One of several; nothing for Enter alone.
    ///
    /// # Errors
    /// As [`Asker::line`].
    pub fn pick(&mut self, question: &str, choices: &[Choice]) -> Result<Option<usize>, Failure> {
        self.one(question, choices, &[])
    }

    /// Shows lines as they are.
    ///
    /// # Errors
    /// When they can't be written.
    pub fn show(&mut self, text: &str) -> Result<(), Failure> {
        self.put(text)
    }

    /// Any number of several; none for Enter alone.
    ///
    /// # Errors
    /// As [`Asker::line`].
    pub fn several(&mut self, question: &str, choices: &[Choice]) -> Result<Vec<String>, Failure> {
        let words: Vec<String> = choices.iter().map(|u| u.word.clone()).collect();
        self.ask_with(question, choices)?;
        'again: loop {
            let Some(line) = self.typed(&words)? else { return Ok(Vec::new()) };
            let mut out: Vec<String> = Vec::new();
            // With commas a blank is part of a word: 'meter, audio probe, iron'.
            let marks: &[char] = if line.contains(',') { &[','] } else { &[' '] };
            for part in line.split(marks).map(str::trim).filter(|p| !p.is_empty()) {
                match understand(part, &words, false) {
                    Said::Answer(i) if out.contains(&words[i]) => {}
                    Said::Answer(i) => out.push(words[i].clone()),
                    Said::Unsure | Said::Later => return Ok(Vec::new()),
                    Said::Help => {
                        self.say(HELP)?;
                        continue 'again;
                    }
                    _ => {
                        let words = words.iter().map(String::as_str);
                        self.say(&format!("'{part}' is none of them; {}", or_nearest(part, words)))?;
                        continue 'again;
                    }
                }
            }
            return Ok(out);
        }
    }

    fn ask_with(&mut self, question: &str, choices: &[Choice]) -> Result<(), Failure> {
        self.say(question)?;
        for (i, unit) in choices.iter().enumerate() {
            let line = if unit.says.is_empty() {
                unit.word.clone()
            } else {
                format!("{}: {}", unit.word, unit.says)
            };
            self.put(&wrap(&line, self.screen.width, &format!("{:>4} ", i + 1), "     "))?;
        }
        Ok(())
    }

    /// What the unit has been through.
    ///
    /// # Errors
    /// As [`Asker::line`].
    pub fn history(&mut self) -> Result<Option<History>, Failure> {
        let rows = choices(&[
            ("fresh-build", "no, it was built just now"),
            ("worked-before", "yes, it failed in use"),
            ("after-change", "yes, until something was changed"),
        ]);
        let also = [("no", 0), ("never", 0), ("n", 0), ("yes", 1), ("y", 1)];
        Ok(self.one("Has it ever worked?", &rows, &also)?.map(|i| History::ALL[i]))
    }

    /// How it is built.
    ///
    /// # Errors
    /// As [`Asker::line`].
    pub fn build(&mut self) -> Result<Option<Build>, Failure> {
        let rows: Vec<Choice> =
            Build::ALL.iter().map(|b| Choice { word: b.name().into(), says: String::new() }).collect();
        Ok(self.one("How is it built? Enter if it is none of these.", &rows, &[])?.map(|i| Build::ALL[i]))
    }

    /// What kind of unit it is; `any` for none of them.
    ///
    /// # Errors
    /// As [`Asker::line`].
    pub fn kind(&mut self, kinds: &[Choice]) -> Result<Option<String>, Failure> {
        let question = "What kind of unit is it? Enter if it is none of these.";
        Ok(self.one(question, kinds, &[])?.map(|i| kinds[i].word.clone()))
    }

    /// What powers it.
    ///
    /// # Errors
    /// As [`Asker::line`].
    pub fn power(&mut self) -> Result<Option<String>, Failure> {
        let rows = choices(&PowerSource::ALL.map(|(power, says)| (power.name(), says)));
        let power =
            self.one("What powers it? Enter if you don't know.", &rows, &[])?.map(|i| rows[i].word.clone());
        if power.is_none() {
            self.say(
                "Find out before you open it: a unit with a mains lead or valves is not for this bench.",
            )?;
        }
        Ok(power)
    }

    /// What tools are at hand.
    ///
    /// # Errors
    /// As [`Asker::line`].
    pub fn tools(&mut self) -> Result<Vec<Tool>, Failure> {
        let rows: Vec<Choice> =
            Tool::ALL.iter().map(|t| Choice { word: t.name().into(), says: String::new() }).collect();
        let question = "Which tools are at hand? Several with commas; Enter for a meter alone.";
        Ok(self.several(question, &rows)?.iter().filter_map(|w| w.parse().ok()).collect())
    }
}
