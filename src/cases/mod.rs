//! Resolved jobs: the built-in examples, the replay of cases, and what can be learned from them; and the drill, which makes
//! up jobs and plays them.

pub mod coverage;
pub mod drill;
mod examples;
pub mod learn;
mod replay;
pub mod report;
pub mod simulate;

pub use examples::{board_example, boards, example, examples, shop_example};
pub use replay::{Case, CaseReplay, End, FindingReplay, Replay, replay};

#[cfg(test)]
mod tests {
    #[test]
    fn the_committed_schema_says_what_the_type_says() {
        crate::rules::assert_output_schema::<super::Replay>("cases-replay");
        crate::rules::assert_output_schema::<super::drill::DrillReport>("drill");
        crate::rules::assert_output_schema::<super::drill::OutlineReport>("drill-outline");
        crate::rules::assert_output_schema::<super::coverage::Coverage>("coverage");
    }
}
