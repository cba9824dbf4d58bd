//! What a strategy costs on average, by playing every outcome to its end.

use super::decision::{Step, Stop};
use super::price::{Expected, State};
use super::problem::{PlanError, Problem, Retest};
use super::strategies::Strategy;

/// The average over all ways a session may go.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct PlayOut {
    /// Expected cost from start to end, the way out and comebacks included.
    pub expected: Expected,
    /// Expected number of checks.
    pub checks: f64,
    /// Expected number of remedies tried.
    pub remedies: f64,
    /// Probability that the session ends with a mended unit by a remedy.
    pub mended: f64,
    /// Probability that it ends by calling the unit healthy.
    pub called_healthy: f64,
    /// Probability that it ends by referring the unit on, branches cut short included.
    pub referred: f64,
    /// Decisions asked of the strategy.
    pub decisions: usize,
}

/// Plays a strategy through every outcome of every step it picks.
///
/// A branch less likely than `grain` ends by referring the unit on. The cost grows with the number of distinct ways a
/// session may go; checks that may err make these many.
///
/// # Errors
/// When the strategy names a check or remedy that does not exist.
pub fn play_out(
    strategy: &dyn Strategy,
    problem: &Problem,
    state: &State,
    grain: f64,
) -> Result<PlayOut, PlanError> {
    let mut sum = PlayOut::default();
    play(strategy, problem, state, 1.0, grain, &mut sum)?;
    Ok(sum)
}

fn play(
    strategy: &dyn Strategy,
    problem: &Problem,
    state: &State,
    chance: f64,
    grain: f64,
    sum: &mut PlayOut,
) -> Result<(), PlanError> {
    if chance < grain {
        return end(&Stop::ReferOn, problem, chance, sum);
    }
    sum.decisions += 1;
    match strategy.next(problem, state).step {
        Step::Done(stop) => end(&stop, problem, chance, sum),
        Step::Check(c) => {
            let Some(check) = problem.checks().get(c.0) else {
                return Err(dangling(c.0, problem.checks().len()));
            };
            let (cost, after) = problem.pay(&check.price, state);
            sum.expected = sum.expected.plus(cost, chance);
            sum.checks += chance;
            for (k, p) in problem.outcome_chances(c).into_iter().enumerate().filter(|(_, p)| *p > 0.0) {
                play(strategy, &problem.after_check(c, k)?, &after, chance * p, grain, sum)?;
            }
            Ok(())
        }
        Step::Remedy(r) => {
            let Some(remedy) = problem.remedies().get(r.0) else {
                return Err(dangling(r.0, problem.remedies().len()));
            };
            let (cost, after) = problem.pay(&remedy.price, state);
            sum.expected = sum.expected.plus(cost, chance);
            sum.remedies += chance;
            let [cured, no_change, changed] = problem.retest_chances(r);
            sum.expected = sum.expected.plus(problem.lump(remedy.finish), chance * cured);
            sum.mended += chance * cured;
            for (retest, p) in [(Retest::NoChange, no_change), (Retest::Changed, changed)] {
                // What is left of a sum that should be nothing is no branch.
                if p > 1e-12 {
                    play(strategy, &problem.after_remedy(r, retest)?, &after, chance * p, grain, sum)?;
                }
            }
            Ok(())
        }
    }
}

fn dangling(target: usize, count: usize) -> PlanError {
    PlanError::Dangling { what: "step", index: 0, target, count }
}

fn end(stop: &Stop, problem: &Problem, chance: f64, sum: &mut PlayOut) -> Result<(), PlanError> {
    match stop {
        Stop::Cured => {}
        Stop::NothingWrong => {
            let faulty = 1.0 - super::stop::healthy_share(problem);
            sum.expected =
                sum.expected.plus(problem.lump(problem.draft().comeback), chance * faulty.max(0.0));
            sum.called_healthy += chance;
        }
        _ => {
            sum.expected = sum.expected.plus(problem.lump(problem.draft().fallback), chance);
            sum.referred += chance;
        }
    }
    Ok(())
}
