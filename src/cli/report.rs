//! `halfsplit cases report`.

use super::learn::progress;
use super::screen::{Failure, Screen};
use super::target::yaml_files;
use crate::cases::report::report;
use crate::job::store;
use crate::rules::Rules;
use std::path::PathBuf;

/// Reports on resolved cards: what fails, how long it takes, how far the probabilities hold, what surprised the rules
#[derive(Debug, clap::Args)]
#[command(after_help = "Example:\n  halfsplit cases report cases/ --format html -o bench.html")]
pub struct Args {
    /// Cards, or folders of cards
    #[arg(required = true)]
    paths: Vec<PathBuf>,
    /// Form of the report
    #[arg(long, value_name = "FORM", default_value = "text", value_parser = ["text", "md", "html"])]
    format: String,
    /// Write it here (stdout where it isn't said)
    #[arg(short, long, value_name = "FILE")]
    output: Option<PathBuf>,
}

/// Runs the command.
///
/// # Errors
/// When a folder can't be read, no card is resolved, or the report can't be written.
pub fn run(args: &Args, rules: &Rules, screen: &mut Screen<'_>) -> Result<(), Failure> {
    let mut files = Vec::new();
    for path in &args.paths {
        files.extend(yaml_files(path)?);
    }
    let bar = progress(screen, files.len() as u64, "cards");
    let report = report(rules, &files, &|| bar.inc(1));
    bar.finish_and_clear();
    for skipped in report.skipped() {
        screen.say(&format!("{}: left out: {}", skipped.file, skipped.reason))?;
    }
    if report.cards == 0 {
        return Err(Failure::Input("no resolved card to report on".into()));
    }
    if screen.json {
        return screen.document(&report);
    }
    let text = if args.format == "html" { report.html() } else { report.markdown() };
    match &args.output {
        Some(path) => Ok(store::replace(path, &text)?),
        None => screen.text(&text),
    }
}
