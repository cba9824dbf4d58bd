//! Speed of the fault sweeps on the reference board (`tests/data/circuits/board.cir`): all single faults, all pairs, tolerance samples.
//! Run beside the reference simulator by `tests/bench/compare_circuit.py`.
#![allow(missing_docs, clippy::unwrap_used, clippy::expect_used, clippy::panic)]

#[path = "../circuit/netlist.rs"]
mod netlist;

use std::hint::black_box;

use criterion::{Criterion, criterion_group, criterion_main};
use halfsplit::circuit::dc::{Options, Solver};
use halfsplit::circuit::edit::EditSet;
use halfsplit::circuit::network::{Element, Network, Node, Primitive};
use halfsplit::circuit::sweep::Sweep;
use halfsplit::circuit::tolerance::{Reading, Varied, draws};

const TONE: Option<f64> = Some(1000.0);

fn board() -> (Network, Vec<EditSet>, Vec<String>) {
    let network = netlist::read(include_str!("../data/circuits/board.cir"));
    let reference: serde_json::Value =
        serde_json::from_str(include_str!("../data/circuits/ngspice_faults.json")).unwrap();
    let faults = reference["faults"].as_array().unwrap();
    let sets = faults.iter().map(|f| netlist::edits(&network, &f["edits"])).collect();
    let parts = faults.iter().map(|f| f["part"].as_str().unwrap().to_owned()).collect();
    (network, sets, parts)
}

/// All pairs of faults of different parts (two faults of one part exclude each other): 13,605.
fn pairs(sets: &[EditSet], parts: &[String]) -> Vec<EditSet> {
    let mut pairs = Vec::new();
    for (i, first) in sets.iter().enumerate() {
        let others = sets.iter().zip(parts).skip(i + 1).filter(|(_, part)| **part != parts[i]);
        pairs.extend(others.map(|(second, _)| [first.clone(), second.clone()].concat()));
    }
    pairs
}

fn everything(network: &Network, meter_ohms: Option<f64>) -> (Vec<Reading>, Vec<Varied>) {
    let volts =
        network.nodes().skip(1).take(27).map(|n| Reading::Volts { plus: n, minus: Node::GROUND, meter_ohms });
    let out = network.find_node("out").unwrap();
    let readings = volts.chain([Reading::Level { node: out }]).collect();
    let passive = |e: &Element| {
        matches!(e.primitive, Primitive::Resistor { .. } | Primitive::Capacitor { .. })
            && !e.name.contains('.')
    };
    let varied =
        network.elements().filter(|(_, e)| passive(e)).map(|(id, _)| Varied::value(id, 0.05)).collect();
    (readings, varied)
}

fn benches(c: &mut Criterion) {
    let (network, sets, parts) = board();
    c.bench_function("compile and solve the healthy board", |b| {
        b.iter(|| Solver::new(black_box(&network), Options::default()).unwrap().operating_point().unwrap());
    });
    c.bench_function("167 single faults, DC and 1 kHz, board compiled anew", |b| {
        b.iter(|| Sweep::new(&network, Options::default()).unwrap().run(black_box(&sets), TONE));
    });
    let mut sweep = Sweep::new(&network, Options::default()).unwrap();
    c.bench_function("167 single faults, DC and 1 kHz, board kept", |b| {
        b.iter(|| sweep.run(black_box(&sets), TONE))
    });
    let mut group = c.benchmark_group("large");
    group.sample_size(10);
    let all_pairs = pairs(&sets, &parts);
    group.bench_function(format!("{} pairs, DC and 1 kHz", all_pairs.len()), |b| {
        b.iter(|| Sweep::new(&network, Options::default()).unwrap().run(black_box(&all_pairs), TONE));
    });
    let (readings, varied) = everything(&network, Some(10e6));
    group.bench_function("linear spread of 28 metered readings over all passive parts, 167 faults", |b| {
        b.iter(|| {
            let mut sweep = Sweep::new(&network, Options::default()).unwrap();
            sets.iter()
                .map(|edits| sweep.spread(edits, TONE, &readings, &varied).unwrap())
                .map(|s| s.sd[0])
                .sum::<f64>()
        });
    });
    let (readings, _) = everything(&network, None);
    let samples = draws(&varied, 200, 1);
    group.bench_function("200 samples of each of 167 faults, DC and 1 kHz", |b| {
        b.iter(|| {
            let mut sweep = Sweep::new(&network, Options::default()).unwrap();
            sets.iter()
                .map(|edits| sweep.sampled(edits, TONE, &readings, &varied, &samples).unwrap())
                .map(|s| s.rows.len())
                .sum::<usize>()
        });
    });
    group.finish();
}

criterion_group!(circuit, benches);
criterion_main!(circuit);
