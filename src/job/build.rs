//! The builder of a job's graph: faults in play, one copy of conditions and checks an epoch.

use super::card::Card;
use super::circuit::{Circuit, CircuitEpoch, Shows};
use super::model::{FaultOrigin, Meaning, ModelFault, RemedyRef, Retest, Understood};
use super::understand::OneOf;
use crate::belief::{self, BeliefError, Finding, Graph};
use crate::circuit::board;
use crate::circuit::predict::{CheckId, Heard, Observed};
use crate::circuit::said::{Said, Word};
use crate::rules::{self, Effect, Rules, Strength};
use std::collections::{BTreeMap, BTreeSet};

/// Prior of the fault that no rule knows.
pub const UNLISTED_PRIOR: f64 = 0.02;
/// The same on an outline, as a share of the expected number of faults.
const UNLISTED_SHARE: f64 = 0.025;
/// Chance that the complaint stays with it, whatever is swapped.
const UNLISTED_STAYS: f64 = 0.7;
/// Chance that it brings about any one symptom.
pub const UNLISTED_SYMPTOM: f64 = 0.12;
/// Chance that it brings about any one check's abnormal answers together.
pub const UNLISTED_CHECK: f64 = 0.08;
/// Chance that a fault still there shows in the retest after a remedy, and that a retest seems to
/// fail with nothing wrong.
const RETEST_SHOWS: f64 = 0.95;
const RETEST_LEAK: f64 = 0.01;
/// Chance that a unit seems better after a remedy that had nothing to cure.
const HELPED_LEAK: f64 = 0.02;
/// Chance that the cure of one of several faults is noticed in the retest although the unit does not work yet.
pub const PARTIAL_NOTICED: f64 = 0.5;
/// Chance that the work on a part puts its fault right (common practice, no source).
pub const BOARD_FIX_SUCCESS: f64 = 0.97;
/// Chance that a stage whose bias the solver finds far off also sounds starved.
pub const BIAS_SHOWS: f64 = 0.6;

/// Chance that a look over all parts shows one of the board that is turned, and one whose legs stand in another order than its
/// case tells (common practice, no source).
const TURNED_SEEN: f64 = 0.85;
const OTHER_LEGS_SEEN: f64 = 0.2;

/// Chance that a look over all parts shows a fault of the board that is a part the wrong way round; `None` for other faults, and for
/// a supply, which is no part of the board.
pub(crate) fn turned_seen(board: &board::Board, fault: &str) -> Option<f64> {
    let (part, mode) = fault.rsplit_once(':')?;
    if board.supplies().iter().any(|s| s.name == part) {
        return None;
    }
    match mode {
        "turned" => Some(TURNED_SEEN),
        mode if mode.starts_with("pins-") => Some(OTHER_LEGS_SEEN),
        _ => None,
    }
}

pub(super) struct Builder<'r> {
    pub(super) rules: &'r Rules,
    pub graph: Graph,
    pub faults: Vec<ModelFault>,
    /// The graph's faults that stand for a fault of the rules.
    pub(super) by_rule: BTreeMap<rules::FaultId, Vec<belief::FaultId>>,
    /// What faults of the board show besides their readings.
    shows: Vec<(belief::FaultId, Shows)>,
    /// What would be said of the board's faults by what the board gives by itself. Empty where neither complaint nor findings are
    /// about that.
    said: BTreeMap<belief::FaultId, Said>,
    /// Checks whose chances under these faults are such: of them links of the rules tell no more.
    pub told: BTreeSet<rules::CheckId>,
    /// Conditions that lead to such a check.
    leading: BTreeSet<rules::ConditionId>,
    /// Chance that a look over all parts shows each of the board's faults that is a part the wrong way round.
    turned: BTreeMap<String, f64>,
    /// Whether the job has a board: its readings stand in for the rules' own measurements inside the unit.
    has_board: bool,
    pub present: Vec<belief::Cause>,
    pub now: BTreeMap<rules::CheckId, belief::CheckId>,
    pub conditions: BTreeMap<rules::ConditionId, belief::ConditionId>,
    /// What only faults of which it is said by the board bring about of a condition that leads to a check that tells it.
    pub by_board: BTreeMap<rules::ConditionId, belief::ConditionId>,
    pub in_play: Vec<bool>,
    /// Checks that the card names, which count whatever blocks the unit has.
    named: BTreeSet<rules::CheckId>,
    /// Those that the owner complained of.
    complained: BTreeSet<rules::CheckId>,
    /// How many of the first remedies tried are taken up without an epoch of their own.
    folded: usize,
}

/// Chance that an owner who complains also tells of another symptom that is there, and the same of all that a fault which no rule
/// knows may show (common practice, no source).
const TELLS: f64 = 0.4;
const TELLS_UNLISTED: f64 = 0.3;

/// What is left of a symptom's chance with nothing wrong once an owner complains of it: people bring a unit for a fault (common
/// practice, no source).
const COMPLAINED: f64 = 0.3;

/// Which causes of a check or condition are meant.
#[derive(Clone, Copy, PartialEq)]
enum Side {
    /// All.
    All,
    /// Those of which nothing is said by the board itself.
    Rules,
    /// The others.
    Board,
}

/// How sure it is that work on one of several faults which changed nothing did not cure that one, where the unit before and after it
/// is taken for the same. One of several faults may have been cured unnoticed, which this leaves a chance of one in ten for instead
/// of about one in two: such a fault's odds come out up to seven decibels too low, one that was there alone six too high.
const FOLDED: f64 = 0.9;

impl<'r> Builder<'r> {
    pub fn new(
        rules: &'r Rules,
        circuit: Option<&Circuit<'_>>,
        card: &Card,
        in_play: Vec<bool>,
        folded: usize,
        listens: bool,
    ) -> Self {
        let mut builder = Self {
            folded,
            said: BTreeMap::new(),
            told: BTreeSet::new(),
            leading: BTreeSet::new(),
            by_board: BTreeMap::new(),
            rules,
            graph: Graph::new(),
            faults: Vec::new(),
            by_rule: BTreeMap::new(),
            shows: Vec::new(),
            turned: BTreeMap::new(),
            has_board: circuit.is_some(),
            present: Vec::new(),
            now: BTreeMap::new(),
            conditions: BTreeMap::new(),
            in_play,
            named: BTreeSet::new(),
            complained: BTreeSet::new(),
        };
        let build = built(card, circuit);
        for (id, fault) in rules.faults() {
            let prior = fault.prior(card.history.value, build).get();
            // The board's parts stand in for faults that have a place on it.
            let left_out = circuit.is_some_and(|c| c.is_alone() || fault.board.is_some());
            if !builder.in_play[fault.pack.index()] || prior <= 0.0 || left_out {
                continue;
            }
            let node = builder.add_fault(ModelFault {
                id: fault.id.clone(),
                says: fault.says.clone(),
                plain: fault.plain.clone(),
                part: None,
                origin: FaultOrigin::Rule(id),
                prior,
                remedies: rules.remedies_of(id).iter().copied().map(RemedyRef::Rule).collect(),
            });
            builder.by_rule.entry(id).or_default().extend(node);
        }
        if let Some(circuit) = circuit {
            builder.add_board(circuit, card, listens);
        }
        let unlisted = match rules.is_of_unit() {
            true => (UNLISTED_SHARE * builder.faults.iter().map(|f| f.prior).sum::<f64>().max(0.3)).min(0.5),
            false => UNLISTED_PRIOR,
        };
        builder.add_fault(ModelFault {
            id: "unlisted".into(),
            says: "Something that the rules don't know".into(),
            plain: "A cause that is not on our list".into(),
            part: None,
            origin: FaultOrigin::Unlisted,
            prior: unlisted,
            remedies: Vec::new(),
        });
        builder
    }

    /// The board's faults; each takes over the links of the rules' faults that it stands for.
    fn add_board(&mut self, circuit: &Circuit<'_>, card: &Card, listens: bool) {
        let telling = circuit.telling_checks();
        let healthy = circuit.predict(&[], &telling).unwrap_or_default();
        for (fault, prior) in circuit.faults(card.history.value) {
            let stands_for = self.stands_for(circuit, fault);
            let plain = match stands_for.first() {
                Some(id) => self.rules.fault(*id).plain.clone(),
                None => fault.says.clone(),
            };
            let node = self.add_fault(ModelFault {
                id: fault.id.clone(),
                says: fault.says.clone(),
                plain,
                part: Some(fault.part.clone()),
                origin: FaultOrigin::Board(stands_for.clone()),
                prior,
                remedies: circuit.fix_of(&fault.id).map(RemedyRef::Board).into_iter().collect(),
            });
            let Some(node) = node else { continue };
            self.turned.extend(turned_seen(circuit.board(), &fault.id).map(|p| (fault.id.clone(), p)));
            for id in stands_for {
                self.by_rule.entry(id).or_default().push(node);
            }
            self.shows.extend(circuit.shows(&fault.id, &healthy, &telling).map(|shows| (node, shows)));
            if listens {
                self.said.extend(circuit.said(&fault.id).map(|said| (node, said)));
            }
        }
        if !self.said.is_empty() {
            self.lay_out(circuit);
        }
    }

    /// Finds out which checks the board tells by itself, and what leads to them.
    fn lay_out(&mut self, circuit: &Circuit<'_>) {
        let told = |c: &rules::Check| word_of(c).is_some_and(|word| circuit.tells(word));
        self.told = self.rules.checks().filter(|(_, c)| told(c)).map(|(id, _)| id).collect();
        for id in self.rules.condition_order().iter().rev() {
            let leads = self.rules.links_from(rules::Cause::Condition(*id)).any(|(_, link)| match link.to {
                Effect::Check(check) => self.told.contains(&check),
                Effect::Condition(condition) => self.leading.contains(&condition),
            });
            if leads {
                self.leading.insert(*id);
            }
        }
    }

    fn stands_for(&self, circuit: &Circuit<'_>, fault: &board::Fault) -> Vec<rules::FaultId> {
        stands_for(self.rules, &self.in_play, circuit.board(), fault)
    }

    fn add_fault(&mut self, fault: ModelFault) -> Option<belief::FaultId> {
        // Priors are proven probabilities, so the engine takes them.
        let id = self.graph.add_fault(fault.prior).ok()?;
        self.present.push(belief::Cause::Fault(id));
        self.faults.push(fault);
        Some(id)
    }

    /// The board's faults by the engine's index, with their ids and priors.
    pub fn on_board(&self) -> Vec<(belief::FaultId, &str, f64)> {
        self.faults
            .iter()
            .enumerate()
            .filter(|(_, f)| matches!(f.origin, FaultOrigin::Board(_)))
            .map(|(i, f)| (belief::FaultId(i), f.id.as_str(), f.prior))
            .collect()
    }

    /// The graph's faults that a remedy puts right, and the chance that it does.
    fn fixed_by(&self, remedy: &RemedyRef) -> (Vec<belief::FaultId>, f64) {
        match remedy {
            RemedyRef::Rule(id) => {
                let remedy = self.rules.remedy(*id);
                let fixes =
                    remedy.fixes.iter().filter_map(|f| self.by_rule.get(f)).flatten().copied().collect();
                (fixes, remedy.success.get())
            }
            RemedyRef::Board(_) => {
                let fixes = self.faults.iter().enumerate().filter(|(_, f)| f.remedies.contains(remedy));
                (fixes.map(|(i, _)| belief::FaultId(i)).collect(), BOARD_FIX_SUCCESS)
            }
        }
    }

    /// The board's readings by epoch; only the last one on a check counts of the same unit.
    pub fn readings(&self, findings: &[Understood]) -> Vec<CircuitEpoch> {
        let mut out: Vec<CircuitEpoch> = vec![CircuitEpoch::default()];
        let mut same = 0;
        for found in findings {
            match &found.meaning {
                Meaning::Tried { remedy, retest } => {
                    if *retest != Retest::NoChange {
                        same = out.len();
                    }
                    let (cured, broken) = (self.fixed_by(remedy).0, *retest != Retest::Cured);
                    let mut next = CircuitEpoch { cured, broken, ..CircuitEpoch::default() };
                    next.cured.extend(out.last().map(|e| e.cured.clone()).unwrap_or_default());
                    out.push(next);
                }
                Meaning::Circuit { check, observed } => {
                    // What was read before a remedy that changed nothing is read of the same unit.
                    for epoch in out.iter_mut().skip(same) {
                        let again = |f: &(usize, CheckId, Observed)| f.1 == *check;
                        let before: Vec<usize> =
                            epoch.findings.iter().filter(|f| again(f)).map(|f| f.0).collect();
                        // What an earlier swing said beside its span goes with it.
                        let beside =
                            |number: &usize| matches!(check, CheckId::Swing(_)) && before.contains(number);
                        epoch.findings.retain(|f| !again(f) && !beside(&f.0));
                    }
                    if let Some(epoch) = out.last_mut() {
                        epoch.findings.push((found.number, check.clone(), *observed));
                        epoch.findings.extend(
                            observed.middle_of_swing(check).map(|(c, middle)| (found.number, c, middle)),
                        );
                    }
                }
                Meaning::Answer { .. } | Meaning::Kept | Meaning::Unsure { .. } | Meaning::Wiring { .. } => {}
            }
        }
        out
    }

    /// Adds every epoch and returns the engine's findings. The first epochs are taken as one where the builder folds them: what was
    /// found before work that changed the unit is then left out of the sum, as it was found of another unit.
    pub fn build(
        &mut self,
        circuit: Option<&Circuit<'_>>,
        findings: &mut [Understood],
        open: &[OneOf],
    ) -> Vec<Finding> {
        let folded = self.folded;
        let last = findings.iter().map(|f| f.epoch).max().unwrap_or(0).saturating_sub(folded);
        let changed = |f: &&Understood| {
            let other = matches!(f.meaning, Meaning::Tried { retest, .. } if retest != Retest::NoChange);
            other && f.epoch <= folded
        };
        let from = findings.iter().filter(changed).map(|f| f.epoch).max().unwrap_or(0);
        let named = findings.iter().filter_map(|f| match f.meaning {
            Meaning::Answer { check, .. } => Some(check),
            _ => None,
        });
        self.named = named.filter(|c| self.in_play[self.rules.check(*c).pack.index()]).collect();
        let complained = |f: &Understood| match f.meaning {
            Meaning::Answer { check, answer, .. } if f.number == 0 => {
                (answer != self.rules.check(check).usual).then_some(check)
            }
            _ => None,
        };
        self.complained = findings.iter().filter_map(complained).collect();
        let mut evidence: BTreeMap<belief::CheckId, Finding> = BTreeMap::new();
        for epoch in 1..=folded {
            evidence.extend(self.fold_remedy(findings, epoch).map(|f| (f.check, f)));
        }
        // The finding that counts on each check.
        let mut counts: BTreeMap<belief::CheckId, usize> = BTreeMap::new();
        for epoch in 0..=last {
            if epoch > 0 {
                let tried = self.try_remedy(findings, epoch + folded, epoch == last);
                evidence.extend(tried.into_iter().map(|f| (f.check, f)));
            }
            let here = |f: &Understood| f.epoch >= from && f.epoch.saturating_sub(folded) == epoch;
            let wanted = (epoch < last).then(|| asked(findings, here));
            self.add_epoch(wanted.as_deref());
            if epoch == 0 {
                evidence.extend(open.iter().filter_map(|o| self.one_of(o)).map(|f| (f.check, f)));
                evidence.extend(self.untold(findings).map(|f| (f.check, f)));
            }
            for index in 0..findings.len() {
                let found = &findings[index];
                let Meaning::Answer { check, outcome, .. } = &found.meaning else { continue };
                let node = self.now.get(check).copied();
                if let Some(node) = node.filter(|_| here(found)) {
                    evidence.insert(node, Finding { check: node, outcome: outcome.clone() });
                    // Only the last finding on a check counts.
                    if let Some(earlier) = counts.insert(node, index) {
                        findings[earlier].node = None;
                    }
                    findings[index].node = Some(node);
                }
            }
            // Of the wiring what is folded is gone over as it was then.
            for at in if epoch == 0 { 0..=folded } else { epoch + folded..=epoch + folded } {
                for found in self.wiring(circuit, findings, at) {
                    evidence.insert(found.check, found);
                }
            }
            if epoch == last && no_change(findings, epoch + folded) {
                for (check, outcome) in complaint(findings) {
                    if let Some(node) = self.now.get(&check) {
                        evidence.entry(*node).or_insert(Finding { check: *node, outcome });
                    }
                }
            }
        }
        evidence.into_values().collect()
    }

    /// The node for a remedy tried at the start of `epoch` that gets no epoch of its own. Work that changed nothing speaks against the
    /// faults it puts right; those that work put right which changed something are gone.
    fn fold_remedy(&mut self, findings: &mut [Understood], epoch: usize) -> Option<Finding> {
        let tried = |f: &Understood| f.epoch == epoch && matches!(f.meaning, Meaning::Tried { .. });
        let index = findings.iter().position(tried)?;
        let Meaning::Tried { remedy, retest } = findings[index].meaning.clone() else { return None };
        let (fixes, success) = self.fixed_by(&remedy);
        let changed = retest != Retest::NoChange;
        let noticed = if changed { 1.0 } else { FOLDED };
        let causes: Vec<_> = fixes.iter().map(|f| (self.present[f.0], success * noticed)).collect();
        let helped = self.graph.add_yes_no_check(HELPED_LEAK, &causes);
        for node in fixes.into_iter().filter(|_| changed) {
            let before = self.present[node.0];
            if let Ok(still) = self.graph.add_condition(0.0, &[(before, 1.0 - success)]) {
                self.present[node.0] = still.into();
            }
        }
        let node = helped.ok()?;
        findings[index].node = Some(node);
        Some(Finding::answer(node, usize::from(changed)))
    }

    /// The nodes for a remedy tried at the start of `epoch`: who is still there, did it help, does the unit work.
    fn try_remedy(&mut self, findings: &mut [Understood], epoch: usize, last: bool) -> Vec<Finding> {
        let tried =
            findings.iter().position(|f| f.epoch == epoch && matches!(f.meaning, Meaning::Tried { .. }));
        let Some(index) = tried else { return Vec::new() };
        let Meaning::Tried { remedy, retest } = findings[index].meaning.clone() else { return Vec::new() };
        let (fixes, success) = self.fixed_by(&remedy);
        // Where the unit does not work yet, something else may hide that a fault is gone.
        let noticed = if retest == Retest::Cured { 1.0 } else { PARTIAL_NOTICED };
        let mut cured = Vec::new();
        for node in fixes {
            let before = self.present[node.0];
            cured.push((before, success * noticed));
            if let Ok(still) = self.graph.add_condition(0.0, &[(before, 1.0 - success)]) {
                self.present[node.0] = still.into();
            }
        }
        let there: Vec<(belief::Cause, f64)> = self.present.iter().map(|c| (*c, RETEST_SHOWS)).collect();
        let helped = self.graph.add_yes_no_check(HELPED_LEAK, &cured);
        let works = self.graph.add_yes_no_check(RETEST_LEAK, &there);
        let (helped_answer, broken) = match retest {
            Retest::Cured => (1, 0),
            Retest::NoChange => (0, 1),
            Retest::Changed => (1, 1),
        };
        let mut out = Vec::new();
        // A unit that does not work after the last remedy did not work after those before either: once is enough, and each such
        // finding ties all faults together. After no change the complaint itself says it.
        let said = retest == Retest::NoChange && complaint(findings).next().is_some();
        if let (Ok(node), true) = (works, broken == 0 || (last && !said)) {
            out.push(Finding::answer(node, broken));
        }
        if let Ok(node) = helped {
            out.push(Finding::answer(node, helped_answer));
            findings[index].node = Some(node);
        }
        out
    }

    /// One copy of the conditions and checks; of the checks only those `wanted`, where that is said.
    fn add_epoch(&mut self, wanted: Option<&[rules::CheckId]>) {
        self.conditions.clear();
        self.by_board.clear();
        self.now.clear();
        for id in self.rules.condition_order() {
            let condition = self.rules.condition(*id);
            if !self.in_play[condition.pack.index()] {
                continue;
            }
            let split = self.leading.contains(id);
            let causes = self.causes_of_condition(*id, if split { Side::Rules } else { Side::All });
            if (!causes.is_empty() || condition.leak.get() > 0.0)
                && let Ok(node) = self.graph.add_condition(condition.leak.get(), &causes)
            {
                self.conditions.insert(*id, node);
            }
            // What the board brings about of it stands apart, so that a check that the board tells can leave it out.
            let causes = if split { self.causes_of_condition(*id, Side::Board) } else { Vec::new() };
            if !causes.is_empty()
                && let Ok(node) = self.graph.add_condition(0.0, &causes)
            {
                self.by_board.insert(*id, node);
            }
        }
        for (id, check) in self.rules.checks() {
            let skip = wanted.is_some_and(|w| !w.contains(&id));
            if !skip
                && (!self.stood_in_for(check) || self.named.contains(&id))
                && (check.is_about(&self.in_play) || self.named.contains(&id))
                && let Ok(node) = self.add_check(id, check)
            {
                self.now.insert(id, node);
            }
        }
    }

    fn causes_of_condition(&self, id: rules::ConditionId, side: Side) -> Vec<(belief::Cause, f64)> {
        let mut causes = Vec::new();
        for (_, link) in self.rules.links_to(Effect::Condition(id)) {
            if let Strength::Plain(p) = &link.strength {
                causes.extend(self.causes(link.from, side).into_iter().map(|c| (c, p.get())));
            }
        }
        if self.rules.condition(id).board.as_deref() == Some("bias-moved") {
            let moved = self.shows.iter().filter(|(f, s)| s.off_bias && self.is_on(*f, side));
            causes.extend(moved.map(|(f, _)| (self.present[f.0], BIAS_SHOWS)));
        }
        merged(causes)
    }

    fn add_check(
        &mut self,
        id: rules::CheckId,
        check: &rules::Check,
    ) -> Result<belief::CheckId, BeliefError> {
        let bad = check.answers.len() - 1;
        let total = match check.usual {
            // What is swapped seldom helps against something that nobody thought of.
            usual if usual == bad => UNLISTED_STAYS,
            _ if check.symptom.is_some() => UNLISTED_SYMPTOM,
            _ if self.rules.is_of_unit() => UNLISTED_SYMPTOM,
            _ => UNLISTED_CHECK,
        };
        let mut causes: Vec<(belief::Cause, Vec<f64>)> = Vec::new();
        let side = self.side(id);
        for (_, link) in self.rules.links_to(Effect::Check(id)) {
            if let Strength::Graded(shares) = &link.strength {
                let shares: Vec<f64> = shares[1..].iter().map(|p| p.get()).collect();
                causes.extend(self.causes(link.from, side).into_iter().map(|c| (c, shares.clone())));
            }
        }
        causes.extend(self.said_of(id, check).filter(|(_, shares)| shares.len() == bad));
        if let Some(word) = &check.board {
            let shares = |heard: &Heard| heard_as(word, heard).filter(|s| s.len() == bad);
            let heard = self.shows.iter().filter_map(|(f, s)| Some((f, shares(&s.heard)?)));
            causes.extend(
                heard
                    .filter(|(_, shares)| shares.iter().sum::<f64>() > 0.01)
                    .map(|(f, s)| (self.present[f.0], s)),
            );
        }
        if check.board.as_deref() == Some("turned-parts") && bad == 1 {
            let turned = self.faults.iter().enumerate().filter_map(|(i, f)| {
                let seen = self.turned.get(&f.id)?;
                Some((self.present[i], vec![*seen]))
            });
            causes.extend(turned);
        }
        let mut causes = strongest(causes);
        if let Some(unlisted) = self.present.last() {
            causes.push((*unlisted, vec![total / bad as f64; bad]));
        }
        let idle = if self.complained.contains(&id) { COMPLAINED } else { 1.0 };
        let leak: Vec<f64> = check.leak[1..].iter().map(|p| p.get() * idle).collect();
        self.graph.add_check(&leak, &causes)
    }

    /// A node for words that mean one of several answers: whatever causes one of them causes it.
    fn one_of(&mut self, options: &OneOf) -> Option<Finding> {
        let mut causes: Vec<(belief::Cause, f64)> = Vec::new();
        let mut quiet = 1.0;
        for (id, answer) in options {
            let check = self.rules.check(*id);
            let side = self.side(*id);
            quiet *= 1.0 - check.leak[*answer].get();
            for (_, link) in self.rules.links_to(Effect::Check(*id)) {
                if let Strength::Graded(shares) = &link.strength {
                    let share = shares[*answer].get();
                    causes.extend(self.causes(link.from, side).into_iter().map(|c| (c, share)));
                }
            }
            let said = self.said_of(*id, check);
            causes.extend(said.filter_map(|(c, shares)| Some((c, *shares.get(answer.checked_sub(1)?)?))));
        }
        causes.retain(|(_, share)| *share > 0.0);
        if let Some(unlisted) = self.present.last() {
            causes.push((*unlisted, UNLISTED_SYMPTOM));
        }
        let node = self.graph.add_yes_no_check((1.0 - quiet) * COMPLAINED, &merged(causes)).ok()?;
        Some(Finding::answer(node, 1))
    }

    /// A node for what the owner could have told of and did not: it speaks against faults that show in other ways as well. On a board
    /// its faults' other symptoms are not known well enough for that.
    fn untold(&mut self, findings: &[Understood]) -> Option<Finding> {
        if self.has_board || !self.rules.is_of_unit() {
            return None;
        }
        let answers = |f: &Understood| match f.meaning {
            Meaning::Answer { check, answer, .. } => Some((check, answer)),
            _ => None,
        };
        let known: BTreeMap<rules::CheckId, usize> = findings.iter().filter_map(answers).collect();
        let told = findings.iter().filter(|f| f.number == 0).filter_map(answers);
        let dead = told.clone().any(|(check, answer)| self.rules.shows_dead(check, answer));
        told.clone().next()?;
        let mut quiet: BTreeMap<belief::Cause, f64> = BTreeMap::new();
        for (_, symptom) in self.rules.symptoms() {
            let check = self.rules.check(symptom.check);
            let unheard = dead && check.needs.is_some();
            if unheard || known.contains_key(&symptom.check) || !self.now.contains_key(&symptom.check) {
                continue;
            }
            for (_, link) in self.rules.links_to(Effect::Check(symptom.check)) {
                let Strength::Graded(shares) = &link.strength else { continue };
                for cause in self.causes(link.from, Side::All) {
                    *quiet.entry(cause).or_insert(1.0) *= 1.0 - TELLS * shares[symptom.answer].get();
                }
            }
        }
        let mut causes: Vec<(belief::Cause, f64)> = quiet.into_iter().map(|(c, q)| (c, 1.0 - q)).collect();
        causes.extend(self.present.last().map(|unlisted| (*unlisted, TELLS_UNLISTED)));
        let node = self.graph.add_yes_no_check(0.0, &causes).ok()?;
        Some(Finding::answer(node, 0))
    }

    /// Of what the board tells by itself, links of the rules speak for other causes only.
    fn side(&self, check: rules::CheckId) -> Side {
        if self.told.contains(&check) { Side::Rules } else { Side::All }
    }

    fn is_on(&self, fault: belief::FaultId, side: Side) -> bool {
        side == Side::All || self.said.contains_key(&fault) == (side == Side::Board)
    }

    /// The board's faults with the chances of a check's answers by what the board gives by itself.
    fn said_of(
        &self,
        id: rules::CheckId,
        check: &rules::Check,
    ) -> impl Iterator<Item = (belief::Cause, Vec<f64>)> {
        let word = word_of(check).filter(|_| self.told.contains(&id));
        let one = move |(f, said): (&belief::FaultId, &Said)| Some((self.present[f.0], said.chances(word?)?));
        self.said.iter().filter_map(one)
    }

    /// The nodes that stand for a cause of the rules now.
    fn causes(&self, cause: rules::Cause, side: Side) -> Vec<belief::Cause> {
        match cause {
            rules::Cause::Fault(id) => {
                let faults = self.by_rule.get(&id).into_iter().flatten();
                faults.filter(|f| self.is_on(**f, side)).map(|f| self.present[f.0]).collect()
            }
            rules::Cause::Condition(id) => {
                let rules = self.conditions.get(&id).filter(|_| side != Side::Board);
                let board = self.by_board.get(&id).filter(|_| side != Side::Rules);
                rules.into_iter().chain(board).map(|c| (*c).into()).collect()
            }
        }
    }

    /// Whether the board's own readings stand in for a check: a measurement or a probe inside the open unit. Checks
    /// that make power safe stay, and those under a moment's power.
    fn stood_in_for(&self, check: &rules::Check) -> bool {
        let inside = check.setup.iter().any(|s| self.rules.setup(*s).id == "open-box");
        let measures = check.kind == rules::Kind::Measure || check.tools.contains(&rules::Tool::AudioProbe);
        self.has_board && inside && measures && !check.gate && check.power != rules::Power::Brief
    }
}

/// What of the board's own doing a check asks for.
pub(crate) fn word_of(check: &rules::Check) -> Option<Word> {
    check.board.as_deref().and_then(Word::of)
}

/// Chances of a check's answers after the normal one, by what of the sound it asks for; none for a word that is not of the sound.
fn heard_as(word: &str, heard: &Heard) -> Option<Vec<f64>> {
    Some(match word {
        "level-out" => {
            let (faint, silent) = (heard.faint.min(0.95), heard.none.min(0.97));
            let most = (faint + silent).max(0.98) / 0.98;
            vec![faint / most, silent / most]
        }
        "loud-out" => vec![heard.loud.min(0.97)],
        "distorted-out" => vec![heard.distorted.min(0.97)],
        "dull-out" => vec![heard.dull.min(0.97)],
        "thin-out" => vec![heard.thin.min(0.97)],
        _ => return None,
    })
}

/// How a unit was built: where the card doesn't say, the board does.
pub(super) fn built(card: &Card, circuit: Option<&Circuit<'_>>) -> Option<rules::Build> {
    card.build.or(circuit.map(|c| c.board().build()))
}

/// Whether the remedy tried at the start of an epoch changed nothing.
fn no_change(findings: &[Understood], epoch: usize) -> bool {
    let tried = |f: &&Understood| f.epoch == epoch && matches!(f.meaning, Meaning::Tried { .. });
    let retest = findings.iter().find(tried).map(|f| &f.meaning);
    matches!(retest, Some(Meaning::Tried { retest: Retest::NoChange, .. }))
}

/// What the complaint says: checks of the rules with their outcomes.
fn complaint(findings: &[Understood]) -> impl Iterator<Item = (rules::CheckId, belief::Outcome)> {
    findings.iter().filter(|f| f.number == 0).filter_map(|f| match &f.meaning {
        Meaning::Answer { check, outcome, .. } => Some((*check, outcome.clone())),
        _ => None,
    })
}

/// The rules' faults, of the packs in play, that a fault of the board stands for: those of its part's role and mode, else
/// those of any role.
pub fn stands_for(
    rules: &Rules,
    in_play: &[bool],
    board: &board::Board,
    fault: &board::Fault,
) -> Vec<rules::FaultId> {
    let part = board.parts().iter().find(|p| p.id == fault.part);
    let of = |wanted: &str| -> Vec<rules::FaultId> {
        rules
            .faults()
            .filter(|(_, f)| in_play[f.pack.index()])
            .filter(|(_, f)| {
                let stands = |(role, modes): &(String, Vec<String>)| {
                    role == wanted && modes.iter().any(|m| is_mode(m, &fault.mode))
                };
                f.board.as_ref().is_some_and(stands)
            })
            .map(|(id, _)| id)
            .collect()
    };
    let own = part.and_then(|p| p.role.as_deref()).map(of).unwrap_or_default();
    if !own.is_empty() {
        return own;
    }
    // `any-c` is any part whose designator has the letter C.
    let letters: String = fault.part.chars().take_while(char::is_ascii_alphabetic).collect();
    let mut any = of("any");
    any.extend(of(&format!("any-{}", letters.to_lowercase())));
    any.sort_unstable();
    any
}

/// Whether a mode named in the rules is a mode of the board's catalogue: `decade` is either way, `pins-permuted` any
/// look-alike's order.
fn is_mode(named: &str, mode: &str) -> bool {
    match named {
        "decade" => mode == "x10" || mode == "div10",
        "pins-permuted" => mode.starts_with("pins-"),
        _ => named == mode,
    }
}

/// Of several links from one cause to one check the strongest counts.
fn strongest(causes: Vec<(belief::Cause, Vec<f64>)>) -> Vec<(belief::Cause, Vec<f64>)> {
    let mut out: BTreeMap<belief::Cause, Vec<f64>> = BTreeMap::new();
    for (cause, shares) in causes {
        let total = |s: &[f64]| s.iter().sum::<f64>();
        if out.get(&cause).is_none_or(|known| total(known) < total(&shares)) {
            out.insert(cause, shares);
        }
    }
    out.into_iter().collect()
}

/// Two links from one cause to one condition act like one: neither comes through.
fn merged(causes: Vec<(belief::Cause, f64)>) -> Vec<(belief::Cause, f64)> {
    let mut out: Vec<(belief::Cause, f64)> = Vec::new();
    for (cause, strength) in causes {
        match out.iter_mut().find(|(c, _)| *c == cause) {
            Some((_, s)) => *s = 1.0 - (1.0 - *s) * (1.0 - strength),
            None => out.push((cause, strength)),
        }
    }
    out
}

fn asked(findings: &[Understood], here: impl Fn(&Understood) -> bool) -> Vec<rules::CheckId> {
    findings
        .iter()
        .filter(|f| here(f))
        .filter_map(|f| match f.meaning {
            Meaning::Answer { check, .. } => Some(check),
            _ => None,
        })
        .collect()
}
