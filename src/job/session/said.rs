//! What a typed line means at a step: an answer, or one of the words that steer the conversation.

use crate::text::nearest;
use crate::units::{Unit, reading};

/// The words that steer, with what they do; the first of each row is the one shown.
pub const STEERING: [(&str, &[&str], &str); 12] = [
    (
        "unsure",
        &[
            "unsure",
            "don't-know",
            "dont-know",
            "i-don't-know",
            "i-dont-know",
            "don't-know-yet",
            "dunno",
            "no-idea",
            "not-sure",
            "i'm-not-sure",
            "can't-tell",
            "cant-tell",
            "i-can't-tell",
            "cannot-tell",
        ],
        "can't tell ('don't know'); it isn't asked again",
    ),
    (
        "later",
        &["later", "not-now", "skip", "skip-it", "next"],
        "not now ('skip'): another step comes up instead",
    ),
    (
        "no tool",
        &[
            "no-tool",
            "no-tools",
            "can't",
            "cannot",
            "cant",
            "i-can't",
            "i-cannot",
            "i-cant",
            "can't-do",
            "can't-do-that",
            "i-can't-do-that",
            "i-cannot-do-that",
            "i-can't-do-it",
            "can't-do-it",
            "not-possible",
            "impossible",
        ],
        "can't be done here ('I can't'); it stays out of this job",
    ),
    ("back", &["back", "undo", "take-back"], "strike the last finding ('undo') and ask again"),
    ("why", &["why"], "why the leading suspect leads; 'why ID' for another one"),
    ("suspects", &["suspects"], "all that is under suspicion"),
    ("ID=answer", &[], "any other finding, and the word that puts a misread complaint right: hiss=no"),
    ("# text", &["remark"], "a remark for the card; 'remark text' does the same"),
    ("close", &["close"], "the fault is known: record the outcome"),
    ("stop", &["stop", "quit", "exit", "q"], "leave; everything is on the card"),
    ("again", &["again"], "show this step again, cautions in full"),
    ("help", &["help", "?"], "these words"),
];

/// What a line means.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Said {
    /// An empty line.
    Nothing,
    /// One of the answers, by index.
    Answer(usize),
    /// Not one of the answers, but the step takes readings: the text as typed.
    Reading(String),
    /// The user can't tell.
    Unsure,
    /// Not now.
    Later,
    /// It can't be done on this job.
    NoTool,
    /// Strike the last finding.
    Back,
    /// Why a suspect stands where it stands; the leader where none is named.
    Why(Option<String>),
    /// The list of suspects.
    Suspects,
    /// A remark for the card.
    Remark(String),
    /// Another finding: its check and answer.
    Finding(String, String),
    /// Record the outcome.
    Close,
    /// End the conversation.
    Stop,
    /// Show the step again.
    Again,
    /// The list of words.
    Help,
    /// It could be one of several answers.
    Several(Vec<String>),
    /// None of all that; the nearest word, if one is near.
    Unknown(Option<String>),
}

fn folded(text: &str) -> String {
    text.trim().to_lowercase().replace('\u{2019}', "'").split([' ', '_']).collect::<Vec<_>>().join("-")
}

/// Reads a line at a step with these answers.
///
/// An answer may be given by its word, by the start of its word where only one begins so, and, unless the step takes
/// readings, by its number from 1. A word that is wholly an answer is an answer, whatever else it may mean.
///
/// ```
/// use halfsplit::job::session::{Said, understand};
/// let answers = ["normal".to_string(), "faint".into(), "silent".into()];
/// assert_eq!(understand("2", &answers, false), Said::Answer(1));
/// assert_eq!(understand(" si", &answers, false), Said::Answer(2));
/// assert_eq!(understand("# hot resistor", &answers, false), Said::Remark("hot resistor".into()));
/// assert_eq!(understand("4.7k", &answers, true), Said::Reading("4.7k".into()));
/// ```
pub fn understand(line: &str, answers: &[String], reads: bool) -> Said {
    let line: String = line.chars().filter(|c| !c.is_control() || *c == '\t').take(2000).collect();
    let line = line.trim();
    if line.is_empty() {
        return Said::Nothing;
    }
    if let Some(remark) = line.strip_prefix('#') {
        return remark_of(remark);
    }
    if let Some((check, answer)) = line.split_once('=')
        && is_id(check.trim())
        && !answer.trim().is_empty()
    {
        return Said::Finding(check.trim().into(), answer.trim().into());
    }
    let word = folded(line);
    if let Some(i) = answers.iter().position(|a| folded(a) == word) {
        return Said::Answer(i);
    }
    if let Some(said) = steering(line, &word) {
        return said;
    }
    if !reads && let Ok(number) = word.trim_end_matches(['.', ')']).parse::<usize>() {
        return match number {
            n if (1..=answers.len()).contains(&n) => Said::Answer(n - 1),
            _ => Said::Unknown(None),
        };
    }
    let begin: Vec<usize> = (0..answers.len()).filter(|i| folded(&answers[*i]).starts_with(&word)).collect();
    match begin.as_slice() {
        [one] => Said::Answer(*one),
        [] if reads && may_be_a_reading(line) => Said::Reading(line.into()),
        [] => Said::Unknown(near(&word, answers)),
        several => Said::Several(several.iter().map(|i| answers[*i].clone()).collect()),
    }
}

/// Whether a text may be the id of a check or symptom.
fn is_id(text: &str) -> bool {
    let id = |c: char| c.is_ascii_alphanumeric() || matches!(c, '-' | ':' | '_' | '.' | '+');
    text.starts_with(|c: char| c.is_ascii_alphabetic()) && text.chars().all(id)
}

/// Whether a text has a digit in it or means over range.
fn may_be_a_reading(text: &str) -> bool {
    text.chars().any(|c| c.is_ascii_digit()) || reading::parse(text, Some(Unit::Ohms)).is_ok()
}

fn remark_of(text: &str) -> Said {
    match text.trim() {
        "" => Said::Unknown(None),
        text => Said::Remark(text.into()),
    }
}

fn steering(line: &str, word: &str) -> Option<Said> {
    let (first, rest) = line.split_once(char::is_whitespace).unwrap_or((line, ""));
    match first.to_lowercase().trim_end_matches(':') {
        "remark" => return Some(remark_of(rest)),
        "why" => {
            let id = rest.trim();
            return Some(Said::Why((!id.is_empty()).then(|| id.into())));
        }
        _ => {}
    }
    let row = STEERING.iter().find(|(_, words, _)| words.contains(&word))?;
    Some(match row.0 {
        "unsure" => Said::Unsure,
        "later" => Said::Later,
        "no tool" => Said::NoTool,
        "back" => Said::Back,
        "suspects" => Said::Suspects,
        "close" => Said::Close,
        "stop" => Said::Stop,
        "again" => Said::Again,
        _ => Said::Help,
    })
}

fn near(word: &str, answers: &[String]) -> Option<String> {
    let steering = STEERING.iter().flat_map(|(_, words, _)| words.iter().copied());
    nearest(word, answers.iter().map(String::as_str).chain(steering)).map(str::to_string)
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;
    use crate::rules::Rules;

    fn said(line: &str, answers: &[&str], reads: bool) -> Said {
        understand(line, &answers.iter().map(|a| a.to_string()).collect::<Vec<_>>(), reads)
    }

    #[test]
    fn an_answer_is_taken_as_people_give_it() {
        let answers = ["cured", "no-change", "changed"];
        for (line, expected) in [
            ("1", Said::Answer(0)),
            ("2)", Said::Answer(1)),
            ("NO CHANGE", Said::Answer(1)),
            ("no", Said::Answer(1)),
            ("c", Said::Several(vec!["cured".into(), "changed".into()])),
            ("chan", Said::Answer(2)),
            ("4", Said::Unknown(None)),
            ("no tool", Said::NoTool),
            ("curred", Said::Unknown(Some("cured".into()))),
            ("bakc", Said::Unknown(Some("back".into()))),
            ("", Said::Nothing),
            ("#", Said::Unknown(None)),
            ("Remark: 2 wires", Said::Remark("2 wires".into())),
            ("why regulator-turned", Said::Why(Some("regulator-turned".into()))),
            ("not now", Said::Later),
            ("can\u{2019}t", Said::NoTool),
            ("\u{1b}[31mq", Said::Unknown(None)),
        ] {
            assert_eq!(said(line, &answers, false), expected, "for {line:?}");
        }
        assert_eq!(
            said("2", &["right", "low"], true),
            Said::Reading("2".into()),
            "a number is a reading there"
        );
        assert_eq!(said("lo", &["right", "low"], true), Said::Answer(1));
        assert_eq!(said("OL", &["joined", "open"], true), Said::Reading("OL".into()));
    }

    #[test]
    fn no_shipped_answer_hides_a_steering_word() {
        let words: Vec<&str> = STEERING.iter().flat_map(|(_, words, _)| words.iter().copied()).collect();
        for (_, check) in Rules::builtin().unwrap().checks() {
            for answer in &check.answers {
                assert!(!words.contains(&answer.as_str()), "{}: '{answer}'", check.id);
            }
        }
    }
}
