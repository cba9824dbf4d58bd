//! Hostile input: each target takes bytes that grow out of a small corpus and must never panic, hang or lose anything.
//!
//! `cargo test --test fuzz` runs each target for a moment; FUZZ_SECONDS sets how long, FUZZ_SEED where it starts. What a
//! target has once failed on belongs into tests/fuzz/corpus, named after its target.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, clippy::print_stdout, clippy::print_stderr)]

mod answers;
mod board;
mod card;
mod grow;
mod list;
mod netlist;
mod pack;
mod reading;
mod templates;
mod words;
