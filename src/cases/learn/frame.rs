//! The figures that are learned, and the graph that they make for a unit's blocks.

use super::pattern::{Pattern, Seen, Statistics, WHOLE};
use crate::belief::{self, Affected, Finding, Graph};
use crate::job::{UNLISTED_CHECK, UNLISTED_PRIOR, UNLISTED_SYMPTOM};
use crate::rules::{Cause, CheckId, ConditionId, Effect, FaultId, LinkId, Rules, Strength};
use std::collections::BTreeMap;

/// Where a table of chances stands in the rules.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Place {
    /// A link.
    Link(LinkId),
    /// A check's leak.
    Check(CheckId),
    /// A condition's leak.
    Condition(ConditionId),
}

/// Every table of chances of the rules, by number: links first, then checks, then conditions. A table gives the chance of
/// each answer, the normal one first (`[nothing, the condition]` where the effect is a condition).
#[derive(Clone, Debug)]
pub struct Tables {
    links: usize,
    checks: usize,
    /// The chances.
    pub chances: Vec<Vec<f64>>,
}

impl Tables {
    /// The authored chances.
    pub fn authored(rules: &Rules) -> Self {
        let two = |p: f64| vec![1.0 - p, p];
        let mut chances: Vec<Vec<f64>> = Vec::new();
        for (_, link) in rules.links() {
            chances.push(match &link.strength {
                Strength::Plain(p) => two(p.get()),
                Strength::Graded(shares) => closed(shares.iter().skip(1).map(|p| p.get())),
            });
        }
        for (_, check) in rules.checks() {
            chances.push(closed(check.leak.iter().skip(1).map(|p| p.get())));
        }
        chances.extend(rules.conditions().map(|(_, c)| two(c.leak.get())));
        Self { links: rules.links().len(), checks: rules.checks().len(), chances }
    }

    /// The number of a table.
    pub fn index(&self, place: Place) -> usize {
        match place {
            Place::Link(id) => id.index(),
            Place::Check(id) => self.links + id.index(),
            Place::Condition(id) => self.links + self.checks + id.index(),
        }
    }

    /// Where a table stands.
    pub fn place(&self, index: usize) -> Place {
        match index {
            i if i < self.links => Place::Link(LinkId::at(i)),
            i if i < self.links + self.checks => Place::Check(CheckId::at(i - self.links)),
            i => Place::Condition(ConditionId::at(i - self.links - self.checks)),
        }
    }

    fn of(&self, place: Place) -> &[f64] {
        &self.chances[self.index(place)]
    }
}

/// Chances of the abnormal answers, with the normal one before them.
fn closed(abnormal: impl Iterator<Item = f64>) -> Vec<f64> {
    let mut out = vec![0.0];
    out.extend(abnormal);
    out[0] = (1.0 - out.iter().sum::<f64>()).max(0.0);
    out
}

/// The graph of a unit, with what its nodes stand for.
#[derive(Clone, Debug)]
pub struct Frame {
    /// The graph.
    pub graph: Graph,
    /// The rules' faults by the engine's index; the last of the graph, `unlisted`, is not among them.
    pub faults: Vec<FaultId>,
    nodes: BTreeMap<FaultId, belief::FaultId>,
    checks: BTreeMap<CheckId, belief::CheckId>,
    /// Table of each place, by condition and by check of the graph; `usize::MAX` for the fault that no rule knows.
    condition_tables: Vec<Vec<usize>>,
    check_tables: Vec<Vec<usize>>,
    /// Checks that an owner may complain of, with the answers that have a name for it.
    symptoms: Vec<(CheckId, belief::CheckId, Vec<bool>)>,
}

impl Frame {
    /// The graph for the packs in play; the same that a job's model has, but for the priors, which the caller gives: a
    /// fault with a prior of 0 is left out.
    pub fn new(rules: &Rules, tables: &Tables, packs: &[bool], prior: &dyn Fn(FaultId) -> f64) -> Self {
        let mut frame = Self {
            graph: Graph::new(),
            faults: Vec::new(),
            nodes: BTreeMap::new(),
            checks: BTreeMap::new(),
            condition_tables: Vec::new(),
            check_tables: Vec::new(),
            symptoms: Vec::new(),
        };
        for (id, fault) in rules.faults().filter(|(_, f)| packs[f.pack.index()]) {
            if prior(id) > 0.0
                && let Ok(node) = frame.graph.add_fault(prior(id))
            {
                debug_assert_eq!(fault.id, rules.fault(id).id);
                frame.nodes.insert(id, node);
                frame.faults.push(id);
            }
        }
        // A constant between 0 and 1: the graph takes it.
        let unlisted = frame.graph.add_fault(UNLISTED_PRIOR).ok();
        let mut conditions = BTreeMap::new();
        for id in rules.condition_order().iter().filter(|id| packs[rules.condition(**id).pack.index()]) {
            frame.add_condition(rules, tables, *id, &mut conditions);
        }
        // Those about other blocks are kept: a card may name them.
        for (id, _) in rules.checks().filter(|(_, c)| packs[c.pack.index()]) {
            frame.add_check(rules, tables, id, &conditions, unlisted);
        }
        frame
    }

    fn causes(
        &self,
        rules: &Rules,
        to: Effect,
        conditions: &BTreeMap<ConditionId, belief::ConditionId>,
    ) -> Vec<(belief::Cause, LinkId)> {
        let node = |from: Cause| -> Option<belief::Cause> {
            match from {
                Cause::Fault(f) => self.nodes.get(&f).map(|f| (*f).into()),
                Cause::Condition(c) => conditions.get(&c).map(|c| (*c).into()),
            }
        };
        rules.links_to(to).filter_map(|(id, link)| node(link.from).map(|n| (n, id))).collect()
    }

    fn add_condition(
        &mut self,
        rules: &Rules,
        tables: &Tables,
        id: ConditionId,
        conditions: &mut BTreeMap<ConditionId, belief::ConditionId>,
    ) {
        let leak = tables.of(Place::Condition(id))[1];
        let causes = self.causes(rules, Effect::Condition(id), conditions);
        if causes.is_empty() && leak <= 0.0 {
            return;
        }
        let strengths: Vec<_> = causes.iter().map(|(c, l)| (*c, tables.of(Place::Link(*l))[1])).collect();
        if let Ok(node) = self.graph.add_condition(leak, &strengths) {
            let mut places = vec![tables.index(Place::Condition(id))];
            places.extend(causes.iter().map(|(_, l)| tables.index(Place::Link(*l))));
            self.condition_tables.push(places);
            conditions.insert(id, node);
        }
    }

    fn add_check(
        &mut self,
        rules: &Rules,
        tables: &Tables,
        id: CheckId,
        conditions: &BTreeMap<ConditionId, belief::ConditionId>,
        unlisted: Option<belief::FaultId>,
    ) {
        let check = rules.check(id);
        let bad = check.answers.len() - 1;
        let mut causes = self.causes(rules, Effect::Check(id), conditions);
        causes.sort();
        let mut spreads: Vec<(belief::Cause, Vec<f64>)> =
            causes.iter().map(|(c, l)| (*c, tables.of(Place::Link(*l))[1..].to_vec())).collect();
        let total = if check.symptom.is_some() { UNLISTED_SYMPTOM } else { UNLISTED_CHECK };
        spreads.extend(unlisted.map(|u| (u.into(), vec![total / bad as f64; bad])));
        let Ok(node) = self.graph.add_check(&tables.of(Place::Check(id))[1..], &spreads) else { return };
        let mut places = vec![tables.index(Place::Check(id))];
        places.extend(causes.iter().map(|(_, l)| tables.index(Place::Link(*l))));
        places.push(usize::MAX);
        self.check_tables.push(places);
        self.checks.insert(id, node);
        let named: Vec<bool> = (0..=bad).map(|k| rules.symptoms_of(id, k).next().is_some()).collect();
        if named.iter().any(|n| *n) {
            self.symptoms.push((id, node, named));
        }
    }

    /// Takes other figures; only tables that differ from those of `before` are looked at.
    pub fn refresh(&mut self, tables: &Tables, before: &Tables) {
        let changed: Vec<bool> = tables.chances.iter().zip(&before.chances).map(|(a, b)| a != b).collect();
        for (c, places) in self.condition_tables.iter().enumerate() {
            if places.iter().any(|t| changed[*t]) {
                let strengths: Vec<f64> = places[1..].iter().map(|t| tables.chances[*t][1]).collect();
                // Shares of a fit are probabilities, and the places are those of the graph: it takes them.
                let _ = self.graph.set_condition(
                    belief::ConditionId(c),
                    tables.chances[places[0]][1],
                    &strengths,
                );
            }
        }
        for (c, places) in self.check_tables.iter().enumerate() {
            for (place, t) in places.iter().enumerate().filter(|(_, t)| **t != usize::MAX && changed[**t]) {
                let _ = self.graph.set_spread(belief::CheckId(c), place, &tables.chances[*t][1..]);
            }
        }
    }

    /// The engine's fault of one of the rules, where it is in play.
    pub fn node(&self, fault: FaultId) -> Option<belief::FaultId> {
        self.nodes.get(&fault).copied()
    }

    /// The engine's check of one of the rules, where it is in play.
    pub fn check(&self, check: CheckId) -> Option<belief::CheckId> {
        self.checks.get(&check).copied()
    }

    /// The table of a place of a node; `None` for the fault that no rule knows.
    pub fn table(&self, at: Affected, place: usize) -> Option<usize> {
        let tables = match at {
            Affected::Condition(c) => &self.condition_tables[c.0],
            Affected::Check(c) => &self.check_tables[c.0],
        };
        tables.get(place).copied().filter(|t| *t != usize::MAX)
    }

    /// The faults of a pattern as the engine's.
    pub fn members(&self, pattern: &Pattern) -> Vec<belief::FaultId> {
        let mut out: Vec<_> = pattern.faults.iter().filter_map(|f| self.node(*f)).collect();
        out.extend(pattern.unlisted.then(|| belief::FaultId(self.graph.fault_count() - 1)));
        out
    }

    /// The findings as a diagnosis takes them: the complaint's symptoms, then the findings, which replace them.
    pub fn told(&self, pattern: &Pattern) -> Vec<Finding> {
        let mut out: BTreeMap<belief::CheckId, Finding> = BTreeMap::new();
        for (check, answer) in pattern.complaint.iter().flatten() {
            if let Some(node) = self.checks.get(check) {
                out.insert(*node, Finding::answer(*node, usize::from(*answer)));
            }
        }
        for (id, seen) in &pattern.findings {
            if let Some(node) = self.checks.get(id) {
                out.insert(*node, finding(*node, seen));
            }
        }
        out.into_values().collect()
    }

    /// The findings as learning takes them. Where there is a complaint, what an owner would have had a name for and did not
    /// complain of speaks too: it was not there, or was there and passed over (chance `1 - mention`). Without that, links to
    /// symptoms would be learned from the cases that show them alone.
    ///
    /// To keep the sum over conditions small, symptoms take part, complained of or not, only where their causes are settled by
    /// the findings anyway; whether they are does not depend on the complaint, so leaving the others out draws nothing one
    /// way.
    pub fn witnessed(&self, pattern: &Pattern, mention: f64) -> Witnessed<'_> {
        let members = self.members(pattern);
        let mut findings: Vec<Finding> = Vec::new();
        for (id, seen) in &pattern.findings {
            findings.extend(self.checks.get(id).map(|node| finding(*node, seen)));
        }
        let known: Vec<belief::CheckId> = findings.iter().map(|f| f.check).collect();
        let mut out = Witnessed { members, findings, passed: Vec::new(), there: 0.0, told: 0.0 };
        let Some(complaint) = &pattern.complaint else { return out };
        let settled = self.graph.between(&out.members, &known);
        for (id, node, named) in &self.symptoms {
            let told = complaint.iter().find(|(c, _)| c == id).map(|(_, k)| usize::from(*k));
            if known.contains(node) {
                let found = pattern.findings.iter().find(|(c, _)| c == id).map(|(_, seen)| seen);
                if let Some(Seen::Answer(k)) = found
                    && named[usize::from(*k)]
                {
                    out.there += 1.0;
                    out.told += f64::from(u8::from(told == Some(usize::from(*k))));
                }
            } else if self.graph.is_settled(&out.members, *node, &settled) {
                match told {
                    Some(k) => {
                        out.findings.push(Finding::answer(*node, k));
                        out.there += 1.0;
                        out.told += 1.0;
                    }
                    None => {
                        let likelihood = named.iter().map(|n| if *n { 1.0 - mention } else { 1.0 }).collect();
                        out.findings.push(Finding::soft(*node, likelihood));
                        out.passed.push((*node, named.as_slice()));
                    }
                }
            }
        }
        out
    }
}

/// A pattern as learning sees it.
pub struct Witnessed<'f> {
    /// The faults.
    pub members: Vec<belief::FaultId>,
    /// What speaks.
    pub findings: Vec<Finding>,
    /// Checks that the owner passed over, with the answers that have a name.
    pub passed: Vec<(belief::CheckId, &'f [bool])>,
    /// Symptoms known to have been there.
    pub there: f64,
    /// Those of them that were complained of.
    pub told: f64,
}

fn finding(node: belief::CheckId, seen: &Seen) -> Finding {
    match seen {
        Seen::Answer(k) => Finding::answer(node, usize::from(*k)),
        Seen::Soft(parts) => {
            Finding::soft(node, parts.iter().map(|p| f64::from(*p) / f64::from(WHOLE)).collect())
        }
    }
}

/// The packs in play for a pattern.
pub fn packs(rules: &Rules, pattern: &Pattern) -> Vec<bool> {
    Statistics::packs(rules, &pattern.blocks)
}
