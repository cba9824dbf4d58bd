//! Which checks of the packs readings at pins and rails answer, on units without a board file. The list is `rules/spots.yaml`.

use crate::text::{Complaints, Named, Source, decode, parse};
use serde::Deserialize;
use std::sync::OnceLock;

/// The shipped list.
const SHIPPED: &str = include_str!(concat!(env!("CARGO_MANIFEST_DIR"), "/rules/spots.yaml"));

/// What can be read at a spot.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Reads {
    /// Volts to ground.
    Volts,
    /// Ohms to ground, power off.
    Ohms,
}

#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct File {
    spots: Vec<Row>,
    rails: Vec<Rail>,
    pins: Named<String>,
    sections: Named<Section>,
}

#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct Rail {
    names: Vec<String>,
    spots: Vec<String>,
}

#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct Section {
    spot: String,
    pin: String,
}

#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct Row {
    #[serde(default)]
    parts: Vec<String>,
    #[serde(default)]
    pins: Vec<String>,
    #[serde(default)]
    names: Vec<String>,
    reads: Reads,
    check: String,
}

fn shipped() -> Result<&'static File, Complaints> {
    static FILE: OnceLock<Result<File, Complaints>> = OnceLock::new();
    let read = || decode::<File>(&parse(&Source::new("rules/spots.yaml", SHIPPED))?);
    FILE.get_or_init(read).as_ref().map_err(Clone::clone)
}

/// A name without capitals, blanks and dashes, but for one in front.
fn plain(name: &str) -> String {
    let lower = name.to_lowercase();
    let minus = lower.starts_with('-');
    let rest: String = lower.chars().filter(|c| !c.is_whitespace() && *c != '-').collect();
    if minus { format!("-{rest}") } else { rest }
}

/// Spots of outlines that a rail's name may mean.
pub(super) fn spots_named(name: &str) -> impl Iterator<Item = &'static str> {
    let name = plain(name);
    let rails = shipped().map_or(&[][..], |f| &f.rails[..]);
    let fitting = rails.iter().filter(move |r| r.names.contains(&name));
    fitting.flat_map(|r| r.spots.iter().map(String::as_str))
}

/// What outlines call a pin that people call so.
pub(super) fn base_of_pin(pin: &str) -> Option<&'static str> {
    shipped().ok()?.pins.get(pin).map(String::as_str)
}

/// The letter of the section that a pin of two amplifiers in a package belongs to, and its name there.
pub(super) fn pin_of_section(pin: &str) -> Option<(&'static str, &'static str)> {
    let section = shipped().ok()?.sections.get(pin)?;
    Some((section.spot.as_str(), section.pin.as_str()))
}

/// The id of the check that a reading at a spot answers: at a pin (`Q1.c`) or on a rail (`V9`).
///
/// ```
/// use halfsplit::rules::{Reads, check_at};
/// assert_eq!(check_at("Q1.c", Reads::Volts), Some("collector-volts"));
/// assert_eq!(check_at("+9 V", Reads::Volts), Some("board-supply-volts"));
/// assert_eq!(check_at("IC1.3", Reads::Volts), None);
/// ```
pub fn check_at(spot: &str, reads: Reads) -> Option<&'static str> {
    // A test holds the shipped list to being readable.
    let rows = &shipped().ok()?.spots;
    let lower = spot.to_lowercase();
    let row = match lower.split_once('.') {
        Some((part, pin)) => {
            let letters: String = part.chars().take_while(char::is_ascii_alphabetic).collect();
            rows.iter().find(|r| {
                r.reads == reads
                    && r.parts.iter().any(|p| p.eq_ignore_ascii_case(&letters))
                    && r.pins.iter().any(|p| p == pin)
            })
        }
        None => {
            let plain = plain(&lower);
            rows.iter().find(|r| r.reads == reads && r.names.contains(&plain))
        }
    };
    row.map(|r| r.check.as_str())
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;
    use crate::rules::Rules;

    #[test]
    fn every_check_of_the_list_is_one_that_takes_readings() {
        let rules = Rules::builtin().unwrap();
        for row in &shipped().unwrap().spots {
            let id = rules.find_check(&row.check).map_err(|e| e.help).unwrap();
            assert!(rules.check(id).reading.is_some(), "{}", row.check);
            assert!(
                row.names.is_empty() != row.parts.is_empty() && row.parts.is_empty() == row.pins.is_empty()
            );
        }
    }

    #[test]
    fn every_spot_of_a_rail_is_one_of_an_outline() {
        let library = Rules::builtin().unwrap().library().unwrap();
        let of = |spots: &crate::rules::places::written::Spots, id: &str| {
            [&spots.supply, &spots.signal, &spots.control].iter().any(|s| s.get(id).is_some())
        };
        for spot in shipped().unwrap().rails.iter().flat_map(|r| &r.spots) {
            assert!(library.outlines.values().any(|o| of(&o.spots, spot)), "{spot}");
        }
    }
}
