//! Pasted lists of readings: whatever is pasted, no line is lost, and what became a reading is one.

use super::grow::{Grower, run};
use halfsplit::circuit::board::Board;
use halfsplit::circuit::predict::CheckId;
use halfsplit::job::Circuit;
use halfsplit::job::readings::{Became, place, read};
use halfsplit::rules::Rules;
use halfsplit::rules::parts::Library;
use halfsplit::text::Source;
use halfsplit::units::reading;

const WORDS: [&str; 40] = [
    "\n", " ", ", ", ",", ";", ": ", "=", "|", "\t", "IC1", "IC2", "Q1", "Q2", "J1", "VH", "V9", "U1.out",
    "pin ", "pins ", "E ", "B ", "C ", "EBC ", "1", "4", "4.5", "4,5", "0.72", "-0.3", "8.9V", "470 mV",
    "4k7", "OL", "?", "~", "(mV)", "Ohms:\n", "silent", "..", "#",
];

#[test]
fn pasted_lists() {
    let seeds: Vec<String> = include_str!("../data/readings/read.txt")
        .split("\n=== ")
        .skip(1)
        .filter_map(|block| block.split_once('\n')?.1.split_once("\n---\n").map(|(list, _)| list.to_owned()))
        .collect();
    let seeds: Vec<&str> = seeds.iter().map(String::as_str).collect();
    let board = include_str!("../data/readings/board.yaml");
    let board = Board::load(&Source::new("board.yaml", board), &Library::builtin().unwrap()).unwrap();
    let circuit = Circuit::new(&board).unwrap();
    let rules = Rules::builtin().unwrap();
    run("pasted", Grower::new("pasted", &seeds, &WORDS), |bytes| {
        let text = String::from_utf8_lossy(bytes);
        let list = read(&text);
        assert!(list.lines.len() <= text.lines().count() + 1, "{text:?}");
        for line in &list.lines {
            match &line.became {
                // A line without any sign in it is all that may become nothing.
                Became::Nothing => assert!(line.text.trim().is_empty(), "{text:?}: {line:?}"),
                Became::Read(entries) => assert!(
                    entries.iter().all(|e| e.answer == "unsure" || !e.answer.is_empty()),
                    "{text:?}: {line:?}"
                ),
                Became::Refused(why) => assert!(!why.is_empty()),
                Became::Heading(_) | Became::Remark => {}
            }
        }
        let mut good = false;
        for circuit in [Some(&circuit), None] {
            let lines = place(&list, rules, circuit);
            assert_eq!(lines.len(), list.lines.len());
            for taken in lines.iter().flat_map(|l| &l.taken) {
                good = true;
                let Ok(id) = taken.check.parse::<CheckId>() else { continue };
                let word = ["unsure", "none", "silent", "faint", "expected", "loud"]
                    .contains(&taken.answer.as_str());
                assert!(
                    word || reading::parse(&taken.answer, Some(id.unit())).is_ok(),
                    "{text:?}: {taken:?}"
                );
                assert!(!taken.value.is_empty() && !taken.at.is_empty());
            }
        }
        good
    });
}
