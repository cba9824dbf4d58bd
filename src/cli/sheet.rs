//! `halfsplit sheet` and `halfsplit whatif`.

use super::screen::{Failure, Screen};
use super::target;
use crate::circuit::predict::{Bench, PredictError};
use crate::circuit::sheet;
use crate::text::inert;
use clap::ValueEnum;
use serde::Serialize;
use std::ffi::OsString;
use std::path::{Path, PathBuf};

/// How a page is written.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
pub enum PageFormat {
    /// Plain text.
    Text,
    /// Markdown.
    Md,
}

/// Prints the healthy readings of a board, power-off part first
#[derive(Debug, clap::Args)]
#[command(
    after_help = "Examples:\n  halfsplit sheet my-board.yaml\n  halfsplit sheet --example tin-lantern --format md"
)]
pub struct SheetArgs {
    /// The board file
    #[arg(value_name = "BOARD", required_unless_present = "example")]
    board: Option<PathBuf>,
    /// Use a built-in board instead
    #[arg(long, value_name = "NAME", conflicts_with = "board")]
    example: Option<String>,
    /// text or md
    #[arg(long, value_name = "F", default_value = "text")]
    format: PageFormat,
}

/// Prints a board's readings with faults in, beside the healthy ones; what differs is marked
#[derive(Debug, clap::Args)]
#[command(
    after_help = "Examples:\n  halfsplit whatif my-board.yaml C7:short\n  halfsplit whatif --example tin-lantern U1:turned R3:open\n  halfsplit whatif my-board.yaml --list"
)]
pub struct WhatifArgs {
    /// The board file (left out with --example), then the faults as PART:MODE
    #[arg(value_name = "BOARD FAULT")]
    names: Vec<OsString>,
    /// Use a built-in board instead
    #[arg(long, value_name = "NAME")]
    example: Option<String>,
    /// List the faults that the board can have
    #[arg(long)]
    list: bool,
    /// text or md
    #[arg(long, value_name = "F", default_value = "text")]
    format: PageFormat,
}

/// What `whatif --list --json` prints.
#[derive(Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
struct FaultList<'a> {
    /// The board's name.
    board: &'a str,
    /// The faults that it can have, by id.
    faults: Vec<FaultLine<'a>>,
}

/// A fault that a board can have.
#[derive(Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
struct FaultLine<'a> {
    /// Its id.
    id: &'a str,
    /// What would be wrong.
    says: &'a str,
}

/// Runs `sheet`.
///
/// # Errors
/// When the board is at fault or can't be read.
pub fn sheet(args: &SheetArgs, screen: &mut Screen<'_>) -> Result<(), Failure> {
    let board = target::board(args.board.as_deref(), args.example.as_deref())?;
    let page = sheet::sheet(&board, &Bench::default()).map_err(unsettled)?;
    if screen.json {
        return screen.document(&page);
    }
    screen.text(&match args.format {
        PageFormat::Text => page.to_text(),
        PageFormat::Md => page.to_markdown(),
    })
}

/// Runs `whatif`.
///
/// # Errors
/// When the board is at fault, has no such fault, or can't be read.
pub fn whatif(args: &WhatifArgs, screen: &mut Screen<'_>) -> Result<(), Failure> {
    let (path, faults) = match (&args.example, args.names.split_first()) {
        (Some(_), _) => (None, args.names.as_slice()),
        (None, Some((path, faults))) => (Some(Path::new(path)), faults),
        (None, None) => return Err(Failure::Usage("name a board file, or --example NAME".into())),
    };
    let board = target::board(path, args.example.as_deref())?;
    if args.list {
        let faults = board.faults().iter().map(|f| FaultLine { id: &f.id, says: &f.says }).collect();
        let list = FaultList { board: board.name(), faults };
        if screen.json {
            return screen.document(&list);
        }
        let line = |f: &FaultLine<'_>| format!("{:<22} {}\n", f.id, inert::text(f.says));
        return screen.text(&list.faults.iter().map(line).collect::<String>());
    }
    if faults.is_empty() {
        return Err(Failure::Usage("name at least one fault such as R3:open, or --list".into()));
    }
    let faults: Vec<&str> = faults.iter().map(|f| target::words(f)).collect::<Result<_, _>>()?;
    let page = sheet::whatif(&board, &faults, &Bench::default()).map_err(unsettled)?;
    if screen.json {
        return screen.document(&page);
    }
    screen.text(&match args.format {
        PageFormat::Text => page.to_text(),
        PageFormat::Md => page.to_markdown(),
    })
}

fn unsettled(e: PredictError) -> Failure {
    Failure::Input(e.to_string())
}

#[cfg(test)]
mod tests {
    #[test]
    fn the_committed_schema_says_what_the_type_says() {
        crate::rules::assert_output_schema::<super::FaultList<'static>>("whatif-list");
    }
}
