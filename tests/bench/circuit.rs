//! Speed of the fault sweeps on the reference board (`tests/data/circuits/board.cir`): all single faults, all pairs, tolerance samples.
//! Run beside the reference simulator by `tests/bench/compare_circuit.py`.
#![allow(missing_docs, clippy::unwrap_used, clippy::expect_used, clippy::panic)]

#[path = "../circuit/netlist.rs"]
mod netlist;

use std::hint::black_box;

use criterion::{Criterion, criterion_group, criterion_main};
use halfsplit::circuit::dc::{Options, Solver};
use halfsplit::circuit::edit::EditSet;
use halfsplit::circuit::network::Network;
use halfsplit::circuit::sweep::Sweep;

const TONE: Option<f64> = Some(1000.0);

fn board() -> (Network, Vec<EditSet>) {
    let network = netlist::read(include_str!("../data/circuits/board.cir"));
    let reference: serde_json::Value =
        serde_json::from_str(include_str!("../data/circuits/ngspice_faults.json")).unwrap();
    let faults = reference["faults"].as_array().unwrap();
    let sets = faults
        .iter()
        .map(|f| netlist::edits(&network, &f["edits"]))
        .collect();
    (network, sets)
}

fn pairs(sets: &[EditSet]) -> Vec<EditSet> {
    let mut pairs = Vec::new();
    for (i, first) in sets.iter().enumerate() {
        // The faults of one part exclude each other, but a sweep takes them as they come: 167 single faults make 13,861 pairs.
        for second in &sets[i + 1..] {
            pairs.push([first.clone(), second.clone()].concat());
        }
    }
    pairs
}

fn benches(c: &mut Criterion) {
    let (network, sets) = board();
    c.bench_function("compile and solve the healthy board", |b| {
        b.iter(|| {
            Solver::new(black_box(&network), Options::default())
                .unwrap()
                .operating_point()
                .unwrap()
        });
    });
    c.bench_function(
        "167 single faults, DC and 1 kHz, board compiled anew",
        |b| {
            b.iter(|| {
                Sweep::new(&network, Options::default())
                    .unwrap()
                    .run(black_box(&sets), TONE)
            });
        },
    );
    let mut sweep = Sweep::new(&network, Options::default()).unwrap();
    c.bench_function("167 single faults, DC and 1 kHz, board kept", |b| {
        b.iter(|| sweep.run(black_box(&sets), TONE))
    });
    let mut group = c.benchmark_group("large");
    group.sample_size(10);
    let all_pairs = pairs(&sets);
    group.bench_function(format!("{} pairs, DC and 1 kHz", all_pairs.len()), |b| {
        b.iter(|| {
            Sweep::new(&network, Options::default())
                .unwrap()
                .run(black_box(&all_pairs), TONE)
        });
    });
    group.finish();
}

criterion_group!(circuit, benches);
criterion_main!(circuit);
