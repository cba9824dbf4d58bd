//! What a strategy answers: the step, what it is expected to bring, why, and what else was on offer.

use super::price::Expected;
use super::problem::{CheckIx, HypothesisIx, RemedyIx, SetupIx, ToolIx};

/// What to do next.
#[derive(Debug, Clone, PartialEq)]
pub enum Step {
    /// Take this check.
    Check(CheckIx),
    /// Try this remedy.
    Remedy(RemedyIx),
    /// Stop.
    Done(Stop),
}

/// Why to stop.
#[derive(Debug, Clone, PartialEq)]
pub enum Stop {
    /// The retest showed a working unit.
    Cured,
    /// Most likely nothing is wrong, and being sure would cost more than the risk.
    NothingWrong,
    /// What leads is a group that no check at hand can part, and no remedy at hand is worth trying.
    GroupCannotBeParted(Group),
    /// What leads is something the rules don't know.
    UnlistedLeads,
    /// Steps are left, but referring the unit on is cheaper than any of them.
    ReferOn,
    /// No step is left that could help.
    NoStepLeft,
}

/// Hypotheses that no check on offer can part.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Group {
    /// The hypotheses, the heaviest first.
    pub members: Vec<HypothesisIx>,
    /// Checks that would part them, each with the tool that is missing, by index.
    pub would_part: Vec<PartedBy>,
}

/// A check that would part a group if its tool were at hand.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct PartedBy {
    /// The check.
    pub check: CheckIx,
    /// The missing tool.
    pub tool: ToolIx,
}

/// Why this step and no other; the first reason weighs most.
#[derive(Debug, Clone, PartialEq)]
pub enum Reason {
    /// Power comes later: this many safety checks are still open and come first.
    SafetyGateFirst {
        /// Gates still open, this one included.
        open: usize,
    },
    /// The unit may never have been powered: a moment's power comes before it is left on.
    BriefPowerFirst,
    /// It splits what is suspected well.
    SplitsEvenly {
        /// Information it is expected to give, in bits.
        bits: f64,
        /// Probability of its likeliest outcome.
        likeliest: f64,
    },
    /// It costs little next to the other checks that tell something.
    Cheap {
        /// Its cost now.
        cost: f64,
        /// The middle cost of the checks that tell something.
        usual: f64,
    },
    /// For its price it tells the most, though it neither splits evenly nor settles the leader.
    TellsMostForItsPrice {
        /// Information it is expected to give, in bits.
        bits: f64,
    },
    /// It uses what is already rigged.
    SharesSetup {
        /// The set-up.
        setup: SetupIx,
    },
    /// The unit is already in the state of supply it needs, and the best other steps are not.
    SharesPower,
    /// The remedy is likely enough to help that no more is asked.
    RemedyBeatsAsking {
        /// Probability that it puts a fault right.
        cures: f64,
    },
    /// What leads cannot be parted by any check at hand, so a remedy decides.
    NoCheckParts(Group),
    /// It confirms or clears the leading suspect.
    SettlesLeader {
        /// The leading hypothesis.
        leader: HypothesisIx,
        /// How much the leader's probability is expected to rise or fall.
        swing: f64,
    },
    /// It comes next in a fixed order, or was drawn by lot; for the strategies that do not reckon.
    Given,
}

/// Another step that was on offer.
#[derive(Debug, Clone, PartialEq)]
pub struct Alternative {
    /// The step.
    pub step: Step,
    /// Expected cost to a mended unit when it is taken first.
    pub expected: Expected,
    /// Information it is expected to give, in bits.
    pub bits: f64,
}

/// A step with what is expected of it.
#[derive(Debug, Clone, PartialEq)]
pub struct Decision {
    /// What to do.
    pub step: Step,
    /// Information it is expected to give, in bits.
    pub bits: f64,
    /// For a check: how much the leading hypothesis' probability is expected to rise. For a remedy: the probability
    /// that it cures the unit.
    pub probability_gained: f64,
    /// Expected cost from now to a mended unit, this step included.
    pub expected: Expected,
    /// Why, the weightiest reason first.
    pub reasons: Vec<Reason>,
    /// Other steps, the best first.
    pub alternatives: Vec<Alternative>,
}

impl Decision {
    /// A decision to stop.
    pub(super) fn done(stop: Stop, expected: Expected) -> Decision {
        Decision {
            step: Step::Done(stop),
            bits: 0.0,
            probability_gained: 0.0,
            expected,
            reasons: Vec::new(),
            alternatives: Vec::new(),
        }
    }
}
