//! The job as a record: `show`, `set`, `undo`, `jobs`, `examples`, and what `bench` takes beside plain answers.

use super::pins::golden;
use super::run::Folder;
use super::terminal::{Seat, screen};

const PACK: &str = include_str!("../data/packs/lantern.yaml");
const CARD: &str = "unit: Tin Lantern\nhistory: fresh-build\nbuild: stripboard\nowner: I. Fern\n\
    received: 2026-11-24T09:00:00Z\ncomplaint: {words: It swells up and then there is no echo, symptoms: [no-echo]}\n\
    findings:\n  - {at: 2026-11-24T10:05:00Z, check: look-regulator, answer: right, minutes: 2}\n\
    \x20 - {at: 2026-11-24T10:09:00Z, check: logic-rail-volts, answer: 3.1V, remark: sinks as it warms}\n\
    \x20 - {at: 2026-11-24T10:12:00Z, check: logic-rail-volts, answer: 3.1, struck: the same twice}\n";
const OWN: [&str; 3] = ["--rules", "lantern.yaml", "--bare"];

fn folder() -> Folder {
    let folder = Folder::new();
    folder.put("lantern.yaml", PACK).put("job.yaml", CARD);
    folder
}

fn at(folder: &Folder, columns: u16, line: &[&str]) -> String {
    let mut seat = Seat::at(folder, &[&OWN[..], line].concat(), columns, "xterm");
    assert_eq!(seat.end(), 0, "{}", seat.all());
    screen(&seat.all())
}

#[test]
fn a_job_is_shown_set_and_listed() {
    for columns in [80, 44] {
        let folder = folder();
        golden("show", columns, &at(&folder, columns, &["show", "job.yaml"]));
        let set = [
            "set",
            "job.yaml",
            "--serial",
            "0042",
            "--condition",
            "lid scratched",
            "--not-tested",
            "the tap switch",
            "--did",
            "new regulator",
            "--minutes",
            "15",
            "--part",
            "78L05=0.60",
            "--labour",
            "40",
        ];
        folder.run(&[&OWN[..], &set].concat()).ends(0);
        folder.put(
            "closed.yaml",
            "unit: Copper Kettle\nhistory: worked-before\noutcome: {end: nothing-wrong}\n",
        );
        folder.put("organ.yaml", "unit: Organ\nhistory: worked-before\npower: mains\n");
        folder.put("torn.yaml", "unit: Rust Comb\nhistory: never\n");
        folder.put("board.yaml", "board: Some board\nparts: {}\n");
        golden("jobs", columns, &at(&folder, columns, &["jobs"]));
        let shown = folder.run(&[&OWN[..], &["show", "job.yaml"]].concat()).ends(0).out;
        assert!(
            shown.contains("new regulator, 15 min; 78L05 at 0.60") && shown.contains("17 min noted"),
            "{shown}"
        );
    }
}

#[test]
fn a_bill_needs_no_hand_editing() {
    let folder = Folder::new();
    let open = [
        "open",
        "job.yaml",
        "--unit",
        "Tin Lantern",
        "--history",
        "worked-before",
        "--complaint",
        "no sound",
        "--owner",
        "I. Fern",
        "--serial",
        "0042",
        "--condition",
        "lid scratched",
        "--not-tested",
        "expression jack",
        "--labour",
        "40",
        "--number",
        "17",
    ];
    folder.run(&open).ends(0);
    folder.run(&["set", "job.yaml", "--did", "new lead", "--part", "lead=4.50"]).ends(0);
    folder.run(&["close", "job.yaml", "--nothing-wrong", "--did", "a new lead", "--minutes", "30"]).ends(0);
    let page = folder.run(&["summary", "job.yaml"]).ends(0).out;
    for words in ["I. Fern", "0042", "lid scratched", "expression jack", "17", "20.00", "4.50", "24.50"] {
        assert!(page.contains(words), "{words} is missing:\n{page}");
    }
    assert!(!page.contains("not recorded") && !page.contains("Not recorded"), "{page}");
    // A closed job takes nothing more until it is opened again.
    let ran = folder.run(&["note", "job.yaml", "hiss=yes"]).ends(1);
    assert!(ran.err.contains("this job is closed") && ran.err.contains("--reopen"), "{}", ran.err);
    folder.run(&["set", "job.yaml", "--reopen"]).ends(0);
    folder.run(&["note", "job.yaml", "hiss=yes"]).ends(0);
    assert!(folder.text("job.yaml").contains("the outcome was: {"), "{}", folder.text("job.yaml"));
    for (line, says) in [
        (vec!["set", "job.yaml"], "nothing to set"),
        (vec!["set", "job.yaml", "--minutes=-3"], "a number of minutes above 0"),
        (vec!["set", "job.yaml", "--labour", "much"], "--labour wants a sum"),
        (vec!["set", "job.yaml", "--power", "steam"], "unknown power source 'steam'"),
        (vec!["set", "job.yaml", "--block", "steam"], "unknown block 'steam'"),
        (vec!["set", "job.yaml", "--did", "x", "--part", "=3"], "names no part"),
    ] {
        let ran = folder.run(&line);
        assert!(ran.code > 0 && ran.err.contains(says), "{line:?}: {}", ran.err);
    }
}

#[test]
fn undo_takes_findings_back_one_or_several() {
    let folder = folder();
    let own = |line: &[&str]| folder.run(&[&OWN[..], line].concat());
    own(&["note", "job.yaml", "hiss=no", "logic-rail-volts=4.9V"]).ends(0);
    let ran = own(&["undo", "job.yaml"]).ends(0);
    assert!(ran.out.starts_with("Struck 5: logic-rail-volts=4.9V\n1 more was noted with it"), "{}", ran.out);
    own(&["undo", "job.yaml", "-n", "3"]).ends(0);
    assert_eq!(folder.text("job.yaml").matches("taken back").count(), 4);
    let ran = own(&["undo", "job.yaml"]).ends(1);
    assert!(ran.err.contains("no finding to take back"), "{}", ran.err);
}

#[test]
fn examples_are_listed_and_each_name_works() {
    let folder = Folder::new();
    let list = folder.run(&["examples", "--json"]).ends(0).out;
    let list: serde_json::Value = serde_json::from_str(&list).unwrap();
    let (jobs, boards) = (list["jobs"].as_array().unwrap(), list["boards"].as_array().unwrap());
    assert!(jobs.len() > 20 && boards.len() > 5);
    let text = folder.run(&["examples"]).ends(0).out;
    for job in jobs {
        let name = job["job"].as_str().unwrap();
        assert!(text.contains(&format!("  {name}")));
        folder.run(&["show", "--example", name]).ends(0);
    }
    folder.run(&["whatif", "--list", "--example", boards[0]["board"].as_str().unwrap()]).ends(0);
}

#[test]
fn bench_takes_skips_don_t_knows_several_answers_and_new_symptoms() {
    for columns in [80, 44] {
        let folder = Folder::new();
        let card = CARD.split("findings:").next().unwrap();
        folder.put("lantern.yaml", PACK).put("job.yaml", card);
        let mut seat = Seat::at(&folder, &[&OWN[..], &["bench", "job.yaml"]].concat(), columns, "xterm");
        for line in [
            "skip",
            "I can't do that",
            "don't know",
            "undo",
            "right, hiss=no",
            "there is a hiss now too",
            "again",
            "stop",
        ] {
            seat.say(line);
        }
        assert_eq!(seat.end(), 0, "{}", seat.all());
        golden("bench-words", columns, &screen(&seat.all()));
    }
}

/// Lines of each step between two prompts.
fn steps(written: &str) -> Vec<usize> {
    let mut out = Vec::new();
    let mut lines = 0;
    for line in written.lines() {
        lines += 1;
        if line.starts_with('>') {
            out.push(std::mem::take(&mut lines));
        }
    }
    out
}

#[test]
fn a_step_fits_a_small_screen() {
    let folder = Folder::new();
    for example in ["silent-build", "cloud-ladder-open"] {
        if example == "cloud-ladder-open" {
            folder.put("job.yaml", include_str!("../data/cloud-ladder-open.yaml"));
        }
        let target: &[&str] = if example == "silent-build" { &["--example", example] } else { &["job.yaml"] };
        let lines = "later\n".repeat(14) + "stop\n";
        let ran = folder.run_with(&lines, &[&["bench", "--plain"], target].concat()).ends(0);
        let steps = steps(&ran.out);
        assert!(steps.len() > 10, "{}", ran.out);
        // The first one comes with the opening.
        for (i, n) in steps.iter().enumerate().skip(1) {
            assert!(*n <= 24, "{example}: step {i} takes {n} lines:\n{}", ran.out);
        }
    }
}
