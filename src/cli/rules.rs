//! `halfsplit rules check|list|show|schema`.

use super::screen::{ErrorDocument, OneComplaint, document};
use crate::job::store::{self, StoreError};
use crate::rules::parts::Library;
use crate::rules::{self, Counts, Rules};
use crate::text::{Complaints, Source, inert, or_nearest};
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
#[command(
    after_help = "Examples:\n  halfsplit rules check --rules my-pack.yaml\n  halfsplit rules show regulator-turned"
)]
pub struct RulesArgs {
    /// What to do with them
    #[command(subcommand)]
    pub command: Command,
    /// A pack, or a folder of packs, to read after the built-in ones; may be repeated
    #[arg(skip)]
    pub more: Vec<PathBuf>,
    /// Leave the built-in packs out
    #[arg(skip)]
    pub bare: bool,
    /// Print one JSON document
    #[arg(skip)]
    pub json: bool,
}

/// What to do with the rules.
#[derive(Clone, Debug, clap::Subcommand)]
pub enum Command {
    /// Find every mistake in the packs
    #[command(
        after_help = "Examples:\n  halfsplit rules check\n  halfsplit rules check --rules my-pack.yaml"
    )]
    Check,
    #[command(
        after_help = "Examples:\n  halfsplit rules list --kind symptom\n  halfsplit rules list --kind device --json"
    )]
    /// List symptoms, faults, conditions, checks and remedies, and the devices and part kinds of boards
    List {
        /// Only items of this kind
        #[arg(long, value_name = "KIND", value_parser = ["symptom", "fault", "condition", "check", "remedy", "device", "part-kind"])]
        kind: Option<String>,
    },
    #[command(
        after_help = "Examples:\n  halfsplit rules show regulator-turned\n  halfsplit rules show TL072"
    )]
    /// Explain one item, device, part kind or pack
    Show {
        /// Its id, such as `regulator-turned` or `TL072`
        id: String,
    },
    /// Print a JSON Schema, or the names of all
    #[command(
        after_help = "Examples:\n  halfsplit rules schema\n  halfsplit rules schema pack > pack.schema.json"
    )]
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
        Err(Trouble::System(message)) => return fail(args, SYSTEM, message, out, err),
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

/// Says what is wrong, and returns the exit code that goes with it.
fn fail(
    args: &RulesArgs,
    code: u8,
    message: String,
    out: &mut dyn Write,
    err: &mut dyn Write,
) -> io::Result<u8> {
    writeln!(err, "error: {}", inert::text(&message))?;
    if args.json {
        document(out, &ErrorDocument::new(code, message))?;
    }
    Ok(code)
}

fn list(args: &RulesArgs, rules: &Rules, kind: Option<&str>, out: &mut dyn Write) -> io::Result<u8> {
    let mut list = rules.list();
    list.items.extend(library(args).list());
    list.items.retain(|item| kind.is_none_or(|k| k == item.kind));
    if args.json {
        document(out, &list)?;
        return Ok(DONE);
    }
    let wide = list.items.iter().map(|i| i.id.len()).max().unwrap_or(0);
    for item in &list.items {
        writeln!(out, "{:<wide$}  {:<9}  {}", item.id, item.kind, inert::text(&item.says))?;
    }
    Ok(DONE)
}

fn show(
    args: &RulesArgs,
    rules: &Rules,
    id: &str,
    out: &mut dyn Write,
    err: &mut dyn Write,
) -> io::Result<u8> {
    let library = library(args);
    match rules.show(id).or_else(|e| library.show(id).ok_or_else(|| unknown(e, id, rules, &library))) {
        Ok(sheet) if args.json => document(out, &sheet)?,
        Ok(sheet) => write!(out, "{}", sheet.text())?,
        Err(e) => return fail(args, AT_FAULT, e.to_string(), out, err),
    }
    Ok(DONE)
}

/// What boards are made of; nothing where the built-in rules are left out.
fn library(args: &RulesArgs) -> Library {
    if args.bare { Library::default() } else { Library::builtin().unwrap_or_default() }
}

/// The complaint about a name, the nearest one sought among devices and part kinds too.
fn unknown(e: rules::UnknownName, id: &str, rules: &Rules, library: &Library) -> rules::UnknownName {
    let own = rules.list().items;
    let kinds: Vec<&str> = library.kinds().map(|(k, _)| k).collect();
    let names = own.iter().map(|i| i.id.as_str()).chain(library.device_names()).chain(kinds);
    rules::UnknownName { help: or_nearest(id, names), ..e }
}

fn schema(args: &RulesArgs, name: Option<&str>, out: &mut dyn Write, err: &mut dyn Write) -> io::Result<u8> {
    let Some(name) = name else {
        let names: Vec<_> = rules::schemas().map(|(name, _)| name).collect();
        if args.json {
            document(out, &Schemas { schemas: names })?;
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
            fail(args, AT_FAULT, format!("no schema is called '{name}'; {help}"), out, err)
        }
    }
}

/// What `rules schema --json` prints without a name.
#[derive(Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
struct Schemas {
    /// The name of each, for `rules schema NAME`.
    schemas: Vec<&'static str>,
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
            match store::read(&file) {
                Ok(source) => sources.push(source),
                Err(StoreError::Text(e)) => complaints.0.extend(e.0),
                Err(e) => return Err(Trouble::System(format!("can't read {e}"))),
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

/// What `rules check --json` prints.
#[derive(Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
struct Report {
    /// How much the packs hold; nothing when there are complaints.
    counts: Option<Counts>,
    /// Every mistake, by file and place.
    complaints: Vec<OneComplaint>,
}

fn complain(
    args: &RulesArgs,
    complaints: &Complaints,
    out: &mut dyn Write,
    err: &mut dyn Write,
) -> io::Result<u8> {
    if args.json {
        let complaints = complaints.0.iter().map(OneComplaint::from).collect();
        document(out, &Report { counts: None, complaints })?;
    }
    write!(err, "{}", complaints.render(false))?;
    let count = complaints.0.len();
    writeln!(err, "{count} complaint{}", if count == 1 { "" } else { "s" })?;
    Ok(AT_FAULT)
}

fn report(args: &RulesArgs, rules: &Rules, out: &mut dyn Write) -> io::Result<u8> {
    let counts = rules.counts();
    if args.json {
        document(out, &Report { counts: Some(counts), complaints: Vec::new() })?;
    } else {
        writeln!(out, "{counts}; 0 complaints")?;
    }
    Ok(DONE)
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]
    use super::*;
    use clap::Parser;

    #[derive(Parser)]
    struct Cli {
        #[command(flatten)]
        rules: RulesArgs,
    }

    fn sample(name: &str) -> String {
        format!("{}/tests/{name}", env!("CARGO_MANIFEST_DIR"))
    }

    /// Exit code, standard output, standard error of `rules ARGS --bare --rules tests/data/packs`;
    /// `--json` and `--rules FILE` in ARGS count too.
    fn rules(args: &[&str]) -> (u8, String, String) {
        let mut own = vec!["rules"];
        let (mut json, mut more) = (false, vec![PathBuf::from(sample("data/packs"))]);
        let mut rest = args.iter().copied();
        while let Some(arg) = rest.next() {
            match arg {
                "--json" => json = true,
                "--rules" => more.push(PathBuf::from(rest.next().unwrap())),
                other => own.push(other),
            }
        }
        let args = RulesArgs { json, more, bare: true, ..Cli::parse_from(own).rules };
        let (mut out, mut err) = (Vec::new(), Vec::new());
        let code = run(&args, &mut out, &mut err).unwrap();
        (code, String::from_utf8(out).unwrap(), String::from_utf8(err).unwrap())
    }

    #[test]
    fn the_schema_of_the_report_is_committed() {
        crate::rules::assert_output_schema::<Report>("rules-check");
        crate::rules::assert_output_schema::<Schemas>("rules-schemas");
    }

    #[test]
    fn check_counts_what_it_found() {
        let counts =
            "1 pack, 3 symptoms, 3 faults, 3 conditions, 4 checks, 3 remedies, 11 links; 0 complaints\n";
        assert_eq!(rules(&["check"]), (DONE, counts.into(), String::new()));
        let (code, out, _) = rules(&["check", "--json"]);
        let json: serde_json::Value = serde_json::from_str(&out).unwrap();
        assert_eq!(
            (code, &json["counts"]["links"], &json["complaints"]),
            (DONE, &11.into(), &serde_json::json!([]))
        );
    }

    #[test]
    fn check_complains_on_standard_error_with_code_1() {
        let broken = sample("broken-packs/cycle.yaml");
        let (code, out, err) = rules(&["check", "--rules", &broken]);
        assert_eq!((code, out.as_str()), (AT_FAULT, ""));
        assert!(err.contains("first-off -> second-off -> third-off -> first-off"), "{err}");
        assert!(err.ends_with("\n1 complaint\n"), "{err}");
        let (code, out, _) = rules(&["check", "--json", "--rules", &broken]);
        let json: serde_json::Value = serde_json::from_str(&out).unwrap();
        assert_eq!((code, &json["complaints"][0]["code"]), (AT_FAULT, &"cycle".into()));
        assert_eq!(json["complaints"][0]["place"]["line"], 28);
    }

    #[test]
    fn a_missing_folder_is_the_systems_failure() {
        let (code, _, err) = rules(&["check", "--rules", "no/such/folder"]);
        assert_eq!(code, SYSTEM);
        assert!(err.starts_with("error: can't read no/such/folder: "), "{err}");
    }

    #[test]
    fn list_keeps_the_shape_agreed() {
        let (code, out, _) = rules(&["list", "--json", "--kind", "remedy"]);
        let json: serde_json::Value = serde_json::from_str(&out).unwrap();
        let first = serde_json::json!({
            "id": "turn-regulator", "kind": "remedy", "pack": "lantern",
            "says": "Take the 5 V regulator out and fit it the right way round"
        });
        assert_eq!((code, &json["items"][0], json["items"].as_array().unwrap().len()), (DONE, &first, 3));
        assert_eq!(rules(&["list"]).1.lines().count(), 16);
    }

    #[test]
    fn show_names_the_nearest_id() {
        let (code, out, err) = rules(&["show", "hss"]);
        assert_eq!((code, out.as_str()), (AT_FAULT, ""));
        assert_eq!(err, "error: no item is called 'hss'; did you mean 'hiss'?\n");
        let (_, out, _) = rules(&["show", "hiss", "--json"]);
        let json: serde_json::Value = serde_json::from_str(&out).unwrap();
        assert_eq!(json["caused_by"][0]["id"], "leaky-coupling");
    }

    #[test]
    fn schemas_are_listed_and_printed() {
        let (code, names, _) = rules(&["schema"]);
        assert_eq!(code, DONE);
        assert!(names.lines().any(|n| n == "pack"), "{names}");
        for name in names.lines() {
            let (_, text, _) = rules(&["schema", name]);
            let json: serde_json::Value = serde_json::from_str(&text).unwrap();
            assert_eq!(json["$schema"], "https://json-schema.org/draft/2020-12/schema");
        }
        let (code, _, err) = rules(&["schema", "pak"]);
        assert_eq!(
            (code, err.as_str()),
            (AT_FAULT, "error: no schema is called 'pak'; did you mean 'pack'?\n")
        );
    }
}
