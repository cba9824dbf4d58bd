//! Part kinds, shapes and device cards: what a board may be made of, as data.
//!
//! A *kind* says how such a part fails and what replacing one costs; passive kinds bring their circuit. A *device card* is one part
//! number: pins, pin order, limits and a small sub-circuit of the solver's primitives. A *shape* is a sub-circuit that cards share
//! (one op amp of a dual). All three are YAML under `rules/parts` and `rules/devices`; a user's own files are read the same way, so a
//! new chip needs no Rust.
//!
//! Absent: building networks from cards ([`crate::circuit::board`]) and authored fault rules (packs).
//!
//! ```
//! use halfsplit::rules::parts::Library;
//! let library = Library::builtin()?;
//! assert_eq!(library.device("2N3904").map(|d| d.kind.value.as_str()), Some("transistor-bipolar"));
//! # Ok::<(), halfsplit::text::Complaints>(())
//! ```

mod builtin;
mod check;
mod library;
#[cfg(test)]
mod tests;
pub mod written;

pub(crate) use check::{fields_of, number};
pub use library::{Library, SUPPLY_KINDS};
pub use written::{
    ByHistory, Corner, DelayLaw, Device, Drawn, EditRule, Element, Kind, LookAlike, Mode, NoiseRule,
    Parameter, Reads, Remedy, Role, Shape, Term, Turn, ValueRule,
};
