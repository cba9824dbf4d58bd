//! See DEVELOPERS.md.
pub mod parts;
mod words;
pub use words::*;
