//! `halfsplit board …`: boards made, brought in, looked over and put on a job. One file a command.

mod attach;
mod check;
mod export;
mod import;
mod new;
mod show;

use super::screen::{Failure, Screen};
use crate::rules::Rules;

/// Makes, imports, checks, shows, exports and attaches boards
#[derive(Debug, clap::Args)]
#[command(
    after_help = "Examples:\n  halfsplit board import lantern.net                 from a schematic editor's netlist\n  halfsplit board new lantern.yaml                   part by part\n  halfsplit board attach job.yaml lantern.yaml       a job goes on with its drawing"
)]
pub struct Args {
    #[command(subcommand)]
    command: Command,
}

#[derive(Debug, clap::Subcommand)]
enum Command {
    Import(import::Args),
    Export(export::Args),
    New(new::Args),
    Check(check::Args),
    Show(show::Args),
    Attach(attach::Args),
}

impl Args {
    /// Whether the command needs the rules.
    pub fn needs_rules(&self) -> bool {
        matches!(self.command, Command::Attach(_))
    }
}

/// Runs a command that needs no rules.
///
/// # Errors
/// When a file can't be read or written, or is at fault.
pub fn run(args: &Args, screen: &mut Screen<'_>) -> Result<(), Failure> {
    match &args.command {
        Command::Import(args) => import::run(args, screen),
        Command::Export(args) => export::run(args, screen),
        Command::New(args) => new::run(args, screen),
        Command::Check(args) => check::run(args, screen),
        Command::Show(args) => show::run(args, screen),
        Command::Attach(_) => Ok(()),
    }
}

/// Runs a command that needs the rules.
///
/// # Errors
/// As [`run`].
pub fn run_with(args: &Args, rules: &Rules, screen: &mut Screen<'_>) -> Result<(), Failure> {
    match &args.command {
        Command::Attach(args) => attach::run(args, rules, screen),
        _ => run(args, screen),
    }
}
