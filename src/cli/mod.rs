//! The command line: one file a command, each of them arguments → library call → text → exit code.
//!
//! Answers go to stdout, talk goes to stderr. With `--json` a command prints one JSON document. Exit codes: 0 done,
//! 1 the input is at fault, 2 usage, 3 the system failed.

use clap::{CommandFactory, Parser, Subcommand};

use crate::text::inert::{self, Inert};
use std::path::PathBuf;

mod asking;
mod bench;
mod board;
mod cases;
mod coverage;
mod drawn;
mod drill;
mod heard;
mod input;
mod jobs;
mod learn;
mod manual;
mod next;
mod note;
mod open;
mod output;
mod report;
pub mod rules;
mod screen;
mod set;
mod sheet;
mod show;
mod summary;
mod suspects;
mod target;
mod whatif;
mod why;

pub use screen::{ErrorDocument, Failure, Screen, clock, document, wrap};

/// What `halfsplit` alone says.
const FIRST: &str = "\
halfsplit finds the fault in small audio electronics: pedals, echoes, fuzz, LFO effects.

  halfsplit bench                          begin: it asks what is on the bench
  halfsplit bench job.yaml                 go on with a job
  halfsplit bench --example silent-build   try it; nothing is saved
  halfsplit --help                         every command

Low voltage only. Mains and valve high voltage belong to a licensed technician.
";

/// Finds the fault in small audio electronics: asks, ranks suspects, proposes the next cheapest check
#[derive(Debug, Parser)]
#[command(name = "halfsplit", version, about, max_term_width = 100)]
#[command(
    after_help = "A first look, without any file of your own:\n  halfsplit bench --example silent-build\n\
    A job of your own:\n  halfsplit open lantern.yaml --history fresh-build --complaint \"no sound\"\n  halfsplit bench lantern.yaml\n\
    Exit codes: 0 done, 1 the input is at fault, 2 usage, 3 the system failed."
)]
pub struct Cli {
    /// Also load the rule packs in this file or folder, after the built-in ones (may be given again)
    #[arg(long, global = true, value_name = "PATH")]
    rules: Vec<PathBuf>,
    /// Leave the built-in packs out; only those of --rules count
    #[arg(long, global = true)]
    bare: bool,
    /// Print one JSON document instead of text
    #[arg(long, global = true)]
    json: bool,
    #[command(subcommand)]
    command: Option<Command>,
}

#[derive(Debug, Subcommand)]
enum Command {
    Open(open::Args),
    Bench(bench::Args),
    Next(next::Args),
    Suspects(suspects::Args),
    Why(why::Args),
    Note(note::NoteArgs),
    Show(show::ShowArgs),
    Set(set::SetArgs),
    Strike(note::StrikeArgs),
    Undo(set::UndoArgs),
    Compare(show::CompareArgs),
    Close(note::CloseArgs),
    Summary(summary::Args),
    Board(board::Args),
    Sheet(sheet::SheetArgs),
    Whatif(whatif::Args),
    Jobs(jobs::JobsArgs),
    Examples(jobs::ExamplesArgs),
    Drill(drill::Args),
    Coverage(coverage::Args),
    Cases(cases::Args),
    Rules(rules::RulesArgs),
    Completions(manual::CompletionsArgs),
    Man(manual::ManArgs),
}

impl Cli {
    /// Runs the command; returns the exit code.
    ///
    /// Whatever a command says passes a writer that lets no control or direction character through, wherever it comes from. With
    /// `--json` there is one document on stdout whatever happens: the answer, or what is wrong.
    pub fn run(&self, screen: &mut Screen<'_>) -> u8 {
        screen.json = self.json;
        let (mut out, mut err) = (Inert::new(&mut *screen.out), Inert::new(&mut *screen.err));
        let mut inner = Screen {
            out: &mut out,
            err: &mut err,
            width: screen.width,
            json: screen.json,
            styled: screen.styled,
            now: screen.now.clone(),
        };
        let done = self.dispatch(&mut inner);
        let answered = out.has_written();
        match done {
            Ok(()) => 0,
            Err(failure) => {
                // Where the streams are gone too, the exit code is all that is left to say it with.
                if let (true, false, Some(wrong)) = (self.json, answered, ErrorDocument::of(&failure)) {
                    let _ = document(screen.out, &wrong);
                }
                let _ = report(&failure, screen);
                failure.code()
            }
        }
    }

    fn dispatch(&self, screen: &mut Screen<'_>) -> Result<(), Failure> {
        let Some(command) = &self.command else {
            return screen.text(FIRST);
        };
        if self.bare && self.rules.is_empty() {
            return Err(Failure::Usage(
                "--bare leaves the built-in packs out; name others with --rules PATH".into(),
            ));
        }
        match command {
            Command::Completions(args) => return manual::completions(args, Cli::command(), screen),
            Command::Man(args) => return manual::man(args, Cli::command(), screen),
            _ => {}
        }
        if let Command::Rules(args) = command {
            let args = rules::RulesArgs {
                more: self.rules.clone(),
                bare: self.bare,
                json: self.json,
                ..args.clone()
            };
            return match rules::run(&args, screen.width, screen.out, screen.err)? {
                0 => Ok(()),
                code => Err(Failure::Told(code)),
            };
        }
        match command {
            Command::Sheet(args) => return sheet::sheet(args, screen),
            Command::Jobs(args) => return jobs::jobs(args, screen),
            Command::Examples(_) => return jobs::examples(screen),
            Command::Whatif(args) => return whatif::run(args, screen),
            Command::Board(args) if !args.needs_rules() => return board::run(args, screen),
            _ => {}
        }
        let rules = &target::rules(&self.rules, self.bare)?;
        match command {
            Command::Open(args) => open::run(args, rules, screen),
            Command::Bench(args) => bench::run(args, rules, screen),
            Command::Next(args) => next::run(args, rules, screen),
            Command::Suspects(args) => suspects::run(args, rules, screen),
            Command::Why(args) => why::run(args, rules, screen),
            Command::Note(args) => note::note(args, rules, screen),
            Command::Strike(args) => note::strike(args, rules, screen),
            Command::Show(args) => show::show(args, rules, screen),
            Command::Set(args) => set::set(args, rules, screen),
            Command::Undo(args) => set::undo(args, rules, screen),
            Command::Compare(args) => show::compare(args, rules, screen),
            Command::Close(args) => note::close(args, rules, screen),
            Command::Summary(args) => summary::run(args, rules, screen),
            Command::Board(args) => board::run_with(args, rules, screen),
            Command::Coverage(args) => coverage::run(args, rules, screen),
            Command::Drill(args) => drill::run(args, rules, screen),
            Command::Cases(args) => cases::run(args, rules, screen),
            Command::Rules(_)
            | Command::Sheet(_)
            | Command::Whatif(_)
            | Command::Jobs(_)
            | Command::Examples(_)
            | Command::Completions(_)
            | Command::Man(_) => Ok(()),
        }
    }
}

fn report(failure: &Failure, screen: &mut Screen<'_>) -> std::io::Result<()> {
    match failure {
        Failure::ReaderGone | Failure::Told(_) => Ok(()),
        // Made harmless where it is drawn: the colours are ours.
        Failure::Complaints(complaints) => write!(screen.err, "{}", complaints.render(screen.styled)),
        other => writeln!(screen.err, "halfsplit: {}", inert::text(&other.to_string())),
    }
}

fn strings(value: &clap::error::ContextValue) -> &[String] {
    use clap::error::ContextValue::{String, Strings};
    match value {
        String(one) => std::slice::from_ref(one),
        Strings(all) => all,
        _ => &[],
    }
}

/// What is said of a command line that can't be understood, or of a question about it; returns the exit code.
pub fn usage(e: &clap::Error, json: bool, out: &mut dyn std::io::Write, err: &mut dyn std::io::Write) -> u8 {
    const USAGE: u8 = 2;
    // Colours are ours; what was typed stands on one line, without control characters.
    let mut shown = e.render().ansi().to_string();
    for typed in e.context().flat_map(|(_, value)| strings(value)) {
        shown = shown.replace(typed, &inert::text(typed));
    }
    let plain = anstream::adapter::strip_str(&shown).to_string();
    let clean = inert::lines(&plain);
    if clean != plain {
        shown.clone_from(&clean);
    }
    if !e.use_stderr() {
        // Where the stream is gone there is nobody to tell.
        let _ = write!(out, "{shown}");
        return 0;
    }
    if json {
        let _ = document(out, &ErrorDocument::new(USAGE, clean.trim().to_string()));
    }
    let _ = write!(err, "{shown}");
    USAGE
}
