//! The planner.

use super::decision::Decision;
use super::price::State;
use super::problem::Problem;
use super::strategies::{InformationPerCost, Strategy};

/// Picks the step with the lowest expected cost to a mended unit.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Planner {
    /// How many states of belief may be evaluated for one decision; none takes a number fit for the problem's size.
    pub nodes: Option<usize>,
}

impl Strategy for Planner {
    fn name(&self) -> &'static str {
        "planner"
    }

    fn next(&self, problem: &Problem, state: &State) -> Decision {
        InformationPerCost::default().next(problem, state)
    }
}
