//! The faults of the stock outlines, each played on a unit of its kind by typical answers: is it put right, and how soon?
//!
//! The gate plays one fault of every third outline and compares the games with `tests/snapshots`. The table over all outlines,
//! `tests/data/outline-games.txt`, is made by hand: `halfsplit drill --outline all --auto 2 > tests/data/outline-games.txt`; without
//! `--auto` every fault is played, which takes hours.
#![allow(clippy::unwrap_used, clippy::panic)]

use halfsplit::cases::drill::{self, OutlineFault, OutlineReport};
use halfsplit::rules::{Rules, Tool};
use std::collections::BTreeSet;
use std::fs;
use std::path::Path;

/// Which outlines the gate plays.
const EVERY: usize = 3;
/// Least share that is put right within 40 minutes, and most minutes in the mean: of the gate's games, of those in the table.
const LEAST_IN_TIME: [f64; 2] = [0.9, 0.95];
const MOST_MEAN: [f64; 2] = [27.5, 24.5];
const TOOLS: [Tool; 4] = [Tool::Meter, Tool::AudioProbe, Tool::Iron, Tool::Spares];

fn outlines() -> Vec<String> {
    drill::outlines(Rules::builtin().unwrap(), "all").unwrap()
}

fn faults(every: usize, most: Option<usize>) -> Vec<OutlineFault> {
    let rules = Rules::builtin().unwrap();
    outlines().iter().step_by(every).flat_map(|o| drill::outline_faults(rules, o, most).unwrap()).collect()
}

#[test]
fn faults_of_outlines_are_put_right_as_before() {
    let faults = faults(EVERY, Some(1));
    let games = drill::outline_games(Rules::builtin().unwrap(), &faults, &TOOLS, &|| ()).unwrap();
    let report = OutlineReport::of(games);
    insta::assert_snapshot!(report.table());
    let all = report.outlines.last().unwrap();
    assert!(all.games >= 10 && all.in_time >= LEAST_IN_TIME[0], "{all:?}");
    assert!(all.minutes.mean <= MOST_MEAN[0], "{all:?}");
}

#[test]
fn faults_are_taken_evenly_from_the_likeliest_to_the_rarest() {
    let rules = Rules::builtin().unwrap();
    let all = drill::outline_faults(rules, "fuzz", None).unwrap();
    assert!(all.len() > 60 && all.is_sorted_by(|a, b| a.prior >= b.prior));
    let few = drill::outline_faults(rules, "fuzz", Some(3)).unwrap();
    let at: Vec<usize> = few.iter().map(|f| all.iter().position(|a| a == f).unwrap()).collect();
    assert_eq!(at, [all.len() / 6, all.len() / 2, 5 * all.len() / 6]);
    let slip = drill::outlines(rules, "fuz").unwrap_err().to_string();
    assert!(slip.contains("unknown outline 'fuz'") && slip.contains("fuzz"), "{slip}");
}

/// A line of the table: outline, fault, minutes, whether it was put right.
struct Row {
    outline: String,
    fault: String,
    minutes: f64,
    mended: bool,
}

fn rows(text: &str) -> Vec<Row> {
    let row = |line: &str| {
        let words: Vec<&str> = line.split_whitespace().collect();
        let &[outline, fault, _, minutes, _, mended, ..] = words.as_slice() else { panic!("{line}") };
        let (outline, fault) = (outline.to_owned(), fault.to_owned());
        Row { outline, fault, minutes: minutes.parse().unwrap(), mended: mended == "yes" }
    };
    text.lines().skip(1).take_while(|l| !l.is_empty()).map(row).collect()
}

#[test]
fn the_table_is_of_these_outlines_and_holds_its_totals() {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/data/outline-games.txt");
    let rows = rows(&fs::read_to_string(path).unwrap());
    let known: BTreeSet<(String, String)> =
        faults(1, None).into_iter().map(|f| (f.outline, f.fault)).collect();
    let gone = |r: &&Row| !known.contains(&(r.outline.clone(), r.fault.clone()));
    let stale: Vec<&str> = rows.iter().filter(gone).map(|r| r.fault.as_str()).collect();
    assert!(stale.is_empty(), "not played any more, make the table again: {stale:?}");
    let played: BTreeSet<&str> = rows.iter().map(|r| r.outline.as_str()).collect();
    assert_eq!(played.len(), outlines().len(), "every outline is in the table");
    let count = rows.len() as f64;
    let in_time = rows.iter().filter(|r| r.mended && r.minutes <= drill::IN_TIME).count() as f64 / count;
    let mean = rows.iter().map(|r| r.minutes).sum::<f64>() / count;
    assert!(in_time >= LEAST_IN_TIME[1], "{in_time:.3} put right in time");
    assert!(mean <= MOST_MEAN[1], "{mean:.1} min in the mean");
}
