//! The drill: faults hidden in simulated units, played by strategies or by a person.
//!
//! A [`Rig`] simulates units of one board: parts within tolerance, a meter that errs and slips, sounds and looks drawn from the causal
//! graph. [`play`] plays one game; [`games`] plays many under several strategies and keeps the score; [`practise`] lets a person play.
//!
//! What is hidden is drawn from the very priors that the planner holds: the board's catalogue alone, the planner knowing that all around
//! the board is good, or with [`Drill::outside`] every fault of the rules as well. What has no place on the board shows in questions, looks
//! and sounds only; the board then reads as a healthy one.
//!
//! [`outline_games`] plays the faults of units without a board, by typical answers.
//!
//! Everything depends on the seed alone. Absent: faults that neither catalogue nor rules have.

mod cards;
mod chance;
mod hand;
mod outlines;
mod person;
mod play;
mod score;
#[cfg(test)]
mod tests;
mod unit;

pub use cards::Clerk;
pub use outlines::{
    IN_TIME, MOST_MINUTES, OutlineFault, OutlineGame, OutlineReport, OutlineScore, outline_faults,
    outline_games, outlines, play_outline,
};
pub use person::{PractiseError, practise};
pub use play::{Answer, Game, Hand, Played, Setting, play};
pub use score::{Bucket, Figures, StrategyScore};
pub use unit::{Hidden, Known, Noise, Rig, Unit};

use crate::circuit::board::Board;
use crate::job::{Circuit, Diagnosis, JobCard, NewCard};
use crate::rules::Rules;
use crate::text::{Complaint, Complaints, Source};
use serde::Serialize;
use std::rc::Rc;
use std::sync::atomic::{AtomicUsize, Ordering};

/// What is to be drilled.
#[derive(Clone, Debug, PartialEq)]
pub struct Drill {
    /// History, tools, terms.
    pub setting: Setting,
    /// How many units.
    pub games: usize,
    /// What everything is drawn from.
    pub seed: u64,
    /// How many faults are hidden in each unit.
    pub hidden: Hidden,
    /// Whether faults outside the board are hidden as well: leads, jacks, switch, supply, settings. If not, whoever plays knows that
    /// all around the board is good.
    pub outside: bool,
    /// Who plays.
    pub hands: Vec<Hand>,
    /// How real the bench is.
    pub noise: Noise,
}

/// The score of a drill.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct DrillReport {
    /// The unit.
    pub board: String,
    /// How many units were played.
    pub games: usize,
    /// The seed.
    pub seed: u64,
    /// Each strategy's score, in the order asked for.
    pub strategies: Vec<StrategyScore>,
}

/// All games of a drill: for each unit one game under each strategy, in the order asked for.
pub type Games = Vec<Vec<Game>>;

/// Sets a board up for units with this history.
///
/// # Errors
/// When the board has no operating point, or the job of such a unit can't be weighed.
pub fn rig<'b>(rules: &'b Rules, board: &'b Board, drill: &Drill) -> Result<Rig<'b>, Complaints> {
    let circuit = Circuit::new(board)?;
    let circuit = Rc::new(if drill.outside { circuit } else { circuit.alone() });
    let new = NewCard {
        unit: board.name().to_owned(),
        history: Some(drill.setting.history),
        build: Some(board.build()),
        blocks: circuit.blocks(rules),
        ..NewCard::default()
    };
    let job = JobCard::read(&Source::new("drill.yaml", new.text()))?;
    let model = Diagnosis::sharing(rules, job, Some(Rc::clone(&circuit)))?.model;
    Rig::new(rules, circuit, &model, drill.noise)
}

/// The unit of a game by its number.
///
/// # Errors
/// When no fault that keeps the unit from working is found in many draws.
pub fn unit(rig: &Rig<'_>, drill: &Drill, number: usize) -> Result<Unit, Complaints> {
    let seed = chance::mix(drill.seed ^ chance::mix(number as u64));
    rig.hide(drill.hidden, seed).ok_or_else(|| {
        Complaint::nowhere("no-fault", "no fault that would be noticed was found on this board".to_owned())
            .help("try another history, or give the board a signal path")
            .into()
    })
}

/// The games of one unit, by the unit's number.
type Round = (usize, Result<Vec<Game>, Complaints>);

/// Plays all games on two threads; `tick` is called after each game.
///
/// # Errors
/// As [`rig`], [`unit()`] and [`play`]; the complaint of the first unit by number.
pub fn games(
    rules: &Rules,
    board: &Board,
    drill: &Drill,
    tick: &(dyn Fn() + Sync),
) -> Result<Games, Complaints> {
    let next = AtomicUsize::new(0);
    let work = || -> Result<Vec<Round>, Complaints> {
        let rig = rig(rules, board, drill)?;
        let mut out = Vec::new();
        loop {
            let number = next.fetch_add(1, Ordering::Relaxed);
            if number >= drill.games {
                return Ok(out);
            }
            let game = unit(&rig, drill, number).and_then(|unit| {
                let one = |hand: &Hand| {
                    let game = play(&rig, &unit, *hand, &drill.setting);
                    tick();
                    game
                };
                drill.hands.iter().map(one).collect()
            });
            out.push((number, game));
        }
    };
    let both = std::thread::scope(|scope| {
        let other = scope.spawn(work);
        let mine = work();
        (mine, other.join())
    });
    let lost =
        |_| Complaints::from(Complaint::nowhere("engine", "a thread of the drill broke off".to_owned()));
    let mut all = both.0?;
    all.extend(both.1.map_err(lost)??);
    all.sort_by_key(|(number, _)| *number);
    all.into_iter().map(|(_, game)| game).collect()
}

/// The score of all games.
pub fn report(board: &Board, drill: &Drill, games: &Games) -> DrillReport {
    let score = |(i, hand): (usize, &Hand)| {
        let of: Vec<Game> = games.iter().filter_map(|unit| unit.get(i).cloned()).collect();
        StrategyScore::of(hand.name(), &of)
    };
    DrillReport {
        board: board.name().to_owned(),
        games: drill.games,
        seed: drill.seed,
        strategies: drill.hands.iter().enumerate().map(score).collect(),
    }
}
