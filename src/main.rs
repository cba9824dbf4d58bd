//! The `halfsplit` command: hands its arguments to [`halfsplit::cli`].

use clap::Parser;
use halfsplit::cli::rules;
use std::process::ExitCode;

/// Finds the fault in small audio electronics
#[derive(Parser)]
#[command(name = "halfsplit", version)]
struct Cli {
    #[command(subcommand)]
    command: Command,
}

#[derive(clap::Subcommand)]
enum Command {
    /// Check, list, show and describe the rules
    Rules(rules::RulesArgs),
}

fn main() -> ExitCode {
    let Command::Rules(args) = Cli::parse().command;
    match rules::run(&args, &mut std::io::stdout().lock(), &mut std::io::stderr().lock()) {
        Ok(code) => code.into(),
        Err(_) => rules::SYSTEM.into(),
    }
}
