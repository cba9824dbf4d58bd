//! The end of a conversation: what was wrong, what was done.

use super::{Ended, Said, Session, Showing, Talk, Turn, pick, sentence, understand};
use crate::job::{Diagnosis, EndState, Meaning, Retest};

/// How many suspects are offered.
const OFFERED: usize = 4;

/// What the user says was wrong.
enum Verdict {
    /// These faults.
    Faults(Vec<String>),
    /// Another end.
    End(EndState),
}

impl Session<'_> {
    /// Asks for the outcome and records it.
    pub(super) fn close<T: Talk>(
        &mut self,
        talk: &mut T,
        diagnosis: &Diagnosis<'_>,
    ) -> Result<Turn, T::Error> {
        let Some(verdict) = self.verdict(talk, diagnosis)? else { return Ok(Turn::Onward) };
        let (faults, end) = match verdict {
            Verdict::End(end) => (Vec::new(), end),
            Verdict::Faults(faults) if diagnosis.cured() => (faults, EndState::Mended),
            Verdict::Faults(faults) => match self.mended(talk)? {
                Some(end) => (faults, end),
                None => return Ok(Turn::Onward),
            },
        };
        let did = self.did(talk, diagnosis)?;
        let now = talk.now();
        self.job = talk.keep(&|card| card.with_outcome(now.as_deref(), end, &faults, did.as_deref()))?;
        talk.show(&Showing::Words("Closed. The outcome is on the card."))?;
        Ok(Turn::End(Ended::Closed))
    }

    fn verdict<T: Talk>(&self, talk: &mut T, diagnosis: &Diagnosis<'_>) -> Result<Option<Verdict>, T::Error> {
        talk.show(&Showing::Words(
            "What was wrong? Pick one, or give fault ids with commas; 'later' leaves the job open.",
        ))?;
        let suspects = diagnosis.suspects()?.suspects;
        let mut members: Vec<_> = suspects.into_iter().flat_map(|s| s.members).collect();
        members.sort_by(|a, b| b.probability.total_cmp(&a.probability));
        let mut rows: Vec<(String, String)> =
            members.into_iter().take(OFFERED).map(|m| (m.id, m.says)).collect();
        for (word, says) in [
            ("nothing-wrong", "Nothing is wrong with the unit itself"),
            ("not-listed", "Something that the rules don't know"),
            ("handed-on", "Given up or handed on"),
        ] {
            rows.push((word.into(), says.into()));
        }
        let words: Vec<String> = rows.iter().map(|r| r.0.clone()).collect();
        let faults = || diagnosis.model.faults.iter().map(|f| f.id.as_str()).filter(|id| *id != "unlisted");
        loop {
            talk.show(&Showing::Choices(&rows))?;
            let Some(line) = talk.ask(&words)? else { return Ok(None) };
            match understand(&line, &words, true) {
                Said::Answer(i) => return Ok(Some(verdict_of(&words[i]))),
                Said::Later | Said::Stop | Said::Back => return Ok(None),
                // Ids have no digits in them as a rule, so they are no readings; both come here.
                said @ (Said::Reading(_) | Said::Unknown(_)) => {
                    let text = match said {
                        Said::Reading(text) => text,
                        _ => line.trim().to_string(),
                    };
                    if let Ok(n) = text.trim_end_matches(['.', ')']).parse::<usize>()
                        && let Some(word) = n.checked_sub(1).and_then(|i| words.get(i))
                    {
                        return Ok(Some(verdict_of(word)));
                    }
                    let ids: Result<Vec<&str>, String> = text
                        .split([',', ' '])
                        .map(str::trim)
                        .filter(|w| !w.is_empty())
                        .map(|w| pick(w, faults()))
                        .collect();
                    match ids {
                        Ok(ids) => {
                            return Ok(Some(Verdict::Faults(ids.into_iter().map(str::to_string).collect())));
                        }
                        Err(words) => talk.show(&Showing::Words(&words))?,
                    }
                }
                _ => talk.show(&Showing::Words("Give a number, a fault's id, or 'later'."))?,
            }
        }
    }

    fn mended<T: Talk>(&self, talk: &mut T) -> Result<Option<EndState>, T::Error> {
        let choices = ["yes", "no"].map(str::to_string);
        loop {
            talk.show(&Showing::Words("Is it put right, and does the unit work? yes or no."))?;
            let Some(line) = talk.ask(&choices)? else { return Ok(None) };
            match understand(&line, &choices, false) {
                Said::Answer(0) => return Ok(Some(EndState::Mended)),
                Said::Answer(_) => return Ok(Some(EndState::Found)),
                Said::Stop | Said::Later | Said::Back => return Ok(None),
                _ => {}
            }
        }
    }

    /// What was done, in words; an empty line takes the remedy that cured it.
    fn did<T: Talk>(&self, talk: &mut T, diagnosis: &Diagnosis<'_>) -> Result<Option<String>, T::Error> {
        let usual = diagnosis.model.findings.iter().rev().find_map(|f| match &f.meaning {
            Meaning::Tried { remedy, retest: Retest::Cured } => Some(diagnosis.offer(remedy).text),
            _ => None,
        });
        let words = match &usual {
            Some(usual) => format!("What was done? Enter alone writes: {}", sentence(usual)),
            None => "What was done? In a line of your own; Enter alone leaves it out.".into(),
        };
        talk.show(&Showing::Words(&words))?;
        let line = talk.ask(&[])?.unwrap_or_default();
        let line: String = line.chars().filter(|c| !c.is_control()).collect();
        Ok(match line.trim() {
            "" => usual,
            text => Some(text.into()),
        })
    }
}

fn verdict_of(word: &str) -> Verdict {
    match word {
        "nothing-wrong" => Verdict::End(EndState::NothingWrong),
        "not-listed" => Verdict::End(EndState::Unlisted),
        "handed-on" => Verdict::End(EndState::HandedOn),
        fault => Verdict::Faults(vec![fault.into()]),
    }
}
