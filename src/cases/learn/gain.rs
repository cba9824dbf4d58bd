//! Whether learning helped: every case is judged by figures learned from the others.

use super::em::{Data, fit};
use super::frame::{Frame, Tables, packs};
use super::pattern::{Pattern, Statistics};
use super::priors::Priors;
use crate::belief::{Belief, Limits};
use crate::rules::Rules;
use serde::Serialize;
use std::sync::Arc;

/// Up to so many cases each is left out alone; more are cut into [`FOLDS`].
pub const ALONE: u64 = 30;
/// Parts that many cases are cut into.
pub const FOLDS: u64 = 5;
/// Most cases that are judged, spread evenly over all.
pub const JUDGED: u64 = 300;
/// Work allowed for one posterior; beyond it the engine samples, with a fixed seed.
const LIMITS: Limits = Limits { log2_cost: 19.0, samples: 2_000, seed: 1 };

/// How well the true faults were told, on average over cases.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Score {
    /// Log score: sum over all faults of log P(as it was), in nats; 0 at best.
    pub log: f64,
    /// Brier score: sum over all faults of (probability - truth) squared; 0 at best.
    pub brier: f64,
    /// Probability of the true faults.
    pub probability: f64,
    /// Rank of the true fault, the lowest of several.
    pub rank: f64,
}

/// Scores before and after.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Gain {
    /// Cases judged.
    pub cases: u64,
    /// Parts the cases were cut into; as many as cases where each was left out alone.
    pub folds: u64,
    /// With the authored figures.
    pub before: Score,
    /// With the figures learned from the other cases.
    pub after: Score,
}

impl Gain {
    /// Whether the learned figures do worse in either score.
    pub fn worse(&self) -> bool {
        self.after.log < self.before.log || self.after.brier > self.before.brier
    }
}

/// The figures with which a case is judged.
struct Figures {
    tables: Tables,
    priors: Priors,
}

/// Judges learning by leaving cases out; `None` without a case. `tick` is called after each part.
pub fn gain(rules: &Rules, statistics: &Statistics, weight: f64, tick: &dyn Fn()) -> Option<Gain> {
    let total: u64 = statistics.patterns.values().sum();
    let folds = if total <= ALONE { total } else { FOLDS };
    let countable: u64 = statistics
        .patterns
        .iter()
        .filter(|(p, _)| p.complaint.is_some() || !p.findings.is_empty())
        .map(|(_, n)| n)
        .sum();
    if total < 2 || countable == 0 {
        return None;
    }
    let every = countable.div_ceil(JUDGED);
    let authored = Figures { tables: Tables::authored(rules), priors: Priors::authored(rules) };
    let (mut before, mut after, mut judged) = (Score::default(), Score::default(), 0);
    for fold in 0..folds {
        // Cases are dealt out one by one in the order of their patterns, so like cases spread over the parts.
        let mut number = 0;
        let mut rest: Vec<(&Pattern, u64)> = Vec::new();
        let mut out: Vec<&Pattern> = Vec::new();
        let mut place = 0;
        for (pattern, count) in &statistics.patterns {
            let mine = (number..number + count).filter(|i| i % folds == fold).count() as u64;
            number += count;
            if *count > mine {
                rest.push((pattern, count - mine));
            }
            for _ in 0..mine {
                if pattern.complaint.is_some() || !pattern.findings.is_empty() {
                    place += 1;
                    if place % every == 0 {
                        out.push(pattern);
                    }
                }
            }
        }
        if out.is_empty() {
            continue;
        }
        let learned = Figures {
            tables: fit(rules, &Data::new(rules, rest.iter().copied()), weight).tables,
            priors: Priors::learn(rules, rest.iter().copied(), weight),
        };
        for pattern in out {
            if let (Some(b), Some(a)) = (judge(rules, &authored, pattern), judge(rules, &learned, pattern)) {
                judged += 1;
                before.add(b);
                after.add(a);
            }
        }
        tick();
    }
    (judged > 0).then(|| Gain {
        cases: judged,
        folds,
        before: before.over(judged as f64),
        after: after.over(judged as f64),
    })
}

impl Score {
    fn add(&mut self, other: Self) {
        self.log += other.log;
        self.brier += other.brier;
        self.probability += other.probability;
        self.rank += other.rank;
    }

    fn over(self, n: f64) -> Self {
        Self {
            log: self.log / n,
            brier: self.brier / n,
            probability: self.probability / n,
            rank: self.rank / n,
        }
    }
}

/// The posterior of a pattern's faults under given figures: by fault of the rules in play, then `unlisted`.
pub fn posterior_of(
    rules: &Rules,
    tables: &Tables,
    priors: &Priors,
    pattern: &Pattern,
) -> Option<(Frame, Belief)> {
    let prior = |f| priors.of(f, pattern.history, pattern.build);
    let frame = Frame::new(rules, tables, &packs(rules, pattern), &prior);
    let findings = frame.told(rules, pattern);
    let belief = Belief::build(Arc::new(frame.graph.clone()), &findings, None, LIMITS).ok()?;
    Some((frame, belief))
}

fn judge(rules: &Rules, figures: &Figures, pattern: &Pattern) -> Option<Score> {
    let (frame, belief) = posterior_of(rules, &figures.tables, &figures.priors, pattern)?;
    let truth: Vec<usize> = frame.members(pattern).iter().map(|f| f.0).collect();
    let p: Vec<f64> = belief.posterior().faults.iter().map(|p| p.clamp(1e-9, 1.0 - 1e-9)).collect();
    let mut score = Score::default();
    for (i, p) in p.iter().enumerate() {
        let there = truth.contains(&i);
        score.log += if there { p.ln() } else { (-p).ln_1p() };
        score.brier += (p - f64::from(u8::from(there))).powi(2);
    }
    let lowest = truth.iter().map(|t| p[*t]).fold(f64::INFINITY, f64::min);
    if !truth.is_empty() {
        score.probability = truth.iter().map(|t| p[*t]).sum::<f64>() / truth.len() as f64;
        score.rank = 1.0 + p.iter().filter(|x| **x > lowest).count() as f64;
    } else {
        score.probability = belief.posterior().none;
        score.rank = 1.0 + p.iter().filter(|x| **x > belief.posterior().none).count() as f64;
    }
    Some(score)
}
