//! How people go about it without reckoning: halving the signal path, going down a checklist, picking by lot. The drill
//! measures the planner against them.

use super::decision::{Decision, Step};
use super::price::State;
use super::problem::{CheckIx, Problem, RemedyIx, Standing};
use super::stop;
use super::strategies::{LEAST_BITS, Strategy, best_remedy, pays, take_check, take_remedy};
use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::{RngCore, SeedableRng};

/// Probability of a cure from which on somebody working by hand tries a remedy.
const HAND_SURE: f64 = 0.8;

/// A stage below this share of the heaviest stage's weight is taken for cleared.
const CLEARED: f64 = 0.05;

/// The half-split method by hand: listen halfway along the part of the signal path still in question; once a single
/// stage is left, go through its checks in order; then replace what is likeliest for its price.
///
/// Needs [`Check::position`](super::Check), [`Check::stage`](super::Check) and [`Fault::stage`](super::Fault).
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct HalfSplit;

/// Every check in a fixed order, then what is likeliest for its price.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Checklist {
    /// The checks in the order they are taken; checks that aren't listed are not taken.
    pub order: Vec<CheckIx>,
}

/// Any step that can tell or mend something, by lot.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct ByLot {
    /// Seed; the draw depends on it and on the steps already taken.
    pub seed: u64,
}

impl Strategy for HalfSplit {
    fn name(&self) -> &'static str {
        "half-split"
    }

    fn next(&self, problem: &Problem, state: &State) -> Decision {
        if let Some(known) = settled(problem, state) {
            return known;
        }
        let stages = stages_in_question(problem);
        let tells = |c: &CheckIx| problem.check_bits(*c) > LEAST_BITS;
        let open: Vec<CheckIx> = problem.open_checks(state).filter(tells).collect();
        let path = halfway(problem, &open, &stages);
        let in_stage = |c: &&CheckIx| {
            problem.checks().get(c.0).and_then(|c| c.stage).is_some_and(|stage| stages.contains(&stage))
        };
        let next = path.or_else(|| open.iter().find(in_stage).copied());
        match next {
            Some(check) => take_check(problem, state, check),
            None => mend_or(problem, state, open.first().copied()),
        }
    }
}

impl Strategy for Checklist {
    fn name(&self) -> &'static str {
        "checklist"
    }

    fn next(&self, problem: &Problem, state: &State) -> Decision {
        if let Some(known) = settled(problem, state) {
            return known;
        }
        let open: Vec<CheckIx> = problem.open_checks(state).collect();
        match self.order.iter().find(|c| open.contains(c)) {
            Some(&check) => take_check(problem, state, check),
            None => mend_or(problem, state, None),
        }
    }
}

impl Strategy for ByLot {
    fn name(&self) -> &'static str {
        "random"
    }

    fn next(&self, problem: &Problem, state: &State) -> Decision {
        if let Some(done) = stop::if_cured(state) {
            return done;
        }
        let (way_out, out) = stop::cheapest_stop(problem, state);
        let tells = |c: &CheckIx| problem.check_bits(*c) > LEAST_BITS;
        let worth = |r: &RemedyIx| pays(problem, state, *r, out.cost);
        let checks = problem.open_checks(state).filter(tells).map(Step::Check);
        let steps: Vec<Step> =
            checks.chain(problem.open_remedies(state).filter(worth).map(Step::Remedy)).collect();
        if steps.is_empty() {
            return Decision::done(way_out, out);
        }
        let draw = ChaCha8Rng::seed_from_u64(self.seed ^ trace(problem)).next_u64() % steps.len() as u64;
        match steps.get(draw as usize) {
            Some(Step::Check(c)) => take_check(problem, state, *c),
            Some(Step::Remedy(r)) => take_remedy(problem, state, *r, problem.retest_chances(*r)[0]),
            _ => Decision::done(way_out, out),
        }
    }
}

/// What goes without saying: the unit works, or a remedy is all but sure.
fn settled(problem: &Problem, state: &State) -> Option<Decision> {
    stop::if_cured(state).or_else(|| {
        let (remedy, cures) = best_remedy(problem, state).filter(|(_, cures)| *cures >= HAND_SURE)?;
        Some(take_remedy(problem, state, remedy, cures))
    })
}

/// The remedy that is likeliest for its price; failing that the check, if there is one; failing that the way out.
fn mend_or(problem: &Problem, state: &State, check: Option<CheckIx>) -> Decision {
    let (way_out, out) = stop::cheapest_stop(problem, state);
    let remedy = best_remedy(problem, state).filter(|(r, _)| pays(problem, state, *r, out.cost));
    match (remedy, check) {
        (Some((r, cures)), _) => take_remedy(problem, state, r, cures),
        (None, Some(check)) => take_check(problem, state, check),
        (None, None) => Decision::done(way_out, out),
    }
}

/// Stages that may hold a fault, in rising order.
fn stages_in_question(problem: &Problem) -> Vec<u32> {
    let mut weights = std::collections::BTreeMap::new();
    for hypothesis in problem.hypotheses() {
        for fault in &hypothesis.faults {
            if let Some(stage) = problem.draft().faults.get(fault.0).and_then(|f| f.stage) {
                *weights.entry(stage).or_insert(0.0) += hypothesis.weight;
            }
        }
    }
    let most = weights.values().copied().fold(0.0, f64::max);
    weights.into_iter().filter(|(_, w)| *w > 0.0 && *w >= CLEARED * most).map(|(stage, _)| stage).collect()
}

/// The open listening point nearest the middle of the stages in question; the earlier of two.
fn halfway(problem: &Problem, open: &[CheckIx], stages: &[u32]) -> Option<CheckIx> {
    let (&first, &last) = (stages.first()?, stages.last()?);
    let position = |c: &CheckIx| problem.checks().get(c.0).and_then(|c| c.position);
    let inside = |c: &&CheckIx| position(c).is_some_and(|p| first < p && p <= last);
    // Twice the distance from the middle, to stay with whole numbers.
    let off = |c: &&CheckIx| position(c).map(|p| (2 * p).abs_diff(first + last + 1));
    open.iter().filter(inside).min_by_key(|c| (off(c), **c)).copied()
}

/// A number made of which steps have been taken (FNV-1a, Fowler, Noll and Vo).
fn trace(problem: &Problem) -> u64 {
    let checks = problem.checks().iter().map(|c| c.standing);
    let taken = checks.chain(problem.remedies().iter().map(|r| r.standing)).map(|s| s == Standing::Taken);
    taken.fold(0xcbf2_9ce4_8422_2325, |hash, t| (hash ^ u64::from(t)).wrapping_mul(0x100_0000_01b3))
}
