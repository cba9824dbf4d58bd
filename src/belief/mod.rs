//! Belief: from causes, findings and what the circuit says to the probability of every fault set.
//!
//! This module knows nothing of electronics. It takes a [`Graph`] of faults, hidden conditions and checks,
//! [`Finding`]s on checks, and, where a solver has looked at whole fault sets, their [`SetScores`]. Out of one exact
//! posterior it answers
//!
//! | question | call |
//! |---|---|
//! | how probable is each fault, or none at all? | [`Belief::posterior`] |
//! | which complete fault sets are the most probable? | [`Belief::best_sets`], [`Belief::probability_of`] |
//! | what does each finding say for or against each fault? | [`Belief::weights`], [`Belief::steps`], [`decibel`] |
//! | do the findings fit together, and which sits worst? | [`Belief::surprise`] |
//! | what would a check show, and what is that worth? | [`Belief::predict`], [`Belief::values`], [`Belief::joint_bits`] |
//! | how would the weighted sets answer a check? | [`Belief::answers_given`] |
//! | what is to be expected under each of many fault sets? | [`Belief::many_given`] |
//! | what follows from one more finding, or one less? | [`Belief::with_finding`], [`Belief::without`] |
//! | what have the causes behind the findings done, for learning? | [`Graph::expectations`] |
//! | does another library agree? | [`Graph::export`] |
//!
//! ```
//! use std::sync::Arc;
//! use halfsplit::belief::{Belief, Finding, Graph};
//!
//! // A turned regulator or a dry joint takes the rail away; a missing rail, or a bad transistor, silences the unit.
//! let mut graph = Graph::new();
//! let turned = graph.add_fault(0.03)?;
//! let joint = graph.add_fault(0.02)?;
//! let transistor = graph.add_fault(0.03)?;
//! let rail = graph.add_condition(0.0, &[(turned.into(), 0.95), (joint.into(), 0.8)])?;
//! let sound = graph.add_check(
//!     &[0.01, 0.001], // normal, faint, silent: faint or silent for no listed reason
//!     &[(rail.into(), vec![0.05, 0.95]), (transistor.into(), vec![0.2, 0.75])],
//! )?;
//! let lamp = graph.add_yes_no_check(0.01, &[(rail.into(), 0.99)])?;
//!
//! let silent = Belief::new(Arc::new(graph), &[Finding::answer(sound, 2)])?;
//! let value = silent.value(lamp)?;
//! assert!(value.bits > 0.4); // the lamp parts rail from transistor
//!
//! let lit = silent.with_finding(Finding::answer(lamp, 0))?;
//! assert!(lit.fault(transistor).unwrap_or(0.0) > 0.9);
//! let best = lit.best_sets(3)?;
//! assert_eq!(best.sets[0].members, [transistor]);
//! # Ok::<(), halfsplit::belief::BeliefError>(())
//! ```
//!
//! # The model
//! Faults are independent a priori and any number may be present. A condition is a noisy-OR of its causes, a check a
//! noisy-MAX over ordered answers, the normal one first; leaks are one more cause each and strengths are net of them.
//! Checks cause nothing. With [`SetScores`], posterior = sum over listed sets S of prior(S) * likelihood(S) *
//! P(findings | designated faults exactly S).
//!
//! # How it is computed
//! Only what the findings reach is looked at. A node is a signed sum of products over its causes, split into pairs by
//! one auxiliary variable (`compile`, `nodes`); normal answers have a single term and are absorbed into the priors;
//! what remains goes through a bucket tree in two passes (`tree`, `order`) in numbers of 31 digits (`wide`), as signs
//! cost digits. How many they cost at most is known after each run, and where it is too many a sign-free chain takes over
//! (`solve`). Sets that the findings cannot tell apart share one run (`group`). Beyond [`Limits`], sampling over fault
//! sets stands in, with its standard error (`sample`).
//!
//! # What is absent
//! Prices and plans, names, files, readings in volts (their likelihoods come in ready made), any clock or hidden
//! randomness. Same input, same output, to the last bit.

mod best;
mod compile;
mod complete;
pub mod decibel;
mod error;
mod expect;
mod export;
mod finding;
mod given;
mod graph;
mod group;
mod nodes;
mod order;
mod reach;
mod sample;
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
pub use expect::{Affected, CauseCount, Expectations};
pub use export::{CauseExport, NetworkExport, NodeExport};
pub use finding::{Finding, Outcome};
pub use given::{Given, ManyGiven};
pub use graph::{Cause, CheckId, ConditionId, FaultId, Graph, net_strength};
pub use sets::{ComputedCause, ScoredSet, SetScores};
pub use state::{Belief, Limits, Posterior};
pub use surprise::{Misfit, Surprise};
pub use value::{CheckValue, JointBits, Prediction};
pub use weights::{FaultWeights, Weights};

#[cfg(test)]
#[allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]
mod twin;

#[cfg(test)]
#[allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]
mod tests;
