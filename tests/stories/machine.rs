//! `--json`: one document on stdout whatever happens, and it is what its shipped schema says.

use super::run::{Folder, command, ran};
use boon::{Compiler, Draft, Schemas};
use serde_json::Value;

fn holds(name: &str, document: &Value, what: &str) {
    let (_, text) =
        halfsplit::rules::schemas().find(|(n, _)| *n == name).unwrap_or_else(|| panic!("no schema {name}"));
    let mut compiler = Compiler::new();
    compiler.set_default_draft(Draft::V2020_12);
    let place = format!("https://halfsplit.invalid/{name}");
    compiler.add_resource(&place, serde_json::from_str(text).unwrap()).unwrap();
    let mut schemas = Schemas::new();
    let index = compiler.compile(&place, &mut schemas).unwrap();
    schemas.validate(document, index).unwrap_or_else(|e| panic!("{what} against {name}: {e:#}"));
}

fn document(out: &str, what: &str) -> Value {
    serde_json::from_str(out).unwrap_or_else(|e| panic!("{what} prints no single document ({e}): {out}"))
}

const CARD: &str = "unit: A\nhistory: fresh-build\ncomplaint: {symptoms: [silent]}\n";

#[test]
fn what_goes_wrong_is_a_document_too() {
    let folder = Folder::new();
    folder
        .put("job.yaml", CARD)
        .put("bad.yaml", "unit: A\nhistory: soon\nfindngs: []\n")
        .put("mains.yaml", &format!("{CARD}power: mains\n"));
    folder.put("pack.yaml", "pack: x\n");
    for (line, exit) in [
        (&["next", "bad.yaml"][..], 1),
        (&["next", "nowhere.yaml"], 1),
        (&["next", "mains.yaml"], 1),
        (&["suspects", "--example", "nothing-like-it"], 1),
        (&["why", "job.yaml", "nobody"], 1),
        (&["why", "job.yaml"], 2),
        (&["note", "job.yaml", "effect-sound=silnt"], 1),
        (&["note", "job.yaml", "effect-sound"], 2),
        (&["note", "job.yaml", "supply-ohms=4.7"], 1),
        (&["strike", "job.yaml", "7"], 1),
        (&["close", "job.yaml"], 2),
        (&["open", "job.yaml"], 1),
        (&["open", "new.yaml", "--power", "mains"], 1),
        (&["bench", "job.yaml"], 2),
        (&["summary", "bad.yaml"], 1),
        (&["summary", "job.yaml", "-o", "job.yaml"], 2),
        (&["sheet", "job.yaml"], 1),
        (&["whatif", "--example", "tin-lantern"], 2),
        (&["whatif", "--example", "tin-lantern", "R1:nothing"], 1),
        (&["drill", "--example", "tin-lantern"], 2),
        (&["coverage", "job.yaml"], 1),
        (&["cases", "replay", "job.yaml"], 1),
        (&["cases", "report", "job.yaml"], 1),
        (&["cases", "learn", "bad.yaml"], 1),
        (&["rules", "show", "nothing"], 1),
        (&["rules", "schema", "nothing"], 1),
        (&["--rules", "nowhere", "rules", "list"], 3),
        (&["--rules", "pack.yaml", "next", "job.yaml"], 1),
        (&["--bare", "next", "job.yaml"], 2),
        (&["next"], 2),
        (&["nxet", "job.yaml"], 2),
    ] {
        let ran = folder.run(&[line, &["--json"]].concat()).ends(exit);
        let what = line.join(" ");
        let document = document(&ran.out, &what);
        holds("error", &document, &what);
        assert_eq!(document["error"]["exit"], exit, "{what}");
        assert!(!ran.err.is_empty(), "{what} also says it to people");
    }
    let ran = folder.run(&["next", "bad.yaml", "--json"]).ends(1);
    let error = &document(&ran.out, "next")["error"];
    assert_eq!((error["kind"].as_str(), error["complaints"].as_array().unwrap().len()), (Some("input"), 2));
    assert_eq!(
        error["complaints"][0]["place"],
        serde_json::json!({"file": "bad.yaml", "line": 2, "column": 10})
    );
    // A check of the rules has its own form of saying so.
    let ran = folder.run(&["--rules", "pack.yaml", "rules", "check", "--json"]).ends(1);
    holds("rules-check", &document(&ran.out, "rules check"), "rules check");
    // An answer that is a failure as well is one document still.
    folder.put("wrong.yaml", &format!("{CARD}findings:\n  - {{check: bypass-sound, answer: normal}}\noutcome: {{end: mended, faults: [lead-broken]}}\n"));
    let ran = folder.run(&["cases", "replay", "wrong.yaml", "--json"]);
    holds("cases-replay", &document(&ran.out, "replay"), "replay");
}

#[test]
fn every_answer_is_what_its_schema_says() {
    let folder = Folder::new();
    folder.put("job.yaml", CARD);
    folder
        .put("drawn.yaml", &format!("{CARD}board: board.yaml\n"))
        .put("board.yaml", include_str!("../../cases/boards/pocket_beacon.yaml"));
    for (line, schema) in [
        (&["whatif", "--example", "tin-lantern", "--list"][..], "whatif-list"),
        (&["rules", "schema"], "rules-schemas"),
        (&["next", "job.yaml"], "next"),
        (&["next", "drawn.yaml", "-n", "9"], "next"),
        (&["suspects", "drawn.yaml", "-n", "2"], "suspects"),
        (&["note", "drawn.yaml", "ohms:V9=OL"], "next"),
        (&["summary", "drawn.yaml"], "summary"),
    ] {
        let what = line.join(" ");
        let ran = folder.run(&[line, &["--json"]].concat()).ends(0);
        holds(schema, &document(&ran.out, &what), &what);
    }
}

#[test]
fn n_counts_and_answers_are_words() {
    let folder = Folder::new();
    folder.put("job.yaml", CARD);
    folder
        .put("drawn.yaml", &format!("{CARD}board: board.yaml\n"))
        .put("board.yaml", include_str!("../../cases/boards/pocket_beacon.yaml"));
    let run =
        |line: &[&str]| document(&folder.run(&[line, &["--json"]].concat()).ends(0).out, &line.join(" "));
    for (n, count) in [("0", 0), ("1", 1), ("3", 3)] {
        assert_eq!(run(&["suspects", "job.yaml", "-n", n])["suspects"].as_array().unwrap().len(), count);
        assert_eq!(run(&["next", "job.yaml", "-n", n])["alternatives"].as_array().unwrap().len(), count);
    }
    assert!(
        run(&["suspects", "job.yaml"])["suspects"].as_array().unwrap().len() > 12,
        "all of them where it isn't said"
    );
    // Whatever is asked, what answers it is a word that can be noted.
    let mut asked = 0;
    for card in ["job.yaml", "drawn.yaml"] {
        for _ in 0..12 {
            let next = run(&["next", card]);
            if next["check"].is_null() {
                break;
            }
            let id = next["check"]["id"].as_str().unwrap().to_string();
            for answer in next["check"]["answers"].as_array().unwrap() {
                assert!(!answer.as_str().unwrap().contains(' '), "{id}: {answer}");
            }
            run(&["note", card, &format!("{id}=unsure")]);
            asked += 1;
        }
    }
    assert!(asked > 10);
}

#[test]
fn bare_may_stand_on_either_side() {
    let folder = Folder::new();
    folder.put("lantern.yaml", include_str!("../data/packs/lantern.yaml"));
    let plain = folder.run(&["rules", "check", "--bare", "--rules", "lantern.yaml"]).ends(0).out;
    for line in [
        &["--bare", "rules", "check", "--rules", "lantern.yaml"][..],
        &["--rules", "lantern.yaml", "--bare", "rules", "check"],
    ] {
        assert_eq!(folder.run(line).ends(0).out, plain, "{line:?}");
    }
    assert!(folder.run(&["--bare", "rules", "check"]).ends(2).err.contains("--rules"));
}

#[test]
fn a_card_that_is_json_stays_json() {
    let folder = Folder::new();
    folder.put(
        "job.yaml",
        "{\"unit\": \"A\", \"history\": \"fresh-build\", \"complaint\": {\"symptoms\": [\"silent\"]}}\n",
    );
    folder.run(&["note", "job.yaml", "effect-sound=silent", "--remark", "loud \"hum\", twice"]).ends(0);
    folder.run(&["note", "job.yaml", "supply-ohms=4.7k"]).ends(0);
    folder.run(&["strike", "job.yaml", "2", "--why", "wrong: range"]).ends(0);
    folder.run_with("# seen\nstop\n", &["bench", "job.yaml"]).ends(0);
    folder.run(&["close", "job.yaml", "--unlisted", "--did", "a, b: c"]).ends(0);
    let json: Value = serde_json::from_str(&folder.text("job.yaml")).unwrap();
    assert_eq!(json["findings"][0]["remark"], "loud \"hum\", twice");
    assert!(json["findings"][1]["struck"].as_str().unwrap().ends_with("wrong: range"));
    assert_eq!((&json["remarks"][0]["text"], &json["outcome"]["did"]), (&"seen".into(), &"a, b: c".into()));
    // So does one in flow style that is none.
    folder.put("flow.yaml", "{unit: A, history: fresh-build}\n");
    folder.run(&["close", "flow.yaml", "--fault", "lead-broken", "--did", "a new lead"]).ends(0);
    assert!(
        folder.text("flow.yaml").starts_with("{unit: A, history: fresh-build, outcome: {"),
        "{}",
        folder.text("flow.yaml")
    );
}

#[test]
fn minutes_are_minutes() {
    let folder = Folder::new();
    for (minutes, good) in
        [("-5", false), ("1e15", false), ("60001", false), ("0", true), ("12.5", true), ("60000", true)]
    {
        for field in [
            "findings: [{check: look-burn, answer: clean, minutes: M}]",
            "work: [{did: x, minutes: M}]",
            "outcome: {end: found, minutes: M}",
        ] {
            folder.put("job.yaml", &format!("{CARD}{}\n", field.replace('M', minutes)));
            let ran = folder.run(&["summary", "job.yaml"]);
            assert_eq!(ran.code, i32::from(!good), "{field} {minutes}: {}", ran.err);
            assert!(good || ran.err.contains("write a number from 0 to 60000"), "{}", ran.err);
        }
    }
}

#[test]
fn a_usage_error_keeps_its_words_for_people() {
    let folder = Folder::new();
    let ran = ran(command(&folder.path(""), &["benhc", "job.yaml"]), "").ends(2);
    assert!(ran.out.is_empty() && ran.err.contains("bench"), "{}", ran.err);
}
