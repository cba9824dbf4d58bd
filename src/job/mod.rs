//! The job: its card, what follows from it, and where it is kept.
//!
//! A [`JobCard`] is read from text and changed only by adding to that text. A [`Diagnosis`] puts rules, card and
//! board together: suspects with reasons, the next step. A [`session::Session`] works through a job in conversation.
//! [`store`] keeps cards on disk; it is the only part that does I/O.

mod bins;
mod build;
mod card;
mod circuit;
mod diagnosis;
mod fields;
mod heard;
mod learned;
mod model;
mod next;
pub mod readings;
mod record;
mod refusal;
pub mod session;
mod spots;
mod stages;
pub mod store;
mod understand;
mod unit;
mod wiring;

pub use build::{
    BIAS_SHOWS, BOARD_FIX_SUCCESS, UNLISTED_CHECK, UNLISTED_PRIOR, UNLISTED_SYMPTOM, stands_for,
};
pub(crate) use build::{turned_seen, word_of};
pub use card::*;
pub use circuit::{Circuit, CircuitEpoch, OFF_BIAS, part_of};
pub(crate) use diagnosis::board_check_says;
pub use diagnosis::{
    Diagnosis, Member, RemedyOffer, SurpriseReport, Suspect, Suspects, Weighed, Why, WhyGroup, WorstFinding,
};
pub use fields::Fields;
pub use heard::{ByHand, Hearing, OwnersFinding, hear, is_owners, owners_remark};
pub use learned::LearnedFigure;
pub use model::{FaultOrigin, Meaning, Model, ModelFault, RemedyRef, Retest, Understood};
pub(crate) use next::Planning;
pub use next::{AlternativeStep, CheckStep, FALLBACK_MINUTES, Proposal, Terms};
pub use record::{
    CompareLine, Comparison, Record, RecordLine, TakenFor, band_says, healthy_band, minutes_noted,
};
pub use refusal::Refusal;
pub use spots::GoodUnit;
pub use stages::Stages;
pub use understand::{Slip, meaning, unit_of};
pub use unit::{CardOutline, FACTS, OutlineLines, outline_of, unit_rules};

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]

    use super::{Diagnosis, JobCard};
    use crate::cases::board_example;
    use crate::circuit::board::Board;
    use crate::rules::parts::Library;
    use crate::rules::{Rules, assert_output_schema, assert_schema};
    use crate::text::Source;

    fn asks(card: &str, check: &str) -> bool {
        let rules = Rules::builtin().unwrap();
        let job = JobCard::read(&Source::new("card.yaml", card)).unwrap();
        let job = Diagnosis::of(rules, job).unwrap();
        job.model.now.contains_key(&rules.find_check(check).unwrap())
    }

    #[test]
    fn a_board_says_which_blocks_a_unit_has_and_how_it_was_built() {
        let (rules, library) = (Rules::builtin().unwrap(), Library::builtin().unwrap());
        let board = Board::load(&board_example("tin-lantern").unwrap(), &library).unwrap();
        let of = |card: &str| {
            let job = JobCard::read(&Source::new("card.yaml", card)).unwrap();
            let job = Diagnosis::on_board(rules, job, &board).unwrap();
            let faults = &job.model.faults;
            ["lfo-offset-wrong", "missed-cut", "wrong-row"]
                .map(|id| faults.iter().find(|f| f.id == id).map(|f| f.prior))
        };
        let said = "unit: X\nhistory: fresh-build\ncomplaint: {symptoms: [no-echo]}\n";
        // The board is built on stripboard, has an echo chip and no LFO.
        let [lfo, cut, row] = of(said);
        assert!(lfo.is_none() && cut.is_some() && row.is_some());
        assert_eq!(of(&format!("{said}build: stripboard\nblocks: [echo-chip, opamp]\n"))[1..], [cut, row]);
        // What the card says goes before what the board says.
        let [lfo, cut, _] = of(&format!("{said}build: breadboard\nblocks: [lfo]\n"));
        assert!(lfo.is_some() && cut.is_none());
    }

    #[test]
    fn a_check_about_a_block_is_asked_of_units_that_have_it() {
        let card = "unit: X\nhistory: worked-before\ncomplaint: {symptoms: [hiss]}\n";
        assert!(asks(&format!("{card}blocks: [echo-chip]\n"), "delay-range-wrong"));
        assert!(!asks(&format!("{card}blocks: [opamp]\n"), "delay-range-wrong"));
        assert!(asks(&format!("{card}blocks: [opamp]\n"), "hum"));
        // Nobody knows the blocks: anything may be asked.
        assert!(asks(card, "delay-range-wrong"));
        // What the owner says counts all the same.
        let said = card.replace("hiss", "delay-range-wrong");
        assert!(asks(&format!("{said}blocks: [opamp]\n"), "delay-range-wrong"));
    }

    #[test]
    fn the_committed_schemas_say_what_the_types_say() {
        assert_schema::<super::Card>("job");
        assert_output_schema::<super::Proposal>("next");
        assert_output_schema::<super::Suspects>("suspects");
        assert_output_schema::<super::Why>("why");
        assert_output_schema::<super::Outcome>("close");
        assert_output_schema::<super::Record>("show");
        assert_output_schema::<super::Comparison>("compare");
    }
}
