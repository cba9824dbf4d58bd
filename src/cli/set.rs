//! `halfsplit set`, `halfsplit undo`.

use super::screen::{Failure, Screen, wrap};
use super::target::JobArg;
use crate::job::{Diagnosis, Fields, JobCard, PartUsed, PowerSource, Work};
use crate::rules::{Build, History, Rules, Tool};
use crate::text::{At, Complaint, or_nearest};
use std::path::PathBuf;

/// Fields that `open` takes too.
#[derive(Clone, Debug, Default, clap::Args)]
pub struct FieldArgs {
    /// The shop's number for the job
    #[arg(long, value_name = "TEXT")]
    number: Option<String>,
    /// Whose it is
    #[arg(long, value_name = "NAME")]
    owner: Option<String>,
    /// Serial number or other mark
    #[arg(long, value_name = "TEXT")]
    serial: Option<String>,
    /// Its condition on arrival
    #[arg(long, value_name = "TEXT")]
    condition: Option<String>,
    /// What is not tested (may be given again)
    #[arg(long, value_name = "TEXT")]
    not_tested: Vec<String>,
    /// What an hour of labour costs on this job, such as 40.00
    #[arg(long, value_name = "MONEY")]
    labour: Option<String>,
}

impl FieldArgs {
    /// The fields.
    ///
    /// # Errors
    /// A price that is none.
    pub fn fields(&self) -> Result<Fields, Failure> {
        let labour = self.labour.as_deref().map(|text| price(text, "--labour")).transpose()?;
        Ok(Fields {
            number: self.number.clone(),
            owner: self.owner.clone(),
            serial: self.serial.clone(),
            condition: self.condition.clone(),
            not_tested: self.not_tested.clone(),
            labour,
            ..Fields::default()
        })
    }
}

/// Sets fields of a card: owner, serial, condition, tools, time, parts and the like
#[derive(Debug, clap::Args)]
#[command(
    after_help = "Examples:\n  halfsplit set lantern.yaml --owner \"I. Fern\" --serial 0042 --condition \"lid scratched\"\n  halfsplit set lantern.yaml --did \"new C7\" --minutes 15 --part \"22u 25V=0.40\"\n  halfsplit set lantern.yaml --minutes 40    the time on the job so far\n  halfsplit set lantern.yaml --reopen        a closed job goes on"
)]
pub struct SetArgs {
    #[command(flatten)]
    job: JobArg,
    #[command(flatten)]
    fields: FieldArgs,
    /// What is on the bench
    #[arg(long, value_name = "NAME")]
    unit: Option<String>,
    /// When it came in
    #[arg(long, value_name = "DATE")]
    received: Option<String>,
    /// What it has been through: fresh-build, worked-before or after-change
    #[arg(long, value_name = "H")]
    history: Option<History>,
    /// What was changed last
    #[arg(long, value_name = "TEXT")]
    changed: Option<String>,
    /// How it is built: breadboard, stripboard, pcb or point-to-point
    #[arg(long, value_name = "B")]
    build: Option<Build>,
    /// What it runs on: battery, adaptor, module-supply, mains or high-voltage
    #[arg(long, value_name = "P")]
    power: Option<String>,
    /// Tools at hand, with commas; replaces those on the card
    #[arg(long, value_delimiter = ',', value_name = "a,b")]
    tools: Vec<Tool>,
    /// A block the unit has, by pack id (may be given again); replaces those on the card
    #[arg(long, value_name = "B")]
    block: Vec<String>,
    /// A piece of work that was done
    #[arg(long, value_name = "TEXT")]
    did: Option<String>,
    /// Minutes: of the work under --did, else of the whole job
    #[arg(long, value_name = "N")]
    minutes: Option<f64>,
    /// A part used, with its price: "22u 25V=0.40", "2x 1N4148=0.05" (may be given again)
    #[arg(long, value_name = "PART=PRICE", requires = "did")]
    part: Vec<String>,
    /// Open a closed job again; its outcome stays on the card as a remark
    #[arg(long)]
    reopen: bool,
}

/// Takes the last finding back: it is struck, and stays on the card crossed out
#[derive(Debug, clap::Args)]
#[command(
    after_help = "Examples:\n  halfsplit undo lantern.yaml\n  halfsplit undo lantern.yaml -n 8    the last eight, such as a pasted list"
)]
pub struct UndoArgs {
    /// The job card
    job: PathBuf,
    /// How many
    #[arg(short = 'n', value_name = "N", default_value_t = 1)]
    count: usize,
}

/// A sum of money as typed.
fn price(text: &str, flag: &str) -> Result<String, Failure> {
    let plain = text.trim().replace(',', ".");
    let fits = plain.parse::<f64>().is_ok_and(|x| x.is_finite() && (0.0..1e6).contains(&x))
        && plain.chars().all(|c| c.is_ascii_digit() || c == '.');
    if fits {
        Ok(plain)
    } else {
        Err(Failure::Usage(format!("{flag} wants a sum such as 40.00, not '{text}'")))
    }
}

/// Minutes as typed.
///
/// # Errors
/// What is none.
pub fn minutes(value: f64) -> Result<f64, Failure> {
    if value.is_finite() && value > 0.0 && value <= 100_000.0 {
        Ok(value)
    } else {
        Err(Failure::Usage(format!("--minutes wants a number of minutes above 0, not {value}")))
    }
}

fn part(text: &str) -> Result<PartUsed, Failure> {
    let (what, cost) = match text.rsplit_once('=') {
        Some((what, cost)) => (what.trim(), Some(price(cost, "--part")?)),
        None => (text.trim(), None),
    };
    let counted = what.split_once(['x', '\u{d7}']).and_then(|(n, rest)| {
        let n: u32 = n.trim().parse().ok().filter(|n| *n > 0)?;
        rest.starts_with(' ').then(|| (n, rest.trim()))
    });
    let (count, what) = counted.map_or((None, what), |(n, rest)| (Some(n), rest));
    if what.is_empty() {
        return Err(Failure::Usage(format!("--part '{text}' names no part; write \"22u 25V=0.40\"")));
    }
    let price = cost.map(|value| At { value, span: Default::default() });
    Ok(PartUsed { part: what.into(), count, price })
}

/// A power source by its name.
///
/// # Errors
/// When there is none of that name.
pub fn power_source(word: &str) -> Result<PowerSource, Failure> {
    let found = PowerSource::ALL.iter().map(|(power, _)| *power).find(|power| power.name() == word);
    found.ok_or_else(|| {
        let names = PowerSource::ALL.map(|(power, _)| power.name());
        let complaint = Complaint::nowhere("unknown-name", format!("unknown power source '{word}'"));
        Failure::Complaints(complaint.help(or_nearest(word, names)).into())
    })
}

/// Runs `set`.
///
/// # Errors
/// When a value is none, or the card can't be changed.
pub fn set(args: &SetArgs, rules: &Rules, screen: &mut Screen<'_>) -> Result<(), Failure> {
    let fields = Fields {
        unit: args.unit.clone(),
        received: args.received.clone(),
        history: args.history,
        changed: args.changed.clone(),
        build: args.build,
        power: args.power.as_deref().map(power_source).transpose()?,
        tools: args.tools.clone(),
        blocks: args.block.clone(),
        ..args.fields.fields()?
    };
    let spent = args.minutes.map(minutes).transpose()?;
    let parts = args.part.iter().map(|p| part(p)).collect::<Result<Vec<_>, _>>()?;
    if fields.is_empty() && spent.is_none() && args.did.is_none() && !args.reopen {
        return Err(Failure::Usage("nothing to set; 'halfsplit set --help' lists the fields".into()));
    }
    let at = screen.at();
    let (changed, _) = args.job.change(screen, |card, board| {
        let mut card = if args.reopen { card.reopened(at.as_deref())? } else { card.clone() };
        card = fields.set(&card)?;
        card = match (&args.did, spent) {
            (Some(did), minutes) => {
                card.with_work_done(&Work { at: at.clone(), did: did.clone(), minutes, parts })?
            }
            (None, Some(minutes)) => whole_job(&card, minutes, at.clone())?,
            (None, None) => card,
        };
        // A name that the rules don't know must not make the card unreadable.
        if card.card.declined().is_none() {
            Diagnosis::on(rules, card.clone(), board)?;
        }
        Ok(card)
    })?;
    if screen.json {
        return screen.document(&changed.card);
    }
    let words = match changed.card.declined() {
        Some(why) => format!("Set. This unit is now out of scope: {why}"),
        None => format!("Set. See it with: halfsplit show {}", args.job.typed()),
    };
    screen.text(&wrap(&words, screen.width, "", ""))
}

/// Minutes of the whole job: with the outcome where it is closed, else what is missing of them as a piece of work.
fn whole_job(card: &JobCard, minutes: f64, at: Option<String>) -> Result<JobCard, Failure> {
    if card.card.outcome.is_some() {
        return Ok(card.with_outcome_minutes(minutes)?);
    }
    let noted = crate::job::minutes_noted(&card.card).unwrap_or(0.0);
    if minutes <= noted {
        return Err(Failure::Input(format!(
            "the card has {noted} minutes noted already; give more than that, or change 'minutes' on the card"
        )));
    }
    let work =
        Work { at, did: "Time at the bench".into(), minutes: Some(minutes - noted), parts: Vec::new() };
    Ok(card.with_work_done(&work)?)
}

/// Runs `undo`.
///
/// # Errors
/// When there are not so many findings, or the card can't be changed.
pub fn undo(args: &UndoArgs, rules: &Rules, screen: &mut Screen<'_>) -> Result<(), Failure> {
    let job = JobArg { job: Some(args.job.clone()), example: None };
    let why = match screen.at() {
        Some(at) => format!("{at}: taken back"),
        None => "taken back".into(),
    };
    let mut struck: Vec<String> = Vec::new();
    let mut same = 0;
    let (changed, board) = job.change(screen, |card, _| {
        let standing: Vec<usize> = card.card.standing().map(|(n, _)| n).collect();
        if args.count == 0 || standing.len() < args.count {
            let message = match standing.len() {
                0 => "there is no finding to take back".to_owned(),
                n => format!("the card has {n} findings that count; take back 1 to {n}"),
            };
            return Err(Failure::Input(message));
        }
        let mut out = card.clone();
        let last = &standing[standing.len() - args.count..];
        let at = card.card.findings[last[0] - 1].at.clone();
        // Findings of one list carry one time.
        same = standing
            .iter()
            .rev()
            .skip(args.count)
            .take_while(|n| at.is_some() && card.card.findings[**n - 1].at == at)
            .count();
        for number in last.iter().rev() {
            let finding = &card.card.findings[number - 1];
            struck.push(format!("Struck {number}: {}={}", finding.check.value, finding.answer.value));
            out = out.with_struck(*number, &why)?;
        }
        Ok::<JobCard, Failure>(out)
    })?;
    if !screen.json {
        for line in &struck {
            screen.text(&wrap(line, screen.width, "", "  "))?;
        }
        if same > 0 && args.count == 1 {
            let (were, them) = if same == 1 { ("was", "it") } else { ("were", "them") };
            let words = format!(
                "{same} more {were} noted with it: 'halfsplit undo {} -n {same}' takes {them} back too.",
                job.typed()
            );
            screen.text(&wrap(&words, screen.width, "", ""))?;
        }
        screen.text("\n")?;
    }
    super::note::after(changed, board.as_ref(), &job.typed(), rules, screen)
}
