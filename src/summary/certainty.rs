//! How sure we are, in words: the one table that ties words to probabilities.

use serde::Serialize;

/// A line of the table.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Step {
    /// Least probability for these words.
    pub from: f64,
    /// The word in a list or table.
    pub word: &'static str,
    /// The same as a sentence of the summary.
    pub sentence: &'static str,
}

/// The table, from certain to doubtful. A customer reads the words, and the figure beside them.
pub const TABLE: [Step; 6] = [
    Step { from: 0.98, word: "certain enough to act on", sentence: "We are as sure as testing can make us" },
    Step { from: 0.90, word: "very likely", sentence: "We think this very likely" },
    Step { from: 0.60, word: "likely", sentence: "We think this likely, but another cause is not ruled out" },
    Step { from: 0.25, word: "possible", sentence: "This is possible; more than one cause still fits" },
    Step { from: 0.05, word: "less likely", sentence: "This is less likely, but not ruled out" },
    Step { from: 0.0, word: "unlikely", sentence: "This is unlikely" },
];

/// The word for a fault that the repair has shown.
pub const CONFIRMED: &str = "confirmed by the repair";

/// The line for a probability.
pub fn of(probability: f64) -> Step {
    TABLE.iter().copied().find(|s| probability >= s.from).unwrap_or(TABLE[TABLE.len() - 1])
}

/// The table as text, for a README: a probability and its word a line.
///
/// ```
/// let table = halfsplit::summary::certainty::table();
/// assert!(table.contains("90 % and more  very likely"));
/// ```
pub fn table() -> String {
    let mut out = String::new();
    for step in TABLE {
        let from =
            if step.from > 0.0 { format!("{:.0} % and more", step.from * 100.0) } else { "below".into() };
        out += &format!("{from:<15}{}\n", step.word);
    }
    out + &format!("{:<15}{CONFIRMED}\n", "cured by it")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_probability_has_one_word_and_more_is_never_weaker() {
        let place = |p: f64| TABLE.iter().position(|s| *s == of(p));
        for i in 0..1000 {
            assert!(place(f64::from(i + 1) / 1000.0) <= place(f64::from(i) / 1000.0));
        }
        assert_eq!(of(0.98).word, "certain enough to act on");
        assert_eq!(of(0.9799).word, "very likely");
        assert_eq!(of(f64::NAN).word, "unlikely");
    }
}
