//! The best order of remedies when nothing more is asked, and when to give up on them.
//!
//! Remedies are taken by falling (probability of mending the unit at once) / cost. Swapping two neighbours shows why:
//! `i` before `j` is better exactly when `c_j·p_i > c_i·p_j`. For a single fault this is probability per cost (Kadane
//! and Simon 1977); for several independent faults with a retest after each, the probability of mending the unit at
//! once is in proportion to the prior odds, so it is prior odds per cost. Remedies that cure several faults at once
//! break the rule; the look-ahead makes up for that.

use super::belief::Node;
use super::model::{MENDED, Model};
use super::price::Expected;

/// Room for the reckoning, kept between calls.
#[derive(Debug, Clone, Default)]
pub(super) struct Room {
    weight: Vec<f64>,
    cures: Vec<f64>,
    /// Remedies that may still be taken, in rising order, with their cost on the bench as it is.
    left: Vec<(usize, f64)>,
    /// Hypotheses whose weight has to be wiped afterwards.
    marked: Vec<usize>,
}

/// Expected cost of the best order of remedies from here, giving up where that is cheaper.
pub(super) fn best_order(model: &Model, node: &Node, room: &mut Room) -> Expected {
    room.fill(model, node);
    let mut best = cheapest_end(model, node);
    let (mut spent, mut broken, mut bench) = (Expected::default(), 1.0, node.bench);
    room.price(model, bench);
    while broken > model.dust * 1e-2 {
        let Some(at) = room.best().or_else(|| room.widest(model)) else { break };
        let (r, _) = room.left.remove(at);
        let Some(remedy) = model.remedies.get(r) else { break };
        let (cost, after) = model.pay(&remedy.fee, bench);
        if after != bench {
            bench = after;
            room.price(model, bench);
        }
        let mended = room.apply(model, r);
        spent = spent.plus(cost, broken).plus(remedy.finish, mended);
        broken -= mended;
        let total = spent.plus(model.fallback, broken.max(0.0));
        if total.cost < best.cost {
            best = total;
        }
        if spent.cost >= best.cost {
            break;
        }
    }
    room.wipe();
    best
}

/// The cheaper of referring the unit on and calling it healthy.
pub(super) fn cheapest_end(model: &Model, node: &Node) -> Expected {
    let healthy = node.healthy(model);
    let clean = model.comeback.times((1.0 - healthy).max(0.0));
    if healthy > 0.0 && clean.cost <= model.fallback.cost { clean } else { model.fallback }
}

/// Probability that each remedy mends the unit at once.
pub(super) fn cure_chances(model: &Model, node: &Node) -> Vec<f64> {
    let mut chances = vec![0.0; model.remedies.len()];
    for &(h, w) in &node.belief {
        for &(r, success) in model.cures.get(h).map_or(&[][..], Vec::as_slice) {
            if let Some(chance) = chances.get_mut(r) {
                *chance += w * success;
            }
        }
    }
    chances
}

impl Room {
    /// Takes up the weights of a node and the remedies that touch any of them.
    fn fill(&mut self, model: &Model, node: &Node) {
        self.weight.resize(model.healthy.len(), 0.0);
        self.cures.clear();
        self.cures.resize(model.remedies.len(), 0.0);
        self.left.clear();
        for &(h, w) in &node.belief {
            self.weight[h] = w;
            self.marked.push(h);
            for &(r, success) in &model.cures[h] {
                self.cures[r] += w * success;
            }
        }
        let faulty = node.belief.iter().filter(|(h, _)| !model.healthy[*h]);
        let mut touching: Vec<usize> = faulty.flat_map(|(h, _)| model.touching[*h].iter().copied()).collect();
        touching.sort_unstable();
        touching.dedup();
        self.left.extend(touching.into_iter().filter(|&r| !node.tried.has(r)).map(|r| (r, 0.0)));
    }

    /// Brings the costs up to date with the bench.
    fn price(&mut self, model: &Model, bench: super::model::Bench) {
        for (r, cost) in &mut self.left {
            *cost = model.pay(&model.remedies[*r].fee, bench).0.cost;
        }
    }

    /// Place in `left` of the remedy with the highest probability of mending the unit at once per cost.
    fn best(&self) -> Option<usize> {
        let mut pick: Option<(usize, f64, f64)> = None;
        for (at, &(r, cost)) in self.left.iter().enumerate() {
            let p = self.cures[r];
            if p > 1e-12 && pick.is_none_or(|(_, q, other)| p * other > q * cost * (1.0 + 1e-12)) {
                pick = Some((at, p, cost));
            }
        }
        pick.map(|(at, ..)| at)
    }

    /// Place in `left` of the remedy that touches the most weight, when none mends the unit at once.
    fn widest(&self, model: &Model) -> Option<usize> {
        let mut best: Option<(usize, f64)> = None;
        for (at, &(r, _)) in self.left.iter().enumerate() {
            let touched: f64 =
                model.remedies[r].touches.iter().map(|t| self.weight[t.from] * t.success).sum();
            if touched > 1e-12 && best.is_none_or(|(_, most)| touched > most * (1.0 + 1e-12)) {
                best = Some((at, touched));
            }
        }
        best.map(|(at, _)| at)
    }

    /// Leaves every weight at zero.
    fn wipe(&mut self) {
        for h in self.marked.drain(..) {
            self.weight[h] = 0.0;
        }
    }

    /// Applies a remedy to the weights; returns the weight it mends.
    fn apply(&mut self, model: &Model, r: usize) -> f64 {
        let Some(remedy) = model.remedies.get(r) else { return 0.0 };
        let mut mended = 0.0;
        for touch in &remedy.touches {
            let Some(slot) = self.weight.get_mut(touch.from) else { continue };
            let done = *slot * touch.success;
            if done <= 0.0 {
                continue;
            }
            *slot -= done;
            self.credit(model, touch.from, -done);
            if touch.to == MENDED {
                mended += done;
            } else {
                self.weight[touch.to] += done;
                self.marked.push(touch.to);
                self.credit(model, touch.to, done);
            }
        }
        mended
    }

    /// Weight of a hypothesis changed: so does what its remedies would mend.
    fn credit(&mut self, model: &Model, h: usize, change: f64) {
        for &(r, success) in model.cures.get(h).map_or(&[][..], Vec::as_slice) {
            if let Some(slot) = self.cures.get_mut(r) {
                *slot += change * success;
            }
        }
    }
}
