//! The next step on a job: the planning problem of this unit, and the planner's answer in bench words.

use super::bins::{SLIP, again, bins};
use super::build::{BOARD_FIX_SUCCESS, PARTIAL_NOTICED};
use super::circuit::by_ear;
use super::diagnosis::{Diagnosis, RemedyOffer, board_check_says};
use super::model::{FaultOrigin, Meaning, RemedyRef, Retest, Understood};
use crate::belief::{FaultId, Given};
use crate::circuit::predict::{CheckId as BoardCheck, Ear, Foresight, Observed, Prediction};
use crate::plan::{
    self, Check as PlanCheck, CheckIx, Decision, Draft, FaultIx, Hypothesis, Lump, Price, Problem, Reason,
    RemedyIx, SetupIx, Standing, State, Step, Stop, Strategy, Switching, Tariff, ToolIx,
};
use crate::rules::{self, History, Needs, Power, Taking, Tool, Way};
use crate::text::{Complaint, Complaints};
use crate::units::{Minutes, Probability, show};
use serde::Serialize;
use std::collections::BTreeMap;

/// How many faults the planner looks at, and how many sets of them.
const FAULTS: usize = 48;
/// The same on an outline, whose slips may be anywhere.
const FAULTS_OF_UNIT: usize = 110;
const PAIRED: usize = 18;
const SETS: usize = 160;

/// Minutes to switch a unit on, and to switch it off and let it discharge.
const SWITCHING: Switching = Switching { on: 0.3, off: 0.7 };
/// Minutes that any step takes beside its own: reading what to do, noting the answer (common practice, no source).
const HANDLING: f64 = 0.1;
/// Minutes that a unit takes whose fault is not on the list: handing it on, or finding it by other means (common practice, no source).
pub const FALLBACK_MINUTES: f64 = 240.0;

/// A check as a step.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct CheckStep {
    /// Check id: what is noted.
    pub id: String,
    /// `ask`, `look`, `listen`, `measure` or `try`.
    pub kind: String,
    /// Short name.
    pub says: String,
    /// What to do.
    pub text: String,
    /// Where on the unit, if it is said.
    #[serde(rename = "where")]
    pub place: Option<String>,
    /// Unit of the reading, if it is one.
    pub unit: Option<String>,
    /// The words that answer it, the normal one first. A check with a unit also takes a reading, and may have no words at all.
    pub answers: Vec<String>,
    /// The healthy reading, if it is said.
    pub healthy: Option<String>,
    /// Tools needed.
    pub needs: Vec<String>,
    /// Supply state needed: `off`, `on`, `brief`, `any`.
    pub power: String,
    /// Minutes it takes, preparations included.
    pub minutes: f64,
    /// Cautions in words.
    pub cautions: Vec<String>,
}

impl CheckStep {
    /// Whether it is done with a meter or the like (or is a reading on the board), so that a bare number is a reading and
    /// never the number of an answer.
    pub fn is_measured(&self) -> bool {
        self.unit.is_some() || self.kind == rules::Kind::Measure.name() || self.id.contains(':')
    }

    /// The answers that are words.
    pub fn words(&self) -> Vec<String> {
        self.answers.clone()
    }
}

/// Another step that was on offer.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct AlternativeStep {
    /// `check` or `remedy`.
    pub action: String,
    /// Check id, or `try:REMEDY`.
    pub id: String,
    /// Short name.
    pub says: String,
    /// Information it is expected to give, in bits.
    pub bits: f64,
    /// Minutes to a mended unit when it is taken first.
    pub expected_minutes: f64,
}

/// The next step.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Proposal {
    /// `check`, `remedy` or `done`.
    pub action: String,
    /// The check, for `check`.
    pub check: Option<CheckStep>,
    /// The remedy, for `remedy`.
    pub remedy: Option<RemedyOffer>,
    /// Why to stop, for `done`.
    pub done: Option<String>,
    /// Why this step, the weightiest reason first.
    pub why: Vec<String>,
    /// Information it is expected to give, in bits.
    pub bits: f64,
    /// Minutes to a mended unit, this step included.
    pub expected_minutes: f64,
    /// Money for parts and carriage to a mended unit, in the currency's main unit.
    pub expected_money: f64,
    /// Other steps, the best first.
    pub alternatives: Vec<AlternativeStep>,
}

/// On what terms the next step is planned.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Terms {
    /// What counts as cost: minutes, money or both at a labour rate.
    pub tariff: Tariff,
}

/// The way out: a unit handed on to somebody else, in minutes and money (hundredths).
const HANDED_ON: Lump = Lump { minutes: FALLBACK_MINUTES, money: 6_000 };
/// A unit that comes back because it was called healthy and is not.
const COMES_BACK: Lump = Lump { minutes: 300.0, money: 8_000 };

/// The planner's problem with the names of its parts.
pub(crate) struct Planning {
    /// What the planner sees.
    pub problem: Problem,
    /// Where the bench stands.
    pub state: State,
    checks: Vec<BenchCheck>,
    remedies: Vec<RemedyRef>,
    setups: Vec<rules::SetupId>,
    faults: Vec<FaultId>,
}

/// A check on the planner's list.
#[derive(Clone, Debug, PartialEq)]
enum BenchCheck {
    /// One of the rules.
    Rule(rules::CheckId),
    /// A reading on the board.
    Board(BoardCheck),
}

/// A fault set with what the planner needs of it.
struct Considered {
    hypothesis: Hypothesis,
    given: Given,
    /// What the board reads with the set in, where there is a board and it settles.
    reads: Option<Prediction>,
}

/// Checks that are expected to tell less than this, in bits, are not offered.
const LEAST_BITS: f64 = 0.03;
/// Information below this, in bits, is not named as a reason.
const NO_BITS: f64 = 0.015;
/// Work that did not help is offered once more where something found since makes its fault this likely.
const WORTH_REDOING: f64 = 0.5;
/// Nets whose ohms to ground are offered as checks from the start: the first of the signal path, where the supplies are. Of the others
/// those follow at which something was read: there the ohmmeter tells a short from a break before anything is unsoldered.
const OHMS_NETS: usize = 6;

impl Planning {
    /// The check's or remedy's id as it is written on a card; none for a stop.
    pub(crate) fn id(&self, diagnosis: &Diagnosis<'_>, step: &Step) -> Option<String> {
        match step {
            Step::Check(ix) => self.checks.get(ix.0).map(|c| diagnosis.named(c).0),
            Step::Remedy(ix) => self.remedies.get(ix.0).map(|r| diagnosis.offer(r).id),
            Step::Done(_) => None,
        }
    }

    /// The remedy of an index.
    pub(crate) fn remedy(&self, ix: RemedyIx) -> Option<&RemedyRef> {
        self.remedies.get(ix.0)
    }

    /// The step that a card's check id or `try:REMEDY` names, if it is on offer.
    pub(crate) fn step(&self, diagnosis: &Diagnosis<'_>, id: &str) -> Option<Step> {
        let checks = (0..self.checks.len()).map(|i| Step::Check(CheckIx(i)));
        let remedies = (0..self.remedies.len()).map(|i| Step::Remedy(RemedyIx(i)));
        checks.chain(remedies).find(|s| self.id(diagnosis, s).as_deref() == Some(id))
    }

    /// The checks that can be done, as somebody goes down a list who looks before measuring and measures cold before hot:
    /// questions, looks, sound, ohms, supply currents, volts, levels, and what has to be changed to see what happens.
    pub(crate) fn checklist(&self, diagnosis: &Diagnosis<'_>) -> Vec<CheckIx> {
        let class = |ix: &CheckIx| match &self.checks[ix.0] {
            BenchCheck::Rule(id) => match diagnosis.rules.check(*id).kind {
                rules::Kind::Ask => 0,
                rules::Kind::Look => 1,
                rules::Kind::Listen => 2,
                rules::Kind::Measure if !self.problem.checks()[ix.0].price.power.is_powered() => 3,
                rules::Kind::Measure => 6,
                rules::Kind::Try => 9,
            },
            BenchCheck::Board(BoardCheck::Ohms(_)) => 4,
            BenchCheck::Board(BoardCheck::Amps(_)) => 5,
            BenchCheck::Board(BoardCheck::Volts(_)) => 7,
            BenchCheck::Board(_) => 8,
        };
        let mut out: Vec<CheckIx> = (0..self.checks.len()).map(CheckIx).collect();
        out.sort_by_key(|c| (class(c), *c));
        out
    }
}

impl Diagnosis<'_> {
    /// The next step. `count` alternatives come with it.
    ///
    /// # Errors
    /// When the planning problem can't be set up; this is a defect of the rules.
    pub fn next(&self, count: usize) -> Result<Proposal, Complaints> {
        self.next_on(count, &Terms::default())
    }

    /// The next step where money counts.
    ///
    /// # Errors
    /// As [`Diagnosis::next`].
    pub fn next_on(&self, count: usize, terms: &Terms) -> Result<Proposal, Complaints> {
        let bench = self.planning(terms)?;
        let decision = self.decide(&bench, &plan::Plain::default());
        Ok(self.proposal(&bench, &decision, count))
    }

    /// What a strategy says to do, with a moment's power put before the first full power of a unit that may have been put
    /// together wrongly.
    pub(crate) fn decide(&self, bench: &Planning, strategy: &dyn Strategy) -> Decision {
        let wanted = strategy.next(&bench.problem, &bench.state);
        let power = match &wanted.step {
            Step::Check(ix) => bench.problem.checks().get(ix.0).map(|c| c.price.power),
            Step::Remedy(ix) => bench.problem.remedies().get(ix.0).map(|r| r.price.power),
            Step::Done(_) => None,
        };
        let first = power == Some(plan::Power::On) && self.gates_apply() && !self.has_been_powered();
        let Some(brief) = first.then(|| self.brief_check(bench)).flatten() else { return wanted };
        Decision {
            bits: bench.problem.check_bits(brief),
            probability_gained: bench.problem.leader_gain(brief),
            reasons: vec![Reason::BriefPowerFirst],
            step: Step::Check(brief),
            ..wanted
        }
    }

    /// Whether a finding says that the unit was powered on the bench.
    fn has_been_powered(&self) -> bool {
        self.model.findings.iter().filter(|f| f.number > 0).any(|f| match &f.meaning {
            Meaning::Answer { check, .. } => {
                matches!(self.rules.check(*check).power, Power::On | Power::Brief)
            }
            Meaning::Circuit { check, .. } => check.powered(),
            Meaning::Tried { .. } => true,
            Meaning::Unsure { .. } | Meaning::Kept | Meaning::Wiring { .. } => false,
        })
    }

    /// The check to take under a moment's power: through a limited supply where one is at hand, else the quickest.
    fn brief_check(&self, bench: &Planning) -> Option<CheckIx> {
        let brief = |c: &CheckIx| {
            let check = &bench.problem.checks()[c.0];
            let fit = matches!(check.standing, Standing::Open | Standing::RuledOut)
                && check.kind != plan::Kind::Try;
            fit && check.price.power == plan::Power::Brief
                && bench.problem.may_power(&check.price, &bench.state)
        };
        let limited = |c: &CheckIx| match &bench.checks[c.0] {
            BenchCheck::Rule(id) => self.rules.check(*id).tools.contains(&Tool::LimitedSupply),
            BenchCheck::Board(_) => false,
        };
        let minutes =
            |c: &CheckIx| bench.problem.pay(&bench.problem.checks()[c.0].price, &bench.state).0.minutes;
        let all = (0..bench.checks.len()).map(CheckIx).filter(brief);
        all.min_by(|a, b| {
            (!limited(a)).cmp(&!limited(b)).then(minutes(a).total_cmp(&minutes(b))).then(a.cmp(b))
        })
    }

    /// The planning problem of this job as it now stands.
    pub(crate) fn planning(&self, terms: &Terms) -> Result<Planning, Complaints> {
        let faults = self.leading();
        let on_board = self.open_board_checks();
        let sets = self.weighted_sets(&faults, &on_board);
        let setups: Vec<rules::SetupId> = self.rules.setups().map(|(id, _)| id).collect();
        let mut checks: Vec<BenchCheck> = self.model.now.keys().copied().map(BenchCheck::Rule).collect();
        let mut plan_checks: Vec<PlanCheck> =
            self.model.now.keys().map(|c| self.plan_check(*c, &sets, &setups)).collect();
        for check in on_board {
            if let Some(planned) = self.plan_board_check(&check, &sets, &setups) {
                checks.push(BenchCheck::Board(check));
                plan_checks.push(planned);
            }
        }
        let remedies = self.remedies_of(&faults);
        let draft = Draft {
            faults: faults
                .iter()
                .map(|f| plan::Fault {
                    unlisted: self.model.faults[f.0].origin == FaultOrigin::Unlisted,
                    stage: self.stage_of(*f),
                    site: self.site_of(*f, &faults),
                })
                .collect(),
            hypotheses: sets.iter().map(|s| s.hypothesis.clone()).collect(),
            checks: plan_checks,
            remedies: remedies.iter().map(|r| self.plan_remedy(r, &faults, &sets, &setups)).collect(),
            setups: setups.iter().map(|s| self.setup_minutes(*s)).collect(),
            switching: SWITCHING,
            fallback: HANDED_ON,
            comeback: COMES_BACK,
            tariff: terms.tariff,
        };
        let problem = self.worth_asking(draft)?;
        Ok(Planning { problem, state: self.state(&setups), checks, remedies, setups, faults })
    }

    /// The problem without the checks that tell next to nothing: they would only be asked for being cheap, one after the other.
    fn worth_asking(&self, draft: Draft) -> Result<Problem, Complaints> {
        let planned = |draft| {
            Problem::new(draft).map_err(|e| {
                Complaints::from(Complaint::nowhere("engine", format!("the next step can't be planned: {e}")))
            })
        };
        let problem = planned(draft)?;
        // Questions of packs alone are the trade's own small talk; a board's many readings and an outline's many spots need thinning out.
        if self.circuit.is_none() && !self.rules.is_of_unit() {
            return Ok(problem);
        }
        let dull: Vec<usize> = problem
            .checks()
            .iter()
            .enumerate()
            .filter(|(i, c)| {
                c.standing == Standing::Open && !c.gate && problem.check_bits(CheckIx(*i)) < LEAST_BITS
            })
            .map(|(i, _)| i)
            .collect();
        let mut draft = problem.draft().clone();
        for i in dull {
            draft.checks[i].standing = Standing::RuledOut;
        }
        planned(draft)
    }

    fn setup_minutes(&self, id: rules::SetupId) -> f64 {
        let setup = self.rules.setup(id);
        match self.job.card.history.value {
            History::FreshBuild => setup.fresh.get(),
            History::WorkedBefore | History::AfterChange => setup.minutes.get(),
        }
    }

    fn stage_of(&self, fault: FaultId) -> Option<u32> {
        let part = self.model.faults[fault.0].part.as_deref()?;
        self.circuit.as_ref()?.stages().of_part(part)
    }

    /// The part that a fault of the board sits in, or the spot of the outline, as a number of this problem.
    fn site_of(&self, fault: FaultId, faults: &[FaultId]) -> Option<u32> {
        let owner = |f: &FaultId| {
            let entry = &self.model.faults[f.0];
            match entry.origin {
                FaultOrigin::Board(_) => entry.part.as_deref(),
                FaultOrigin::Rule(_) => entry.spot(),
                FaultOrigin::Unlisted => None,
            }
        };
        let own = owner(&fault)?;
        faults.iter().position(|f| owner(f) == Some(own)).map(|i| i as u32)
    }

    /// The faults worth planning for: those that the findings made likelier, and the likeliest.
    fn leading(&self) -> Vec<FaultId> {
        let mut list: Vec<(FaultId, f64)> = (0..self.model.faults.len())
            .map(FaultId)
            .map(|f| {
                let now = self.model.there_now(f);
                let gain = now - self.model.faults[f.0].prior;
                (f, now.max(0.0) * if gain > 1e-9 { 1.0 } else { 0.02 })
            })
            .filter(|(_, p)| *p > 1e-6)
            .collect();
        list.sort_by(|a, b| b.1.total_cmp(&a.1).then(a.0.cmp(&b.0)));
        list.truncate(if self.rules.is_of_unit() { FAULTS_OF_UNIT } else { FAULTS });
        let mut out: Vec<FaultId> = list.into_iter().map(|(f, _)| f).collect();
        if !out.contains(&self.model.unlisted()) {
            out.push(self.model.unlisted());
        }
        out.sort_unstable();
        out
    }

    /// Whether a check of the board is among those that are offered: ohms where the supplies are, levels where there is one.
    pub(crate) fn is_usual(&self, check: &BoardCheck) -> bool {
        let Some(circuit) = &self.circuit else { return false };
        match check {
            BoardCheck::Ohms(net) => {
                let read = |c: &BoardCheck| !matches!(c, BoardCheck::Amps(_)) && c.place() == net;
                circuit.board().nets().iter().take(OHMS_NETS).any(|n| n == net)
                    || self.model.readings.iter().flat_map(|e| &e.findings).any(|(_, c, _)| read(c))
            }
            BoardCheck::Level(net) => circuit.carries(net),
            BoardCheck::Volts(_) | BoardCheck::Amps(_) => true,
            BoardCheck::Hertz(_) | BoardCheck::Swing(_) | BoardCheck::Noise(_) => {
                self.own_checks().contains(check)
            }
        }
    }

    /// The checks of what the board does by itself, where the job is about that.
    fn own_checks(&self) -> Vec<BoardCheck> {
        match &self.circuit {
            Some(circuit) if self.model.listens => circuit.own_checks(),
            _ => Vec::new(),
        }
    }

    /// How a reading on the board is taken with these tools; nothing where they won't do.
    fn way_of(&self, check: &BoardCheck, tools: &[Tool]) -> Option<(&'static Taking, &'static Way)> {
        let taking = rules::taking(check.word())?;
        Some((taking, taking.ways(tools, self.rate_for(check)).first().copied()?))
    }

    /// The same with the tools at hand, or with any where a reading was taken all the same.
    fn any_way_of(&self, check: &BoardCheck) -> Option<(&'static Taking, &'static Way)> {
        self.way_of(check, &self.job.card.tools()).or_else(|| self.way_of(check, Tool::ALL))
    }

    /// The rate of the board's own swing, where it matters to how a reading is taken.
    fn rate_for(&self, check: &BoardCheck) -> Option<f64> {
        self.circuit.as_ref().filter(|_| check.by_itself())?.own_rate()
    }

    /// The checks of the board that are still open and can be done with the tools at hand.
    pub(super) fn open_board_checks(&self) -> Vec<BoardCheck> {
        let Some(circuit) = &self.circuit else { return Vec::new() };
        let tools = self.job.card.tools();
        let last = self.model.readings.last();
        circuit
            .checks()
            .into_iter()
            .chain(self.own_checks())
            .filter(|check| self.way_of(check, &tools).is_some())
            .filter(|check| self.is_usual(check))
            .filter(|check| !last.is_some_and(|e| e.findings.iter().any(|(_, c, _)| c == check)))
            .filter(|check| self.times_read(check) < 2)
            .filter(|check| !self.is_left_out_on_board(check))
            .collect()
    }

    /// How often a reading was taken on the unit as it now is.
    fn times_read(&self, check: &BoardCheck) -> usize {
        let since = self.model.since();
        let same = |m: &Meaning| matches!(m, Meaning::Circuit { check: c, .. } if c == check);
        self.model.findings.iter().filter(|f| f.epoch >= since && same(&f.meaning)).count()
    }

    /// The last reading of a check on the unit as it now is.
    fn earlier(&self, check: &BoardCheck) -> Option<&Observed> {
        let since = self.model.since();
        self.model.findings.iter().rev().filter(|f| f.epoch >= since).find_map(|f| match &f.meaning {
            Meaning::Circuit { check: c, observed } if c == check => Some(observed),
            _ => None,
        })
    }

    /// Fault sets over the leading faults with their weights, what is left out of them being spread over all alike.
    /// Sets are those of the unit as it now is: what a remedy put right is out of them.
    fn weighted_sets(&self, faults: &[FaultId], on_board: &[BoardCheck]) -> Vec<Considered> {
        let mut sets: Vec<(Vec<usize>, f64, Given)> = Vec::new();
        let given = self.model.belief.many_given();
        let consider = |members: &[usize], sets: &mut Vec<(Vec<usize>, f64, Given)>| {
            let ids: Vec<FaultId> = members.iter().map(|i| faults[*i]).collect();
            let given = given.of(&ids);
            let odds: f64 =
                ids.iter().map(|f| self.model.faults[f.0].prior).map(|p| (p / (1.0 - p)).ln()).sum();
            let weight = odds + given.log_likelihood + self.circuit_log_likelihood(&ids, &given);
            if weight > f64::NEG_INFINITY {
                sets.push((members.to_vec(), weight, given));
            }
        };
        consider(&[], &mut sets);
        (0..faults.len()).for_each(|i| consider(&[i], &mut sets));
        let mut singles: Vec<(usize, f64)> =
            sets.iter().filter(|s| s.0.len() == 1).map(|s| (s.0[0], s.1)).collect();
        singles.sort_by(|a, b| b.1.total_cmp(&a.1).then(a.0.cmp(&b.0)));
        let top: Vec<usize> = singles.iter().take(PAIRED).map(|s| s.0).collect();
        for (n, i) in top.iter().enumerate() {
            for j in &top[n + 1..] {
                consider(&[*i.min(j), *i.max(j)], &mut sets);
            }
        }
        drop_superfluous(&mut sets, |i| {
            let prior = self.model.faults[faults[i].0].prior;
            (prior / (1.0 - prior)).ln()
        });
        // A unit that failed its last retest has something wrong.
        if self.model.last_retest().is_some_and(|(_, retest)| retest != Retest::Cured) {
            sets.retain(|(members, _, given)| members.iter().any(|i| self.still_there(faults[*i], given)));
        }
        sets.sort_by(|a, b| b.1.total_cmp(&a.1).then_with(|| a.0.cmp(&b.0)));
        sets.truncate(SETS);
        let best = sets.first().map_or(0.0, |s| s.1);
        let total: f64 = sets.iter().map(|s| (s.1 - best).exp()).sum();
        // Sets of next to no weight are not worth solving the board for.
        let worth = |weight: f64| (weight - best).exp() / total > 1e-4;
        let foresight = self.foresight(on_board);
        sets.into_iter()
            .map(|(members, weight, given)| {
                let there: Vec<usize> =
                    members.into_iter().filter(|i| self.still_there(faults[*i], &given)).collect();
                let ids: Vec<FaultId> = there.iter().map(|i| faults[*i]).collect();
                Considered {
                    reads: worth(weight).then(|| self.reads(&ids, on_board, &foresight)).flatten(),
                    hypothesis: Hypothesis {
                        faults: there.into_iter().map(FaultIx).collect(),
                        weight: (weight - best).exp() / total,
                    },
                    given,
                }
            })
            .collect()
    }

    fn board_names(&self, faults: &[FaultId]) -> Vec<&str> {
        let on_board = |f: &&FaultId| matches!(self.model.faults[f.0].origin, FaultOrigin::Board(_));
        faults.iter().filter(on_board).map(|f| self.model.faults[f.0].id.as_str()).collect()
    }

    fn reads(&self, faults: &[FaultId], checks: &[BoardCheck], foresight: &Foresight) -> Option<Prediction> {
        let mut all = checks.to_vec();
        all.extend(foresight.taken().filter(|c| !checks.contains(c)).cloned());
        Some(foresight.apply(self.circuit.as_ref()?.outline(&self.board_names(faults), &all)?))
    }

    /// What the readings of the unit as it now is say of those still to be taken.
    fn foresight(&self, checks: &[BoardCheck]) -> Foresight {
        let since = self.model.since();
        let now = self.model.readings.iter().skip(since).flat_map(|e| &e.findings);
        let now: Vec<_> = now.map(|(_, c, o)| (c.clone(), *o)).collect();
        self.circuit.as_ref().map_or_else(Foresight::default, |c| c.foresight(&now, checks))
    }

    /// Natural logarithm of the likelihood of the board's readings with exactly these faults. After work that did not help, those
    /// are there that the other findings leave there.
    fn circuit_log_likelihood(&self, faults: &[FaultId], given: &Given) -> f64 {
        let Some(circuit) = &self.circuit else { return 0.0 };
        let taken = self.model.readings.iter().filter(|e| !e.findings.is_empty());
        let of_board = |f: &&FaultId| matches!(self.model.faults[f.0].origin, FaultOrigin::Board(_));
        let on_board: Vec<FaultId> = faults.iter().filter(of_board).copied().collect();
        let failed: Vec<FaultId> = on_board.iter().copied().filter(|f| self.still_there(*f, given)).collect();
        taken
            .map(|epoch| {
                let there = epoch.there(&on_board, &failed);
                let findings: Vec<_> = epoch.findings.iter().map(|(_, c, o)| (c.clone(), *o)).collect();
                circuit.log_likelihood(&self.board_names(&there), &findings).unwrap_or(f64::NEG_INFINITY)
            })
            .sum()
    }

    /// A reading on the board as the planner sees it: a level by ear in four answers, else the reading in bins.
    fn plan_board_check(
        &self,
        check: &BoardCheck,
        sets: &[Considered],
        setups: &[rules::SetupId],
    ) -> Option<PlanCheck> {
        let circuit = self.circuit.as_ref()?;
        let healthy = circuit.predict(&[], std::slice::from_ref(check))?;
        let usual = healthy.get(check)?;
        let of = |s: &Considered| s.reads.as_ref().and_then(|r| r.get(check).cloned());
        let (outcomes, likelihood) = match (check, self.earlier(check)) {
            // A level that was measured in decibels is not judged by ear afterwards.
            (BoardCheck::Level(_), Some(Observed::Read(_))) => return None,
            (BoardCheck::Level(_), earlier) => {
                let heard = match earlier {
                    Some(Observed::Heard(ear)) => Ear::ALL.iter().position(|(_, e)| e == ear),
                    _ => None,
                };
                let rows = sets.iter().flat_map(|s| {
                    let row = of(s).map_or([0.25; 4], |p| by_ear(&p, usual));
                    again(&row.map(|x| SLIP / 4.0 + (1.0 - SLIP) * x), heard, SLIP / 4.0)
                });
                (4, rows.collect())
            }
            (_, earlier) => {
                let seen = match earlier {
                    Some(Observed::Read(reading)) => Some(check.scaled(check.figure(reading))),
                    _ => None,
                };
                bins(&sets.iter().map(|s| (s.hypothesis.weight, of(s))).collect::<Vec<_>>(), usual, seen)
            }
        };
        let (taking, way) = self.way_of(check, &self.job.card.tools())?;
        // The first current that a new build draws is read in a moment, the finger on the switch.
        let first = matches!(check, BoardCheck::Amps(_)) && self.gates_apply() && !self.has_been_powered();
        let power = if first { Power::Brief } else { taking.power };
        let rigs: Vec<rules::SetupId> =
            way.setup.iter().filter_map(|id| self.rules.find_setup(id).ok()).collect();
        Some(PlanCheck {
            price: self.price(taking.minutes.get() + HANDLING, 0, &rigs, power, setups),
            kind: if matches!(check, BoardCheck::Level(_)) {
                plan::Kind::Listen
            } else {
                plan::Kind::Measure
            },
            outcomes,
            likelihood,
            position: match check {
                BoardCheck::Level(net) => circuit.stages().position(net),
                _ => None,
            },
            stage: circuit.stages().of_net(check.place()),
            ..PlanCheck::default()
        })
    }

    fn still_there(&self, fault: FaultId, given: &Given) -> bool {
        match self.model.present[fault.0] {
            crate::belief::Cause::Fault(_) => true,
            crate::belief::Cause::Condition(c) => given.conditions.get(c.0).is_none_or(|p| *p > 0.5),
        }
    }

    fn plan_check(&self, id: rules::CheckId, sets: &[Considered], setups: &[rules::SetupId]) -> PlanCheck {
        let check = self.rules.check(id);
        let tools = self.job.card.tools();
        let missing = check.tools.iter().find(|t| !tools.contains(t));
        let standing = match missing {
            _ if self.is_taken(id) || self.is_moot(id) => Standing::Taken,
            Some(tool) => Standing::NeedsTool(ToolIx(tool_index(*tool))),
            None => Standing::Open,
        };
        let node = self.model.now.get(&id).copied();
        let mut likelihood = Vec::with_capacity(sets.len() * check.answers.len());
        if let Some(node) = node {
            for set in sets {
                let answers = self.model.belief.expected_answers(&set.given, node);
                let total: f64 = answers.iter().sum();
                likelihood.extend(answers.iter().map(|p| p / total));
            }
        }
        PlanCheck {
            price: self.price(check.minutes.get() + HANDLING, 0, &check.setup, check.power, setups),
            kind: match check.kind {
                rules::Kind::Ask => plan::Kind::Ask,
                rules::Kind::Look => plan::Kind::Look,
                rules::Kind::Listen => plan::Kind::Listen,
                rules::Kind::Measure => plan::Kind::Measure,
                rules::Kind::Try => plan::Kind::Try,
            },
            gate: check.gate && self.gates_apply() && !self.was_answered(id),
            standing,
            outcomes: check.answers.len(),
            likelihood,
            position: None,
            stage: None,
        }
    }

    fn price(
        &self,
        minutes: f64,
        money: i64,
        needed: &[rules::SetupId],
        power: Power,
        setups: &[rules::SetupId],
    ) -> Price {
        let place = |s: &rules::SetupId| setups.iter().position(|x| x == s).map(SetupIx);
        Price {
            minutes,
            money,
            setups: needed.iter().filter_map(place).collect(),
            power: match power {
                Power::Off => plan::Power::Off,
                Power::On => plan::Power::On,
                Power::Brief => plan::Power::Brief,
                Power::Any => plan::Power::Any,
            },
        }
    }

    fn remedies_of(&self, faults: &[FaultId]) -> Vec<RemedyRef> {
        let mut out: Vec<RemedyRef> =
            faults.iter().flat_map(|f| self.model.faults[f.0].remedies.iter().cloned()).collect();
        out.sort_unstable();
        out.dedup();
        out
    }

    fn plan_remedy(
        &self,
        remedy: &RemedyRef,
        faults: &[FaultId],
        sets: &[Considered],
        setups: &[rules::SetupId],
    ) -> plan::Remedy {
        let tools = self.job.card.tools();
        let same = |m: &Meaning| matches!(m, Meaning::Tried { remedy: r, .. } if r == remedy);
        let times = self.model.findings.iter().filter(|f| same(&f.meaning)).count();
        let last = self.model.findings.iter().rposition(|f| same(&f.meaning));
        let tells = |m: &Meaning| matches!(m, Meaning::Answer { .. } | Meaning::Circuit { .. });
        let news = last.is_some_and(|i| self.model.findings[i..].iter().any(|f| tells(&f.meaning)));
        // Work that did not help is done once more where what was found since points there.
        let cures = |f: &FaultIx| self.model.faults[faults[f.0].0].remedies.contains(remedy);
        let left = || sets.iter().map(|s| &s.hypothesis).filter(|h| h.faults.iter().any(cures));
        let again = || left().map(|h| h.weight).sum::<f64>() > WORTH_REDOING;
        let tried = times > 1 || (times == 1 && !(news && again()));
        let offer = self.offer(remedy);
        let by_hand = match remedy {
            RemedyRef::Rule(id) => self.rules.remedy(*id).by_hand,
            RemedyRef::Board(_) => false,
        };
        let (rigs, power, success, missing) = match remedy {
            RemedyRef::Rule(id) => {
                let rule = self.rules.remedy(*id);
                // Whoever mends a unit finds an iron and the part; other tools must be at hand.
                let missing =
                    rule.tools.iter().find(|t| !tools.contains(t) && !matches!(t, Tool::Iron | Tool::Spares));
                (rule.setup.clone(), rule.power, rule.success.get(), missing.copied())
            }
            RemedyRef::Board(_) => {
                (self.rules.find_setup("open-box").into_iter().collect(), Power::Off, BOARD_FIX_SUCCESS, None)
            }
        };
        let left_out = self.is_left_out(&offer.id);
        plan::Remedy {
            price: self.price(offer.minutes, (offer.money * 100.0).round() as i64, &rigs, power, setups),
            finish: Lump::default(),
            faults: faults
                .iter()
                .enumerate()
                .filter(|(_, f)| self.model.faults[f.0].remedies.contains(remedy))
                .map(|(i, _)| FaultIx(i))
                .collect(),
            success,
            partial_shows: PARTIAL_NOTICED,
            by_hand,
            standing: match missing {
                _ if tried || left_out => Standing::Taken,
                Some(tool) => Standing::NeedsTool(ToolIx(tool_index(tool))),
                None => Standing::Open,
            },
        }
    }

    /// Whether a check was answered at any time, before whatever was tried since.
    fn was_answered(&self, id: rules::CheckId) -> bool {
        let same = |m: &Meaning| matches!(m, Meaning::Answer { check, .. } if *check == id);
        self.model.findings.iter().any(|f| same(&f.meaning))
    }

    /// Whether the checks that make power safe must come first: a unit that may have been put together wrongly,
    /// unless it has been heard to run, or was read with its power on.
    fn gates_apply(&self) -> bool {
        let runs = self.model.findings.iter().any(|f| match &f.meaning {
            Meaning::Answer { check, answer, .. } => self.rules.shows_running(*check, *answer),
            Meaning::Circuit { check, .. } => check.powered() && !matches!(check, BoardCheck::Amps(_)),
            _ => false,
        });
        self.job.card.history.value != History::WorkedBefore && !runs
    }

    /// Whether a check asks for a sound that the unit as it now is cannot make, because it was found to make none, or for what
    /// becomes of a noise that nobody has noticed.
    fn is_moot(&self, check: rules::CheckId) -> bool {
        let since = self.model.since();
        let answers = |f: &Understood| match f.meaning {
            Meaning::Answer { check, answer, .. } => Some((check, answer)),
            _ => None,
        };
        let mut found = self.model.findings.iter();
        match self.rules.check(check).needs {
            Some(Needs::Sound) => {
                let mut now = found.filter(|f| f.epoch >= since).filter_map(answers);
                now.any(|(check, answer)| self.rules.shows_dead(check, answer))
            }
            Some(Needs::Noise) => {
                let open = self.job.card.complaint.iter().flat_map(|c| c.perhaps.iter().flatten());
                let mut open = open.filter_map(|s| self.rules.find_symptom(&s.value).ok());
                let noise = |(c, a)| self.rules.symptoms_of(c, a).any(|(_, s)| s.noise);
                !found.any(|f| answers(f).is_some_and(noise)) && !open.any(|s| self.rules.symptom(s).noise)
            }
            None => false,
        }
    }

    fn state(&self, setups: &[rules::SetupId]) -> State {
        let mut state = State { cured: self.cured(), ..State::default() };
        for found in &self.model.findings {
            if let Meaning::Circuit { check, .. } = &found.meaning {
                let way = self.any_way_of(check);
                let rigs = way.into_iter().flat_map(|(_, way)| &way.setup);
                for rig in rigs.filter_map(|id| self.rules.find_setup(id).ok()) {
                    if let Some(i) = setups.iter().position(|s| *s == rig) {
                        state.setups = state.setups.with(SetupIx(i));
                    }
                }
                state.powered = check.powered();
            }
            // The iron stays hot, and the box open, from one piece of work to the next.
            if let Meaning::Tried { remedy: RemedyRef::Rule(id), .. } = &found.meaning {
                for setup in &self.rules.remedy(*id).setup {
                    if let Some(i) = setups.iter().position(|s| s == setup) {
                        state.setups = state.setups.with(SetupIx(i));
                    }
                }
            }
            let Meaning::Answer { check, answer, .. } = found.meaning else { continue };
            let entry = self.rules.check(check);
            if found.number == 0 || found.node.is_none() {
                continue;
            }
            for setup in &entry.setup {
                if let Some(i) = setups.iter().position(|s| s == setup) {
                    state.setups = state.setups.with(SetupIx(i));
                }
            }
            state.held |= entry.holds_power[answer];
            match entry.power {
                Power::On => state.powered = true,
                Power::Off | Power::Brief => state.powered = false,
                Power::Any => {}
            }
        }
        state
    }

    fn proposal(&self, bench: &Planning, decision: &Decision, count: usize) -> Proposal {
        let mut out = Proposal {
            action: "done".into(),
            check: None,
            remedy: None,
            done: None,
            why: decision.reasons.iter().filter_map(|r| self.reason(bench, r)).collect(),
            bits: decision.bits,
            expected_minutes: decision.expected.minutes,
            expected_money: decision.expected.money / 100.0,
            alternatives: decision
                .alternatives
                .iter()
                .filter_map(|a| self.alternative(bench, a))
                .take(count)
                .collect(),
        };
        match &decision.step {
            Step::Check(ix) => {
                out.action = "check".into();
                let price = bench.problem.checks()[ix.0].price.clone();
                let minutes = bench.problem.pay(&price, &bench.state).0.minutes;
                out.check = Some(match &bench.checks[ix.0] {
                    BenchCheck::Rule(id) => self.check_step(*id, minutes),
                    BenchCheck::Board(check) => self.board_step(check, minutes),
                });
            }
            Step::Remedy(ix) => {
                out.action = "remedy".into();
                out.remedy = Some(self.offer_for(&bench.remedies[ix.0]));
            }
            Step::Done(stop) => out.done = Some(self.stop(bench, stop)),
        }
        out
    }

    fn alternative(&self, bench: &Planning, other: &plan::Alternative) -> Option<AlternativeStep> {
        let (action, id, says) = match &other.step {
            Step::Check(ix) => {
                let (id, says) = self.named(&bench.checks[ix.0]);
                ("check", id, says)
            }
            Step::Remedy(RemedyIx(ix)) => {
                let offer = self.offer(&bench.remedies[*ix]);
                ("remedy", offer.id, offer.text)
            }
            Step::Done(_) => return None,
        };
        Some(AlternativeStep {
            action: action.into(),
            id,
            says,
            bits: other.bits,
            expected_minutes: other.expected.minutes,
        })
    }

    fn named(&self, check: &BenchCheck) -> (String, String) {
        match check {
            BenchCheck::Rule(id) => (self.rules.check(*id).id.clone(), self.rules.check(*id).says.clone()),
            BenchCheck::Board(check) => (check.to_string(), board_check_says(check, self.board())),
        }
    }

    /// A reading on the board in bench words; `minutes` with its preparations.
    pub fn board_step(&self, check: &BoardCheck, minutes: f64) -> CheckStep {
        let place = self.circuit.as_ref().map(|c| c.board().at(check.place())).unwrap_or_default();
        let ground = self.circuit.as_ref().map(|c| c.board().ground().to_string()).unwrap_or_default();
        let healthy = self.circuit.as_ref().and_then(|c| c.expected(check)).map(|line| line.band);
        let net = check.place();
        let at_hand = self.job.card.tools();
        let (taking, way) = self.any_way_of(check).unzip();
        let cautions = taking.into_iter().flat_map(|t| &t.cautions).map(String::as_str);
        let cautions: Vec<&str> = cautions.collect();
        CheckStep {
            id: check.to_string(),
            kind: if matches!(check, BoardCheck::Level(_)) { "listen" } else { "measure" }.into(),
            says: board_check_says(check, self.board()),
            text: taking.map_or_else(String::new, |t| t.text(net, &ground, &at_hand, self.rate_for(check))),
            place: (!place.is_empty()).then_some(place),
            unit: (!matches!(check, BoardCheck::Level(_))).then(|| check.unit().symbol().to_string()),
            answers: taking.map(|t| t.answers.clone()).unwrap_or_default(),
            healthy,
            needs: way.into_iter().flat_map(|w| &w.tools).map(|t| t.name().to_owned()).collect(),
            power: if check.powered() { "on" } else { "off" }.into(),
            minutes,
            cautions: self.caution_words(&cautions),
        }
    }

    /// A check in bench words; `minutes` with its preparations.
    pub fn check_step(&self, id: rules::CheckId, minutes: f64) -> CheckStep {
        let check = self.rules.check(id);
        CheckStep {
            id: check.id.clone(),
            kind: check.kind.name().into(),
            says: check.says.clone(),
            text: check.how.clone(),
            place: check.place_on_unit.clone(),
            unit: check.reading.as_ref().map(|r| r.unit.name().into()),
            answers: shown_answers(check),
            healthy: check.healthy.clone(),
            needs: check.tools.iter().map(|t| t.name().into()).collect(),
            power: check.power.name().into(),
            minutes,
            cautions: check.cautions.iter().map(|c| self.rules.caution(*c).says.clone()).collect(),
        }
    }

    fn fault_says(&self, bench: &Planning, h: plan::HypothesisIx) -> String {
        let names: Vec<String> = bench.problem.hypotheses()[h.0]
            .faults
            .iter()
            .map(|f| self.model.faults[bench.faults[f.0].0].says.clone())
            .collect();
        if names.is_empty() { "Nothing is wrong with the unit".into() } else { names.join(" and ") }
    }

    fn reason(&self, bench: &Planning, reason: &Reason) -> Option<String> {
        let percent = |p: f64| Probability::new(p).map_or_else(String::new, show::probability);
        Some(match reason {
            Reason::SafetyGateFirst { open: 1 } => {
                "the last check that makes power safe before the unit is switched on".into()
            }
            Reason::SafetyGateFirst { open } => {
                format!(
                    "before power: {open} checks make it safe to switch the unit on, and this is one of them"
                )
            }
            // A figure that rounds to nothing explains nothing.
            Reason::SplitsEvenly { bits, .. } | Reason::TellsMostForItsPrice { bits } if *bits < NO_BITS => {
                return None;
            }
            Reason::SplitsEvenly { bits, likeliest } => {
                format!(
                    "it parts the suspects: {bits:.2} bits expected, its likeliest answer at {}",
                    percent(*likeliest)
                )
            }
            Reason::Cheap { cost, usual } => {
                format!(
                    "it is quick: {} where other checks take {}",
                    show::minutes(Minutes(*cost)),
                    show::minutes(Minutes(*usual))
                )
            }
            Reason::SharesSetup { setup } => {
                format!(
                    "it uses what is rigged already: {}",
                    lower(&self.rules.setup(bench.setups[setup.0]).says)
                )
            }
            Reason::TellsMostForItsPrice { bits } => {
                format!("for its time it tells the most: {bits:.2} bits expected")
            }
            Reason::SharesPower => "the supply is already as it needs it".into(),
            Reason::RemedyBeatsAsking { cures } => {
                format!("doing it is cheaper than knowing more: {} that it mends the unit", percent(*cures))
            }
            Reason::NoCheckParts(_) => "no check at hand parts the leading suspects any further".into(),
            Reason::SettlesLeader { leader, .. } => {
                format!("it confirms or clears the leader: {}", lower(&self.fault_says(bench, *leader)))
            }
            Reason::BriefPowerFirst => {
                "this unit may never have run: a moment's power first, before it is left on".into()
            }
            Reason::Given => return None,
        })
    }

    fn stop(&self, bench: &Planning, stop: &Stop) -> String {
        match stop {
            Stop::Cured => match self.model.last_retest() {
                Some((remedy, Retest::Cured)) => {
                    format!("That's it: the unit works since '{}'. Close the job with what was found.", self.offer(remedy).text)
                }
                _ => "That's it: the unit works. Close the job with what was found.".into(),
            },
            Stop::NothingWrong => "Nothing seems to be wrong with the unit itself. Look at what it is used with, and close the job.".into(),
            Stop::GroupCannotBeParted(group) => {
                let names: Vec<String> = group.members.iter().take(4).map(|h| lower(&self.fault_says(bench, *h))).collect();
                let mut out = format!("No check at hand can part what is left: {}.", names.join("; "));
                if let Some(by) = group.would_part.first() {
                    out += &format!(
                        " This would, with {}: {}.",
                        Tool::ALL[by.tool.0].name(),
                        lower(&self.named(&bench.checks[by.check.0]).1)
                    );
                }
                out
            }
            Stop::UnlistedLeads => "I don't know: the findings point to something that the rules don't have. Gather what would \
                help somebody else: photographs of both sides, the drawing, supply and pin volts, and what changes it."
                .into(),
            Stop::ReferOn => "No further step is worth its cost. Hand the unit on with what has been found so far.".into(),
            Stop::NoStepLeft => "No step is left that could help with the tools at hand.".into(),
        }
    }
}

/// A check's answers as they are shown: first the one to be expected where all that it touches is good.
fn shown_answers(check: &rules::Check) -> Vec<String> {
    let mut out = check.answers.clone();
    let usual = out.remove(check.usual.min(out.len() - 1));
    out.insert(0, usual);
    out
}

/// How much better two faults together must explain what was found than either alone, as a logarithm, to be worth planning for.
const NEEDED: f64 = 1.0;

/// Leaves out pairs of which one fault explains as much: what else may be wrong that nothing found speaks of is no reason to ask.
fn drop_superfluous(sets: &mut Vec<(Vec<usize>, f64, Given)>, odds: impl Fn(usize) -> f64) {
    let alone: BTreeMap<usize, f64> =
        sets.iter().filter(|s| s.0.len() == 1).map(|s| (s.0[0], s.1 - odds(s.0[0]))).collect();
    sets.retain(|(members, weight, _)| {
        let fit = weight - members.iter().map(|i| odds(*i)).sum::<f64>();
        let best = members.iter().filter_map(|i| alone.get(i)).copied().fold(f64::NEG_INFINITY, f64::max);
        members.len() < 2 || fit > best + NEEDED
    });
}

fn tool_index(tool: Tool) -> usize {
    Tool::ALL.iter().position(|t| *t == tool).unwrap_or(0)
}

/// A clause without its leading capital, for use inside a sentence; acronyms and part names stay.
fn lower(text: &str) -> String {
    let mut chars = text.chars();
    match (chars.next(), text.chars().nth(1)) {
        (Some(first), Some(second)) if second.is_lowercase() || second == ' ' => {
            first.to_lowercase().collect::<String>() + chars.as_str()
        }
        _ => text.to_string(),
    }
}
