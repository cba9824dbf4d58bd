//! Pasted lists in many habits, from files under tests/data/readings.
#![allow(clippy::unwrap_used, clippy::panic)]

use super::*;
use crate::circuit::board::Board;
use crate::job::Circuit;
use crate::rules::{Rules, parts::Library};
use crate::text::Source;

fn data(name: &str) -> String {
    std::fs::read_to_string(format!("{}/tests/data/readings/{name}", env!("CARGO_MANIFEST_DIR"))).unwrap()
}

/// Name, list and what is expected of each block of a file.
fn blocks(file: &str) -> Vec<(String, String, Vec<String>)> {
    let text = data(file);
    let mut out = Vec::new();
    for block in text.split("\n=== ").skip(1) {
        let (name, rest) = block.split_once('\n').unwrap();
        let (list, expected) = rest.split_once("\n---\n").unwrap_or_else(|| panic!("{name}: no ---"));
        let expected = expected.lines().filter(|l| !l.is_empty()).map(str::to_string).collect();
        out.push((name.to_string(), format!("{list}\n"), expected));
    }
    out
}

fn placed(name: &str, list: &str, circuit: &Circuit<'_>) -> Vec<TakenLine> {
    let circuit = (!name.contains("(no board)")).then_some(circuit);
    place(&read(list), Rules::builtin().unwrap(), circuit)
}

fn with_board(check: impl Fn(&Circuit<'_>)) {
    let board = Board::load(&Source::new("board.yaml", data("board.yaml")), &Library::builtin().unwrap());
    let board = board.unwrap_or_else(|e| panic!("{}", e.render(false)));
    check(&Circuit::new(&board).unwrap());
}

#[test]
fn lists_in_many_habits_become_the_findings_that_they_mean() {
    let lists = blocks("read.txt");
    assert!(lists.len() >= 60, "{}", lists.len());
    with_board(|circuit| {
        let mut wrong = Vec::new();
        for (name, list, expected) in &lists {
            let lines = placed(name, list, circuit);
            let refused: Vec<&String> = lines.iter().flat_map(|l| &l.refused).collect();
            let found: Vec<String> =
                lines.iter().flat_map(|l| &l.taken).map(|t| format!("{}={}", t.check, t.answer)).collect();
            if !refused.is_empty() || found != *expected {
                wrong.push(format!("{name}:\n  {}\n  refused {refused:?}", found.join("\n  ")));
            }
        }
        assert!(wrong.is_empty(), "{} of {}:\n{}", wrong.len(), lists.len(), wrong.join("\n"));
    });
}

#[test]
fn what_cannot_be_read_is_refused_with_its_line_and_a_reason() {
    let lists = blocks("refused.txt");
    assert!(lists.len() >= 40, "{}", lists.len());
    with_board(|circuit| {
        let mut wrong = Vec::new();
        for (name, list, expected) in &lists {
            let lines = placed(name, list, circuit);
            let said: Vec<String> =
                lines.iter().flat_map(|l| l.refused.iter().map(|r| format!("{}: {r}", l.number))).collect();
            let fits = expected.iter().all(|e| {
                let (line, part) = e.split_once(':').unwrap();
                said.iter().any(|s| s.starts_with(&format!("{line}: ")) && s.contains(part.trim()))
            });
            if said.is_empty() || !fits {
                let taken: Vec<&Taken> = lines.iter().flat_map(|l| &l.taken).collect();
                wrong.push(format!("{name}: said {said:?}\n  taken {taken:?}"));
            }
        }
        assert!(wrong.is_empty(), "{} of {}:\n{}", wrong.len(), lists.len(), wrong.join("\n"));
    });
}

#[test]
fn readings_of_one_net_that_lie_apart_are_pointed_out() {
    with_board(|circuit| {
        let lines = placed("", "IC1 1 4.5 2 0.2\nIC1.4 0.6\nIC2 6 4.4mV\n", circuit);
        let notes: Vec<Option<&str>> =
            lines.iter().flat_map(|l| &l.taken).map(|t| t.note.as_deref()).collect();
        assert_eq!(notes[0], None);
        assert_eq!(
            notes[1],
            Some("IC1.1 on the same net read 4.50 V: look at the joint and the track between the two")
        );
        assert!(notes[2].unwrap().starts_with("IC1.4 is on ground and should read 0 V"));
        assert_eq!(notes[3], Some("4.40 V would be healthy: is the prefix right?"));
    });
}

#[test]
fn a_net_called_like_the_volts_of_a_base_is_a_net_below_a_chip() {
    let text = data("board.yaml");
    let text = text.replace("VH", "VB");
    let board = Board::load(&Source::new("board.yaml", text), &Library::builtin().unwrap()).unwrap();
    let circuit = Circuit::new(&board).unwrap();
    let checks = |list: &str| -> Vec<String> {
        let lines = place(&read(list), Rules::builtin().unwrap(), Some(&circuit));
        let refused: Vec<&String> = lines.iter().flat_map(|l| &l.refused).collect();
        assert!(refused.is_empty(), "{list}: {refused:?}");
        lines.iter().flat_map(|l| &l.taken).map(|t| t.check.clone()).collect()
    };
    assert_eq!(checks("IC1: 1 4.5\nVB 4.4\n"), ["volts:IC1.1", "volts:VB"]);
    assert_eq!(checks("IC1 1 4.5 VB 4.4\n"), ["volts:IC1.1", "volts:VB"]);
    assert_eq!(checks("Q1 VE 0.7 VB 1.3\n"), ["volts:Q1.e", "volts:Q1.b"]);
}

#[test]
fn a_list_without_end_is_cut_and_says_so() {
    let long = "VH 4.4\n".repeat(MOST_LINES + 50);
    let list = read(&long);
    assert_eq!(list.lines.len(), MOST_LINES + 1);
    assert!(matches!(&list.lines[MOST_LINES].became, Became::Refused(why) if why.contains("2000 lines")));
    let wide = read(&format!("VH {}", "4".repeat(LONGEST)));
    assert!(wide.is_refused());
}

#[test]
fn without_a_board_a_chip_is_known_by_its_number() {
    use crate::rules::{History, places::UnitFacts};
    let facts = UnitFacts::new("echo-delay", History::WorkedBefore);
    let (rules, _) = Rules::builtin().unwrap().for_unit(&facts).unwrap();
    let checks = |list: &List| -> Vec<String> {
        place(list, rules, None).into_iter().flat_map(|l| l.taken).map(|t| t.check).collect()
    };
    for list in ["IC2 (PT2399): 1 5.0, 2 2.5", "IC2 PT2399\n1 5.0\n2 2.5\n", "PT2399 (IC2)\nIC2 1 5.0 2 2.5"]
    {
        assert_eq!(checks(&read(list)), ["volts:PT2399.1", "volts:PT2399.2"], "{list}");
    }
    assert_eq!(checks(&read("IC2: 1 5.0")), ["volts:IC2.1"]);
    // A list pasted before said it; of two such chips the second keeps its own name.
    let later = read("IC2: 6 2.4\nIC3 PT2399: 6 2.3").after(["readings as pasted: IC2 (PT2399): 1 5.0"]);
    assert_eq!(checks(&later), ["volts:PT2399.6", "volts:IC3.6"]);
    let taken = place(&read("IC2 (PT2399): 1 5.0"), rules, None);
    assert_eq!(taken[0].taken[0].at, "IC2 (PT2399), IC2 pin 1");
}
