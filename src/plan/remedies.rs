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
    left: Vec<usize>,
}

/// Expected cost of the best order of remedies from here, giving up where that is cheaper.
pub(super) fn best_order(model: &Model, node: &Node, room: &mut Room) -> Expected {
    room.fill(model, node);
    let mut best = cheapest_end(model, node);
    let (mut spent, mut broken, mut bench) = (Expected::default(), 1.0, node.bench);
    while broken > 1e-9 {
        let mut pick: Option<(usize, f64, f64)> = None;
        for (at, &r) in room.left.iter().enumerate() {
            let Some(remedy) = model.remedies.get(r) else { continue };
            let p = room.cures.get(r).copied().unwrap_or(0.0);
            if p <= 1e-12 {
                continue;
            }
            let cost = model.pay(&remedy.fee, bench).0.cost;
            if pick.is_none_or(|(_, q, other)| p * other > q * cost * (1.0 + 1e-12)) {
                pick = Some((at, p, cost));
            }
        }
        let at = match pick {
            Some((at, ..)) => at,
            None => match room.widest(model) {
                Some(at) => at,
                None => break,
            },
        };
        let r = room.left.swap_remove(at);
        // Order matters for ties alone; keep it rising.
        room.left.sort_unstable();
        let Some(remedy) = model.remedies.get(r) else { break };
        let (cost, after) = model.pay(&remedy.fee, bench);
        bench = after;
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
    fn fill(&mut self, model: &Model, node: &Node) {
        self.weight.clear();
        self.weight.resize(model.healthy.len(), 0.0);
        self.cures = cure_chances(model, node);
        for &(h, w) in &node.belief {
            if let Some(slot) = self.weight.get_mut(h) {
                *slot = w;
            }
        }
        self.left.clear();
        self.left.extend((0..model.remedies.len()).filter(|&r| !node.tried.has(r)));
    }

    /// Place in `left` of the remedy that touches the most weight, when none mends the unit at once.
    fn widest(&self, model: &Model) -> Option<usize> {
        let mut best: Option<(usize, f64)> = None;
        for (at, &r) in self.left.iter().enumerate() {
            let Some(remedy) = model.remedies.get(r) else { continue };
            let weight = |h: usize| self.weight.get(h).copied().unwrap_or(0.0);
            let touched: f64 = remedy.touches.iter().map(|t| weight(t.from) * t.success).sum();
            if touched > 1e-12 && best.is_none_or(|(_, most)| touched > most * (1.0 + 1e-12)) {
                best = Some((at, touched));
            }
        }
        best.map(|(at, _)| at)
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
                if let Some(slot) = self.weight.get_mut(touch.to) {
                    *slot += done;
                }
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
