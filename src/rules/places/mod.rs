//! Places and outlines: what can be said of a unit without its drawing, and the rules that follow from it.
//!
//! A *place* is a kind of thing in a unit with the ways it can be wrong ([`Kind`], [`Mode`]); an *outline* says which spots a kind
//! of unit has, in order along supply, signal and control ([`Unit`]); a *check* says what it listens to, cuts off, replaces,
//! disturbs, meters or looks at. [`rules_for`] puts them together for one unit into [`Rules`](super::Rules): faults
//! `MODE@SPOT`, checks `CHECK@SPOT`, remedies `WORK@SPOT`.
//!
//! What is absent: inference, cards, words of owners, files.

mod builtin;
mod derive;
mod library;
mod proof;
mod show;
#[cfg(test)]
mod tests;
mod unit;
pub mod words;
pub mod written;

pub use builtin::{Derived, is_library, sources as builtin_sources};
pub(crate) use derive::lower_first;
pub use derive::{LIKELIEST_AT, rules_for};
pub use library::{Kind, Library, Mode};
pub use proof::LibraryCounts;
pub use show::{PlaceLine, PlaceSheet};
pub use unit::{Region, SpotIn, Unit, UnitFacts};
