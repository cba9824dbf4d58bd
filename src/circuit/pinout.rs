//! One part pin by pin: what each pin is, where it leads, and what it should read, in the shape of its package.

use super::board::{Board, Part};
use super::page::{fold, sentence};
use super::predict::{Bench, CheckId, PredictError, Predictor};
use super::sheet::{SheetLine, sheet_line};
use crate::rules::parts::{Library, Reads};
use serde::Serialize;
use std::fmt::Write;
use unicode_width::UnicodeWidthStr;

/// A pin with its readings.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct PinLine {
    /// Its name on the card.
    pub pin: String,
    /// What it is.
    pub is: String,
    /// The net; nothing where it is left open.
    pub net: Option<String>,
    /// Every other pin on that net.
    pub with: Vec<String>,
    /// Healthy readings there: ohms, volts, level.
    pub reads: Vec<SheetLine>,
    /// What such a pin should read, in words, and where that comes from.
    pub says: Option<(String, String)>,
}

/// A part pin by pin.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct PartPage {
    /// The unit.
    pub board: String,
    /// Designator.
    pub part: String,
    /// Value or number.
    pub value: String,
    /// What it is.
    pub is: String,
    /// What it does here.
    pub role: Option<String>,
    /// Its package; nothing where the card has none.
    pub package: Option<String>,
    /// Pins in the order of the package.
    pub order: Vec<String>,
    /// Every pin.
    pub pins: Vec<PinLine>,
    /// What a bench person should know of it.
    pub notes: Vec<String>,
}

/// The page of one part; `None` where the board has no such part.
///
/// # Errors
/// [`PredictError::Solve`] when the board has no operating point.
pub fn part_page(
    board: &Board,
    library: &Library,
    id: &str,
    bench: &Bench,
) -> Result<Option<PartPage>, PredictError> {
    let Some(part) = board.parts().iter().find(|p| p.id == id) else { return Ok(None) };
    let mut predictor = Predictor::new(board, bench.clone())?;
    let all = predictor.checks().to_vec();
    let wanted = |c: &&CheckId| {
        !matches!(c, CheckId::Amps(_)) && part.pins.iter().any(|p| p.net.as_deref() == Some(c.place()))
    };
    let checks: Vec<CheckId> = all.iter().filter(wanted).cloned().collect();
    let predictions = predictor.predict(&[], &checks)?;
    let device = part.device.as_deref().and_then(|d| library.device(d));
    let kind = library.kind(&part.kind);
    let says = |pin: &str| -> String {
        let own = device.and_then(|d| d.pins.get(pin)).or_else(|| kind.and_then(|k| k.terminals.get(pin)));
        own.cloned().unwrap_or_default()
    };
    let pins = part.pins.iter().map(|pin| {
        let net = pin.net.clone();
        let own = part.called(pin);
        let with = net.as_deref().map(|n| board.pins_on(n)).unwrap_or_default();
        let here = |c: &&CheckId| net.as_deref() == Some(c.place());
        PinLine {
            pin: pin.name.clone(),
            is: says(&pin.name),
            with: with.into_iter().filter(|p| *p != own).collect(),
            reads: checks
                .iter()
                .filter(here)
                .filter_map(|c| Some(sheet_line(board, c, predictions.get(c)?)))
                .collect(),
            says: reads_of(library, part, &pin.name).map(|r| (r.says.clone(), r.source.clone())),
            net,
        }
    });
    let package = device.and_then(|d| d.packages.iter().next());
    Ok(Some(PartPage {
        board: board.name().to_owned(),
        part: part.id.clone(),
        value: part.label.clone(),
        is: device.map(|d| d.says.clone()).or_else(|| kind.map(|k| k.says.clone())).unwrap_or_default(),
        role: part.role.clone(),
        package: package.map(|(name, _)| name.value.clone()),
        order: package.map(|(_, order)| order.iter().map(|p| p.value.clone()).collect()).unwrap_or_default(),
        pins: pins.collect(),
        notes: device.map(|d| d.notes.clone()).unwrap_or_default(),
    }))
}

fn reads_of<'l>(library: &'l Library, part: &Part, pin: &str) -> Option<&'l Reads> {
    match part.device.as_deref() {
        Some(number) => library.reads(number, pin),
        None => library.kind(&part.kind)?.reads.get(pin),
    }
}

impl PinLine {
    fn reading(&self, wanted: fn(&CheckId) -> bool) -> Option<&SheetLine> {
        self.reads.iter().find(|l| wanted(&l.check))
    }

    fn volts(&self) -> String {
        self.reading(|c| matches!(c, CheckId::Volts(_))).map_or(String::new(), |l| l.text.clone())
    }

    fn net_name(&self) -> &str {
        self.net.as_deref().unwrap_or("open")
    }
}

impl PartPage {
    /// As text of at most `width` columns.
    pub fn to_text(&self, width: usize) -> String {
        let mut out = String::new();
        let role = self.role.as_ref().map(|r| r.replace('-', " ")).filter(|r| !self.is.contains(r.as_str()));
        let role = role.map_or(String::new(), |r| format!(", {r}"));
        let value = if self.value == self.is { String::new() } else { format!(" {}", self.value) };
        out.push_str(&sentence(&format!("{}{value}, {}{role}", self.part, self.is), width, "", 0));
        let shape = self.shape(width);
        if !shape.is_empty() {
            let _ = write!(out, "\n{shape}");
        }
        out.push('\n');
        for (i, pin) in self.pins.iter().enumerate() {
            // What was said of a pin further up is not said again.
            let said = self.pins[..i].iter().find(|p| p.says.is_some() && p.says == pin.says);
            self.pin_text(pin, said, width, &mut out);
        }
        if !self.notes.is_empty() {
            out.push('\n');
        }
        for note in &self.notes {
            out.push_str(&sentence(note, width, "- ", 2));
        }
        out
    }

    /// The same as Markdown.
    pub fn to_markdown(&self) -> String {
        let mut out = format!("# {} {}\n\n{}\n", self.part, self.value, self.is);
        let shape = self.shape(80);
        if !shape.is_empty() {
            let _ = write!(out, "\n```\n{shape}```\n");
        }
        let rows: Vec<Vec<String>> = self
            .pins
            .iter()
            .map(|p| {
                let read = |wanted: fn(&CheckId) -> bool| {
                    p.reading(wanted).map_or(String::new(), |l| l.band.clone())
                };
                vec![
                    p.pin.clone(),
                    p.is.clone(),
                    p.net_name().to_owned(),
                    read(|c| matches!(c, CheckId::Ohms(_))),
                    read(|c| matches!(c, CheckId::Volts(_))),
                    read(|c| matches!(c, CheckId::Level(_))),
                    p.with.join(", "),
                ]
            })
            .collect();
        let head = ["pin", "is", "net", "ohms to ground", "volts", "level", "on the net"];
        let _ = write!(out, "\n{}", super::page::markdown(&rows, &head));
        out
    }

    fn pin_text(&self, pin: &PinLine, said: Option<&PinLine>, width: usize, out: &mut String) {
        let is = if pin.is.is_empty() || pin.is == pin.pin { String::new() } else { format!(", {}", pin.is) };
        out.push_str(&sentence(&format!("{}{is}: {}", pin.pin, pin.net_name()), width, "", 4));
        let words = |l: &SheetLine| {
            let band = if l.band == l.text { String::new() } else { format!(" ({})", l.band) };
            match l.check {
                CheckId::Ohms(_) => format!("{}{band} to ground, power off", l.text),
                CheckId::Level(_) => format!("level {}{band}", l.text),
                _ => format!("{}{band}", l.text),
            }
        };
        // Volts first: that is what is asked of a pin.
        let silent = |l: &&SheetLine| matches!(l.check, CheckId::Level(_)) && l.text == "silent";
        let mut reads: Vec<&SheetLine> = pin.reads.iter().filter(|l| !silent(l)).collect();
        reads.sort_by_key(|l| !matches!(l.check, CheckId::Volts(_)));
        if !reads.is_empty() {
            let words: Vec<String> = reads.iter().map(|l| words(l)).collect();
            out.push_str(&sentence(&words.join("; "), width, "    ", 4));
        }
        if !pin.with.is_empty() {
            out.push_str(&fold(&pin.with, ", ", width, "    with ", 9));
        }
        if let Some(other) = said {
            out.push_str(&sentence(&format!("as said of pin {}", other.pin), width, "    ", 4));
        } else if let Some((says, source)) = &pin.says {
            out.push_str(&sentence(&format!("{says} ({source})"), width, "    ", 4));
        }
    }

    fn at(&self, pin: &str) -> Option<&PinLine> {
        self.pins.iter().find(|p| p.pin == pin)
    }

    /// The package with nets and volts beside its pins; empty where there is no package, or no room for it.
    fn shape(&self, width: usize) -> String {
        let Some(package) = &self.package else { return String::new() };
        if package.starts_with("DIP") { self.dual_in_line(width) } else { self.in_a_row(width) }
    }

    fn dual_in_line(&self, width: usize) -> String {
        let half = self.order.len() / 2;
        let beside = |pin: Option<&PinLine>| {
            pin.map_or((String::new(), String::new()), |p| (p.net_name().to_owned(), p.volts()))
        };
        let rows: Vec<_> = (0..half)
            .map(|i| {
                let (left, right) = (&self.order[i], &self.order[self.order.len() - 1 - i]);
                (left, right, beside(self.at(left)), beside(self.at(right)))
            })
            .collect();
        let widest = |f: &dyn Fn(usize) -> usize| (0..rows.len()).map(f).max().unwrap_or(0);
        let left_net = widest(&|i| rows[i].2.0.width());
        let left_volts = widest(&|i| rows[i].2.1.width());
        let right_volts = widest(&|i| rows[i].3.1.width());
        let right_net = widest(&|i| rows[i].3.0.width());
        let body = 11;
        if left_net + left_volts + right_volts + right_net + body + 6 > width {
            return String::new();
        }
        let lead = " ".repeat(left_net + left_volts + 2);
        let mut out = format!("{lead}+---\\_/---+\n");
        for (left, right, (lnet, lvolts), (rnet, rvolts)) in rows {
            let inside = format!("{left:<4}{right:>5}");
            let line =
                format!("{lnet:>left_net$} {lvolts:>left_volts$} |{inside}| {rvolts:<right_volts$} {rnet}");
            out.push_str(line.trim_end());
            out.push('\n');
        }
        let _ = writeln!(out, "{lead}+---------+");
        out
    }

    fn in_a_row(&self, width: usize) -> String {
        let view = match self.package.as_deref() {
            Some("TO-220") => "print facing you, legs down",
            _ => "flat side facing you, legs down",
        };
        let cells: Vec<[String; 3]> = self
            .order
            .iter()
            .filter_map(|o| self.at(o))
            .map(|p| [p.pin.clone(), p.net_name().to_owned(), p.volts()])
            .collect();
        let wide: Vec<usize> =
            cells.iter().map(|c| c.iter().map(|t| t.width()).max().unwrap_or(0).max(3)).collect();
        let total: usize = wide.iter().sum::<usize>() + 2 * wide.len().saturating_sub(1);
        if total + 4 > width {
            return String::new();
        }
        let mut out = format!("  {view}\n  +{}+\n", "-".repeat(total));
        for k in 0..3 {
            let line: Vec<String> = cells.iter().zip(&wide).map(|(c, w)| format!("{:<w$}", c[k])).collect();
            let _ = writeln!(out, "{}", format!("   {}", line.join("  ")).trim_end());
        }
        out
    }
}
