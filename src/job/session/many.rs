//! Lines that say more than one thing, or something beside the step: several findings, readings by pin, a new symptom; and
//! what went away after work that helped.

use super::{Session, Showing, Talk, Turn, meaning, slip};
use crate::circuit::predict::{CheckId, Observed};
use crate::job::diagnosis::Diagnosis;
use crate::job::heard::hear;
use crate::job::model::Meaning;
use crate::job::readings::{self, Where};
use crate::job::spots::{healthy_at, why_kept};
use crate::rules::{Reads, Rules, check_at};
use std::collections::BTreeSet;

/// What a line was taken for.
#[derive(Debug, PartialEq, Eq)]
pub(super) enum Taken {
    /// Findings, each a check and its answer.
    Findings(Vec<(String, String)>),
    /// Symptoms, each with its words.
    Symptoms(Vec<(String, String)>),
    /// It was meant so, but can't be taken: why.
    Refused(String),
    /// Nothing of that.
    Nothing,
}

impl Session<'_> {
    /// Several findings in a line: `silent, hiss=no`, `volts:VH=4.36V ohms:V9=OL`, `IC1.3 4.4, IC1.7 4.5`, `Q1 1.33 Q2 8.37` at a
    /// step that asks for collectors. `step` is the check or remedy asked for, with its answers.
    pub(super) fn several(
        &self,
        diagnosis: &Diagnosis<'_>,
        step: &str,
        answers: &[String],
        line: &str,
    ) -> Taken {
        let line = line.trim();
        if line.starts_with('#') || line.is_empty() {
            return Taken::Nothing;
        }
        let circuit = diagnosis.circuit.as_deref();
        // Quoted as a shell wants it: wiring:VH=all "wiring:PA=no R4".
        let unquoted: Vec<&str> = line.split('"').map(str::trim).filter(|p| !p.is_empty()).collect();
        let line = &if line.contains('=') { unquoted.join(", ") } else { line.to_owned() };
        if line.contains('=')
            && let Some(pairs) = pairs(line, step, answers)
        {
            let wrong: Vec<String> = pairs
                .iter()
                .filter_map(|(check, answer)| slip(self.rules, circuit, check, answer))
                .map(|slip| slip.to_string())
                .collect();
            return if wrong.is_empty() { Taken::Findings(pairs) } else { Taken::Refused(wrong.join("; ")) };
        }
        if let Some(why) = not_a_pair(self.rules, line, answers) {
            return Taken::Refused(why);
        }
        if !line.chars().any(|c| c.is_ascii_digit())
            || !line.contains(char::is_whitespace) && !line.contains('.')
        {
            return Taken::Nothing;
        }
        let mut list = readings::read(line);
        // At a step about the pins of a spot its name goes without saying: `c 4.4, b 0.6`.
        if let Some(spot) = step.strip_prefix("volts@")
            && (list.is_refused() || list.entries().next().is_none())
        {
            list = readings::read(&format!("{spot} {line}"));
        }
        if let Some(pin) = usual_pin(step) {
            list = list.with_pin(pin);
        }
        if list.is_refused() || list.entries().next().is_none() {
            return Taken::Nothing;
        }
        let list = list.after(self.job.card.remarks.iter().map(|r| r.text.as_str()));
        let placed = readings::place(&list, self.rules, circuit);
        let refused: Vec<&str> = placed.iter().flat_map(|l| &l.refused).map(String::as_str).collect();
        if !refused.is_empty() {
            let by_pin = list.entries().any(|(_, e)| matches!(e.at, Where::Pin { .. }));
            return if by_pin { Taken::Refused(refused.join("; ")) } else { Taken::Nothing };
        }
        let of = |t: &readings::Taken| (t.check.clone(), t.answer.clone());
        Taken::Findings(placed.iter().flat_map(|l| &l.taken).map(of).collect())
    }

    /// A new symptom in the owner's or the user's words: of several words, or a symptom's own phrase.
    pub(super) fn symptoms(&self, line: &str) -> Taken {
        let stated: BTreeSet<&str> = self.stated().into_iter().collect();
        let found: Vec<(String, String)> = symptoms_in(self.rules, line)
            .into_iter()
            .filter(|(id, _)| !stated.contains(id.as_str()))
            .collect();
        if found.is_empty() { Taken::Nothing } else { Taken::Symptoms(found) }
    }

    /// Symptoms that stand on the card: of the complaint, and found since.
    fn stated(&self) -> Vec<&str> {
        let card = &self.job.card;
        let said = card.complaint.iter().flat_map(|c| &c.symptoms).map(|s| s.value.as_str());
        let found =
            card.standing().filter(|(_, f)| f.answer.value == "yes").map(|(_, f)| f.check.value.as_str());
        let mut out: Vec<&str> = Vec::new();
        for id in said.chain(found) {
            if !out.contains(&id) && self.rules.find_symptom(id).is_ok() {
                out.push(id);
            }
        }
        out
    }

    /// Puts several findings on the card, with one write.
    pub(super) fn note_all<T: Talk>(
        &mut self,
        talk: &mut T,
        findings: &[(String, String)],
        remark: Option<&str>,
    ) -> Result<Turn, T::Error> {
        let at = talk.now();
        let first = self.job.card.findings.len() + 1;
        self.job = talk.keep(&|card| {
            let mut card = card.clone();
            for (check, answer) in findings {
                let new = super::NewFinding {
                    at: at.clone(),
                    check: check.clone(),
                    answer: answer.clone(),
                    remark: remark.map(str::to_owned),
                };
                card = card.with_finding(&new)?;
            }
            Ok(card)
        })?;
        self.queried = None;
        for (i, (check, answer)) in findings.iter().enumerate() {
            let taken = self.taken_for(first + i);
            talk.show(&Showing::Words(&format!("Noted {}: {check}={answer}{taken}", first + i)))?;
        }
        Ok(Turn::Onward)
    }

    /// What a reading was taken for, behind the finding of that number; nothing for an answer in words.
    pub(super) fn taken_for(&self, number: usize) -> String {
        let circuit = self.circuit.as_deref();
        let finding = number.checked_sub(1).and_then(|i| self.job.card.findings.get(i));
        let Some((finding, Ok(meaning))) = finding.map(|f| (f, meaning(self.rules, circuit, f))) else {
            return String::new();
        };
        match meaning {
            Meaning::Answer { check, answer, .. } => {
                let check = self.rules.check(check);
                let word = &check.answers[answer];
                let place = finding.check.value.parse::<CheckId>().ok();
                let healthy =
                    place.and_then(|p| healthy_at(self.rules, &p)).or_else(|| check.healthy.clone());
                let healthy = healthy.filter(|_| answer > 0);
                match *word == finding.answer.value
                    || finding.check.value == check.id && check.reading.is_none()
                {
                    true => String::new(),
                    false => {
                        let healthy = healthy.map(|h| format!("; healthy {h}")).unwrap_or_default();
                        format!(": {}{healthy}", word.replace('-', " "))
                    }
                }
            }
            Meaning::Circuit { check, observed: Observed::Read(_) } => {
                let band = circuit.and_then(|c| c.expected(&check)).map(|line| line.band);
                band.map(|band| format!("; healthy {band}")).unwrap_or_default()
            }
            Meaning::Kept => {
                let place = finding.check.value.parse::<CheckId>().ok().filter(|_| circuit.is_none());
                let why = place.and_then(|p| why_kept(self.rules, &p)).map(|w| format!(": {w}"));
                format!("; kept, it weighs nothing{}", why.unwrap_or_default())
            }
            _ => String::new(),
        }
    }

    /// After work that helped: which complaint went away. What is gone and what is left are findings of the unit as it now is.
    pub(super) fn what_went_away<T: Talk>(&mut self, talk: &mut T) -> Result<(), T::Error> {
        let stated: Vec<String> = self.stated().into_iter().map(str::to_owned).collect();
        if stated.is_empty() {
            return Ok(());
        }
        let says = |id: &String| {
            self.rules.find_symptom(id).map_or_else(|_| id.clone(), |s| self.rules.symptom(s).says.clone())
        };
        let mut rows: Vec<(String, String)> = stated.iter().map(|id| (id.clone(), says(id))).collect();
        rows.push(("none".into(), "it is weaker or rarer, and still there".into()));
        talk.show(&Showing::Words(
            "Which complaint went away? Several with commas; 'unsure' if you can't tell.",
        ))?;
        let words: Vec<String> = rows.iter().map(|r| r.0.clone()).collect();
        for _ in 0..3 {
            talk.show(&Showing::Choices(&rows))?;
            let Some(line) = talk.ask(&words)? else { return Ok(()) };
            let Some(gone) = picked(&line, &words) else {
                talk.show(&Showing::Words("Give numbers or words of the list, 'none', or 'unsure'."))?;
                continue;
            };
            let Some(gone) = gone else { return Ok(()) };
            let findings: Vec<(String, String)> = stated
                .iter()
                .map(|id| (id.clone(), if gone.contains(id) { "no" } else { "yes" }.to_owned()))
                .collect();
            self.note_all(talk, &findings, None)?;
            return Ok(());
        }
        Ok(())
    }
}

/// The words of a list that a line picks; the inner nothing for `unsure`, the outer one where it picks none.
fn picked(line: &str, words: &[String]) -> Option<Option<Vec<String>>> {
    use super::{Said, understand};
    if matches!(understand(line, words, false), Said::Unsure | Said::Later | Said::Stop | Said::Nothing) {
        return Some(None);
    }
    let mut out = Vec::new();
    for part in line.split([',', ';']).flat_map(|p| p.split(" and ")).map(str::trim).filter(|p| !p.is_empty())
    {
        match understand(part, words, false) {
            Said::Answer(i) if words[i] == "none" => return Some(Some(Vec::new())),
            Said::Answer(i) => out.push(words[i].clone()),
            _ => return None,
        }
    }
    (!out.is_empty()).then_some(Some(out))
}

/// `CHECK=ANSWER` in a row, the first perhaps an answer of the step alone.
fn pairs(line: &str, step: &str, answers: &[String]) -> Option<Vec<(String, String)>> {
    let mut out = Vec::new();
    for (i, part) in line.split([',', ';']).map(str::trim).filter(|p| !p.is_empty()).enumerate() {
        if i == 0 && !part.contains('=') {
            match super::understand(part, answers, false) {
                super::Said::Answer(k) => out.push((step.to_owned(), answers[k].clone())),
                _ => return None,
            }
            continue;
        }
        // Blanks part pairs as well, where each piece is one.
        let words: Vec<&str> = part.split_whitespace().collect();
        let pieces =
            if words.iter().all(|w| w.split_once('=').is_some_and(|(c, a)| !c.is_empty() && !a.is_empty())) {
                words
            } else {
                vec![part]
            };
        for piece in pieces {
            let (check, answer) = piece.split_once('=')?;
            let (check, answer) = (check.trim(), answer.trim());
            if check.is_empty()
                || answer.is_empty()
                || check.contains(char::is_whitespace)
                || answer.contains('=')
            {
                return None;
            }
            out.push((check.to_owned(), answer.to_owned()));
        }
    }
    (!out.is_empty()).then_some(out)
}

/// What is wrong with a line that has findings as `CHECK=ANSWER` in it, and something else that is none: it is never read as words.
fn not_a_pair(rules: &Rules, line: &str, answers: &[String]) -> Option<String> {
    let parts: Vec<&str> = line.split([',', ';']).map(str::trim).filter(|p| !p.is_empty()).collect();
    let names_a_check = |part: &&str| {
        let name = part.split_once('=').map(|(check, _)| check.trim());
        name.is_some_and(|name| rules.find_check(name).is_ok() || rules.find_symptom(name).is_ok())
    };
    if !parts.iter().any(names_a_check) {
        return None;
    }
    let odd = parts.iter().find(|p| !names_a_check(p)).unwrap_or(&parts[0]);
    Some(match odd.contains('=') {
        true => format!("'{odd}' is no finding; write CHECK=ANSWER, such as hiss=no"),
        false => format!("'{odd}' is none of the answers to this step ({})", answers.join(", ")),
    })
}

/// The pin that a step asks for, where it asks for one kind of pin: `Q1 1.33` is then its collector.
fn usual_pin(step: &str) -> Option<&'static str> {
    ["c", "b", "s"].into_iter().find(|pin| check_at(&format!("Q1.{pin}"), Reads::Volts) == Some(step))
}

/// Symptoms that are heard in a line, with what each says.
fn symptoms_in(rules: &Rules, line: &str) -> Vec<(String, String)> {
    // One word alone is more likely a slip at the step than a complaint.
    if line.split_whitespace().count() < 2 {
        return Vec::new();
    }
    let Ok(heard) = hear(rules, line) else { return Vec::new() };
    heard
        .symptoms()
        .into_iter()
        .filter_map(|id| {
            let says = rules.find_symptom(&id).ok().map(|s| rules.symptom(s).says.clone())?;
            Some((id, says))
        })
        .collect()
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;

    fn pairs_of(line: &str) -> Option<Vec<String>> {
        let answers = ["normal".to_string(), "silent".into()];
        let found = pairs(line, "effect-sound", &answers)?;
        Some(found.into_iter().map(|(c, a)| format!("{c}={a}")).collect())
    }

    #[test]
    fn several_findings_stand_in_a_line() {
        let of = |line: &str| pairs_of(line).unwrap_or_default().join(" ");
        assert_eq!(of("silent, hiss=no"), "effect-sound=silent hiss=no");
        assert_eq!(of("volts:VH=4.36V ohms:V9=OL"), "volts:VH=4.36V ohms:V9=OL");
        assert_eq!(of("hiss=no; volts:VH=about 4.4"), "hiss=no volts:VH=about 4.4");
        assert_eq!(pairs_of("perhaps, hiss=no"), None);
        assert_eq!(pairs_of("hiss="), None);
        assert_eq!(pairs_of("a = b = c"), None);
    }

    #[test]
    fn a_line_with_a_finding_in_it_is_never_read_as_words() {
        let rules = Rules::builtin().unwrap();
        let answers = ["sound".to_string(), "loose".into()];
        let why = |line: &str| not_a_pair(rules, line, &answers);
        assert_eq!(
            why("right, hiss=no").unwrap(),
            "'right' is none of the answers to this step (sound, loose)"
        );
        assert!(why("hiss=no, hum=").is_some());
        assert_eq!(why("IC1 pin 6 = 2.3V"), None);
        assert_eq!(why("it hums now"), None);
    }

    #[test]
    fn of_the_complaints_those_are_picked_that_are_named() {
        let words = ["hum".to_string(), "hiss".into(), "none".into()];
        let of = |line: &str| picked(line, &words);
        assert_eq!(of("1"), Some(Some(vec!["hum".to_owned()])));
        assert_eq!(of("hum and hiss"), Some(Some(vec!["hum".to_owned(), "hiss".into()])));
        assert_eq!(of("1, 2"), Some(Some(vec!["hum".to_owned(), "hiss".into()])));
        assert_eq!(of("none"), Some(Some(Vec::new())));
        assert_eq!(of("unsure"), Some(None));
        assert_eq!(of("the lid"), None);
    }
}
