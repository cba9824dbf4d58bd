//! Drawings made elsewhere read as boards, lists of parts read as boards, and boards written for a circuit simulator.
//!
//! Each reader ([`read_spice`], [`read_kicad`], [`read_list`]) makes a [`Drawing`]: parts as the file has them, by net. [`Fitted::of`]
//! finds the part kinds and device cards of this program for them, and says what has none and why. A [`Plan`] holds what no netlist
//! says (ground, supply, input, output, how it is built) with the reason for each guess, so that a person can be asked. [`board_text`]
//! writes the board file. [`spice_deck`] goes the other way.
//!
//! Everything here is pure: text in, text out. Absent: reading included files, sheets of several files, solving.

mod drawing;
mod export;
mod fit;
mod guess;
mod kicad;
mod list;
mod nets;
mod pins;
mod sexpr;
mod spice;
mod spice_text;
#[cfg(test)]
mod tests;
mod write;

pub use drawing::{Drawing, DrawnPart, DrawnPin, Note, SupplyDrawn, What};
pub use export::spice_deck;
pub use fit::{Fitted, FittedPart, Wanted, wanted};
pub use guess::{Pick, Plan, SupplyPlan};
pub use kicad::read_kicad;
pub use list::{Listed, read_line, read_list};
pub use spice::read_spice;
pub use write::board_text;

use crate::rules::parts::Library;
use crate::text::{Complaint, Complaints, Source};

/// The most parts a drawing may have: far beyond any unit this program is for.
pub const MOST_PARTS: usize = 2000;

/// How a drawing is written.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Format {
    /// A SPICE netlist.
    Spice,
    /// KiCad's netlist export.
    Kicad,
    /// A plain list of parts.
    List,
}

impl Format {
    /// The words for them.
    pub const ALL: [(&'static str, Self); 3] =
        [("spice", Self::Spice), ("kicad", Self::Kicad), ("list", Self::List)];

    /// What a text looks like: an S-expression; a netlist with dot commands, comments with a star, or values behind the nodes; else a
    /// list of parts.
    pub fn of(text: &str) -> Self {
        let lines = || text.lines().map(str::trim_start).filter(|l| !l.is_empty());
        let heads = ["board", "supply", "build", "in", "out", "says", "ground"];
        let is_value = |w: &str| {
            w.starts_with(|c: char| c.is_ascii_digit()) && w != "0" && spice_text::number(w).is_some()
        };
        let votes = |value: usize, net: usize| {
            let passive = |l: &&str| l.starts_with(|c: char| "RCLrcl".contains(c));
            let fits = |l: &&str| {
                let words: Vec<&str> = l.split_whitespace().take(4).collect();
                words.len() == 4 && is_value(words[value]) && !is_value(words[net])
            };
            lines().filter(passive).filter(fits).count()
        };
        let headed = || lines().any(|l| l.split_whitespace().next().is_some_and(|w| heads.contains(&w)));
        if text.trim_start_matches('\u{feff}').trim_start().starts_with('(') {
            Self::Kicad
        } else if lines().any(|l| l.starts_with(['.', '*'])) || (!headed() && votes(3, 1) > votes(1, 3)) {
            Self::Spice
        } else {
            Self::List
        }
    }
}

/// Reads a drawing; without a format it is told by the text.
///
/// # Errors
/// Every complaint about the file, with places.
pub fn read(source: &Source, format: Option<Format>, library: &Library) -> Result<Drawing, Complaints> {
    let drawing: Drawing = match format.unwrap_or_else(|| Format::of(&source.text)) {
        Format::Spice => read_spice(source),
        Format::Kicad => read_kicad(source),
        Format::List => read_list(source, library),
    }?;
    if drawing.parts.len() > MOST_PARTS {
        let message = format!("{} has {} parts; {MOST_PARTS} are the most", source.name, drawing.parts.len());
        return Err(Complaint::nowhere("too-large", message).help("import one unit at a time").into());
    }
    Ok(drawing)
}
