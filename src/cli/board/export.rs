//! `halfsplit board export`.

use crate::circuit::import::spice_deck;
use crate::cli::output::{self, Form};
use crate::cli::screen::{Failure, Screen};
use crate::cli::target::{self, quoted};
use crate::rules::parts::Library;
use std::path::{Path, PathBuf};

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
    /// Replace a file that is there, whoever wrote it; never a card, board, pack, shop or template
    #[arg(long, requires = "out")]
    force: bool,
}

/// The netlist of a board, or the file that it went to.
#[derive(Debug, serde::Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
struct Exported {
    /// The form it is written in.
    format: &'static str,
    /// The file that it was written to.
    file: Option<String>,
    /// The netlist, where no file was named.
    text: Option<String>,
}

/// Runs the command.
///
/// # Errors
/// When the board is at fault, or a file can't be read or written.
pub fn run(args: &Args, screen: &mut Screen<'_>) -> Result<(), Failure> {
    let board = target::board(args.board.as_deref(), args.example.as_deref())?;
    let deck = spice_deck(&board, &Library::builtin()?)?;
    let exported = |file: Option<&Path>, text: Option<String>| Exported {
        format: "spice",
        file: file.map(|f| f.display().to_string()),
        text,
    };
    let Some(path) = &args.out else {
        if screen.json {
            return screen.document(&exported(None, Some(deck)));
        }
        return screen.text(&deck);
    };
    output::write(path, &deck, Form::Netlist, args.force, screen)?;
    if screen.json {
        return screen.document(&exported(Some(path), None));
    }
    screen.say(&format!("Written: {}", quoted(&path.display().to_string())))
}

#[cfg(test)]
mod tests {
    #[test]
    fn the_committed_schema_says_what_the_type_says() {
        crate::rules::assert_output_schema::<super::Exported>("board-export");
    }
}
