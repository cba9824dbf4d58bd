//! How long one decision takes.
#![allow(clippy::unwrap_used, clippy::expect_used, missing_docs)]

#[path = "../plan_support/mod.rs"]
mod plan_support;

use criterion::{Criterion, criterion_group, criterion_main};
use halfsplit::plan::*;
use plan_support::chain::unit;

fn decide(c: &mut Criterion) {
    let mut group = c.benchmark_group("plan");
    group.sample_size(10);
    for (name, stages, parts, pairs) in
        [("82 hypotheses", 10, 4, 40), ("150 hypotheses", 10, 8, 70), ("400 hypotheses", 10, 12, 300)]
    {
        let problem = Problem::new(unit(7, stages, parts, pairs)).unwrap();
        group.bench_function(format!("planner, {name}"), |b| {
            b.iter(|| Plain::default().next(&problem, &State::default()))
        });
        group.bench_function(format!("information per cost, {name}"), |b| {
            b.iter(|| InformationPerCost::default().next(&problem, &State::default()))
        });
    }
    group.finish();
}

criterion_group!(benches, decide);
criterion_main!(benches);
