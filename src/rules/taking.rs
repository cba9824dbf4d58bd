//! How readings on a board are taken: words, price and tools. The list is `rules/taking.yaml`.

use super::figures::Minutes;
use super::words::{Power, Tool};
use crate::text::{Complaints, Named, Source, decode, parse};
use serde::Deserialize;
use std::sync::OnceLock;

/// The shipped list.
const SHIPPED: &str = include_str!(concat!(env!("CARGO_MANIFEST_DIR"), "/rules/taking.yaml"));

/// How one sort of reading is taken.
#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Taking {
    says: String,
    text: String,
    /// Minutes that it takes, set-up apart.
    pub minutes: Minutes,
    /// State of the supply.
    pub power: Power,
    /// Words that answer it beside a reading.
    pub answers: Vec<String>,
    /// Ids of cautions.
    pub cautions: Vec<String>,
    ways: Vec<Way>,
}

/// One way of taking it.
#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Way {
    /// Tools that it needs.
    pub tools: Vec<Tool>,
    /// Ids of set-ups.
    pub setup: Vec<String>,
    /// The fastest swing of a healthy board that it can show, hertz; absent: any.
    #[serde(default)]
    fastest: Option<f64>,
    #[serde(default)]
    text: String,
}

impl Taking {
    /// The short name at a net, or of a current at a supply.
    pub fn says(&self, net: &str) -> String {
        self.says.replace("{net}", net)
    }

    /// The ways that these tools allow on a board that swings at this rate, hertz, if it does; the one to be preferred first.
    pub fn ways(&self, tools: &[Tool], rate: Option<f64>) -> Vec<&Way> {
        let shows = |w: &&Way| match (w.fastest, rate) {
            (Some(fastest), Some(rate)) => rate <= fastest,
            _ => true,
        };
        let at_hand = |w: &&Way| w.tools.iter().all(|t| tools.contains(t));
        self.ways.iter().filter(at_hand).filter(shows).collect()
    }

    /// What to do at a net with these tools, as before.
    pub fn text(&self, net: &str, ground: &str, tools: &[Tool], rate: Option<f64>) -> String {
        let ways = self.ways(tools, rate).into_iter().map(|w| w.text.as_str());
        let all = [self.text.as_str()].into_iter().chain(ways).filter(|t| !t.is_empty());
        all.collect::<Vec<_>>().join(" ").replace("{net}", net).replace("{ground}", ground)
    }
}

/// How the readings of a word (`hertz`) are taken; nothing for a word that no check of a board has.
///
/// ```
/// use halfsplit::rules::{Tool, taking};
/// let rate = taking("hertz").unwrap();
/// assert_eq!(rate.says("LC"), "Rate at LC");
/// assert!(rate.text("LC", "GND", &[Tool::Meter], None).contains("against a watch"));
/// assert!(taking("miles").is_none());
/// ```
pub fn taking(word: &str) -> Option<&'static Taking> {
    static LIST: OnceLock<Result<Named<Taking>, Complaints>> = OnceLock::new();
    let read = || decode::<Named<Taking>>(&parse(&Source::new("rules/taking.yaml", SHIPPED))?);
    // A test holds the shipped list to being readable.
    LIST.get_or_init(read).as_ref().ok()?.get(word)
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;
    use crate::rules::Rules;
    use std::collections::BTreeSet;

    #[test]
    fn every_way_is_taken_with_set_ups_and_cautions_that_the_rules_know() {
        let rules = Rules::builtin().unwrap();
        let list =
            decode::<Named<Taking>>(&parse(&Source::new("rules/taking.yaml", SHIPPED)).unwrap()).unwrap();
        for (word, taking) in &list.0 {
            assert!(!taking.ways.is_empty(), "{}", word.value);
            for id in taking.ways.iter().flat_map(|w| &w.setup) {
                rules.find_setup(id).unwrap();
            }
            for id in &taking.cautions {
                rules.find_caution(id).unwrap();
            }
            assert_eq!(taking.ways(&[], None).len(), 0, "{}: nothing is read by hand", word.value);
        }
        let words: BTreeSet<&str> = list.0.iter().map(|(w, _)| w.value.as_str()).collect();
        assert_eq!(words, ["amps", "hertz", "level", "noise", "ohms", "swing", "volts"].into());
    }
}
