//! The planner against an exact dynamic programme on seeded random instances: how much more its plain rule costs than the best there
//! is.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, clippy::print_stdout)]

mod plan_support;

use halfsplit::plan::*;
use plan_support::*;

struct Figures {
    mean: f64,
    worst: f64,
}

fn figures(ratios: &[f64]) -> Figures {
    Figures {
        mean: ratios.iter().sum::<f64>() / ratios.len() as f64,
        worst: ratios.iter().copied().fold(0.0, f64::max),
    }
}

/// Plays a strategy on so many instances and returns its costs over the optimum.
fn over_the_optimum(strategy: &dyn Strategy, draw: Draw, seed: u64, count: usize) -> Figures {
    let mut dice = Dice::new(seed);
    let mut ratios = Vec::new();
    for i in 0..count {
        let small = random(&mut dice, draw);
        let (optimum, problem) = (small.optimum(), small.problem());
        let cost = cost_of(strategy, &problem);
        assert!(cost > optimum * (1.0 - 1e-6), "instance {i}: {cost} below the optimum {optimum}");
        ratios.push(cost / optimum);
    }
    figures(&ratios)
}

#[track_caller]
fn hold(draw: Draw, seed: u64, most: f64) {
    let ours = over_the_optimum(&Plain::default(), draw, seed, 100);
    let theirs = over_the_optimum(&InformationPerCost::default(), draw, seed, 100);
    println!(
        "{draw:?}: planner mean {:.3} worst {:.3}; information per cost mean {:.3} worst {:.3}",
        ours.mean, ours.worst, theirs.mean, theirs.worst
    );
    assert!(ours.mean <= most, "mean {}", ours.mean);
}

#[test]
fn one_fault_perfect_checks() {
    hold(Draw::Perfect, 1, 1.04);
}

#[test]
fn one_fault_checks_that_err() {
    hold(Draw::Noisy, 2, 1.17);
}

#[test]
fn sets_of_faults_shared_remedies_and_failing_ones() {
    hold(Draw::Sets, 3, 1.1);
}
