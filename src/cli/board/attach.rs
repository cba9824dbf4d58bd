//! `halfsplit board attach`.

use crate::circuit::board::Board;
use crate::cli::next::{leading, step};
use crate::cli::screen::{Failure, Screen, wrap};
use crate::cli::target::{JobArg, PATIENCE, hold};
use crate::job::store;
use crate::job::{Diagnosis, JobCard};
use crate::rules::Rules;
use crate::rules::parts::Library;
use std::path::{Path, PathBuf};

/// Puts a board on a job, also on one that is under way: what was found before still counts
#[derive(Debug, clap::Args)]
#[command(after_help = "Example:\n  halfsplit board attach job.yaml lantern-board.yaml")]
pub struct Args {
    /// The job card
    job: PathBuf,
    /// The board file, as seen from here
    board: PathBuf,
}

/// Runs the command.
///
/// # Errors
/// When the board or the card is at fault, or the card can't be changed.
pub fn run(args: &Args, rules: &Rules, screen: &mut Screen<'_>) -> Result<(), Failure> {
    let board = Board::load(&store::read(&args.board)?, &Library::builtin()?)?;
    screen.doubts(&board)?;
    let named = from_card(&args.job, &args.board);
    let mut held = hold(&args.job, &screen.now, PATIENCE)?;
    let job = JobCard::read(held.source())?;
    let changed = job.with_board(screen.at().as_deref(), &named)?;
    let diagnosis = Diagnosis::on(rules, changed.clone(), Some(&board))?;
    held.write(changed.text())?;
    drop(held);
    let proposal = diagnosis.next(3)?;
    if screen.json {
        return screen.document(&proposal);
    }
    let width = screen.width;
    let count = changed.card.standing().count();
    let found = match count {
        0 => "Nothing had been found yet.".to_owned(),
        1 => "The finding made before still counts.".to_owned(),
        n => format!("The {n} findings made before still count."),
    };
    let typed = JobArg { job: Some(args.job.clone()), example: None }.typed();
    let page = wrap(&format!("{} is on the job. {found}", board.name()), width, "", "");
    screen.text(&(page + &leading(&diagnosis, 4, width)? + &step(&proposal, Some(&typed), width)))
}

/// The board's path as seen from the card's folder; as it was typed where that can't be told.
fn from_card(card: &Path, board: &Path) -> String {
    let folder = card.parent().filter(|p| !p.as_os_str().is_empty()).unwrap_or(Path::new("."));
    let (Ok(folder), Ok(target)) = (folder.canonicalize(), board.canonicalize()) else {
        return board.display().to_string();
    };
    let (from, to): (Vec<_>, Vec<_>) = (folder.components().collect(), target.components().collect());
    let same = from.iter().zip(&to).take_while(|(a, b)| a == b).count();
    if same == 0 {
        return target.display().to_string();
    }
    let up = std::iter::repeat_n(PathBuf::from(".."), from.len() - same);
    let path: PathBuf = up.chain(to[same..].iter().map(PathBuf::from)).collect();
    // A card is for any system: parts of the path are parted as everywhere.
    path.components().map(|c| c.as_os_str().to_string_lossy().into_owned()).collect::<Vec<_>>().join("/")
}
