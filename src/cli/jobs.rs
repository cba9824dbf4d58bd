//! `halfsplit jobs`, `halfsplit examples`.

use super::screen::{Failure, Screen, wrap};
use super::target::{is_card, quoted, yaml_files};
use crate::cases;
use crate::job::{JobCard, store};
use crate::text::{Source, parse};
use serde::Serialize;
use std::path::PathBuf;

/// Lists the job cards of a folder by state
#[derive(Debug, clap::Args)]
#[command(after_help = "Examples:\n  halfsplit jobs\n  halfsplit jobs bench/ --json")]
pub struct JobsArgs {
    /// The folder; the one you are in where none is named
    #[arg(value_name = "DIR", default_value = ".")]
    folder: PathBuf,
}

/// Lists the built-in job cards and boards that --example takes
#[derive(Debug, clap::Args)]
#[command(
    after_help = "Examples:\n  halfsplit examples\n  halfsplit bench --example silent-build\n  halfsplit sheet --example tin-lantern"
)]
pub struct ExamplesArgs {}

/// A card in a list.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct JobRow {
    /// Its file, or its name for a built-in one.
    pub job: String,
    /// `open`, `closed`, `out-of-scope` or `unreadable`.
    pub state: String,
    /// What is on the bench.
    pub unit: String,
    /// Whose it is.
    pub owner: Option<String>,
    /// The complaint in the owner's words, or the symptoms.
    pub complaint: String,
    /// Findings that count.
    pub findings: usize,
    /// The last time on the card, RFC 3339.
    pub last: Option<String>,
    /// What is wrong with it, for one that can't be read.
    pub problem: Option<String>,
}

/// Cards by state.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct JobList {
    /// The cards: open ones first, in each state by their file's name.
    pub jobs: Vec<JobRow>,
}

/// A built-in board in a list.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct BoardRow {
    /// Its name for `--example`.
    pub board: String,
    /// What it is.
    pub says: String,
}

/// What is built in.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct ExampleList {
    /// Job cards.
    pub jobs: Vec<JobRow>,
    /// Boards.
    pub boards: Vec<BoardRow>,
}

fn row(name: String, source: &Source) -> Option<JobRow> {
    match JobCard::read(source) {
        Ok(job) => {
            let card = &job.card;
            let state = match (&card.outcome, card.declined()) {
                (Some(_), _) => "closed",
                (None, Some(_)) => "out-of-scope",
                (None, None) => "open",
            };
            let complaint = card.complaint.as_ref();
            let symptoms = || -> Vec<&str> {
                complaint.iter().flat_map(|c| &c.symptoms).map(|s| s.value.as_str()).collect()
            };
            let words = complaint.and_then(|c| c.words.clone()).unwrap_or_else(|| symptoms().join(", "));
            let times = card.findings.iter().filter_map(|f| f.at.clone()).chain(card.received.clone());
            let times = times.chain(card.outcome.as_ref().and_then(|o| o.at.clone()));
            Some(JobRow {
                job: name,
                state: state.into(),
                unit: card.unit.value.clone(),
                owner: card.owner.clone(),
                complaint: words,
                findings: card.standing().count(),
                last: times.max(),
                problem: None,
            })
        }
        Err(complaints) => {
            // A board, a shop's settings or a pack in the same folder is no card, and none that is broken.
            is_card(source).then(|| JobRow {
                job: name,
                state: "unreadable".into(),
                unit: String::new(),
                owner: None,
                complaint: String::new(),
                findings: 0,
                last: None,
                problem: complaints.0.first().map(ToString::to_string),
            })
        }
    }
}

const STATES: [(&str, &str); 4] = [
    ("open", "Open"),
    ("closed", "Closed"),
    ("out-of-scope", "Out of scope"),
    ("unreadable", "Can't be read"),
];

fn by_state(row: &JobRow) -> usize {
    STATES.iter().position(|(state, _)| *state == row.state).unwrap_or(STATES.len())
}

/// Runs `jobs`.
///
/// # Errors
/// When the folder can't be read.
pub fn jobs(args: &JobsArgs, screen: &mut Screen<'_>) -> Result<(), Failure> {
    if !args.folder.is_dir() {
        let folder = args.folder.display();
        return Err(Failure::Input(format!(
            "{folder}: there is no such folder; name one with job cards in it"
        )));
    }
    let mut rows: Vec<JobRow> = Vec::new();
    for file in yaml_files(&args.folder)? {
        let shown = file.strip_prefix(".").unwrap_or(&file).display().to_string();
        match store::read(&file) {
            Ok(source) => rows.extend(row(shown, &source)),
            Err(e) => screen.say(&e.to_string())?,
        }
    }
    rows.sort_by_key(by_state);
    let list = JobList { jobs: rows };
    if screen.json {
        return screen.document(&list);
    }
    if list.jobs.is_empty() {
        let words = "No job card here. 'halfsplit open lantern.yaml' makes one, 'halfsplit examples' lists those built in.";
        return screen.text(&wrap(words, screen.width, "", ""));
    }
    let mut out = String::new();
    for (state, title) in STATES {
        let of: Vec<&JobRow> = list.jobs.iter().filter(|r| r.state == state).collect();
        if of.is_empty() {
            continue;
        }
        out += &format!("{}{title}\n", if out.is_empty() { "" } else { "\n" });
        for row in of {
            out += &lines(row, screen.width);
        }
    }
    screen.text(&out)
}

fn lines(row: &JobRow, width: usize) -> String {
    if let Some(problem) = &row.problem {
        return wrap(problem, width, "  ", "    ");
    }
    let owner = row.owner.as_ref().map(|o| format!(", {o}")).unwrap_or_default();
    let mut out = wrap(&format!("{}: {}{owner}", quoted(&row.job), row.unit), width, "  ", "    ");
    let findings = match row.findings {
        0 => "nothing found yet".into(),
        1 => "1 finding".to_owned(),
        n => format!("{n} findings"),
    };
    let last = row
        .last
        .as_ref()
        .map(|at| format!(", last {}", at.chars().take(10).collect::<String>()))
        .unwrap_or_default();
    let words = if row.complaint.is_empty() { String::new() } else { format!("\"{}\"; ", row.complaint) };
    out += &wrap(&format!("{words}{findings}{last}"), width, "    ", "    ");
    out
}

/// Runs `examples`.
///
/// # Errors
/// When a built-in file is at fault; a test keeps that from happening.
pub fn examples(screen: &mut Screen<'_>) -> Result<(), Failure> {
    let mut jobs: Vec<JobRow> = Vec::new();
    for name in cases::examples() {
        jobs.extend(row(name.to_owned(), &cases::example(name)?));
    }
    let mut boards = Vec::new();
    for name in cases::boards() {
        let document = parse(&cases::board_example(name)?)?;
        let text = |key: &str| match document.root.get(key).map(|n| &n.value) {
            Some(crate::text::Value::Scalar(s)) => s.text.clone(),
            _ => String::new(),
        };
        boards.push(BoardRow {
            board: name.replace('_', "-"),
            says: format!("{}: {}", text("board"), text("says")),
        });
    }
    let list = ExampleList { jobs, boards };
    if screen.json {
        return screen.document(&list);
    }
    let width = screen.width;
    let mut out = wrap(
        "Job cards, for: halfsplit bench --example NAME (or next, suspects, why, show, summary)",
        width,
        "",
        "  ",
    );
    for row in &list.jobs {
        let complaint =
            if row.complaint.is_empty() { String::new() } else { format!(": \"{}\"", row.complaint) };
        let state =
            if row.state == "open" { String::new() } else { format!(" [{}]", row.state.replace('-', " ")) };
        out += &wrap(&format!("{}{state}{complaint}", row.job), width, "  ", "      ");
    }
    out.push('\n');
    out += &wrap("Boards, for: halfsplit sheet --example NAME (or whatif, drill, coverage)", width, "", "  ");
    for row in &list.boards {
        out += &wrap(&format!("{}: {}", row.board, row.says), width, "  ", "      ");
    }
    screen.text(&out)
}

#[cfg(test)]
mod tests {
    #[test]
    fn the_committed_schemas_say_what_the_types_say() {
        crate::rules::assert_output_schema::<super::JobList>("jobs");
        crate::rules::assert_output_schema::<super::ExampleList>("examples");
    }
}
