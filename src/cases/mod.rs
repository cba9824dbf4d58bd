//! Resolved jobs: the built-in examples and the replay of cases; and the drill, which makes up jobs and plays them.

pub mod coverage;
pub mod drill;
mod examples;
mod replay;

pub use examples::{board_example, boards, example, examples};
pub use replay::{Case, CaseReplay, End, FindingReplay, Replay, replay};
