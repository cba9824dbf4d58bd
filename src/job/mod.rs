//! Job cards.
pub mod store;
