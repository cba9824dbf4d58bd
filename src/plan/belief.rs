//! What is believed at one point of the reckoning: weights, what has been done, where the bench stands.

use super::model::{Bench, MENDED, Model, StepSet};
use super::price::Expected;

/// A step within the model.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub(super) enum Move {
    /// The check at this place.
    Check(usize),
    /// The remedy at this place.
    Remedy(usize),
}

/// One point of the reckoning.
#[derive(Debug, Clone)]
pub(super) struct Node {
    /// (hypothesis, weight) in rising order of hypothesis; the weights sum to 1.
    pub belief: Vec<(usize, f64)>,
    pub checked: StepSet,
    pub tried: StepSet,
    pub bench: Bench,
    /// Fingerprint of what has been done and seen.
    pub key: u128,
}

impl Node {
    /// The node where the reckoning starts.
    pub(super) fn start(model: &Model, bench: Bench) -> Node {
        let belief = model.start.iter().copied().enumerate().filter(|(_, w)| *w > 0.0).collect();
        Node { belief, checked: StepSet::default(), tried: StepSet::default(), bench, key: 0 }
    }

    /// Mass of hypotheses without a fault.
    pub(super) fn healthy(&self, model: &Model) -> f64 {
        self.belief.iter().filter(|(h, _)| model.healthy[*h]).map(|(_, w)| w).sum()
    }

    /// No course of steps costs less than this.
    pub(super) fn least(&self, model: &Model) -> f64 {
        self.belief.iter().map(|(h, w)| w * model.least[*h]).sum()
    }

    /// What the move costs here.
    pub(super) fn price(&self, model: &Model, step: Move) -> (Expected, Bench) {
        let fee = match step {
            Move::Check(c) => model.checks.get(c).map(|c| &c.fee),
            Move::Remedy(r) => model.remedies.get(r).map(|r| &r.fee),
        };
        fee.map_or((Expected::default(), self.bench), |fee| model.pay(fee, self.bench))
    }

    /// The nodes that a move leads to, each with its probability. A cure ends the reckoning and is no node, so the
    /// probabilities sum to less than 1 after a remedy.
    pub(super) fn after(&self, model: &Model, step: Move, bench: Bench) -> Vec<(f64, Node)> {
        match step {
            Move::Check(c) => self.after_check(model, c, bench),
            Move::Remedy(r) => self.after_remedy(model, r, bench),
        }
    }

    fn after_check(&self, model: &Model, c: usize, bench: Bench) -> Vec<(f64, Node)> {
        let Some(check) = model.checks.get(c) else { return Vec::new() };
        let mut bench = bench;
        if let Some(bit) = check.gate {
            bench.gates &= !(1 << bit);
        }
        let mut checked = self.checked;
        checked.add(c);
        self.passed_gates(model, bench, &mut checked);
        let mut nodes = Vec::with_capacity(check.likelihood.len());
        for (k, row) in check.likelihood.iter().enumerate() {
            let joint = |&(h, w): &(usize, f64)| (h, w * row[h]);
            let belief: Vec<(usize, f64)> = self.belief.iter().map(joint).collect();
            let chance: f64 = belief.iter().map(|(_, w)| w).sum();
            if chance > model.dust {
                let key = self.key_after(model, c as u64 * 64 + k as u64 + 1);
                nodes.push((chance, self.child(model, belief, checked, self.tried, bench, key)));
            }
        }
        nodes
    }

    fn after_remedy(&self, model: &Model, r: usize, bench: Bench) -> Vec<(f64, Node)> {
        let Some(remedy) = model.remedies.get(r) else { return Vec::new() };
        let mut same = self.belief.clone();
        let mut changed: Vec<(usize, f64)> = Vec::new();
        let mut moved: Vec<(usize, f64)> = Vec::new();
        for touch in &remedy.touches {
            let Ok(at) = self.belief.binary_search_by_key(&touch.from, |(h, _)| *h) else { continue };
            let Some(weight) = self.belief.get(at).map(|(_, w)| *w) else { continue };
            if let Some(slot) = same.get_mut(at) {
                slot.1 = weight * (1.0 - touch.success);
            }
            if touch.to != MENDED {
                let done = weight * touch.success;
                moved.push((touch.to, done * (1.0 - remedy.partial_shows)));
                changed.push((touch.to, done * remedy.partial_shows));
            }
        }
        let mut tried = self.tried;
        tried.add(r);
        let mut checked = self.checked;
        self.passed_gates(model, bench, &mut checked);
        same.append(&mut moved);
        let mut nodes = Vec::with_capacity(2);
        for (shown, belief) in [(0_u64, same), (1, changed)] {
            let chance: f64 = belief.iter().map(|(_, w)| w).sum();
            if chance > model.dust {
                let key = self.key_after(model, (1 << 32) + r as u64 * 2 + shown);
                nodes.push((chance, self.child(model, gathered(belief), checked, tried, bench, key)));
            }
        }
        nodes
    }

    /// Marks the gates that a powered step brought along.
    fn passed_gates(&self, model: &Model, bench: Bench, checked: &mut StepSet) {
        if self.bench.gates != 0 && bench.gates == 0 {
            for &gate in &model.gates {
                checked.add(gate);
            }
        }
    }

    fn child(
        &self,
        model: &Model,
        mut belief: Vec<(usize, f64)>,
        checked: StepSet,
        tried: StepSet,
        bench: Bench,
        key: u128,
    ) -> Node {
        let sum: f64 = belief.iter().map(|(_, w)| w).sum();
        belief.retain(|(_, w)| *w > model.dust * sum);
        let sum: f64 = belief.iter().map(|(_, w)| w).sum();
        for (_, w) in &mut belief {
            *w /= sum;
        }
        Node { belief, checked, tried, bench, key }
    }

    fn key_after(&self, model: &Model, event: u64) -> u128 {
        if model.commutes {
            self.key ^ scatter(u128::from(event))
        } else {
            scatter(self.key ^ u128::from(event))
        }
    }

    /// Fingerprint of the node, bench included.
    pub(super) fn fingerprint(&self) -> u128 {
        let bench = u128::from(self.bench.setups) << 64 ^ u128::from(self.bench.gates);
        self.key ^ scatter(bench ^ u128::from(self.bench.powered) << 127)
    }
}

/// Sorts by hypothesis and adds up repeats.
fn gathered(mut belief: Vec<(usize, f64)>) -> Vec<(usize, f64)> {
    belief.sort_by_key(|(h, _)| *h);
    belief.dedup_by(|next, kept| {
        let same = next.0 == kept.0;
        if same {
            kept.1 += next.1;
        }
        same
    });
    belief
}

/// Spreads a number over 128 bits: the finaliser of splitmix64 (Steele, Lea and Flood 2014) on two lanes.
fn scatter(value: u128) -> u128 {
    let mix = |mut x: u64| {
        x = x.wrapping_add(0x9e37_79b9_7f4a_7c15);
        x = (x ^ x >> 30).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        x = (x ^ x >> 27).wrapping_mul(0x94d0_49bb_1331_11eb);
        x ^ x >> 31
    };
    let (high, low) = ((value >> 64) as u64, value as u64);
    let a = mix(low ^ mix(high));
    let b = mix(a ^ high.rotate_left(17) ^ low);
    u128::from(a) << 64 | u128::from(b)
}
