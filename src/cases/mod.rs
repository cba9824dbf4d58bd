//! Resolved jobs: the built-in examples and the replay of cases.

mod examples;
mod replay;

pub use examples::{board_example, boards, example, examples};
pub use replay::{Case, CaseReplay, End, FindingReplay, Replay, replay};
