//! Learning from resolved cards, from the cards to the explained figure.

use super::run::Folder;
use serde_json::Value;

/// The shipped cards.
const CASES: &str = concat!(env!("CARGO_MANIFEST_DIR"), "/cases");

fn suspects(folder: &Folder, before: &[&str]) -> Value {
    let ran = folder.run(&[before, &["suspects", "--example", "hum-and-scratch", "--json"]].concat());
    assert_eq!(ran.code, 0, "{}", ran.err);
    serde_json::from_str(&ran.out).unwrap()
}

#[test]
fn a_shop_learns_loads_and_asks_why() {
    let folder = Folder::new();
    let ran = folder.run(&["cases", "learn", CASES, "-o", "learned.yaml"]);
    assert_eq!(ran.code, 0, "{}", ran.err);
    for (file, reason) in [("silent-build.yaml", "no outcome"), ("valve-preamp.yaml", "out of scope")] {
        let line = ran.err.lines().find(|l| l.contains(file)).unwrap_or_else(|| panic!("{}", ran.err));
        assert!(line.contains("left out") && line.contains(reason), "{line}");
    }
    assert!(ran.err.contains("log score") && ran.err.contains("Kept:"), "{}", ran.err);
    assert!(folder.text("learned.yaml").contains("\n# Learned from"));
    assert_eq!(folder.run(&["--rules", "learned.yaml", "rules", "check"]).code, 0);
    assert_ne!(suspects(&folder, &[]), suspects(&folder, &["--rules", "learned.yaml"]));
    let leader = suspects(&folder, &[])["suspects"][0]["id"].as_str().unwrap().to_owned();
    let why = folder.run(&["--rules", "learned.yaml", "why", "--example", "hum-and-scratch", &leader]);
    assert!(why.out.contains("Learned from resolved jobs:"), "{}", why.out);
    assert!(why.out.contains("instead of") && why.out.contains("90 % interval"), "{}", why.out);
    let plain = folder.run(&["why", "--example", "hum-and-scratch", &leader]);
    assert!(!plain.out.contains("Learned from resolved jobs"), "{}", plain.out);
}

#[test]
fn statistics_of_two_shops_give_what_all_cards_give() {
    let folder = Folder::new();
    for (seed, dir) in [("1", "north"), ("2", "south")] {
        let ran = folder.run(&["drill", "--cases", "20", "--seed", seed, "-o", dir]);
        assert_eq!(ran.code, 0, "{}", ran.err);
    }
    fn line<'a>(more: &[&'a str]) -> Vec<&'a str> {
        [&["cases", "learn", "--json"], more].concat()
    }
    // Whether it keeps anything is not the question here.
    folder.run(&line(&["north", "--stats", "north.json"]));
    folder.run(&line(&["south", "--stats", "south.json"]));
    let whole = folder.run(&line(&["north", "south", "--threads", "1", "--stats", "all.json"]));
    let merged = folder.run(&line(&["--merge", "south.json", "north.json", "--stats", "sum.json"]));
    assert_eq!(folder.text("all.json"), folder.text("sum.json"));
    assert_eq!(whole.out, merged.out);
    assert!(serde_json::from_str::<Value>(&whole.out).unwrap()["cards"] == 40);
    let wrong = folder.put("no.json", "{}").run(&["cases", "learn", "--merge", "no.json"]);
    assert!(wrong.code == 1 && wrong.err.contains("no.json"), "{}", wrong.err);
}

#[test]
fn it_declines_what_does_worse_and_says_so() {
    let folder = Folder::new();
    // Two of a kind, each other's contrary: what one teaches harms the other.
    let card = |fault: &str| {
        format!(
            "unit: u\nhistory: fresh-build\nfindings:\n  - {{check: look-burn, answer: clean}}\noutcome: {{end: mended, faults: [{fault}]}}\n"
        )
    };
    folder.put("a.yaml", &card("regulator-turned")).put("b.yaml", &card("solder-bridge"));
    let ran = folder.run(&["cases", "learn", "a.yaml", "b.yaml", "--weight", "0.5", "-o", "learned.yaml"]);
    assert_eq!(ran.code, 1, "{}", ran.err);
    assert!(ran.err.contains("no pack was written") && ran.err.contains("Kept: nothing"), "{}", ran.err);
    assert!(!folder.names().contains(&"learned.yaml".to_string()));
}

#[test]
fn without_cards_it_says_what_it_wants() {
    let folder = Folder::new();
    let none = folder.run(&["cases", "learn"]);
    assert!(none.code == 2 && none.err.contains("PATHS"), "{}", none.err);
    let empty = folder.run(&["cases", "learn", "."]);
    assert!(empty.code == 1 && empty.err.contains("no card to learn from"), "{}", empty.err);
}

#[test]
fn drilled_cards_are_resolved_and_the_same_for_a_seed() {
    let folder = Folder::new();
    for dir in ["one", "two"] {
        let ran = folder.run(&["drill", "--cases", "5", "--seed", "4", "-o", dir]);
        assert_eq!(ran.code, 0, "{}", ran.err);
    }
    assert_eq!(folder.text("one/drill-000003.yaml"), folder.text("two/drill-000003.yaml"));
    // Each ends as it was drawn, whether the reader of the card would have said so or not.
    let replays = ["one", "two"].map(|dir| folder.run(&["cases", "replay", dir]).out);
    assert_eq!(replays[0], replays[1]);
    for n in 1..=5 {
        assert!(replays[0].contains(&format!("drill-{n:06}")), "{}", replays[0]);
    }
    let again = folder.run(&["drill", "--cases", "5", "-o", "one"]);
    assert!(again.code == 1 && again.err.contains("not empty"), "{}", again.err);
    let board = folder.run(&[
        "drill",
        "--example",
        "tin-lantern",
        "--cases",
        "2",
        "--strategies",
        "half-split",
        "-o",
        "played",
    ]);
    assert_eq!(board.code, 0, "{}", board.err);
    let card = folder.text("played/drill-000001.yaml");
    assert!(card.contains("board: boards/tin_lantern.yaml") && card.contains("outcome: {end: "), "{card}");
    assert!(card.contains("minutes: "), "{card}");
    let report = folder.run(&["cases", "report", "played"]);
    assert!(report.code == 0 && report.out.contains("2 resolved cards, 0 left out"), "{}", report.err);
}

#[test]
fn a_report_comes_in_four_forms() {
    let folder = Folder::new();
    let form = |form: &str| folder.run(&["cases", "report", CASES, "--format", form]).out;
    let heads = [
        "What fails, by unit",
        "What fails, by history",
        "What fails, by block",
        "Time per job",
        "Whether the probabilities can be believed",
        "Cases that surprised the rules",
        "Checks that never changed a decision",
    ];
    for text in [form("text"), form("md"), form("html")] {
        heads.iter().for_each(|head| assert!(text.contains(head), "{head} in {text}"));
    }
    let html = form("html");
    assert!(
        html.matches("<svg").count() == 3
            && !html.contains("<script")
            && !html.contains("http://www.w3.org/1999")
    );
    let json = folder.run(&["cases", "report", CASES, "--json"]);
    let json: Value = serde_json::from_str(&json.out).unwrap();
    assert_eq!((&json["cards"], json["left_out"].as_array().unwrap().len()), (&Value::from(23), 3));
}
