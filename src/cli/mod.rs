//! The command line: one file a command, each of them arguments → library call → text → exit code.
//!
//! Answers go to stdout, talk goes to stderr. With `--json` a command prints one JSON document.

use clap::{Parser, Subcommand};
use std::path::PathBuf;

mod screen;
pub use screen::{Failure, Screen};

/// Finds the fault in small audio electronics: asks, ranks suspects, proposes the next cheapest check.
#[derive(Debug, Parser)]
#[command(name = "halfsplit", version, about, long_about = None, max_term_width = 100)]
pub struct Cli {
    /// Also load the rule packs in this file or folder (may be given again; later ones win).
    #[arg(long, global = true, value_name = "PATH")]
    pub rules: Vec<PathBuf>,
    /// Print one JSON document instead of text.
    #[arg(long, global = true)]
    pub json: bool,
    #[command(subcommand)]
    command: Option<Command>,
}
#[derive(Debug, Subcommand)]
enum Command {}
