//! One game: a strategy works on a simulated unit until it is mended, gives an answer and stops, or runs out of steps.

use super::hand::{Way, by_hand};
use super::unit::{Rig, Unit};
use crate::circuit::predict::CheckId;
use crate::job::{
    BOARD_FIX_SUCCESS, Diagnosis, FaultOrigin, JobCard, NewCard, NewFinding, Planning, RemedyRef, Terms,
};
use crate::plan::{ByLot, InformationPerCost, Plain, Step, Stop, Strategy};
use crate::rules::{History, Tool};
use crate::text::{Complaint, Complaints, Source};
use serde::Serialize;
use std::collections::BTreeSet;
use std::rc::Rc;

/// Steps after which a game is broken off.
pub const MOST_STEPS: usize = 80;

/// Who plays.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Hand {
    /// The planner.
    Planner,
    /// The check with the most information per minute.
    Information,
    /// The half-split method by hand: levels by halves, then the bad stage's parts in order.
    HalfSplit,
    /// The trade's checklist from top to bottom, parts in order wherever something is off.
    Checklist,
    /// Any step that can tell something, by lot.
    Random,
}

impl Hand {
    /// All of them with their names, the planner first.
    pub const ALL: [(&'static str, Self); 5] = [
        ("planner", Self::Planner),
        ("information", Self::Information),
        ("half-split", Self::HalfSplit),
        ("checklist", Self::Checklist),
        ("random", Self::Random),
    ];

    /// Its name.
    pub fn name(self) -> &'static str {
        Self::ALL.iter().find(|(_, h)| *h == self).map_or("", |(n, _)| n)
    }

    fn strategy(self, seed: u64) -> Box<dyn Strategy> {
        match self {
            Self::Planner | Self::HalfSplit | Self::Checklist => Box::new(Plain::default()),
            Self::Information => Box::new(InformationPerCost::default()),
            Self::Random => Box::new(ByLot { seed }),
        }
    }
}

/// How a game is set.
#[derive(Clone, Debug, PartialEq)]
pub struct Setting {
    /// What the unit has been through.
    pub history: History,
    /// Tools at hand.
    pub tools: Vec<Tool>,
    /// What counts as cost.
    pub terms: Terms,
}

/// One answer: what led when a remedy for it was tried or the game was stopped.
#[derive(Clone, Debug, PartialEq)]
pub struct Answer {
    /// The leading suspect: one fault, or several that no check at hand can part.
    pub faults: Vec<String>,
    /// Its stated probability.
    pub stated: f64,
    /// Whether one of them was there.
    pub right: bool,
}

/// One step of a game.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Played {
    /// Check id or `try:REMEDY`.
    pub id: String,
    /// What was found.
    pub answer: String,
    /// Minutes, preparations and switching included.
    pub minutes: f64,
}

/// A game played to its end.
#[derive(Clone, Debug, PartialEq)]
pub struct Game {
    /// The hidden faults.
    pub hidden: Vec<String>,
    /// Symptoms of the complaint.
    pub symptoms: Vec<String>,
    /// The steps.
    pub steps: Vec<Played>,
    /// Whether the faults were found: the unit is mended, or the last answer holds what is left.
    pub found: bool,
    /// Why it ended: `cured`, `stopped` with the planner's word, or `out of steps`.
    pub end: String,
    /// Minutes altogether.
    pub minutes: f64,
    /// Money for parts, in the currency's main unit.
    pub money: f64,
    /// Remedies tried that put nothing right.
    pub wrong_remedies: usize,
    /// The answers given on the way.
    pub answers: Vec<Answer>,
}

/// The card of a simulated unit before its first finding.
///
/// # Errors
/// When the card does not read; a defect.
pub fn card(rig: &Rig<'_>, unit: &Unit, setting: &Setting) -> Result<JobCard, Complaints> {
    let new = NewCard {
        unit: rig.board().name().to_owned(),
        history: Some(setting.history),
        build: Some(rig.board().build()),
        symptoms: rig.complaint(unit),
        board: Some(rig.board().name().to_owned()),
        blocks: rig.circuit.blocks(rig.rules),
        tools: setting.tools.clone(),
        ..NewCard::default()
    };
    JobCard::read(&Source::new("drill.yaml", new.text()))
}

/// Plays one game.
///
/// # Errors
/// When the job can't be weighed or planned.
pub fn play(rig: &Rig<'_>, unit: &Unit, hand: Hand, setting: &Setting) -> Result<Game, Complaints> {
    match hand {
        Hand::HalfSplit => return by_hand(rig, unit, Way::Halving, setting),
        Hand::Checklist => return by_hand(rig, unit, Way::Listing, setting),
        _ => {}
    }
    let mut table = Table::new(rig, unit, setting)?;
    while table.game.end.is_empty() {
        let diagnosis = match table.diagnosis() {
            Ok(diagnosis) => diagnosis,
            // Too tangled a job ends a game, not the drill.
            Err(e) if !table.game.steps.is_empty() && e.0.iter().all(|c| c.code == "engine") => {
                table.game.end = "the findings could not be weighed".into();
                break;
            }
            Err(e) => return Err(e),
        };
        let planning = diagnosis.planning(&setting.terms)?;
        let strategy = hand.strategy(unit.seed);
        let decision = diagnosis.decide(&planning, strategy.as_ref());
        table.take(&diagnosis, &planning, &decision.step)?;
        if table.game.end.is_empty() && table.game.steps.len() >= MOST_STEPS {
            table.stop(&diagnosis, None);
        }
    }
    Ok(table.game)
}

/// A game under way.
pub struct Table<'r, 'b> {
    rig: &'r Rig<'b>,
    unit: Unit,
    job: JobCard,
    epoch: usize,
    /// Whether who plays states probabilities.
    states: bool,
    /// What has come of it so far.
    pub game: Game,
}

impl<'b> Table<'_, 'b> {
    /// Sets a game up.
    ///
    /// # Errors
    /// As [`card`].
    pub fn new<'r>(rig: &'r Rig<'b>, unit: &Unit, setting: &Setting) -> Result<Table<'r, 'b>, Complaints> {
        let job = card(rig, unit, setting)?;
        let symptoms =
            job.card.complaint.iter().flat_map(|c| c.symptoms.iter().map(|s| s.value.clone())).collect();
        let game = Game {
            hidden: unit.faults.clone(),
            symptoms,
            steps: Vec::new(),
            found: false,
            end: String::new(),
            minutes: 0.0,
            money: 0.0,
            wrong_remedies: 0,
            answers: Vec::new(),
        };
        Ok(Table { rig, unit: unit.clone(), job, epoch: 0, states: true, game })
    }

    /// The job as it stands, weighed.
    ///
    /// # Errors
    /// When it can't be weighed.
    pub fn diagnosis(&self) -> Result<Diagnosis<'b>, Complaints> {
        Diagnosis::sharing(self.rig.rules, self.job.clone(), Some(Rc::clone(&self.rig.circuit)))
    }

    /// Takes a step and notes what comes of it.
    ///
    /// # Errors
    /// When the card can't take the finding; a defect.
    pub fn take(
        &mut self,
        diagnosis: &Diagnosis<'b>,
        planning: &Planning,
        step: &Step,
    ) -> Result<(), Complaints> {
        let price = match step {
            Step::Check(ix) => planning.problem.checks().get(ix.0).map(|c| &c.price),
            Step::Remedy(ix) => planning.problem.remedies().get(ix.0).map(|r| &r.price),
            Step::Done(stop) => {
                self.stop(diagnosis, Some(stop));
                return Ok(());
            }
        };
        let (Some(price), Some(id)) = (price, planning.id(diagnosis, step)) else { return Ok(()) };
        let cost = planning.problem.pay(price, &planning.state).0;
        let remedy = match step {
            Step::Remedy(ix) => planning.remedy(*ix).cloned(),
            _ => None,
        };
        self.note(diagnosis, &id, remedy.as_ref(), cost.minutes, cost.money / 100.0)
    }

    /// Does a check, or a remedy, and notes what comes of it at so many minutes and so much money.
    ///
    /// # Errors
    /// When the card can't take the finding; a defect.
    pub fn note(
        &mut self,
        diagnosis: &Diagnosis<'b>,
        id: &str,
        remedy: Option<&RemedyRef>,
        minutes: f64,
        money: f64,
    ) -> Result<(), Complaints> {
        let answer = match remedy {
            Some(remedy) => self.mend(diagnosis, remedy),
            None => self.answer(diagnosis, id)?,
        };
        self.game.minutes += minutes;
        self.game.money += money;
        let new = NewFinding { at: None, check: id.into(), answer: answer.clone(), remark: None };
        self.job = self.job.with_finding(&new).map_err(|e| Complaint::nowhere("card", e.to_string()))?;
        self.game.steps.push(Played { id: id.into(), answer, minutes });
        Ok(())
    }

    fn answer(&self, diagnosis: &Diagnosis<'b>, id: &str) -> Result<String, Complaints> {
        if let Ok(check) = id.parse::<CheckId>() {
            let take = self.game.steps.iter().filter(|s| s.id == id).count();
            let read = self.rig.read(&self.unit, &check, take + 100 * self.epoch);
            return Ok(read.unwrap_or_else(|| "unsure".into()));
        }
        let check =
            diagnosis.rules.find_check(id).map_err(|e| Complaint::nowhere("unknown-name", e.to_string()))?;
        let answer = self.rig.answer(&self.unit, check, self.epoch);
        Ok(diagnosis.rules.check(check).answers[answer].clone())
    }

    fn mend(&mut self, diagnosis: &Diagnosis<'b>, remedy: &RemedyRef) -> String {
        let cures = cures(diagnosis, remedy);
        if self.states {
            self.answers(diagnosis, Some(&cures));
        }
        let level = self.unit.clone();
        let success = success(diagnosis, remedy);
        let helped = self.rig.mend(&mut self.unit, &cures, success, self.epoch);
        self.epoch += 1;
        self.game.wrong_remedies += usize::from(!helped);
        if self.unit.faults.is_empty() {
            (self.game.found, self.game.end) = (true, "cured".into());
            return "cured".into();
        }
        let better = helped && self.rig.complaint(&level) != self.rig.complaint(&self.unit);
        if better { "changed".into() } else { "no-change".into() }
    }

    /// Notes what leads as the answer given: at the end, and whenever a remedy for it is tried.
    fn answers(&mut self, diagnosis: &Diagnosis<'b>, tried: Option<&BTreeSet<String>>) {
        let Some((faults, stated)) = diagnosis.leader() else { return };
        if tried.is_none_or(|cures| faults.iter().any(|f| cures.contains(f))) {
            let right = faults.iter().any(|f| self.unit.faults.contains(f));
            self.game.answers.push(Answer { faults, stated, right });
        }
    }

    /// Whoever plays states no probabilities.
    pub fn without_answers(mut self) -> Self {
        self.states = false;
        self
    }

    /// Ends the game without an answer.
    pub fn give_up(&mut self, why: &str) {
        self.game.end = why.into();
    }

    /// Ends the game: what leads is the answer, unless the stop says that nothing known leads.
    fn stop(&mut self, diagnosis: &Diagnosis<'b>, stop: Option<&Stop>) {
        self.game.end = stop.map_or("out of steps", word).into();
        if matches!(stop, Some(Stop::UnlistedLeads | Stop::NothingWrong)) {
            return;
        }
        self.answers(diagnosis, None);
        // With one fault left it is found when the leading suspect holds it.
        let last = self.game.answers.last();
        self.game.found = self.unit.faults.len() == 1 && last.is_some_and(|a| a.right);
    }
}

/// The chance that the work of a remedy succeeds.
fn success(diagnosis: &Diagnosis<'_>, remedy: &RemedyRef) -> f64 {
    match remedy {
        RemedyRef::Rule(id) => diagnosis.rules.remedy(*id).success.get(),
        RemedyRef::Board(_) => BOARD_FIX_SUCCESS,
    }
}

/// The faults that a remedy puts right.
pub fn cures(diagnosis: &Diagnosis<'_>, remedy: &RemedyRef) -> BTreeSet<String> {
    let by_rule = |origin: &FaultOrigin| match (remedy, origin) {
        (RemedyRef::Rule(id), FaultOrigin::Board(stands_for)) => {
            diagnosis.rules.remedy(*id).fixes.iter().any(|f| stands_for.contains(f))
        }
        _ => false,
    };
    let faults = diagnosis.model.faults.iter();
    faults.filter(|f| f.remedies.contains(remedy) || by_rule(&f.origin)).map(|f| f.id.clone()).collect()
}

/// A stop in a word or two.
pub fn word(stop: &Stop) -> &'static str {
    match stop {
        Stop::Cured => "cured",
        Stop::NothingWrong => "stopped: nothing wrong",
        Stop::GroupCannotBeParted(_) => "stopped: a group that can't be parted",
        Stop::UnlistedLeads => "stopped: something unlisted",
        Stop::ReferOn => "stopped: handed on",
        Stop::NoStepLeft => "stopped: no step left",
    }
}
