//! When no step is worth its price: which way to stop, and how to say so.

use super::decision::{Decision, Group, PartedBy, Stop};
use super::price::{Expected, State};
use super::problem::{Check, CheckIx, HypothesisIx, Problem, Standing};

/// Two likelihoods closer than this are the same for telling hypotheses apart.
const SAME: f64 = 0.02;

/// A hypothesis below this share of the leader's weight belongs to no group worth naming.
const MINOR: f64 = 0.05;

/// What leads and what else cannot be parted from it.
///
/// Members look alike (each likelihood within 0.02) to every check that may still be proposed. `None` when the leader
/// stands alone or there are no hypotheses.
pub(super) fn group_of_leader(problem: &Problem) -> Option<Group> {
    let (leader, weight) = problem.leader()?;
    let mass = problem.mass().max(f64::MIN_POSITIVE);
    let open: Vec<&Check> = problem.checks().iter().filter(|c| c.standing == Standing::Open).collect();
    let faults_of = |h: HypothesisIx| problem.hypotheses().get(h.0).map(|x| x.faults.as_slice());
    let mut members: Vec<(HypothesisIx, f64)> = Vec::new();
    for (h, hypothesis) in problem.hypotheses().iter().enumerate() {
        let ix = HypothesisIx(h);
        let heavy = hypothesis.weight / mass >= MINOR * weight && hypothesis.weight > 0.0;
        let other = ix == leader || faults_of(ix) != faults_of(leader);
        if heavy && other && open.iter().all(|c| alike(c, leader, ix)) {
            members.push((ix, hypothesis.weight));
        }
    }
    if members.len() < 2 {
        return None;
    }
    members.sort_by(|a, b| b.1.total_cmp(&a.1).then(a.0.cmp(&b.0)));
    let members: Vec<HypothesisIx> = members.into_iter().map(|(h, _)| h).collect();
    let parts = |c: &Check| members.iter().any(|&m| !alike(c, leader, m));
    let would_part = problem.checks().iter().enumerate().filter_map(|(i, c)| match c.standing {
        Standing::NeedsTool(tool) if parts(c) => Some(PartedBy { check: CheckIx(i), tool }),
        _ => None,
    });
    Some(Group { would_part: would_part.collect(), members })
}

fn alike(check: &Check, a: HypothesisIx, b: HypothesisIx) -> bool {
    (0..check.outcomes).all(|k| (check.chance(a, k) - check.chance(b, k)).abs() <= SAME)
}

/// Share of the weight on hypotheses without any fault.
pub(super) fn healthy_share(problem: &Problem) -> f64 {
    let healthy: f64 = problem.hypotheses().iter().filter(|h| h.faults.is_empty()).map(|h| h.weight).sum();
    healthy / problem.mass().max(f64::MIN_POSITIVE)
}

/// Expected cost of handing the unit back as healthy; none when no hypothesis says so.
pub(super) fn cost_of_clean_bill(problem: &Problem) -> Option<Expected> {
    let healthy = healthy_share(problem);
    (healthy > 0.0).then(|| problem.lump(problem.draft().comeback).times((1.0 - healthy).max(0.0)))
}

/// The cheaper way to stop now, and what it is expected to cost.
pub(super) fn cheapest_stop(problem: &Problem, state: &State) -> (Stop, Expected) {
    let referred = problem.lump(problem.draft().fallback);
    if let Some(clean) = cost_of_clean_bill(problem).filter(|clean| clean.cost <= referred.cost) {
        return (Stop::NothingWrong, clean);
    }
    (reason_to_refer(problem, state), referred)
}

/// Why the way out is taken.
fn reason_to_refer(problem: &Problem, state: &State) -> Stop {
    let mass = problem.mass();
    let unlisted: f64 =
        problem.hypotheses().iter().filter(|h| problem.is_unlisted(h)).map(|h| h.weight).sum();
    if mass > 0.0 && unlisted >= 0.5 * mass {
        return Stop::UnlistedLeads;
    }
    if let Some(group) = group_of_leader(problem) {
        return Stop::GroupCannotBeParted(group);
    }
    let check_left = problem.open_checks(state).any(|c| problem.check_bits(c) > 1e-9);
    let remedy_left = problem.open_remedies(state).any(|r| problem.retest_chances(r)[1] < 1.0 - 1e-12);
    if check_left || remedy_left { Stop::ReferOn } else { Stop::NoStepLeft }
}

/// The decision to stop when the unit is known to work, if it is.
pub(super) fn if_cured(state: &State) -> Option<Decision> {
    state.cured.then(|| Decision::done(Stop::Cured, Expected::default()))
}
