//! From rules, card and findings to the causal graph that the engine works on.
//!
//! Time matters where a remedy was tried: what was found before it speaks of the unit as it was, what
//! is found after it of the unit as it now is. So the card is cut into *epochs* at each `try:` finding.
//! Faults are shared by all epochs; a fault that a tried remedy puts right stands, from then on, behind a
//! hidden node *still there*, which it brings about only where the remedy failed. Conditions and checks
//! have one copy an epoch. The engine sums all of that out exactly.

use super::build::{Builder, word_of};
use super::card::JobCard;
use super::circuit::{Circuit, CircuitEpoch, widened};
use super::understand::{check_names, packs_in_play, perhaps, understand};
use crate::belief::{self, Belief, BeliefError, Limits, Outcome, SetScores};
use crate::circuit::predict::{CheckId as BoardCheck, Observed};
use crate::circuit::wiring::Ticked;
use crate::rules::{self, Rules};
use crate::text::{Complaint, Complaints};
use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;

/// What a fault in the graph is.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum FaultOrigin {
    /// A fault of the rules.
    Rule(rules::FaultId),
    /// A fault of the board, and the faults of the rules that it stands for.
    Board(Vec<rules::FaultId>),
    /// Something the rules don't know.
    Unlisted,
}

/// A fault in the graph, by [`belief::FaultId`].
#[derive(Clone, Debug)]
pub struct ModelFault {
    /// Text id.
    pub id: String,
    /// What is wrong, in bench words.
    pub says: String,
    /// The same for a customer.
    pub plain: String,
    /// The part it sits in, where a board names one.
    pub part: Option<String>,
    /// Where it comes from.
    pub origin: FaultOrigin,
    /// Prior probability in this context.
    pub prior: f64,
    /// Remedies, the usual one first.
    pub remedies: Vec<RemedyRef>,
}

impl ModelFault {
    /// The spot of an outline that it sits at; none for a fault of a board.
    pub fn spot(&self) -> Option<&str> {
        match self.origin {
            FaultOrigin::Rule(_) => self.id.split_once('@').map(|(_, spot)| spot),
            FaultOrigin::Board(_) | FaultOrigin::Unlisted => None,
        }
    }
}

/// A remedy of the rules, or the mending of a part on the board.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum RemedyRef {
    /// A remedy of the rules.
    Rule(rules::RemedyId),
    /// What the board's catalogue says puts a part's faults right; named by the first of them.
    Board(String),
}

/// What the retest after a remedy showed.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Retest {
    /// The unit works.
    Cured,
    /// No difference.
    NoChange,
    /// Something got better; the unit is not mended.
    Changed,
}

impl Retest {
    /// The words on a card.
    pub const ALL: [(&'static str, Self); 3] =
        [("cured", Self::Cured), ("no-change", Self::NoChange), ("changed", Self::Changed)];
}

/// What a finding on the card means.
#[derive(Clone, Debug, PartialEq)]
pub enum Meaning {
    /// An answer of a check, soft where a reading lies near a border.
    Answer {
        /// The check.
        check: rules::CheckId,
        /// What the engine is told.
        outcome: Outcome,
        /// The answer in words, the likeliest for a soft one.
        answer: usize,
    },
    /// A remedy was tried.
    Tried {
        /// The remedy.
        remedy: RemedyRef,
        /// What the retest showed.
        retest: Retest,
    },
    /// A reading on the board, or a level by ear.
    Circuit {
        /// The board's check.
        check: BoardCheck,
        /// What was read or heard.
        observed: Observed,
    },
    /// A reading that is kept and weighs nothing: at a pin on ground or on nothing, or at a spot of a unit without a board that no
    /// rule speaks of.
    Kept,
    /// The wiring of a net of the board was gone over.
    Wiring {
        /// The net.
        net: String,
        /// What was found.
        ticked: Ticked,
    },
    /// The user could not tell.
    Unsure {
        /// The check, where it is one of the rules.
        check: Option<rules::CheckId>,
    },
}

/// A finding that counts, understood.
#[derive(Clone, Debug)]
pub struct Understood {
    /// Its number on the card; 0 for a symptom of the complaint.
    pub number: usize,
    /// Check id as written.
    pub check: String,
    /// Answer as written.
    pub answer: String,
    /// What it means.
    pub meaning: Meaning,
    /// The unit's epoch: how many remedies had been tried before it.
    pub epoch: usize,
    /// The engine's check, unless a later finding replaced it or it says nothing.
    pub node: Option<belief::CheckId>,
}

/// The graph of one job with its findings.
#[derive(Clone, Debug)]
pub struct Model {
    /// Faults by the engine's index; the last is `unlisted`.
    pub faults: Vec<ModelFault>,
    /// The node that stands for each fault being there now.
    pub present: Vec<belief::Cause>,
    /// Findings that count, in order; the complaint's symptoms first.
    pub findings: Vec<Understood>,
    /// The engine's node of each check in the present epoch.
    pub now: BTreeMap<rules::CheckId, belief::CheckId>,
    /// Whether each condition, and which node, in the present epoch.
    pub conditions: BTreeMap<rules::ConditionId, belief::ConditionId>,
    /// Packs in play, by [`rules::PackId`] index.
    pub in_play: Vec<bool>,
    /// Checks whose answers under the board's faults are worked out from what the board gives by itself.
    pub told: BTreeSet<rules::CheckId>,
    /// Whether complaint or findings are about what the board does by itself, so that readings of that are on offer.
    pub listens: bool,
    /// The board's readings by epoch, and what was put right before each.
    pub readings: Vec<CircuitEpoch>,
    /// How many of the first remedies tried were taken up without an epoch of their own, because all of them are too much to be summed
    /// over exactly: the probabilities are then approximate.
    pub folded: usize,
    /// How many of the earliest answers weigh nothing, because all of them together are too much to be summed over at all.
    pub set_aside: usize,
    /// What is believed.
    pub belief: Belief,
}

/// What the sum over all combinations may cost while remedies can still be folded: a fraction of a second.
const QUICK: Limits = Limits { log2_cost: 18.0, log2_total: 20.0, samples: 0, seed: 1 };
/// For the few jobs that take longer than usual: better an answer after some seconds than none.
const LONG: Limits = Limits { log2_cost: 25.0, log2_total: 25.0, samples: 12_000, seed: 1 };
/// Remedies that keep an epoch of their own at first when others are folded.
const UNFOLDED: usize = 2;

/// Whether a finding is an answer of the unit that may be left out of the sum at need: no part of the complaint, and no work done.
fn may_be_set_aside(found: &Understood) -> bool {
    found.number > 0 && matches!(found.meaning, Meaning::Answer { .. })
}

/// Whether complaint or findings are about what a board gives by itself, so that it has to be worked out.
fn listens(rules: &Rules, findings: &[Understood], open: &[super::understand::OneOf]) -> bool {
    let found = findings.iter().filter_map(|f| match f.meaning {
        Meaning::Answer { check, .. } => Some(check),
        _ => None,
    });
    let mut all = found.chain(open.iter().flatten().map(|(check, _)| *check));
    all.any(|check| word_of(rules.check(check)).is_some())
}

impl Model {
    /// Builds the model of a job.
    ///
    /// # Errors
    /// Names on the card that the rules don't know, answers that no check has, readings that can't be
    /// read; all of them, each with its place on the card.
    pub fn of(rules: &Rules, job: &JobCard, circuit: Option<&Circuit<'_>>) -> Result<Self, Complaints> {
        let mut complaints = Complaints::default();
        let in_play = packs_in_play(rules, circuit, job, &mut complaints);
        let findings = understand(rules, circuit, job, &mut complaints);
        let open = perhaps(rules, job, &findings, &mut complaints);
        check_names(rules, circuit, job, &mut complaints);
        complaints.or_ok(())?;
        let remedies = findings.iter().map(|f| f.epoch).max().unwrap_or(0);
        let mut folds = vec![0, remedies.saturating_sub(UNFOLDED), remedies];
        folds.dedup();
        let engine =
            |e: BeliefError| Complaint::nowhere("engine", format!("the findings can't be weighed: {e}"));
        let quick = folds.iter().filter(|folded| **folded < remedies).map(|folded| (*folded, QUICK));
        // The earliest answers are set aside where all of them together are too tangled.
        let answers = findings.iter().filter(|f| may_be_set_aside(f)).count();
        let fewer = [2, 4, 8, answers].map(|part| answers - answers / part.max(1));
        let fewer =
            fewer.into_iter().filter(|aside| *aside > 0).map(|aside| (remedies, aside, Limits::default()));
        let all = quick.chain([(remedies, Limits::default()), (remedies, LONG)]);
        let all = all.map(|(folded, limits)| (folded, 0, limits));
        let mut cost = LONG.log2_cost;
        for (folded, aside, limits) in all.chain(fewer) {
            match Self::attempt(rules, circuit, job, (&in_play, &findings, &open), (folded, aside), limits) {
                Err(BeliefError::TooCostly { log2_cost }) => cost = log2_cost,
                result => return result.map_err(|e| engine(e).into()),
            }
        }
        Err(engine(BeliefError::TooCostly { log2_cost: cost }).into())
    }

    /// The model with so many of the first remedies folded, and so many of the earliest answers set aside.
    fn attempt(
        rules: &Rules,
        circuit: Option<&Circuit<'_>>,
        job: &JobCard,
        (in_play, findings, open): (&[bool], &[Understood], &[super::understand::OneOf]),
        (folded, set_aside): (usize, usize),
        limits: Limits,
    ) -> Result<Self, BeliefError> {
        let mut findings = findings.to_vec();
        let listens = circuit.is_some() && listens(rules, &findings, open);
        let mut builder = Builder::new(rules, circuit, &job.card, in_play.to_vec(), folded, listens);
        let mut evidence = builder.build(circuit, &mut findings, open);
        for found in findings.iter_mut().filter(|f| may_be_set_aside(f)).take(set_aside) {
            if let Some(node) = found.node.take() {
                evidence.retain(|f| f.check != node);
            }
        }
        let readings = builder.readings(&findings);
        let own = |m: &Meaning| matches!(m, Meaning::Circuit { check, .. } if check.by_itself());
        let listens = listens || findings.iter().any(|f| own(&f.meaning));
        let scores = circuit.and_then(|c| c.scores(&builder.on_board(), &readings)).map(Arc::new);
        let Builder { graph, faults, present, now, mut conditions, in_play, told, by_board, .. } = builder;
        by_board.into_iter().for_each(|(id, node)| {
            conditions.entry(id).or_insert(node);
        });
        let graph = Arc::new(graph);
        let build = |scores| Belief::build(Arc::clone(&graph), &evidence, scores, limits);
        let belief = match (build(scores.clone()), scores) {
            (Err(BeliefError::TooCostly { .. }), Some(scores)) => {
                let priors: Vec<f64> = faults.iter().map(|f| f.prior).collect();
                build(Some(Arc::new(widened(&scores, &priors))))?
            }
            (result, _) => result?,
        };
        Ok(Self {
            faults,
            present,
            findings,
            now,
            conditions,
            in_play,
            told,
            listens,
            readings,
            folded,
            set_aside,
            belief,
        })
    }

    /// What would be believed with other scores of the board's readings; `None` where that can't be weighed.
    pub(super) fn rescored(&self, scores: Option<SetScores>) -> Option<Belief> {
        let all = self.faults.len();
        // Once the scores had to be widened to all faults, they have to be again.
        let wide = self.belief.sets().is_some_and(|s| s.faults.len() == all);
        let priors = || self.faults.iter().map(|f| f.prior).collect::<Vec<f64>>();
        let scores = scores.map(|s| Arc::new(if wide { widened(&s, &priors()) } else { s }));
        self.belief.with_sets(scores).ok()
    }

    /// Index of the fault that no rule knows.
    pub fn unlisted(&self) -> belief::FaultId {
        belief::FaultId(self.faults.len() - 1)
    }

    /// The engine's index of a fault's text id.
    pub fn fault(&self, id: &str) -> Option<belief::FaultId> {
        self.faults.iter().position(|f| f.id == id).map(belief::FaultId)
    }

    /// Probability that a fault is there now.
    pub fn there_now(&self, fault: belief::FaultId) -> f64 {
        match self.present[fault.0] {
            belief::Cause::Fault(f) => self.belief.fault(f).unwrap_or(0.0),
            belief::Cause::Condition(c) => {
                self.belief.condition(c).unwrap_or_else(|| self.belief.fault(fault).unwrap_or(0.0))
            }
        }
    }

    /// The first epoch in which the unit was as it is now: since then no remedy has changed anything.
    pub fn since(&self) -> usize {
        let changed = |f: &&Understood| matches!(f.meaning, Meaning::Tried { retest, .. } if retest != Retest::NoChange);
        self.findings.iter().filter(changed).map(|f| f.epoch).max().unwrap_or(0)
    }

    /// The last retest, if the last remedy tried came after every other finding of a fault.
    pub fn last_retest(&self) -> Option<(&RemedyRef, Retest)> {
        self.findings.iter().rev().find_map(|f| match &f.meaning {
            Meaning::Tried { remedy, retest } => Some((remedy, *retest)),
            _ => None,
        })
    }
}
