//! The job: its card, what follows from it, and where it is kept.
//!
//! A [`JobCard`] is read from text and changed only by adding to that text. A [`Diagnosis`] puts rules, card and
//! board together: suspects with reasons, the next step. [`store`] keeps cards on disk; it is the only part that does
//! I/O.

mod build;
mod card;
mod circuit;
mod diagnosis;
mod model;
mod next;
pub mod store;
mod understand;

pub use build::{UNLISTED_CHECK, UNLISTED_PRIOR, UNLISTED_SYMPTOM, stands_for};
pub use card::*;
pub use circuit::{Circuit, CircuitEpoch};
pub use diagnosis::{Diagnosis, RemedyOffer, SurpriseReport, Suspect, Suspects, Weighed, Why, WorstFinding};
pub use model::{FaultOrigin, Meaning, Model, ModelFault, RemedyRef, Retest, Understood};
pub use next::{AlternativeStep, CheckStep, Proposal};
pub use understand::{Slip, meaning, unit_of};
