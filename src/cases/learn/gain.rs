//! Whether learning helped: every case is judged by figures learned from the others.
//!
//! Both times the same fault sets are weighed, findings and complaint as a diagnosis takes them: none, every single fault,
//! pairs of the likeliest, and the truth. The scores are those of the posterior over these sets.

use super::em::{Data, fit};
use super::frame::{Frame, Tables, packs};
use super::pattern::{Pattern, Statistics};
use super::priors::Priors;
use crate::belief::{FaultId, Finding};
use crate::rules::Rules;
use serde::Serialize;

/// Up to so many cases each is left out alone; more are cut into [`FOLDS`].
pub const ALONE: u64 = 30;
/// Parts that many cases are cut into.
pub const FOLDS: u64 = 5;
/// Most cases that are judged, spread evenly over all.
pub const JUDGED: u64 = 300;
/// Likeliest single faults that are weighed in pairs too.
const PAIRED: usize = 16;

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
            tables: fit(rules, Data::new(rules, rest.iter().copied()), weight).tables,
            priors: Priors::learn(rules, rest.iter().copied(), weight),
        };
        for pattern in out {
            if let Some((b, a)) = judge(rules, &authored, &learned, pattern) {
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

/// One case judged twice: before and after.
fn judge(rules: &Rules, before: &Figures, after: &Figures, pattern: &Pattern) -> Option<(Score, Score)> {
    let packs = packs(rules, pattern);
    let frame = |figures: &Figures| {
        let prior = |f| figures.priors.of(f, pattern.history, pattern.build);
        Frame::new(rules, &figures.tables, &packs, &prior)
    };
    let (before, after) = (frame(before), frame(after));
    // A fault with a prior of 0 in either has no place in the other's list.
    if before.faults != after.faults {
        return None;
    }
    let truth = before.members(pattern);
    let (mut b, mut a) = (Weights::new(&before, pattern), Weights::new(&after, pattern));
    let count = before.graph.fault_count();
    let mut singles = Vec::with_capacity(count);
    for f in (0..count).map(FaultId) {
        singles.push((b.weigh(&[f]).max(a.weigh(&[f])), f));
    }
    singles.sort_by(|x, y| y.0.total_cmp(&x.0).then(x.1.cmp(&y.1)));
    singles.truncate(PAIRED);
    let mut sets: Vec<Vec<FaultId>> = vec![Vec::new()];
    for (i, (_, f)) in singles.iter().enumerate() {
        sets.extend(singles[..i].iter().map(|(_, g)| vec![*f.min(g), *f.max(g)]));
    }
    if truth.len() > 1 && !sets.contains(&truth) {
        sets.push(truth.clone());
    }
    for set in sets {
        b.weigh(&set);
        a.weigh(&set);
    }
    Some((b.score(&truth), a.score(&truth)))
}

/// Fault sets with the logarithms of their weights.
struct Weights<'f> {
    frame: &'f Frame,
    findings: Vec<Finding>,
    /// log(1 - prior) of every fault, summed.
    base: f64,
    sets: Vec<(Vec<FaultId>, f64)>,
}

impl<'f> Weights<'f> {
    fn new(frame: &'f Frame, pattern: &Pattern) -> Self {
        let all = frame.graph.faults().filter_map(|f| frame.graph.prior(f));
        let base = all.map(|p| (-p).ln_1p()).sum();
        Self { frame, findings: frame.told(pattern), base, sets: Vec::new() }
    }

    fn weigh(&mut self, set: &[FaultId]) -> f64 {
        let odds = |f: &FaultId| self.frame.graph.prior(*f).map_or(0.0, |p| p.ln() - (-p).ln_1p());
        let prior = self.base + set.iter().map(odds).sum::<f64>();
        let found = self.frame.graph.expectations(set, &self.findings);
        let log = prior + found.map_or(f64::NEG_INFINITY, |f| f.log_likelihood);
        self.sets.push((set.to_vec(), log));
        log
    }

    /// P(fault) by fault, and P(none).
    fn marginals(&self) -> (Vec<f64>, f64) {
        let most = self.sets.iter().map(|s| s.1).fold(f64::NEG_INFINITY, f64::max);
        let total: f64 = self.sets.iter().map(|s| (s.1 - most).exp()).sum();
        let mut p = vec![0.0; self.frame.graph.fault_count()];
        let mut none = 0.0;
        for (set, log) in &self.sets {
            let share = (log - most).exp() / total;
            set.iter().for_each(|f| p[f.0] += share);
            none += if set.is_empty() { share } else { 0.0 };
        }
        (p, none)
    }

    fn score(&self, truth: &[FaultId]) -> Score {
        let (p, none) = self.marginals();
        let mut score = Score::default();
        for (i, p) in p.iter().enumerate() {
            let there = truth.contains(&FaultId(i));
            let q = p.clamp(1e-9, 1.0 - 1e-9);
            score.log += if there { q.ln() } else { (-q).ln_1p() };
            score.brier += (p - f64::from(u8::from(there))).powi(2);
        }
        let lowest = truth.iter().map(|t| p[t.0]).fold(f64::INFINITY, f64::min);
        let (mean, bar) = match truth.len() {
            0 => (none, none),
            n => (truth.iter().map(|t| p[t.0]).sum::<f64>() / n as f64, lowest),
        };
        score.probability = mean;
        score.rank = 1.0 + p.iter().filter(|x| **x > bar).count() as f64;
        score
    }
}

/// What the figures of the rules make of one case.
#[derive(Clone, Debug, PartialEq)]
pub struct Standing {
    /// P(fault), the rules' faults with their ids, `unlisted` last.
    pub faults: Vec<(Option<crate::rules::FaultId>, f64)>,
    /// The fault that leads.
    pub leader: Option<crate::rules::FaultId>,
    /// Probability of the true fault that stands lowest; of none where that is the truth.
    pub truth: f64,
}

/// Judges cases by the authored figures, one graph a context.
pub struct Judge<'r> {
    rules: &'r Rules,
    tables: Tables,
    priors: Priors,
}

impl<'r> Judge<'r> {
    /// A judge by the rules as they stand.
    pub fn new(rules: &'r Rules) -> Self {
        Self { rules, tables: Tables::authored(rules), priors: Priors::authored(rules) }
    }

    /// How the faults stand at the end, and after leaving out each finding in turn: who leads then.
    pub fn standing(&self, pattern: &Pattern) -> (Standing, Vec<Option<crate::rules::FaultId>>) {
        let prior = |f| self.priors.of(f, pattern.history, pattern.build);
        let frame = Frame::new(self.rules, &self.tables, &packs(self.rules, pattern), &prior);
        let all = self.of(&frame, pattern);
        let without = (0..pattern.findings.len()).map(|i| {
            let mut less = pattern.clone();
            less.findings.remove(i);
            self.of(&frame, &less).leader
        });
        let without = without.collect();
        (all, without)
    }

    fn of(&self, frame: &Frame, pattern: &Pattern) -> Standing {
        let truth = frame.members(pattern);
        let mut weights = Weights::new(frame, pattern);
        let count = frame.graph.fault_count();
        let mut singles: Vec<(f64, FaultId)> =
            (0..count).map(|f| (weights.weigh(&[FaultId(f)]), FaultId(f))).collect();
        singles.sort_by(|x, y| y.0.total_cmp(&x.0).then(x.1.cmp(&y.1)));
        singles.truncate(PAIRED);
        weights.weigh(&[]);
        for (i, (_, f)) in singles.iter().enumerate() {
            for (_, g) in &singles[..i] {
                weights.weigh(&[*f.min(g), *f.max(g)]);
            }
        }
        let (p, none) = weights.marginals();
        let name = |f: usize| frame.faults.get(f).copied();
        let lead =
            p.iter().enumerate().fold((0, 0.0), |best, (f, x)| if *x > best.1 { (f, *x) } else { best });
        let lowest = truth.iter().map(|t| p[t.0]).fold(f64::INFINITY, f64::min);
        Standing {
            leader: name(lead.0),
            truth: if truth.is_empty() { none } else { lowest },
            faults: p.into_iter().enumerate().map(|(f, p)| (name(f), p)).collect(),
        }
    }
}
