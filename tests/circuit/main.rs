//! The circuit solver held to things outside the project: a reference simulator's answers, published worked examples, Kirchhoff.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

mod board;
mod devices;
mod itself;
mod jobs;
mod netlist;
mod noise;
mod ohms;
mod properties;
mod said;
mod time;
mod tolerance;
mod worked;

/// A file of this folder's data.
fn data(name: &str) -> String {
    let path = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/data/circuits").join(name);
    std::fs::read_to_string(&path).unwrap_or_else(|e| panic!("{}: {e}", path.display()))
}
