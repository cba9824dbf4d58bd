#![allow(clippy::unwrap_used)]
use super::*;
use crate::rules::History;

#[test]
fn every_shipped_outline_gives_rules() {
    let library = Library::builtin().unwrap_or_else(|e| panic!("{e}"));
    for id in library.outlines.keys() {
        for history in [History::FreshBuild, History::WorkedBefore] {
            let (rules, unit) = rules_for(&library, &UnitFacts::new(id.clone(), history)).unwrap_or_else(|e| panic!("{id}: {e}"));
            let total: f64 = rules.faults().map(|(_, f)| f.prior.fresh_build.get()).sum();
            println!("{id:24} {history:14} spots {:3} sum {total:.2} {}", unit.spots.len(), rules.counts());
        }
    }
}
