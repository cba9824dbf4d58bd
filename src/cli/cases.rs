//! `halfsplit cases`.

use super::learn;
use super::report;
use super::screen::{Failure, Screen};
use super::target::{board_of, cards};
use crate::cases::{Case, End, Replay, replay};
use crate::job::{JobCard, store};
use crate::rules::Rules;
use crate::text::{Complaint, Complaints, inert};
use crate::units::{Minutes, Probability, show};
use indicatif::{ProgressBar, ProgressStyle};
use std::path::{Path, PathBuf};

/// Replays resolved job cards, or learns from them
#[derive(Debug, clap::Args)]
#[command(
    after_help = "Examples:\n  halfsplit cases replay cases/\n  halfsplit cases learn cases/ -o learned.yaml\n  \
    halfsplit cases report cases/ --format html -o bench.html"
)]
pub struct Args {
    #[command(subcommand)]
    command: Command,
}

#[derive(Debug, clap::Subcommand)]
enum Command {
    /// Plays resolved cards again: the rank of the true fault after each finding
    #[command(after_help = "Example:\n  halfsplit cases replay cases/")]
    Replay {
        /// A card, or a folder of cards
        #[arg(required = true)]
        paths: Vec<PathBuf>,
    },
    Learn(learn::Args),
    Report(report::Args),
}

/// Runs the command.
///
/// # Errors
/// When a card is at fault or can't be read; when a case ends wrong.
pub fn run(args: &Args, rules: &Rules, screen: &mut Screen<'_>) -> Result<(), Failure> {
    let paths = match &args.command {
        Command::Replay { paths } => paths,
        Command::Learn(args) => return learn::run(args, rules, screen),
        Command::Report(args) => return report::run(args, rules, screen),
    };
    let mut jobs = Vec::new();
    for path in paths {
        for file in cards(path)? {
            let name = file.file_stem().map(|s| s.to_string_lossy().into_owned()).unwrap_or_default();
            let job = JobCard::read(&store::read(&file)?)?;
            if job.card.outcome.is_none() && !path.is_dir() {
                return Err(still_open(path).into());
            }
            let board = board_of(&job, Some(&file))?;
            jobs.push(Case { name, job, board });
        }
    }
    let played = with_bar(rules, &jobs)?;
    if screen.json {
        screen.document(&played)?;
    } else {
        screen.text(&text(&played))?;
    }
    match played.wrong {
        0 => Ok(()),
        n => Err(Failure::Input(format!("{n} of {} cases ended wrong", played.cases.len()))),
    }
}

/// A card named for itself that has no end yet: in a folder it is passed over, by name it is a mistake.
fn still_open(path: &Path) -> Complaints {
    let what = format!("{}: the job is open, there is no end to play it against", path.display());
    Complaint::nowhere("still-open", what).help("end it with 'halfsplit close' first").into()
}

/// How many cases are long work.
const MANY: usize = 12;

/// Replays case by case, with a bar on stderr where that takes long and stderr is a terminal.
fn with_bar(rules: &Rules, jobs: &[Case]) -> Result<Replay, Complaints> {
    if jobs.len() < MANY {
        return replay(rules, jobs);
    }
    let style = ProgressStyle::with_template("{pos}/{len} {wide_bar} {msg}")
        .unwrap_or_else(|_| ProgressStyle::default_bar());
    let bar = ProgressBar::new(jobs.len() as u64).with_style(style);
    let mut all = Replay { cases: Vec::new(), right: 0, wrong: 0 };
    for job in jobs {
        bar.set_message(inert::text(&job.name));
        let mut one = replay(rules, std::slice::from_ref(job))?;
        all.cases.append(&mut one.cases);
        all.right += one.right;
        all.wrong += one.wrong;
        bar.inc(1);
    }
    bar.finish_and_clear();
    Ok(all)
}

fn text(report: &Replay) -> String {
    let mut out = String::new();
    for case in &report.cases {
        let end = match case.end {
            End::Found => format!("leads: {}", case.leader),
            End::Unlisted => "leads: something the rules don't know".into(),
            End::NothingWrong => "leads: nothing wrong with the unit".into(),
            End::Declined => "declined: out of scope".into(),
        };
        let mark = if case.right { "right" } else { "WRONG" };
        out += &format!("{mark}  {}, {}, {end}\n", case.case, show::minutes(Minutes(case.minutes)));
        for found in &case.findings {
            let p = Probability::new(found.probability_of_true).map_or_else(String::new, show::probability);
            let what = if found.answer.is_empty() {
                found.id.clone()
            } else {
                format!("{}={}", found.id, found.answer)
            };
            out += &format!("       rank {:>2}  {p:>8}  after {what}\n", found.rank_of_true);
        }
        if !case.right {
            out += &super::screen::wrap(&case.truth.join(" and "), 80, "       the truth: ", &" ".repeat(18));
        }
    }
    let n = report.cases.len();
    let cases = if n == 1 { "case" } else { "cases" };
    out += &format!("{n} {cases}: {} right, {} wrong\n", report.right, report.wrong);
    out
}
