//! Boards: read or complained about.

use super::grow::{Grower, run};
use halfsplit::circuit::board::Board;
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

#[test]
fn boards() {
    let library = Library::builtin().unwrap();
    run("board", Grower::new("board", &[SEED], &WORDS), |bytes| {
        let Ok(source) = Source::from_bytes("board.yaml", bytes.to_vec()) else { return false };
        match Board::load(&source, &library) {
            Ok(board) => !board.faults().is_empty(),
            Err(complaints) => {
                assert!(!complaints.render(false).is_empty());
                false
            }
        }
    });
}
