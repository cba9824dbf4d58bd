//! `halfsplit cases report`.

use super::learn::{left_out, progress, threads};
use super::output::{self, Form};
use super::screen::{Failure, Screen};
use super::target::yaml_files;
use crate::cases::report::report;
use crate::rules::Rules;
use std::path::PathBuf;

/// Reports on resolved cards: what fails, how long it takes, how far the probabilities hold, what surprised the rules
#[derive(Debug, clap::Args)]
#[command(
    after_help = "Examples:\n  halfsplit cases report cases/\n  halfsplit cases report cases/ --format html -o bench.html"
)]
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
    /// Replace a file that is there, whoever wrote it; never a card, board, pack, shop or template
    #[arg(long, requires = "output")]
    force: bool,
    /// Threads that share the judging; the report does not depend on it [default: one a core]
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u16).range(1..=64))]
    threads: Option<u16>,
}

/// Runs the command.
///
/// # Errors
/// When a folder can't be read, no card is resolved, or the report can't be written.
pub fn run(args: &Args, rules: &Rules, screen: &mut Screen<'_>) -> Result<(), Failure> {
    if let Some(path) = &args.output {
        output::check(path, args.force)?;
    }
    let mut files = Vec::new();
    for path in &args.paths {
        files.extend(yaml_files(path)?);
    }
    let bar = progress(screen, files.len() as u64, "cards");
    let report = report(rules, &files, threads(args.threads), &|| bar.inc(1));
    bar.finish_and_clear();
    for left in &report.left_out {
        screen.say(&left_out(&left.file, &left.reason))?;
    }
    if report.cards == 0 {
        return Err(Failure::Input("no resolved card to report on".into()));
    }
    if screen.json {
        return screen.document(&report);
    }
    let (text, form) = match args.format.as_str() {
        "html" => (report.html(), Form::Html),
        "md" => (report.markdown(), Form::Markdown),
        _ => (report.text(), Form::Text),
    };
    match &args.output {
        Some(path) => output::write(path, &text, form, args.force, screen),
        None => screen.text(&text),
    }
}
