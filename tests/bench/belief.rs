//! Benchmarks of the belief engine on the layered networks of tests/data/networks: all posteriors from graph and
//! findings, one more answer, the value of every open check, the 20 best sets; and the same with 14,000 scored fault
//! sets, 12 findings and 20 open checks.
//!
//! `cargo bench --bench belief`; tests/bench/compare_belief.py runs a general-purpose library on the same files in the
//! same go and prints the ratios.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

#[path = "../support/networks.rs"]
mod networks;

use std::hint::black_box;
use std::sync::Arc;
use std::time::Duration;

use criterion::{Criterion, criterion_group, criterion_main};
use halfsplit::belief::{Belief, CheckId, Finding, Graph, Limits, ScoredSet, SetScores};

const NAMES: [&str; 12] = [
    "local_20",
    "local_60",
    "local_120",
    "local_250",
    "local_120_obs24",
    "local_120_obs48",
    "global_20",
    "global_60",
    "global_120",
    "global_250",
    "global_120_obs24",
    "global_120_obs48",
];

fn networks(c: &mut Criterion) {
    for name in NAMES {
        let net = networks::load(name);
        let mut group = c.benchmark_group(name);
        group.sample_size(10).warm_up_time(Duration::from_millis(300));
        group.measurement_time(Duration::from_secs(1));
        group.bench_function("posteriors", |b| {
            b.iter(|| Belief::new(net.graph.clone(), black_box(&net.findings)).unwrap());
        });
        let belief = Belief::new(net.graph.clone(), &net.findings).unwrap();
        let open: Vec<CheckId> =
            net.graph.checks().filter(|x| belief.checks_found().all(|y| y != *x)).collect();
        group.bench_function("one_more", |b| {
            let next = Finding::answer(open[0], 1);
            b.iter(|| belief.with_finding(black_box(next.clone())).unwrap());
        });
        if !name.starts_with("global_120_obs") {
            group.bench_function("values", |b| b.iter(|| belief.values(black_box(&open)).unwrap()));
        }
        group.bench_function("best_20", |b| b.iter(|| belief.best_sets(black_box(20)).unwrap()));
        group.finish();
    }
}

/// 160 faults of which 150 are designated, all singles and pairs and some triples scored, a dozen findings.
fn scored() -> (Arc<Graph>, Vec<Finding>, Arc<SetScores>) {
    let mut graph = Graph::new();
    let faults: Vec<_> = (0..160).map(|i| graph.add_fault(0.002 + 0.0001 * i as f64).unwrap()).collect();
    let conditions: Vec<_> = (0..20)
        .map(|i| {
            let causes: Vec<_> =
                (0..4).map(|j| (faults[i * 3 + j * 5].into(), 0.9 - 0.1 * j as f64)).collect();
            graph.add_condition(0.0, &causes).unwrap()
        })
        .collect();
    let findings = (0..12)
        .map(|i| {
            let causes = vec![
                (conditions[i].into(), vec![0.1, 0.8]),
                (conditions[(i * 7 + 3) % 20].into(), vec![0.6, 0.2]),
                (faults[148 + i].into(), vec![0.5, 0.4]),
            ];
            let check = graph.add_check(&[0.02, 0.005], &causes).unwrap();
            Finding::answer(check, [0, 1, 2, 0][i % 4])
        })
        .collect();
    for i in 0..20 {
        let causes = [(conditions[i].into(), vec![0.3, 0.6]), (faults[i * 7].into(), vec![0.2, 0.2])];
        graph.add_check(&[0.02, 0.005], &causes).unwrap();
    }
    let designated = faults[..150].to_vec();
    let mut sets = Vec::new();
    let mut add = |members: Vec<halfsplit::belief::FaultId>| {
        let spread: usize = members.iter().map(|f| f.0 * 7919 % 31).sum();
        sets.push(ScoredSet { log_likelihood: -(spread as f64) * 0.4, members, causes: Vec::new() });
    };
    add(Vec::new());
    for i in 0..150 {
        add(vec![faults[i]]);
        for j in 0..i {
            add(vec![faults[j], faults[i]]);
        }
    }
    for i in 0..2674 {
        add(vec![faults[i % 40], faults[40 + i % 47], faults[90 + i % 53]]);
    }
    let scores = SetScores { faults: designated, sets };
    (Arc::new(graph), findings, Arc::new(scores))
}

fn sets(c: &mut Criterion) {
    let (graph, findings, scores) = scored();
    let mut group = c.benchmark_group("scored_14000");
    group.sample_size(10);
    group.bench_function("posteriors", |b| {
        b.iter(|| {
            Belief::build(graph.clone(), black_box(&findings), Some(scores.clone()), Limits::default())
                .unwrap()
        });
    });
    let belief = Belief::build(graph, &findings, Some(scores), Limits::default()).unwrap();
    let open: Vec<CheckId> = (12..32).map(CheckId).collect();
    group.bench_function("values", |b| b.iter(|| belief.values(black_box(&open)).unwrap()));
    group.bench_function("best_20", |b| b.iter(|| belief.best_sets(black_box(20)).unwrap()));
    group.finish();
}

criterion_group!(benches, networks, sets);
criterion_main!(benches);
