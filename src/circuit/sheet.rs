//! The bench sheet of a board, and the same beside a fault: data, and plain text or Markdown made from it.
//!
//! Absent: HTML and pictures (the summary makes those), and any advice on which line to take first beyond the order itself: power off
//! first, supplies, then along the board's path.

use super::board::Board;
use super::gives::{Gives, GivesBeside, gives, gives_beside};
use super::page::{markdown, sentence, table};
use super::predict::{Bench, CheckId, PredictError, Predicted, Predictor};
use crate::units::{Unit, show};
use serde::Serialize;
use std::fmt::Write;

/// A sine from rail to rail is this many dB below a square wave of the same height.
const ROUND_TOPS: f64 = 3.0;
/// Half width of a band in standard deviations: about 19 of 20 healthy boards are inside.
const BAND: f64 = 2.0;
/// From here on a faulted reading counts as different: standard deviations of the healthy one.
const DIFFERS: f64 = 3.0;

/// One healthy reading.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct SheetLine {
    /// Check id, such as `volts:VH`.
    pub check: CheckId,
    /// Every pin on that net, such as `IC1.3, R4`; of a current, where the meter goes.
    pub at: String,
    /// Usual reading in the unit; absent when over range.
    pub typical: Option<f64>,
    /// Lower end of the band.
    pub low: Option<f64>,
    /// Upper end of the band; absent where an overload may show.
    pub high: Option<f64>,
    /// Unit of the three.
    pub unit: Unit,
    /// Usual reading as text.
    pub text: String,
    /// Band as text.
    pub band: String,
}

/// Lines that are taken in one state of the unit.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct SheetPart {
    /// Heading.
    pub title: String,
    /// What to do first.
    pub first: String,
    /// The lines in order.
    pub lines: Vec<SheetLine>,
}

/// Every healthy reading of a board.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Sheet {
    /// The unit.
    pub board: String,
    /// What it does.
    pub says: String,
    /// Supplies, controls and switches as they stand for these readings.
    pub stands: Vec<String>,
    /// Power off, power on, tone in.
    pub parts: Vec<SheetPart>,
    /// What it gives by itself, once it was listened to.
    #[serde(rename = "by_itself", skip_serializing_if = "Option::is_none")]
    pub gives: Option<Gives>,
    /// Notes of the board file.
    pub notes: Vec<String>,
}

/// A reading without and with faults.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct WhatifLine {
    /// Check id.
    pub check: CheckId,
    /// Healthy reading in the unit; absent when over range.
    pub healthy: Option<f64>,
    /// The same with the faults in.
    pub faulted: Option<f64>,
    /// Unit of both.
    pub unit: Unit,
    /// Healthy reading as text.
    pub healthy_text: String,
    /// Faulted reading as text.
    pub faulted_text: String,
    /// Difference in standard deviations of the healthy reading; absent when one is over range.
    pub deviations: Option<f64>,
    /// Whether the difference would be seen.
    pub differs: bool,
}

/// A fault as the page names it.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct WhatifFault {
    /// Fault id.
    pub id: String,
    /// In words.
    pub says: String,
}

/// Something put in place of what the board has.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct WhatifChange {
    /// The part.
    pub part: String,
    /// What the board has.
    pub from: String,
    /// What is put in.
    pub to: String,
    /// What to mind in doing so.
    pub note: Option<String>,
}

/// All readings of a board without and with faults.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Whatif {
    /// The unit.
    pub board: String,
    /// Values and devices put in place of the board's.
    pub changes: Vec<WhatifChange>,
    /// The faults put in.
    pub faults: Vec<WhatifFault>,
    /// Every reading, in the order of the sheet.
    pub lines: Vec<WhatifLine>,
    /// What it gives by itself without and with them, once it was listened to.
    #[serde(rename = "by_itself", skip_serializing_if = "Option::is_none")]
    pub gives: Option<GivesBeside>,
}

/// The healthy readings of a board. Costs a solution of the circuit and its tolerances: milliseconds for forty parts.
///
/// ```
/// use halfsplit::circuit::{board::Board, predict::Bench, sheet::sheet};
/// let board = Board::load(&halfsplit::cases::board_example("pocket-beacon")?, &halfsplit::rules::parts::Library::builtin()?)?;
/// let text = sheet(&board, &Bench::default()).unwrap().to_text(100);
/// assert!(text.contains("amps:main"));
/// # Ok::<(), halfsplit::text::Complaints>(())
/// ```
///
/// # Errors
/// [`PredictError::Solve`] when the board has no operating point.
pub fn sheet(board: &Board, bench: &Bench) -> Result<Sheet, PredictError> {
    let mut predictor = Predictor::new(board, bench.clone())?;
    let checks = predictor.checks().to_vec();
    let predictions = predictor.predict(&[], &checks)?;
    let line = |check: &CheckId| predictions.get(check).map(|p| sheet_line(board, check, p));
    let take = |wanted: fn(&CheckId) -> bool| {
        checks.iter().filter(|c| wanted(c)).filter_map(line).collect::<Vec<_>>()
    };
    let tone = board.signal().map(|s| {
        format!(
            "Put {} of {} in at {}; levels are against that.",
            show::volts(s.level),
            show::hertz(s.tone),
            s.input
        )
    });
    let mut parts = vec![
        SheetPart {
            title: "Power off: ohms to ground".into(),
            first: "Take the battery or the adaptor off and wait until the capacitors are empty; black lead to ground.".into(),
            lines: take(|c| matches!(c, CheckId::Ohms(_))),
        },
        SheetPart {
            title: "Power on: current and volts to ground".into(),
            first: "Nothing plugged in; black lead to ground.".into(),
            lines: take(|c| matches!(c, CheckId::Amps(_) | CheckId::Volts(_))),
        },
    ];
    if let Some(first) = tone {
        parts.push(SheetPart {
            title: "Tone in: levels".into(),
            first,
            lines: take(|c| matches!(c, CheckId::Level(_))),
        });
    }
    Ok(Sheet {
        board: board.name().to_owned(),
        says: board.says().to_owned(),
        stands: stands(board, &predictor),
        parts,
        gives: None,
        notes: board.notes().to_vec(),
    })
}

fn stands(board: &Board, predictor: &Predictor<'_>) -> Vec<String> {
    let supply = |s: &super::board::SupplyLine| {
        format!("supply {}: {} from {} to {}", s.name, show::volts(s.volts), s.plus, s.minus)
    };
    let mut all: Vec<String> = board.supplies().iter().map(supply).collect();
    all.extend(board.parts().iter().filter_map(super::board::Part::stands));
    let either: Vec<String> = predictor
        .unsteady()
        .map(|(net, low, high)| {
            let volts = |v| show::value(v, Unit::Volts);
            format!("{net} {} or {}", volts(low), volts(high))
        })
        .collect();
    if !either.is_empty() {
        all.push(format!("settles in more than one way: {}", either.join(", ")));
    }
    all
}

pub(crate) fn sheet_line(board: &Board, check: &CheckId, p: &Predicted) -> SheetLine {
    let unit = check.unit();
    let most = most(board, check);
    let at = |predicted: f64| value(check, predicted.min(most));
    let (typical, mut low, high) = (at(p.mean), at(p.mean - BAND * p.sd), at(p.mean + BAND * p.sd));
    // No unit gives current back.
    if matches!(check, CheckId::Amps(_)) && p.mean >= 0.0 {
        low = low.map(|low| low.max(0.0));
    }
    let is_level = matches!(check, CheckId::Level(_));
    let clips = is_level && p.mean > most - ROUND_TOPS;
    if clips {
        low = low.map(|low| low.min(most - 2.0 * ROUND_TOPS));
    }
    let band = match (low, high) {
        (Some(_), Some(_)) if is_level && p.mean < -80.0 => "nothing to hear".to_owned(),
        (Some(low), Some(high)) if clips => format!("{}, it clips", show::band(low, high, unit)),
        (Some(low), Some(high)) => check.says_band(low, high),
        (Some(low), None) => format!("above {}", show::value(low, unit)),
        _ => "OL".to_owned(),
    };
    SheetLine {
        check: check.clone(),
        at: match check {
            CheckId::Amps(name) => format!("meter in the plus lead of {name}"),
            _ => board.pins_on(check.place()).join(", "),
        },
        typical,
        low,
        high,
        unit,
        text: text(check, p.mean.min(most)),
        band,
    }
}

/// The most that a meter can show at a net, in the unit of the prediction: of a level a square wave from rail to rail, dB against the
/// tone. The linear solution knows no rails.
fn most(board: &Board, check: &CheckId) -> f64 {
    let Some(tone) = board.signal().map(|s| s.level.0).filter(|t| *t > 0.0) else { return f64::INFINITY };
    let span: f64 = board.supplies().iter().map(|s| s.volts.0).sum();
    match check {
        CheckId::Level(_) if span > 0.0 => 20.0 * (span / 2.0 / tone).log10(),
        _ => f64::INFINITY,
    }
}

/// A predicted number in the unit of its check; `None` when over range.
fn value(check: &CheckId, predicted: f64) -> Option<f64> {
    let x = check.unscaled(predicted);
    (x.is_finite() && !(matches!(check, CheckId::Ohms(_)) && x > 20e6)).then_some(x)
}

pub(crate) fn text(check: &CheckId, predicted: f64) -> String {
    match value(check, predicted) {
        None => "OL".into(),
        Some(x) if matches!(check, CheckId::Level(_)) && x < -80.0 => "silent".into(),
        Some(x) => check.says(x),
    }
}

/// The readings of a board without and with faults.
///
/// # Errors
/// An unknown fault, or a board that does not settle.
pub fn whatif(board: &Board, faults: &[&str], bench: &Bench) -> Result<Whatif, PredictError> {
    whatif_changed(board, board, Vec::new(), faults, bench)
}

/// The readings of a board beside those of the same board with other values or devices in, and with faults.
///
/// # Errors
/// As [`whatif`].
pub fn whatif_changed(
    board: &Board,
    changed: &Board,
    changes: Vec<WhatifChange>,
    faults: &[&str],
    bench: &Bench,
) -> Result<Whatif, PredictError> {
    let mut predictor = Predictor::new(board, bench.clone())?;
    let checks = predictor.checks().to_vec();
    let healthy = predictor.predict(&[], &checks)?;
    let faulted = match changes.is_empty() {
        true => predictor.predict(faults, &checks)?,
        false => Predictor::new(changed, bench.clone())?.predict(faults, &checks)?,
    };
    let line = |check: &CheckId| {
        let (healthy, faulted) = (healthy.get(check)?, faulted.get(check)?);
        Some(whatif_line(check, healthy, faulted, most(board, check)))
    };
    let named = |id: &&str| changed.fault(id).map(|f| WhatifFault { id: f.id.clone(), says: f.says.clone() });
    Ok(Whatif {
        board: board.name().to_owned(),
        changes,
        faults: faults.iter().filter_map(named).collect(),
        lines: checks.iter().filter_map(line).collect(),
        gives: None,
    })
}

fn whatif_line(check: &CheckId, h: &Predicted, f: &Predicted, most: f64) -> WhatifLine {
    let (healthy, faulted) = (value(check, h.mean.min(most)), value(check, f.mean.min(most)));
    let silent = |p: &Predicted| matches!(check, CheckId::Level(_)) && p.mean < -80.0;
    let deviations = healthy.and(faulted).map(|_| (f.mean - h.mean) / h.sd);
    let differs = match deviations {
        Some(_) if silent(h) && silent(f) => false,
        Some(z) => z.abs() >= DIFFERS,
        None => healthy.is_some() != faulted.is_some(),
    };
    WhatifLine {
        check: check.clone(),
        healthy,
        faulted,
        unit: check.unit(),
        healthy_text: text(check, h.mean.min(most)),
        faulted_text: text(check, f.mean.min(most)),
        deviations,
        differs,
    }
}

impl Sheet {
    /// The sheet with what the board gives by itself: milliseconds where it rests, up to seconds where it oscillates slowly.
    ///
    /// # Errors
    /// [`PredictError::Solve`] when the board has no operating point with its strays.
    pub fn listened(mut self, board: &Board) -> Result<Self, PredictError> {
        self.gives = Some(gives(board, &[])?);
        Ok(self)
    }

    /// As plain text of at most `width` columns.
    pub fn to_text(&self, width: usize) -> String {
        let mut out = self.head("", width);
        for part in &self.parts {
            let _ = write!(out, "\n{}\n{}\n", part.title, sentence(&part.first, width, "", 0));
            out.push_str(&table(&self.rows(part), &HEAD, width));
        }
        if let Some(gives) = &self.gives {
            let _ = write!(out, "\n{BY_ITSELF}\n{}\n", sentence(first_of(gives), width, "", 0));
            out.push_str(&table(&gives_rows(gives), &GIVES_HEAD, width));
        }
        self.foot(&mut out, width);
        out
    }

    /// As Markdown.
    pub fn to_markdown(&self) -> String {
        let mut out = self.head("# ", usize::MAX);
        for part in &self.parts {
            let _ = writeln!(out, "\n## {}\n\n{}\n", part.title, part.first);
            out.push_str(&markdown(&self.rows(part), &HEAD));
        }
        if let Some(gives) = &self.gives {
            let _ = writeln!(out, "\n## {BY_ITSELF}\n\n{}\n", first_of(gives));
            out.push_str(&markdown(&gives_rows(gives), &GIVES_HEAD));
        }
        self.foot(&mut out, usize::MAX);
        out
    }

    fn head(&self, mark: &str, width: usize) -> String {
        let mut out = format!("{mark}{}\n", self.board);
        if !self.says.is_empty() {
            let _ = write!(out, "\n{}", sentence(&self.says, width, "", 0));
        }
        out.push('\n');
        for line in &self.stands {
            out.push_str(&sentence(line, width, "- ", 2));
        }
        out
    }

    fn foot(&self, out: &mut String, width: usize) {
        if !self.notes.is_empty() {
            out.push('\n');
        }
        for note in &self.notes {
            out.push_str(&sentence(note, width, "- ", 2));
        }
    }

    fn rows(&self, part: &SheetPart) -> Vec<Vec<String>> {
        let row = |l: &SheetLine| vec![l.check.to_string(), l.text.clone(), l.band.clone(), l.at.clone()];
        part.lines.iter().map(row).collect()
    }
}

const HEAD: [&str; 4] = ["check", "reading", "healthy band", "at"];
/// The part of the sheet with what the board gives by itself.
const BY_ITSELF: &str = "By itself: nothing played";
const GIVES_HEAD: [&str; 2] = ["", "healthy"];

/// What to do first for what a board gives by itself.
fn first_of(gives: &Gives) -> &'static str {
    match gives.moves.is_empty() {
        true => "The tone's lead plugged in, the tone turned down.",
        false => {
            "The tone's lead plugged in, the tone turned down. A meter follows a swing up to about 2 Hz; of a faster one it shows the mean."
        }
    }
}

fn gives_rows(gives: &Gives) -> Vec<Vec<String>> {
    gives.rows().into_iter().map(Vec::from).collect()
}

const WHATIF_HEAD: [&str; 4] = ["check", "healthy", "with the fault", ""];

impl WhatifChange {
    fn words(&self) -> String {
        let note = self.note.as_ref().map_or(String::new(), |n| format!("; {n}"));
        format!("{}: {} instead of {}{note}", self.part, self.to, self.from)
    }
}

impl Whatif {
    /// The page with what the two boards give by themselves; `changed` is the board with other parts in, or the same.
    ///
    /// # Errors
    /// An unknown fault, or a healthy board without operating point.
    pub fn listened(mut self, board: &Board, changed: &Board) -> Result<Self, PredictError> {
        let faults: Vec<&str> = self.faults.iter().map(|f| f.id.as_str()).collect();
        self.gives = Some(gives_beside(board, changed, &faults)?);
        Ok(self)
    }

    fn gives_rows(&self, mark: &str) -> Vec<Vec<String>> {
        let row = |l: &super::gives::GivesLine| {
            let mark = if l.differs { mark } else { "" };
            vec![l.what.clone(), l.healthy.clone(), l.faulted.clone(), mark.to_owned()]
        };
        self.gives.iter().flat_map(|g| &g.lines).map(row).collect()
    }

    fn gives_head(&self) -> [&'static str; 4] {
        let [_, healthy, faulted, mark] = self.head();
        ["by itself", healthy, faulted, mark]
    }

    /// What stands over the readings with faults or other parts in.
    fn head(&self) -> [&'static str; 4] {
        match (self.changes.is_empty(), self.faults.is_empty()) {
            (false, true) => ["check", "as drawn", "changed", ""],
            (false, false) => ["check", "as drawn", "changed, faulty", ""],
            _ => WHATIF_HEAD,
        }
    }

    /// As plain text of at most `width` columns; lines that differ carry a star.
    pub fn to_text(&self, width: usize) -> String {
        let mut out = format!("{}\n\n", self.board);
        self.changes.iter().for_each(|c| out.push_str(&sentence(&c.words(), width, "", 2)));
        self.faults
            .iter()
            .for_each(|f| out.push_str(&sentence(&format!("{}: {}", f.id, f.says), width, "", 2)));
        out.push('\n');
        out.push_str(&table(&self.rows("*"), &self.head(), width));
        self.tally(&mut out);
        if self.gives.is_some() {
            out.push('\n');
            out.push_str(&table(&self.gives_rows("*"), &self.gives_head(), width));
        }
        out
    }

    /// As Markdown; lines that differ are bold.
    pub fn to_markdown(&self) -> String {
        let mut out = format!("# {}\n\n", self.board);
        self.changes.iter().for_each(|c| {
            let _ = writeln!(out, "- {}", c.words());
        });
        self.faults.iter().for_each(|f| {
            let _ = writeln!(out, "- `{}`: {}", f.id, f.says);
        });
        out.push('\n');
        out.push_str(&markdown(&self.rows("**differs**"), &self.head()));
        self.tally(&mut out);
        if self.gives.is_some() {
            out.push('\n');
            out.push_str(&markdown(&self.gives_rows("**differs**"), &self.gives_head()));
        }
        out
    }

    fn tally(&self, out: &mut String) {
        let n = self.lines.iter().filter(|l| l.differs).count();
        let _ = match n {
            0 => writeln!(out, "\nNone of these readings shows it."),
            1 => writeln!(out, "\n1 of {} readings differs.", self.lines.len()),
            n => writeln!(out, "\n{n} of {} readings differ.", self.lines.len()),
        };
    }

    fn rows(&self, mark: &str) -> Vec<Vec<String>> {
        let row = |l: &WhatifLine| {
            let mark = if l.differs { mark } else { "" };
            vec![l.check.to_string(), l.healthy_text.clone(), l.faulted_text.clone(), mark.to_owned()]
        };
        self.lines.iter().map(row).collect()
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]
    use super::*;
    use crate::circuit::board::tests::own_boards;

    #[test]
    fn sheets_of_all_own_boards_read_well() {
        for (name, board) in own_boards() {
            let sheet = sheet(&board, &Bench::default()).unwrap();
            assert!(matches!(sheet.parts[0].lines[0].check, CheckId::Ohms(_)), "power off comes first");
            let lines: usize = sheet.parts.iter().map(|p| p.lines.len()).sum();
            assert_eq!(lines, 3 * board.nets().len() + board.supplies().len());
            for line in sheet.parts.iter().flat_map(|p| &p.lines) {
                if let (Some(low), Some(typical), Some(high)) = (line.low, line.typical, line.high) {
                    assert!(low <= typical && typical <= high, "{name} {}", line.check);
                }
                assert!(
                    !line.text.contains("NaN") && !line.text.contains('?'),
                    "{name} {}: {}",
                    line.check,
                    line.text
                );
            }
            assert!(serde_json::to_string(&sheet).unwrap().contains("\"check\":\"ohms:"));
        }
    }

    #[test]
    fn whatif_marks_what_differs() {
        let (_, board) = own_boards().into_iter().find(|(n, _)| n.starts_with("copper")).unwrap();
        let page = whatif(&board, &["R1:open"], &Bench::default()).unwrap();
        let line = |id: &str| page.lines.iter().find(|l| l.check.to_string() == id).unwrap();
        assert!(line("volts:VH").differs && !line("volts:V9").differs && !line("volts:VIN").differs);
        assert!(page.to_text(100).contains("R1:open: R1 (10k) is open"));
        let none = whatif(&board, &["C2:open"], &Bench::default()).unwrap();
        assert!(none.to_text(100).contains("None of these readings shows it."), "{}", none.to_text(100));
        assert!(whatif(&board, &["R1:opn"], &Bench::default()).is_err());
    }

    #[test]
    fn the_pages_of_the_booster() {
        let (_, board) = own_boards().into_iter().find(|(n, _)| n.starts_with("pocket")).unwrap();
        insta::assert_snapshot!(sheet(&board, &Bench::default()).unwrap().to_text(100));
        insta::assert_snapshot!(whatif(&board, &["C3:short"], &Bench::default()).unwrap().to_markdown());
    }
}
