//! The `halfsplit` command: hands its arguments to [`halfsplit::cli`].

use clap::Parser;
use halfsplit::cli::{Cli, Screen, clock, usage};
use halfsplit::job::store;
use std::io::IsTerminal;
use std::process::ExitCode;

/// Exit code of a command that was interrupted, as shells have it.
const INTERRUPTED: i32 = 130;

fn main() -> ExitCode {
    let cli = match Cli::try_parse() {
        Ok(cli) => cli,
        Err(e) => {
            let json = std::env::args_os().any(|a| a == "--json");
            return usage(&e, json, &mut anstream::stdout(), &mut anstream::stderr()).into();
        }
    };
    end_cleanly_at_signals();
    let styled = std::io::stderr().is_terminal();
    let mut screen = Screen {
        out: &mut anstream::stdout(),
        err: &mut anstream::stderr(),
        width: columns(),
        json: false,
        styled,
        now: clock(),
    };
    cli.run(&mut screen).into()
}

/// Ctrl-C and termination: a write that is going on is finished, the lock is given back, the terminal is as it was.
fn end_cleanly_at_signals() {
    #[cfg(unix)]
    let terminal = rustix::termios::tcgetattr(std::io::stdin()).ok();
    // Where no handler can be set, a signal ends the process at once; the card is whole even then.
    let _ = ctrlc::set_handler(move || {
        let _leaving = store::leave();
        #[cfg(unix)]
        if let Some(settings) = &terminal {
            let _ =
                rustix::termios::tcsetattr(std::io::stdin(), rustix::termios::OptionalActions::Now, settings);
        }
        #[allow(clippy::exit)] // the one way out of a handler's thread
        std::process::exit(INTERRUPTED)
    });
}

/// Columns to fill: those of the terminal where it says so, at most 100; 80 where there is none.
fn columns() -> usize {
    let told = std::env::var("COLUMNS").ok().and_then(|c| c.parse::<usize>().ok());
    told.or_else(|| terminal_size::terminal_size().map(|(w, _)| usize::from(w.0)))
        .unwrap_or(80)
        .clamp(40, 100)
}
