//! `halfsplit whatif`.

use super::screen::{Failure, Screen};
use super::sheet::{PageFormat, unsettled};
use super::target;
use crate::circuit::board::{Board, Change, legs_differ};
use crate::circuit::predict::Bench;
use crate::circuit::sheet::{self, WhatifChange};
use crate::rules::parts::Library;
use crate::text::inert;
use serde::Serialize;
use std::ffi::OsString;
use std::path::Path;

/// Prints a board's readings with faults or other values in, beside the healthy ones; what differs is marked
#[derive(Debug, clap::Args)]
#[command(
    after_help = "Examples:\n  halfsplit whatif my-board.yaml C7:short\n  halfsplit whatif --example tin-lantern U1:turned R3:open\n  halfsplit whatif --example pocket-beacon R4=47k Q1=BC549C\n  halfsplit whatif my-board.yaml VR1=20% main=7V\n  halfsplit whatif my-board.yaml --list"
)]
pub struct Args {
    /// The board file (left out with --example), then faults as PART:MODE and changes as PART=VALUE
    #[arg(value_name = "BOARD FAULT|PART=VALUE")]
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

/// Runs `whatif`.
///
/// # Errors
/// When the board is at fault, has no such fault, or can't be read.
pub fn run(args: &Args, screen: &mut Screen<'_>) -> Result<(), Failure> {
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
        let words = "name at least one fault such as R3:open or change such as R4=47k, or --list";
        return Err(Failure::Usage(words.into()));
    }
    let faults: Vec<&str> = faults.iter().map(|f| target::words(f)).collect::<Result<_, _>>()?;
    let (changes, faults): (Vec<&str>, Vec<&str>) =
        faults.into_iter().partition(|f| f.contains('=') && !f.contains('~'));
    let changes: Vec<Change> = changes
        .iter()
        .filter_map(|c| c.split_once('='))
        .map(|(part, to)| Change { part: part.trim().to_owned(), to: to.trim().to_owned() })
        .collect();
    let library = Library::builtin()?;
    let source = target::board_source(path, args.example.as_deref())?;
    let changed = Board::load_changed(&source, &library, &changes)?;
    let told = changes.iter().map(|c| told(&board, &changed, &library, c)).collect();
    let page = sheet::whatif_changed(&board, &changed, told, &faults, &Bench::default())
        .and_then(|page| page.listened(&board, &changed))
        .map_err(unsettled)?;
    if screen.json {
        return screen.document(&page);
    }
    screen.text(&match args.format {
        PageFormat::Text => page.to_text(screen.width),
        PageFormat::Md => page.to_markdown(),
        PageFormat::Html => return Err(Failure::Usage("whatif has text and md".into())),
    })
}

/// What a change puts in place of what, and what to mind.
fn told(board: &Board, changed: &Board, library: &Library, change: &Change) -> WhatifChange {
    let stands = |b: &Board| {
        let part = b.parts().iter().find(|p| p.id == change.part);
        let turned =
            change.to.ends_with('%').then(|| part?.turn.map(|t| format!("{:.0} %", t * 100.0))).flatten();
        turned.or_else(|| part?.position.clone()).or_else(|| Some(part?.label.clone())).unwrap_or_default()
    };
    let device = |b: &Board| b.parts().iter().find(|p| p.id == change.part).and_then(|p| p.device.clone());
    let note = device(board).zip(device(changed)).and_then(|(old, new)| legs_differ(library, &old, &new));
    WhatifChange { part: change.part.clone(), from: stands(board), to: stands(changed), note }
}

#[cfg(test)]
mod tests {
    #[test]
    fn the_committed_schema_says_what_the_type_says() {
        crate::rules::assert_output_schema::<super::FaultList<'static>>("whatif-list");
    }
}
