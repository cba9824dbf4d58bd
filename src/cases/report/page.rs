//! The report on paper: one list of blocks, written as text, Markdown or HTML.

use super::{BenchReport, FaultCount, JobMinutes, Tally, draw};
use crate::summary::inert;
use crate::summary::svg::escaped;
use crate::units::{Minutes, show};
use std::fmt::Write;

/// Columns of plain text.
const COLUMNS: usize = 80;
/// Rows of a tally that are printed; JSON has all of them.
const ROWS: usize = 20;
/// Faults of a row that are printed.
const FAULTS: usize = 4;

/// First columns hold names, which must not be broken within a word.
const STYLE: &str =
    ".bench td:first-child { min-width: 9.5em; }\n.bench td:first-child bdi { overflow-wrap: break-word; }";

/// One piece of the page.
enum Block {
    Heading(String),
    Words(String),
    List(Vec<String>),
    Table(Table),
    /// An SVG drawing, which HTML alone shows.
    Picture(String),
}

/// A table; columns are text or numbers.
struct Table {
    head: Vec<&'static str>,
    numbers: Vec<bool>,
    rows: Vec<Vec<String>>,
}

impl Table {
    fn block(head: &[(&'static str, bool)], rows: Vec<Vec<String>>) -> Block {
        let (head, numbers) = head.iter().copied().unzip();
        Block::Table(Self { head, numbers, rows })
    }
}

fn percent(p: f64) -> String {
    match p * 100.0 {
        x if x > 0.0 && x < 0.1 => "<0.1 %".into(),
        x => format!("{x:.1} %"),
    }
}

fn minutes(m: f64) -> String {
    show::minutes(Minutes(m))
}

fn count(f: &FaultCount) -> String {
    let says = if f.says.is_empty() { &f.id } else { &f.says };
    format!("{says} ({})", f.count)
}

fn tally(title: &str, list: &[Tally], out: &mut Vec<Block>) {
    if list.is_empty() {
        return;
    }
    out.push(Block::Heading(format!("What fails, by {title}")));
    let row = |t: &Tally| {
        let mut faults: Vec<String> = t.faults.iter().take(FAULTS).map(count).collect();
        faults.extend((t.faults.len() > FAULTS).then(|| "and others".into()));
        vec![t.name.clone(), t.jobs.to_string(), faults.join("; ")]
    };
    let head = match title {
        "unit" => "Unit",
        "history" => "History",
        _ => "Block",
    };
    out.push(Table::block(
        &[(head, false), ("Jobs", true), ("Commonest faults", false)],
        list.iter().take(ROWS).map(row).collect(),
    ));
    if list.len() > ROWS {
        out.push(Block::Words(format!(
            "And {} more, with fewer jobs; --json lists them all.",
            list.len() - ROWS
        )));
    }
}

impl BenchReport {
    fn blocks(&self) -> Vec<Block> {
        let mut out = vec![Block::Words(format!(
            "{} resolved cards, {} left out; {} judged by the rules.",
            self.cards,
            self.left_out.len(),
            self.judged
        ))];
        if !self.faults.is_empty() {
            out.push(Block::Heading("What fails".into()));
            out.push(Block::Picture(draw::faults(&self.faults)));
            let row = |f: &FaultCount| vec![f.says.clone(), f.id.clone(), f.count.to_string()];
            out.push(Table::block(
                &[("Fault", false), ("Id", false), ("Found", true)],
                self.faults.iter().map(row).collect(),
            ));
        }
        tally("unit", &self.units, &mut out);
        tally("history", &self.histories, &mut out);
        tally("block", &self.blocks, &mut out);
        self.times(&mut out);
        self.trust(&mut out);
        self.surprises(&mut out);
        self.idle_checks(&mut out);
        if !self.left_out.is_empty() {
            out.push(Block::Heading("Cards left out".into()));
            out.push(Block::List(
                self.left_out.iter().map(|l| format!("{}: {}", l.file, l.reason)).collect(),
            ));
        }
        out
    }

    fn times(&self, out: &mut Vec<Block>) {
        out.push(Block::Heading("Time per job".into()));
        if self.minutes.jobs == 0 {
            return out.push(Block::Words("No card notes minutes.".into()));
        }
        let row = |name: &str, m: &JobMinutes| {
            vec![name.to_string(), m.jobs.to_string(), minutes(m.mean), minutes(m.median), minutes(m.p90)]
        };
        let mut rows: Vec<_> = self.minutes_by_history.iter().map(|(name, m)| row(name, m)).collect();
        rows.push(row("all", &self.minutes));
        out.push(Block::Picture(draw::times(&self.minutes)));
        out.push(Table::block(
            &[
                ("History", false),
                ("Jobs", true),
                ("Mean", true),
                ("Median", true),
                ("Nine in ten within", true),
            ],
            rows,
        ));
    }

    fn trust(&self, out: &mut Vec<Block>) {
        out.push(Block::Heading("Whether the probabilities can be believed".into()));
        let bins: Vec<_> = self.calibration.iter().filter(|b| b.count > 0).collect();
        if bins.is_empty() {
            return out.push(Block::Words("No case could be judged.".into()));
        }
        out.push(Block::Words(
            "What the rules said of each fault at the end of a job, and how often it was so. Where the share lies \
             outside its range, the rules are too sure or not sure enough there."
                .into(),
        ));
        out.push(Block::Picture(draw::reliability(&self.calibration)));
        let row = |b: &&super::Reliability| {
            vec![
                format!("{:.0} to {:.0} %", b.low * 100.0, b.high * 100.0),
                b.count.to_string(),
                percent(b.said),
                percent(b.was),
                format!("{} to {}", percent(b.interval[0]), percent(b.interval[1])),
            ]
        };
        out.push(Table::block(
            &[
                ("Said", false),
                ("Times", true),
                ("Mean said", true),
                ("Was so", true),
                ("90 % range of that", true),
            ],
            bins.iter().map(row).collect(),
        ));
    }

    fn surprises(&self, out: &mut Vec<Block>) {
        out.push(Block::Heading("Cases that surprised the rules".into()));
        if self.surprising.is_empty() && self.impossible.is_empty() {
            return out.push(Block::Words("None.".into()));
        }
        out.push(Block::Words(
            "With all findings in, the true fault stood below 5 %. Where one kind keeps coming back, a rule is missing \
             or wrong."
                .into(),
        ));
        let row = |s: &super::Surprising| {
            let did = s.did.as_ref().map(|d| format!(" ({d})")).unwrap_or_default();
            vec![
                s.case.clone(),
                format!("{}{did}", s.truth.join(" and ")),
                percent(s.probability),
                s.leader.clone(),
            ]
        };
        out.push(Table::block(
            &[("Led instead", false), ("It stood at", true), ("Case", false), ("True fault", false)],
            self.surprising
                .iter()
                .map(|s| {
                    let [case, truth, p, leader] = row(s).try_into().unwrap_or_default();
                    vec![leader, p, case, truth]
                })
                .collect(),
        ));
        if !self.impossible.is_empty() {
            let files = self.impossible.join(", ");
            out.push(Block::Words(format!("The rules hold what these cards note impossible: {files}.")));
        }
    }

    fn idle_checks(&self, out: &mut Vec<Block>) {
        out.push(Block::Heading("Checks that never changed a decision".into()));
        if self.idle.is_empty() {
            return out.push(Block::Words("None among those done at least five times.".into()));
        }
        out.push(Block::Words(
            "Done at least five times in the cases judged; without it, the same suspect would have led each time.".into(),
        ));
        let row = |c: &super::IdleCheck| {
            vec![c.done.to_string(), minutes(c.minutes * c.done as f64), c.check.clone(), c.says.clone()]
        };
        out.push(Table::block(
            &[("Done", true), ("Time spent", true), ("Id", false), ("Check", false)],
            self.idle.iter().map(row).collect(),
        ));
    }

    /// As plain text of 80 columns.
    pub fn text(&self) -> String {
        let mut out = String::from("What this bench has seen\n");
        for block in self.blocks() {
            match block {
                Block::Heading(text) => {
                    let _ = write!(out, "\n{text}\n{}\n", "-".repeat(text.chars().count()));
                }
                Block::Words(text) => wrap(&mut out, &inert(&text), "", ""),
                Block::List(lines) => lines.iter().for_each(|l| wrap(&mut out, &inert(l), "- ", "  ")),
                Block::Table(table) => table.text(&mut out),
                Block::Picture(_) => {}
            }
        }
        out
    }

    /// As Markdown.
    pub fn markdown(&self) -> String {
        let mut out = String::from("# What this bench has seen\n");
        for block in self.blocks() {
            match block {
                Block::Heading(text) => out += &format!("\n## {text}\n"),
                Block::Words(text) => out += &format!("\n{}\n", marked(&text)),
                Block::List(lines) => {
                    out.push('\n');
                    lines.iter().for_each(|l| out += &format!("- {}\n", marked(l)));
                }
                Block::Table(table) => table.markdown(&mut out),
                Block::Picture(_) => {}
            }
        }
        out
    }

    /// As an HTML page that stands alone, with plots.
    pub fn html(&self) -> String {
        let mut body = String::new();
        for block in self.blocks() {
            match block {
                Block::Heading(text) => body += &format!("<h2>{}</h2>\n", escaped(&text)),
                Block::Words(text) => body += &format!("<p>{}</p>\n", escaped(&text)),
                Block::List(lines) => {
                    let items = lines.iter().map(|l| format!("<li>{}</li>\n", escaped(l)));
                    body += &format!("<ul>\n{}</ul>\n", items.collect::<String>());
                }
                Block::Table(table) => table.html(&mut body),
                Block::Picture(svg) => body += &format!("<figure>{svg}</figure>\n"),
            }
        }
        format!(
            "<!doctype html>\n<html lang=\"en\">\n<head>\n<meta charset=\"utf-8\">\n\
             <meta name=\"viewport\" content=\"width=device-width, initial-scale=1\">\n\
             <title>What this bench has seen</title>\n<style>\n{}\n{}\n</style>\n</head>\n<body>\n<main class=\"bench\">\n\
             <h1>What this bench has seen</h1>\n{body}</main>\n</body>\n</html>\n",
            include_str!("../../summary/templates/page.css"),
            STYLE
        )
    }
}

/// A text on lines of at most [`COLUMNS`].
fn wrap(out: &mut String, text: &str, first: &str, then: &str) {
    let room = COLUMNS.saturating_sub(first.chars().count()).max(10);
    for (i, line) in lines(text, room).iter().enumerate() {
        let _ = writeln!(out, "{}{line}", if i == 0 { first } else { then });
    }
}

/// A text in lines of at most `room` characters; words that are longer are cut.
fn lines(text: &str, room: usize) -> Vec<String> {
    let mut out = vec![String::new()];
    let mut length = 0;
    for word in text.split(' ').filter(|w| !w.is_empty()) {
        let chars: Vec<char> = word.chars().collect();
        for (i, piece) in chars.chunks(room.max(1)).enumerate() {
            let gap = usize::from(length > 0 && i == 0);
            if length + gap + piece.len() > room && length > 0 {
                out.push(String::new());
                length = 0;
            } else if gap == 1 {
                out.iter_mut().last().into_iter().for_each(|l| l.push(' '));
                length += 1;
            }
            out.iter_mut().last().into_iter().for_each(|l| l.extend(piece));
            length += piece.len();
        }
    }
    out
}

/// A text that Markdown shows as it is.
fn marked(text: &str) -> String {
    let mut out = String::new();
    for c in inert(text).chars() {
        if "\\`*_[]<>|#~".contains(c) {
            out.push('\\');
        }
        out.push(c);
    }
    out
}

impl Table {
    /// Columns side by side; the last takes what room is left, and a text column before it at most 26 characters.
    fn text(&self, out: &mut String) {
        const MOST: usize = 26;
        let clean = |rows: &[Vec<String>]| -> Vec<Vec<String>> {
            rows.iter().map(|r| r.iter().map(|c| inert(c)).collect()).collect()
        };
        let rows = clean(&self.rows);
        let last = self.head.len() - 1;
        let mut widths: Vec<usize> = (0..self.head.len())
            .map(|i| {
                let cells = rows.iter().filter_map(|r| r.get(i)).map(|c| c.chars().count());
                let most = cells.max().unwrap_or(0).max(self.head[i].chars().count());
                if self.numbers[i] { most } else { most.min(MOST) }
            })
            .collect();
        let taken: usize = widths[..last].iter().map(|w| w + 2).sum();
        if !self.numbers[last] {
            widths[last] = COLUMNS.saturating_sub(taken).max(20);
        }
        let head: Vec<String> = self.head.iter().map(|h| (*h).to_string()).collect();
        out.push('\n');
        for row in std::iter::once(&head).chain(&rows) {
            let cells: Vec<Vec<String>> = row.iter().zip(&widths).map(|(c, w)| lines(c, *w)).collect();
            for line in 0..cells.iter().map(Vec::len).max().unwrap_or(0) {
                let mut text = String::new();
                for (i, cell) in cells.iter().enumerate() {
                    let piece = cell.get(line).map_or("", String::as_str);
                    let width = widths[i];
                    let _ = match self.numbers[i] {
                        true => write!(text, "{piece:>width$}  "),
                        false => write!(text, "{piece:<width$}  "),
                    };
                }
                let _ = writeln!(out, "{}", text.trim_end());
            }
        }
    }

    fn markdown(&self, out: &mut String) {
        let line = |cells: Vec<String>| format!("| {} |\n", cells.join(" | "));
        out.push('\n');
        *out += &line(self.head.iter().map(|h| (*h).to_string()).collect());
        *out += &line(self.numbers.iter().map(|n| if *n { "---:" } else { "---" }.to_string()).collect());
        for row in &self.rows {
            *out += &line(row.iter().map(|c| marked(c)).collect());
        }
    }

    fn html(&self, out: &mut String) {
        let class = |i: usize| if self.numbers[i] { " class=\"num\"" } else { "" };
        let cells = |tag: &str, scope: &str, row: &[String]| -> String {
            row.iter()
                .enumerate()
                .map(|(i, c)| format!("<{tag}{scope}{}><bdi>{}</bdi></{tag}>", class(i), escaped(c)))
                .collect()
        };
        let head: Vec<String> = self.head.iter().map(|h| (*h).to_string()).collect();
        *out += &format!(
            "<div class=\"scroll\" tabindex=\"0\" role=\"group\" aria-label=\"{}\">\n<table>\n<thead><tr>{}</tr></thead>\n<tbody>\n",
            escaped(&head.join(", ")),
            cells("th", " scope=\"col\"", &head)
        );
        for row in &self.rows {
            *out += &format!("<tr>{}</tr>\n", cells("td", "", row));
        }
        *out += "</tbody>\n</table>\n</div>\n";
    }
}
