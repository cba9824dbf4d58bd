//! Whether learning helped: every case is judged by figures learned from the others.
//!
//! Scores are those of the exact posterior after complaint and findings, as a diagnosis takes them. What was seen of a unit
//! after a remedy that mended nothing takes no part, neither in learning for the judgement nor in judging: it belongs to a
//! card that may be the one left out.

use super::change::Spot;
use super::em::{Data, fit};
use super::frame::{Frame, Tables, packs};
use super::pattern::{Pattern, Statistics};
use super::priors::Priors;
use crate::belief::{Belief, CheckId, FaultId, Finding, Limits};
use crate::rules::Rules;
use serde::Serialize;
use std::sync::Arc;
use std::sync::atomic::{AtomicUsize, Ordering};

/// Up to so many cases each is left out alone.
pub const ALONE: usize = 30;
/// Up to so many cases are cut into [`FOLDS`], each left out in turn; of more, those that are judged are left out together.
pub const CUT: usize = 2_000;
/// Parts that many cases are cut into.
pub const FOLDS: usize = 5;
/// Most cases that are judged, spread evenly over all.
pub const JUDGED: usize = 500;
/// Most of those judged that are played as well.
pub const PLAYED: usize = 60;

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

/// What it took, on average over cases, until the true faults led for good, had the checks that the card notes been done in
/// the order of their information per minute by these figures.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Effort {
    /// Checks.
    pub steps: f64,
    /// Their minutes, as authored.
    pub minutes: f64,
}

/// Which of the figures learned are kept.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub enum Kept {
    /// All of them.
    All,
    /// Strengths and leaks; the authored priors did better.
    Strengths,
    /// Priors and build factors; the authored strengths did better.
    Priors,
    /// None: the authored figures did better.
    Nothing,
}

impl Kept {
    /// Those that can be kept.
    pub const SOME: [Self; 3] = [Self::All, Self::Strengths, Self::Priors];

    /// Whether a figure is kept. Minutes and successes go with any.
    pub fn takes(self, spot: Spot) -> bool {
        match spot {
            Spot::Prior(..) | Spot::Factor(..) => matches!(self, Self::All | Self::Priors),
            Spot::Share(..) | Spot::CheckLeak(..) | Spot::ConditionLeak(_) => {
                matches!(self, Self::All | Self::Strengths)
            }
            Spot::CheckMinutes(_) | Spot::RemedyMinutes(_) | Spot::Success(_) => self != Self::Nothing,
        }
    }
}

/// Scores before and after.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Gain {
    /// Cases that could have been judged.
    pub of: u64,
    /// Cases judged.
    pub cases: u64,
    /// Parts the cases were cut into, each left out in turn: as many as cases where each was left out alone, 1 where those
    /// judged were left out together.
    pub folds: u64,
    /// With the authored figures.
    pub before: Score,
    /// With all figures learned from the other cases.
    pub all: Score,
    /// With strengths and leaks learned from them, priors as authored.
    pub strengths: Score,
    /// With priors and build factors learned from them, the rest as authored.
    pub priors: Score,
    /// Which of these is kept: of those that do no worse than the authored figures in either score, the one with the best
    /// log score.
    pub kept: Kept,
    /// Cases played.
    pub played: u64,
    /// What they took with the authored figures.
    pub effort_before: Effort,
    /// What they took with the figures kept (all of those learned where none is).
    pub effort_after: Effort,
}

impl Gain {
    /// Scores with the figures kept; with all of those learned where none is.
    pub fn after(&self) -> Score {
        match self.kept {
            Kept::All | Kept::Nothing => self.all,
            Kept::Strengths => self.strengths,
            Kept::Priors => self.priors,
        }
    }

    fn choose(&mut self) {
        let before = self.before;
        let fair = |s: &Score| s.log >= before.log && s.brier <= before.brier;
        let each = [(Kept::All, self.all), (Kept::Strengths, self.strengths), (Kept::Priors, self.priors)];
        let mut best = f64::NEG_INFINITY;
        self.kept = Kept::Nothing;
        for (kept, score) in each.into_iter().filter(|(_, s)| fair(s)) {
            if score.log > best {
                (self.kept, best) = (kept, score.log);
            }
        }
    }
}

/// How cases are left out.
struct Plan<'s> {
    /// Cases that can be judged, like ones side by side.
    cases: Vec<&'s Pattern>,
    folds: usize,
    /// Every so-manieth is judged.
    every: usize,
}

impl<'s> Plan<'s> {
    fn new(statistics: &'s Statistics) -> Self {
        let mut cases = Vec::new();
        for (pattern, count) in statistics.patterns.iter().filter(|(p, _)| !p.again) {
            if pattern.complaint.is_some() || !pattern.findings.is_empty() {
                cases.extend((0..*count).map(|_| pattern));
            }
        }
        let folds = match cases.len() {
            n if n <= ALONE => n,
            n if n <= CUT => FOLDS,
            _ => 1,
        };
        let every = cases.len().div_ceil(JUDGED).max(1);
        Self { cases, folds, every }
    }

    fn is_judged(&self, number: usize) -> bool {
        (number / self.folds).is_multiple_of(self.every)
    }

    /// What is learned from, and what is judged, where part `fold` is left out.
    fn parts(&self, fold: usize) -> (Vec<(&'s Pattern, u64)>, Vec<&'s Pattern>) {
        let (mut rest, mut out): (Vec<(&Pattern, u64)>, _) = (Vec::new(), Vec::new());
        for (number, pattern) in self.cases.iter().enumerate() {
            let mine = match self.folds {
                1 => self.is_judged(number),
                folds => number % folds == fold,
            };
            match (mine, rest.last_mut()) {
                (true, _) if self.is_judged(number) => out.push(*pattern),
                (true, _) => {}
                (false, Some((last, count))) if std::ptr::eq(*last, *pattern) => *count += 1,
                (false, _) => rest.push((pattern, 1)),
            }
        }
        (rest, out)
    }
}

/// Judges learning by leaving cases out, on so many threads; `None` with fewer than two cases. `tick` is called after each
/// round of a fit and each part judged. The result does not depend on the threads. Cost: one fit a part; some 20 ms a case judged, 100 ms a case played.
pub fn gain(
    rules: &Rules,
    statistics: &Statistics,
    weight: f64,
    threads: usize,
    tick: &dyn Fn(),
) -> Option<Gain> {
    let plan = Plan::new(statistics);
    if plan.cases.len() < 2 {
        return None;
    }
    let authored = Judge::new(rules);
    let mut parts = Vec::new();
    for fold in 0..plan.folds {
        let (rest, out) = plan.parts(fold);
        if !out.is_empty() {
            let tables = fit(rules, Data::new(rules, rest.iter().copied()), weight, threads, tick).tables;
            let priors = Priors::learn(rules, rest.iter().copied(), weight);
            parts.push((Judge { rules, tables, priors }, out));
        }
        tick();
    }
    let mut gain = scores(&authored, &parts, threads)?;
    (gain.of, gain.folds) = (plan.cases.len() as u64, plan.folds as u64);
    gain.choose();
    play(&mut gain, &authored, &parts, threads);
    tick();
    Some(gain)
}

/// Figures learned without some cases, and these cases.
type Part<'r, 's> = (Judge<'r>, Vec<&'s Pattern>);

fn scores(authored: &Judge<'_>, parts: &[Part<'_, '_>], threads: usize) -> Option<Gain> {
    let (mut sums, mut judged) = ([Score::default(); 4], 0u64);
    for (learned, out) in parts {
        let judges = Kept::SOME.map(|kept| learned.keeping(kept, authored));
        let all = |pattern: &&Pattern| -> Option<[Score; 4]> {
            let [a, b, c] = &judges;
            Some([authored.score(pattern)?, a.score(pattern)?, b.score(pattern)?, c.score(pattern)?])
        };
        for scores in spread(out, threads, &all).into_iter().flatten() {
            judged += 1;
            sums.iter_mut().zip(scores).for_each(|(sum, score)| sum.add(score));
        }
    }
    let [before, all, strengths, priors] = sums.map(|s| s.over(judged as f64));
    (judged > 0).then(|| Gain {
        of: 0,
        cases: judged,
        folds: 0,
        before,
        all,
        strengths,
        priors,
        kept: Kept::Nothing,
        played: 0,
        effort_before: Effort::default(),
        effort_after: Effort::default(),
    })
}

/// Plays some of the cases before and after.
fn play(gain: &mut Gain, authored: &Judge<'_>, parts: &[Part<'_, '_>], threads: usize) {
    let kept = if gain.kept == Kept::Nothing { Kept::All } else { gain.kept };
    let judges: Vec<Judge<'_>> = parts.iter().map(|(learned, _)| learned.keeping(kept, authored)).collect();
    let told: Vec<(usize, &Pattern)> = parts
        .iter()
        .enumerate()
        .flat_map(|(i, (_, out))| out.iter().map(move |p| (i, *p)))
        .filter(|(_, p)| !p.findings.is_empty())
        .collect();
    let some: Vec<_> = told.iter().step_by(told.len().div_ceil(PLAYED).max(1)).copied().collect();
    let both =
        |(i, pattern): &(usize, &Pattern)| Some((authored.effort(pattern)?, judges[*i].effort(pattern)?));
    let (mut before, mut after) = (Effort::default(), Effort::default());
    for (b, a) in spread(&some, threads, &both).into_iter().flatten() {
        gain.played += 1;
        before.add(b);
        after.add(a);
    }
    let n = gain.played.max(1) as f64;
    (gain.effort_before, gain.effort_after) = (before.over(n), after.over(n));
}

impl Effort {
    fn add(&mut self, other: Self) {
        self.steps += other.steps;
        self.minutes += other.minutes;
    }

    fn over(self, n: f64) -> Self {
        Self { steps: self.steps / n, minutes: self.minutes / n }
    }
}

/// What `work` makes of each item, in order, on so many threads.
pub(crate) fn spread<T: Sync, R: Send>(
    items: &[T],
    threads: usize,
    work: &(dyn Fn(&T) -> R + Sync),
) -> Vec<R> {
    if threads < 2 || items.len() < 2 {
        return items.iter().map(work).collect();
    }
    let next = AtomicUsize::new(0);
    let some = || {
        let mut mine = Vec::new();
        loop {
            let at = next.fetch_add(1, Ordering::Relaxed);
            let Some(item) = items.get(at) else { return mine };
            mine.push((at, work(item)));
        }
    };
    let mut all = std::thread::scope(|scope| {
        let others: Vec<_> = (1..threads.min(items.len())).map(|_| scope.spawn(some)).collect();
        let mut all = some();
        for other in others {
            // A thread that panicked has lost its share: that must not pass for a result.
            all.extend(other.join().unwrap_or_else(|panic| std::panic::resume_unwind(panic)));
        }
        all
    });
    all.sort_by_key(|(at, _)| *at);
    all.into_iter().map(|(_, r)| r).collect()
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

    /// Score of P(fault) by fault and P(none) where these faults were there.
    fn of(p: &[f64], none: f64, truth: &[FaultId]) -> Self {
        let mut score = Self::default();
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
    /// The fault that leads; `None` for `unlisted`.
    pub leader: Option<crate::rules::FaultId>,
    /// Probability of the true fault that stands lowest; of none where that is the truth.
    pub truth: f64,
}

/// The posterior of a case; `None` where it can't be. Exact up to 2^20 table entries, a quarter of what a job may take, so
/// that several threads stay within some 50 MB; the few cases beyond are sampled.
fn believe(frame: &Frame, pattern: &Pattern) -> Option<Belief> {
    let limits = Limits { log2_cost: 20.0, ..Limits::default() };
    Belief::build(Arc::new(frame.graph.clone()), &frame.told(pattern), None, limits).ok()
}

/// Whether none of the other faults is as probable as the true ones; with no fault, whether none is as probable as that.
fn leads(belief: &Belief, truth: &[FaultId]) -> bool {
    let (p, none) = (&belief.posterior().faults, belief.posterior().none);
    let lowest = truth.iter().map(|t| p[t.0]).fold(f64::INFINITY, f64::min);
    let bar = if truth.is_empty() { none } else { lowest };
    p.iter().enumerate().all(|(f, x)| truth.contains(&FaultId(f)) || *x < bar)
}

/// Judges cases by some figures.
#[derive(Clone, Debug)]
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

    /// These figures as far as they are kept, the rest as `authored`.
    fn keeping(&self, kept: Kept, authored: &Self) -> Self {
        let mut out = self.clone();
        if matches!(kept, Kept::Strengths | Kept::Nothing) {
            out.priors.clone_from(&authored.priors);
        }
        if matches!(kept, Kept::Priors | Kept::Nothing) {
            out.tables.clone_from(&authored.tables);
        }
        out
    }

    fn frame(&self, pattern: &Pattern) -> Frame {
        let prior = |f| self.priors.of(f, pattern.history, pattern.build);
        Frame::new(self.rules, &self.tables, &packs(self.rules, pattern), &prior)
    }

    /// `None` where the figures hold what was seen impossible.
    fn score(&self, pattern: &Pattern) -> Option<Score> {
        let frame = self.frame(pattern);
        let belief = believe(&frame, pattern)?;
        let posterior = belief.posterior();
        Some(Score::of(&posterior.faults, posterior.none, &frame.members(pattern)))
    }

    /// What it takes until the true faults lead for good; all that was noted where they never do.
    fn effort(&self, pattern: &Pattern) -> Option<Effort> {
        let frame = self.frame(pattern);
        let truth = frame.members(pattern);
        let mut less = pattern.clone();
        less.findings.clear();
        let mut belief = believe(&frame, &less)?;
        let mut left: Vec<(f64, Finding)> = Vec::new();
        for (id, _) in &pattern.findings {
            let Some(node) = frame.check(*id) else { continue };
            // What the owner said of a check that is still to be done gives way to the finding.
            belief = belief.without(node).ok()?;
            let minutes = self.rules.check(*id).minutes.get().max(0.1);
            left.extend(frame.told(pattern).into_iter().filter(|f| f.check == node).map(|f| (minutes, f)));
        }
        let mut effort = Effort::default();
        let mut since = leads(&belief, &truth).then_some(effort);
        while !left.is_empty() {
            let worth = left.iter().map(|(m, f)| belief.value(f.check).map(|v| v.bits / m));
            let worth = worth.collect::<Result<Vec<f64>, _>>().ok()?;
            let best = (0..left.len()).fold(0, |b, i| if worth[i] > worth[b] { i } else { b });
            let (minutes, finding) = left.remove(best);
            belief = belief.with_finding(finding).ok()?;
            effort.add(Effort { steps: 1.0, minutes });
            since = leads(&belief, &truth).then_some(since.unwrap_or(effort));
        }
        Some(since.unwrap_or(effort))
    }

    /// How the faults stand at the end; and, for each finding in turn, who leads without it. `None` where the figures hold
    /// what was seen impossible.
    pub fn standing(&self, pattern: &Pattern) -> Option<(Standing, Vec<Option<crate::rules::FaultId>>)> {
        let frame = self.frame(pattern);
        let belief = believe(&frame, pattern)?;
        let name = |f: usize| frame.faults.get(f).copied();
        let leader = |belief: &Belief| {
            let all = belief.posterior().faults.iter().enumerate();
            name(all.fold((0, 0.0), |best, (f, x)| if *x > best.1 { (f, *x) } else { best }).0)
        };
        let (p, none) = (&belief.posterior().faults, belief.posterior().none);
        let lowest = frame.members(pattern).iter().map(|t| p[t.0]).fold(f64::INFINITY, f64::min);
        let standing = Standing {
            leader: leader(&belief),
            truth: if lowest.is_finite() { lowest } else { none },
            faults: p.iter().enumerate().map(|(f, p)| (name(f), *p)).collect(),
        };
        let without = |(check, _): &(crate::rules::CheckId, _)| {
            let less = frame.check(*check).and_then(|c: CheckId| belief.without(c).ok());
            less.map_or(standing.leader, |less| leader(&less))
        };
        let without = pattern.findings.iter().map(without).collect();
        Some((standing, without))
    }
}
