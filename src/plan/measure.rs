//! Measures of a step that don't look ahead: information, swing of the leader, probability of a cure.

use super::price::State;
use super::problem::{Check, CheckIx, HypothesisIx, Problem, Remedy, RemedyIx, Standing};

/// `-p·log2 p`, 0 at 0.
pub(super) fn surprise_bits(p: f64) -> f64 {
    if p > 0.0 { -p * p.log2() } else { 0.0 }
}

/// Entropy of a distribution in bits.
pub(super) fn entropy(chances: &[f64]) -> f64 {
    chances.iter().map(|&p| surprise_bits(p)).sum()
}

impl Problem {
    /// Information a check is expected to give about the hypotheses, in bits: entropy of its outcome less the
    /// expected entropy of its outcome under each hypothesis (mutual information; Lindley 1956).
    pub fn check_bits(&self, check: CheckIx) -> f64 {
        let Some(c) = self.checks().get(check.0) else { return 0.0 };
        let mass = self.mass().max(f64::MIN_POSITIVE);
        let noise: f64 = self
            .hypotheses()
            .iter()
            .zip(c.likelihood.chunks(c.outcomes.max(1)))
            .map(|(h, row)| h.weight / mass * entropy(row))
            .sum();
        (entropy(&self.outcome_chances(check)) - noise).max(0.0)
    }

    /// Information the retest after a remedy is expected to give, in bits.
    pub fn remedy_bits(&self, remedy: RemedyIx) -> f64 {
        let Some(r) = self.remedies().get(remedy.0) else { return 0.0 };
        let mass = self.mass().max(f64::MIN_POSITIVE);
        let noise: f64 = self
            .hypotheses()
            .iter()
            .map(|h| {
                let mut shown = [0.0; 3];
                for (retest, chance, _) in super::problem::after_trying(r, &h.faults) {
                    if let Some(cell) = shown.get_mut(retest as usize) {
                        *cell += chance;
                    }
                }
                h.weight / mass * entropy(&shown)
            })
            .sum();
        (entropy(&self.retest_chances(remedy)) - noise).max(0.0)
    }

    /// The heaviest hypothesis and its probability; ties go to the lower index. None without hypotheses.
    pub fn leader(&self) -> Option<(HypothesisIx, f64)> {
        let mass = self.mass().max(f64::MIN_POSITIVE);
        let mut best: Option<(HypothesisIx, f64)> = None;
        for (h, hypothesis) in self.hypotheses().iter().enumerate() {
            if best.is_none_or(|(_, weight)| hypothesis.weight / mass > weight) {
                best = Some((HypothesisIx(h), hypothesis.weight / mass));
            }
        }
        best
    }

    /// How much a check is expected to raise the probability of whatever leads after it.
    pub fn leader_gain(&self, check: CheckIx) -> f64 {
        let (Some(c), Some((_, now))) = (self.checks().get(check.0), self.leader()) else { return 0.0 };
        let mass = self.mass().max(f64::MIN_POSITIVE);
        let after: f64 = (0..c.outcomes)
            .map(|k| {
                let joint = |(h, hyp): (usize, &super::problem::Hypothesis)| {
                    hyp.weight / mass * c.chance(HypothesisIx(h), k)
                };
                self.hypotheses().iter().enumerate().map(joint).fold(0.0, f64::max)
            })
            .sum();
        (after - now).max(0.0)
    }

    /// How far the leader's probability is expected to move, up or down.
    pub(super) fn leader_swing(&self, check: CheckIx) -> f64 {
        let (Some(c), Some((leader, now))) = (self.checks().get(check.0), self.leader()) else { return 0.0 };
        let chances = self.outcome_chances(check);
        chances.iter().enumerate().map(|(k, p)| (now * c.chance(leader, k) - p * now).abs()).sum()
    }

    /// Open checks that may be taken now, or once the gates at hand are passed; in order.
    pub fn open_checks<'a>(&'a self, state: &'a State) -> impl Iterator<Item = CheckIx> + 'a {
        let open = |c: &Check| c.standing == Standing::Open && self.may_power_later(&c.price, state);
        self.checks().iter().enumerate().filter(move |(_, c)| open(c)).map(|(i, _)| CheckIx(i))
    }

    /// Open remedies that may be tried now, or once the gates at hand are passed; in order.
    pub fn open_remedies<'a>(&'a self, state: &'a State) -> impl Iterator<Item = RemedyIx> + 'a {
        let open = |r: &Remedy| r.standing == Standing::Open && self.may_power_later(&r.price, state);
        self.remedies().iter().enumerate().filter(move |(_, r)| open(r)).map(|(i, _)| RemedyIx(i))
    }
}
