//! Text with places: YAML read into a tree whose every key and value knows where it stands, typed
//! decoding that keeps those places, and complaints that point at them.
//!
//! Everything a person writes by hand (packs, device cards, boards, job cards, the shop's settings)
//! comes in through [`parse`] and [`decode`], so that a mistake is answered in one voice: file, line
//! and column, the text underlined, what was expected, and the nearest valid name.
//!
//! What is absent: anchors, aliases, tags and several documents in a file. The project's files do
//! not need them, and refusing them closes the door on expansion bombs. Files over
//! [`MAX_BYTES`] and nesting over [`MAX_DEPTH`] are refused before they cost anything.
//!
//! ```
//! use halfsplit::text::{Source, decode, parse};
//!
//! #[derive(serde::Deserialize)]
//! struct Card { unit: String, minutes: f64 }
//!
//! let source = Source::new("card.yaml", "unit: Tin Lantern\nminutes: 12\n");
//! let card: Card = decode(&parse(&source)?)?;
//! assert_eq!((card.unit.as_str(), card.minutes), ("Tin Lantern", 12.0));
//! # Ok::<(), halfsplit::text::Complaints>(())
//! ```

mod complaint;
mod decode;
mod document;
mod edit;
mod emit;
pub mod inert;
mod nearest;
#[cfg(test)]
mod tests;

pub use complaint::{Complaint, Complaints, Place};
pub use decode::{At, Named, decode, decode_all};
pub use document::{Document, MAX_BYTES, MAX_DEPTH, Node, Scalar, Source, Span, Value, parse, too_large};
pub use edit::{EditError, Style, append_item, flow_map, flow_scalar, insert_entry, set_entry, set_in};
pub use emit::{inline, to_yaml};
pub use nearest::{nearest, or_nearest};
