#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

use super::*;
use crate::circuit::dc::Options;
use crate::circuit::sweep::Sweep;

pub(crate) fn own_boards() -> Vec<(String, Board)> {
    let library = Library::builtin().unwrap();
    let dir = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("cases/boards");
    let mut files: Vec<_> = std::fs::read_dir(dir).unwrap().map(|f| f.unwrap().path()).collect();
    files.sort();
    files
        .into_iter()
        .map(|path| {
            let name = path.file_name().unwrap().to_string_lossy().into_owned();
            let source = Source::new(name.clone(), std::fs::read_to_string(path).unwrap());
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
#[ignore = "prints the healthy points"]
fn show_healthy_points() {
    for (name, board) in own_boards() {
        let mut sweep = Sweep::new(board.network(), Options::default()).unwrap();
        let found = sweep.solve(&[], Some(board.signal().unwrap().tone.0)).unwrap();
        println!(
            "== {name} parts {} faults {} nodes {}",
            board.parts().len(),
            board.faults().len(),
            board.network().node_count()
        );
        for (i, s) in board.supplies().iter().enumerate() {
            println!("amps {} {:.4}", s.name, found.delivered(i));
        }
        for net in board.nets() {
            let node = board.node(net).unwrap();
            println!(
                "{net:6} {:8.3} V {:8.1} dB",
                found.volts(node),
                found.response().unwrap().level(node, 1.0)
            );
        }
    }
}
