//! What reading the shipped packs costs: trees alone, the proven set, and what is in play for a unit.

use criterion::{Criterion, Throughput, criterion_group, criterion_main};
use halfsplit::rules::{Build, Context, History, Rules, builtin_sources};
use halfsplit::text::parse;
use std::hint::black_box;

fn loading(c: &mut Criterion) {
    let sources = builtin_sources();
    let bytes: usize = sources.iter().map(|s| s.text.len()).sum();
    let mut group = c.benchmark_group("shipped packs");
    group.sample_size(30).throughput(Throughput::Bytes(bytes as u64));
    group.bench_function("parse to trees", |b| {
        b.iter(|| sources.iter().map(|s| parse(black_box(s)).is_ok()).filter(|ok| *ok).count());
    });
    group.bench_function("load and prove", |b| b.iter(|| Rules::load(black_box(&sources)).is_ok()));
    group.finish();
    let Ok(rules) = Rules::load(&sources) else { return };
    let context =
        Context { history: History::FreshBuild, build: Some(Build::Stripboard), blocks: Vec::new() };
    c.bench_function("what is in play", |b| b.iter(|| rules.in_play(black_box(&context)).faults().count()));
}

criterion_group!(benches, loading);
criterion_main!(benches);
