//! Netlists and lists of parts: read or complained about; what reads is fitted, guessed at and written, and the board file that comes
//! out is a board or is complained about. A board written as a netlist reads back.

use super::grow::{Grower, run};
use halfsplit::circuit::board::Board;
use halfsplit::circuit::import::{self, Fitted, Format, Plan, board_text, read_line, spice_deck};
use halfsplit::rules::parts::Library;
use halfsplit::text::Source;

const SPICE: [&str; 3] = [
    include_str!("../data/import/moss_horn.cir"),
    include_str!("../data/import/slate_drum.cir"),
    include_str!("../data/import/reed_lamp.cir"),
];
const KICAD: [&str; 2] =
    [include_str!("../data/import/pike_whistle.net"), include_str!("../data/import/hazel_fan.net")];
const LIST: &str = "board Thorn\nbuild stripboard\nsupply 9V V9 GND battery\nin IN\nout OUT\nR1 1M IN GND\nC1 100n IN B\nR2 390k V9 B\nR3 68k B GND\nQ1 2N5088 c=C b=B e=E\nR4 4k7 V9 C\nR5 680R E GND\nC2 1u C LUG film\nVR1 100kA GND OUT LUG 70%\nC3 47u V9 GND\n";
const WORDS: [&str; 24] = [
    "R1", "C9", "Q1", "X1", "V1", "IC1", " 0 ", "GND", " 4k7", " 1e30", " 1Meg", ".subckt", ".ends", "+",
    "\n", "(", ")", "\"", "=", "{", "TL072", "pot", "NC", "%",
];

/// Takes a drawing as far as it goes; whether a board came of it.
fn taken(source: &Source, format: Format, library: &Library) -> bool {
    let drawing = match import::read(source, Some(format), library) {
        Ok(drawing) => drawing,
        Err(complaints) => {
            assert!(!complaints.0.is_empty() && !complaints.render(false).is_empty());
            return false;
        }
    };
    let fitted = Fitted::of(&drawing, library);
    assert!(
        fitted.parts.len() + fitted.complaints.0.len() + fitted.left_out.len()
            <= drawing.parts.len().max(1) * 2
    );
    let plan = Plan::of(&drawing, &fitted, library);
    let (text, _) = board_text(&fitted, &plan, library);
    match Board::load(&Source::new("board.yaml", text.as_str()), library) {
        Ok(board) => {
            if let Ok(deck) = spice_deck(&board, library) {
                let back =
                    import::read(&Source::new("deck.cir", deck.as_str()), Some(Format::Spice), library);
                let back = back.unwrap_or_else(|c| panic!("{}\n{deck}", c.render(false)));
                assert_eq!(Fitted::of(&back, library).complaints.0.len(), 0, "{deck}");
            }
            true
        }
        Err(complaints) => {
            // Whatever was in the drawing, what is written is a board file in form.
            assert!(complaints.0.iter().all(|c| c.code != "syntax"), "{}\n{text}", complaints.render(false));
            false
        }
    }
}

#[test]
fn spice_netlists() {
    let library = Library::builtin().unwrap();
    run("spice", Grower::new("spice", &SPICE, &WORDS), |bytes| {
        let Ok(source) = Source::from_bytes("a.cir", bytes.to_vec()) else { return false };
        taken(&source, Format::Spice, &library)
    });
}

#[test]
fn kicad_netlists() {
    let library = Library::builtin().unwrap();
    run("kicad", Grower::new("kicad", &KICAD, &WORDS), |bytes| {
        let Ok(source) = Source::from_bytes("a.net", bytes.to_vec()) else { return false };
        taken(&source, Format::Kicad, &library)
    });
}

#[test]
fn part_lists() {
    let library = Library::builtin().unwrap();
    run("list", Grower::new("list", &[LIST], &WORDS), |bytes| {
        let Ok(source) = Source::from_bytes("parts.txt", bytes.to_vec()) else { return false };
        for line in source.text.lines() {
            if let Err((says, help)) = read_line(line, &library) {
                assert!(!says.is_empty() && !help.is_empty(), "{line}");
            }
        }
        taken(&source, Format::List, &library)
    });
}
