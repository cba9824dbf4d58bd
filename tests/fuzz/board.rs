//! Boards: read or complained about; what reads is solved, healthy and with one fault in.

use super::grow::{Grower, run};
use halfsplit::circuit::board::Board;
use halfsplit::circuit::predict::Bench;
use halfsplit::circuit::sheet::{sheet, whatif};
use halfsplit::rules::parts::Library;
use halfsplit::text::Source;

const SEED: &str = include_str!("../../cases/boards/tin_lantern.yaml");
const WORDS: [&str; 20] = [
    "parts:",
    "nets:",
    "kind: resistor",
    "value: 4k7",
    "\n",
    "  ",
    "{",
    "}",
    "[",
    "]",
    ": ",
    "GND",
    "-1",
    "1e30",
    "0",
    "9V",
    "R1",
    "{1: A, 2: B}",
    "device: TL072",
    "mains",
];

/// The sheet comes out in finite figures or is refused with a reason, also with the `pick`-th fault in.
fn solves(board: &Board, pick: usize) {
    let bench = Bench::default();
    match sheet(board, &bench) {
        Ok(sheet) => {
            let text = sheet.to_text(80);
            assert!(!text.contains("NaN") && !text.contains("inf "), "{text}");
        }
        Err(e) => assert!(!e.to_string().is_empty()),
    }
    let Some(fault) = board.faults().get(pick % board.faults().len().max(1)) else { return };
    if let Err(e) = whatif(board, &[&fault.id], &bench) {
        assert!(!e.to_string().is_empty());
    }
}

#[test]
fn boards() {
    let library = Library::builtin().unwrap();
    run("board", Grower::new("board", &[SEED], &WORDS), |bytes| {
        let Ok(source) = Source::from_bytes("board.yaml", bytes.to_vec()) else { return false };
        match Board::load(&source, &library) {
            Ok(board) => {
                solves(&board, bytes.len());
                !board.faults().is_empty()
            }
            Err(complaints) => {
                assert!(!complaints.render(false).is_empty());
                false
            }
        }
    });
}
