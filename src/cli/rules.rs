//! `halfsplit rules check|list|show|read|schema`.

use super::screen::{ErrorDocument, OneComplaint, document};
use crate::job::store::{self, StoreError};
use crate::rules::parts::Library;
use crate::rules::places::{Library as Places, LibraryCounts, UnitFacts};
use crate::rules::{self, Counts, History, Rules};
use crate::text::{Complaints, Source, inert, or_nearest};
use serde::Serialize;
use std::io::{self, Write};
use std::path::{Path, PathBuf};
use std::sync::Arc;

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
        after_help = "Examples:\n  halfsplit rules list --kind symptom\n  halfsplit rules list --kind device --json\n  halfsplit rules list --kind role              what 'role:' of a board's part may say\n  halfsplit rules list --role coupling          the faults that such a part stands for"
    )]
    /// List symptoms, faults, conditions, checks and remedies, and the devices, part kinds and roles of boards
    List {
        /// Only items of this kind
        #[arg(long, value_name = "KIND", value_parser = ["symptom", "fault", "condition", "check", "remedy", "device", "part-kind", "outline", "place", "role"])]
        kind: Option<String>,
        /// Of a unit of this outline: its faults, checks and remedies
        #[arg(long, value_name = "OUTLINE")]
        of: Option<String>,
        /// Only the faults that a board's part with this role stands for
        #[arg(long, value_name = "ROLE", conflicts_with = "kind")]
        role: Option<String>,
    },
    #[command(
        after_help = "Examples:\n  halfsplit rules show regulator-turned\n  halfsplit rules show TL072"
    )]
    /// Explain one item, device, part kind or pack
    Show {
        /// Its id, such as `regulator-turned`, `TL072`, `echo-delay` or `reservoir`
        id: String,
        /// Of a unit of this outline, such as `listen@Q1` of a fuzz
        #[arg(long, value_name = "OUTLINE")]
        of: Option<String>,
    },
    #[command(
        after_help = "Examples:\n  halfsplit rules read \"LED lights but nothing comes out\"\n  halfsplit rules read --rules my-words.yaml \"it goes wub wub\" \"no hum, no hiss\""
    )]
    /// Read a sentence as an owner's complaint: what was understood, from which words
    Read {
        /// The sentence; several are read one by one
        #[arg(required = true, value_name = "TEXT")]
        texts: Vec<String>,
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

/// Runs the command for a terminal of `width` columns; returns the exit code.
///
/// # Errors
/// When `out` or `err` can't be written.
pub fn run(args: &RulesArgs, width: usize, out: &mut dyn Write, err: &mut dyn Write) -> io::Result<u8> {
    if let Command::Schema { name } = &args.command {
        return schema(args, name.as_deref(), out, err);
    }
    let sources = match sources(args) {
        Ok(sources) => sources,
        Err(Trouble::Input(complaints)) => return complain(args, &complaints, out, err),
        Err(Trouble::System(message)) => return fail(args, SYSTEM, message, out, err),
    };
    let (own, packs): (Vec<Source>, Vec<Source>) = sources.into_iter().partition(rules::places::is_library);
    let rules = match Rules::load(&packs).and_then(|r| r.with_places(&own)) {
        Ok(rules) => rules,
        Err(complaints) => return complain(args, &complaints, out, err),
    };
    match &args.command {
        Command::Check | Command::Schema { .. } => match rules.check_words() {
            Ok(()) => report(args, &rules, out, err),
            Err(complaints) => complain(args, &complaints, out, err),
        },
        Command::List { role: Some(role), .. } => by_role(args, &rules, role, out, err),
        Command::List { kind, of, role: None } => match of_unit(&rules, of.as_deref()) {
            Ok(rules) => list(args, rules, kind.as_deref(), out),
            Err(complaints) => complain(args, &complaints, out, err),
        },
        Command::Show { id, of } => match of_unit(&rules, of.as_deref()) {
            Ok(rules) => show(args, rules, id, width, out, err),
            Err(complaints) => complain(args, &complaints, out, err),
        },
        Command::Read { texts } => read(args, &rules, texts, out, err),
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

/// The rules of a unit of an outline, where one is named.
fn of_unit<'r>(rules: &'r Rules, outline: Option<&str>) -> Result<&'r Rules, Complaints> {
    match outline {
        Some(outline) => Ok(rules.for_unit(&UnitFacts::new(outline, History::FreshBuild))?.0),
        None => Ok(rules),
    }
}

/// Outlines and places; none where the built-in rules are left out.
fn places(args: &RulesArgs, rules: &Rules) -> Option<Arc<Places>> {
    if args.bare { None } else { rules.library().ok() }
}

fn list(args: &RulesArgs, rules: &Rules, kind: Option<&str>, out: &mut dyn Write) -> io::Result<u8> {
    let mut list = rules.list();
    if !rules.is_of_unit() {
        list.items.extend(library(args).list());
        list.items.extend(places(args, rules).map(|p| p.list()).unwrap_or_default());
    }
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

/// The faults that a part with a role stands for.
fn by_role(
    args: &RulesArgs,
    rules: &Rules,
    role: &str,
    out: &mut dyn Write,
    err: &mut dyn Write,
) -> io::Result<u8> {
    let named = |f: &rules::Fault| f.board.as_ref().is_some_and(|(r, _)| r == role);
    let ids: Vec<&str> = rules.faults().filter(|(_, f)| named(f)).map(|(_, f)| f.id.as_str()).collect();
    let library = library(args);
    if ids.is_empty() && library.role(role).is_none() {
        let help = or_nearest(role, library.roles().map(|(r, _)| r));
        writeln!(err, "error: no role is called '{role}'; {help}")?;
        return Ok(AT_FAULT);
    }
    let mut list = rules.list();
    list.items.retain(|item| item.kind == "fault" && ids.contains(&item.id.as_str()));
    if args.json {
        document(out, &list)?;
        return Ok(DONE);
    }
    if let Some(entry) = library.role(role) {
        writeln!(out, "{role}: {}", entry.says)?;
    }
    for item in &list.items {
        writeln!(out, "  {}  {}", item.id, item.says)?;
    }
    if list.items.is_empty() {
        writeln!(out, "  no rule names it; such a part's own faults count all the same")?;
    }
    Ok(DONE)
}

fn show(
    args: &RulesArgs,
    rules: &Rules,
    id: &str,
    width: usize,
    out: &mut dyn Write,
    err: &mut dyn Write,
) -> io::Result<u8> {
    let library = library(args);
    if let Some(Ok(sheet)) = places(args, rules).map(|p| p.show(id))
        && rules.find(id).is_err()
        && library.show(id).is_none()
    {
        match args.json {
            true => document(out, &sheet)?,
            false => write!(out, "{}", sheet.text(width))?,
        }
        return Ok(DONE);
    }
    match rules.show(id).or_else(|e| library.show(id).ok_or_else(|| unknown(e, id, rules, &library))) {
        Ok(sheet) if args.json => document(out, &sheet)?,
        Ok(sheet) => write!(out, "{}", sheet.text_in(width))?,
        Err(e) => return fail(args, AT_FAULT, e.to_string(), out, err),
    }
    Ok(DONE)
}

/// What `rules read --json` prints.
#[derive(Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
struct Readings {
    /// One a text, in order.
    read: Vec<ReadText>,
}

/// A text and what was read from it.
#[derive(Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
struct ReadText {
    /// The text.
    text: String,
    /// What it says; also symptoms that no pack at hand knows.
    parse: rules::speech::Parse,
    /// Symptoms read that no pack at hand knows.
    unknown: Vec<String>,
}

fn read(
    args: &RulesArgs,
    rules: &Rules,
    texts: &[String],
    out: &mut dyn Write,
    err: &mut dyn Write,
) -> io::Result<u8> {
    let lexicon = match rules.lexicon() {
        Ok(lexicon) => lexicon,
        Err(complaints) => return complain(args, &complaints, out, err),
    };
    let read = |text: &String| {
        let parse = lexicon.read(text);
        let named =
            parse.symptoms.iter().map(|h| &h.symptom).chain(parse.open.iter().flat_map(|o| &o.one_of));
        let unknown = named.filter(|id| rules.find_symptom(id).is_err()).cloned().collect();
        ReadText { text: text.clone(), parse, unknown }
    };
    let read: Vec<ReadText> = texts.iter().map(read).collect();
    if args.json {
        document(out, &Readings { read })?;
        return Ok(DONE);
    }
    for (i, one) in read.iter().enumerate() {
        if i > 0 {
            writeln!(out)?;
        }
        write!(out, "{}", super::screen::wrap(&format!("\"{}\"", one.text), WIDTH, "", " "))?;
        for said in &one.parse.said {
            writeln!(out, "  {}", statement(said))?;
        }
        writeln!(out)?;
        write!(out, "{}", super::heard::rows(rules, &one.parse, None, WIDTH))?;
        for id in &one.unknown {
            writeln!(out, "  {id}: no pack at hand has this symptom")?;
        }
    }
    Ok(DONE)
}

/// Columns of what this command prints for reading.
const WIDTH: usize = 80;

/// One thing said: `what: how, when`.
fn statement(said: &rules::speech::Statement) -> String {
    let mut text = format!("{}: {}{}", said.what, if said.denied { "not " } else { "" }, said.how);
    if !said.when.is_empty() {
        text += &format!(", {}", said.when.join(" and "));
    }
    if !said.until.is_empty() {
        text += &format!(", until {}", said.until.join(" or "));
    }
    let words: Vec<String> = said.words.iter().map(|w| format!("\"{w}\"")).collect();
    format!("{text}   {}", words.join(" "))
}

/// What boards are made of; nothing where the built-in rules are left out.
fn library(args: &RulesArgs) -> Library {
    if args.bare { Library::default() } else { Library::builtin().unwrap_or_default() }
}

/// The complaint about a name, the nearest one sought among devices and part kinds too.
fn unknown(e: rules::UnknownName, id: &str, rules: &Rules, library: &Library) -> rules::UnknownName {
    let own = rules.list().items;
    let kinds: Vec<&str> = library.kinds().map(|(k, _)| k).collect();
    let places = rules.library().ok();
    let placed = places.iter().flat_map(|p| p.outlines.keys().chain(p.kinds.keys()).map(String::as_str));
    let names = own.iter().map(|i| i.id.as_str()).chain(library.device_names()).chain(kinds).chain(placed);
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
    /// How much places and outlines hold; nothing when there are complaints or they are left out.
    places: Option<LibraryCounts>,
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
        document(out, &Report { counts: None, places: None, complaints })?;
    }
    write!(err, "{}", complaints.render(false))?;
    let count = complaints.0.len();
    writeln!(err, "{count} complaint{}", if count == 1 { "" } else { "s" })?;
    Ok(AT_FAULT)
}

fn report(args: &RulesArgs, rules: &Rules, out: &mut dyn Write, err: &mut dyn Write) -> io::Result<u8> {
    let counts = rules.counts();
    let places = match places(args, rules).map(|p| p.prove()) {
        None => None,
        Some(Ok(counts)) => Some(counts),
        Some(Err(complaints)) => return complain(args, &complaints, out, err),
    };
    if args.json {
        document(out, &Report { counts: Some(counts), places, complaints: Vec::new() })?;
    } else {
        if let Some(places) = places {
            writeln!(out, "{places}; 0 complaints")?;
        }
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
        let code = run(&args, 80, &mut out, &mut err).unwrap();
        (code, String::from_utf8(out).unwrap(), String::from_utf8(err).unwrap())
    }

    #[test]
    fn the_schema_of_the_report_is_committed() {
        crate::rules::assert_output_schema::<Report>("rules-check");
        crate::rules::assert_output_schema::<Readings>("rules-read");
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
