//! From a network of primitives to volts, amps, ohms and levels, healthy or with faults in.
//!
//! In here: the network ([`network`]), edits that put faults in ([`edit`]), the operating point ([`dc`]), the small-signal response
//! ([`ac`]), resistance with the power off ([`ohms`]), many faults at once ([`sweep`]), the spread that part tolerances
//! give every reading ([`tolerance`]), noise and the tones of supplies ([`noise`]), what a board gives by itself
//! ([`heard`], and as a page has it [`gives`]). Absent on purpose: temperature (everything is at 27 C), and any file format.
//!
//! Sign and unit conventions: volts against [`network::Node::GROUND`], amps, ohms, farads, henries, hertz. A current is positive when it
//! flows *into* the named terminal of an element.
pub mod ac;
pub mod advice;
mod blank;
pub mod board;
pub mod dc;
pub mod edit;
pub mod gives;
pub mod heard;
pub mod import;
pub mod motion;
pub mod network;
pub mod noise;
pub mod ohms;
pub mod overview;
pub mod pinout;
pub mod poles;
pub mod predict;
pub mod primitive;
pub mod said;
pub mod sheet;
pub mod sweep;
pub mod tolerance;
pub mod transient;
pub mod wiring;

pub(crate) mod devices;
pub(crate) mod eigen;
pub(crate) mod html;
pub(crate) mod linear;
pub(crate) mod newton;
pub(crate) mod page;
pub(crate) mod parameters;
pub(crate) mod sensitivity;
pub(crate) mod stamps;
pub(crate) mod topology;
