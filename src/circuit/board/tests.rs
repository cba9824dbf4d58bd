#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

use super::*;
use crate::circuit::dc::Options;
use crate::circuit::sweep::Sweep;

/// Name and text of every shipped board.
pub(crate) fn own_sources() -> Vec<(String, String)> {
    let dir = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("cases/boards");
    let mut files: Vec<_> = std::fs::read_dir(dir).unwrap().map(|f| f.unwrap().path()).collect();
    files.sort();
    let name = |path: &std::path::Path| path.file_name().unwrap().to_string_lossy().into_owned();
    files.iter().map(|path| (name(path), std::fs::read_to_string(path).unwrap())).collect()
}

pub(crate) fn own_boards() -> Vec<(String, Board)> {
    let library = Library::builtin().unwrap();
    own_sources()
        .into_iter()
        .map(|(name, text)| {
            let source = Source::new(name.clone(), text);
            let board = Board::load(&source, &library).unwrap_or_else(|c| panic!("{}", c.render(false)));
            (name, board)
        })
        .collect()
}

#[test]
fn every_fault_of_every_own_board_settles() {
    let boards = own_boards();
    assert!(boards.len() >= 6);
    for (name, board) in &boards {
        let mut sweep =
            Sweep::new(board.network(), Options::default()).unwrap_or_else(|e| panic!("{name}: {e}"));
        let tone = board.signal().unwrap().tone.0;
        assert!(board.faults().len() > board.parts().len());
        let mut failed = Vec::new();
        for fault in board.faults() {
            match sweep.solve(&fault.edits, Some(tone)) {
                Ok(found) => assert!(found.residual < 1e-6, "{name} {}: {}", fault.id, found.residual),
                Err(e) => failed.push(format!("{}: {e}", fault.id)),
            }
        }
        assert!(failed.is_empty(), "{name}: {failed:#?}");
    }
}

#[test]
fn schemas_are_committed() {
    crate::rules::assert_schema::<written::BoardFile>("board");
    crate::rules::assert_schema::<crate::rules::parts::written::PartFile>("parts");
    crate::rules::assert_output_schema::<crate::circuit::sheet::Sheet>("sheet");
    crate::rules::assert_output_schema::<crate::circuit::sheet::Whatif>("whatif");
    crate::rules::assert_output_schema::<crate::circuit::overview::Overview>("board-show");
    crate::rules::assert_output_schema::<crate::circuit::pinout::PartPage>("sheet-part");
    crate::rules::assert_output_schema::<crate::circuit::wiring::Wiring>("sheet-wiring");
}

const HEAD: &str = "board: Slate\nbuild: pcb\nground: GND\nsupply: [{name: main, plus: V9, minus: GND, volts: 9V, source: battery}]\nparts:\n";

fn complaints(text: &str) -> String {
    let library = Library::builtin().unwrap();
    match Board::load(&Source::new("b.yaml", text), &library) {
        Ok(_) => String::new(),
        Err(c) => c.0.iter().map(|c| format!("{}: {c}\n", c.code)).collect(),
    }
}

/// One slip each, with what must be said of it.
#[test]
fn slips_are_named_with_places_and_help() {
    let base = "  R1: {kind: resistor, value: 10k, nets: [V9, MID]}\n  R2: {kind: resistor, value: 10k, nets: [MID, GND]}\n";
    assert_eq!(complaints(&format!("{HEAD}{base}")), "");
    for (lines, said) in [
        (
            "  R3: {kind: resitor, value: 10k, nets: [V9, GND]}\n",
            "unknown-name: b.yaml:8:14: unknown part kind 'resitor'; did you mean 'resistor'?",
        ),
        (
            "  Q1: {device: 2N3940, nets: {c: V9, b: MID, e: GND}}\n",
            "no card for device '2N3940'; did you mean '2N3904'?",
        ),
        ("  Q1: {device: 2N3904, nets: {c: V9, b: MID, g: GND}}\n", "'Q1' has no pin 'g'"),
        ("  Q1: {device: 2N3904, nets: {c: V9, b: MID}}\n", "missing-pin: b.yaml:8:3: 'Q1' has no net at e"),
        (
            "  R3: {kind: resistor, value: 10k, nets: [MID, MDI]}\n",
            "lone-net: b.yaml:8:48: net 'MDI' has one connection only, at R3; did you mean 'MID'?",
        ),
        (
            "  C1: {kind: electrolytic, value: 100F, nets: {plus: V9, minus: GND}}\n",
            "odd-value: b.yaml:8:35: 100 F is outside reason for an electrolytic capacitor",
        ),
        ("  C1: {kind: film, value: 4700, nets: [V9, GND]}\n", "bad-value"),
        ("  R3: {kind: resistor, value: 10m, nets: [V9, GND]}\n", "write M for mega"),
        ("  R3: {kind: resistor, nets: [V9, GND]}\n", "'R3' needs a value"),
        ("  R3: {kind: resistor, value: 1k, nets: [MID, MID]}\n", "both-ends"),
        (
            "  VR1: {kind: pot, value: 10k, nets: {1: GND, 2: MID, 3: V9}}\n",
            "no-turn: b.yaml:8:3: the control 'VR1' has no turn",
        ),
        ("  VR1: {kind: pot, value: 10k, nets: {1: GND, 2: MID, 3: V9}, turn: 170%}\n", "bad-value"),
        ("  J1: {kind: link, nets: [V9, GND]}\n", "supply-short: b.yaml:4:17: the supply 'main' is shorted"),
        (
            "  J1: {device: 2N5457, nets: {d: V9, g: G, s: GND}}\n  C1: {kind: film, value: 10n, nets: [G, MID]}\n",
            "floating-input: b.yaml:8:3: input g of 'J1' floats",
        ),
        (
            "  Q1: {device: 2N3904, nets: {c: V9, b: B, e: GND}}\n  C1: {kind: film, value: 10n, nets: [B, MID]}\n",
            "floating-input",
        ),
        (
            "  IC1: {device: TL071, nets: {2: O, 3: P, 4: GND, 6: O, 7: V9}}\n  C1: {kind: film, value: 10n, nets: [P, MID]}\n",
            "input 3 of 'IC1' floats",
        ),
        (
            "  R3: {kind: resistor, value: 1k, nets: [X, Y]}\n  R4: {kind: resistor, value: 1k, nets: [X, Y]}\n",
            "island",
        ),
        ("  R3: {kind: resistor, value: 1k, nets: [V9, GND], turn: 50%}\n", "can't be turned"),
        (
            "  Q1: {device: 2N3904, nets: {c: V9, b: MID, e: GND}, with: {hef: 100}}\n",
            "no parameter 'hef'; did you mean 'hfe'?",
        ),
        ("  Q1: {device: 2N3904, nets: {c: V9, b: MID, e: GND}, with: {hfe: -3}}\n", "odd-value"),
        ("  R3: {nets: [V9, GND]}\n", "needs either 'kind' or 'device'"),
        ("  'R:3': {kind: resistor, value: 1k, nets: [V9, GND]}\n", "bad-name"),
        ("  V1: {device: ECC83, nets: {a: V9}}\n", "mains: b.yaml:8:16: 'ECC83' is a valve"),
    ] {
        let told = complaints(&format!("{HEAD}{base}{lines}"));
        assert!(told.contains(said), "{lines}gave:\n{told}wanted: {said}");
    }
}

#[test]
fn all_slips_at_once() {
    let told = complaints(&format!(
        "{HEAD}  R1: {{kind: resistr, value: 10k, nets: [V9, MID]}}\n  R2: {{kind: resistor, value: 10q, nets: [MID, GND]}}\n  R3: {{kind: resistor, value: 1k, nets: [V9, GND], colour: red}}\n"
    ));
    for said in ["unknown part kind 'resistr'", "'q'", "unknown field 'colour'"] {
        assert!(told.contains(said), "{told}");
    }
}

#[test]
fn mains_and_high_voltage_are_declined() {
    for supply in [
        "{name: main, plus: V9, minus: GND, volts: 230V, source: adaptor}",
        "{name: main, plus: V9, minus: GND, volts: 60V, source: bench}",
        "{name: main, plus: V9, minus: GND, volts: 12V, source: mains}",
        "{name: main, plus: V9, minus: GND, volts: 9VAC, source: adaptor}",
    ] {
        let text = format!(
            "board: X\nbuild: pcb\nground: GND\nsupply: [{supply}]\nparts:\n  R1: {{kind: resistor, value: 1k, nets: [V9, GND]}}\n"
        );
        let told = complaints(&text);
        assert!(
            told.starts_with("mains: ") && told.contains("licensed technician") && told.lines().count() == 1,
            "{told}"
        );
    }
    let fine = HEAD.replace("9V,", "48V,") + "  R1: {kind: resistor, value: 1k, nets: [V9, GND]}\n";
    assert_eq!(complaints(&fine), "");
}

#[test]
fn the_catalogue_names_what_a_bench_person_would() {
    let boards = own_boards();
    let ids = |start: &str| -> Vec<String> {
        let (_, board) = boards.iter().find(|(n, _)| n.starts_with(start)).unwrap();
        board.faults().iter().map(|f| f.id.clone()).collect()
    };
    let echo = ids("tin");
    for id in [
        "R8:open",
        "R8:x10",
        "R8:div10",
        "C10:leaky",
        "C3:turned",
        "D1:turned",
        "IC1.4:joint",
        "IC1:dead",
        "IC1:turned",
        "IC2:latched",
        "IC2.6:joint",
        "U1:turned",
        "U1:passes-through",
        "VR1:wiper-open",
        "main:turned",
        "main:open",
        "V5~V9:bridge",
        "IC1:stuck-high-a",
    ] {
        assert!(echo.iter().any(|f| f == id), "{id} missing from {echo:?}");
    }
    let booster = ids("pocket");
    for id in ["Q1:turned", "Q1:pins-ecb", "Q1.b:joint", "Q1:low-gain", "B~IN:bridge", "main:flat"] {
        assert!(booster.iter().any(|f| f == id), "{id} missing from {booster:?}");
    }
    for (name, board) in &boards {
        for f in board.faults() {
            assert!(
                !f.says.contains('{') && !f.fix.says.contains('{'),
                "{name} {}: {} / {}",
                f.id,
                f.says,
                f.fix.says
            );
            assert!(f.fix.minutes.0 > 0.0, "{name} {}", f.id);
            let sum: f64 = crate::rules::History::ALL.iter().map(|h| f.prior(*h).get()).sum();
            assert!(sum > 0.0 && sum < 0.2, "{name} {}: {sum}", f.id);
        }
    }
}

#[test]
fn priors_follow_history_and_build() {
    use crate::rules::History;
    let boards = own_boards();
    let (_, board) = boards.iter().find(|(n, _)| n.starts_with("tin")).unwrap();
    let p = |id: &str, h| board.fault(id).unwrap().prior(h).get();
    assert!(p("R8:x10", History::FreshBuild) > 10.0 * p("R8:x10", History::WorkedBefore));
    assert!(p("C1:dried", History::WorkedBefore) > 10.0 * p("C1:dried", History::FreshBuild));
    let text = std::fs::read_to_string(concat!(env!("CARGO_MANIFEST_DIR"), "/cases/boards/tin_lantern.yaml"))
        .unwrap();
    let as_pcb = text.replace("build: stripboard", "build: pcb");
    let pcb = Board::load(&Source::new("t.yaml", as_pcb), &Library::builtin().unwrap()).unwrap();
    assert!(
        p("V5~V9:bridge", History::FreshBuild)
            > 2.0 * pcb.fault("V5~V9:bridge").unwrap().prior(History::FreshBuild).get()
    );
}

#[test]
fn faults_do_what_they_say() {
    let boards = own_boards();
    let volts = |start: &str, fault: &[&str], net: &str| -> f64 {
        let (_, board) = boards.iter().find(|(n, _)| n.starts_with(start)).unwrap();
        let mut sweep = Sweep::new(board.network(), Options::default()).unwrap();
        sweep.solve(&board.edits(fault).unwrap(), None).unwrap().volts(board.node(net).unwrap())
    };
    assert!(
        volts("copper", &["D1:turned"], "V9").abs() < 0.25,
        "a guard diode the wrong way round lets nothing through"
    );
    assert!(volts("copper", &["main:turned"], "V9").abs() < 0.25, "the guard diode does its work");
    assert!(volts("copper", &["R1:open"], "VH") < 0.5);
    assert!(volts("copper", &["R1:x10"], "VH") < 1.0);
    assert!(volts("tin", &["U1.gnd:joint"], "V5") > 6.0, "a regulator without ground follows its input");
    assert!(
        (volts("tin", &["U1:passes-through"], "V5") - volts("tin", &["U1:passes-through"], "V9")).abs() < 0.2
    );
    assert!(volts("tin", &["IC1:stuck-low-a"], "OA") < 1.6);
    assert!(volts("pocket", &["R3:open", "R2:open"], "C") > 8.0, "no bias, no current");
    assert!(volts("pocket", &["main:flat"], "V9") < 6.0);
}

#[test]
fn an_amplifier_without_nets_is_not_on_the_board() {
    let library = Library::builtin().unwrap();
    let text = format!(
        "{HEAD}  R1: {{kind: resistor, value: 10k, nets: [V9, M]}}\n  R2: {{kind: resistor, value: 10k, nets: [M, GND]}}\n  IC1: {{device: TL072, nets: {{1: O, 2: O, 3: M, 4: GND, 8: V9}}}}\n  R3: {{kind: resistor, value: 10k, nets: [O, GND]}}\n"
    );
    let board = Board::load(&Source::new("b.yaml", text.as_str()), &library)
        .unwrap_or_else(|c| panic!("{}", c.render(false)));
    assert!(
        board.faults().iter().all(|f| !f.id.ends_with("-b") && !f.id.starts_with("IC1.5")),
        "none of its faults either"
    );
    assert!(board.fault("IC1:stuck-low-a").is_some());
    let sheet = crate::circuit::sheet::sheet(&board, &crate::circuit::predict::Bench::default()).unwrap();
    assert!(sheet.to_text(80).contains("volts:O"));
    // One with some of its nets is an oversight.
    let told = complaints(&text.replace("4: GND", "4: GND, 5: M"));
    assert!(told.contains("'IC1' has no net at 6, 7"), "{told}");
}

const DIVIDER: &str = "  R1: {kind: resistor, value: 10k, nets: [V9, M]}\n  R2: {kind: resistor, value: 10k, nets: [M, GND]}\n  C1: {kind: electrolytic, value: 10u, nets: {plus: M, minus: GND}}\n";

fn misplaced(rows: &str) -> Vec<String> {
    let text = format!("{HEAD}{DIVIDER}rows:\n{rows}");
    let board = Board::load(&Source::new("b.yaml", text), &Library::builtin().unwrap());
    board.unwrap_or_else(|c| panic!("{}", c.render(false))).misplaced().into_iter().map(|m| m.says).collect()
}

#[test]
fn rows_are_held_against_the_nets_and_name_the_leg() {
    let right = "  1: [V9, R1.1]\n  2: [R1.2, R2.1, C1+]\n  3: [R2.2, C1-, GND]\n";
    assert_eq!(misplaced(right), Vec::<String>::new());
    // Which end of a resistor is in which row does not matter where it is not said.
    assert_eq!(misplaced("  1: [V9, R1]\n  2: [R1, R2, C1+]\n  3: [R2, C1-, GND]\n"), Vec::<String>::new());
    assert_eq!(
        misplaced("  1: [V9, R1.1, C1+]\n  2: [R1.2, R2.1]\n  3: [R2.2, C1-, GND]\n"),
        ["C1+ sits in row 1 among legs of V9; it belongs to M, which is row 2"]
    );
    assert_eq!(
        misplaced("  1: [V9, R1.1]\n  2: [R1.2, R2.1]\n  5: [C1+]\n  3: [R2.2, C1-, GND]\n"),
        ["M is in row 2 and row 5, and no wire joins them"]
    );
    assert_eq!(
        misplaced("  1: [V9, R1.1]\n  2: [R1.2, R2.1, wire 5]\n  5: [C1+]\n  3: [R2.2, C1-, GND]\n"),
        Vec::<String>::new()
    );
    let told = complaints(&format!("{HEAD}{DIVIDER}rows:\n  1: [R1.3, wire 9]\n"));
    assert!(told.contains("'R1.3' is no leg of this board") && told.contains("no row '9'"), "{told}");
}

#[test]
fn rows_side_by_side_may_be_bridged() {
    let text =
        format!("{HEAD}{DIVIDER}rows:\n  1: [V9, R1.1]\n  2: [R1.2, R2.1, C1+]\n  4: [R2.2, C1-, GND]\n");
    let board = Board::load(&Source::new("b.yaml", text), &Library::builtin().unwrap()).unwrap();
    assert!(board.fault("M~V9:bridge").is_some() && board.fault("GND~M:bridge").is_none());
}

#[test]
fn other_values_and_devices_are_put_in_or_refused() {
    let library = Library::builtin().unwrap();
    let source =
        Source::new("b.yaml", own_sources().into_iter().find(|(n, _)| n.starts_with("pocket")).unwrap().1);
    let with = |part: &str, to: &str| {
        Board::load_changed(&source, &library, &[Change { part: part.into(), to: to.into() }])
    };
    let board = with("R4", "47k").unwrap();
    assert_eq!(board.parts().iter().find(|p| p.id == "R4").unwrap().label, "47k");
    assert_eq!(
        with("Q1", "bc549c").unwrap().parts().iter().find(|p| p.id == "Q1").unwrap().device.as_deref(),
        Some("BC549C")
    );
    assert_eq!(with("VR1", "20%").unwrap().parts().iter().find(|p| p.id == "VR1").unwrap().turn, Some(0.2));
    assert_eq!(with("main", "7V").unwrap().supplies()[0].volts.0, 7.0);
    for (part, to, says) in [
        ("R44", "47k", "did you mean 'R4'?"),
        ("R4", "47kk", "'k' in '47kk' is no unit for ohms"),
        ("Q1", "2N7000", "has the pins d, g, s"),
        ("Q1", "BC5499", "no card for device"),
        ("main", "nine", "no value in volts"),
    ] {
        let told = with(part, to).unwrap_err().to_string();
        assert!(told.contains(says), "{part}={to}: {told}");
    }
    assert_eq!(
        legs_differ(&library, "2N5088", "BC549C").as_deref(),
        Some("its legs stand c, b, e (TO-92) where 2N5088 has e, b, c (TO-92): bend them or turn the part")
    );
    assert_eq!(legs_differ(&library, "2N5088", "2N3904"), None);
}
