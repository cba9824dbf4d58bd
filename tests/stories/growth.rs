//! What grows stays quick: long cards, floods of mistakes, files that are too large. The limits are those of a slow machine and an
//! unoptimised build; a quadratic step takes minutes.

use super::run::Folder;
use std::fmt::Write;
use std::time::{Duration, Instant};

const CARD: &str =
    "unit: A\nhistory: fresh-build\npower: battery\ncomplaint: {symptoms: [silent]}\ntools: [meter]\n";

fn quick(folder: &Folder, line: &[&str], code: i32, seconds: u64) -> String {
    let begun = Instant::now();
    let ran = folder.run(line);
    let took = begun.elapsed();
    assert_eq!(ran.code, code, "{line:?}: {}", ran.err.chars().take(500).collect::<String>());
    assert!(took < Duration::from_secs(seconds), "{line:?} took {took:?}");
    println!("{line:?}: {took:?}");
    ran.err
}

/// A card with so many findings on the checks of the built-in rules, again and again.
fn long(findings: usize) -> String {
    let rules = halfsplit::rules::Rules::builtin().unwrap();
    let checks: Vec<_> = rules.checks().filter(|(_, c)| c.symptom.is_none()).map(|(_, c)| c).collect();
    let mut text = format!("{CARD}findings:\n");
    for i in 0..findings {
        let check = checks[i % checks.len()];
        let answer = &check.answers[usize::from(i % 7 == 0) % check.answers.len()];
        let (hour, minute) = (i / 60 % 24, i % 60);
        writeln!(
            text,
            "  - {{at: 2026-11-24T{hour:02}:{minute:02}:00Z, check: {}, answer: \"{answer}\"}}",
            check.id
        )
        .unwrap();
    }
    text
}

/// Every check answered once makes the dearest sums: weighing one finding against all others costs one.
#[test]
fn three_hundred_findings() {
    let folder = Folder::new();
    folder.put("job.yaml", &long(300));
    for line in [&["suspects", "job.yaml"][..], &["summary", "job.yaml"]] {
        quick(&folder, line, 0, 60);
    }
}

#[test]
fn ten_thousand_findings() {
    let folder = Folder::new();
    folder.put("job.yaml", &long(10_000));
    quick(&folder, &["next", "job.yaml"], 0, 15);
    quick(&folder, &["note", "job.yaml", "effect-sound=silent"], 0, 20);
    for format in ["text", "html"] {
        quick(&folder, &["summary", "job.yaml", "--for", "bench", "--format", format], 0, 60);
    }
}

#[test]
fn floods_of_mistakes_are_refused_at_once() {
    let folder = Folder::new();
    let keys = |n: usize, of: &dyn Fn(usize) -> String| (0..n).map(of).collect::<String>();
    let many = 100_000;
    for (name, text) in [
        ("keys.yaml", CARD.to_string() + &keys(many, &|i| format!("key{i}: x\n"))),
        ("same.yaml", CARD.to_string() + &keys(many, &|_| "unit: x\n".into())),
        (
            "findings.yaml",
            format!("{CARD}findings:\n{}", keys(many, &|i| format!("- {{check: c{i}, answer: x}}\n"))),
        ),
        (
            "answers.yaml",
            format!("{CARD}findings:\n{}", keys(many, &|_| "- {check: hum, answer: x}\n".into())),
        ),
        ("skip.yaml", format!("{CARD}skip:\n{}", keys(many, &|i| format!("- nothing{i}\n")))),
        ("blocks.yaml", format!("{CARD}blocks:\n{}", keys(many, &|i| format!("- nothing{i}\n")))),
        ("symptoms.yaml", CARD.replace("[silent]", &format!("[{}]", keys(many, &|i| format!("s{i}, "))))),
    ] {
        folder.put(name, &text);
        let err = quick(&folder, &["next", name], 1, 10);
        assert!(
            err.contains("nothing from here on was looked at"),
            "{name}: {}",
            err.chars().take(300).collect::<String>()
        );
        assert!(err.lines().count() < 2000, "{name}");
    }
    // So many of one and the same are no mistake, and no more than one.
    folder.put("silent.yaml", &CARD.replace("[silent]", &format!("[{}]", "silent, ".repeat(300_000))));
    quick(&folder, &["next", "silent.yaml"], 0, 15);
    let board = include_str!("../../cases/boards/pocket_beacon.yaml");
    for (name, text) in [
        (
            "parts.yaml",
            board.to_string()
                + &keys(40_000, &|i| format!("  RX{i}: {{kind: resistr, value: 1k, nets: [A, B]}}\n")),
        ),
        ("fields.yaml", board.to_string() + &keys(many, &|i| format!("key{i}: x\n"))),
        (
            "supplies.yaml",
            format!(
                "board: A\nbuild: pcb\nground: GND\nsupply:\n{}parts: {{}}\n",
                keys(30_000, &|i| format!(
                    "- {{name: s{i}, plus: P{i}, minus: GND, volts: 9V, source: battry}}\n"
                ))
            ),
        ),
    ] {
        folder.put(name, &text);
        quick(&folder, &["sheet", name], 1, 20);
    }
    for (name, text) in [
        (
            "faults.yaml",
            format!(
                "pack: x\ntitle: x\napplies: always\nabout: x\nfaults:\n{}",
                keys(60_000, &|i| format!("  f{i}: {{says: x}}\n"))
            ),
        ),
        (
            "fields.yaml",
            format!(
                "pack: x\ntitle: x\napplies: always\nabout: x\n{}",
                keys(many, &|i| format!("key{i}: x\n"))
            ),
        ),
    ] {
        folder.put(name, &text);
        quick(&folder, &["--bare", "--rules", name, "rules", "check"], 1, 20);
    }
}

#[test]
fn a_file_that_is_too_large_is_refused_by_its_size() {
    let folder = Folder::new();
    let file = std::fs::File::create(folder.path("large.yaml")).unwrap();
    file.set_len(200_000_000).unwrap();
    for line in [
        &["next", "large.yaml"][..],
        &["note", "large.yaml", "effect-sound=silent"],
        &["sheet", "large.yaml"],
        &["--rules", "large.yaml", "rules", "check"],
        &["summary", "--example", "silent-build", "--config", "large.yaml"],
    ] {
        let err = quick(&folder, line, 1, 5);
        assert!(err.contains("200000000 bytes, more than the 4194304"), "{line:?}: {err}");
    }
    // One that is full takes no more, and says why.
    let full = format!("{CARD}remarks:\n  - {{text: {}}}\n", "x".repeat(4 * 1024 * 1024 - 140));
    folder.put("full.yaml", &full);
    let err = quick(&folder, &["note", "full.yaml", "effect-sound=silent"], 1, 10);
    assert!(err.contains("more than the 4194304 that a file may have; begin a new one"), "{err}");
    assert_eq!(folder.text("full.yaml"), full);
}
