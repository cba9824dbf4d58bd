//! From rules, card and findings to the causal graph that the engine works on.
//!
//! Time matters where a remedy was tried: what was found before it speaks of the unit as it was, what
//! is found after it of the unit as it now is. So the card is cut into *epochs* at each `try:` finding.
//! Faults are shared by all epochs; a fault that a tried remedy puts right stands, from then on, behind a
//! hidden node *still there*, which it brings about only where the remedy failed. Conditions and checks
//! have one copy an epoch. The engine sums all of that out exactly.

use super::card::{Card, CardFinding, JobCard};
use crate::belief::{self, Belief, BeliefError, Finding, Graph, Outcome};
use crate::rules::{self, Accuracy, Applies, Effect, Rules, Strength};
use crate::text::{Complaint, Complaints, Span, or_nearest};
use crate::units::{self, reading};
use std::collections::BTreeMap;
use std::sync::Arc;

/// Prior of the fault that no rule knows.
pub const UNLISTED_PRIOR: f64 = 0.02;
/// Chance that it brings about any one symptom, and any one check's abnormal answers together.
const UNLISTED_SYMPTOM: f64 = 0.12;
const UNLISTED_CHECK: f64 = 0.08;
/// Chance that a fault still there shows in the retest after a remedy, and that a retest seems to
/// fail with nothing wrong.
const RETEST_SHOWS: f64 = 0.95;
const RETEST_LEAK: f64 = 0.01;
/// Chance that a unit seems better after a remedy that had nothing to cure.
const HELPED_LEAK: f64 = 0.02;

/// Relative accuracy taken for a reading of a handheld meter (common practice, no source).
const METER_ACCURACY: f64 = 0.01;

/// What a fault in the graph is.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum FaultOrigin {
    /// A fault of the rules.
    Rule(rules::FaultId),
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
    /// Remedies, as ids of the rules.
    pub remedies: Vec<rules::RemedyId>,
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
        remedy: rules::RemedyId,
        /// What the retest showed.
        retest: Retest,
    },
    /// The user could not tell.
    Unsure {
        /// The check, where it is one.
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
    /// What is believed.
    pub belief: Belief,
}

impl Model {
    /// Builds the model of a job.
    ///
    /// # Errors
    /// Names on the card that the rules don't know, answers that no check has, readings that can't be
    /// read; all of them, each with its place on the card.
    pub fn of(rules: &Rules, job: &JobCard) -> Result<Self, Complaints> {
        let mut complaints = Complaints::default();
        let in_play = packs_in_play(rules, job, &mut complaints);
        let mut findings = understand(rules, job, &mut complaints);
        check_names(rules, job, &mut complaints);
        complaints.or_ok(())?;
        let mut builder = Builder::new(rules, &job.card, in_play);
        let evidence = builder.build(&mut findings);
        let Builder { graph, faults, present, now, conditions, in_play, .. } = builder;
        let belief = Belief::new(Arc::new(graph), &evidence)
            .map_err(|e| Complaint::nowhere("engine", format!("the findings can't be weighed: {e}")))?;
        Ok(Self { faults, present, findings, now, conditions, in_play, belief })
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

    /// The last retest, if the last remedy tried came after every other finding of a fault.
    pub fn last_retest(&self) -> Option<(rules::RemedyId, Retest)> {
        self.findings.iter().rev().find_map(|f| match f.meaning {
            Meaning::Tried { remedy, retest } => Some((remedy, retest)),
            _ => None,
        })
    }
}

fn packs_in_play(rules: &Rules, job: &JobCard, complaints: &mut Complaints) -> Vec<bool> {
    let blocks = &job.card.blocks;
    let with_block =
        || rules.packs().filter(|(_, p)| p.applies == Applies::WithBlock).map(|(_, p)| p.id.as_str());
    for block in blocks {
        if !rules.packs().any(|(_, p)| p.id == block.value) {
            let message = format!("unknown block '{}'", block.value);
            let place = job.document.place(block.span);
            complaints.0.push(
                Complaint::at("unknown-name", place, message).help(or_nearest(&block.value, with_block())),
            );
        }
    }
    rules
        .packs()
        .map(|(_, p)| {
            p.applies == Applies::Always || blocks.is_empty() || blocks.iter().any(|b| b.value == p.id)
        })
        .collect()
}

fn check_names(rules: &Rules, job: &JobCard, complaints: &mut Complaints) {
    for skipped in &job.card.skip {
        if let Err(e) = rules.find_check(&skipped.value)
            && !skipped.value.contains(':')
        {
            let place = job.document.place(skipped.span);
            complaints.0.push(
                Complaint::at("unknown-name", place, format!("unknown check '{}'", skipped.value))
                    .help(e.help),
            );
        }
    }
}

fn understand(rules: &Rules, job: &JobCard, complaints: &mut Complaints) -> Vec<Understood> {
    let mut out = Vec::new();
    for symptom in job.card.complaint.iter().flat_map(|c| &c.symptoms) {
        match rules.find_symptom(&symptom.value) {
            Ok(id) => {
                let s = rules.symptom(id);
                out.push(Understood {
                    number: 0,
                    check: symptom.value.clone(),
                    answer: rules.check(s.check).answers[s.answer].clone(),
                    meaning: Meaning::Answer {
                        check: s.check,
                        outcome: Outcome::Answer(s.answer),
                        answer: s.answer,
                    },
                    epoch: 0,
                    node: None,
                });
            }
            Err(e) => {
                let place = job.document.place(symptom.span);
                let message = format!("unknown symptom '{}'", symptom.value);
                complaints.0.push(Complaint::at("unknown-name", place, message).help(e.help));
            }
        }
    }
    let mut epoch = 0;
    for (number, finding) in job.card.standing() {
        match meaning(rules, finding) {
            Ok(meaning) => {
                if matches!(meaning, Meaning::Tried { .. }) {
                    epoch += 1;
                }
                out.push(Understood {
                    number,
                    check: finding.check.value.clone(),
                    answer: finding.answer.value.clone(),
                    meaning,
                    epoch,
                    node: None,
                });
            }
            Err(slip) => {
                let place = job.document.place(slip.span);
                complaints.0.push(Complaint::at(slip.code, place, slip.message).help(slip.help));
            }
        }
    }
    out
}

/// Why a check and answer mean nothing.
#[derive(Clone, Debug)]
pub struct Slip {
    /// Kind of slip.
    pub code: &'static str,
    /// What is wrong.
    pub message: String,
    /// What to write instead.
    pub help: String,
    /// Where on the card.
    pub span: Span,
}

/// What a finding means.
///
/// # Errors
/// What is wrong with its check or answer.
pub fn meaning(rules: &Rules, finding: &CardFinding) -> Result<Meaning, Slip> {
    let (check, answer) = (finding.check.value.as_str(), finding.answer.value.as_str());
    let slip = |code, span, message: String, help: String| Slip { code, message, help, span };
    let unsure = answer.eq_ignore_ascii_case("unsure");
    if let Some(name) = check.strip_prefix("try:") {
        let remedy = rules.find_remedy(name).map_err(|e| {
            slip("unknown-name", finding.check.span, format!("unknown remedy '{name}'"), e.help)
        })?;
        if unsure {
            return Ok(Meaning::Unsure { check: None });
        }
        let retest = Retest::ALL.iter().find(|(word, _)| *word == answer).map(|(_, r)| *r);
        let retest = retest.ok_or_else(|| {
            let words = Retest::ALL.map(|(w, _)| w);
            slip(
                "unknown-name",
                finding.answer.span,
                format!("unknown answer '{answer}' to a remedy tried"),
                or_nearest(answer, words),
            )
        })?;
        return Ok(Meaning::Tried { remedy, retest });
    }
    if let Ok(id) = rules.find_symptom(check) {
        let symptom = rules.symptom(id);
        if !symptom.alone(rules) {
            return alias(rules, symptom, finding);
        }
    }
    let id = rules
        .find_check(check)
        .map_err(|e| slip("unknown-name", finding.check.span, format!("unknown check '{check}'"), e.help))?;
    if unsure {
        return Ok(Meaning::Unsure { check: Some(id) });
    }
    let entry = rules.check(id);
    if let Ok(k) = entry.answer(answer) {
        return Ok(Meaning::Answer { check: id, outcome: Outcome::Answer(k), answer: k });
    }
    let Some(bands) = &entry.reading else {
        let message = format!("'{check}' has no answer '{answer}'");
        let help = or_nearest(answer, entry.answers.iter().map(String::as_str).chain(["unsure"]));
        return Err(slip("unknown-name", finding.answer.span, message, help));
    };
    let unit = unit_of(bands.unit);
    let read = reading::parse(answer, Some(unit)).map_err(|e| {
        let words = entry.answers.join(", ");
        slip(
            "bad-reading",
            finding.answer.span,
            e.to_string(),
            format!("or one of the answers: {words}, unsure"),
        )
    })?;
    let value = match read.shown {
        units::Shown::Overload => f64::INFINITY,
        _ => read.middle(),
    };
    let slack = if read.vague { 0.05 } else { METER_ACCURACY };
    let accuracy = Accuracy { relative: slack, absolute: read.resolution };
    let likelihood = bands
        .likelihood(value, accuracy, entry.answers.len())
        .unwrap_or_else(|| vec![0.0; entry.answers.len()]);
    let best =
        likelihood.iter().enumerate().fold((0, 0.0), |best, (k, p)| if *p > best.1 { (k, *p) } else { best });
    if best.1 <= 0.0 {
        let message = format!("'{answer}' falls under no answer of '{check}'");
        let help = format!("write one of {}, or unsure", entry.answers.join(", "));
        return Err(slip("bad-reading", finding.answer.span, message, help));
    }
    Ok(Meaning::Answer { check: id, outcome: Outcome::Soft(likelihood), answer: best.0 })
}

fn alias(rules: &Rules, symptom: &rules::Symptom, finding: &CardFinding) -> Result<Meaning, Slip> {
    let count = rules.check(symptom.check).answers.len();
    let outcome = match finding.answer.value.as_str() {
        "yes" => Outcome::Answer(symptom.answer),
        "no" => Outcome::Soft((0..count).map(|k| if k == symptom.answer { 0.0 } else { 1.0 }).collect()),
        "unsure" => return Ok(Meaning::Unsure { check: Some(symptom.check) }),
        other => {
            return Err(Slip {
                code: "unknown-name",
                message: format!("'{}' has no answer '{other}'", symptom.id),
                help: "write yes, no or unsure".into(),
                span: finding.answer.span,
            });
        }
    };
    let answer = if matches!(outcome, Outcome::Answer(_)) { symptom.answer } else { 0 };
    Ok(Meaning::Answer { check: symptom.check, outcome, answer })
}

/// The quantity's unit of a unit of the rules.
pub fn unit_of(unit: rules::Unit) -> units::Unit {
    match unit {
        rules::Unit::Volt => units::Unit::Volts,
        rules::Unit::Ohm => units::Unit::Ohms,
        rules::Unit::Ampere => units::Unit::Amps,
        rules::Unit::Hertz => units::Unit::Hertz,
        rules::Unit::Decibel => units::Unit::Decibels,
        rules::Unit::Second => units::Unit::Seconds,
    }
}

struct Builder<'r> {
    rules: &'r Rules,
    graph: Graph,
    faults: Vec<ModelFault>,
    by_rule: BTreeMap<rules::FaultId, belief::FaultId>,
    present: Vec<belief::Cause>,
    now: BTreeMap<rules::CheckId, belief::CheckId>,
    conditions: BTreeMap<rules::ConditionId, belief::ConditionId>,
    in_play: Vec<bool>,
}

impl<'r> Builder<'r> {
    fn new(rules: &'r Rules, card: &Card, in_play: Vec<bool>) -> Self {
        let mut builder = Self {
            rules,
            graph: Graph::new(),
            faults: Vec::new(),
            by_rule: BTreeMap::new(),
            present: Vec::new(),
            now: BTreeMap::new(),
            conditions: BTreeMap::new(),
            in_play,
        };
        for (id, fault) in rules.faults() {
            let prior = fault.prior(card.history.value, card.build).get();
            if !builder.in_play[fault.pack.index()] || prior <= 0.0 {
                continue;
            }
            let node = builder.add_fault(ModelFault {
                id: fault.id.clone(),
                says: fault.says.clone(),
                plain: fault.plain.clone(),
                part: None,
                origin: FaultOrigin::Rule(id),
                prior,
                remedies: rules.remedies_of(id).to_vec(),
            });
            builder.by_rule.extend(node.map(|node| (id, node)));
        }
        builder.add_fault(ModelFault {
            id: "unlisted".into(),
            says: "Something that the rules don't know".into(),
            plain: "A cause that is not on our list".into(),
            part: None,
            origin: FaultOrigin::Unlisted,
            prior: UNLISTED_PRIOR,
            remedies: Vec::new(),
        });
        builder
    }

    fn add_fault(&mut self, fault: ModelFault) -> Option<belief::FaultId> {
        // Priors are proven probabilities, so the engine takes them.
        let id = self.graph.add_fault(fault.prior).ok()?;
        self.present.push(belief::Cause::Fault(id));
        self.faults.push(fault);
        Some(id)
    }

    /// Adds every epoch and returns the engine's findings.
    fn build(&mut self, findings: &mut [Understood]) -> Vec<Finding> {
        let last = findings.iter().map(|f| f.epoch).max().unwrap_or(0);
        let mut evidence: BTreeMap<belief::CheckId, Finding> = BTreeMap::new();
        for epoch in 0..=last {
            if epoch > 0 {
                evidence.extend(self.try_remedy(findings, epoch).into_iter().map(|f| (f.check, f)));
            }
            let wanted = (epoch < last).then(|| asked(findings, epoch));
            self.add_epoch(wanted.as_deref());
            for index in 0..findings.len() {
                let found = &findings[index];
                let Meaning::Answer { check, outcome, .. } = &found.meaning else { continue };
                let node = self.now.get(check).copied();
                if let Some(node) = node.filter(|_| found.epoch == epoch) {
                    evidence.insert(node, Finding { check: node, outcome: outcome.clone() });
                    // Only the last finding on a check counts.
                    findings.iter_mut().filter(|f| f.node == Some(node)).for_each(|f| f.node = None);
                    findings[index].node = Some(node);
                }
            }
        }
        evidence.into_values().collect()
    }

    /// The nodes for a remedy tried at the start of `epoch`: who is still there, did it help, does the unit work.
    fn try_remedy(&mut self, findings: &mut [Understood], epoch: usize) -> Vec<Finding> {
        let tried =
            findings.iter().position(|f| f.epoch == epoch && matches!(f.meaning, Meaning::Tried { .. }));
        let Some(index) = tried else { return Vec::new() };
        let Meaning::Tried { remedy, retest } = findings[index].meaning else { return Vec::new() };
        let remedy = self.rules.remedy(remedy);
        let success = remedy.success.get();
        let mut cured = Vec::new();
        for fault in &remedy.fixes {
            let Some(node) = self.by_rule.get(fault).copied() else { continue };
            let before = self.present[node.0];
            cured.push((before, success));
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
        if let Ok(node) = works {
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
        self.now.clear();
        for id in self.rules.condition_order() {
            let condition = self.rules.condition(*id);
            if !self.in_play[condition.pack.index()] {
                continue;
            }
            let causes: Vec<(belief::Cause, f64)> = self
                .rules
                .links_to(Effect::Condition(*id))
                .filter_map(|(_, link)| match &link.strength {
                    Strength::Plain(p) => self.cause(link.from).map(|c| (c, p.get())),
                    Strength::Graded(_) => None,
                })
                .collect();
            if (!causes.is_empty() || condition.leak.get() > 0.0)
                && let Ok(node) = self.graph.add_condition(condition.leak.get(), &merged(causes))
            {
                self.conditions.insert(*id, node);
            }
        }
        for (id, check) in self.rules.checks() {
            let skip = wanted.is_some_and(|w| !w.contains(&id));
            if !skip
                && self.in_play[check.pack.index()]
                && let Ok(node) = self.add_check(id, check)
            {
                self.now.insert(id, node);
            }
        }
    }

    fn add_check(
        &mut self,
        id: rules::CheckId,
        check: &rules::Check,
    ) -> Result<belief::CheckId, BeliefError> {
        let bad = check.answers.len() - 1;
        let total = if check.symptom.is_some() { UNLISTED_SYMPTOM } else { UNLISTED_CHECK };
        let mut causes: Vec<(belief::Cause, Vec<f64>)> = self
            .rules
            .links_to(Effect::Check(id))
            .filter_map(|(_, link)| match &link.strength {
                Strength::Graded(shares) => {
                    self.cause(link.from).map(|c| (c, shares[1..].iter().map(|p| p.get()).collect()))
                }
                Strength::Plain(_) => None,
            })
            .collect();
        if let Some(unlisted) = self.present.last() {
            causes.push((*unlisted, vec![total / bad as f64; bad]));
        }
        let leak: Vec<f64> = check.leak[1..].iter().map(|p| p.get()).collect();
        self.graph.add_check(&leak, &causes)
    }

    fn cause(&self, cause: rules::Cause) -> Option<belief::Cause> {
        match cause {
            rules::Cause::Fault(id) => self.by_rule.get(&id).map(|f| self.present[f.0]),
            rules::Cause::Condition(id) => self.conditions.get(&id).map(|c| (*c).into()),
        }
    }
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

fn asked(findings: &[Understood], epoch: usize) -> Vec<rules::CheckId> {
    findings
        .iter()
        .filter(|f| f.epoch == epoch)
        .filter_map(|f| match f.meaning {
            Meaning::Answer { check, .. } => Some(check),
            _ => None,
        })
        .collect()
}
