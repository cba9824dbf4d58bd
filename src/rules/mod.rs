//! See DEVELOPERS.md.
mod words;
pub use words::*;
