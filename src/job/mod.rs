//! The job: its card, what follows from it, and where it is kept.
//!
//! A [`JobCard`] is read from text and changed only by adding to that text. A [`Diagnosis`] puts rules and card
//! together: suspects with reasons, the next step. [`store`] keeps cards on disk; it is the only part that does I/O.

mod card;
mod diagnosis;
mod model;
mod next;
pub mod store;

pub use card::*;
pub use diagnosis::{Diagnosis, RemedyOffer, SurpriseReport, Suspect, Suspects, Weighed, Why, WorstFinding};
pub use model::{FaultOrigin, Meaning, Model, ModelFault, Retest, Slip, Understood, meaning, unit_of};
pub use next::{AlternativeStep, CheckStep, FALLBACK_MINUTES, Proposal};
