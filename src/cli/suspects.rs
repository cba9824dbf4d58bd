//! `halfsplit suspects`.

use super::next::heading;
use super::screen::{Failure, Screen, wrap};
use super::target::JobArg;
use crate::job::{Diagnosis, Suspects};
use crate::rules::Rules;
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

/// How many are named of those that no check parts from a suspect; --json has them all.
const NAMED: usize = 6;

/// The suspects in a table.
pub fn table(list: &Suspects, count: usize, width: usize) -> String {
    let percent = |p: f64| Probability::new(p).map_or_else(String::new, show::probability);
    let mut out = String::from("  chance     weight  suspect\n");
    let ways =
        [(list.unlisted, "Something that the rules don't know"), (list.none, "Nothing wrong with the unit")];
    for suspect in list.suspects.iter().take(count) {
        let head = format!(
            "{:>8}  {:>9}  ",
            percent(suspect.probability),
            show::weight(Decibels(suspect.weight_db))
        );
        let others = &suspect.faults[1..];
        let named = others[..others.len().min(NAMED)].join(", ");
        let others = match others.len() {
            0 => String::new(),
            n if n <= NAMED => format!(" (or {named}: no check at hand parts them)"),
            n => format!(" (or {named} or {} others: no check at hand parts them)", n - NAMED),
        };
        out += &wrap(&format!("{} ({}){others}", suspect.says, suspect.id), width, &head, &" ".repeat(21));
    }
    for (p, says) in ways {
        out += &wrap(says, width, &format!("{:>8}             ", percent(p)), &" ".repeat(21));
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
    if list.left_out > 0.0 {
        out += &format!("Left out of the sum: {}\n", percent(list.left_out));
    }
    out.push('\n');
    out
}
