//! What the commands print with `--json`, and the YAML files that ship, against the schemas that ship; by a general-purpose
//! validator of JSON Schema 2020-12.
#![cfg(feature = "cli")]
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

use std::path::{Path, PathBuf};
use std::process::Command;

use boon::{Compiler, Draft, SchemaIndex, Schemas};
use halfsplit::rules;
use serde_json::Value;

const ROOT: &str = env!("CARGO_MANIFEST_DIR");

/// The shipped schema of a name, compiled.
struct Schema {
    schemas: Schemas,
    index: SchemaIndex,
    name: String,
}

impl Schema {
    fn of(name: &str) -> Schema {
        let (_, text) =
            rules::schemas().find(|(n, _)| *n == name).unwrap_or_else(|| panic!("no schema {name}"));
        let mut compiler = Compiler::new();
        compiler.set_default_draft(Draft::V2020_12);
        let place = format!("https://halfsplit.invalid/{name}");
        compiler.add_resource(&place, serde_json::from_str(text).unwrap()).unwrap();
        let mut schemas = Schemas::new();
        let index = compiler.compile(&place, &mut schemas).unwrap_or_else(|e| panic!("{name}: {e:#}"));
        Schema { schemas, index, name: name.into() }
    }

    fn accepts(&self, document: &Value) -> Result<(), String> {
        self.schemas.validate(document, self.index).map_err(|e| format!("{e:#}"))
    }

    fn assert(&self, document: &Value, what: &str) {
        self.accepts(document).unwrap_or_else(|e| panic!("{what} against {}: {e}", self.name));
    }
}

/// Runs a command in a folder of its own and reads what it prints.
fn run(folder: &Path, args: &[&str]) -> Value {
    let mut command = Command::new(env!("CARGO_BIN_EXE_halfsplit"));
    let out = command.current_dir(folder).args(args).arg("--json").output().unwrap();
    let text = String::from_utf8(out.stdout).unwrap();
    let talk = String::from_utf8_lossy(&out.stderr);
    serde_json::from_str(&text).unwrap_or_else(|e| panic!("{args:?} prints no document ({e}): {text} {talk}"))
}

/// Runs a command, holds its document against a schema, and makes sure that the schema says no to the document without
/// one of its fields.
fn story(folder: &Path, args: &[&str], schema: &str) -> Value {
    let document = run(folder, args);
    let schema = Schema::of(schema);
    schema.assert(&document, &args.join(" "));
    let fields: Vec<&String> = document.as_object().unwrap().keys().collect();
    assert!(!fields.is_empty(), "{args:?}");
    let refused = fields.iter().filter(|field| {
        let mut less = document.clone();
        less.as_object_mut().unwrap().remove(**field);
        schema.accepts(&less).is_err()
    });
    assert!(refused.count() > 0, "the schema of {args:?} takes anything");
    document
}

#[test]
fn what_commands_print_is_what_their_schemas_say() {
    let folder = tempfile::tempdir().unwrap();
    let at = folder.path();
    let example = "silent-build";
    let suspects = story(at, &["suspects", "--example", example], "suspects");
    let first = suspects["suspects"][0]["id"].as_str().unwrap();
    story(at, &["why", "--example", example, first], "why");
    let next = story(at, &["next", "--example", example], "next");
    assert!(["check", "remedy", "done"].contains(&next["action"].as_str().unwrap()));

    // A job from beginning to end.
    let open = ["open", "job.yaml", "--unit", "Bench", "--history", "fresh-build", "--block", "transistor"];
    let complaint = ["--complaint", "no sound at all", "--tools", "meter,iron,spares"];
    story(at, &[&open[..], &complaint[..]].concat(), "job");
    let proposed = story(at, &["next", "job.yaml"], "next");
    let check = &proposed["check"];
    let note = format!("{}={}", check["id"].as_str().unwrap(), check["answers"][0].as_str().unwrap());
    story(at, &["note", "job.yaml", &note], "next");
    story(at, &["strike", "job.yaml", "1"], "next");
    story(at, &["close", "job.yaml", "--fault", first, "--did", "put it right"], "close");
    let replay = story(at, &["cases", "replay", "job.yaml"], "cases-replay");
    assert_eq!(replay["cases"].as_array().unwrap().len(), 1);

    story(at, &["summary", "job.yaml"], "summary");
    let sheet = story(at, &["sheet", "--example", "tin_lantern"], "sheet");
    assert!(sheet.to_string().contains("volts:"));
    story(at, &["whatif", "--example", "pocket_beacon", "C3:short"], "whatif");

    story(at, &["board", "export", "--example", "pocket_beacon"], "board-export");
    story(at, &["board", "export", "--example", "pocket_beacon", "-o", "beacon.cir"], "board-export");
    story(at, &["board", "import", "beacon.cir", "-o", "beacon.yaml"], "board-import");
    story(at, &["board", "show", "beacon.yaml"], "board-show");
    story(at, &["board", "check", "beacon.yaml"], "board-check");
    story(at, &["sheet", "beacon.yaml", "--part", "Q1"], "sheet-part");
    story(at, &["sheet", "beacon.yaml", "--wiring"], "sheet-wiring");
    story(at, &["coverage", "beacon.yaml"], "coverage");
    story(at, &["open", "drawn.yaml", "--complaint", "no sound", "--board", "beacon.yaml"], "job");
    story(at, &["note", "drawn.yaml", "--good", "volts:Q1.c=4.5V"], "note-good");
    story(at, &["note", "drawn.yaml", "volts:Q1.c=8.9V"], "next");
    story(at, &["compare", "drawn.yaml"], "compare");
    story(at, &["set", "drawn.yaml", "--owner", "A"], "job");
    story(at, &["undo", "drawn.yaml"], "next");
    story(at, &["show", "drawn.yaml"], "show");
    story(at, &["jobs", "."], "jobs");
    story(at, &["examples"], "examples");
    story(at, &["cases", "report", "job.yaml"], "cases-report");

    story(at, &["rules", "list"], "rules-list");
    story(at, &["rules", "check"], "rules-check");
    story(at, &["rules", "read", "it hums, no hiss"], "rules-read");
    story(at, &["rules", "show", first], "rules-show");
}

#[test]
fn every_schema_is_printed_and_sound() {
    let folder = tempfile::tempdir().unwrap();
    let names: Vec<&str> = rules::schemas().map(|(name, _)| name).collect();
    let wanted = [
        "board",
        "cases-replay",
        "close",
        "job",
        "next",
        "pack",
        "parts",
        "sheet",
        "summary",
        "suspects",
        "whatif",
        "why",
        "words",
    ];
    for name in wanted {
        assert!(names.contains(&name), "{name} is not among {names:?}");
    }
    let meta = {
        let mut schemas = Schemas::new();
        let place = "https://json-schema.org/draft/2020-12/schema";
        let index = Compiler::new().compile(place, &mut schemas).unwrap();
        Schema { schemas, index, name: "the meta-schema".into() }
    };
    for name in names {
        let printed = run(folder.path(), &["rules", "schema", name]);
        meta.assert(&printed, name);
        Schema::of(name);
    }
}

fn yaml_files(folder: &str) -> Vec<PathBuf> {
    let mut files: Vec<PathBuf> = std::fs::read_dir(Path::new(ROOT).join(folder))
        .unwrap()
        .map(|e| e.unwrap().path())
        .filter(|p| p.extension().is_some_and(|e| e == "yaml"))
        .collect();
    files.sort();
    files
}

#[test]
fn every_shipped_file_is_what_its_schema_says() {
    let mut count = 0;
    let kinds = [
        ("cases", "job"),
        ("cases/boards", "board"),
        ("rules/packs", "pack"),
        ("rules/words", "words"),
        ("rules/parts", "parts"),
        ("rules/devices", "parts"),
    ];
    let mut slips = Vec::new();
    for (folder, schema) in kinds {
        let schema = Schema::of(schema);
        let files = yaml_files(folder);
        assert!(!files.is_empty(), "{folder}");
        for file in files {
            let text = std::fs::read_to_string(&file).unwrap();
            let document: Value = serde_yaml::from_str(&text).unwrap();
            if let Err(e) = schema.accepts(&document) {
                slips.push(format!("{}: {e}", file.display()));
            }
            // A file of this kind without its first field, or with one that nobody knows, is none.
            let mut less = document.clone();
            let first = match folder {
                "cases" => "unit",
                "cases/boards" => "parts",
                "rules/packs" => "pack",
                "rules/words" => "words",
                _ => continue,
            };
            less.as_object_mut().unwrap().remove(first);
            assert!(schema.accepts(&less).is_err(), "{} without '{first}'", file.display());
            count += 1;
        }
    }
    assert!(slips.is_empty(), "{}", slips.join("\n"));
    assert!(count > 10);
}
