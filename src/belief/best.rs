//! The most probable complete fault sets, exactly and best first.
//!
//! Faults that the findings couple to each other are searched best-first: a part of the space (some faults fixed) cannot
//! hold a set more probable than its whole mass, and that mass is one propagation. Faults that stand alone only
//! multiply, so they are enumerated lazily, as are the scored sets of one group.

use std::cmp::Ordering;
use std::collections::BinaryHeap;
use std::rc::Rc;

use super::compile::Setting;
use super::complete::Complete;
use super::state::Belief;
use super::{BeliefError, FaultId};

/// A complete fault set (all others absent) and its posterior probability.
#[derive(Debug, Clone, PartialEq)]
pub struct WeightedSet {
    /// The faults present, ordered by id; empty for no fault at all.
    pub members: Vec<FaultId>,
    /// P(exactly this set | findings).
    pub probability: f64,
}

/// The most probable fault sets and what they leave over.
#[derive(Debug, Clone, PartialEq)]
pub struct WeightedSets {
    /// Best first; ties in the order of their members.
    pub sets: Vec<WeightedSet>,
    /// Posterior mass of all sets not in the list.
    pub remaining: f64,
    /// Whether it is proved that no set outside the list is more probable than one inside. The search gives up the proof
    /// (not the exactness of the probabilities) at 40 propagations a set and 2,000, or where a propagation visits more
    /// than 2^17 table entries; there it weighs the likeliest neighbours of likely sets instead.
    pub certain: bool,
}

impl WeightedSets {
    /// These sets after one more answer: each probability times P(answer | set), over P(answer).
    ///
    /// `given` are the rows of [`Belief::answers_given`] for the members of these sets, `answers` the prediction of
    /// [`Belief::predict`]. Exact for the sets in the list; others may have overtaken them, so `certain` is false. Empty
    /// for an answer that cannot come.
    pub fn after(&self, given: &[Vec<f64>], answers: &[f64], answer: usize) -> WeightedSets {
        let whole = answers.get(answer).copied().unwrap_or(0.0);
        let mut sets: Vec<WeightedSet> = Vec::new();
        for (set, row) in self.sets.iter().zip(given) {
            let p = row.get(answer).copied().unwrap_or(0.0);
            if whole > 0.0 && p > 0.0 {
                sets.push(WeightedSet {
                    members: set.members.clone(),
                    probability: (set.probability * p / whole).min(1.0),
                });
            }
        }
        best_first(&mut sets);
        let sum: f64 = sets.iter().map(|s| s.probability).sum();
        WeightedSets { sets, remaining: (1.0 - sum).max(0.0), certain: false }
    }
}

impl Belief {
    /// The `count` most probable complete fault sets, exact and best first; fewer where fewer have a probability above
    /// zero. Costs about two propagations a set.
    ///
    /// # Errors
    /// [`BeliefError::TooCostly`].
    pub fn best_sets(&self, count: usize) -> Result<WeightedSets, BeliefError> {
        Search::new(self, count)?.run(count)
    }
}

/// Table entries of a propagation beyond which neighbours are weighed instead.
const HEAVY: f64 = 131_072.0;

/// Sets weighed for each one wanted, there.
const NEIGHBOURS: usize = 100;

fn best_first(sets: &mut [WeightedSet]) {
    sets.sort_by(|a, b| b.probability.total_cmp(&a.probability).then_with(|| a.members.cmp(&b.members)));
}

/// The coupled faults in `order` up to `place` are settled: all absent but the last. Those of the parent stay.
#[derive(Debug)]
struct Part {
    group: usize,
    parent: Rc<Vec<(usize, bool)>>,
    order: Rc<Vec<usize>>,
    place: usize,
}

impl Part {
    fn fixed(&self) -> Vec<(usize, bool)> {
        let mut fixed = self.parent.to_vec();
        if let Some(last) = self.order.get(self.place) {
            fixed.extend(self.order[..self.place].iter().map(|f| (*f, false)));
            fixed.push((*last, true));
        }
        fixed
    }
}

/// A complete set: coupled members, scored set by rank within its group, and which lone faults are flipped.
#[derive(Debug, Clone)]
struct Choice {
    group: usize,
    coupled: Rc<Vec<FaultId>>,
    rank: usize,
    flips: Vec<usize>,
}

#[derive(Debug)]
enum Item {
    Part(Part),
    Choice(Choice),
}

/// A queue entry; the greatest bound comes first, then the earliest entry.
#[derive(Debug)]
struct Entry {
    bound: f64,
    number: usize,
    item: Item,
}

impl PartialEq for Entry {
    fn eq(&self, other: &Self) -> bool {
        self.cmp(other) == Ordering::Equal
    }
}
impl Eq for Entry {}
impl PartialOrd for Entry {
    fn partial_cmp(&self, other: &Self) -> Option<Ordering> {
        Some(self.cmp(other))
    }
}
impl Ord for Entry {
    fn cmp(&self, other: &Self) -> Ordering {
        self.bound.total_cmp(&other.bound).then(other.number.cmp(&self.number))
    }
}

struct Search<'a> {
    belief: &'a Belief,
    complete: Complete,
    queue: BinaryHeap<Entry>,
    numbered: usize,
    /// Lone faults as (fault, present in the better state, odds of the other state), most even first.
    lone: Vec<(usize, bool, f64)>,
    /// Product of the better states' probabilities.
    lone_top: f64,
    /// The most that a set which is not in the queue can have.
    outside: f64,
    /// Scored sets of each group, heaviest first, as (place in the list, share of the group).
    ranked: Vec<Vec<(usize, f64)>>,
}

impl<'a> Search<'a> {
    fn new(belief: &'a Belief, count: usize) -> Result<Self, BeliefError> {
        let template = &belief.solver.template;
        let mut designated = vec![false; belief.graph.fault_count()];
        if let Some(sets) = &belief.sets {
            sets.faults.iter().for_each(|f| designated[f.0] = true);
        }
        let mut lone = Vec::new();
        let mut lone_top = 1.0;
        for (f, prior) in belief.graph.priors.iter().enumerate() {
            if !designated[f] && !template.is_coupled(f) {
                let p = template.alone(f, *prior);
                let better = p.max(1.0 - p);
                lone.push((f, p > 0.5, (1.0 - better) / better));
                lone_top *= better;
            }
        }
        lone.sort_by(|a, b| b.2.total_cmp(&a.2).then(a.0.cmp(&b.0)));
        let ranked: Vec<Vec<(usize, f64)>> = belief
            .groups
            .iter()
            .map(|group| {
                let mut sets = group.sets.clone();
                sets.sort_by(|a, b| b.1.total_cmp(&a.1).then(a.0.cmp(&b.0)));
                sets
            })
            .collect();
        let mut search = Search {
            belief,
            complete: belief.exact(&belief.findings)?,
            queue: BinaryHeap::new(),
            numbered: 0,
            lone,
            lone_top,
            outside: 0.0,
            ranked,
        };
        if belief.sets.is_none() && template.cost() > HEAVY {
            search.weigh_neighbours(count)?;
            return Ok(search);
        }
        for (g, group) in belief.groups.iter().enumerate() {
            let part = Part { group: g, parent: Rc::new(Vec::new()), order: Rc::new(Vec::new()), place: 0 };
            let bound = group.share * search.best_of_rest(g);
            search.push(bound, Item::Part(part));
        }
        Ok(search)
    }

    /// Fills the queue with complete sets instead of parts of the space.
    fn weigh_neighbours(&mut self, count: usize) -> Result<(), BeliefError> {
        let belief = self.belief;
        let template = &belief.solver.template;
        let coupled: Vec<usize> =
            (0..belief.graph.fault_count()).filter(|f| template.is_coupled(*f)).collect();
        let budget = NEIGHBOURS * count + 5000;
        let pool = super::sample::pool(&belief.graph, &belief.findings, &coupled, &belief.limits, budget)?;
        let mut open = 1.0;
        for (members, log) in pool {
            let share = (log - belief.posterior.log_evidence).exp();
            open -= share;
            let choice = Choice { group: 0, coupled: Rc::new(members), rank: 0, flips: Vec::new() };
            self.push(share * self.lone_top, Item::Choice(choice));
        }
        self.outside = open.max(0.0) * self.lone_top;
        Ok(())
    }

    /// The most that anything outside the coupled faults can contribute in a group.
    fn best_of_rest(&self, group: usize) -> f64 {
        self.lone_top * self.ranked[group].first().map_or(1.0, |(_, w)| *w)
    }

    fn push(&mut self, bound: f64, item: Item) {
        if bound > 0.0 {
            let number = self.numbered;
            self.numbered += 1;
            self.queue.push(Entry { bound, number, item });
        }
    }

    fn run(mut self, count: usize) -> Result<WeightedSets, BeliefError> {
        let mut budget = 40 * count + 2000;
        let mut sets = Vec::new();
        let mut certain = true;
        while sets.len() < count {
            let Some(entry) = self.queue.pop() else { break };
            match entry.item {
                Item::Choice(choice) => {
                    sets.push(WeightedSet { members: self.members(&choice), probability: entry.bound });
                    self.successors(&choice, entry.bound);
                }
                Item::Part(part) if budget > 0 => {
                    budget -= 1;
                    self.expand(&part)?;
                }
                Item::Part(_) => certain = false,
            }
        }
        best_first(&mut sets);
        certain &= sets.last().is_none_or(|s| s.probability >= self.outside);
        let sum: f64 = sets.iter().map(|s| s.probability).sum();
        Ok(WeightedSets { sets, remaining: (1.0 - sum).max(0.0), certain })
    }

    fn expand(&mut self, part: &Part) -> Result<(), BeliefError> {
        let belief = self.belief;
        let group = &belief.groups[part.group];
        let fixed = part.fixed();
        let setting = Setting { fixed: &fixed, ..group.setting() };
        let Some(ran) = belief.solver.run(&belief.graph, &belief.findings, setting, true)? else {
            return Ok(());
        };
        let mass = (group.log_weight + ran.outcome.log_total - belief.posterior.log_evidence).exp();
        let template = &belief.solver.template;
        let mut open: Vec<(usize, f64)> = (0..belief.graph.fault_count())
            .filter(|f| template.is_coupled(*f) && fixed.iter().all(|(g, _)| g != f))
            .map(|f| (f, ran.fault(f, 0.0)))
            .filter(|(_, p)| *p > 0.0)
            .collect();
        open.sort_by(|a, b| b.1.total_cmp(&a.1).then(a.0.cmp(&b.0)));
        let coupled: Vec<FaultId> = fixed.iter().filter(|f| f.1).map(|f| FaultId(f.0)).collect();
        let choice = Choice { group: part.group, coupled: Rc::new(coupled), rank: 0, flips: Vec::new() };
        let scored = self.ranked[part.group].first().map(|(s, _)| *s);
        let members = self.members(&choice);
        let present: Vec<usize> = members.iter().map(|f| f.0).collect();
        let log = self.complete.log_joint_at(belief, &present, scored)?;
        let probability = (log - belief.posterior.log_evidence).exp();
        self.push(probability, Item::Choice(choice));
        let bound = mass * self.best_of_rest(part.group);
        let order = Rc::new(open.iter().map(|(f, _)| *f).collect::<Vec<_>>());
        let parent = Rc::new(fixed);
        for (place, (_, p)) in open.iter().enumerate() {
            let child =
                Part { group: part.group, parent: Rc::clone(&parent), order: Rc::clone(&order), place };
            self.push(bound * p, Item::Part(child));
        }
        Ok(())
    }

    /// The choices next after this one: another lone fault flipped, or the last flip moved on, or the next scored set.
    fn successors(&mut self, choice: &Choice, probability: f64) {
        let next = choice.flips.last().map_or(0, |last| last + 1);
        if next < self.lone.len() {
            let odds = self.lone[next].2;
            let mut more = choice.clone();
            more.flips.push(next);
            self.push(probability * odds, Item::Choice(more));
            if let Some(last) = choice.flips.last() {
                let mut moved = choice.clone();
                moved.flips.pop();
                moved.flips.push(next);
                let before = self.lone[*last].2;
                self.push(probability / before * odds, Item::Choice(moved));
            }
        }
        let ranked = &self.ranked[choice.group];
        if choice.flips.is_empty()
            && let (Some(here), Some(after)) = (ranked.get(choice.rank), ranked.get(choice.rank + 1))
        {
            let ratio = after.1 / here.1;
            let mut other = choice.clone();
            other.rank += 1;
            self.push(probability * ratio, Item::Choice(other));
        }
    }

    fn members(&self, choice: &Choice) -> Vec<FaultId> {
        let mut members: Vec<FaultId> = choice.coupled.to_vec();
        for (i, (f, better, _)) in self.lone.iter().enumerate() {
            if *better != choice.flips.binary_search(&i).is_ok() {
                members.push(FaultId(*f));
            }
        }
        if let (Some(sets), Some((s, _))) = (&self.belief.sets, self.ranked[choice.group].get(choice.rank)) {
            members.extend(&sets.sets[*s].members);
        }
        members.sort_unstable();
        members
    }
}
