//! The sheet as a table to fill in by hand: power off first, with room for what is read.

use super::page::{markdown, sentence, table};
use super::sheet::{Sheet, SheetLine, SheetPart};
use std::fmt::Write;

const HEAD: [&str; 4] = ["where", "read", "should be", "at"];
const ROOM: &str = "________";

impl Sheet {
    /// A table to fill in, as text of at most `width` columns.
    pub fn blank_text(&self, width: usize) -> String {
        let mut out = format!("{}\n\nSerial: {ROOM}   Date: {ROOM}\n\n", self.board);
        self.stands.iter().for_each(|s| out.push_str(&sentence(s, width, "- ", 2)));
        for part in &self.parts {
            let _ = write!(out, "\n{}\n{}\n", part.title, sentence(&part.first, width, "", 0));
            out.push_str(&table(&rows(part, ROOM), &HEAD, width));
        }
        let _ = write!(out, "\n{}", sentence(LAST, width, "", 0));
        out
    }

    /// The same as Markdown.
    pub fn blank_markdown(&self) -> String {
        let mut out = format!("# {}\n\nSerial: {ROOM} Date: {ROOM}\n\n", self.board);
        self.stands.iter().for_each(|s| {
            let _ = writeln!(out, "- {s}");
        });
        for part in &self.parts {
            let _ = writeln!(out, "\n## {}\n\n{}\n", part.title, part.first);
            out.push_str(&markdown(&rows(part, "        "), &HEAD));
        }
        let _ = writeln!(out, "\n{LAST}");
        out
    }

    /// The same as a page for print.
    pub fn blank_html(&self) -> String {
        use super::html::{escape, page, table};
        let items: String = self.stands.iter().map(|s| format!("<li>{}</li>\n", escape(s))).collect();
        let mut body = format!("<p>Serial: {ROOM} Date: {ROOM}</p>\n<ul>\n{items}</ul>\n");
        for part in &self.parts {
            let _ = write!(
                body,
                "<h2>{}</h2>\n<p>{}</p>\n{}",
                escape(&part.title),
                escape(&part.first),
                table(&part.title, &rows(part, ""), &HEAD, 0)
            );
        }
        let _ = writeln!(body, "<p>{}</p>", escape(LAST));
        page(&format!("{}: readings", self.board), &body)
    }
}

const LAST: &str = "A reading goes on the card as it stands here: halfsplit note JOB volts:NET=4.36V. OL where the meter shows over range, ~ before a figure that wanders.";

fn rows(part: &SheetPart, room: &str) -> Vec<Vec<String>> {
    let row = |l: &SheetLine| vec![l.check.to_string(), room.to_owned(), l.band.clone(), l.at.clone()];
    part.lines.iter().map(row).collect()
}
