//! Readings by pin and pasted lists, at a terminal and in files.

use super::run::{Folder, Ran};
use super::terminal::{Seat, screen};
use unicode_width::UnicodeWidthStr;

const BOARD: &str = include_str!("../data/readings/board.yaml");
const PACK: &str = include_str!("../data/packs/lantern.yaml");
pub const JOB: &str = "unit: Paper Boat\nhistory: fresh-build\nbuild: stripboard\nboard: boat.yaml\n\
    complaint: {words: nothing comes out}\ntools: [meter, iron, spares]\n";
/// Only the test's own pack, so that the screens change only where the words of the command do.
pub const OWN: [&str; 3] = ["--rules", "lantern.yaml", "--bare"];

pub fn bench() -> Folder {
    let folder = Folder::new();
    folder.put("boat.yaml", BOARD).put("lantern.yaml", PACK).put("job.yaml", JOB);
    folder
}

pub fn own(folder: &Folder, line: &[&str]) -> Ran {
    folder.run(&[&OWN[..], line].concat())
}

/// A golden screen, each line within its columns; commands to be copied are never broken and may be longer.
pub fn golden(name: &str, columns: u16, shown: &str) {
    for line in shown.lines().filter(|l| !l.contains("halfsplit ")) {
        assert!(line.width() <= usize::from(columns), "{columns}: {line}");
    }
    insta::with_settings!({ prepend_module_to_snapshot => false, snapshot_path => "screens", omit_expression => true }, {
        insta::assert_snapshot!(format!("{name}-{columns}"), shown);
    });
}

const PASTE: [&str; 6] = [
    "IC1: 1 4.4, 2 4.4, 3 4,3, 4 0",
    "Q1 E 0.0 B 0.75 C 8.9",
    "IC2 pin 6 = ~4.4V",
    "# the light is on",
    "V5",
    "Q2 C 8.8 E ?",
];

#[test]
fn a_list_is_pasted_and_each_line_says_what_it_became() {
    for columns in [80, 44] {
        let folder = bench();
        let line = [&OWN[..], &["note", "job.yaml", "--readings", "-"]].concat();
        let mut seat = Seat::at(&folder, &line, columns, "xterm");
        seat.expect("Ctrl-D ends them.\r\n");
        seat.type_keys(&format!(
            "{}\n\u{4}",
            PASTE.map(|l| if l == "V5" { "V5 4.97" } else { l }).join("\n")
        ));
        assert_eq!(seat.end(), 0, "{}", seat.all());
        let shown = screen(&seat.all());
        let (echo, _) = shown.split_once("Under suspicion").unwrap();
        golden("paste", columns, echo);
        let card = folder.text("job.yaml");
        for finding in
            ["volts:IC1.3, answer: \"4,3\"", "volts:IC2.6, answer: \"~4.4V\"", "volts:Q2.e, answer: unsure"]
        {
            assert!(card.contains(finding), "{card}");
        }
        assert!(
            card.contains("readings as pasted: IC1: 1 4.4") && card.contains("the light is on"),
            "{card}"
        );
    }
}

#[test]
fn nothing_is_written_unless_all_of_it_can_be_read_or_the_rest_is_asked_for() {
    let folder = bench();
    folder.put("pins.txt", &PASTE.join("\n").replace("V5", "V5 4.9O"));
    let ran = own(&folder, &["note", "job.yaml", "--readings", "pins.txt"]).ends(1);
    assert!(ran.err.contains("line 5: '4.9O' has a letter where a figure should be"), "{}", ran.err);
    assert!(ran.err.contains("give --what-can-be-read to note the others"), "{}", ran.err);
    assert!(ran.out.contains("NOT READ") && ran.out.contains("IC1.3"), "{}", ran.out);
    assert_eq!(folder.text("job.yaml"), JOB);
    let ran = own(&folder, &["note", "job.yaml", "--readings", "pins.txt", "--what-can-be-read"]).ends(0);
    assert!(ran.out.contains("On the card as findings 1 to 10."), "{}", ran.out);
    let card = folder.text("job.yaml");
    assert!(card.contains("V5 4.9O") && !card.contains("check: volts:V5"), "kept in words alone: {card}");
    for (list, says) in [
        ("\n", "the list has no reading in it"),
        ("the lid is off\n", "the list has no reading in it"),
        ("VX 4\n", "the board has no net 'VX'"),
    ] {
        let ran =
            folder.run_with(list, &[&OWN[..], &["note", "job.yaml", "--readings", "-"]].concat()).ends(1);
        assert!(ran.err.contains(says), "{}", ran.err);
    }
    own(&folder, &["note", "job.yaml", "--readings", "nowhere.txt"]).ends(1);
    assert_eq!(folder.text("job.yaml"), card);
}

#[test]
fn pins_name_nets_wherever_a_check_is_named() {
    let folder = bench();
    own(&folder, &["note", "job.yaml", "volts:IC1.3=4.3", "ohms:D1.k=OL", "level:Q2.e=silent"]).ends(0);
    let ran = own(&folder, &["note", "job.yaml", "volts:IC1.9=4"]).ends(1);
    assert!(ran.err.contains("IC1 has no pin '9'; its pins are 1"), "{}", ran.err);
    let ran = own(&folder, &["note", "job.yaml", "volts:R4=4"]).ends(1);
    assert!(ran.err.contains("say which end: R4.1 on V9"), "{}", ran.err);
    // A check left out by a pin is left out whichever pin it is called by.
    let skipping = format!("{}skip: [volts:VIN, volts:D1.k]\n", folder.text("job.yaml"));
    folder.put("job.yaml", &skipping);
    own(&folder, &["next", "job.yaml"]).ends(0);
    let shown = own(&folder, &["show", "job.yaml"]).ends(0).out;
    assert!(
        shown.contains("Volts at PA: 4.30 V, net PA") && shown.contains("Level at E2: silent"),
        "{shown}"
    );
}

#[test]
fn at_the_bench_pins_are_answers_to_any_step() {
    let folder = bench();
    let line = [&OWN[..], &["bench", "job.yaml"]].concat();
    let mut seat = Seat::at(&folder, &line, 80, "xterm");
    seat.say("IC1.3 4.3, Q1 C 8.9");
    seat.expect("Noted 1: volts:IC1.3=4.3");
    seat.expect("Noted 2: volts:Q1.c=8.9");
    seat.say("IC1.9 4");
    seat.expect("has no pin '9'");
    seat.expect("Nothing was noted.");
    seat.say("stop");
    assert_eq!(seat.end(), 0);
}

#[test]
fn without_a_board_the_same_list_is_kept_and_answers_the_checks_that_speak_of_such_pins() {
    let folder = Folder::new();
    folder.put(
        "job.yaml",
        "unit: A fuzz\nhistory: fresh-build\ncomplaint: {symptoms: [silent]}\nblocks: [transistor]\n",
    );
    folder.put("pins.txt", "Q1 E 0.6 B 1.2 C 4.4\nQ2 C 8.8\nIC1: 1 4.5\n+9V 9.1\n");
    let ran = folder.run(&["note", "job.yaml", "--readings", "pins.txt"]).ends(0);
    assert!(ran.out.contains("off: volts:Q2.c=8.8: 8.80 V: near supply"), "{}", ran.out);
    let why = folder.run(&["why", "job.yaml", "emitter-path-open"]).ends(0).out;
    assert!(why.contains("Collector or drain volts: 8.8"), "{why}");
    let shown = folder.run(&["show", "job.yaml"]).ends(0).out;
    assert!(shown.contains("kept, weighs nothing"), "{shown}");
}

/// On an outline a pin answers the check of its spot, by the volts on record or by a good unit's; what fits nothing says why.
#[test]
fn a_list_fills_the_spots_of_an_outline() {
    let folder = Folder::new();
    folder.put(
        "job.yaml",
        "unit: A fuzz\nhistory: worked-before\npower: battery\ncomplaint: {symptoms: [silent]}\noutline: fuzz\ntools: [meter]\n",
    );
    folder.put("pins.txt", "battery 9.1\nQ1 C 1.3 B 0.62\nQ2 C 8.9 E 0,0\nQ7 C 4.4\n");
    let ran = folder.run(&["note", "job.yaml", "--readings", "pins.txt"]).ends(0);
    assert!(ran.out.contains("off: volts:Q2.c=8.9: 8.90 V: at an end"), "{}", ran.out);
    assert!(ran.out.contains("healthy 3.15 V to 6.75 V"), "{}", ran.out);
    let shown = folder.run(&["show", "job.yaml"]).ends(0).out;
    let shown = shown.split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(
        shown.contains("Resting volts at Q1: 1.30 V: right; another reading there counts for it"),
        "{shown}"
    );
    assert!(shown.contains("no spot Q7") && shown.contains("volts:SPOT.PIN"), "{shown}");
    let suspects = folder.run(&["suspects", "job.yaml", "--json"]).ends(0).out;
    let suspects: serde_json::Value = serde_json::from_str(&suspects).unwrap();
    assert!(suspects["suspects"][0]["id"].as_str().unwrap().ends_with("@Q2"), "{suspects:#}");
    // Beside a unit that works, what it reads is the healthy reading: this design rests its second collector high.
    folder.run(&["note", "job.yaml", "--good", "volts:Q2.c=8.8V", "volts:Q2.e=0.01V"]).ends(0);
    let shown = folder.run(&["show", "job.yaml"]).ends(0).out;
    assert!(shown.contains("Resting volts at Q2: 0 V: right"), "{shown}");
    // At the bench the spot's name goes without saying, and what was noted is echoed with what it means.
    let bench =
        folder.run_with("Q1 C 0.05\nright, hiss=no\nstop\n", &["bench", "job.yaml", "--plain"]).ends(0).out;
    assert!(bench.contains("volts:Q1.c=0.05: at an end; healthy"), "{bench}");
    let card = folder.text("job.yaml");
    assert!(
        !card.contains("check: hiss, answer: \"yes\"") && !card.contains("check: hiss, answer: yes"),
        "{card}"
    );
}

#[test]
fn from_a_board_and_three_pasted_lines_to_the_fault_in_a_few_commands() {
    let folder = Folder::new();
    folder.put("boat.yaml", BOARD);
    // What a meter shows on a unit with one resistor open, by the solver.
    let page = folder.run(&["whatif", "boat.yaml", "R4:open", "--json"]).ends(0).out;
    let page: serde_json::Value = serde_json::from_str(&page).unwrap();
    let volts = |net: &str| {
        let id = format!("volts:{net}");
        let lines = page["lines"].as_array().unwrap();
        lines.iter().find(|l| l["check"] == id.as_str()).unwrap()["faulted"].as_f64().unwrap()
    };
    let list = format!(
        "V9 {:.2}, VH {:.2}\nQ1 E {:.3} B {:.3} C {:.2}\nIC1: 1 {:.2}, 7 {:.2}\n",
        volts("V9"),
        volts("VH"),
        volts("E1"),
        volts("B1"),
        volts("C1N"),
        volts("OA"),
        volts("OB")
    );
    folder.put("pins.txt", &list);
    folder
        .run(&[
            "open",
            "job.yaml",
            "--history",
            "fresh-build",
            "--board",
            "boat.yaml",
            "--complaint",
            "no sound",
        ])
        .ends(0);
    folder.run(&["note", "job.yaml", "--readings", "pins.txt"]).ends(0);
    let suspects = folder.run(&["suspects", "job.yaml", "--json"]).ends(0).out;
    let suspects: serde_json::Value = serde_json::from_str(&suspects).unwrap();
    let first: Vec<String> = suspects["suspects"]
        .as_array()
        .unwrap()
        .iter()
        .take(3)
        .flat_map(|s| s["faults"].as_array().unwrap().iter().map(|f| f.as_str().unwrap().to_owned()))
        .collect();
    assert!(first.iter().any(|f| f == "R4:open"), "{first:?}");
}
