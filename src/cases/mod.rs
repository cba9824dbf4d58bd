//! Resolved jobs: the built-in examples and the replay of cases; and the drill, which makes up jobs and plays them.

pub mod coverage;
pub mod drill;
mod examples;
mod replay;

pub use examples::{board_example, boards, example, examples};
pub use replay::{Case, CaseReplay, End, FindingReplay, Replay, replay};

#[cfg(test)]
mod tests {
    #[test]
    fn the_committed_schema_says_what_the_type_says() {
        crate::rules::assert_output_schema::<super::Replay>("cases-replay");
    }
}
