//! Which checks of the packs readings at pins and rails answer, on units without a board file. The list is `rules/spots.yaml`.

use crate::text::{Complaints, Source, decode, parse};
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

fn shipped() -> Result<&'static [Row], Complaints> {
    static ROWS: OnceLock<Result<Vec<Row>, Complaints>> = OnceLock::new();
    let read = || {
        let document = parse(&Source::new("rules/spots.yaml", SHIPPED))?;
        decode::<File>(&document).map(|f| f.spots)
    };
    ROWS.get_or_init(read).as_ref().map(Vec::as_slice).map_err(Clone::clone)
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
    let rows = shipped().ok()?;
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
            let plain: String = lower.chars().filter(|c| !c.is_whitespace() && *c != '-').collect();
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
        for row in shipped().unwrap() {
            let id = rules.find_check(&row.check).map_err(|e| e.help).unwrap();
            assert!(rules.check(id).reading.is_some(), "{}", row.check);
            assert!(
                row.names.is_empty() != row.parts.is_empty() && row.parts.is_empty() == row.pins.is_empty()
            );
        }
    }
}
