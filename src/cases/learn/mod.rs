//! Learning from resolved cards: priors, strengths, leaks, times.
//!
//! [`gather`] turns cards into [`Statistics`], counts of patterns of ids that hold nothing of a customer and add up exactly
//! ([`Statistics::add`]); [`learn`] turns statistics into figures; [`gain`] judges them on cases left out; [`overlay`] writes
//! those that moved noticeably as a pack of amendments. Authored packs are never touched.
//!
//! Learned are: priors by history and build method (Beta posteriors, [`Priors`]); strengths of links and leaks
//! (expectation-maximisation over hidden conditions, [`fit`]); how often a remedy works; minutes of checks and remedies.
//! Each authored figure counts as a stated number of cases, a prior as enough of them to hold some occurrences of its fault
//! ([`authored_cases`]).
//!
//! What is absent: new links and faults (a report of surprising cases is where to look for those), figures of boards and
//! circuits, and the constants of the fault that no rule knows.

mod beta;
mod change;
mod em;
mod frame;
mod gain;
mod gather;
mod overlay;
mod pattern;
mod priors;

pub use beta::{cdf as beta_cdf, interval as beta_interval, quantile as beta_quantile};
pub use change::{Change, Learned, Spot, learn};
pub use em::{Data, Fit, MENTION, Sums, expect, fit};
pub use frame::{Frame, Place, Tables};
pub(crate) use gain::spread;
pub use gain::{ALONE, CUT, Effort, FOLDS, Gain, JUDGED, Judge, Kept, PLAYED, Score, Standing, gain};
pub use gather::{Facts, Possible, Skipped, count, facts, gather};
pub use overlay::overlay;
pub use pattern::{Pattern, Seen, Statistics, Times, Tries, WHOLE};
pub use priors::{Count, Priors, authored_cases, posterior};

/// How many cases an authored figure counts for where nothing else is said.
pub const WEIGHT: f64 = 20.0;
