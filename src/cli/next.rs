//! `halfsplit next`.

use super::heard;
use super::screen::{Failure, Screen, wrap};
use super::target::JobArg;
use crate::job::{CheckStep, Diagnosis, JobCard, Proposal, RemedyOffer, Terms};
use crate::plan::{Count, Tariff};
use crate::rules::Rules;
use crate::text::Complaints;
use crate::units::{Minutes, Probability, show};
use std::collections::BTreeSet;

/// Proposes the next cheapest check, or the remedy to try
#[derive(Debug, clap::Args)]
#[command(
    after_help = "Examples:\n  halfsplit next tin-lantern.yaml\n  halfsplit next --example silent-build -n 5"
)]
pub struct Args {
    #[command(flatten)]
    job: JobArg,
    /// How many other steps to list beside it
    #[arg(short = 'n', value_name = "N", default_value_t = 3)]
    count: usize,
    /// What counts as cost
    #[arg(long = "count", value_name = "WHAT", value_enum, default_value = "minutes")]
    counting: Counting,
    /// What an hour of work costs, in the currency's main unit; for --count both
    #[arg(long, value_name = "MONEY", default_value_t = 40.0)]
    rate: f64,
}

/// What counts as cost.
#[derive(Clone, Copy, Debug, PartialEq, Eq, clap::ValueEnum)]
pub enum Counting {
    /// Time alone.
    Minutes,
    /// Parts money alone.
    Money,
    /// Both, time at the labour rate.
    Both,
}

impl Args {
    fn terms(&self) -> Result<Terms, Failure> {
        if !(self.rate.is_finite() && self.rate >= 0.0) {
            return Err(Failure::Usage("--rate wants a sum of money, 0 or more".into()));
        }
        let count = match self.counting {
            Counting::Minutes => Count::Minutes,
            Counting::Money => Count::Money,
            Counting::Both => Count::Both,
        };
        Ok(Terms { tariff: Tariff { money_per_hour: self.rate * 100.0, count } })
    }
}

/// Runs the command.
///
/// # Errors
/// When the card is at fault or can't be read.
pub fn run(args: &Args, rules: &Rules, screen: &mut Screen<'_>) -> Result<(), Failure> {
    let (job, board) = args.job.load()?;
    let diagnosis = Diagnosis::on(rules, job, board.as_ref())?;
    let proposal = diagnosis.next_on(args.count, &args.terms()?)?;
    if screen.json {
        return screen.document(&proposal);
    }
    let text = heading(rules, &diagnosis.job, Some(&args.job.typed()), screen.width)?
        + &closed(&diagnosis.job, &args.job.typed(), screen.width)
        + &step(&proposal, Some(&args.job.typed()), screen.width)
        + &leading(&diagnosis, 4, screen.width)?
        + &others(&proposal, screen.width);
    screen.text(&text)
}

/// That a job is closed, where what comes next would be read as if it were open.
fn closed(job: &JobCard, typed: &str, width: usize) -> String {
    if job.card.closed().is_none() {
        return String::new();
    }
    let words = format!(
        "This job is closed. What follows is by its findings alone; to go on with it: halfsplit set {typed} --reopen"
    );
    wrap(&words, width, "", "  ") + "\n"
}

/// The unit in a line, and the complaint in the owner's words with what was read from them; with what to `typed` where that is
/// to be put right.
///
/// # Errors
/// When a word file is at fault.
pub fn heading(
    rules: &Rules,
    job: &JobCard,
    typed: Option<&str>,
    width: usize,
) -> Result<String, Complaints> {
    let card = &job.card;
    let mut facts = vec![card.history.name().replace('-', " ")];
    facts.extend(card.build.map(|b| format!("on {}", b.name().replace('-', " "))));
    let mut out = wrap(&format!("{}: {}", card.unit.value, facts.join(" ")), width, "", "  ");
    if let Some(words) = card.complaint.as_ref().and_then(|c| c.words.as_ref()) {
        out += &wrap(&format!("\"{words}\""), width, "", " ");
        out += &heard::brief(rules, job, typed, width)?;
    }
    out.push('\n');
    Ok(out)
}

/// How much of a step is shown.
#[derive(Clone, Copy, Debug)]
pub struct Detail<'a> {
    /// Cautions that were read before: a line is enough for all of them together.
    pub seen: &'a BTreeSet<String>,
    /// How many reasons.
    pub reasons: usize,
}

/// The step with how, why and caution; for a `job`, also what to type.
pub fn step(proposal: &Proposal, job: Option<&str>, width: usize) -> String {
    step_in(proposal, job, width, Detail { seen: &BTreeSet::new(), reasons: 2 })
}

/// The step in as much detail as is asked for.
pub fn step_in(proposal: &Proposal, job: Option<&str>, width: usize, detail: Detail<'_>) -> String {
    let mut out = String::new();
    if let Some(check) = &proposal.check {
        out += &check_text(check, job.is_some(), width, detail.seen);
    }
    if let Some(remedy) = &proposal.remedy {
        out += &remedy_text(remedy, width, detail.seen);
    }
    if let Some(done) = &proposal.done {
        out += &wrap(done, width, "Stop: ", "      ");
    }
    for (i, why) in proposal.why.iter().take(detail.reasons).enumerate() {
        out += &wrap(why, width, if i == 0 { "  Why      " } else { "           " }, "           ");
    }
    if let Some(job) = job
        && let Some(check) = &proposal.check
    {
        let word = check.answers.first().filter(|_| check.unit.is_none());
        let answers = word.map_or("READING", String::as_str);
        out += &format!("  Then     halfsplit note {job} {}={answers}\n", check.id);
    }
    if let Some(job) = job
        && let Some(remedy) = &proposal.remedy
    {
        out += &format!("  Then     halfsplit note {job} {}=cured   (or no-change, changed)\n", remedy.id);
    }
    out.push('\n');
    out
}

fn check_text(check: &CheckStep, with_answers: bool, width: usize, seen: &BTreeSet<String>) -> String {
    let verb = match check.kind.as_str() {
        "ask" => "Ask",
        "look" => "Look",
        "listen" => "Listen",
        "measure" => "Measure",
        _ => "Try",
    };
    let power = match check.power.as_str() {
        "off" => ", power off",
        "on" => ", power on",
        "brief" => ", power on for a moment",
        _ => "",
    };
    let mut out = wrap(&format!("{verb}: {}", check.says), width, "", "  ");
    out += &wrap(&check.text, width, "  ", "  ");
    out.push('\n');
    let mut field = |name: &str, text: &str| {
        out += &wrap(text, width, &format!("  {name:<9}"), "           ");
    };
    if let Some(place) = &check.place {
        field("Where", place);
    }
    if let Some(healthy) = &check.healthy {
        field("Healthy", healthy);
    }
    if with_answers {
        // Of the rules' checks the words come first to the hand; a board's reading has hardly any.
        let reading = match check.unit.as_deref().filter(|_| check.id.contains(':')) {
            Some("ohm") => Some("a reading such as 4.7k"),
            Some("A") => Some("a reading such as 12mA"),
            Some(_) => Some("a reading such as 4.36V"),
            None => None,
        };
        let words = check.answers.iter().map(String::as_str);
        field("Answers", &reading.into_iter().chain(words).collect::<Vec<_>>().join(" | "));
    }
    let needs = if check.needs.is_empty() {
        String::new()
    } else {
        format!(", with {}", check.needs.join(", ").replace('-', " "))
    };
    field("Takes", &format!("{}{power}{needs}", show::minutes(Minutes(check.minutes))));
    out + &cautions(&check.cautions, width, seen)
}

/// Cautions in full, but those read before in a line together.
fn cautions(all: &[String], width: usize, seen: &BTreeSet<String>) -> String {
    let mut out = String::new();
    let (old, new): (Vec<&String>, Vec<&String>) = all.iter().partition(|c| seen.contains(*c));
    for caution in new {
        out += &wrap(caution, width, "  Caution  ", "           ");
    }
    if !old.is_empty() {
        let brief: Vec<String> = old.iter().map(|c| in_brief(c)).collect();
        let room = width.saturating_sub(12);
        let whole = brief.join("; ");
        // One line: what does not fit is read in full with 'again'.
        let shown: String = if whole.chars().count() <= room {
            whole
        } else {
            let cut: String = whole.chars().take(room.saturating_sub(2)).collect();
            format!(
                "{} \u{2026}",
                cut.rsplit_once(' ').map_or(cut.as_str(), |(head, _)| head).trim_end_matches([',', ';'])
            )
        };
        out += &wrap(&shown, width, "  Caution  ", "           ");
    }
    out
}

/// What a caution says to do, in a few words.
fn in_brief(caution: &str) -> String {
    let doing = caution.split_once(": ").map_or(caution, |(_, doing)| doing);
    doing.split([',', ';']).next().unwrap_or(doing).trim_end_matches('.').to_owned()
}

fn remedy_text(remedy: &RemedyOffer, width: usize, seen: &BTreeSet<String>) -> String {
    let mut out = wrap(&format!("Mend: {}", remedy.text), width, "", "  ");
    let mut field = |name: &str, text: &str| {
        out += &wrap(text, width, &format!("  {name:<9}"), "           ");
    };
    if let Some(suspect) = &remedy.suspect {
        field("For", suspect);
    }
    field("Takes", &format!("{}, parts {:.2}", show::minutes(Minutes(remedy.minutes)), remedy.money));
    out + &cautions(&remedy.cautions, width, seen)
}

/// The leading suspects in a few lines.
///
/// # Errors
/// When the engine can't finish.
pub fn leading(diagnosis: &Diagnosis<'_>, count: usize, width: usize) -> Result<String, Complaints> {
    let mut rows: Vec<(f64, String)> =
        diagnosis.ranked().into_iter().map(|s| (s.probability, s.says)).collect();
    let unlisted = diagnosis.probability(diagnosis.model.unlisted());
    rows.push((unlisted, "Something that the rules don't know".into()));
    rows.push((diagnosis.model.belief.posterior().none, "Nothing wrong with the unit".into()));
    rows.sort_by(|a, b| b.0.total_cmp(&a.0).then_with(|| a.1.cmp(&b.1)));
    let mut out = String::from("Under suspicion\n");
    for (p, says) in rows.iter().take(count) {
        let p = Probability::new(*p).map_or_else(String::new, show::probability);
        out += &wrap(says, width, &format!("  {p:>8}  "), &" ".repeat(12));
    }
    out.push('\n');
    Ok(out)
}

fn others(proposal: &Proposal, width: usize) -> String {
    if proposal.alternatives.is_empty() {
        return String::new();
    }
    let mut out = String::from("Else\n");
    for other in &proposal.alternatives {
        out += &wrap(&format!("{}  ({})", other.says, other.id), width, "  ", "    ");
    }
    out
}
