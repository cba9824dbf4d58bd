//! The faults of the stock outlines, each played on a unit of its kind by typical answers: is it put right, and how soon?
//!
//! The gate plays a few faults of each outline and compares them with `tests/snapshots`; the whole table, `tests/data/outline-games.txt`,
//! takes an hour and is made by hand: `halfsplit drill --outline all > tests/data/outline-games.txt`.
#![allow(clippy::unwrap_used, clippy::panic)]

use halfsplit::cases::drill::{self, OutlineFault, OutlineReport};
use halfsplit::rules::{Rules, Tool};
use std::collections::BTreeSet;
use std::fs;
use std::path::Path;

/// Faults of each outline that the gate plays.
const SLICE: usize = 1;
const TOOLS: [Tool; 4] = [Tool::Meter, Tool::AudioProbe, Tool::Iron, Tool::Spares];

fn faults(most: Option<usize>) -> Vec<OutlineFault> {
    let rules = Rules::builtin().unwrap();
    let outlines = drill::outlines(rules, "all").unwrap();
    outlines.iter().flat_map(|o| drill::outline_faults(rules, o, most).unwrap()).collect()
}

#[test]
fn a_few_faults_of_each_outline_are_put_right_as_before() {
    let games =
        drill::outline_games(Rules::builtin().unwrap(), &faults(Some(SLICE)), &TOOLS, &|| ()).unwrap();
    let report = OutlineReport::of(games);
    insta::assert_snapshot!(report.table());
    let all = report.outlines.last().unwrap();
    assert!(all.games >= 30 && all.in_time >= 0.9, "{all:?}");
    assert!(all.minutes.mean <= 22.0, "{all:?}");
}

/// A line of the whole table: outline, fault, minutes, whether it was put right.
fn rows(text: &str) -> Vec<(String, String, f64, bool)> {
    let row = |line: &str| {
        let words: Vec<&str> = line.split_whitespace().collect();
        let minutes = words.get(3)?.parse().ok()?;
        Some((words[0].to_owned(), words[1].to_owned(), minutes, *words.get(5)? == "yes"))
    };
    text.lines().skip(1).take_while(|l| !l.is_empty()).filter_map(row).collect()
}

#[test]
fn the_whole_table_is_of_these_outlines_and_holds_its_totals() {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/data/outline-games.txt");
    let rows = rows(&fs::read_to_string(path).unwrap());
    let known: BTreeSet<(String, String)> = faults(None).into_iter().map(|f| (f.outline, f.fault)).collect();
    let stale: Vec<_> = rows.iter().filter(|r| !known.contains(&(r.0.clone(), r.1.clone()))).collect();
    assert!(stale.is_empty(), "not played any more, make the table again: {stale:?}");
    // What an owner would not notice is left out.
    assert!(rows.len() * 100 >= 90 * known.len(), "{} of {} faults in the table", rows.len(), known.len());
    let share = |is: &dyn Fn(&(String, String, f64, bool)) -> bool| {
        rows.iter().filter(|r| is(r)).count() as f64 / rows.len() as f64
    };
    let in_time = share(&|r| r.3 && r.2 <= drill::IN_TIME);
    let mean = rows.iter().map(|r| r.2).sum::<f64>() / rows.len() as f64;
    assert!(in_time >= 0.9, "{in_time:.3} put right in time");
    assert!(mean <= 22.0, "{mean:.1} min in the mean");
}
