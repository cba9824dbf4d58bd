//! Looks ahead: cheap policies at the leaves, the best of the steps on offer above them.
//!
//! In small problems every value is the cost of a policy that can be followed, hence never below the optimum, and more
//! nodes only lower it. In large ones a look that is cut short ends in an estimate (`cut_short`).

use super::belief::{Move, Node};
use super::measure::surprise_bits;
use super::model::Model;
use super::price::Expected;
use super::remedies::{Room, best_order, cheapest_end, cure_chances};
use super::strategies::{LEAST_BITS, LEAST_COST};
use std::collections::HashMap; // looked up only, never walked through

/// A value with whether it is the least there is.
#[derive(Debug, Clone, Copy)]
pub(super) struct Worth {
    pub expected: Expected,
    pub exact: bool,
}

/// Whether a step is certain not to come below a bound, or only seems so.
#[derive(Debug, Clone, Copy)]
pub(super) struct Proved(pub bool);

#[derive(Debug, Clone, Copy)]
struct Remembered {
    worth: Worth,
    look: Look,
}

/// How far to look below a node.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Look {
    /// Steps to look ahead in full.
    pub depth: usize,
    /// How many of the most promising checks and remedies are tried at each of them.
    pub width: usize,
    /// Share of the node's weight below which the cheap policy asks nothing more.
    pub grain: f64,
}

impl Look {
    /// Whether this look shows all that `other` would.
    fn covers(&self, other: &Look) -> bool {
        self.depth >= other.depth && self.width >= other.width && self.grain <= other.grain
    }

    /// The look below a node that is reached with this probability.
    fn below(&self, chance: f64) -> Look {
        Look { grain: self.grain / chance.max(f64::MIN_POSITIVE), ..*self }
    }
}

/// A step on offer at a node, with its cheap merits.
#[derive(Debug, Clone, Copy)]
pub(super) struct Offer {
    pub step: Move,
    /// Bits for a check, probability of a cure at once for a remedy.
    pub merit: f64,
    pub cost: f64,
}

/// One look ahead.
pub(super) struct Search<'m> {
    model: &'m Model,
    known: HashMap<u128, Remembered>, // looked up only
    room: Room,
    budget: usize,
    /// What a missing bit comes to in the end; infinite while unknown.
    bit_cost: f64,
    pub nodes: usize,
}

/// A gap this small between a value and its bound is none.
const TIGHT: f64 = 1e-9;

impl<'m> Search<'m> {
    /// A look ahead that evaluates about `budget` nodes.
    pub(super) fn new(model: &'m Model, budget: usize) -> Search<'m> {
        Search {
            model,
            known: HashMap::new(), // looked up only
            room: Room::default(),
            budget,
            bit_cost: f64::INFINITY,
            nodes: 0,
        }
    }

    /// In a large problem, finds what a missing bit comes to: the value of the cheap policies at the root, beyond what
    /// mending costs when all is known, over the bits missing there.
    pub(super) fn learn_bit_cost(&mut self, root: &Node, grain: f64) {
        let missing = missing_bits(root);
        if self.model.large && missing > LEAST_BITS {
            let value = self.rough(root, grain).cost;
            self.bit_cost = (value - root.least(self.model)).max(0.0) / missing;
        }
    }

    /// Whether the budget is used up.
    pub(super) fn spent(&self) -> bool {
        self.nodes >= self.budget
    }

    /// Value of mending by remedies alone.
    pub(super) fn mend_only(&mut self, node: &Node) -> Expected {
        self.nodes += 1;
        best_order(self.model, node, &mut self.room)
    }

    /// Value of taking a step and then following `after`, which is given the search, a node and its probability.
    pub(super) fn value_of<F>(&mut self, node: &Node, step: Move, mut after: F) -> Expected
    where
        F: FnMut(&mut Search<'m>, &Node, f64) -> Expected,
    {
        let (mut sum, bench) = node.price(self.model, step);
        let children = node.after(self.model, step, bench);
        sum = sum.plus(self.finish(step, &children), 1.0);
        for (chance, child) in &children {
            let rest = after(self, child, *chance);
            sum = sum.plus(rest, *chance);
        }
        sum
    }

    /// Expected cost of finishing a remedy off, given the nodes at which it has not cured the unit.
    fn finish(&self, step: Move, children: &[(f64, Node)]) -> Expected {
        let open: f64 = children.iter().map(|(p, _)| p).sum();
        match step {
            Move::Remedy(r) => self.model.remedies[r].finish.times((1.0 - open).max(0.0)),
            Move::Check(_) => Expected::default(),
        }
    }

    /// Value of the cheap policies: the check with the most bits per cost, remedies as soon as that is cheaper.
    ///
    /// `grain` is the share of the node's weight below which nothing more is asked.
    fn rough(&mut self, node: &Node, grain: f64) -> Expected {
        let alone = self.mend_only(node);
        let least = node.least(self.model);
        let spare = alone.cost - least;
        if spare <= TIGHT * alone.cost {
            return alone;
        }
        if grain > 1.0 || self.spent() {
            return self.cut_short(node, alone, least);
        }
        let Some(offer) = self.best_check(node, spare) else { return alone };
        let asked = self.value_of(node, offer.step, |s, child, p| s.rough(child, grain / p));
        if asked.cost < alone.cost {
            return asked;
        }
        let Some(remedy) = remedies_on_offer(self.model, node).first().copied() else { return alone };
        let mended = self.value_of(node, remedy.step, |s, child, p| s.rough(child, grain / p));
        if mended.cost < alone.cost { mended } else { alone }
    }

    /// Value where a large problem is not looked into any further: remedies alone, or an estimate of what asking on
    /// would come to, if that is less: the bits that are missing at what a bit comes to, then the right remedy.
    ///
    /// This estimate is the one place where a value is not the cost of a policy. Small problems do without it.
    fn cut_short(&self, node: &Node, alone: Expected, least: f64) -> Expected {
        if !self.bit_cost.is_finite() {
            return alone;
        }
        let asking = least + self.bit_cost * missing_bits(node);
        if asking < alone.cost { alone.times(asking / alone.cost) } else { alone }
    }

    /// The check with the most bits per cost among those cheaper than `spare`; a free one is taken at once.
    fn best_check(&self, node: &Node, spare: f64) -> Option<Offer> {
        let mut best: Option<Offer> = None;
        for c in 0..self.model.checks.len() {
            if node.checked.has(c) {
                continue;
            }
            let step = Move::Check(c);
            let cost = node.price(self.model, step).0.cost.max(LEAST_COST);
            if cost >= spare {
                continue;
            }
            let bits = bits_of(self.model, node, c);
            if bits > LEAST_BITS && best.is_none_or(|b| bits * b.cost > b.merit * cost * (1.0 + 1e-12)) {
                best = Some(Offer { step, merit: bits, cost });
            }
        }
        best
    }

    /// Value looking so far ahead.
    pub(super) fn value(&mut self, node: &Node, look: Look) -> Worth {
        let key = node.fingerprint();
        let known = self.known.get(&key).copied();
        if let Some(k) = known
            && (k.worth.exact || k.look.covers(&look))
        {
            return k.worth;
        }
        let mut best = known.map(|k| k.worth.expected);
        if known.is_none_or(|k| k.look.grain > look.grain) {
            let rough = self.rough(node, look.grain);
            best = Some(best.filter(|b| b.cost <= rough.cost).unwrap_or(rough));
        }
        let expected = best.unwrap_or(self.model.fallback);
        let least = node.least(self.model);
        let mut best = Worth { expected, exact: expected.cost - least <= TIGHT * expected.cost };
        if look.depth > 0 && !best.exact && !self.spent() {
            best = self.best_of(node, look, best, least);
        }
        if !self.spent() || known.is_none() {
            self.known.insert(key, Remembered { worth: best, look });
        }
        best
    }

    fn best_of(&mut self, node: &Node, look: Look, rough: Worth, least: f64) -> Worth {
        let width = look.width;
        let below = Look { depth: look.depth - 1, ..look };
        let mut best = rough;
        let end = cheapest_end(self.model, node);
        if end.cost < best.expected.cost {
            best.expected = end;
        }
        let checks = checks_on_offer(self.model, node, best.expected.cost - least);
        let remedies = remedies_on_offer(self.model, node);
        let free = checks.first().is_some_and(|c| c.cost <= 0.0);
        let (checks_taken, remedies_taken) = if free { (1, 0) } else { (width, width) };
        let mut exact = free || (checks.len() <= width && remedies.len() <= width);
        let moves = checks.iter().take(checks_taken).chain(remedies.iter().take(remedies_taken));
        for offer in moves {
            match self.value_below(node, offer.step, below, best.expected.cost) {
                Ok(worth) => {
                    exact &= worth.exact;
                    if worth.expected.cost < best.expected.cost {
                        best.expected = worth.expected;
                    }
                }
                Err(Proved(proved)) => exact &= proved,
            }
            if self.spent() {
                exact = false;
                break;
            }
        }
        best.exact = exact;
        best
    }

    /// Value of a step; or, as soon as the values found say it won't come below `bound`, an error telling whether that
    /// is proved.
    ///
    /// # Errors
    /// Whether the bound holds for certain.
    pub(super) fn value_below(
        &mut self,
        node: &Node,
        step: Move,
        look: Look,
        bound: f64,
    ) -> Result<Worth, Proved> {
        let (mut cost, bench) = node.price(self.model, step);
        let children = node.after(self.model, step, bench);
        cost = cost.plus(self.finish(step, &children), 1.0);
        let mut rest: f64 = children.iter().map(|(p, child)| p * child.least(self.model)).sum();
        let mut sum = Worth { expected: cost, exact: true };
        for (chance, child) in &children {
            if sum.expected.cost + rest >= bound {
                return Err(Proved(sum.exact));
            }
            let worth = self.value(child, look.below(*chance));
            rest -= chance * child.least(self.model);
            sum.expected = sum.expected.plus(worth.expected, *chance);
            sum.exact &= worth.exact;
        }
        Ok(sum)
    }
}

/// Bits missing until the hypothesis is known.
pub(super) fn missing_bits(node: &Node) -> f64 {
    node.belief.iter().map(|(_, w)| surprise_bits(*w)).sum()
}

/// Information a check gives at a node, in bits.
pub(super) fn bits_of(model: &Model, node: &Node, c: usize) -> f64 {
    let check = &model.checks[c];
    let (mut p, mut noise) = (0.0, 0.0);
    for &(h, w) in &node.belief {
        let [likelihood, entropy] = check.first[h];
        p += w * likelihood;
        noise += w * entropy;
    }
    let (mut bits, mut rest) = (surprise_bits(p) - noise, 1.0 - p);
    let last = check.likelihood.len() - 1;
    for row in check.likelihood.iter().take(last).skip(1) {
        let p: f64 = node.belief.iter().map(|&(h, w)| w * row[h]).sum();
        rest -= p;
        bits += surprise_bits(p);
    }
    if last == 0 { 0.0 } else { bits + surprise_bits(rest) }
}

/// Checks that tell something and cost less than `spare`, most bits per cost first.
pub(super) fn checks_on_offer(model: &Model, node: &Node, spare: f64) -> Vec<Offer> {
    let mut offers: Vec<Offer> = Vec::new();
    for c in (0..model.checks.len()).filter(|&c| !node.checked.has(c)) {
        let step = Move::Check(c);
        let cost = node.price(model, step).0.cost;
        if cost < spare {
            let bits = bits_of(model, node, c);
            if bits > LEAST_BITS {
                offers.push(Offer { step, merit: bits, cost });
            }
        }
    }
    let worth = |o: &Offer| o.merit / o.cost.max(LEAST_COST);
    offers.sort_by(|a, b| worth(b).total_cmp(&worth(a)).then(a.step.cmp(&b.step)));
    offers
}

/// Remedies that touch something, highest probability of mending the unit per cost first, then those that only put
/// a part right.
pub(super) fn remedies_on_offer(model: &Model, node: &Node) -> Vec<Offer> {
    let chances = cure_chances(model, node);
    let mut offers: Vec<(Offer, f64)> = Vec::new();
    for (r, chance) in chances.into_iter().enumerate().filter(|(r, _)| !node.tried.has(*r)) {
        let step = Move::Remedy(r);
        let touched = |h: usize| node.belief.binary_search_by_key(&h, |(at, _)| *at).is_ok();
        let useful = chance > 1e-9 || model.remedies[r].touches.iter().any(|t| touched(t.from));
        if useful {
            let cost = node.price(model, step).0.cost;
            offers.push((Offer { step, merit: chance, cost }, chance / cost.max(LEAST_COST)));
        }
    }
    offers.sort_by(|a, b| b.1.total_cmp(&a.1).then(a.0.step.cmp(&b.0.step)));
    offers.into_iter().map(|(offer, _)| offer).collect()
}
