//! `halfsplit note`, `halfsplit strike`, `halfsplit close`.

use super::next::{leading, step};
use super::screen::{Failure, Screen, wrap};
use super::target::{JobArg, words};
use crate::circuit::board::Board;
use crate::job::session::doubt;
use crate::job::{CardFinding, Circuit, Diagnosis, EndState, JobCard, NewFinding, meaning};
use crate::rules::Rules;
use crate::text::{At, Complaint, Complaints};
use std::ffi::OsString;
use std::path::PathBuf;

/// Adds findings to the card
#[derive(Debug, clap::Args)]
#[command(
    after_help = "Examples:\n  halfsplit note tin-lantern.yaml effect-sound=silent supply-ohms=4.7k\n  halfsplit note tin-lantern.yaml volts:VH=4.36V\n  halfsplit note tin-lantern.yaml try:turn-regulator=cured\n  halfsplit note tin-lantern.yaml hiss=unsure"
)]
pub struct NoteArgs {
    /// The job card (left out with --example), then CHECK=ANSWER, as often as you like
    #[arg(value_name = "JOB CHECK=ANSWER", num_args = 1.., required = true)]
    names: Vec<OsString>,
    /// Use a built-in job card instead; nothing is saved
    #[arg(long, value_name = "NAME")]
    example: Option<String>,
    /// A remark to go with the finding
    #[arg(long, value_name = "TEXT")]
    remark: Option<String>,
    /// Note a reading as it is, however hard it is to believe
    #[arg(long)]
    sure: bool,
}

/// Strikes a finding: it stays on the card, crossed out, and counts for nothing
#[derive(Debug, clap::Args)]
#[command(after_help = "Example:\n  halfsplit strike tin-lantern.yaml 3 --why \"meter was on AC\"")]
pub struct StrikeArgs {
    /// The job card
    job: PathBuf,
    /// The finding's number, counted from 1 in the order on the card
    number: usize,
    /// Why
    #[arg(long, value_name = "TEXT")]
    why: Option<String>,
}

/// Records the outcome
#[derive(Debug, clap::Args)]
#[command(
    after_help = "Examples:\n  halfsplit close tin-lantern.yaml --fault regulator-turned --did \"turned the regulator\"\n  halfsplit close tin-lantern.yaml --nothing-wrong --did \"bad lead, replaced\""
)]
pub struct CloseArgs {
    /// The job card
    job: PathBuf,
    /// A fault that was there (may be given again)
    #[arg(long, value_name = "ID", num_args = 1..)]
    fault: Vec<String>,
    /// What was done
    #[arg(long, value_name = "TEXT")]
    did: Option<String>,
    /// The fault was found but not put right
    #[arg(long, conflicts_with_all = ["nothing_wrong", "unlisted", "handed_on"])]
    not_mended: bool,
    /// Nothing is wrong with the unit
    #[arg(long, conflicts_with_all = ["fault", "unlisted", "handed_on"])]
    nothing_wrong: bool,
    /// It was something the rules don't know
    #[arg(long, conflicts_with_all = ["fault", "handed_on"])]
    unlisted: bool,
    /// Given up or handed on
    #[arg(long)]
    handed_on: bool,
}

/// Runs `note`.
///
/// # Errors
/// When a finding means nothing, or the card can't be changed; then nothing is written.
pub fn note(args: &NoteArgs, rules: &Rules, screen: &mut Screen<'_>) -> Result<(), Failure> {
    let (job, pairs) = match (&args.example, args.names.split_first()) {
        (Some(_), _) => (JobArg { job: None, example: args.example.clone() }, args.names.as_slice()),
        (None, Some((job, pairs))) => (JobArg { job: Some(PathBuf::from(job)), example: None }, pairs),
        (None, None) => return Err(Failure::Usage("give a job card".into())),
    };
    if pairs.is_empty() {
        return Err(Failure::Usage("give at least one CHECK=ANSWER".into()));
    }
    let mut new = Vec::new();
    for pair in pairs {
        let pair = words(pair)?;
        let Some((check, answer)) = pair.split_once('=') else {
            return Err(Failure::Usage(format!(
                "'{pair}' is no finding; write CHECK=ANSWER, such as effect-sound=silent"
            )));
        };
        new.push(NewFinding {
            at: screen.at(),
            check: check.trim().into(),
            answer: answer.trim().into(),
            remark: args.remark.clone(),
        });
    }
    let (changed, board) = job.change(screen, |card, board| {
        let circuit = board.map(Circuit::new).transpose()?;
        let slips = Complaints(new.iter().filter_map(|n| slip(rules, circuit.as_ref(), n)).collect());
        slips.or_ok(())?;
        let (mut card, mut doubts) = (card.clone(), Complaints::default());
        for finding in &new {
            if !args.sure {
                doubts.0.extend(doubted(rules, circuit.as_ref(), &card, finding));
            }
            card = card.with_finding(finding)?;
        }
        doubts.or_ok(())?;
        // What puts the unit out of scope is kept on its card; the refusal comes after.
        if card.card.declined().is_none() {
            Diagnosis::on(rules, card.clone(), board)?;
        }
        Ok(card)
    })?;
    after(changed, board.as_ref(), &job.typed(), rules, screen)
}

/// What is wrong with a finding as typed on the command line.
fn slip(rules: &Rules, circuit: Option<&Circuit<'_>>, new: &NewFinding) -> Option<Complaint> {
    let at = |text: &str| At { value: text.to_string(), span: Default::default() };
    let finding = CardFinding {
        at: None,
        check: at(&new.check),
        answer: at(&new.answer),
        minutes: None,
        remark: None,
        struck: None,
    };
    meaning(rules, circuit, &finding).err().map(|s| Complaint::nowhere(s.code, s.message).help(s.help))
}

/// What is hard to believe in a finding as typed, and what was meant perhaps.
fn doubted(
    rules: &Rules,
    circuit: Option<&Circuit<'_>>,
    job: &JobCard,
    new: &NewFinding,
) -> Option<Complaint> {
    let doubt = doubt(rules, circuit, &job.card, &new.check, &new.answer)?;
    let meant = doubt.meant.map(|m| format!("did you mean '{}={m}'? ", new.check)).unwrap_or_default();
    let message = format!("{}={}: {}", new.check, new.answer, doubt.says);
    let help = format!("{meant}Nothing was noted; with --sure it is noted as it stands");
    Some(Complaint::nowhere("hard-to-believe", message).help(help))
}

/// After a change: who leads now, and the next step.
fn after(
    job: JobCard,
    board: Option<&Board>,
    typed: &str,
    rules: &Rules,
    screen: &mut Screen<'_>,
) -> Result<(), Failure> {
    let diagnosis = Diagnosis::on(rules, job, board)?;
    let proposal = diagnosis.next(3)?;
    if screen.json {
        return screen.document(&proposal);
    }
    screen.text(&(leading(&diagnosis, 4, screen.width)? + &step(&proposal, Some(typed), screen.width)))
}

/// Runs `strike`.
///
/// # Errors
/// When there is no such finding, or the card can't be changed.
pub fn strike(args: &StrikeArgs, rules: &Rules, screen: &mut Screen<'_>) -> Result<(), Failure> {
    let job = JobArg { job: Some(args.job.clone()), example: None };
    let why = match (screen.at(), &args.why) {
        (Some(at), Some(why)) => format!("{at}: {why}"),
        (None, Some(why)) => why.clone(),
        (Some(at), None) => at,
        (None, None) => "struck".into(),
    };
    let (changed, board) = job.change(screen, |card, _| Ok(card.with_struck(args.number, &why)?))?;
    after(changed, board.as_ref(), &job.typed(), rules, screen)
}

/// Runs `close`.
///
/// # Errors
/// When a fault's id is unknown, or the card can't be changed.
pub fn close(args: &CloseArgs, rules: &Rules, screen: &mut Screen<'_>) -> Result<(), Failure> {
    let job = JobArg { job: Some(args.job.clone()), example: None };
    let now = screen.at();
    let (changed, _) = job.change(screen, |card, board| {
        let end = end_state(args, card)?;
        if card.card.declined().is_none() {
            let diagnosis = Diagnosis::on(rules, card.clone(), board)?;
            for fault in &args.fault {
                diagnosis.why(fault)?;
            }
        }
        Ok(card.with_outcome(now.as_deref(), end, &args.fault, args.did.as_deref())?)
    })?;
    if screen.json {
        return screen.document(&changed.card.outcome);
    }
    screen.text(&wrap(&format!("Closed: {}", changed.card.unit.value), screen.width, "", "  "))
}

fn end_state(args: &CloseArgs, card: &JobCard) -> Result<EndState, Failure> {
    Ok(match () {
        () if card.card.declined().is_some() => EndState::Declined,
        () if args.nothing_wrong => EndState::NothingWrong,
        () if args.unlisted => EndState::Unlisted,
        () if args.handed_on => EndState::HandedOn,
        () if args.fault.is_empty() => {
            let message = "say what was wrong: --fault ID, or --nothing-wrong, --unlisted, --handed-on";
            return Err(Failure::Usage(message.into()));
        }
        () if args.not_mended => EndState::Found,
        () => EndState::Mended,
    })
}
