//! The `halfsplit` command: hands its arguments to [`halfsplit::cli`].

use clap::Parser;
use halfsplit::cli::{Cli, Screen};
use std::io::IsTerminal;
use std::process::ExitCode;

fn main() -> ExitCode {
    let cli = Cli::parse();
    let styled = std::io::stderr().is_terminal();
    let mut screen = Screen {
        out: &mut anstream::stdout(),
        err: &mut anstream::stderr(),
        width: columns(),
        json: false,
        styled,
        now: jiff::Timestamp::now()
            .round(jiff::Unit::Second)
            .map_or_else(|_| String::new(), |t| t.to_string()),
    };
    cli.run(&mut screen).into()
}

/// Columns to fill: those of the terminal where it says so, at most 100; 80 where there is none.
fn columns() -> usize {
    let told = std::env::var("COLUMNS").ok().and_then(|c| c.parse::<usize>().ok());
    told.or_else(|| terminal_size::terminal_size().map(|(w, _)| usize::from(w.0)))
        .unwrap_or(80)
        .clamp(40, 100)
}
