//! Golden screens at three widths. They were read by a person; whoever changes them reads them again.

use super::run::Folder;
use super::terminal::{Seat, screen};
use unicode_width::UnicodeWidthStr;

/// The test's own pack, so that the screens change only where the words of the command do.
const PACK: &str = include_str!("../data/packs/lantern.yaml");
const CARD: &str = "unit: Tin Lantern\nhistory: fresh-build\nbuild: stripboard\npower: adaptor\n\
    complaint: {words: It swells up like a kettle and then there is no echo at all, symptoms: [no-echo]}\n";

fn conversation(columns: u16) -> String {
    let folder = Folder::new();
    folder.put("lantern.yaml", PACK).put("job.yaml", CARD);
    let line = ["--rules", "lantern.yaml", "--bare", "bench", "job.yaml"];
    let mut seat = Seat::at(&folder, &line, columns, "xterm");
    for answer in
        ["help", "later", "perhaps", "why", "suspects", "# seen: a cold joint", "unsure", "back", "stop"]
    {
        seat.say(answer);
    }
    assert_eq!(seat.end(), 0, "{}", seat.all());
    screen(&seat.all())
}

#[test]
fn screens_at_40_80_and_120_columns() {
    for columns in [40, 80, 120] {
        let shown = conversation(columns);
        for line in shown.lines() {
            assert!(line.width() <= usize::from(columns), "{columns}: {line}");
        }
        insta::with_settings!({ prepend_module_to_snapshot => false, snapshot_path => "screens", omit_expression => true }, {
            insta::assert_snapshot!(format!("bench-{columns}"), shown);
        });
    }
}
