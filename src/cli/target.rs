//! What a command works on: a card or a board on disk, or a built-in example.

use super::screen::{Failure, Screen};
use crate::cases;
use crate::circuit::board::Board;
use crate::job::JobCard;
use crate::job::store::{self, Held, StoreError};
use crate::rules::Rules;
use crate::rules::parts::Library;
use crate::text::{Complaint, Source, inert};
use std::ffi::OsStr;
use std::path::{Path, PathBuf};
use std::time::Duration;

/// How long a command waits for any one other that holds the card.
pub const PATIENCE: Duration = Duration::from_secs(8);

/// A job card on disk, or a built-in one.
#[derive(Debug, clap::Args)]
pub struct JobArg {
    /// The job card
    #[arg(value_name = "JOB", required_unless_present = "example")]
    pub job: Option<PathBuf>,
    /// Use a built-in job card instead; nothing is saved
    #[arg(long, value_name = "NAME", conflicts_with = "job")]
    pub example: Option<String>,
}

impl JobArg {
    /// The card as it stands, with its board.
    ///
    /// # Errors
    /// When one of them can't be read or is at fault.
    pub fn load(&self) -> Result<(JobCard, Option<Board>), Failure> {
        let job = JobCard::read(&self.source()?)?;
        let board = board_of(&job, self.job.as_deref())?;
        Ok((job, board))
    }

    fn source(&self) -> Result<Source, Failure> {
        match (&self.job, &self.example) {
            (Some(path), _) => Ok(store::read(path)?),
            (None, Some(name)) => Ok(cases::example(name)?),
            (None, None) => Err(Failure::Usage("name a job card, or --example NAME".into())),
        }
    }

    /// What to type for this card in another command.
    pub fn typed(&self) -> String {
        match (&self.job, &self.example) {
            (Some(path), _) => quoted(&path.display().to_string()),
            (None, Some(name)) => format!("--example {name}"),
            (None, None) => "JOB".into(),
        }
    }

    /// Changes the card: reads it under its lock, applies `change`, writes it. On an example the change is made in
    /// memory only, which is said on stderr.
    ///
    /// # Errors
    /// When the card can't be read, changed or written; it is then as it was.
    pub fn change(
        &self,
        screen: &mut Screen<'_>,
        change: impl FnOnce(&JobCard, Option<&Board>) -> Result<JobCard, Failure>,
    ) -> Result<(JobCard, Option<Board>), Failure> {
        let Some(path) = &self.job else {
            let (job, board) = self.load()?;
            let changed = change(&job, board.as_ref())?;
            screen.say("This is a built-in example: nothing was saved.")?;
            return Ok((changed, board));
        };
        let mut held = hold(path, &screen.now, PATIENCE)?;
        let job = JobCard::read(held.source())?;
        let board = board_of(&job, Some(path))?;
        let changed = change(&job, board.as_ref())?;
        held.write(changed.text())?;
        Ok((changed, board))
    }
}

/// The board that a card names: a path relative to the card, for a built-in card the name of a built-in board.
///
/// # Errors
/// When it can't be read or is at fault.
pub fn board_of(job: &JobCard, card: Option<&Path>) -> Result<Option<Board>, Failure> {
    let Some(named) = &job.card.board else { return Ok(None) };
    let source = match card {
        None => cases::board_example(&named.value)?,
        Some(card) => {
            let path = card.parent().unwrap_or(Path::new("")).join(&named.value);
            store::read(&path).map_err(|e| match e {
                StoreError::Missing { path } => {
                    let message = format!("the card's board '{path}' is not there");
                    let complaint = Complaint::at("no-board", job.document.place(named.span), message);
                    Failure::Complaints(
                        complaint.help("write the path as seen from the card's folder").into(),
                    )
                }
                other => other.into(),
            })?
        }
    };
    Ok(Some(Board::load(&source, &Library::builtin()?)?))
}

/// A board file, or a built-in board.
///
/// # Errors
/// When it can't be read or is at fault.
pub fn board(path: Option<&Path>, example: Option<&str>) -> Result<Board, Failure> {
    Ok(Board::load(&board_source(path, example)?, &Library::builtin()?)?)
}

/// The text of a board file, or of a built-in board.
///
/// # Errors
/// When it can't be read.
pub fn board_source(path: Option<&Path>, example: Option<&str>) -> Result<Source, Failure> {
    match (path, example) {
        (Some(path), _) => Ok(store::read(path)?),
        (None, Some(name)) => Ok(cases::board_example(name)?),
        (None, None) => Err(Failure::Usage("name a board file, or --example NAME".into())),
    }
}

/// Takes a card for changing; waits at most `patience` for any one other holder.
///
/// # Errors
/// When another process holds it, or it can't be read.
pub fn hold(path: &Path, now: &str, patience: Duration) -> Result<Held, Failure> {
    let who = format!("process {} since {now}", std::process::id());
    Ok(Held::open(path, &who, patience)?)
}

/// An argument that is no path.
///
/// # Errors
/// When it is not UTF-8.
pub fn words(argument: &OsStr) -> Result<&str, Failure> {
    let shown = || inert::text(&argument.to_string_lossy());
    argument.to_str().ok_or_else(|| Failure::Usage(format!("'{}' is not valid UTF-8 text", shown())))
}

/// A path as it is typed in a shell.
pub fn quoted(path: &str) -> String {
    let plain = path.chars().all(|c| c.is_alphanumeric() || "/._-+".contains(c));
    if plain {
        return path.into();
    }
    // Control and direction characters as the shell's escapes.
    let hidden = |c: char| c != ' ' && inert::text(&format!("a{c}b")) != format!("a{c}b");
    if !path.contains(hidden) {
        return format!("'{}'", path.replace('\'', "'\\''"));
    }
    let mut out = String::from("$'");
    for c in path.chars() {
        match u32::from(c) {
            code if hidden(c) && code < 0x80 => out += &format!("\\x{code:02x}"),
            code if hidden(c) && code < 0x1_0000 => out += &format!("\\u{code:04x}"),
            code if hidden(c) => out += &format!("\\U{code:08x}"),
            _ if matches!(c, '\'' | '\\') => out.extend(['\\', c]),
            _ => out.push(c),
        }
    }
    out + "'"
}

/// The built-in rules (none of them with `bare`), with the packs of the given files and folders after them.
///
/// # Errors
/// When a pack can't be read or is at fault.
pub fn rules(more: &[PathBuf], bare: bool) -> Result<Rules, Failure> {
    let mut sources = Vec::new();
    for path in more {
        for file in yaml_files(path)? {
            sources.push(store::read(&file)?);
        }
    }
    if bare {
        return Ok(Rules::load(&sources)?);
    }
    Ok(Rules::with_builtin(&sources)?)
}

/// The file itself, or the job cards of a folder by name: boards, packs and settings that lie beside them are passed over, a card
/// that can't be read is not.
///
/// # Errors
/// When the folder or a file in it can't be read.
pub fn cards(path: &Path) -> Result<Vec<PathBuf>, Failure> {
    let mut files = yaml_files(path)?;
    if path.is_dir() {
        let mut kept = Vec::new();
        for file in files {
            if is_card(&store::read(&file)?) {
                kept.push(file);
            }
        }
        files = kept;
    }
    Ok(files)
}

/// Whether a YAML file may be a job card: it has one of a card's own keys, or can't be read at all.
pub fn is_card(source: &Source) -> bool {
    let Ok(document) = crate::text::parse(source) else { return true };
    ["unit", "history", "findings", "complaint"].iter().any(|key| document.root.get(key).is_some())
}

/// The file itself, or the `.yaml` files of a folder by name.
///
/// # Errors
/// When the folder can't be read.
pub fn yaml_files(path: &Path) -> Result<Vec<PathBuf>, Failure> {
    if !path.is_dir() {
        return Ok(vec![path.to_path_buf()]);
    }
    let entries = std::fs::read_dir(path)
        .map_err(|e| Failure::System(format!("{}: can't read: {e}", path.display())))?;
    let mut files: Vec<PathBuf> = entries
        .filter_map(|e| e.ok().map(|e| e.path()))
        .filter(|p| p.extension().is_some_and(|e| e == "yaml" || e == "yml") && p.is_file())
        .collect();
    files.sort();
    Ok(files)
}
