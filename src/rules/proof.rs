//! Checks on the whole graph: cycles, things unused, unshown, uncaused or without remedy.

use super::ids::{Cause, CheckId, ConditionId, Effect, FaultId, LinkId, RemedyId, Strength};
use super::load::Loader;
use super::set::Rules;
use std::collections::BTreeSet;

/// Fills the look-up lists of a set and orders its conditions.
pub(super) fn index(rules: &mut Rules) {
    rules.from_faults = vec![Vec::new(); rules.faults.len()];
    rules.from_conditions = vec![Vec::new(); rules.conditions.len()];
    rules.to_conditions = vec![Vec::new(); rules.conditions.len()];
    rules.to_checks = vec![Vec::new(); rules.checks.len()];
    for (i, link) in rules.links.iter().enumerate() {
        let id = LinkId::at(i);
        match link.from {
            Cause::Fault(f) => rules.from_faults[f.index()].push(id),
            Cause::Condition(c) => rules.from_conditions[c.index()].push(id),
        }
        match link.to {
            Effect::Condition(c) => rules.to_conditions[c.index()].push(id),
            Effect::Check(c) => rules.to_checks[c.index()].push(id),
        }
    }
    rules.fixed_by = vec![Vec::new(); rules.faults.len()];
    for (i, remedy) in rules.remedies.iter().enumerate() {
        for fault in &remedy.fixes {
            rules.fixed_by[fault.index()].push(RemedyId::at(i));
        }
    }
}

/// Complains of everything that only shows when all packs are seen together.
pub(super) fn prove(loader: &mut Loader) {
    let acyclic = order(loader);
    unused(loader);
    uncaused(loader);
    if acyclic {
        unshown(loader);
    }
}

/// Walks the conditions depth first; complains of each way round in a circle.
struct Walk<'a> {
    rules: &'a Rules,
    state: Vec<u8>,
    path: Vec<ConditionId>,
    finished: Vec<ConditionId>,
    cycles: Vec<(LinkId, Vec<ConditionId>)>,
}

const OPEN: u8 = 1;
const DONE: u8 = 2;

impl Walk<'_> {
    fn visit(&mut self, start: ConditionId) {
        // An explicit stack: a chain of conditions may be as long as a file allows.
        let mut stack = vec![(start, 0)];
        self.state[start.index()] = OPEN;
        self.path.push(start);
        while let Some((id, next)) = stack.last_mut() {
            let id = *id;
            let Some(link) = self.rules.from_conditions[id.index()].get(*next).copied() else {
                stack.pop();
                self.path.pop();
                self.state[id.index()] = DONE;
                self.finished.push(id);
                continue;
            };
            *next += 1;
            let Effect::Condition(to) = self.rules.link(link).to else { continue };
            match self.state[to.index()] {
                0 => {
                    self.state[to.index()] = OPEN;
                    self.path.push(to);
                    stack.push((to, 0));
                }
                OPEN => {
                    let from = self.path.iter().position(|c| *c == to).unwrap_or(0);
                    let mut cycle = self.path[from..].to_vec();
                    cycle.push(to);
                    self.cycles.push((link, cycle));
                }
                _ => {}
            }
        }
    }
}

fn order(loader: &mut Loader) -> bool {
    let count = loader.rules.conditions.len();
    let mut walk = Walk {
        rules: &loader.rules,
        state: vec![0; count],
        path: Vec::new(),
        finished: Vec::new(),
        cycles: Vec::new(),
    };
    for i in 0..count {
        if walk.state[i] == 0 {
            walk.visit(ConditionId::at(i));
        }
    }
    let (mut finished, cycles) = (walk.finished, walk.cycles);
    finished.reverse();
    let acyclic = cycles.is_empty();
    for (link, cycle) in cycles {
        let names: Vec<&str> = cycle.iter().map(|c| loader.rules.condition(*c).id.as_str()).collect();
        let message = format!("these conditions cause each other in a circle: {}", names.join(" -> "));
        let place = loader.rules.link(link).place.clone();
        loader.complain("cycle", place, message, "take one of these links out");
    }
    loader.rules.order = finished;
    acyclic
}

fn unused(loader: &mut Loader) {
    let mut found = Vec::new();
    let rules = &loader.rules;
    for (id, c) in rules.conditions() {
        let caused = !rules.to_conditions[id.index()].is_empty()
            || loader.cut_effects.contains(&Effect::Condition(id));
        if !caused && c.leak.is_zero() {
            let message = format!("nothing causes the condition '{}'", c.id);
            found.push((
                "unused",
                c.place.clone(),
                message,
                "link a fault or a condition to it, or take it out",
            ));
        }
        if rules.from_conditions[id.index()].is_empty() && !loader.cut_causes.contains(&Cause::Condition(id))
        {
            let message = format!("the condition '{}' leads to nothing", c.id);
            found.push(("unused", c.place.clone(), message, "link it to what shows it, or take it out"));
        }
    }
    for (_, c) in rules.cautions().filter(|(id, _)| !loader.used_cautions.contains(id)) {
        let message = format!("nothing refers to the caution '{}'", c.id);
        found.push(("unused", c.place.clone(), message, "name it in a check or a remedy, or take it out"));
    }
    for (_, s) in rules.setups().filter(|(id, _)| !loader.used_setups.contains(id)) {
        let message = format!("nothing refers to the setup '{}'", s.id);
        found.push(("unused", s.place.clone(), message, "name it in a check or a remedy, or take it out"));
    }
    for (id, f) in rules.faults() {
        if rules.remedies_of(id).is_empty() {
            let message = format!("no remedy fixes the fault '{}'", f.id);
            found.push(("no-remedy", f.place.clone(), message, "name it in 'fixes' of a remedy"));
        }
    }
    for (code, place, message, help) in found {
        loader.complain(code, place, message, help);
    }
}

/// Whether a link can bring an answer about.
fn brings(strength: &Strength, answer: usize) -> bool {
    matches!(strength, Strength::Graded(shares) if shares.get(answer).is_some_and(|p| !p.is_zero()))
}

fn uncaused(loader: &mut Loader) {
    let mut found = Vec::new();
    for (id, check) in loader.rules.checks() {
        if loader.cut_effects.contains(&Effect::Check(id)) {
            continue;
        }
        for (answer, name) in check.answers.iter().enumerate().skip(1) {
            if loader.rules.links_to(Effect::Check(id)).any(|(_, l)| brings(&l.strength, answer)) {
                continue;
            }
            let place = loader.answer_places[id.index()].get(answer).cloned().unwrap_or(check.place.clone());
            found.push(match check.symptom {
                Some(_) => (place, format!("nothing causes the symptom '{}'", check.id)),
                None => (place, format!("nothing causes the answer '{name}' of '{}'", check.id)),
            });
        }
    }
    for (place, message) in found {
        loader.complain("no-cause", place, message, "link a fault or a condition to it, or take it out");
    }
}

type Shown = BTreeSet<(CheckId, usize)>;

fn shown_by<'a>(links: impl Iterator<Item = (LinkId, &'a super::set::Link)>, conditions: &[Shown]) -> Shown {
    let mut shown = Shown::new();
    for (_, link) in links {
        match (&link.to, &link.strength) {
            (Effect::Condition(c), _) => shown.extend(&conditions[c.index()]),
            (Effect::Check(c), Strength::Graded(shares)) => {
                shown.extend((1..shares.len()).filter(|a| !shares[*a].is_zero()).map(|a| (*c, a)));
            }
            (Effect::Check(_), Strength::Plain(_)) => {}
        }
    }
    shown
}

fn unshown(loader: &mut Loader) {
    let rules = &loader.rules;
    let symptoms: Shown = rules.symptoms().map(|(_, s)| (s.check, s.answer)).collect();
    let mut conditions = vec![Shown::new(); rules.conditions.len()];
    let mut cut = loader.cut_causes.clone();
    for id in rules.order.iter().rev() {
        let leads_to_cut =
            |l: &super::set::Link| matches!(l.to, Effect::Condition(c) if cut.contains(&Cause::Condition(c)));
        if rules.links_from(Cause::Condition(*id)).any(|(_, l)| leads_to_cut(l)) {
            cut.insert(Cause::Condition(*id));
        }
        conditions[id.index()] = shown_by(rules.links_from(Cause::Condition(*id)), &conditions);
    }
    let mut found = Vec::new();
    for (i, fault) in rules.faults.iter().enumerate() {
        let cause = Cause::Fault(FaultId::at(i));
        let leads_to_cut =
            |l: &super::set::Link| matches!(l.to, Effect::Condition(c) if cut.contains(&Cause::Condition(c)));
        if cut.contains(&cause) || rules.links_from(cause).any(|(_, l)| leads_to_cut(l)) {
            continue;
        }
        let shown = shown_by(rules.links_from(cause), &conditions);
        if !shown.iter().any(|s| symptoms.contains(s)) {
            let message = format!("the fault '{}' reaches no symptom", fault.id);
            found.push(("no-symptom", fault.place.clone(), message, "link it to what its owner notices"));
        }
        if !shown.iter().any(|s| !symptoms.contains(s)) {
            let message = format!("no check can show the fault '{}'", fault.id);
            found.push(("no-check", fault.place.clone(), message, "link it to a check other than a symptom"));
        }
    }
    for (code, place, message, help) in found {
        loader.complain(code, place, message, help);
    }
}
