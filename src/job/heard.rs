//! What an owner's words put on a card: symptoms, what stays open, history, power, what happened, findings.
//!
//! Words are read once, when a card is made; after that the card counts, so that what was added or dropped by hand stays. To show
//! what was read from which words, they are read again.

use super::card::{Card, PowerSource};
use crate::rules::speech::{Fact, Heard, Open, Parse};
use crate::rules::{History, Rules};
use crate::text::Complaints;

/// What was understood of an owner's words by these rules.
#[derive(Clone, Debug, Default)]
pub struct Hearing {
    /// The text taken apart. Symptoms that the rules don't know are left out.
    pub parse: Parse,
}

/// A finding that an owner's words amount to.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct OwnersFinding {
    /// Check id.
    pub check: String,
    /// Answer.
    pub answer: String,
    /// The words.
    pub words: Vec<String>,
}

/// How a card's symptoms came about, beside what its words say.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct ByHand {
    /// On the card, and not in the words.
    pub added: Vec<String>,
    /// In the words, and not on the card.
    pub dropped: Vec<String>,
}

/// Reads an owner's words.
///
/// ```
/// use halfsplit::{job::hear, rules::{History, Rules}};
/// let heard = hear(Rules::builtin()?, "It worked until Sunday. Now the LED lights but there is no sound.")?;
/// assert_eq!(heard.symptoms(), ["silent"]);
/// assert_eq!(heard.history(), Some(History::WorkedBefore));
/// assert_eq!(heard.findings(Rules::builtin()?)[0].check, "status-light");
/// # Ok::<(), halfsplit::text::Complaints>(())
/// ```
///
/// # Errors
/// When a word file is at fault.
pub fn hear(rules: &Rules, words: &str) -> Result<Hearing, Complaints> {
    let mut parse = rules.lexicon()?.read(words);
    let known = |id: &str| rules.find_symptom(id).is_ok();
    parse.symptoms.retain(|h| known(&h.symptom));
    parse.denied.retain(|h| known(&h.symptom));
    for open in &mut parse.open {
        open.one_of.retain(|id| known(id));
    }
    // What only one symptom is left of is open no more.
    let (sure, open): (Vec<Open>, Vec<Open>) = parse.open.into_iter().partition(|o| o.one_of.len() == 1);
    parse.open = open.into_iter().filter(|o| !o.one_of.is_empty()).collect();
    for open in sure {
        let symptom = open.one_of.into_iter().next().unwrap_or_default();
        if !parse.symptoms.iter().any(|h| h.symptom == symptom) {
            parse.symptoms.push(Heard { symptom, words: open.words });
        }
    }
    Ok(Hearing { parse })
}

impl Hearing {
    /// Ids of the symptoms named for sure.
    pub fn symptoms(&self) -> Vec<String> {
        self.parse.symptoms.iter().map(|h| h.symptom.clone()).collect()
    }

    /// Of each open reading the symptoms that may be meant.
    pub fn perhaps(&self) -> Vec<Vec<String>> {
        self.parse.open.iter().map(|o| o.one_of.clone()).collect()
    }

    fn fact(&self, key: &str) -> Option<&Fact> {
        let mut facts = self.parse.facts.iter().filter(|f| f.key == key);
        // Two values for one key leave it open.
        let first = facts.next()?;
        facts.next().is_none().then_some(first)
    }

    /// What the unit has been through, where the words say it.
    pub fn history(&self) -> Option<History> {
        // Who changed something tells that it worked before that.
        let changed = self.parse.facts.iter().any(|f| f.key == "history" && f.value == "after-change");
        let fresh = self.parse.facts.iter().any(|f| f.key == "history" && f.value == "fresh-build");
        if changed && !fresh {
            return Some(History::AfterChange);
        }
        self.fact("history")?.value.parse().ok()
    }

    /// What the unit runs on, where the words say it and name one source alone.
    pub fn power(&self) -> Option<PowerSource> {
        let fact = self.fact("power")?;
        serde_json::from_value(serde_json::Value::String(fact.value.clone())).ok()
    }

    /// What happened just before, by the ids of the word files.
    pub fn happened(&self) -> Vec<String> {
        self.parse.facts.iter().filter(|f| f.key == "happened").map(|f| f.value.clone()).collect()
    }

    /// Findings that the words amount to: those whose check and answer the rules have, and that no symptom speaks against.
    pub fn findings(&self, rules: &Rules) -> Vec<OwnersFinding> {
        let told = self
            .parse
            .symptoms
            .iter()
            .map(|h| &h.symptom)
            .chain(self.parse.open.iter().flat_map(|o| &o.one_of));
        let told: Vec<_> =
            told.filter_map(|id| rules.find_symptom(id).ok()).map(|id| rules.symptom(id).check).collect();
        let mut out: Vec<OwnersFinding> = Vec::new();
        for fact in &self.parse.facts {
            let Some((check, answer)) = &fact.finding else { continue };
            let Ok(id) = rules.find_check(check) else { continue };
            let known = rules.check(id).answer(answer).is_ok();
            if known && !told.contains(&id) && !out.iter().any(|f| f.check == *check) {
                out.push(OwnersFinding {
                    check: check.clone(),
                    answer: answer.clone(),
                    words: fact.words.clone(),
                });
            }
        }
        out
    }

    /// What the card's symptoms have beside what the words say.
    pub fn by_hand(&self, card: &Card) -> ByHand {
        let Some(complaint) = &card.complaint else { return ByHand::default() };
        let read = self.symptoms();
        let open: Vec<&String> = self.parse.open.iter().flat_map(|o| &o.one_of).collect();
        let on_card: Vec<&str> = complaint.symptoms.iter().map(|s| s.value.as_str()).collect();
        ByHand {
            added: on_card
                .iter()
                .filter(|s| !read.iter().any(|r| r == *s))
                .map(|s| (*s).to_string())
                .collect(),
            dropped: read
                .into_iter()
                .filter(|r| !on_card.contains(&r.as_str()) && !open.contains(&r))
                .collect(),
        }
    }
}

/// The remark that goes with a finding of the owner's.
pub fn owners_remark(words: &[String]) -> String {
    let quoted: Vec<String> = words.iter().map(|w| format!("'{w}'")).collect();
    format!("the owner says {}", quoted.join(", "))
}

/// Whether a finding is the owner's word.
pub fn is_owners(remark: Option<&str>) -> bool {
    remark.is_some_and(|r| r.starts_with("the owner says "))
}
