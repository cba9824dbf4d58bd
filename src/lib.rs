//! Finds the fault in small audio electronics.
pub mod belief;
pub mod cases;
pub mod circuit;
#[cfg(feature = "cli")]
pub mod cli;
pub mod job;
pub mod plan;
pub mod rules;
pub mod summary;
pub mod text;
pub mod units;
