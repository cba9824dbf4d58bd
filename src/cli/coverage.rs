//! `halfsplit coverage`.

use super::screen::{Failure, Screen, wrap};
use super::target;
use crate::cases::coverage::{Coverage, coverage};
use crate::rules::{History, Rules, Tool};
use std::path::PathBuf;

/// Says what no check at hand can show or tell apart on a board, and which tool or test point would gain most
#[derive(Debug, clap::Args)]
#[command(
    after_help = "Examples:\n  halfsplit coverage my-board.yaml --tools meter\n  halfsplit coverage --example tin-lantern --tools meter,audio-probe"
)]
pub struct Args {
    /// The board file
    #[arg(value_name = "BOARD", required_unless_present = "example")]
    board: Option<PathBuf>,
    /// Use a built-in board instead
    #[arg(long, value_name = "NAME", conflicts_with = "board")]
    example: Option<String>,
    /// Tools at hand, with commas
    #[arg(long, value_delimiter = ',', value_name = "a,b", default_value = "meter")]
    tools: Vec<Tool>,
    /// fresh-build, worked-before or after-change
    #[arg(long, value_name = "H", default_value = "fresh-build")]
    history: History,
}

/// Runs the command.
///
/// # Errors
/// When the board is at fault or can't be read.
pub fn run(args: &Args, rules: &Rules, screen: &mut Screen<'_>) -> Result<(), Failure> {
    let board = target::board(args.board.as_deref(), args.example.as_deref())?;
    let found = coverage(rules, &board, args.history, &args.tools)?;
    if screen.json {
        return screen.document(&found);
    }
    screen.text(&page(&found, screen.width))
}

/// Lines of a list that are printed.
const MOST: usize = 12;

fn page(found: &Coverage, width: usize) -> String {
    let percent = |share: f64| format!("{:.1} %", share * 100.0);
    let mut out = format!("{}: {} faults, with {}\n\n", found.board, found.faults, found.tools.join(", "));
    out += &format!("No check at hand shows {} of them ({} by prior)\n", found.unseen.len(), percent(found.unseen_share));
    out += &wrap(&listed(&found.unseen), width, "  ", "  ");
    let two: Vec<_> = found.groups.iter().filter(|g| !g.one_remedy).collect();
    let same = found.groups.len() - two.len();
    out += &format!("\n{} groups are shown but not told apart", found.groups.len());
    out += &format!("; in {same} of them one remedy serves all. The others:\n");
    for group in two.iter().take(MOST) {
        out += &wrap(&listed(&group.faults), width, &format!("  {:>7}  ", percent(group.share)), "           ");
    }
    out += &format!("\nDoubt left after every check: {:.2} bits on average\n", found.bits_left);
    if found.gains.is_empty() {
        out += "No other tool or test point would gain anything.\n";
    }
    for gain in found.gains.iter().take(5) {
        out += &format!("  {:<20} gains {:.2} bits, shows {} more\n", gain.id, gain.bits, percent(gain.shows));
    }
    out
}

fn listed(names: &[String]) -> String {
    let more = names.len().saturating_sub(MOST);
    let mut out = names.iter().take(MOST).cloned().collect::<Vec<_>>().join(", ");
    if more > 0 {
        out += &format!(" and {more} more");
    }
    if out.is_empty() { "none".into() } else { out }
}
