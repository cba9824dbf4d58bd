//! The face every strategy has, and the simple ones that the planner is measured against.

use super::decision::{Alternative, Decision, Reason, Step};
use super::price::{Expected, Price, State};
use super::problem::{CheckIx, Problem, RemedyIx};
use super::stop;

/// Something that says what to do next.
///
/// The answer depends on the arguments (and the strategy's own settings) alone.
pub trait Strategy {
    /// A short name for reports.
    fn name(&self) -> &'static str;

    /// The next step.
    fn next(&self, problem: &Problem, state: &State) -> Decision;
}

/// Steps that cost less than this are valued as if they cost so much, when information is divided by cost.
pub(super) const LEAST_COST: f64 = 1e-6;

/// Information (in bits) below which a step tells nothing.
pub(super) const LEAST_BITS: f64 = 1e-9;

/// The check or retest with the most bits per cost; a remedy as soon as one is sure enough.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct InformationPerCost {
    /// Probability of a cure from which on a remedy is tried without more checks.
    pub sure: f64,
}

impl Default for InformationPerCost {
    fn default() -> InformationPerCost {
        InformationPerCost { sure: 0.9 }
    }
}

impl Strategy for InformationPerCost {
    fn name(&self) -> &'static str {
        "information"
    }

    fn next(&self, problem: &Problem, state: &State) -> Decision {
        if let Some(done) = stop::if_cured(state) {
            return done;
        }
        let remedy = best_remedy(problem, state);
        let (way_out, out) = stop::cheapest_stop(problem, state);
        if let Some((r, cures)) = remedy.filter(|&(_, cures)| cures >= self.sure) {
            return take_remedy(problem, state, r, cures);
        }
        let mut best: Option<(Step, f64)> = None;
        let mut offer = |step: Step, worth: f64| {
            if worth > 0.0 && best.as_ref().is_none_or(|b| worth > b.1 * (1.0 + 1e-12)) {
                best = Some((step, worth));
            }
        };
        for c in problem.open_checks(state) {
            let bits = problem.check_bits(c);
            if bits > LEAST_BITS {
                offer(Step::Check(c), bits / cost_of_check(problem, c, state).cost.max(LEAST_COST));
            }
        }
        for r in problem.open_remedies(state) {
            let bits = problem.remedy_bits(r);
            if bits > LEAST_BITS && pays(problem, state, r, out.cost) {
                offer(Step::Remedy(r), bits / cost_of_remedy(problem, r, state).cost.max(LEAST_COST));
            }
        }
        match (best, remedy) {
            (Some((Step::Check(c), _)), _) => take_check(problem, state, c),
            (Some((Step::Remedy(r), _)), _) => take_remedy(problem, state, r, problem.retest_chances(r)[0]),
            (_, Some((r, cures))) if pays(problem, state, r, out.cost) => {
                take_remedy(problem, state, r, cures)
            }
            _ => Decision::done(way_out, out),
        }
    }
}

/// What a check costs now.
pub(super) fn cost_of_check(problem: &Problem, check: CheckIx, state: &State) -> Expected {
    problem.checks().get(check.0).map_or(Expected::default(), |c| problem.pay(&c.price, state).0)
}

/// What a remedy costs now, without its finish.
pub(super) fn cost_of_remedy(problem: &Problem, remedy: RemedyIx, state: &State) -> Expected {
    problem.remedies().get(remedy.0).map_or(Expected::default(), |r| problem.pay(&r.price, state).0)
}

/// Whether trying a remedy is worth its price when the alternative is stopping at this cost.
pub(super) fn pays(problem: &Problem, state: &State, remedy: RemedyIx, out: f64) -> bool {
    let cures = problem.retest_chances(remedy)[0];
    cures > 0.0 && cost_of_remedy(problem, remedy, state).cost <= cures * out
}

/// The remedy with the highest probability of a cure per cost, and that probability.
pub(super) fn best_remedy(problem: &Problem, state: &State) -> Option<(RemedyIx, f64)> {
    let mut best: Option<(RemedyIx, f64, f64)> = None;
    for r in problem.open_remedies(state) {
        let cures = problem.retest_chances(r)[0];
        let worth = cures / cost_of_remedy(problem, r, state).cost.max(LEAST_COST);
        if cures > 0.0 && best.is_none_or(|b| worth > b.2 * (1.0 + 1e-12)) {
            best = Some((r, cures, worth));
        }
    }
    best.map(|(r, cures, _)| (r, cures))
}

/// The gate to pass before a step of this price, with the number of gates still open; the cheapest, then the lowest
/// index. None when the step may be taken at once.
pub(super) fn gate_before(
    problem: &Problem,
    state: &State,
    price: Option<&Price>,
) -> Option<(CheckIx, usize)> {
    if price.is_none_or(|p| problem.may_power(p, state)) {
        return None;
    }
    let gates: Vec<CheckIx> = problem.open_gates().filter(|&g| problem.check_allowed(g, state)).collect();
    let cost = |g: &CheckIx| cost_of_check(problem, *g, state).cost;
    let kind = |g: &CheckIx| problem.checks().get(g.0).map(|c| c.kind);
    let first =
        gates.iter().min_by(|a, b| kind(a).cmp(&kind(b)).then(cost(a).total_cmp(&cost(b))).then(a.cmp(b)))?;
    Some((*first, gates.len()))
}

/// The decision to take a check, without a forecast beyond its own cost and the way out; a gate that bars it comes
/// in its place.
pub(super) fn take_check(problem: &Problem, state: &State, check: CheckIx) -> Decision {
    let gate = gate_before(problem, state, problem.checks().get(check.0).map(|c| &c.price));
    let (check, reason) = match gate {
        Some((gate, open)) => (gate, Reason::SafetyGateFirst { open }),
        None => (check, Reason::Given),
    };
    Decision {
        step: Step::Check(check),
        bits: problem.check_bits(check),
        probability_gained: problem.leader_gain(check),
        expected: cost_of_check(problem, check, state),
        reasons: vec![reason],
        alternatives: Vec::<Alternative>::new(),
    }
}

/// The decision to try a remedy, without a forecast beyond its own cost.
pub(super) fn take_remedy(problem: &Problem, state: &State, remedy: RemedyIx, cures: f64) -> Decision {
    if let Some((gate, _)) = gate_before(problem, state, problem.remedies().get(remedy.0).map(|r| &r.price)) {
        let open = problem.open_gates().count();
        return Decision {
            reasons: vec![Reason::SafetyGateFirst { open }],
            ..take_check(problem, state, gate)
        };
    }
    Decision {
        step: Step::Remedy(remedy),
        bits: problem.remedy_bits(remedy),
        probability_gained: cures,
        expected: cost_of_remedy(problem, remedy, state),
        reasons: vec![Reason::Given],
        alternatives: Vec::<Alternative>::new(),
    }
}
