//! Which learned figures a suspect's standing rests on.
//!
//! In: what a pack of learned figures says of the suspect's prior and build factor, and of the links and leaks between it and
//! the findings that weigh on it. Absent: figures of other suspects, which move this one by what they leave to it.

use super::build::built;
use super::diagnosis::Diagnosis;
use super::model::FaultOrigin;
use crate::rules::{self, Cause, CheckId, Effect, FaultId, LinkId};
use serde::Serialize;

/// A figure that a pack of learned figures has changed.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct LearnedFigure {
    /// Fault, condition or check id.
    pub item: String,
    /// Which of its figures: `prior fresh-build`, `leads-to effect-sound silent`, `leak yes`.
    pub figure: String,
    /// As authored.
    pub was: f64,
    /// As learned.
    pub is: f64,
    /// Cases counted.
    pub cases: Option<u32>,
    /// Their weight as so many independent ones.
    pub effective: Option<f64>,
    /// Central 90 % of what it may be.
    pub interval: Option<[f64; 2]>,
    /// Anything else.
    pub note: Option<String>,
}

/// A learned figure nearer to the authored one than this share of it is not worth a line.
const SAME: f64 = 0.005;

impl Diagnosis<'_> {
    /// The learned figures behind a fault's prior and behind what these checks say of it.
    pub(super) fn learned(&self, origin: &FaultOrigin, checks: &[CheckId]) -> Vec<LearnedFigure> {
        let (faults, own) = match origin {
            FaultOrigin::Rule(id) => (vec![*id], true),
            FaultOrigin::Board(ids) => (ids.clone(), false),
            FaultOrigin::Unlisted => return Vec::new(),
        };
        let mut wanted: Vec<(rules::Item, String)> = Vec::new();
        if own {
            let history = Some(format!("prior {}", self.job.card.history.value));
            let build = built(&self.job.card, self.circuit.as_deref()).map(|b| format!("build {b}"));
            for figure in [history, build].into_iter().flatten() {
                wanted.extend(faults.iter().map(|f| (rules::Item::Fault(*f), figure.clone())));
            }
        }
        for check in checks {
            for link in faults.iter().flat_map(|f| self.ways(*f, *check)) {
                let link = self.rules.link(link);
                let item = match link.from {
                    Cause::Fault(f) => rules::Item::Fault(f),
                    Cause::Condition(c) => rules::Item::Condition(c),
                };
                wanted.push((item, format!("leads-to {}", self.rules.effect_name(link.to))));
            }
            wanted.push((rules::Item::Check(*check), "leak".into()));
        }
        let mut out: Vec<LearnedFigure> = Vec::new();
        for (item, start) in &wanted {
            self.figures(*item, start, &mut out);
        }
        out
    }

    /// Adds the learned figures of one item whose name begins so, the last said first.
    fn figures(&self, item: rules::Item, start: &str, out: &mut Vec<LearnedFigure>) {
        let name = self.item(item);
        for change in self.rules.amended().iter().rev() {
            let Some(from) = change.from.as_ref().filter(|_| change.item == item) else { continue };
            let same = (change.is - change.was).abs() <= SAME * change.was.abs();
            if same || !begins(&change.figure, start) {
                continue;
            }
            if out.iter().any(|l| l.item == name && l.figure == change.figure) {
                continue;
            }
            out.push(LearnedFigure {
                item: name.to_owned(),
                figure: change.figure.clone(),
                was: change.was,
                is: change.is,
                cases: from.cases,
                effective: from.effective,
                interval: from.interval.map(|[low, high]| [low.get(), high.get()]),
                note: from.note.clone(),
            });
        }
    }

    fn item(&self, item: rules::Item) -> &str {
        match item {
            rules::Item::Symptom(id) => &self.rules.symptom(id).id,
            rules::Item::Fault(id) => &self.rules.fault(id).id,
            rules::Item::Condition(id) => &self.rules.condition(id).id,
            rules::Item::Check(id) => &self.rules.check(id).id,
            rules::Item::Remedy(id) => &self.rules.remedy(id).id,
            rules::Item::Caution(_) | rules::Item::Setup(_) => "",
        }
    }

    /// All links that lie on a way from a fault to a check, in the order of causes.
    fn ways(&self, fault: FaultId, check: CheckId) -> Vec<LinkId> {
        let order = self.rules.condition_order();
        let mut leads = vec![false; self.rules.conditions().len()];
        let arrives = |to: Effect, leads: &[bool]| match to {
            Effect::Check(c) => c == check,
            Effect::Condition(c) => leads[c.index()],
        };
        for condition in order.iter().rev() {
            let mut links = self.rules.links_from(Cause::Condition(*condition));
            leads[condition.index()] = links.any(|(_, link)| arrives(link.to, &leads));
        }
        let mut reached = vec![false; leads.len()];
        let mut out = Vec::new();
        let causes = std::iter::once(Cause::Fault(fault)).chain(order.iter().map(|c| Cause::Condition(*c)));
        for cause in causes {
            if matches!(cause, Cause::Condition(c) if !reached[c.index()]) {
                continue;
            }
            for (id, link) in self.rules.links_from(cause).filter(|(_, link)| arrives(link.to, &leads)) {
                if let Effect::Condition(c) = link.to {
                    reached[c.index()] = true;
                }
                out.push(id);
            }
        }
        out
    }
}

/// Whether a figure is the one named, or one of its answers.
fn begins(figure: &str, named: &str) -> bool {
    figure.strip_prefix(named).is_some_and(|rest| rest.is_empty() || rest.starts_with(' '))
}
