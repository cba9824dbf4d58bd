//! `halfsplit cases simulate`.

use super::learn::progress;
use super::screen::{Failure, Screen};
use crate::cases::simulate::{Pick, Simulation, card, draw};
use crate::rules::Rules;
use std::path::PathBuf;

/// Draws resolved cards with a known truth from the rules, to try learning on
#[derive(Debug, clap::Args)]
#[command(after_help = "Example:\n  halfsplit cases simulate --cases 1000 --seed 7 -o drawn/\n  \
    halfsplit cases learn drawn/ -o learned.yaml")]
pub struct Args {
    /// How many cards
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u64).range(1..=1_000_000))]
    cases: u64,
    /// Seed; the same seed gives the same cards
    #[arg(long, value_name = "S", default_value_t = 1)]
    seed: u64,
    /// Folder for the cards; made if it isn't there, must be empty
    #[arg(short, long, value_name = "DIR")]
    output: PathBuf,
    /// Checks done on each unit
    #[arg(long, value_name = "K", default_value_t = 8)]
    checks: usize,
    /// Which checks: 'near' mostly those that the faults can reach, 'random' any
    #[arg(long, value_name = "HOW", default_value = "near", value_parser = ["near", "random"])]
    pick: String,
}

/// Runs the command.
///
/// # Errors
/// When the folder holds something already or can't be written.
pub fn run(args: &Args, rules: &Rules, screen: &mut Screen<'_>) -> Result<(), Failure> {
    let system = |e: std::io::Error| Failure::System(format!("{}: can't write: {e}", args.output.display()));
    std::fs::create_dir_all(&args.output).map_err(system)?;
    if std::fs::read_dir(&args.output).map_err(system)?.next().is_some() {
        return Err(Failure::Input(format!("{}: the folder is not empty", args.output.display())));
    }
    let pick = if args.pick == "near" { Pick::Near } else { Pick::Random };
    let simulation = Simulation { seed: args.seed, checks: args.checks, pick };
    let bar = progress(screen, args.cases, "cards");
    for number in 1..=args.cases {
        let text = card(rules, &draw(rules, &simulation, number), number);
        // Drawn cards can be drawn again: no need to sync each to disk.
        std::fs::write(args.output.join(format!("drawn-{number:06}.yaml")), text).map_err(system)?;
        bar.inc(1);
    }
    bar.finish_and_clear();
    screen.say(&format!("{} cards drawn into {}", args.cases, args.output.display()))
}
