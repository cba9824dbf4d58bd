//! `halfsplit bench`.

use super::input::Input;
use super::next::{Detail, heading, leading, step_in};
use super::open;
use super::screen::{Failure, Screen, clock, wrap};
use super::target::{JobArg, board_of, hold};
use super::{suspects, why};
use crate::job::session::{Change, Ended, STEERING, Session, Showing, Talk};
use crate::job::store::{Held, StoreError};
use crate::job::{CheckStep, Diagnosis, JobCard, Proposal};
use crate::rules::Rules;
use std::collections::BTreeSet;
use std::path::PathBuf;
use std::time::Duration;

/// How long to wait for another command that holds the card: long enough for a `note`.
const PATIENCE: Duration = Duration::from_secs(3);

/// Works through a job at the terminal: a step, your answer, the next step
#[derive(Debug, clap::Args)]
#[command(
    after_help = "Every answer is on disk before the next question; stop whenever you like, and start again where you stopped.\n\nExamples:\n  halfsplit bench tin-lantern.yaml\n  halfsplit bench                          asks what is on the bench and makes the card\n  halfsplit bench --example silent-build   to try it; nothing is saved\n  halfsplit bench tin-lantern.yaml --plain < answers.txt"
)]
pub struct Args {
    /// The job card; without one, a new card is made by asking
    #[arg(value_name = "JOB")]
    job: Option<PathBuf>,
    /// Use a built-in job card instead; nothing is saved
    #[arg(long, value_name = "NAME", conflicts_with = "job")]
    example: Option<String>,
    /// Plain lines: no arrow keys and no redrawing, as for a pipe, a screen reader or TERM=dumb
    #[arg(long)]
    plain: bool,
}

/// Runs the command.
///
/// # Errors
/// When the card is at fault, held by another process, or can't be written.
pub fn run(args: &Args, rules: &Rules, screen: &mut Screen<'_>) -> Result<(), Failure> {
    if screen.json {
        let words = "bench is a conversation and has no --json; use 'halfsplit next' and 'halfsplit note'";
        return Err(Failure::Usage(words.into()));
    }
    let mut input = Input::new(args.plain, console::Term::stdout());
    let path = match (&args.job, &args.example) {
        (None, None) => Some(open::by_asking(&mut input, rules, screen)?),
        (job, _) => job.clone(),
    };
    let target = JobArg { job: path, example: args.example.clone() };
    let (held, job) = match &target.job {
        Some(path) => {
            let held = hold(path, &screen.now, PATIENCE)?;
            let job = JobCard::read(held.source())?;
            (Some(held), job)
        }
        None => (None, target.load()?.0),
    };
    let board = board_of(&job, target.job.as_deref())?;
    let mut talk = Bench {
        rules,
        typed: target.typed(),
        saved: held.is_some(),
        held,
        job: job.clone(),
        input,
        screen,
        reads: false,
        seen: BTreeSet::new(),
    };
    let ended = Session::new(rules, job, board.as_ref()).run(&mut talk)?;
    talk.farewell(ended)
}

/// The terminal's side of the conversation.
struct Bench<'a, 'b> {
    rules: &'a Rules,
    /// What to type for this card in another command.
    typed: String,
    saved: bool,
    held: Option<Held>,
    job: JobCard,
    input: Input,
    screen: &'a mut Screen<'b>,
    /// Whether the step shown takes readings.
    reads: bool,
    /// Cautions that were shown in full.
    seen: BTreeSet<String>,
}

/// Lines of the smallest terminal, less two for the prompt and what the last answer was noted as.
const LINES: usize = 24 - 2;
/// What is left out of a step to make it fit, bit by bit: how many suspects and how many reasons are shown.
const FITS: [(usize, usize); 6] = [(4, 2), (4, 1), (3, 1), (2, 1), (1, 1), (1, 0)];

impl Bench<'_, '_> {
    fn farewell(&mut self, ended: Ended) -> Result<(), Failure> {
        let words = match (ended, self.saved) {
            (_, false) => "This was a built-in example: nothing was saved.".into(),
            (Ended::Closed, _) => format!("The card: {}", self.typed),
            (Ended::Stopped, _) => {
                format!("Everything is on the card. Go on with: halfsplit bench {}", self.typed)
            }
        };
        self.screen.text(&wrap(&words, self.screen.width, "", ""))
    }

    fn opening(&self, job: &JobCard, findings: usize) -> Result<String, Failure> {
        let width = self.screen.width;
        let mut out = heading(self.rules, job, None, width)?;
        let words = job.card.complaint.as_ref().and_then(|c| c.words.as_ref());
        if words.is_some() {
            out += &wrap("Misread? Type SYMPTOM=no or SYMPTOM=yes at any step.", width, "", "");
        }
        if findings > 0 {
            let plural = if findings == 1 { "" } else { "s" };
            out += &wrap(&format!("Resumed with {findings} finding{plural}."), width, "", "");
        }
        let keys = if self.input.has_keys() { "up and down arrows walk through the answers, " } else { "" };
        out += &wrap(
            &format!(
                "Answer by word, by its first letters or by number; {keys}'help' lists what else can be typed."
            ),
            width,
            "",
            "",
        );
        out.push('\n');
        Ok(out)
    }

    fn step(
        &mut self,
        diagnosis: &Diagnosis<'_>,
        proposal: &Proposal,
        in_full: bool,
    ) -> Result<String, Failure> {
        self.reads = proposal.check.as_ref().is_some_and(|c| c.unit.is_some());
        if in_full {
            self.seen.clear();
        }
        let mut out = String::new();
        for (suspects, reasons) in FITS {
            out = self.step_of(diagnosis, proposal, suspects, reasons)?;
            if in_full || out.lines().count() <= LINES {
                break;
            }
        }
        let cautions = proposal.check.iter().flat_map(|c| &c.cautions);
        let cautions = cautions.chain(proposal.remedy.iter().flat_map(|r| &r.cautions));
        self.seen.extend(cautions.cloned());
        Ok(out)
    }

    fn step_of(
        &self,
        diagnosis: &Diagnosis<'_>,
        proposal: &Proposal,
        suspects: usize,
        reasons: usize,
    ) -> Result<String, Failure> {
        let width = self.screen.width;
        // A rule is for the eye; a screen reader would read it out.
        let rule = if self.input.has_keys() { "-".repeat(width.min(40)) } else { String::new() };
        let mut out = format!("{rule}\n");
        out += &leading(diagnosis, suspects, width)?;
        out += &step_in(proposal, None, width, Detail { seen: &self.seen, reasons });
        if let Some(check) = &proposal.check {
            out += &answers(check, width);
        } else if proposal.remedy.is_some() {
            out += &wrap(
                "Do it, try the unit, and answer: 1\u{a0}cured, 2\u{a0}no-change, 3\u{a0}changed (better, not mended)",
                width,
                "",
                "  ",
            );
        }
        Ok(out)
    }

    fn help(&self) -> String {
        let width = self.screen.width;
        let mut out = if self.reads {
            wrap(
                "A reading as the meter shows it: 4.98, 4,98 V, 4k7, 23mA, OL, about 5; or an answer's word or first letters.",
                width,
                "",
                "  ",
            )
        } else {
            wrap("An answer's number, its word or its first letters.", width, "", "  ")
        };
        let more = "Several answers in a line (silent, hiss=no), readings by pin (IC1.3 4.4, Q1 C 4.0), and a new symptom in your own words are taken at any step.";
        out += &wrap(more, width, "", "  ");
        for (word, _, says) in STEERING {
            out += &wrap(says, width, &format!("  {word:<9} "), "            ");
        }
        out.push('\n');
        out
    }
}

/// A write that failed, with what that means for the answer just given.
fn lost(e: StoreError) -> Failure {
    match Failure::from(e) {
        Failure::System(words) => Failure::System(format!("{words}; your last answer is not on it")),
        other => other,
    }
}

/// What to type at a check.
fn answers(check: &CheckStep, width: usize) -> String {
    let words = check.words();
    if let Some(unit) = &check.unit {
        let or = if words.is_empty() { String::new() } else { format!(", or one of: {}", words.join(", ")) };
        return wrap(&format!("A reading in {unit}{or}"), width, "", "  ");
    }
    if check.is_measured() {
        let or = if check.id.starts_with("level:") { ", or a level in dB" } else { "" };
        return wrap(&format!("In a word: {}{or}", words.join(", ")), width, "", "  ");
    }
    let rows: Vec<String> =
        check.answers.iter().enumerate().map(|(i, a)| format!("{}\u{a0}{a}", i + 1)).collect();
    wrap(&rows.join(", "), width, "", "  ")
}

impl Talk for Bench<'_, '_> {
    type Error = Failure;

    fn show(&mut self, what: &Showing<'_, '_>) -> Result<(), Failure> {
        let width = self.screen.width;
        let text = match what {
            Showing::Opening(job, findings) => self.opening(job, *findings)?,
            Showing::Step(diagnosis, proposal) => self.step(diagnosis, proposal, false)?,
            Showing::Again(diagnosis, proposal) => self.step(diagnosis, proposal, true)?,
            Showing::Suspects(diagnosis) => suspects::table(&diagnosis.suspects()?, 12, width),
            Showing::Why(reasons) => why::text(reasons, width) + "\n",
            Showing::Help => self.help(),
            Showing::Choices(rows) => rows
                .iter()
                .enumerate()
                .map(|(i, (word, says))| {
                    wrap(&format!("{word}: {says}"), width, &format!("  {} ", i + 1), "    ")
                })
                .collect(),
            Showing::Words(words) => wrap(words, width, "", ""),
        };
        self.screen.text(&text)
    }

    fn ask(&mut self, choices: &[String]) -> Result<Option<String>, Failure> {
        Ok(self.input.ask(self.screen.out, choices, self.screen.width)?)
    }

    fn keep(&mut self, change: &Change<'_>) -> Result<JobCard, Failure> {
        let mut changed = change(&self.job)?;
        if let Some(held) = &mut self.held {
            match held.write(changed.text()) {
                Ok(()) => {}
                Err(StoreError::Changed { .. }) => {
                    held.reread()?;
                    changed = change(&JobCard::read(held.source())?)?;
                    held.write(changed.text())?;
                    self.screen.say(
                        "The card was changed elsewhere meanwhile; your answer was added to it as it now is.",
                    )?;
                }
                Err(e) => return Err(lost(e)),
            }
        }
        self.job = changed.clone();
        Ok(changed)
    }

    fn now(&mut self) -> Option<String> {
        Some(clock()).filter(|now| !now.is_empty())
    }
}
