//! Games as resolved job cards whose truth is known.

use super::{Game, Setting};
use crate::circuit::board::Board;
use crate::job::{Circuit, NewCard};
use crate::rules::Rules;
use crate::text::{Complaints, flow_scalar, inline};
use std::fmt::Write;

/// Writes games on one board as cards.
pub struct Clerk {
    card: NewCard,
}

impl Clerk {
    /// For a board that the cards name by this path.
    ///
    /// # Errors
    /// When the board has no operating point.
    pub fn new(rules: &Rules, board: &Board, path: &str, setting: &Setting) -> Result<Self, Complaints> {
        let card = NewCard {
            history: Some(setting.history),
            build: Some(board.build()),
            board: Some(path.into()),
            blocks: Circuit::new(board)?.blocks(rules),
            tools: setting.tools.clone(),
            ..NewCard::default()
        };
        Ok(Self { card })
    }

    /// The text of card `number`: the complaint, every step with its minutes, and what was hidden as the outcome, whether or
    /// not it was found.
    pub fn card(&self, board: &Board, game: &Game, number: usize) -> String {
        let unit = format!("{} {number}", board.name());
        let new = NewCard { unit, symptoms: game.symptoms.clone(), ..self.card.clone() };
        let mut out = new.text();
        if !game.steps.is_empty() {
            out = out.replacen("findings: []\n", "findings:\n", 1);
        }
        for step in &game.steps {
            let _ = writeln!(
                out,
                "  - {{check: {}, answer: {}, minutes: {:.1}}}",
                flow_scalar(&step.id),
                flow_scalar(&step.answer),
                step.minutes
            );
        }
        let faults: Vec<String> = game.hidden.iter().map(|f| flow_scalar(f)).collect();
        let end = if game.found { "mended" } else { "found" };
        let _ = writeln!(
            out,
            "outcome: {{end: {end}, faults: [{}], minutes: {:.1}, did: {}}}",
            faults.join(", "),
            game.minutes,
            inline(&format!("A drill - the fault was hidden on purpose; it ended '{}'", game.end))
        );
        out
    }
}
