//! Laws the planner keeps whatever the instance.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

mod plan_support;

use halfsplit::plan::*;
use plan_support::*;
use proptest::prelude::{
    ProptestConfig, TestCaseError, any, prop_assert, prop_assert_eq, prop_assert_ne, proptest,
};

fn draw(kind: usize) -> Draw {
    [Draw::Perfect, Draw::Noisy, Draw::Sets][kind % 3]
}

/// A small instance; kept smaller than those of the comparison with the optimum, since every way is played to its end.
fn instance(seed: u64) -> Small {
    let mut dice = Dice::new(seed);
    let mut small = random(&mut dice, draw(seed as usize));
    small.checks.truncate(4);
    small
}

fn decide(problem: &Problem) -> Decision {
    Plain::default().next(problem, &State::default())
}

fn value(small: &Small) -> f64 {
    cost_of(&Plain::default(), &small.problem())
}

#[track_caller]
fn same(a: f64, b: f64) {
    assert!((a - b).abs() <= 1e-6 * a.abs().max(1.0), "{a} against {b}");
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 48, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn scaling_every_price_scales_the_value(seed in 0u64..1_000_000, factor in 0.1f64..20.0) {
        let small = instance(seed);
        let mut scaled = small.clone();
        scaled.checks.iter_mut().for_each(|c| c.0 *= factor);
        scaled.remedies.iter_mut().for_each(|r| r.0 *= factor);
        scaled.way_out *= factor;
        scaled.comeback *= factor;
        same(value(&small) * factor, value(&scaled));
    }

    #[test]
    fn a_constant_check_changes_nothing(seed in 0u64..1_000_000) {
        let small = instance(seed);
        let mut more = small.clone();
        more.checks.push((0.0, small.sets.iter().map(|_| vec![0.3, 0.7]).collect()));
        same(value(&small), value(&more));
        let decision = decide(&more.problem());
        prop_assert_ne!(decision.step, Step::Check(CheckIx(more.checks.len() - 1)));
    }

    #[test]
    fn a_perfect_check_twice_over_changes_nothing(third in 0u64..300_000) {
        let small = instance(third * 3);
        let mut more = small.clone();
        more.checks.push(small.checks[0].clone());
        same(small.optimum(), more.optimum());
        same(value(&small), value(&more));
    }

    #[test]
    fn one_more_check_on_offer_never_raises_the_optimum_and_nobody_beats_it(seed in 0u64..1_000_000) {
        let more = instance(seed);
        let mut less = more.clone();
        less.checks.pop();
        prop_assert!(more.optimum() <= less.optimum() + 1e-9);
        prop_assert!(value(&more) >= more.optimum() - 1e-6);
    }

    #[test]
    fn splitting_a_state_in_two_that_nothing_parts_leaves_the_optimum(
        third in 0u64..300_000,
        share in 0.1f64..0.9,
    ) {
        let small = instance(third * 3);
        // Two faults that look alike to every check and go by the same remedy.
        let (mut split, twin) = (small.clone(), 1 << 20);
        split.sets.push(twin);
        split.weights.push(small.weights[0] * share);
        split.weights[0] *= 1.0 - share;
        for (_, table) in &mut split.checks {
            table.push(table[0].clone());
        }
        split.remedies[0].1 |= twin;
        same(small.optimum(), split.optimum());
        same(value(&small), value(&split));
    }

    #[test]
    fn the_order_of_hypotheses_does_not_matter(seed in 0u64..1_000_000) {
        let small = instance(seed);
        let mut turned = small.clone();
        turned.sets.reverse();
        turned.weights.reverse();
        for (_, table) in &mut turned.checks {
            table.reverse();
        }
        same(value(&small), value(&turned));
    }

    #[test]
    fn the_same_problem_gets_the_same_decision(seed in 0u64..1_000_000) {
        let problem = instance(seed).problem();
        prop_assert_eq!(decide(&problem), decide(&problem));
    }

    #[test]
    fn gates_come_before_power_and_nothing_ruled_out_is_proposed(seed in 0u64..1_000_000, held in any::<bool>()) {
        for strategy in everyone(12) {
            walk_safely(strategy.as_ref(), seed, held)?;
        }
    }
}

fn everyone(checks: usize) -> Vec<Box<dyn Strategy>> {
    vec![
        Box::new(Plain::default()),
        Box::new(InformationPerCost::default()),
        Box::new(HalfSplit),
        Box::new(Checklist { order: (0..checks).rev().map(CheckIx).collect() }),
        Box::new(ByLot { seed: 5 }),
    ]
}

/// Plays one session on an instance with gates, blocks and powered steps drawn by lot, and looks at every step.
fn walk_safely(strategy: &dyn Strategy, seed: u64, held: bool) -> Result<(), TestCaseError> {
    let mut dice = Dice::new(seed);
    let mut draft = instance(seed).draft();
    let standings = [Standing::Open, Standing::Open, Standing::NeedsTool(ToolIx(3)), Standing::RuledOut];
    let powers = [Power::Any, Power::Off, Power::On, Power::Brief];
    for check in &mut draft.checks {
        check.price.power = powers[dice.whole(0, 3)];
        check.gate = !check.price.power.is_powered() && dice.whole(0, 1) == 1;
        check.standing = standings[dice.whole(0, 3)];
        check.position = Some(dice.whole(0, 3) as u32);
    }
    for remedy in &mut draft.remedies {
        remedy.price.power = powers[dice.whole(0, 3)];
        remedy.standing = standings[dice.whole(0, 3)];
    }
    for (i, fault) in draft.faults.iter_mut().enumerate() {
        fault.stage = Some(i as u32 / 2);
    }
    draft.switching = Switching { on: 0.5, off: 1.0 };
    let mut problem = Problem::new(draft).unwrap();
    let mut state = State { held, ..State::default() };
    let most = problem.checks().len() + problem.remedies().len();
    for taken in 0.. {
        prop_assert!(taken <= most, "{} goes on and on", strategy.name());
        let gates = problem.open_gates().count();
        let (price, standing) = match strategy.next(&problem, &state).step {
            Step::Done(_) => return Ok(()),
            Step::Check(c) => {
                let check = &problem.checks()[c.0];
                let seen = (check.price.clone(), check.standing);
                let chances = problem.outcome_chances(c);
                let outcome = usize::from(dice.real(0.0, 1.0) > chances[0]);
                problem = problem.after_check(c, outcome).unwrap();
                seen
            }
            Step::Remedy(r) => {
                let remedy = &problem.remedies()[r.0];
                let seen = (remedy.price.clone(), remedy.standing);
                match problem.after_remedy(r, Retest::NoChange) {
                    Ok(after) => problem = after,
                    Err(_) => state.cured = true,
                }
                seen
            }
        };
        prop_assert_eq!(standing, Standing::Open);
        prop_assert!(
            !price.power.is_powered() || (gates == 0 && !held),
            "{} powers a unit not made safe",
            strategy.name()
        );
        state = problem.pay(&price, &state).1;
    }
    Ok(())
}
