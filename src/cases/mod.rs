//! Resolved jobs: the built-in examples, the replay of cases, and what can be learned from them.

mod examples;
pub mod learn;
mod replay;
pub mod report;
pub mod simulate;

pub use examples::{board_example, boards, example, examples};
pub use replay::{Case, CaseReplay, End, FindingReplay, Replay, replay};
