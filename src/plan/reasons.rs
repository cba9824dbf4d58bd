//! Why the planner's step is the one to take.

use super::decision::{Reason, Step};
use super::price::{Power, Price, State};
use super::problem::{CheckIx, Problem, RemedyIx, Standing};
use super::stop;
use super::strategies::{LEAST_BITS, cost_of_check};

/// A check of two outcomes with this much information or more splits evenly.
const EVEN_BITS: f64 = 0.8;

/// A check that costs no more than this share of the usual one is cheap.
const CHEAP: f64 = 0.5;

/// A check that moves the leader by this much or more settles it.
const SWING: f64 = 0.3;

/// The reasons for a step, the weightiest first; `help` is the probability that a remedy puts a fault right.
pub(super) fn of(
    problem: &Problem,
    state: &State,
    step: &Step,
    gates: Option<usize>,
    help: impl Fn(RemedyIx) -> f64,
) -> Vec<Reason> {
    let mut reasons: Vec<Reason> = gates.map(|open| Reason::SafetyGateFirst { open }).into_iter().collect();
    match step {
        Step::Check(c) => {
            reasons.extend(information(problem, *c));
            reasons.extend(cheapness(problem, state, *c));
            reasons
                .extend(problem.checks().get(c.0).into_iter().flat_map(|c| shared(problem, state, &c.price)));
        }
        Step::Remedy(r) => {
            reasons.push(Reason::RemedyBeatsAsking { cures: help(*r) });
            let parted = stop::group_of_leader(problem);
            let in_group = |g: &super::decision::Group| g.members.iter().any(|h| touches(problem, *r, h.0));
            reasons.extend(parted.filter(in_group).map(Reason::NoCheckParts));
            reasons.extend(
                problem.remedies().get(r.0).into_iter().flat_map(|r| shared(problem, state, &r.price)),
            );
        }
        Step::Done(_) => {}
    }
    reasons
}

fn information(problem: &Problem, check: CheckIx) -> Vec<Reason> {
    let mut reasons = Vec::new();
    let bits = problem.check_bits(check);
    let likeliest = problem.outcome_chances(check).into_iter().fold(0.0, f64::max);
    if bits >= EVEN_BITS {
        reasons.push(Reason::SplitsEvenly { bits, likeliest });
    }
    if let Some((leader, _)) = problem.leader() {
        let swing = problem.leader_swing(check);
        if swing >= SWING {
            reasons.push(Reason::SettlesLeader { leader, swing });
        }
    }
    if reasons.is_empty() && bits > LEAST_BITS {
        reasons.push(Reason::TellsMostForItsPrice { bits });
    }
    reasons
}

fn cheapness(problem: &Problem, state: &State, check: CheckIx) -> Option<Reason> {
    let tells = |c: &CheckIx| problem.check_bits(*c) > LEAST_BITS;
    let cost_of = |c: CheckIx| cost_of_check(problem, c, state).cost;
    let mut costs: Vec<f64> = problem.open_checks(state).filter(tells).map(cost_of).collect();
    costs.sort_by(f64::total_cmp);
    let usual = *costs.get(costs.len() / 2)?;
    let cost = cost_of(check);
    (costs.len() > 1 && cost <= CHEAP * usual && usual > 0.0).then_some(Reason::Cheap { cost, usual })
}

/// Set-ups and supply that are as the step needs them while some other open step would have to change them.
fn shared(problem: &Problem, state: &State, price: &Price) -> Vec<Reason> {
    let made = price.setups.iter().filter(|s| state.setups.has(**s) && problem.setup_minutes(**s) > 0.0);
    let mut reasons: Vec<Reason> = made.map(|&setup| Reason::SharesSetup { setup }).collect();
    let fits = match price.power {
        Power::On => state.powered,
        Power::Off => !state.powered,
        Power::Any | Power::Brief => false,
    };
    let clashes =
        |p: Power| if state.powered { matches!(p, Power::Off | Power::Brief) } else { p.is_powered() };
    let open = |standing: Standing, p: Power| standing == Standing::Open && clashes(p);
    let others = problem.checks().iter().any(|c| open(c.standing, c.price.power));
    let switching = problem.switching();
    if fits && others && switching.on + switching.off > 0.0 {
        reasons.push(Reason::SharesPower);
    }
    reasons
}

fn touches(problem: &Problem, remedy: RemedyIx, hypothesis: usize) -> bool {
    let (Some(r), Some(h)) = (problem.remedies().get(remedy.0), problem.hypotheses().get(hypothesis)) else {
        return false;
    };
    h.faults.iter().any(|f| r.faults.binary_search(f).is_ok())
}
