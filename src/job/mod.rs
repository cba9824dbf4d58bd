//! Job cards.
mod card;
pub mod store;
pub use card::*;
