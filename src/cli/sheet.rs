//! `halfsplit sheet`.

use super::output::{self, Form};
use super::screen::{Failure, Screen};
use super::target::{self, quoted};
use crate::circuit::pinout::part_page;
use crate::circuit::predict::{Bench, PredictError};
use crate::circuit::sheet;
use crate::circuit::wiring::wiring;
use crate::rules::parts::Library;
use crate::text::{Complaint, or_nearest};
use clap::ValueEnum;
use std::path::PathBuf;

/// How a page is written.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
pub enum PageFormat {
    /// Plain text.
    Text,
    /// Markdown.
    Md,
    /// A page for print: of --blank and --wiring.
    Html,
}

/// Prints the healthy readings of a board, one part pin by pin, a table to fill in, or what to tick before the first power
#[derive(Debug, clap::Args)]
#[command(
    after_help = "Examples:\n  halfsplit sheet my-board.yaml\n  halfsplit sheet --example tin-lantern --part IC2          what should pin 6 read?\n  halfsplit sheet --example tin-lantern --blank --format html -o readings.html\n  halfsplit sheet --example tin-lantern --wiring            is it built as drawn?"
)]
pub struct SheetArgs {
    /// The board file
    #[arg(value_name = "BOARD", required_unless_present = "example")]
    board: Option<PathBuf>,
    /// Use a built-in board instead
    #[arg(long, value_name = "NAME", conflicts_with = "board")]
    example: Option<String>,
    /// One part, pin by pin, in the shape of its package
    #[arg(long, value_name = "PART")]
    part: Option<String>,
    /// A table to fill in by hand
    #[arg(long, conflicts_with = "part")]
    blank: bool,
    /// What to tick before the first power: pins that must beep together, neighbours that must not, which way round parts go
    #[arg(long, conflicts_with_all = ["part", "blank"])]
    wiring: bool,
    /// text, md or (with --blank and --wiring) html
    #[arg(long, value_name = "F", default_value = "text")]
    format: PageFormat,
    /// Write it to this file instead of the screen
    #[arg(short = 'o', value_name = "FILE")]
    to: Option<PathBuf>,
    /// Replace a file that is there, whoever wrote it; never a card, board, pack, shop or template
    #[arg(long, requires = "to")]
    force: bool,
}

/// Runs the command.
///
/// # Errors
/// When the board is at fault, has no such part, or a file can't be read or written.
pub fn sheet(args: &SheetArgs, screen: &mut Screen<'_>) -> Result<(), Failure> {
    let board = target::board(args.board.as_deref(), args.example.as_deref())?;
    screen.doubts(&board)?;
    let (library, width) = (Library::builtin()?, if args.to.is_some() { 80 } else { screen.width });
    let no_html = || Failure::Usage("html is for --blank and --wiring; write --format md or text".into());
    let text = if let Some(id) = &args.part {
        let Some(page) = part_page(&board, &library, id, &Bench::default()).map_err(unsettled)? else {
            let help = or_nearest(id, board.parts().iter().map(|p| p.id.as_str()));
            let complaint = Complaint::nowhere("unknown-name", format!("the board has no part '{id}'"));
            return Err(Failure::Complaints(complaint.help(help).into()));
        };
        if screen.json {
            return screen.document(&page);
        }
        match args.format {
            PageFormat::Text => page.to_text(width),
            PageFormat::Md => page.to_markdown(),
            PageFormat::Html => return Err(no_html()),
        }
    } else if args.wiring {
        let page = wiring(&board, &library);
        if screen.json {
            return screen.document(&page);
        }
        match args.format {
            PageFormat::Text => page.to_text(width),
            PageFormat::Md => page.to_markdown(),
            PageFormat::Html => page.to_html(),
        }
    } else {
        let mut page = sheet::sheet(&board, &Bench::default()).map_err(unsettled)?;
        if !args.blank {
            page = page.listened(&board).map_err(unsettled)?;
        }
        if screen.json {
            return screen.document(&page);
        }
        match (args.blank, args.format) {
            (true, PageFormat::Text) => page.blank_text(width),
            (true, PageFormat::Md) => page.blank_markdown(),
            (true, PageFormat::Html) => page.blank_html(),
            (false, PageFormat::Text) => page.to_text(width),
            (false, PageFormat::Md) => page.to_markdown(),
            (false, PageFormat::Html) => return Err(no_html()),
        }
    };
    match &args.to {
        None => screen.text(&text),
        Some(path) => {
            let form = match args.format {
                PageFormat::Text => Form::Text,
                PageFormat::Md => Form::Markdown,
                PageFormat::Html => Form::Html,
            };
            output::write(path, &text, form, args.force, screen)?;
            screen.say(&format!("Written: {}", quoted(&path.display().to_string())))
        }
    }
}

pub(super) fn unsettled(e: PredictError) -> Failure {
    Failure::Input(e.to_string())
}
