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
    let line = |text: String| wrap(&text, width, "", "");
    let mut out = line(format!("{}: {} faults, with {}", found.board, found.faults, found.tools.join(", ")));
    out.push('\n');
    out += &line(format!(
        "No check at hand shows {} of them ({} of what comes to the bench)",
        found.unseen.len(),
        percent(found.unseen_share)
    ));
    out += &wrap(&listed(&found.unseen), width, "  ", "  ");
    let two: Vec<_> = found.groups.iter().filter(|g| !g.one_remedy).collect();
    let same = found.groups.len() - two.len();
    let groups = match found.groups.len() {
        1 => "1 group is shown but not told apart".to_owned(),
        n => format!("{n} groups are shown but not told apart"),
    };
    let others = if two.is_empty() { "" } else { " The others:" };
    out.push('\n');
    out += &line(match same {
        0 => format!("{groups}.{others}"),
        n => format!("{groups}; in {n} of them one remedy serves all.{others}"),
    });
    for group in two.iter().take(MOST) {
        out +=
            &wrap(&listed(&group.faults), width, &format!("  {:>7}  ", percent(group.share)), "           ");
    }
    out.push('\n');
    out += &line(format!(
        "Doubt left after every check: {:.2} bits on average (1 bit is one even choice of two)",
        found.bits_left
    ));
    if found.gains.is_empty() {
        out += "No other tool or test point would gain anything.\n";
    }
    for gain in found.gains.iter().take(5) {
        let says = format!("gains {:.2} bits, shows {} more", gain.bits, percent(gain.shows));
        out += &wrap(&says, width, &format!("  {:<20} ", gain.id), "    ");
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
