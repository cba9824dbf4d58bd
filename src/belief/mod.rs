//! Exact belief over faults: causal graph and findings in, posterior, weights and value of checks out.

mod best;
mod compile;
pub mod decibel;
mod error;
mod export;
mod finding;
mod given;
mod graph;
mod group;
mod sets;
mod state;
mod surprise;
mod tree;
mod value;
mod weights;

pub use best::{WeightedSet, WeightedSets};
pub use error::BeliefError;
pub use export::{CauseExport, NetworkExport, NodeExport};
pub use finding::{Finding, Outcome};
pub use given::Given;
pub use graph::{Cause, CheckId, ConditionId, FaultId, Graph, net_strength};
pub use sets::{ComputedCause, ScoredSet, SetScores};
pub use state::{Belief, Limits, Posterior};
pub use surprise::{Misfit, Surprise};
pub use value::{CheckValue, Prediction};
pub use weights::{FaultWeights, Weights};
