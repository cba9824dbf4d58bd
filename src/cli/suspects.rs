//! `halfsplit suspects`.

use super::next::heading;
use super::screen::{Failure, Screen, wrap};
use super::target::JobArg;
use crate::job::{Diagnosis, Member, Suspect, Suspects};
use crate::rules::Rules;
use crate::rules::places::LIKELIEST_AT;
use crate::units::{Decibels, Probability, show};

/// Ranks what may be wrong, with the weight of the findings
#[derive(Debug, clap::Args)]
#[command(
    after_help = "Examples:\n  halfsplit suspects tin-lantern.yaml\n  halfsplit suspects --example silent-build --json"
)]
pub struct Args {
    #[command(flatten)]
    job: JobArg,
    /// How many to list [default: 12; all of them with --json]
    #[arg(short = 'n', value_name = "N")]
    count: Option<usize>,
}

/// How many suspects are listed where it isn't said.
const LISTED: usize = 12;

/// Runs the command.
///
/// # Errors
/// When the card is at fault or can't be read.
pub fn run(args: &Args, rules: &Rules, screen: &mut Screen<'_>) -> Result<(), Failure> {
    let (job, board) = args.job.load()?;
    let diagnosis = Diagnosis::on(rules, job, board.as_ref())?;
    let mut list = diagnosis.suspects()?;
    if screen.json {
        list.suspects.truncate(args.count.unwrap_or(usize::MAX));
        return screen.document(&list);
    }
    let mut text = heading(rules, &diagnosis.job, Some(&args.job.typed()), screen.width)?;
    text += &table(&list, args.count.unwrap_or(LISTED), screen.width);
    if let Some(worst) = &list.surprise.worst {
        let which =
            if worst.number == 0 { "The complaint".into() } else { format!("Finding {}", worst.number) };
        text += &wrap(
            &format!(
                "{which}, {}={}, sits badly with the rest: take it again before you trust it.",
                worst.check, worst.answer
            ),
            screen.width,
            "",
            "",
        );
    }
    if let Some(first) = list.suspects.first() {
        text += &format!("\nReasons: halfsplit why {} {}\n", args.job.typed(), first.id);
    }
    screen.text(&text)
}

/// How many others of a group are named; --json has them all.
const NAMED: usize = 3;
/// A sum of chances that a reader would take for a mistake if nothing were said.
const MORE_THAN_ALL: f64 = 1.05;
/// Probability from which on another fault at a spot is worth a line.
const WORTH_NAMING: f64 = 0.02;

fn percent(p: f64) -> String {
    Probability::new(p).map_or_else(String::new, show::probability)
}

/// The others of a group: those at one spot a line each; of one slip that may be anywhere, its spots; of what no check parts, the ids.
fn others(suspect: &Suspect, width: usize) -> String {
    let indent = " ".repeat(21);
    let Some((_, others)) = suspect.members.split_first().filter(|(_, others)| !others.is_empty()) else {
        return String::new();
    };
    if suspect.spot.is_some() {
        let worth = suspect.members.iter().filter(|m| m.probability >= WORTH_NAMING).take(1 + NAMED);
        return worth.map(|m| line(m, width)).collect();
    }
    let slip = |id: &str| id.split_once('@').map(|(slip, _)| slip.to_owned());
    let first = slip(&suspect.id);
    let anywhere = first.is_some() && others.iter().all(|m| slip(&m.id) == first);
    let name = |m: &Member| match m.id.split_once('@') {
        Some((_, spot)) if anywhere => spot.to_owned(),
        _ => m.id.clone(),
    };
    let named: Vec<String> = others.iter().take(NAMED).map(name).collect();
    let rest = match others.len() - named.len() {
        0 => String::new(),
        n => format!(" or {n} more"),
    };
    let at = if anywhere { "at " } else { "" };
    wrap(&format!("or {at}{}{rest}", named.join(", ")), width, &indent, &indent)
}

/// One fault at a spot; the spot has been named.
fn line(member: &Member, width: usize) -> String {
    let head = format!("{}{:>6}  ", " ".repeat(21), percent(member.probability));
    let says = member.says.split_once(LIKELIEST_AT).map_or(member.says.as_str(), |(slip, _)| slip);
    wrap(&format!("{says} ({})", member.id), width, &head, &" ".repeat(29))
}

/// The suspects in a table.
pub fn table(list: &Suspects, count: usize, width: usize) -> String {
    let mut out = String::from("  chance     weight  suspect\n");
    let ways =
        [(list.unlisted, "Something that the rules don't know"), (list.none, "Nothing wrong with the unit")];
    for suspect in list.suspects.iter().take(count) {
        let head = format!(
            "{:>8}  {:>9}  ",
            percent(suspect.probability),
            show::weight(Decibels(suspect.weight_db))
        );
        let others = others(suspect, width);
        // The rows of a spot have the ids.
        let id = match suspect.spot.is_some() && !others.is_empty() {
            true => String::new(),
            false => format!(" ({})", suspect.id),
        };
        out += &wrap(&format!("{}{id}", suspect.says), width, &head, &" ".repeat(21));
        out += &others;
    }
    for (p, says) in ways {
        out += &wrap(says, width, &format!("{:>8}             ", percent(p)), &" ".repeat(21));
    }
    let sum: f64 = list.suspects.iter().map(|s| s.probability).sum::<f64>() + list.unlisted + list.none;
    if sum > MORE_THAN_ALL {
        out += &wrap("Several can be wrong at once: the chances add up to more than 100 %.", width, "", "");
    }
    if list.error > 0.0005 {
        out += &format!("Sampled: give or take {}\n", percent(2.0 * list.error));
    }
    if list.taken_together > 0 {
        out += &format!(
            "The first {} remedies are taken together: too many to be weighed one by one, so the\nchances are rough (up to 7 dB off).\n",
            list.taken_together
        );
    }
    if list.set_aside > 0 {
        let says = format!(
            "The first {} answers weigh nothing: with all of them there is too much to be summed over. Strike those that you do not trust.",
            list.set_aside
        );
        out += &wrap(&says, width, "", "");
    }
    if list.left_out > 0.0 {
        out += &format!("Left out of the sum: {}\n", percent(list.left_out));
    }
    out.push('\n');
    out
}
