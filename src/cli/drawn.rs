//! `halfsplit drill --cases`: resolved job cards whose truth is known.

use super::drill::Args;
use super::learn::progress;
use super::screen::{Failure, Screen};
use super::target::quoted;
use crate::cases::drill::{self, Clerk, Drill};
use crate::cases::simulate::{Pick, Simulation, card, draw};
use crate::circuit::board::Board;
use crate::rules::Rules;
use crate::rules::parts::Library;
use crate::text::Source;
use std::io::Write;
use std::path::Path;

/// Checks done on each unit that is drawn from the rules.
const CHECKS: usize = 8;

/// Draws units from the rules alone.
///
/// # Errors
/// When the folder holds something already or can't be written.
pub fn of_rules(
    args: &Args,
    count: usize,
    folder: &Path,
    rules: &Rules,
    screen: &mut Screen<'_>,
) -> Result<(), Failure> {
    empty(folder)?;
    let simulation =
        Simulation { seed: args.seed(), checks: CHECKS, pick: Pick::Near, history: args.history };
    let bar = progress(screen, count as u64, "cards");
    for number in 1..=count {
        let text = card(rules, &draw(rules, &simulation, number as u64), number as u64);
        write(folder, number, &text)?;
        bar.inc(1);
    }
    bar.finish_and_clear();
    screen.say(&format!("{count} cards drawn from the rules into {}", quoted(&folder.display().to_string())))
}

/// Plays units of a board; the board is put beside the cards.
///
/// # Errors
/// When the folder holds something already or can't be written; as the drill.
pub fn of_board(
    drill: &Drill,
    source: &Source,
    folder: &Path,
    rules: &Rules,
    screen: &mut Screen<'_>,
) -> Result<(), Failure> {
    let board = Board::load(source, &Library::builtin()?)?;
    empty(folder)?;
    let stem = Path::new(&source.name).file_stem().map_or("board".into(), |s| s.to_string_lossy());
    let path = format!("boards/{stem}.yaml");
    let clerk = Clerk::new(rules, &board, &path, &drill.setting)?;
    let bar = progress(screen, drill.games as u64, "cards");
    let games = drill::games(rules, &board, drill, &|| bar.inc(1));
    bar.finish_and_clear();
    let failed = |e: std::io::Error| Failure::System(format!("{}: can't write: {e}", folder.display()));
    std::fs::create_dir_all(folder.join("boards")).map_err(failed)?;
    fresh(&folder.join(&path), &source.text).map_err(failed)?;
    let games = games?;
    for (number, game) in games.iter().flatten().enumerate() {
        write(folder, number + 1, &clerk.card(&board, game, number + 1))?;
    }
    screen.say(&format!(
        "{} cards of {} played into {}",
        games.len(),
        board.name(),
        quoted(&folder.display().to_string())
    ))
}

/// Makes the folder, or finds it empty.
fn empty(folder: &Path) -> Result<(), Failure> {
    let failed = |e: std::io::Error| Failure::System(format!("{}: can't write: {e}", folder.display()));
    if std::fs::metadata(folder).is_ok_and(|m| !m.is_dir()) {
        return Err(Failure::Input(format!("{} is no folder; name one for the cards", folder.display())));
    }
    std::fs::create_dir_all(folder).map_err(failed)?;
    match std::fs::read_dir(folder).map_err(failed)?.next() {
        None => Ok(()),
        Some(_) => Err(Failure::Input(format!("{}: the folder is not empty", folder.display()))),
    }
}

/// Drawn cards can be drawn again: no need to sync each to disk.
fn write(folder: &Path, number: usize, text: &str) -> Result<(), Failure> {
    let path = folder.join(format!("drill-{number:06}.yaml"));
    fresh(&path, text).map_err(|e| Failure::System(format!("{}: can't write: {e}", path.display())))
}

/// Writes a file that must not be there.
fn fresh(path: &Path, text: &str) -> std::io::Result<()> {
    std::fs::File::create_new(path)?.write_all(text.as_bytes())
}
