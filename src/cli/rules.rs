//! `halfsplit rules check|list|show|schema`.

use crate::rules::{self, Rules};
use crate::text::{Complaint, Complaints, Source, or_nearest};
use serde::Serialize;
use std::io::{self, Write};
use std::path::{Path, PathBuf};

/// Exit code: done.
pub const DONE: u8 = 0;
/// Exit code: the input is at fault.
pub const AT_FAULT: u8 = 1;
/// Exit code: the system failed.
pub const SYSTEM: u8 = 3;

/// Check, list, show and describe the rules.
#[derive(Clone, Debug, clap::Args)]
pub struct RulesArgs {
    /// What to do with them
    #[command(subcommand)]
    pub command: Command,
    /// A pack, or a folder of packs, to read after the built-in ones; may be repeated
    #[arg(skip)]
    pub more: Vec<PathBuf>,
    /// Leave the built-in packs out
    #[arg(long, global = true)]
    pub bare: bool,
    /// Print one JSON document
    #[arg(skip)]
    pub json: bool,
}

/// What to do with the rules.
#[derive(Clone, Debug, clap::Subcommand)]
pub enum Command {
    /// Find every mistake in the packs
    Check,
    /// List symptoms, faults, conditions, checks and remedies
    List {
        /// Only items of this kind
        #[arg(long, value_name = "KIND", value_parser = ["symptom", "fault", "condition", "check", "remedy"])]
        kind: Option<String>,
    },
    /// Explain one item, or one pack
    Show {
        /// Its id
        id: String,
    },
    /// Print a JSON Schema, or the names of all
    Schema {
        /// Which one, such as `pack`
        name: Option<String>,
    },
}

/// Runs the command; returns the exit code.
///
/// # Errors
/// When `out` or `err` can't be written.
pub fn run(args: &RulesArgs, out: &mut dyn Write, err: &mut dyn Write) -> io::Result<u8> {
    if let Command::Schema { name } = &args.command {
        return schema(args, name.as_deref(), out, err);
    }
    let sources = match sources(args) {
        Ok(sources) => sources,
        Err(Trouble::Input(complaints)) => return complain(args, &complaints, out, err),
        Err(Trouble::System(message)) => {
            writeln!(err, "error: {message}")?;
            return Ok(SYSTEM);
        }
    };
    let rules = match Rules::load(&sources) {
        Ok(rules) => rules,
        Err(complaints) => return complain(args, &complaints, out, err),
    };
    match &args.command {
        Command::Check | Command::Schema { .. } => report(args, &rules, out),
        Command::List { kind } => list(args, &rules, kind.as_deref(), out),
        Command::Show { id } => show(args, &rules, id, out, err),
    }
}

fn list(args: &RulesArgs, rules: &Rules, kind: Option<&str>, out: &mut dyn Write) -> io::Result<u8> {
    let mut list = rules.list();
    list.items.retain(|item| kind.is_none_or(|k| k == item.kind));
    if args.json {
        print_json(out, &list)?;
        return Ok(DONE);
    }
    let wide = list.items.iter().map(|i| i.id.len()).max().unwrap_or(0);
    for item in &list.items {
        writeln!(out, "{:<wide$}  {:<9}  {}", item.id, item.kind, item.says)?;
    }
    Ok(DONE)
}

fn show(args: &RulesArgs, rules: &Rules, id: &str, out: &mut dyn Write, err: &mut dyn Write) -> io::Result<u8> {
    match rules.show(id) {
        Ok(sheet) if args.json => print_json(out, &sheet)?,
        Ok(sheet) => write!(out, "{}", sheet.text())?,
        Err(e) => {
            writeln!(err, "error: {e}")?;
            return Ok(AT_FAULT);
        }
    }
    Ok(DONE)
}

fn schema(args: &RulesArgs, name: Option<&str>, out: &mut dyn Write, err: &mut dyn Write) -> io::Result<u8> {
    let Some(name) = name else {
        let names: Vec<_> = rules::schemas().map(|(name, _)| name).collect();
        if args.json {
            print_json(out, &serde_json::json!({ "schemas": names }))?;
        } else {
            names.iter().try_for_each(|name| writeln!(out, "{name}"))?;
        }
        return Ok(DONE);
    };
    match rules::schemas().find(|(n, _)| *n == name) {
        Some((_, text)) => {
            write!(out, "{text}")?;
            Ok(DONE)
        }
        None => {
            let help = or_nearest(name, rules::schemas().map(|(n, _)| n));
            writeln!(err, "error: no schema is called '{name}'; {help}")?;
            Ok(AT_FAULT)
        }
    }
}

enum Trouble {
    Input(Complaints),
    System(String),
}

fn sources(args: &RulesArgs) -> Result<Vec<Source>, Trouble> {
    let mut sources = if args.bare { Vec::new() } else { rules::builtin_sources() };
    let mut complaints = Complaints::default();
    for path in &args.more {
        for file in files(path).map_err(|e| Trouble::System(format!("can't read {}: {e}", path.display())))? {
            let name = file.display().to_string();
            let bytes =
                std::fs::read(&file).map_err(|e| Trouble::System(format!("can't read {name}: {e}")))?;
            match Source::from_bytes(name, bytes) {
                Ok(source) => sources.push(source),
                Err(e) => complaints.0.extend(e.0),
            }
        }
    }
    complaints.or_ok(sources).map_err(Trouble::Input)
}

/// The file itself, or the `.yaml` files of a folder by name.
fn files(path: &Path) -> io::Result<Vec<PathBuf>> {
    if !path.is_dir() {
        return Ok(vec![path.to_path_buf()]);
    }
    let mut files = Vec::new();
    for entry in std::fs::read_dir(path)? {
        let file = entry?.path();
        if file.extension().is_some_and(|e| e == "yaml" || e == "yml") {
            files.push(file);
        }
    }
    files.sort();
    Ok(files)
}

#[derive(Serialize)]
struct Spot<'a> {
    file: &'a str,
    line: usize,
    column: usize,
}

#[derive(Serialize)]
struct OneComplaint<'a> {
    code: &'a str,
    message: &'a str,
    help: &'a str,
    place: Option<Spot<'a>>,
}

fn complain(
    args: &RulesArgs,
    complaints: &Complaints,
    out: &mut dyn Write,
    err: &mut dyn Write,
) -> io::Result<u8> {
    if args.json {
        let list: Vec<_> = complaints.0.iter().map(one_complaint).collect();
        print_json(out, &serde_json::json!({ "complaints": list }))?;
    }
    write!(err, "{}", complaints.render(false))?;
    let count = complaints.0.len();
    writeln!(err, "{count} complaint{}", if count == 1 { "" } else { "s" })?;
    Ok(AT_FAULT)
}

fn one_complaint(c: &Complaint) -> OneComplaint<'_> {
    let place = c.place.as_ref().map(|p| {
        let (line, column) = p.line_column();
        Spot { file: &p.file.name, line, column }
    });
    OneComplaint { code: c.code, message: &c.message, help: &c.help, place }
}

fn report(args: &RulesArgs, rules: &Rules, out: &mut dyn Write) -> io::Result<u8> {
    let counts = rules.counts();
    if args.json {
        let complaints: [OneComplaint<'_>; 0] = [];
        print_json(out, &serde_json::json!({ "counts": counts, "complaints": complaints }))?;
    } else {
        writeln!(out, "{counts}; 0 complaints")?;
    }
    Ok(DONE)
}

fn print_json<T: Serialize>(out: &mut dyn Write, value: &T) -> io::Result<()> {
    let text = serde_json::to_string_pretty(value).map_err(io::Error::other)?;
    writeln!(out, "{text}")
}
