//! A job worked through in conversation: what is asked, and what each answer does to the card.
//!
//! A [`Session`] holds no terminal and no file. It talks through [`Talk`]: something that shows, that asks for a line, and
//! that keeps the card; the command line is one, a test with lines in a list another. Every change goes through
//! [`Talk::keep`] and is kept before the next question is asked, so that stopping at any moment loses nothing.
//!
//! What is absent: the words of a step (the command line has them) and any memory beside the card, but for the steps
//! put off with `later`, which come back with the next session.

mod closing;
mod doubt;
mod many;
mod said;

pub use doubt::{Doubt, doubt, doubt_of};
pub(in crate::job) use doubt::{impossible_on_board, slip_on_board};
pub use said::{STEERING, Said, understand};

use super::card::{CardError, CardFinding, JobCard, NewFinding, PowerSource};
use super::circuit::Circuit;
use super::diagnosis::{Diagnosis, Why};
use super::model::Retest;
use super::next::Proposal;
use super::understand::{meaning, unit_of};
use crate::circuit::board::Board;
use crate::rules::{Power, Rules};
use crate::text::{At, Complaint, Complaints, Span, or_nearest};
use crate::units::reading;
use many::Taken;
use std::rc::Rc;

/// How many other steps come with one.
const ALTERNATIVES: usize = 3;

/// Something to show.
#[derive(Debug)]
#[non_exhaustive]
pub enum Showing<'a, 'r> {
    /// The job, at the start; with how many findings it is resumed.
    Opening(&'a JobCard, usize),
    /// The step, with who leads.
    Step(&'a Diagnosis<'r>, &'a Proposal),
    /// The step once more, with everything that goes with it.
    Again(&'a Diagnosis<'r>, &'a Proposal),
    /// All that is under suspicion.
    Suspects(&'a Diagnosis<'r>),
    /// Why a suspect stands where it stands.
    Why(&'a Why),
    /// The words that steer.
    Help,
    /// Choices, each with a line that says what it is.
    Choices(&'a [(String, String)]),
    /// A sentence.
    Words(&'a str),
}

/// A change to a card.
pub type Change<'a> = dyn Fn(&JobCard) -> Result<JobCard, CardError> + 'a;

/// Whom a session talks with.
pub trait Talk {
    /// What ends a conversation early.
    type Error: From<Complaints> + From<CardError>;

    /// Shows something.
    ///
    /// # Errors
    /// When it can't be shown.
    fn show(&mut self, what: &Showing<'_, '_>) -> Result<(), Self::Error>;

    /// Asks for a line; `choices` are words that may be picked. Nothing at the end of the input.
    ///
    /// # Errors
    /// When no line can be had.
    fn ask(&mut self, choices: &[String]) -> Result<Option<String>, Self::Error>;

    /// Makes a change to the card and keeps it; returns when it is safe. The card may have been changed elsewhere
    /// meanwhile; the change is then made to it as it now is.
    ///
    /// # Errors
    /// When the change can't be made or kept; the card is then as it was.
    fn keep(&mut self, change: &Change<'_>) -> Result<JobCard, Self::Error>;

    /// The time, RFC 3339; nothing where there is no clock.
    fn now(&mut self) -> Option<String>;
}

/// How a session ended.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Ended {
    /// The user stopped; the job is open.
    Stopped,
    /// The job has its outcome.
    Closed,
}

/// What follows an answer.
enum Turn {
    /// Ask the same again.
    Stay,
    /// Weigh the card anew.
    Onward,
    /// The conversation is over.
    End(Ended),
}

/// A conversation about one job.
///
/// ```
/// use halfsplit::job::session::{Change, Ended, Session, Showing, Talk};
/// use halfsplit::job::{CardError, JobCard};
/// use halfsplit::{rules::Rules, text::{Complaints, Source}};
///
/// #[derive(Debug)]
/// struct Halt;
/// impl From<Complaints> for Halt { fn from(_: Complaints) -> Self { Halt } }
/// impl From<CardError> for Halt { fn from(_: CardError) -> Self { Halt } }
///
/// struct Script { lines: Vec<&'static str>, card: JobCard }
/// impl Talk for Script {
///     type Error = Halt;
///     fn show(&mut self, _: &Showing<'_, '_>) -> Result<(), Halt> { Ok(()) }
///     fn ask(&mut self, _: &[String]) -> Result<Option<String>, Halt> { Ok(self.lines.pop().map(str::to_string)) }
///     fn keep(&mut self, change: &Change<'_>) -> Result<JobCard, Halt> {
///         self.card = change(&self.card)?;
///         Ok(self.card.clone())
///     }
///     fn now(&mut self) -> Option<String> { None }
/// }
///
/// let text = "unit: Tin Lantern\nhistory: fresh-build\ncomplaint: {symptoms: [silent]}\n";
/// let card = JobCard::read(&Source::new("job.yaml", text)).unwrap();
/// let mut script = Script { lines: vec!["stop", "# the LED lights", "unsure"], card: card.clone() };
/// assert_eq!(Session::new(Rules::builtin()?, card, None).run(&mut script).unwrap(), Ended::Stopped);
/// assert_eq!(script.card.card.findings.len(), 1);
/// assert_eq!(script.card.card.remarks[0].text, "the LED lights");
/// # Ok::<(), Complaints>(())
/// ```
#[derive(Debug)]
pub struct Session<'r> {
    rules: &'r Rules,
    board: Option<&'r Board>,
    job: JobCard,
    /// Steps put off in this session, by id.
    later: Vec<String>,
    /// The step and reading that were queried last.
    queried: Option<(String, String)>,
    /// Whether it was asked what feeds the unit.
    power_asked: bool,
    /// The board set up, from the last weighing.
    circuit: Option<Rc<Circuit<'r>>>,
}

impl<'r> Session<'r> {
    /// A conversation about a job as its card stands, on its board where it has one.
    pub fn new(rules: &'r Rules, job: JobCard, board: Option<&'r Board>) -> Self {
        Self { rules, board, job, later: Vec::new(), queried: None, power_asked: false, circuit: None }
    }

    /// The card as it now stands.
    pub fn job(&self) -> &JobCard {
        &self.job
    }

    /// Talks until the job is closed, the user stops or the input ends. Each step costs one weighing of the card and
    /// one planning, some tenths of a second with the built-in rules.
    ///
    /// # Errors
    /// What the card's findings make of [`Diagnosis::on`], and whatever the other side of the talk fails with.
    pub fn run<T: Talk>(&mut self, talk: &mut T) -> Result<Ended, T::Error> {
        talk.show(&Showing::Opening(&self.job, self.job.card.standing().count()))?;
        if let Some(outcome) = &self.job.card.outcome {
            let faults: Vec<&str> = outcome.faults.iter().map(|f| f.value.as_str()).collect();
            let with = if faults.is_empty() { String::new() } else { format!(" with {}", faults.join(", ")) };
            let words =
                format!("This job is closed{with}. A new outcome is recorded with 'halfsplit close'.");
            talk.show(&Showing::Words(&words))?;
            return Ok(Ended::Closed);
        }
        loop {
            let diagnosis = Diagnosis::on(self.rules, self.without_later(), self.board)?;
            self.rules = diagnosis.rules;
            self.circuit = diagnosis.circuit.clone();
            let proposal = diagnosis.next(ALTERNATIVES)?;
            if proposal.action == "done" && !self.later.is_empty() && !diagnosis.cured() {
                self.later.clear();
                talk.show(&Showing::Words("Only steps that were put off are left; here they are again."))?;
                continue;
            }
            if self.needs_power_said(&proposal) {
                self.power_asked = true;
                match self.ask_power(talk, &diagnosis, &proposal)? {
                    Turn::Onward => continue,
                    Turn::End(ended) => return Ok(ended),
                    Turn::Stay => {}
                }
            }
            talk.show(&Showing::Step(&diagnosis, &proposal))?;
            loop {
                let turn = match proposal.action.as_str() {
                    "done" => self.at_the_end(talk, &diagnosis, &proposal)?,
                    _ => self.at_a_step(talk, &diagnosis, &proposal)?,
                };
                match turn {
                    Turn::Stay => {}
                    Turn::Onward => break,
                    Turn::End(ended) => return Ok(ended),
                }
            }
        }
    }

    /// Whether power comes on with the step and nobody has said what feeds the unit: neither the card, nor a board, nor an answer in
    /// this conversation.
    fn needs_power_said(&self, proposal: &Proposal) -> bool {
        let powered = match (&proposal.check, &proposal.remedy) {
            (Some(check), _) => check.power == Power::On.name() || check.power == Power::Brief.name(),
            (None, remedy) => remedy.is_some(),
        };
        powered && !self.power_asked && self.job.card.power.is_none() && self.board.is_none()
    }

    /// Asks what feeds the unit. Onward where it was said, which may end the conversation: a unit may be out of scope.
    fn ask_power<T: Talk>(
        &mut self,
        talk: &mut T,
        diagnosis: &Diagnosis<'_>,
        proposal: &Proposal,
    ) -> Result<Turn, T::Error> {
        talk.show(&Showing::Words(
            "Before power comes on: what feeds the unit? The card doesn't say. 'unsure' if you don't know.",
        ))?;
        let rows = PowerSource::ALL.map(|(power, says)| (power.name().to_string(), says.to_string()));
        let words: Vec<String> = rows.iter().map(|(word, _)| word.clone()).collect();
        talk.show(&Showing::Choices(&rows))?;
        loop {
            let Some(line) = talk.ask(&words)? else { return Ok(Turn::End(Ended::Stopped)) };
            match understand(&line, &words, false) {
                Said::Answer(i) => {
                    let power = PowerSource::ALL[i].0;
                    self.job = talk.keep(&|card| card.with_power(power))?;
                    return Ok(Turn::Onward);
                }
                Said::Unsure | Said::Later | Said::Nothing => {
                    talk.show(&Showing::Words(
                        "Find out before power comes on: a unit with a mains lead or valves inside is not for this bench.",
                    ))?;
                    return Ok(Turn::Stay);
                }
                Said::Unknown(_) | Said::Several(_) | Said::Reading(_) | Said::NoTool | Said::Help => {
                    let words = format!("Please give one of {}, or 'unsure'.", words.join(", "));
                    talk.show(&Showing::Words(&words))?;
                }
                other => match self.steer(talk, diagnosis, proposal, other)? {
                    Turn::Stay => {}
                    turn => return Ok(turn),
                },
            }
        }
    }

    /// The card with the steps put off left out, in memory only.
    fn without_later(&self) -> JobCard {
        let mut job = self.job.clone();
        job.card.skip.extend(self.later.iter().map(|id| At { value: id.clone(), span: Span::default() }));
        job
    }

    fn at_a_step<T: Talk>(
        &mut self,
        talk: &mut T,
        diagnosis: &Diagnosis<'_>,
        proposal: &Proposal,
    ) -> Result<Turn, T::Error> {
        let (id, answers, reads) = match (&proposal.check, &proposal.remedy) {
            (Some(check), _) => (check.id.clone(), check.words(), check.is_measured()),
            (None, Some(remedy)) => {
                (remedy.id.clone(), Retest::ALL.map(|(word, _)| word.to_string()).to_vec(), false)
            }
            (None, None) => return Ok(Turn::End(Ended::Stopped)),
        };
        let Some(line) = talk.ask(&answers)? else { return Ok(Turn::End(Ended::Stopped)) };
        let said = understand(&line, &answers, reads);
        // What is no plain answer to the step may be several, or something else that was found.
        let beside = match &said {
            Said::Unknown(_) | Said::Several(_) => true,
            // One finding that can be taken is noted as such, with a doubt where there is one.
            Said::Finding(check, answer) => {
                slip(self.rules, diagnosis.circuit.as_deref(), check, answer).is_some()
            }
            Said::Reading(text) => slip(self.rules, diagnosis.circuit.as_deref(), &id, text).is_some(),
            _ => false,
        };
        if beside {
            let taken = match self.several(diagnosis, &id, &answers, &line) {
                Taken::Nothing => self.symptoms(&line),
                taken => taken,
            };
            match taken {
                Taken::Findings(findings) => return self.note_all(talk, &findings, None),
                Taken::Symptoms(found) => return self.new_symptoms(talk, &found, &line),
                Taken::Refused(why) => {
                    talk.show(&Showing::Words(&format!("{} Nothing was noted.", sentence(&why))))?;
                    return Ok(Turn::Stay);
                }
                Taken::Nothing => {}
            }
        }
        match said {
            Said::Answer(i) => {
                let turn = self.note(talk, &id, &answers[i])?;
                if proposal.check.is_none() && answers[i] == "changed" {
                    self.what_went_away(talk)?;
                }
                Ok(turn)
            }
            Said::Unsure => self.note(talk, &id, "unsure"),
            Said::Reading(text) => self.reading(talk, diagnosis.circuit.as_deref(), &id, &text),
            Said::Later => {
                self.later.push(id);
                talk.show(&Showing::Words("Put off. Another step instead:"))?;
                Ok(Turn::Onward)
            }
            Said::NoTool => {
                self.job = talk.keep(&|card| card.with_skipped(&id))?;
                talk.show(&Showing::Words(&format!("Left out of this job: {id}.")))?;
                Ok(Turn::Onward)
            }
            Said::Unknown(near) => {
                let shown: Vec<&str> = answers.iter().map(String::as_str).collect();
                let what = match (reads, shown.is_empty()) {
                    (true, true) => "a reading, such as 4.36",
                    (true, false) => "a reading or one of the answers: ",
                    (false, _) => "one of the answers: ",
                };
                let near = near.map(|n| format!(" Did you mean '{n}'?")).unwrap_or_default();
                let words = format!(
                    "Please give {what}{}.{near} 'help' lists what else can be typed.",
                    shown.join(", ")
                );
                talk.show(&Showing::Words(&words))?;
                Ok(Turn::Stay)
            }
            other => self.steer(talk, diagnosis, proposal, other),
        }
    }

    fn at_the_end<T: Talk>(
        &mut self,
        talk: &mut T,
        diagnosis: &Diagnosis<'_>,
        proposal: &Proposal,
    ) -> Result<Turn, T::Error> {
        talk.show(&Showing::Words(
            "'close' records the outcome, 'back' strikes the last finding, 'stop' leaves the job open.",
        ))?;
        let choices = ["close", "back", "stop"].map(str::to_string);
        let Some(line) = talk.ask(&choices)? else { return Ok(Turn::End(Ended::Stopped)) };
        match understand(&line, &choices, false) {
            Said::Answer(0) => self.steer(talk, diagnosis, proposal, Said::Close),
            Said::Answer(1) => self.steer(talk, diagnosis, proposal, Said::Back),
            Said::Answer(_) => Ok(Turn::End(Ended::Stopped)),
            other => self.steer(talk, diagnosis, proposal, other),
        }
    }

    /// What can be said anywhere.
    fn steer<T: Talk>(
        &mut self,
        talk: &mut T,
        diagnosis: &Diagnosis<'_>,
        proposal: &Proposal,
        said: Said,
    ) -> Result<Turn, T::Error> {
        match said {
            Said::Stop => return Ok(Turn::End(Ended::Stopped)),
            Said::Close => return self.close(talk, diagnosis),
            Said::Back => return self.back(talk),
            Said::Why(id) => self.why(talk, diagnosis, id)?,
            Said::Suspects => talk.show(&Showing::Suspects(diagnosis))?,
            Said::Again => talk.show(&Showing::Again(diagnosis, proposal))?,
            Said::Help => talk.show(&Showing::Help)?,
            Said::Remark(text) => {
                let now = talk.now();
                self.job = talk.keep(&|card| card.with_remark(now.as_deref(), &text))?;
                talk.show(&Showing::Words("The remark is on the card."))?;
            }
            Said::Finding(check, answer) => {
                match slip(self.rules, diagnosis.circuit.as_deref(), &check, &answer) {
                    None => return self.note(talk, &check, &answer),
                    Some(slip) => talk.show(&Showing::Words(&sentence(&slip.to_string())))?,
                }
            }
            Said::Several(words) => {
                talk.show(&Showing::Words(&format!("That could be {}: which one?", words.join(" or "))))?;
            }
            Said::Nothing => talk.show(&Showing::Words("Nothing typed. 'help' lists what can be."))?,
            _ => talk.show(&Showing::Words("That doesn't fit here. 'help' lists what does."))?,
        }
        Ok(Turn::Stay)
    }

    fn why<T: Talk>(
        &self,
        talk: &mut T,
        diagnosis: &Diagnosis<'_>,
        id: Option<String>,
    ) -> Result<(), T::Error> {
        let id = match id {
            Some(id) => id,
            None => diagnosis.suspects()?.suspects.first().map(|s| s.id.clone()).unwrap_or_default(),
        };
        match diagnosis.why(&id) {
            Ok(why) => talk.show(&Showing::Why(&why)),
            Err(complaints) => talk.show(&Showing::Words(&sentence(&complaints.to_string()))),
        }
    }

    fn back<T: Talk>(&mut self, talk: &mut T) -> Result<Turn, T::Error> {
        let Some((number, finding)) = self.job.card.standing().last() else {
            talk.show(&Showing::Words("There is no finding to take back."))?;
            return Ok(Turn::Stay);
        };
        let words = format!("Struck {number}: {}={}.", finding.check.value, finding.answer.value);
        let why = match talk.now() {
            Some(now) => format!("{now}: taken back"),
            None => "taken back".into(),
        };
        self.job = talk.keep(&|card| card.with_struck(number, &why))?;
        talk.show(&Showing::Words(&words))?;
        Ok(Turn::Onward)
    }

    /// Puts new symptoms on the card, with the words they were told in.
    fn new_symptoms<T: Talk>(
        &mut self,
        talk: &mut T,
        found: &[(String, String)],
        line: &str,
    ) -> Result<Turn, T::Error> {
        let says: Vec<&str> = found.iter().map(|(_, says)| says.as_str()).collect();
        let words =
            format!("Read as: {}. 'undo' takes it back; '# text' is a remark alone.", says.join("; "));
        talk.show(&Showing::Words(&words))?;
        let findings: Vec<(String, String)> =
            found.iter().map(|(id, _)| (id.clone(), "yes".into())).collect();
        let told: String = line.trim().chars().filter(|c| !c.is_control()).collect();
        self.note_all(talk, &findings, Some(&told))
    }

    /// Puts a finding on the card.
    fn note<T: Talk>(&mut self, talk: &mut T, id: &str, answer: &str) -> Result<Turn, T::Error> {
        let new = NewFinding { at: talk.now(), check: id.into(), answer: answer.into(), remark: None };
        self.job = talk.keep(&|card| card.with_finding(&new))?;
        self.queried = None;
        let number = self.job.card.findings.len();
        let taken = self.taken_for(number);
        talk.show(&Showing::Words(&format!("Noted {number}: {id}={answer}{taken}")))?;
        Ok(Turn::Onward)
    }

    /// Takes a reading: refused where it is none, queried once where it is hard to believe.
    fn reading<T: Talk>(
        &mut self,
        talk: &mut T,
        circuit: Option<&Circuit<'_>>,
        id: &str,
        text: &str,
    ) -> Result<Turn, T::Error> {
        let believed = self.queried.take();
        let insists = |last: &str| last == text || ["yes", "y"].contains(&text.to_lowercase().as_str());
        if let Some((step, last)) = believed
            && step == id
            && insists(&last)
        {
            return match slip(self.rules, circuit, id, &last) {
                None => self.note(talk, id, &last),
                Some(_) => self.as_remark(talk, id, &last),
            };
        }
        let query = match slip(self.rules, circuit, id, text) {
            // A measurement that is answered in words: the figure is kept, and the word asked for.
            Some(_) if self.takes_words(id) && reading::parse(text, None).is_ok() => {
                return self.as_remark(talk, id, text);
            }
            Some(slip) if !self.reads(id, text) => {
                talk.show(&Showing::Words(&sentence(&slip.to_string())))?;
                return Ok(Turn::Stay);
            }
            Some(slip) => Some(sentence(&slip.message)),
            None => doubt::doubt(self.rules, circuit, &self.job.card, id, text).map(|d| d.says),
        };
        match query {
            None => self.note(talk, id, text),
            Some(query) => {
                self.queried = Some((id.into(), text.into()));
                let words = format!(
                    "{query} Type the reading again as the meter shows it, or 'yes' if it is {text}."
                );
                talk.show(&Showing::Words(&words))?;
                Ok(Turn::Stay)
            }
        }
    }

    /// Whether a check is measured and answered in words.
    fn takes_words(&self, id: &str) -> bool {
        let check = self.rules.find_check(id).map(|c| self.rules.check(c));
        check.is_ok_and(|c| c.kind == crate::rules::Kind::Measure && c.reading.is_none())
    }

    /// Whether a text is a reading in the check's unit, whatever its value.
    fn reads(&self, id: &str, text: &str) -> bool {
        let bands = self.rules.find_check(id).ok().and_then(|c| self.rules.check(c).reading.as_ref());
        bands.is_some_and(|b| reading::parse(text, Some(unit_of(b.unit))).is_ok())
    }

    /// A reading that the check has no answer for is kept in words.
    fn as_remark<T: Talk>(&mut self, talk: &mut T, id: &str, text: &str) -> Result<Turn, T::Error> {
        let now = talk.now();
        let remark = format!("{id} read {text}");
        self.job = talk.keep(&|card| card.with_remark(now.as_deref(), &remark))?;
        let check = self.rules.find_check(id).map(|c| self.rules.check(c));
        let (answers, healthy) = check.map_or_else(
            |_| (String::new(), String::new()),
            |c| {
                let healthy = c.healthy.as_ref().map(|h| format!(" Healthy: {h}.")).unwrap_or_default();
                (format!(": {}", c.answers.join(", ")), healthy)
            },
        );
        let words = format!(
            "{text} is kept as a remark.{healthy} Now give the word that comes nearest{answers}, or 'unsure'."
        );
        talk.show(&Showing::Words(&words))?;
        Ok(Turn::Stay)
    }
}

/// What is wrong with an answer, if it means nothing.
fn slip(rules: &Rules, circuit: Option<&Circuit<'_>>, id: &str, answer: &str) -> Option<Complaint> {
    let at = |text: &str| At { value: text.to_string(), span: Span::default() };
    let finding = CardFinding {
        at: None,
        check: at(id),
        answer: at(answer),
        minutes: None,
        remark: None,
        struck: None,
    };
    meaning(rules, circuit, &finding).err().map(|s| Complaint::nowhere(s.code, s.message).help(s.help))
}

/// A lower-case fragment as a sentence.
fn sentence(fragment: &str) -> String {
    let mut chars = fragment.chars();
    let first = chars.next().map(|c| c.to_uppercase().to_string()).unwrap_or_default();
    let end = if fragment.ends_with(['.', '?', '!']) { "" } else { "." };
    format!("{first}{}{end}", chars.as_str())
}

/// The id in `names` that a word means, or what to say.
fn pick<'a>(word: &str, names: impl Iterator<Item = &'a str> + Clone) -> Result<&'a str, String> {
    match names.clone().find(|n| n.eq_ignore_ascii_case(word)) {
        Some(name) => Ok(name),
        None => Err(sentence(&format!("unknown fault '{word}'; {}", or_nearest(word, names)))),
    }
}

#[cfg(test)]
mod tests;
