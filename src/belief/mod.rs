//! Exact belief over faults: causal graph and findings in, posterior, weights and value of checks out.

mod best;
mod compile;
mod complete;
pub mod decibel;
mod error;
mod export;
mod finding;
mod graph;
mod group;
mod nodes;
mod order;
mod reach;
mod sets;
mod solve;
mod state;
mod surprise;
mod tree;
mod value;
mod weights;
mod wide;

pub use best::{WeightedSet, WeightedSets};
pub use error::BeliefError;
pub use export::{CauseExport, NetworkExport, NodeExport};
pub use finding::{Finding, Outcome};
pub use graph::{Cause, CheckId, ConditionId, FaultId, Graph, net_strength};
pub use sets::{ComputedCause, ScoredSet, SetScores};
pub use state::{Belief, Limits, Posterior};
pub use surprise::{Misfit, Surprise};
pub use value::{CheckValue, JointBits, Prediction};
pub use weights::{FaultWeights, Weights};

#[cfg(test)]
#[allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]
mod twin;
