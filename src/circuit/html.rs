//! Plain HTML pages for print: one file, nothing fetched, readable without colour.

use std::fmt::Write;

const STYLE: &str = "\
:root { color-scheme: light; }
body { font: 12pt/1.4 system-ui, sans-serif; max-width: 60rem; margin: 1rem auto; padding: 0 1rem; color: #111; background: #fff; }
h1 { font-size: 1.4rem; } h2 { font-size: 1.1rem; margin-top: 1.4rem; break-after: avoid; }
.scroll { overflow-x: auto; }
table { border-collapse: collapse; width: 100%; }
th, td { border: 1px solid #777; padding: 0.25rem 0.4rem; text-align: left; vertical-align: top; overflow-wrap: break-word; }
th { background: #eee; }
tbody th { background: none; font-weight: inherit; }
tr { break-inside: avoid; }
td.room { min-width: 6rem; height: 1.6rem; }
@media (max-width: 620px) { body { font-size: 11pt; padding: 0 0.5rem; } th, td { padding: 0.2rem 0.25rem; } td.room { min-width: 4rem; } }
@media print { body { max-width: none; margin: 0; padding: 0; font-size: 10pt; } .scroll { overflow: visible; } }
@page { margin: 15mm; }
";

/// Text made safe for a page.
pub(crate) fn escape(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for c in text.chars() {
        match c {
            '&' => out.push_str("&amp;"),
            '<' => out.push_str("&lt;"),
            '>' => out.push_str("&gt;"),
            '"' => out.push_str("&quot;"),
            c if c.is_control() && c != '\n' => out.push('\u{fffd}'),
            c => out.push(c),
        }
    }
    out
}

/// A table called by its heading; `head` names the columns, the column by index `names` the rows. An empty cell leaves room to write.
pub(crate) fn table(title: &str, rows: &[Vec<String>], head: &[&str], names: usize) -> String {
    let mut out = format!(
        "<div class=\"scroll\" tabindex=\"0\" role=\"group\" aria-label=\"{}\"><table>\n<thead><tr>",
        escape(title)
    );
    for cell in head {
        let _ = write!(out, "<th scope=\"col\">{}</th>", escape(cell));
    }
    out.push_str("</tr></thead>\n<tbody>\n");
    for row in rows {
        out.push_str("<tr>");
        for (i, cell) in row.iter().enumerate() {
            let _ = match (cell.is_empty(), i == names) {
                (true, _) => write!(out, "<td class=\"room\"></td>"),
                (_, true) => write!(out, "<th scope=\"row\">{}</th>", escape(cell)),
                _ => write!(out, "<td>{}</td>", escape(cell)),
            };
        }
        out.push_str("</tr>\n");
    }
    out.push_str("</tbody></table></div>\n");
    out
}

/// A whole page.
pub(crate) fn page(title: &str, body: &str) -> String {
    let title = escape(title);
    format!(
        "<!DOCTYPE html>\n<html lang=\"en\">\n<head>\n<meta charset=\"utf-8\">\n<meta name=\"viewport\" content=\"width=device-width, initial-scale=1\">\n<title>{title}</title>\n<style>\n{STYLE}</style>\n</head>\n<body>\n<main>\n<h1>{title}</h1>\n{body}</main>\n</body>\n</html>\n"
    )
}
