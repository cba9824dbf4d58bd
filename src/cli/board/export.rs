//! `halfsplit board export`.

use crate::circuit::import::spice_deck;
use crate::cli::screen::{Failure, Screen};
use crate::cli::target::{self, quoted};
use crate::job::store;
use crate::rules::parts::Library;
use std::path::PathBuf;

/// Writes a board as a SPICE netlist that a circuit simulator runs, and that 'board import' reads back
#[derive(Debug, clap::Args)]
#[command(
    after_help = "Examples:\n  halfsplit board export lantern.yaml -o lantern.cir\n  halfsplit board export --example tin-lantern"
)]
pub struct Args {
    /// The board file
    #[arg(value_name = "BOARD", required_unless_present = "example")]
    board: Option<PathBuf>,
    /// Use a built-in board instead
    #[arg(long, value_name = "NAME", conflicts_with = "board")]
    example: Option<String>,
    /// The netlist to make; printed where none is named
    #[arg(short = 'o', value_name = "FILE")]
    out: Option<PathBuf>,
}

/// Runs the command.
///
/// # Errors
/// When the board is at fault, or a file can't be read or written.
pub fn run(args: &Args, screen: &mut Screen<'_>) -> Result<(), Failure> {
    let board = target::board(args.board.as_deref(), args.example.as_deref())?;
    let deck = spice_deck(&board, &Library::builtin()?)?;
    let Some(path) = &args.out else {
        if screen.json {
            return screen.document(&serde_json::json!({ "format": "spice", "text": deck }));
        }
        return screen.text(&deck);
    };
    store::create(path, &deck)?;
    if screen.json {
        return screen
            .document(&serde_json::json!({ "format": "spice", "file": path.display().to_string() }));
    }
    screen.text(&format!("Wrote {}\n", quoted(&path.display().to_string())))
}
