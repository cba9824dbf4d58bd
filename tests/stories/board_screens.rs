//! Importing and making a board at a pseudo-terminal, at two widths. A person read these screens; whoever changes them reads them again.

use super::run::Folder;
use super::terminal::{Seat, screen};
use unicode_width::UnicodeWidthStr;

const OX: &str = include_str!("../data/import/ox_mixer.net");

fn golden(name: &str, columns: u16, shown: &str) {
    for line in shown.lines() {
        assert!(line.width() <= usize::from(columns), "{columns}: {line}");
    }
    insta::with_settings!({ prepend_module_to_snapshot => false, snapshot_path => "screens", omit_expression => true }, {
        insta::assert_snapshot!(format!("{name}-{columns}"), shown);
    });
}

#[test]
fn an_import_asks_about_what_it_guessed() {
    for columns in [80, 44] {
        let folder = Folder::new();
        folder.put("ox.net", OX);
        let mut seat = Seat::at(&folder, &["board", "import", "ox.net"], columns, "xterm");
        // Supplies as guessed, the second one at another voltage; another input; the output as guessed; built on a printed board.
        for answer in ["", "-12V 11.5V", "IN3", "IN2", "", "3"] {
            seat.say(answer);
        }
        assert_eq!(seat.end(), 0, "{}", seat.all());
        assert!(seat.is_as_it_was());
        let board = folder.text("ox-board.yaml");
        assert!(board.contains("in: IN2") && board.contains("build: pcb"), "{board}");
        golden("import", columns, &screen(&seat.all()));
    }
}

#[test]
fn a_board_is_made_part_by_part() {
    for columns in [80, 44] {
        let folder = Folder::new();
        let mut seat = Seat::at(&folder, &["board", "new", "thorn.yaml"], columns, "xterm");
        let lines = [
            "Thorn",
            "breadboard",
            "",
            "",
            "",
            "help",
            "R1",
            "1M",
            "IN GND",
            "C1 47n IN B",
            "R2 390k V9 B",
            "R3 68k B GND",
            "Q1 2N5O88 C B E",
            "Q1 2N5088 C B E",
            "R4 4k7 V9 C",
            "R5 680R E GND",
            "C2 1u C LUG film",
            "done",
            "VR1 100kA GND OUT LUG 80%",
            "done",
        ];
        for line in lines {
            seat.say(line);
        }
        assert_eq!(seat.end(), 0, "{}", seat.all());
        assert!(folder.text("thorn.yaml").contains("role: gain-transistor"));
        golden("new", columns, &screen(&seat.all()));
    }
}

#[test]
fn pages_keep_to_their_width_and_are_read_by_a_person() {
    let folder = Folder::new();
    let pages: [(&str, &[&str]); 7] = [
        ("board-show", &["board", "show", "--example", "pocket-beacon"]),
        ("show-net", &["board", "show", "--net", "B", "--example", "pocket-beacon"]),
        ("part", &["sheet", "--part", "Q1", "--example", "pocket-beacon"]),
        ("wiring", &["sheet", "--wiring", "--example", "pocket-beacon"]),
        ("blank", &["sheet", "--blank", "--example", "pocket-beacon"]),
        ("whatif", &["whatif", "--example", "pocket-beacon", "R4=47k", "C2:open"]),
        ("chip", &["sheet", "--example", "tin-lantern", "--part", "IC2"]),
    ];
    for (name, line) in pages {
        for columns in [80, 44] {
            let mut seat = Seat::at(&folder, line, columns, "xterm");
            assert_eq!(seat.end(), 0, "{}", seat.all());
            let shown = screen(&seat.all());
            // A chip's nets are never cut short.
            assert!(name != "chip" || !shown.contains('\u{2026}'), "{shown}");
            golden(name, columns, shown.trim_end_matches('\n'));
        }
    }
}
