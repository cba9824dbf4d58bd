//! Layered noisy-OR networks against posteriors and gains from general-purpose libraries (pyAgrum 3.3.1 and
//! pgmpy 1.1.2, which agree to 4e-16 wherever both finish; size 20 also by full enumeration). See
//! tests/data/networks/README.md.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

#[path = "support/networks.rs"]
mod networks;

use halfsplit::belief::Belief;
use networks::{golden, load};

fn check(name: &str, gains: usize) {
    let net = load(name);
    let belief = Belief::new(net.graph.clone(), &net.findings).unwrap();
    let golden = golden(name);
    assert_eq!(golden.posteriors.len(), net.graph.fault_count());
    for (id, expected) in &golden.posteriors {
        let got = belief.fault(net.faults[id]).unwrap();
        assert!(
            (got - expected).abs() < 1e-9 && (got / expected - 1.0).abs() < 1e-6,
            "{name} {id}: {got} not {expected}"
        );
    }
    for (id, expected) in golden.gains.iter().take(gains) {
        let got = belief.value(net.checks[id]).unwrap().bits;
        assert!(
            (got / expected - 1.0).abs() < 1e-2 || (got - expected).abs() < 1e-9,
            "{name} {id}: {got} bits not {expected}"
        );
    }
}

#[test]
fn local_20() {
    check("local_20", usize::MAX);
}
