//! `halfsplit note`, `halfsplit strike`, `halfsplit close`.

use super::heard;
use super::next::{leading, step};
use super::screen::{Failure, Screen, wrap};
use super::target::{JobArg, words};
use crate::circuit::board::Board;
use crate::job::readings::{self, TakenLine};
use crate::job::session::{doubt, doubt_of};
use crate::job::store;
use crate::job::{
    CardFinding, Circuit, Diagnosis, EndState, GoodReading, JobCard, NewFinding, meaning, unit_rules,
};
use crate::rules::Rules;
use crate::text::{At, Complaint, Complaints};
use std::ffi::OsString;
use std::io::{IsTerminal, Read};
use std::path::{Path, PathBuf};

/// Adds findings to the card
#[derive(Debug, clap::Args)]
#[command(
    after_help = "Examples:\n  halfsplit note tin-lantern.yaml effect-sound=silent supply-ohms=4.7k\n  halfsplit note tin-lantern.yaml volts:VH=4.36V\n  halfsplit note tin-lantern.yaml try:turn-regulator=cured\n  halfsplit note tin-lantern.yaml hiss=unsure\n  halfsplit note tin-lantern.yaml volts:IC1.3=4.4V volts:Q2.c=4.1V\n  halfsplit note tin-lantern.yaml --readings pins.txt     a pasted list (- for stdin)\n  halfsplit note tin-lantern.yaml --good --readings good.txt\n\nLists are read in most habits: 'IC1: 1 4.5, 2 4.5', 'Q1 E 0.72 B 1.33 C 4.0', 'IC2 pin 6 = 2.3V', a column a chip,\ntables, decimal commas, '?' and '~'. Each line is echoed with what it became."
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
    /// A list of readings as you wrote it down, in a file; - reads it from stdin
    #[arg(long, value_name = "FILE|-")]
    readings: Option<String>,
    /// Note what of the list can be read, and leave the rest
    #[arg(long, requires = "readings")]
    what_can_be_read: bool,
    /// These are readings of a unit that works, to be held beside this one
    #[arg(long)]
    good: bool,
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
    /// Minutes that the whole job took
    #[arg(long, value_name = "N")]
    minutes: Option<f64>,
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
    if pairs.is_empty() && args.readings.is_none() {
        return Err(Failure::Usage("give at least one CHECK=ANSWER, or a list with --readings FILE".into()));
    }
    let list = args.readings.as_deref().map(|from| pasted(from, screen)).transpose()?;
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
    let at = screen.at();
    let (width, json) = (screen.width, screen.json);
    let mut echo = String::new();
    let mut first = 0;
    let changed = job.change(screen, |card, board| {
        if let Some(end) = card.card.closed().filter(|_| !args.good) {
            return Err(closed(end, &job.typed()));
        }
        let circuit = board.map(Circuit::new).transpose()?;
        let (of_unit, _) = unit_rules(rules, card)?;
        let slips = Complaints(new.iter().filter_map(|n| slip(of_unit, circuit.as_ref(), n)).collect());
        slips.or_ok(())?;
        let mut all = new.clone();
        let mut kept = None;
        if let Some(text) = &list {
            let remarks = card.card.remarks.iter().map(|r| r.text.as_str());
            let lines = readings::place(&readings::read(text).after(remarks), of_unit, circuit.as_ref());
            echo += &echoed(&lines, width);
            may_be_written(&lines, args.what_can_be_read)?;
            let taken = lines.iter().flat_map(|l| &l.taken);
            all.extend(taken.map(|t| NewFinding {
                at: at.clone(),
                check: t.check.clone(),
                answer: t.answer.clone(),
                remark: args.remark.clone(),
            }));
            // What was pasted stays on the card as it was.
            let whose = if args.good { "readings of a good unit" } else { "readings" };
            kept = Some(format!("{whose} as pasted: {}", text.trim_end()));
        }
        let (mut card, mut doubts) = (card.clone(), Complaints::default());
        first = card.card.findings.len() + 1;
        for (i, finding) in all.iter().enumerate() {
            // The lines of a list were weighed where they were placed.
            if !args.sure && i < new.len() {
                doubts.0.extend(doubted(of_unit, circuit.as_ref(), &card, finding));
            }
            card = if args.good { card.with_good(finding)? } else { card.with_finding(finding)? };
        }
        if let Some(text) = kept {
            card = card.with_remark(at.as_deref(), &text)?;
        }
        doubts.or_ok(())?;
        // What puts the unit out of scope is kept on its card; the refusal comes after.
        if card.card.declined().is_none() {
            Diagnosis::on(rules, card.clone(), board)?;
        }
        Ok(card)
    });
    // The echo comes before the reason why nothing was written.
    if !json {
        screen.text(&echo)?;
    }
    let (changed, board) = changed?;
    if args.good {
        return after_good(&changed, &job.typed(), screen);
    }
    let diagnosis = Diagnosis::on(rules, changed, board.as_ref())?;
    if !json {
        let text = noted(&diagnosis, first, list.is_some(), width);
        screen.text(&text)?;
    }
    proceed(&diagnosis, &job.typed(), screen)
}

/// Why a closed job takes no findings.
fn closed(end: EndState, typed: &str) -> Failure {
    let how = if end == EndState::Mended { "as mended" } else { "with its outcome" };
    Failure::Input(format!(
        "this job is closed {how}, and nothing was noted; to go on with it: halfsplit set {typed} --reopen"
    ))
}

/// A pasted list, from a file or from stdin.
fn pasted(from: &str, screen: &mut Screen<'_>) -> Result<String, Failure> {
    if from != "-" {
        return Ok(store::read(Path::new(from))?.text);
    }
    let mut stdin = std::io::stdin();
    if stdin.is_terminal() {
        screen.say("Paste or type the readings.")?;
        screen.say("A line with nothing but Ctrl-D ends them.")?;
    }
    let most = crate::text::MAX_BYTES as u64;
    let mut bytes = Vec::new();
    let read = stdin.by_ref().take(most + 1).read_to_end(&mut bytes);
    read.map_err(|e| Failure::System(format!("can't read the list: {e}")))?;
    Ok(crate::text::Source::from_bytes("stdin", bytes)?.text)
}

/// Each line of a list with what it became.
fn echoed(lines: &[TakenLine], width: usize) -> String {
    use unicode_width::UnicodeWidthStr;
    let mut out = String::new();
    let all = || lines.iter().flat_map(|l| &l.taken);
    let place = |check: &str| check.split_once(':').map_or(check, |(_, place)| place).to_owned();
    let pad = |text: &str, to: usize| format!("{text}{}", " ".repeat(to.saturating_sub(text.width())));
    let places = all().map(|t| place(&t.check).width()).max().unwrap_or(0).min(20);
    let values = all().map(|t| t.value.width()).max().unwrap_or(0).min(20);
    for line in lines {
        if line.text.trim().is_empty() {
            continue;
        }
        out += &wrap(line.text.trim(), width, &format!("{:>3}  ", line.number), "     ");
        if let Some(heading) = &line.heading {
            out += &wrap(&format!("heading: {heading}"), width, "       ", "         ");
        }
        for t in &line.taken {
            let word = t.check.split_once(':').map_or("answer", |(word, _)| word);
            let at = t.at.split_once(", ").map_or(t.at.as_str(), |(_, net)| net);
            let at = if t.check.contains('.') { format!("{word}, {at}") } else { word.to_owned() };
            let head = format!("       {}  {}  ", pad(&place(&t.check), places), pad(&t.value, values));
            out += &wrap(&at, width, &head, &" ".repeat(9));
            if let Some(note) = &t.note {
                out += &wrap(note, width, "       ! ", "         ");
            }
        }
        for why in &line.refused {
            out += &wrap(why, width, "       NOT READ: ", "         ");
        }
        if line.taken.is_empty() && line.refused.is_empty() && line.heading.is_none() {
            out += "       a remark\n";
        }
    }
    out.push('\n');
    out
}

/// Refuses a list that can't all be read, unless the rest is wanted; and one with nothing in it.
fn may_be_written(lines: &[TakenLine], the_rest: bool) -> Result<(), Failure> {
    let refused: Vec<&TakenLine> = lines.iter().filter(|l| !l.refused.is_empty()).collect();
    let taken: usize = lines.iter().map(|l| l.taken.len()).sum();
    if taken == 0 && refused.is_empty() {
        let words = "the list has no reading in it, and nothing was written; write one such as 'IC1: 1 4.5, 2 4.5' or 'VH 4.36'";
        return Err(Failure::Input(words.into()));
    }
    if refused.is_empty() || (the_rest && taken > 0) {
        return Ok(());
    }
    let complaints = refused.iter().flat_map(|l| {
        l.refused.iter().map(|why| Complaint::nowhere("bad-reading", format!("line {}: {why}", l.number)))
    });
    let mut complaints: Vec<Complaint> = complaints.collect();
    let end = match taken {
        0 => "nothing was written; put these lines right",
        _ => "nothing was written; put these lines right, or give --what-can-be-read to note the others",
    };
    complaints.push(Complaint::nowhere("not-written", end.to_owned()));
    Err(Failure::Complaints(Complaints(complaints)))
}

/// What each new finding was taken for; of a list, which numbers they have.
fn noted(diagnosis: &Diagnosis<'_>, first: usize, list: bool, width: usize) -> String {
    let card = &diagnosis.job.card;
    let last = card.findings.len();
    let mut out = String::new();
    if list && last >= first {
        let which =
            if first == last { format!("finding {first}") } else { format!("findings {first} to {last}") };
        out += &wrap(&format!("On the card as {which}."), width, "", "  ");
    }
    let mut kept: Vec<(String, Vec<&str>)> = Vec::new();
    for (i, finding) in card.findings.iter().enumerate().skip(first - 1) {
        let taken = diagnosis.taken(finding, i + 1);
        if let Some(why) = taken.why_kept.as_ref().filter(|_| list) {
            match kept.iter_mut().find(|(w, _)| w == why) {
                Some((_, checks)) => checks.push(&finding.check.value),
                None => kept.push((why.clone(), vec![&finding.check.value])),
            }
        }
        let off = taken.verdict == "abnormal";
        if list && !off {
            continue;
        }
        let healthy = taken.healthy.as_ref().map(|h| format!("; healthy {h}")).unwrap_or_default();
        let meant = taken.taken.unwrap_or_default();
        let words = format!("{}={}: {meant}{healthy}", finding.check.value, finding.answer.value);
        let head = if list { "  off: ".to_owned() } else { format!("Noted {}: ", i + 1) };
        out += &wrap(&words, width, &head, "  ");
        let doubt = doubt_of(diagnosis, &finding.check.value, &finding.answer.value);
        if let Some(doubt) = doubt.filter(|_| !list) {
            out += &wrap(&format!("{doubt} 'halfsplit undo' takes it back."), width, "  ! ", "    ");
        }
    }
    for (why, checks) in kept {
        let words = format!("{}: {why}", checks.join(", "));
        out += &wrap(&words, width, "  weighs nothing: ", "    ");
    }
    let helped = |f: &CardFinding| f.check.value.starts_with("try:") && f.answer.value == "changed";
    let symptoms: Vec<&str> =
        card.complaint.iter().flat_map(|c| &c.symptoms).map(|s| s.value.as_str()).collect();
    if !symptoms.is_empty() && card.findings.iter().skip(first - 1).any(helped) {
        let pairs: Vec<String> = symptoms.iter().map(|s| format!("{s}=no")).collect();
        let words = format!(
            "Which complaint went away? Note it: {} (=yes for what is still there).",
            pairs.join(" or ")
        );
        out += &wrap(&words, width, "", "  ");
    }
    out.push('\n');
    out
}

/// What is on the card of a good unit.
#[derive(Debug, serde::Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
struct Good<'c> {
    /// Its readings, in the order noted.
    good: &'c [GoodReading],
}

/// After readings of a good unit: how many there are now, and what can be done with them.
fn after_good(job: &JobCard, typed: &str, screen: &mut Screen<'_>) -> Result<(), Failure> {
    if screen.json {
        return screen.document(&Good { good: &job.card.good });
    }
    let n = job.card.good.len();
    let plural = if n == 1 { "reading" } else { "readings" };
    let words =
        format!("The card has {n} {plural} of a good unit now. Side by side: halfsplit compare {typed}");
    screen.text(&wrap(&words, screen.width, "", "  "))
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
pub(super) fn after(
    job: JobCard,
    board: Option<&Board>,
    typed: &str,
    rules: &Rules,
    screen: &mut Screen<'_>,
) -> Result<(), Failure> {
    proceed(&Diagnosis::on(rules, job, board)?, typed, screen)
}

fn proceed(diagnosis: &Diagnosis<'_>, typed: &str, screen: &mut Screen<'_>) -> Result<(), Failure> {
    let proposal = diagnosis.next(3)?;
    if screen.json {
        return screen.document(&proposal);
    }
    let read = heard::brief(diagnosis.rules, &diagnosis.job, None, screen.width)?;
    screen.text(&(read + &leading(diagnosis, 4, screen.width)? + &step(&proposal, Some(typed), screen.width)))
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
    let spent = args.minutes.map(super::set::minutes).transpose()?;
    let (changed, _) = job.change(screen, |card, board| {
        let end = end_state(args, card)?;
        if card.card.declined().is_none() {
            let diagnosis = Diagnosis::on(rules, card.clone(), board)?;
            for fault in &args.fault {
                diagnosis.why(fault)?;
            }
        }
        let card = card.with_outcome(now.as_deref(), end, &args.fault, args.did.as_deref())?;
        Ok(match spent {
            Some(minutes) => card.with_outcome_minutes(minutes)?,
            None => card,
        })
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

#[cfg(test)]
mod tests {
    #[test]
    fn the_committed_schema_says_what_the_type_says() {
        crate::rules::assert_output_schema::<super::Good<'static>>("note-good");
    }
}
