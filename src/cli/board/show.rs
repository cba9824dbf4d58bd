//! `halfsplit board show`.

use crate::circuit::overview::overview;
use crate::cli::screen::{Failure, Screen};
use crate::cli::target;
use crate::job::Circuit;
use crate::rules::parts::Library;
use crate::text::{Complaint, or_nearest};
use std::path::PathBuf;

/// Shows a board: the way of the signal, parts by net, nets by part
#[derive(Debug, clap::Args)]
#[command(
    after_help = "Examples:\n  halfsplit board show lantern.yaml\n  halfsplit board show --example tin-lantern --net VH      where is VH?\n  halfsplit board show --example tin-lantern --part IC2"
)]
pub struct Args {
    /// The board file
    #[arg(value_name = "BOARD", required_unless_present = "example")]
    board: Option<PathBuf>,
    /// Use a built-in board instead
    #[arg(long, value_name = "NAME", conflicts_with = "board")]
    example: Option<String>,
    /// Only this net
    #[arg(long, value_name = "NET", conflicts_with = "part")]
    net: Option<String>,
    /// Only this part
    #[arg(long, value_name = "PART")]
    part: Option<String>,
}

/// Runs the command.
///
/// # Errors
/// When the board is at fault or can't be read, or has no such net or part.
pub fn run(args: &Args, screen: &mut Screen<'_>) -> Result<(), Failure> {
    let board = target::board(args.board.as_deref(), args.example.as_deref())?;
    // The way of the signal takes a board that settles; the rest does not.
    let path = Circuit::new(&board).map(|c| c.stages().path().to_vec()).unwrap_or_default();
    let all = overview(&board, &Library::builtin()?, &path);
    let page = all.only(args.net.as_deref(), args.part.as_deref()).ok_or_else(|| {
        let (what, name) = match (&args.net, &args.part) {
            (Some(net), _) => ("net", net.as_str()),
            (_, part) => ("part", part.as_deref().unwrap_or("")),
        };
        let nets = all.nets.iter().map(|n| n.net.as_str());
        let parts = all.parts.iter().map(|p| p.part.as_str());
        let help = if what == "net" { or_nearest(name, nets) } else { or_nearest(name, parts) };
        Failure::Complaints(
            Complaint::nowhere("unknown-name", format!("the board has no {what} '{name}'")).help(help).into(),
        )
    })?;
    if screen.json {
        return screen.document(&page);
    }
    screen.text(&page.to_text(screen.width))
}
