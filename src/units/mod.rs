//! Quantities and the trade's notation: volts and ohms as types, `4k7` as a number, a meter's display as a reading.
//!
//! In here: [`quantity`] (newtypes with sensible arithmetic), [`notation`] (values as printed on parts and written in
//! drawings), [`colour`] (bands), [`series`] (preferred values), [`reading`] (what a person types after looking at a meter) and
//! [`show`], the only place that turns values into text. Absent: anything about parts, tolerance of circuits, languages.
//!
//! ```
//! use halfsplit::units::{Ohms, Volts, notation, show};
//! let r: Ohms = notation::ohms("4k7")?.value;
//! let i = Volts(9.4) / r;
//! assert_eq!(show::amps(i), "2.00 mA");
//! assert_eq!(show::ohms_code(r), "4k7");
//! # Ok::<(), halfsplit::units::notation::NotationError>(())
//! ```

pub mod colour;
pub mod notation;
pub mod quantity;
pub mod reading;
pub mod series;
pub mod show;
#[cfg(test)]
mod tests;

pub use quantity::{
    Amps, Decibels, Farads, Henries, Hertz, Minutes, Money, Ohms, Probability, Seconds, Unit, Volts,
};
pub use reading::{Reading, Shown};
