//! Text pages: tables and lists that keep to a width.

use unicode_width::UnicodeWidthStr;

/// Narrowest last column that is still set beside the others.
const NARROW: usize = 12;

/// Pieces joined by `between` into lines of at most `width` columns, the first behind `first`, the others behind as many blanks as
/// `rest`. A piece longer than the line stands on a line of its own.
pub(crate) fn fold(pieces: &[String], between: &str, width: usize, first: &str, rest: usize) -> String {
    let mut out = String::new();
    let mut line = first.to_owned();
    let mut empty = true;
    for (i, piece) in pieces.iter().enumerate() {
        let last = i + 1 == pieces.len();
        let text = if last { piece.clone() } else { format!("{piece}{between}") };
        if !empty && line.width() + text.trim_end().width() > width {
            out.push_str(line.trim_end());
            out.push('\n');
            line = " ".repeat(rest);
        }
        line.push_str(&text);
        empty = false;
    }
    out.push_str(line.trim_end());
    out.push('\n');
    out
}

/// A sentence folded at blanks.
pub(crate) fn sentence(text: &str, width: usize, first: &str, rest: usize) -> String {
    let words: Vec<String> = text.split_whitespace().map(str::to_owned).collect();
    fold(&words, " ", width, first, rest)
}

fn cell(text: &str, width: usize) -> String {
    format!("{text}{}", " ".repeat(width.saturating_sub(text.width())))
}

/// A table of at most `width` columns. The last column is folded; where there is no room for it beside the others it goes on a line of
/// its own below them.
pub(crate) fn table(rows: &[Vec<String>], head: &[&str], width: usize) -> String {
    let columns = head.len();
    let widths: Vec<usize> = (0..columns)
        .map(|c| rows.iter().map(|r| r[c].width()).chain([head[c].width()]).max().unwrap_or(0))
        .collect();
    let before: usize = widths[..columns - 1].iter().map(|w| w + 2).sum();
    let whole = before + widths[columns - 1] <= width;
    let beside = before + NARROW <= width;
    let mut out = String::new();
    let mut put = |cells: &[String], is_head: bool| {
        let front: Vec<String> = cells[..columns - 1].iter().zip(&widths).map(|(c, w)| cell(c, *w)).collect();
        let front = front.join("  ");
        let last = &cells[columns - 1];
        if whole || beside || last.is_empty() {
            let front = if last.is_empty() { front } else { format!("{front}  ") };
            out.push_str(&sentence(last, width.max(1), &front, before));
        } else {
            let front = front.trim_end();
            match front.width() <= width {
                true => out.push_str(&format!("{front}\n")),
                false => out.push_str(&sentence(front, width, "", 2)),
            }
            // The heading of a column that has no room is left out.
            if !is_head {
                out.push_str(&sentence(last, width, "    ", 4));
            }
        }
    };
    put(&head.iter().map(|h| (*h).to_owned()).collect::<Vec<_>>(), true);
    rows.iter().for_each(|row| put(row, false));
    out
}

/// The same as Markdown.
pub(crate) fn markdown(rows: &[Vec<String>], head: &[&str]) -> String {
    use std::fmt::Write;
    let mut out = format!("| {} |\n|{}\n", head.join(" | "), " --- |".repeat(head.len()));
    for row in rows {
        let cells: Vec<String> = row.iter().map(|c| c.replace('|', "\\|")).collect();
        let _ = writeln!(out, "| {} |", cells.join(" | "));
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn tables_keep_to_their_width() {
        let row = |a: &str, b: &str| vec![a.to_owned(), b.to_owned()];
        let rows = [row("volts:VH", "IC1.3, R1, R2, C3+, R4, R5"), row("volts:V9", "IC1.8")];
        for width in [100, 40, 24, 16] {
            let text = table(&rows, &["check", "at"], width);
            assert!(text.lines().all(|l| l.width() <= width), "{width}:\n{text}");
            assert!(text.contains("R5") && text.contains("IC1.8"), "{text}");
        }
        assert_eq!(table(&rows[1..], &["check", "at"], 80), "check     at\nvolts:V9  IC1.8\n");
    }
}
