//! The planner against an exact dynamic programme on seeded random instances.
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

/// Plays both strategies on so many instances and returns their costs over the optimum.
fn compare(draw: Draw, seed: u64, count: usize) -> (Figures, Figures) {
    let mut dice = Dice::new(seed);
    let (mut planner, mut plain) = (Vec::new(), Vec::new());
    let mut wrong = Vec::new();
    for i in 0..count {
        let small = random(&mut dice, draw);
        let (optimum, problem) = (small.optimum(), small.problem());
        let cost = cost_of(&Planner::with_nodes(2_000), &problem);
        assert!(cost > optimum * (1.0 - 1e-6), "instance {i}: {cost} below the optimum {optimum}");
        planner.push(cost / optimum);
        plain.push(cost_of(&InformationPerCost::default(), &problem) / optimum);
        let told = Planner::with_nodes(2_000).next(&problem, &State::default());
        if told.effort.complete && (told.expected.cost / optimum - 1.0).abs() > 1e-6 {
            wrong.push((i, told.expected.cost, optimum));
        }
    }
    assert!(wrong.is_empty(), "said to be the best there is, but is not: {wrong:?}");
    let (planner, plain) = (figures(&planner), figures(&plain));
    println!(
        "{draw:?}: planner mean {:.5} worst {:.5}; information per cost mean {:.5} worst {:.5} ({count} instances)",
        planner.mean, planner.worst, plain.mean, plain.worst
    );
    (planner, plain)
}

#[track_caller]
fn hold(draw: Draw, seed: u64) {
    let (planner, plain) = compare(draw, seed, 100);
    assert!(planner.mean <= 1.01, "mean {}", planner.mean);
    assert!(planner.worst <= 1.05, "worst {}", planner.worst);
    assert!(planner.mean <= plain.mean);
}

#[test]
fn one_fault_perfect_checks() {
    hold(Draw::Perfect, 1);
}

#[test]
fn one_fault_checks_that_err() {
    hold(Draw::Noisy, 2);
}

#[test]
fn sets_of_faults_shared_remedies_and_failing_ones() {
    hold(Draw::Sets, 3);
}
