//! Text from files and arguments is text: whatever stands in any field, path or name, nothing of it drives a terminal, turns a line
//! round, or passes for a line of the command's own.

use super::run::{Folder, Ran};
use std::collections::BTreeSet;

/// What a field may hold at its worst: colours, titles, a clear screen, a link, the clipboard, C1 controls, bells, backspaces, DEL,
/// overrides, isolates, marks without a width, line ends with a line that passes for another.
const POISON: &str = "x\u{1b}[31mRED\u{1b}]0;pwned\u{7}\u{1b}[2J\u{1b}]8;;http:x\u{1b}\\\u{1b}]52;c;ZXZpbA==\u{7}\u{9b}31m\u{7}\u{8}\u{7f}\u{202e}RTL\u{202c}\u{2066}\u{200b}\u{feff}\u{e0041}\r\nFAKE: paid in full\u{85}FAKE\u{2028}FAKE\ry";

/// The same as a YAML scalar.
fn poison() -> String {
    let mut out = String::from("\"");
    for c in POISON.chars() {
        match c {
            '"' | '\\' => out.push_str(&format!("\\{c}")),
            c if c.is_ascii_graphic() || c == ' ' => out.push(c),
            c if u32::from(c) > 0xffff => out.push_str(&format!("\\U{:08x}", u32::from(c))),
            c => out.push_str(&format!("\\u{:04x}", u32::from(c))),
        }
    }
    out + "\""
}

fn is_clean(c: char) -> bool {
    match c {
        '\n' | '\t' => true,
        c if c.is_control() => false,
        '\u{202a}'..='\u{202e}'
        | '\u{2066}'..='\u{2069}'
        | '\u{2028}'
        | '\u{2029}'
        | '\u{200b}'
        | '\u{feff}' => false,
        '\u{e0000}'..='\u{e007f}' => false,
        _ => true,
    }
}

fn clean(what: &str, text: &str) -> Result<(), String> {
    if let Some(c) = text.chars().find(|c| !is_clean(*c)) {
        let at = text.find(c).unwrap();
        let near: String = text[..at].chars().rev().take(60).collect::<Vec<_>>().into_iter().rev().collect();
        return Err(format!("{what}: U+{:04X} behind {near:?}", u32::from(c)));
    }
    let lines: Vec<&str> = text.lines().collect();
    // What is wrapped under its label is indented.
    match lines.iter().position(|line| line.starts_with("FAKE")) {
        Some(at) => {
            let near = lines[at.saturating_sub(3)..=at].join("\n");
            Err(format!("{what}: a line of a field passes for one of ours:\n{near}\n"))
        }
        None => Ok(()),
    }
}

fn poisoned() -> Folder {
    let folder = Folder::new();
    let p = poison();
    let card = format!(
        "unit: {p}\nowner: {p}\nnumber: {p}\nserial: {p}\nreceived: {p}\ncondition: {p}\nhistory: after-change\nchanged: {p}\n\
         complaint: {{words: {p}, symptoms: [silent]}}\ntools: [meter]\nfindings:\n\
         \x20 - {{at: {p}, check: look-burn, answer: clean, remark: {p}}}\n  - {{check: look-bridges, answer: none, struck: {p}}}\n\
         remarks: [{{at: {p}, text: {p}}}]\nwork: [{{at: {p}, did: {p}, parts: [{{part: {p}, price: '1.00'}}]}}]\nnot-tested: [{p}]\n"
    );
    folder.put("job.yaml", &card);
    folder.put("drawn.yaml", &format!("{card}board: board.yaml\n"));
    let done = format!("{card}outcome: {{at: {p}, end: mended, faults: [lead-broken], did: {p}}}\n");
    folder.put("done.yaml", &done);
    folder.put("odd.yaml", &format!("{card}outcome: {{end: mended, faults: [{p}]}}\n"));
    let board = include_str!("../../cases/boards/pocket_beacon.yaml");
    let title = board.lines().find(|l| l.starts_with("board:")).unwrap();
    let board = board.replace(title, &format!("board: {p}"));
    let says = board.lines().find(|l| l.starts_with("says:")).map(str::to_string);
    let board = says.map_or(board.clone(), |s| board.replace(&s, &format!("says: {p}")));
    folder.put("board.yaml", &board);
    folder.put("bad-board.yaml", &format!("board: A\nbuild: {p}\nground: {p}\nsupply: [{{name: {p}, plus: {p}, minus: {p}, volts: {p}, source: {p}}}]\nparts: {{{p}: {{kind: {p}, value: {p}, nets: [{p}]}}}}\n"));
    let pack = include_str!("../data/packs/lantern.yaml");
    // Every text of the pack is poisoned, its names stay.
    let texts = ["title", "about", "says", "plain", "how", "why", "healthy", "source", "where", "ask"];
    let mut poisoned = String::new();
    let mut folded: Option<usize> = None;
    for line in pack.lines() {
        let indent = line.len() - line.trim_start().len();
        if folded.is_some_and(|of| indent > of) {
            continue; // of a folded text that was replaced
        }
        folded = None;
        let key = line.trim_start().split(':').next().unwrap_or_default();
        if texts.contains(&key) && line.trim_end().ends_with(|c: char| c != ':') {
            folded = line.ends_with(['>', '|']).then_some(indent);
            poisoned += &format!("{}: {p}\n", &line[..line.find(':').unwrap()]);
        } else {
            poisoned += &format!("{line}\n");
        }
    }
    let pack = poisoned;
    folder.put("pack.yaml", &pack);
    folder
        .put("bad-pack.yaml", &format!("pack: {p}\ntitle: {p}\n{p}: {p}\nfaults: {{{p}: {{says: {p}}}}}\n"));
    folder.put("shop.yaml", &format!("name: {p}\naddress: [{p}]\ncontact: [{p}]\ncurrency: {{sign: {p}}}\nlabour-per-hour: 40\nterms: [{p}]\ncare: [{p}]\n"));
    folder.put("bad-shop.yaml", &format!("name: A\nlabour-per-hour: {p}\n"));
    folder.put("bad-card.yaml", &format!("unit: A\nhistory: {p}\n{p}: {p}\n"));
    folder.put("bad-findings.yaml", &format!("unit: A\nhistory: fresh-build\ncomplaint: {{symptoms: [{p}]}}\nskip: [{p}]\nblocks: [{p}]\nfindings:\n  - {{check: {p}, answer: {p}}}\n  - {{check: hum, answer: {p}}}\n  - {{check: 'try:x', answer: {p}}}\n"));
    folder.put("no-yaml.yaml", &format!("unit: {POISON}\n  [: {POISON}\n"));
    std::fs::create_dir(folder.path("paper")).unwrap();
    folder.put("paper/customer.txt", &format!("{{{{ unit.name }}}} {POISON}\n{{{{ unit.{} }}}}\n", "nmae"));
    let pasted = POISON.replace('\n', " ");
    folder.put("pasted.txt", &format!("Q1 c {pasted}\n{pasted}: 1 4.5\nIC1.1 4.5V {pasted}\n"));
    folder.put("poisoned.net", &format!("* {pasted}\nR1 {pasted} 0 1k\nR2 A 0 {pasted}\nX1 A B {pasted}\n"));
    std::fs::create_dir(folder.path("odd")).unwrap();
    folder.put("odd/custmer\u{1b}[31m.txt", "x");
    folder
}

#[test]
fn every_command_with_every_field_poisoned() {
    let folder = poisoned();
    let long = format!("{POISON}.yaml");
    let argument: &str = POISON;
    let mut covered = BTreeSet::new();
    let mut found: Vec<String> = Vec::new();
    let mut run = |line: &[&str], stdin: &str| -> Ran {
        let ran = folder.run_with(stdin, line);
        let what = line.join(" ").chars().filter(|c| !c.is_control()).take(90).collect::<String>();
        assert!((0..=3).contains(&ran.code), "{what}: {}", ran.err);
        found.extend(clean(&what, &ran.out).err());
        found.extend(clean(&what, &ran.err).err());
        let names: Vec<&str> = line
            .iter()
            .copied()
            .filter(|w| !w.starts_with('-') && !w.contains(['.', '/', '\n']))
            .take(2)
            .collect();
        covered.insert(names.first().copied().unwrap_or_default().to_string());
        covered.insert(names.join(" "));
        ran
    };
    for card in [
        "job.yaml",
        "drawn.yaml",
        "done.yaml",
        "odd.yaml",
        "bad-card.yaml",
        "bad-findings.yaml",
        "no-yaml.yaml",
        long.as_str(),
    ] {
        run(&["next", card, "-n", "9"], "");
        run(&["suspects", card], "");
        run(&["why", card, "unlisted"], "");
        run(&["why", card, argument], "");
        run(&["bench", card], "why\nsuspects\nhelp\nunsure\nback\nlater\nclose\n1\nyes\nx\nstop\n");
        run(&["strike", card, "9"], "");
        run(&["cases", "replay", card], "");
        run(&["cases", "report", card], "");
        run(&["cases", "learn", card], "");
        for format in ["text", "md", "html"] {
            for reader in ["customer", "bench"] {
                run(&["summary", card, "--for", reader, "--format", format, "--config", "shop.yaml"], "");
            }
        }
    }
    for line in [
        &["note", "job.yaml", "effect-sound=silent", "--remark", argument][..],
        &["note", "job.yaml", argument],
        &["note", "job.yaml", &format!("{argument}=silent")],
        &["note", "job.yaml", &format!("effect-sound={argument}")],
        &["note", "drawn.yaml", &format!("volts:{argument}=1V")],
        &["strike", "job.yaml", "1", "--why", argument],
        &["strike", "job.yaml", argument],
        &["close", "done.yaml", "--fault", argument],
        &["close", "job.yaml", "--unlisted", "--did", argument],
        &["open", "fresh.yaml", "--unit", argument, "--complaint", argument, "--changed", argument],
        &["open", "fresh2.yaml", "--history", argument],
        &["open", "fresh3.yaml", "--power", argument],
        &["open", "fresh4.yaml", "--block", argument],
        &["open", "fresh5.yaml", "--board", argument],
        &["open", "fresh6.yaml", "--symptom", argument],
        &["open", &long],
        &["bench", "--example", argument],
        &["summary", "job.yaml", "--config", "bad-shop.yaml"],
        &["summary", "job.yaml", "--templates", "paper"],
        &["summary", "job.yaml", "--templates", "odd"],
        &["summary", "job.yaml", "--templates", argument],
        &["summary", "job.yaml", "-o", &long],
        &["summary", "--write-templates", argument],
        &["sheet", "board.yaml"],
        &["sheet", "board.yaml", "--format", "md"],
        &["sheet", "bad-board.yaml"],
        &["sheet", argument],
        &["whatif", "board.yaml", "C3:short"],
        &["whatif", "board.yaml", "--list"],
        &["whatif", "board.yaml", argument],
        &["whatif", "bad-board.yaml", "--list"],
        &["coverage", "board.yaml"],
        &["coverage", "bad-board.yaml"],
        &["drill", "board.yaml", "--auto", "1", "--trail", "--strategies", "checklist"],
        &["drill", "bad-board.yaml"],
        &["drill", "board.yaml", "--strategies", argument, "--auto", "1"],
        &["drill", "--cases", "1", "-o", "job.yaml"],
        &["rules", "check"],
        &["--rules", "bad-pack.yaml", "rules", "check"],
        &["--rules", argument, "rules", "check"],
        &["--rules", argument, "next", "job.yaml"],
        &["rules", "show", argument],
        &["rules", "schema", argument],
        &["rules", "list", "--kind", argument],
        &["completions", argument],
        &["completions", "bash"],
        &["man", argument],
        &["cases", "learn", "job.yaml", "--merge", argument],
        &["cases", "learn", "done.yaml", "--stats", argument],
        &["show", "job.yaml"],
        &["show", "done.yaml"],
        &["show", "drawn.yaml"],
        &["set", "job.yaml", "--owner", argument, "--serial", argument, "--condition", argument],
        &["set", "job.yaml", "--labour", argument],
        &["compare", "job.yaml"],
        &["compare", "drawn.yaml"],
        &["undo", "job.yaml"],
        &["jobs", "."],
        &["jobs", argument],
        &["examples"],
        &["rules", "read", argument],
        &["board", "show", "board.yaml"],
        &["board", "check", "board.yaml"],
        &["board", "check", "bad-board.yaml"],
        &["board", "export", "board.yaml"],
        &["board", "import", "no-yaml.yaml"],
        &["board", "import", "poisoned.net", "-o", "made.yaml"],
        &["board", "new", argument],
        &["board", "attach", "job.yaml", argument],
        &["note", "job.yaml", "--readings", "pasted.txt"],
        &["note", "drawn.yaml", "--readings", "pasted.txt", "--what-can-be-read"],
        &[argument],
        &["next", "--example", "silent-build", &format!("--{argument}")],
    ] {
        run(line, "");
        run(&[line, &["--json"]].concat(), "");
    }
    run(&["drill", "board.yaml"], "help\n1\nfault\nstop\n");
    run(&["bench"], &format!("{argument}\nno\nbattery\n2\n{argument}\n\n1\nstop\n"));
    // Whatever a pack says, in whatever command.
    let with = ["--rules", "pack.yaml", "--bare"];
    let json = run(&[&with[..], &["rules", "list", "--json"]].concat(), "");
    let list: serde_json::Value = serde_json::from_str(&json.out).unwrap();
    let items = list["items"].as_array().unwrap();
    assert!(items.iter().any(|i| i["says"] == POISON), "nothing is lost in a document");
    for item in items {
        run(&[&with[..], &["rules", "show", item["id"].as_str().unwrap()]].concat(), "");
    }
    folder
        .put("own.yaml", "unit: A\nhistory: fresh-build\npower: battery\ncomplaint: {symptoms: [no-echo]}\n");
    for line in [
        &["rules", "list"][..],
        &["rules", "check"],
        &["next", "own.yaml"],
        &["suspects", "own.yaml"],
        &["why", "own.yaml", "regulator-turned"],
        &["summary", "own.yaml", "--for", "bench"],
    ] {
        run(&[&with[..], line].concat(), "");
    }
    run(
        &[&with[..], &["bench", "own.yaml"]].concat(),
        "why\nsuspects\nunsure\nunsure\nclose\n1\nyes\nx\nstop\n",
    );
    // No command was left out.
    let help = folder.run(&["--help"]).ends(0).out;
    let commands = help.lines().skip_while(|l| *l != "Commands:").skip(1).take_while(|l| !l.is_empty());
    let names: Vec<&str> = commands
        .filter_map(|l| l.strip_prefix("  "))
        .filter(|l| !l.starts_with(' '))
        .filter_map(|l| l.split_whitespace().next())
        .collect();
    assert!(names.len() > 15, "{help}");
    for name in names.iter().filter(|n| **n != "help") {
        assert!(covered.contains(*name), "'{name}' is not tried with poisoned fields");
    }
    assert!(found.is_empty(), "{} of them:\n{}", found.len(), found.join("\n"));
}

/// At a terminal the colours are the command's own, and nothing else passes.
#[cfg(target_os = "linux")]
#[test]
fn colours_are_ours() {
    let folder = poisoned();
    for line in [
        &["next", "bad-card.yaml"][..],
        &["next", "bad-findings.yaml"],
        &["next", "no-yaml.yaml"],
        &["sheet", "bad-board.yaml"],
        &["--rules", "bad-pack.yaml", "next", "job.yaml"],
    ] {
        let mut seat = super::terminal::Seat::at(&folder, line, 80, "xterm");
        assert_eq!(seat.end(), 1);
        std::thread::sleep(std::time::Duration::from_millis(200));
        let shown = seat.all();
        assert!(shown.contains("\u{1b}["), "{line:?} has no colour at all: {shown}");
        let mut plain = String::new();
        let mut rest = shown.as_str();
        while let Some(at) = rest.find('\u{1b}') {
            plain.push_str(&rest[..at]);
            let after = rest[at + 1..].strip_prefix('[').unwrap_or_else(|| panic!("{line:?}: {rest:?}"));
            let end = after.find(|c: char| !c.is_ascii_digit() && c != ';').unwrap();
            assert_eq!(&after[end..=end], "m", "{line:?}: {rest:?}");
            rest = &after[end + 1..];
        }
        plain.push_str(rest);
        clean(&format!("{line:?}"), &plain.replace("\r\n", "\n")).unwrap();
    }
}
