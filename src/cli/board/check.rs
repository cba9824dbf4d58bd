//! `halfsplit board check`.

use crate::circuit::advice::{Advice, advice};
use crate::cli::screen::{Failure, Screen, wrap};
use crate::cli::target;
use crate::rules::parts::Library;
use serde::Serialize;
use std::path::PathBuf;

/// Reads a board, solves it, and says what looks wrong
#[derive(Debug, clap::Args)]
#[command(
    after_help = "Examples:\n  halfsplit board check lantern.yaml\n  halfsplit board check --example tin-lantern --json"
)]
pub struct Args {
    /// The board file
    #[arg(value_name = "BOARD", required_unless_present = "example")]
    board: Option<PathBuf>,
    /// Use a built-in board instead
    #[arg(long, value_name = "NAME", conflicts_with = "board")]
    example: Option<String>,
}

/// Kinds that no role is worked out for.
const ROLELESS: [&str; 5] = ["jack", "toggle", "footswitch", "link", "fuse"];

/// What `board check --json` prints.
#[derive(Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
struct Report {
    /// The unit.
    board: String,
    /// Number of parts.
    parts: usize,
    /// Number of nets, ground included.
    nets: usize,
    /// Number of faults in its catalogue.
    faults: usize,
    /// Roles worked out from the circuit, each `PART: ROLE`.
    roles: Vec<String>,
    /// Parts without a role.
    without_role: Vec<String>,
    /// Legs that sit in a row of another net, and rows of one net that nothing joins.
    rows: Vec<String>,
    /// Roles in the file that there are none of, each with its place.
    doubts: Vec<String>,
    /// What looks wrong.
    advice: Vec<Advice>,
    /// What looks odd and is as it should be: an amplifier that is not used, and tied.
    fine: Vec<String>,
}

/// Runs the command.
///
/// # Errors
/// When the board is at fault, does not settle or can't be read.
pub fn run(args: &Args, screen: &mut Screen<'_>) -> Result<(), Failure> {
    let board = target::board(args.board.as_deref(), args.example.as_deref())?;
    let looked = advice(&board, &Library::builtin()?)
        .map_err(|e| Failure::Input(format!("the board could not be solved: {e}")))?;
    let own = |id: &str| !board.supplies().iter().any(|s| s.name == id);
    let parts = || board.parts().iter().filter(|p| own(&p.id));
    let report = Report {
        board: board.name().to_owned(),
        parts: parts().count(),
        nets: board.nets().len() + 1,
        faults: board.faults().len(),
        roles: parts()
            .filter(|p| p.role_why.is_some())
            .filter_map(|p| Some(format!("{}: {}", p.id, p.role.as_ref()?)))
            .collect(),
        without_role: parts()
            .filter(|p| p.role.is_none() && !ROLELESS.contains(&p.kind.as_str()))
            .map(|p| p.id.clone())
            .collect(),
        doubts: board.doubts().0.iter().map(ToString::to_string).collect(),
        rows: board.misplaced().iter().map(|m| m.says.clone()).collect(),
        advice: looked.advice,
        fine: looked.fine,
    };
    if screen.json {
        return screen.document(&report);
    }
    screen.doubts(&board)?;
    let width = screen.width;
    let mut page = wrap(
        &format!(
            "{}: {} parts on {} nets; it settles. {} faults can be in it.",
            report.board, report.parts, report.nets, report.faults
        ),
        width,
        "",
        "",
    );
    if !report.roles.is_empty() {
        let words = format!(
            "Roles worked out from the circuit ('board show' says by what): {}.",
            report.roles.join(", ")
        );
        page += &wrap(&words, width, "", "  ");
    }
    if !report.without_role.is_empty() {
        let count = if report.without_role.len() == 1 { "it counts" } else { "they count" };
        let words = format!("No role is known of {}; {count} all the same.", report.without_role.join(", "));
        page += &wrap(&words, width, "", "  ");
    }
    for line in &report.rows {
        page += &wrap(line, width, "- rows: ", "  ");
    }
    for a in &report.advice {
        page += &wrap(&format!("{}; {}", a.says, a.help), width, "- ", "  ");
    }
    for line in &report.fine {
        page += &wrap(&format!("{line}."), width, "", "  ");
    }
    if report.advice.is_empty() && report.rows.is_empty() {
        page += "Nothing looks wrong.\n";
    }
    if let Some(board) = &args.board {
        let board = target::quoted(&board.display().to_string());
        page.push('\n');
        page += &wrap(&format!("Next: halfsplit open job.yaml --board {board}"), width, "", "  ");
    }
    screen.text(&page)
}

#[cfg(test)]
mod tests {
    #[test]
    fn the_schema_of_the_report_is_committed() {
        crate::rules::assert_output_schema::<super::Report>("board-check");
    }
}
