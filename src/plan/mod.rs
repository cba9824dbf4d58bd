//! Picks the next step on the way to a mended unit.
//!
//! In here: an abstract [`Problem`] (weighted fault sets, checks with outcomes and prices, remedies, a way out),
//! the [`Plain`] planner that every command uses, simpler [`Strategy`]s to measure it against, and [`play_out`], which works out what
//! any strategy costs on average by playing every outcome.
//!
//! Not in here: electronics, rule files, jobs, how the fault sets and likelihoods came about, clocks, randomness
//! without a seed. Everything is an index into the caller's lists; the same input gives the same decision.
//!
//! How `Plain` picks: the check that tells most about what to mend for its price, a set-up counted by the chance that it serves
//! this check alone; a remedy as soon as it, or the place it works on, is all but sure.
//!
//! ```
//! use halfsplit::plan::*;
//! // Two faults, one check that tells them apart for a minute, ten minutes each to put right.
//! let draft = Draft {
//!     faults: vec![Fault::default(), Fault::default()],
//!     hypotheses: vec![Hypothesis::of(&[0], 0.5), Hypothesis::of(&[1], 0.5)],
//!     checks: vec![Check::perfect(Price::minutes(1.0), &[0, 1])],
//!     remedies: vec![Remedy::cures(&[0], Price::minutes(10.0)), Remedy::cures(&[1], Price::minutes(10.0))],
//!     ..Draft::default()
//! };
//! let problem = Problem::new(draft).unwrap();
//! let decision = Plain::default().next(&problem, &State::default());
//! assert_eq!(decision.step, Step::Check(CheckIx(0)));
//! assert!((decision.expected.minutes - 11.0).abs() < 1e-9);
//! ```

mod byhand;
mod decision;
mod measure;
mod plain;
mod playout;
mod price;
mod problem;
mod reasons;
mod stop;
mod strategies;

pub use byhand::{ByLot, Checklist, HalfSplit};
pub use decision::{Alternative, Decision, Group, PartedBy, Reason, Step, Stop};
pub use plain::Plain;
pub use playout::{PlayOut, play_out};
pub use price::{Count, Expected, Lump, Power, Price, SetupSet, State, Switching, Tariff};
pub use problem::{
    Check, CheckIx, Draft, Fault, FaultIx, Hypothesis, HypothesisIx, Kind, PlanError, Problem, Remedy,
    RemedyIx, Retest, SetupIx, Standing, ToolIx,
};
pub use strategies::{InformationPerCost, Strategy};
