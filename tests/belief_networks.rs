//! Layered noisy-OR networks against posteriors and gains from general-purpose libraries (pyAgrum 3.3.1 and
//! pgmpy 1.1.2, which agree to 4e-16 wherever both finish; size 20 also by full enumeration). See
//! tests/data/networks/README.md.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

#[path = "support/networks.rs"]
mod networks;

use halfsplit::belief::{Belief, Limits};
use networks::{chain, golden, load};

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
            (got / expected - 1.0).abs() < 1e-6 || (got - expected).abs() < 1e-9,
            "{name} {id}: {got} bits not {expected}"
        );
    }
}

#[test]
fn local_20() {
    check("local_20", usize::MAX);
}

#[test]
fn local_60() {
    check("local_60", usize::MAX);
}

#[test]
fn local_120() {
    check("local_120", usize::MAX);
}

#[test]
fn local_250() {
    check("local_250", usize::MAX);
}

#[test]
fn local_120_obs24() {
    check("local_120_obs24", usize::MAX);
}

#[test]
fn local_120_obs48() {
    check("local_120_obs48", usize::MAX);
}

#[test]
fn global_20() {
    check("global_20", usize::MAX);
}

#[test]
fn global_60() {
    check("global_60", usize::MAX);
}

#[test]
fn global_120() {
    check("global_120", usize::MAX);
}

#[test]
fn global_250() {
    check("global_250", usize::MAX);
}

/// The two networks that the libraries cannot finish, against another road: plain OR chains and bucket elimination in
/// numpy (tests/scripts/chain_posteriors.py, which repeats the golden files above to 5e-13).
fn check_chain(name: &str) {
    let net = load(name);
    let belief = Belief::new(net.graph.clone(), &net.findings).unwrap();
    let (log_evidence, posteriors) = chain(name);
    assert!((belief.posterior().log_evidence - log_evidence).abs() < 1e-9);
    assert_eq!(posteriors.len(), net.graph.fault_count());
    assert_eq!(belief.posterior().error, 0.0);
    for (id, expected) in &posteriors {
        let got = belief.fault(net.faults[id]).unwrap();
        assert!((got - expected).abs() < 1e-9, "{name} {id}: {got} not {expected}");
    }
}

#[test]
fn global_120_with_24_seen() {
    check_chain("global_120_obs24");
}

#[test]
fn global_120_with_48_seen() {
    check_chain("global_120_obs48");
}

/// Beyond the limits sampling stands in, and its stated error covers what it is off by.
#[test]
fn sampling_states_its_error() {
    for (name, log2_cost) in
        [("local_120", 8.5), ("global_60", 8.5), ("global_120_obs24", 13.5), ("global_120_obs48", 13.5)]
    {
        let net = load(name);
        let exact = Belief::new(net.graph.clone(), &net.findings).unwrap();
        for seed in 1..=2 {
            let limits = Limits { log2_cost, samples: 6_000, seed, ..Limits::default() };
            let belief = Belief::build(net.graph.clone(), &net.findings, None, limits).unwrap();
            let (truth, guess) = (exact.posterior(), belief.posterior());
            assert!(guess.error > 0.0 && guess.error < 0.1, "{name} {seed}: {}", guess.error);
            assert!((truth.log_evidence - guess.log_evidence).abs() < 0.2, "{name} {seed}");
            for (f, (a, b)) in truth.faults.iter().zip(&guess.faults).enumerate() {
                let off = (a - b).abs();
                assert!(
                    off < 4.0 * guess.error,
                    "{name} {seed} fault {f}: off by {off}, said {}",
                    guess.error
                );
            }
            let again = Belief::build(net.graph.clone(), &net.findings, None, limits).unwrap();
            assert_eq!(belief.posterior(), again.posterior(), "same seed, same answer");
        }
    }
}

/// A belief that rests on samples still predicts, lists sets and takes further findings.
#[test]
fn sampled_belief_goes_on() {
    let net = load("local_120");
    let exact = Belief::new(net.graph.clone(), &net.findings).unwrap();
    let limits = Limits { log2_cost: 8.5, samples: 6_000, ..Limits::default() };
    let belief = Belief::build(net.graph.clone(), &net.findings, None, limits).unwrap();
    assert!(belief.sets().is_none());
    let open = net.graph.checks().filter(|x| belief.checks_found().all(|y| y != *x));
    let mut nearer = 0;
    for check in open.take(20) {
        let (a, b) = (exact.predict(check).unwrap(), belief.predict(check).unwrap());
        assert!((b.answers.iter().sum::<f64>() - 1.0).abs() < 1e-9);
        assert!((a.answers[1] - b.answers[1]).abs() < 0.1, "{check:?}");
        nearer += usize::from((a.answers[1] - b.answers[1]).abs() < 0.02);
    }
    assert!(nearer >= 15, "{nearer} of 20 within 0.02");
    let (a, b) = (exact.best_sets(3).unwrap(), belief.best_sets(3).unwrap());
    for (x, y) in a.sets.iter().zip(&b.sets) {
        assert_eq!(x.members, y.members);
        assert!((x.probability / y.probability - 1.0).abs() < 0.3);
    }
}

/// Where the proof is given up, the sets are still exact, and no better one is to be found by trying all neighbours.
#[test]
fn best_sets_of_the_heaviest_network() {
    let net = load("global_120_obs48");
    let belief = Belief::new(net.graph.clone(), &net.findings).unwrap();
    let best = belief.best_sets(5).unwrap();
    let sum: f64 = best.sets.iter().map(|s| s.probability).sum();
    assert!((best.remaining - (1.0 - sum)).abs() < 1e-12);
    for pair in best.sets.windows(2) {
        assert!(pair[0].probability >= pair[1].probability);
    }
    let least = best.sets[4].probability;
    for set in &best.sets[..2] {
        let again = belief.probability_of(&set.members).unwrap();
        assert!((again / set.probability - 1.0).abs() < 1e-9);
        for fault in net.graph.faults() {
            let mut other = set.members.clone();
            match other.iter().position(|f| *f == fault) {
                Some(i) => drop(other.remove(i)),
                None => other.push(fault),
            }
            other.sort_unstable();
            let p = belief.probability_of(&other).unwrap();
            assert!(p <= least * (1.0 + 1e-9) || best.sets.iter().any(|s| s.members == other));
        }
    }
}
