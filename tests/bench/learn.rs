//! How fast resolved cards are read and learned from, on one and on two threads, side by side; and whether time goes with
//! their number.
#![allow(clippy::unwrap_used, clippy::expect_used, missing_docs)]

use criterion::{Criterion, Throughput, criterion_group, criterion_main};
use halfsplit::cases::learn::{Data, MENTION, Statistics, Tables, count, expect, facts, gather};
use halfsplit::cases::simulate::{Pick, Simulation, card, draw};
use halfsplit::job::JobCard;
use halfsplit::rules::Rules;
use halfsplit::text::Source;

const SIZES: [u64; 3] = [1_000, 2_000, 4_000];

fn text(rules: &Rules, number: u64) -> String {
    let simulation = Simulation { seed: 1, checks: 8, pick: Pick::Near, history: None };
    card(rules, &draw(rules, &simulation, number), number)
}

/// Cards from disk to statistics.
fn reading(c: &mut Criterion) {
    let rules = Rules::builtin().unwrap();
    let folder = tempfile::tempdir().unwrap();
    let files: Vec<_> = (0..SIZES[2])
        .map(|number| {
            let path = folder.path().join(format!("{number}.yaml"));
            std::fs::write(&path, text(rules, number)).unwrap();
            path
        })
        .collect();
    let mut group = c.benchmark_group("read and count");
    group.sample_size(10);
    for size in SIZES {
        group.throughput(Throughput::Elements(size));
        for threads in [1, 2] {
            group.bench_function(format!("{size} cards, {threads} threads"), |b| {
                b.iter(|| gather(rules, &files[..size as usize], threads, &|| ()))
            });
        }
    }
    group.finish();
}

/// One round of the fit; a fit takes about a dozen.
fn fitting(c: &mut Criterion) {
    let rules = Rules::builtin().unwrap();
    let tables = Tables::authored(rules);
    let mut group = c.benchmark_group("one round of the fit");
    group.sample_size(10);
    for size in SIZES {
        let mut statistics = Statistics::default();
        for number in 0..size {
            let job = JobCard::read(&Source::new("card.yaml", text(rules, number))).unwrap();
            count(&mut statistics, facts(rules, &job.card, None).unwrap());
        }
        group.throughput(Throughput::Elements(size));
        for threads in [1, 2] {
            let mut data = Data::all(rules, &statistics);
            group.bench_function(format!("{size} cards, {threads} threads"), |b| {
                b.iter(|| expect(&mut data, &tables, MENTION, threads))
            });
        }
    }
    group.finish();
}

criterion_group!(benches, reading, fitting);
criterion_main!(benches);
