//! Resolved jobs with a known truth, drawn from the rules themselves: what learning is held against.
//!
//! A unit gets a history, a build method and blocks; its faults by their priors, drawn again until something is wrong, since
//! nothing else comes to a bench; conditions and the answer of every check by the links. The owner complains of each
//! symptom that is there with a fixed chance. Then some checks are done, and the card says what was true.
//!
//! What is absent: boards and their readings (a drill on a board gives those), remedies that did not help.

use super::learn::MENTION;
use crate::job::{UNLISTED_CHECK, UNLISTED_PRIOR, UNLISTED_SYMPTOM};
use crate::rules::{Applies, Build, Cause, CheckId, Effect, FaultId, History, PackId, Rules, Strength};
use crate::text::{flow_scalar, inline};
use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::{RngCore, SeedableRng};
use std::collections::BTreeSet;
use std::fmt::Write;

/// Which checks are done.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Pick {
    /// Any of those in play.
    Random,
    /// Three in four of those that the true faults can reach, as on the cards of a repairer who got there; the others any.
    Near,
}

/// How to draw cards.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Simulation {
    /// Seed; card `i` of a seed is always the same.
    pub seed: u64,
    /// Checks done on each unit.
    pub checks: usize,
    /// Which.
    pub pick: Pick,
    /// What the units have been through; any where it isn't said.
    pub history: Option<History>,
}

/// A drawn unit.
#[derive(Clone, Debug, PartialEq)]
pub struct Drawn {
    /// What it has been through.
    pub history: History,
    /// How it is built.
    pub build: Build,
    /// Its blocks.
    pub blocks: Vec<PackId>,
    /// What is wrong, sorted.
    pub faults: Vec<FaultId>,
    /// Whether something is wrong that the rules don't know.
    pub unlisted: bool,
    /// Symptoms complained of, by text id.
    pub complaint: Vec<String>,
    /// Checks done, in order, with their answers and minutes.
    pub findings: Vec<(CheckId, usize, f64)>,
}

/// Evenly in [0, 1).
fn even(rng: &mut ChaCha8Rng) -> f64 {
    (rng.next_u64() >> 11) as f64 / (1u64 << 53) as f64
}

fn below(rng: &mut ChaCha8Rng, n: usize) -> usize {
    ((even(rng) * n as f64) as usize).min(n.saturating_sub(1))
}

/// Answer of one cause alone: its share by answer, the normal one first.
fn answer(rng: &mut ChaCha8Rng, shares: impl Iterator<Item = f64>) -> usize {
    let mut left = even(rng);
    for (k, share) in shares.enumerate() {
        left -= share;
        if left < 0.0 {
            return k + 1;
        }
    }
    0
}

/// Draws card `number` of a simulation. Cost: linear in the links.
pub fn draw(rules: &Rules, simulation: &Simulation, number: u64) -> Drawn {
    let mut rng = ChaCha8Rng::seed_from_u64(simulation.seed);
    rng.set_stream(number);
    let rng = &mut rng;
    let any = History::ALL[below(rng, History::ALL.len())];
    let history = simulation.history.unwrap_or(any);
    let build = Build::AUTHORED[below(rng, Build::AUTHORED.len())];
    let choice: Vec<PackId> =
        rules.packs().filter(|(_, p)| p.applies == Applies::WithBlock).map(|(id, _)| id).collect();
    let mut blocks: Vec<PackId> = choice.iter().copied().filter(|_| even(rng) < 0.5).collect();
    if blocks.is_empty() && !choice.is_empty() {
        blocks.push(choice[below(rng, choice.len())]);
    }
    let packs = super::learn::Statistics::packs(rules, &blocks);
    let (faults, unlisted) = faults(rules, rng, history, build, &packs);
    let world = World::draw(rules, rng, &packs, &faults, unlisted);
    let mut complaint = Vec::new();
    for (id, _) in rules.checks().filter(|(_, c)| packs[c.pack.index()]) {
        // Of several names for one answer the owner uses the first.
        let named = rules.symptoms_of(id, world.answers[id.index()]).next();
        if let Some((_, symptom)) = named
            && even(rng) < MENTION
        {
            complaint.push(symptom.id.clone());
        }
    }
    let any: Vec<CheckId> = rules
        .checks()
        .filter(|(_, c)| packs[c.pack.index()] && c.symptom.is_none())
        .map(|(id, _)| id)
        .collect();
    let near: Vec<CheckId> = any.iter().copied().filter(|c| world.reached[c.index()]).collect();
    let mut done: BTreeSet<CheckId> = BTreeSet::new();
    let mut findings = Vec::new();
    for _ in 0..4 * simulation.checks {
        if findings.len() >= simulation.checks {
            break;
        }
        let close = simulation.pick == Pick::Near && even(rng) < 0.75 && !near.is_empty();
        let list = if close { &near } else { &any };
        let Some(check) = list.get(below(rng, list.len())).copied() else { break };
        let minutes = (rules.check(check).minutes.get() * (0.6 + 0.8 * even(rng)) * 10.0).ceil() / 10.0;
        if done.insert(check) {
            findings.push((check, world.answers[check.index()], minutes));
        }
    }
    Drawn { history, build, blocks, faults, unlisted, complaint, findings }
}

/// Faults by their priors, given that there is one.
fn faults(
    rules: &Rules,
    rng: &mut ChaCha8Rng,
    history: History,
    build: Build,
    packs: &[bool],
) -> (Vec<FaultId>, bool) {
    loop {
        let mut out = Vec::new();
        for (id, fault) in rules.faults().filter(|(_, f)| packs[f.pack.index()]) {
            if even(rng) < fault.prior(history, Some(build)).get() {
                out.push(id);
            }
        }
        let unlisted = even(rng) < UNLISTED_PRIOR;
        if unlisted || !out.is_empty() {
            return (out, unlisted);
        }
    }
}

/// What is so in a drawn unit.
struct World {
    /// Answer by check.
    answers: Vec<usize>,
    /// Whether the faults can reach a check.
    reached: Vec<bool>,
}

impl World {
    fn draw(rules: &Rules, rng: &mut ChaCha8Rng, packs: &[bool], faults: &[FaultId], unlisted: bool) -> Self {
        let mut on = vec![false; rules.conditions().len()];
        let mut may = on.clone();
        for id in rules.condition_order().iter().filter(|id| packs[rules.condition(**id).pack.index()]) {
            let mut holds = even(rng) < rules.condition(*id).leak.get();
            let mut could = holds;
            for (_, link) in rules.links_to(Effect::Condition(*id)) {
                let (acts, might) = match link.from {
                    Cause::Fault(f) => (faults.contains(&f), faults.contains(&f)),
                    Cause::Condition(c) => (on[c.index()], may[c.index()]),
                };
                could |= might;
                holds |= acts && even(rng) < link.strength.total();
            }
            (on[id.index()], may[id.index()]) = (holds, could);
        }
        let mut world = Self { answers: Vec::new(), reached: Vec::new() };
        for (id, check) in rules.checks() {
            let mut worst = answer(rng, check.leak.iter().skip(1).map(|p| p.get()));
            let mut reached = false;
            for (_, link) in rules.links_to(Effect::Check(id)) {
                let (acts, might) = match link.from {
                    Cause::Fault(f) => (faults.contains(&f), faults.contains(&f)),
                    Cause::Condition(c) => (on[c.index()], may[c.index()]),
                };
                reached |= might;
                if let (true, Strength::Graded(shares)) = (acts, &link.strength) {
                    worst = worst.max(answer(rng, shares.iter().skip(1).map(|p| p.get())));
                }
            }
            if unlisted {
                let bad = check.answers.len() - 1;
                let total = if check.symptom.is_some() { UNLISTED_SYMPTOM } else { UNLISTED_CHECK };
                worst = worst.max(answer(rng, (0..bad).map(|_| total / bad as f64)));
            }
            world.answers.push(worst);
            world.reached.push(reached);
        }
        world
    }
}

/// The text of a drawn card.
pub fn card(rules: &Rules, drawn: &Drawn, number: u64) -> String {
    let mut out = format!(
        "# Drawn from the rules by 'halfsplit drill --cases'; no real unit.\nunit: Drawn unit {number}\nhistory: {}\nbuild: {}\n",
        drawn.history, drawn.build
    );
    let list =
        |ids: &[String]| format!("[{}]", ids.iter().map(|s| flow_scalar(s)).collect::<Vec<_>>().join(", "));
    let blocks: Vec<String> = drawn.blocks.iter().map(|b| rules.pack(*b).id.clone()).collect();
    let _ = writeln!(out, "complaint: {{symptoms: {}}}", list(&drawn.complaint));
    if !blocks.is_empty() {
        let _ = writeln!(out, "blocks: {}", list(&blocks));
    }
    out += if drawn.findings.is_empty() { "findings: []\n" } else { "findings:\n" };
    for (id, k, minutes) in &drawn.findings {
        let check = rules.check(*id);
        let (name, said) = (inline(&check.id), flow_scalar(&check.answers[*k]));
        let _ = writeln!(out, "  - {{check: {name}, answer: {said}, minutes: {minutes}}}");
    }
    let mut faults: Vec<String> = drawn.faults.iter().map(|f| rules.fault(*f).id.clone()).collect();
    let end = if faults.is_empty() { "unlisted" } else { "mended" };
    faults.extend(drawn.unlisted.then(|| "unlisted".to_string()));
    let _ = writeln!(out, "outcome: {{end: {end}, faults: {}}}", list(&faults));
    out
}
