//! Shell manners: help, exit codes, streams, suggestions, pages and completions.

use super::run::{Folder, ran};

const COMMANDS: [&str; 21] = [
    "open",
    "bench",
    "next",
    "suspects",
    "why",
    "note",
    "strike",
    "close",
    "summary",
    "sheet",
    "whatif",
    "drill",
    "coverage",
    "rules",
    "rules check",
    "rules list",
    "rules show",
    "rules schema",
    "cases replay",
    "completions",
    "man",
];

#[test]
fn alone_it_says_what_to_do_first() {
    let ran = Folder::new().run(&[]).ends(0);
    assert!(ran.out.contains("halfsplit bench") && ran.out.lines().count() < 12, "{}", ran.out);
    assert!(ran.err.is_empty());
}

#[test]
fn every_command_has_help_with_an_example_that_fits() {
    let folder = Folder::new();
    for name in COMMANDS {
        let line: Vec<&str> = name.split(' ').chain(["--help"]).collect();
        let ran = folder.run(&line).ends(0);
        assert!(ran.out.contains("Example"), "{name}: {}", ran.out);
        assert!(ran.out.contains(&format!("halfsplit {name}")), "{name}: {}", ran.out);
    }
}

#[test]
fn slips_get_a_suggestion_and_the_right_code() {
    let folder = Folder::new();
    folder.put("job.yaml", "unit: A\nhistory: fresh-build\n");
    for (line, code, words) in [
        (&["benhc", "job.yaml"][..], 2, "bench"),
        (&["next"], 2, "JOB"),
        (&["note", "job.yaml", "efect-sound=silent"], 1, "did you mean 'effect-sound'?"),
        (&["note", "job.yaml", "effect-sound=silnt"], 1, "did you mean 'silent'?"),
        (&["note", "job.yaml", "effect-sound"], 2, "CHECK=ANSWER"),
        (&["why", "job.yaml", "regulator-turnd"], 1, "did you mean 'regulator-turned'?"),
        (&["bench", "--example", "silent-bild"], 1, "did you mean 'silent-build'?"),
        (&["next", "nowhere.yaml"], 1, "there is no such file"),
        (&["strike", "job.yaml", "7"], 1, "there is no finding 7"),
        (&["close", "job.yaml"], 2, "--nothing-wrong"),
        (&["bench", "job.yaml", "--json"], 2, "halfsplit next"),
        (&["completions", "basch"], 2, "bash"),
        (&["man", "nowhere"], 3, "nowhere"),
    ] {
        let ran = folder.run(line).ends(code);
        assert!(ran.err.contains(words), "{line:?}: {}", ran.err);
        // With --json an error is a document too.
        assert!(
            ran.out.is_empty() || line.contains(&"--json"),
            "{line:?}: an error is no answer: {}",
            ran.out
        );
    }
}

#[test]
fn rules_list_and_show_know_devices_and_part_kinds_too() {
    let folder = Folder::new();
    let json = folder.run(&["rules", "list", "--json"]).ends(0);
    let list: serde_json::Value = serde_json::from_str(&json.out).unwrap();
    let items = list["items"].as_array().unwrap();
    let of = |id: &str| items.iter().find(|i| i["id"] == id).unwrap_or_else(|| panic!("{id} is not listed"));
    assert_eq!((&of("TL072")["kind"], &of("resistor")["kind"]), (&"device".into(), &"part-kind".into()));
    assert_eq!(of("TL072")["pack"], "rules/devices/op_amps.yaml");
    let kinds: std::collections::BTreeSet<&str> = items.iter().map(|i| i["kind"].as_str().unwrap()).collect();
    let all = [
        "check",
        "condition",
        "device",
        "fault",
        "outline",
        "part-kind",
        "place",
        "remedy",
        "role",
        "symptom",
    ];
    assert_eq!(kinds.into_iter().collect::<Vec<_>>(), all);
    let devices = folder.run(&["rules", "list", "--kind", "device"]).ends(0);
    assert!(devices.out.lines().count() > 20 && devices.out.lines().all(|l| l.contains("  device ")));
    // A card is found by any number of its part; what cannot be found is sought among the cards too.
    let shown = folder.run(&["rules", "show", "TL082"]).ends(0);
    assert!(shown.out.starts_with("TL072: a device (chip-linear)\n"), "{}", shown.out);
    for words in
        ["4: negative supply", "DIP-8: 1 2 3 4 5 6 7 8", "supply-max: 36", "rules/devices/op_amps.yaml:"]
    {
        assert!(shown.out.contains(words), "{words}: {}", shown.out);
    }
    assert!(shown.out.lines().all(|l| l.chars().count() <= 80));
    let kind = folder.run(&["rules", "show", "electrolytic", "--json"]).ends(0);
    let sheet: serde_json::Value = serde_json::from_str(&kind.out).unwrap();
    assert_eq!(sheet["kind"], "part-kind");
    assert!(sheet["part"]["modes"].as_array().unwrap().iter().any(|m| m["id"] == "open"));
    let slip = folder.run(&["rules", "show", "TL0722"]).ends(1);
    assert!(slip.err.contains("did you mean 'TL072'?"), "{}", slip.err);
}

#[test]
fn no_colour_in_a_pipe_and_json_stands_alone() {
    let folder = Folder::new();
    let text = folder.run(&["next", "--example", "silent-build"]).ends(0);
    assert!(!text.out.contains('\u{1b}'));
    let json = folder.run(&["next", "--example", "silent-build", "--json"]).ends(0);
    let value: serde_json::Value = serde_json::from_str(&json.out).unwrap();
    assert_eq!(value["action"], "check");
    let mut coloured = folder.command(&["note", "job.yaml", "x=y"]);
    coloured.env("NO_COLOR", "1");
    assert!(!ran(coloured, "").err.contains('\u{1b}'));
}

#[test]
fn lines_keep_to_the_width() {
    use unicode_width::UnicodeWidthStr;
    let folder = Folder::new();
    for width in [40, 80, 100] {
        let mut command = folder.command(&["next", "--example", "silent-build"]);
        command.env("COLUMNS", width.to_string());
        let said = ran(command, "").ends(0);
        for line in said.out.lines().filter(|l| !l.contains("halfsplit note")) {
            assert!(line.width() <= width, "{width}: {line}");
        }
    }
}

#[test]
fn completions_and_pages_come_from_the_same_definitions() {
    let folder = Folder::new();
    for shell in ["bash", "zsh", "fish", "elvish", "powershell"] {
        let ran = folder.run(&["completions", shell]).ends(0);
        for name in COMMANDS.iter().flat_map(|c| c.split(' ')) {
            assert!(ran.out.contains(name), "{shell} knows no {name}");
        }
    }
    let page = folder.run(&["man"]).ends(0);
    assert!(page.out.contains(".TH halfsplit 1"), "{}", page.out);
    std::fs::create_dir(folder.path("man1")).unwrap();
    folder.run(&["man", "man1"]).ends(0);
    for name in COMMANDS.map(|c| c.replace(' ', "-")) {
        assert!(folder.text(&format!("man1/halfsplit-{name}.1")).contains("Example"), "{name}");
    }
}

#[test]
fn a_reader_that_goes_away_is_no_error() {
    let folder = Folder::new();
    let mut child = folder.command(&["rules", "list"]).spawn().unwrap();
    drop(child.stdout.take());
    let done = child.wait_with_output().unwrap();
    assert!(done.status.success(), "{}", String::from_utf8_lossy(&done.stderr));
    assert!(done.stderr.is_empty());
}
