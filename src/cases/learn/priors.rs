//! How common each fault is, by history and build method.
//!
//! A bench sees only units with something wrong. So to each unit that came in belong `q / (1 - q)` units with nothing wrong
//! that did not, `q` being the chance of no fault at all in its context; without them every prior would come out too high.
//! Counting them in is expectation-maximisation for a truncated sample (Dempster, Laird and Rubin 1977, section 4.2).
//!
//! Given the trials, a prior has the Beta posterior of w authored cases ([`authored_cases`]) and the counted ones:
//! (w * authored + cases) / (w + trials) where the build factor is 1.

use super::pattern::Statistics;
use crate::job::UNLISTED_PRIOR;
use crate::rules::{Build, FaultId, History, PackId, Rules};
use std::collections::BTreeMap;

/// Largest prior that a pack may state.
const HIGHEST: f64 = 0.5;
/// Largest build factor that is learned, and the inverse of the smallest.
const FACTOR: f64 = 8.0;
/// A build factor is learned only from so many cases of the fault in units of that build method.
const FEWEST: u64 = 5;

/// Occurrences that an authored prior counts for at least, as a share of the weight. On simulated shops whose true priors
/// lie a factor e off the authored ones, 0.1 does better on cases left out than 0.25, and both much better than none.
const OCCURRENCES: f64 = 0.1;

type Group = (History, Option<Build>, Vec<PackId>);

/// Counts of one history or build method.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Count {
    /// Cases of the fault.
    pub cases: u64,
    /// Units that came in.
    pub units: u64,
    /// Units that could have had it, those that did not come in counted in.
    pub trials: f64,
}

/// Priors and build factors as learned.
#[derive(Clone, Debug)]
pub struct Priors {
    /// By fault and history (the index in [`History::ALL`]).
    pub base: Vec<[f64; 3]>,
    /// By fault and build method (the index in [`Build::AUTHORED`]).
    pub factor: Vec<[f64; 4]>,
    /// Counts by fault and history.
    pub by_history: Vec<[Count; 3]>,
    /// Counts by fault and build method; trials are the cases expected at the priors with a factor of 1.
    pub by_build: Vec<[Count; 4]>,
}

fn history_index(history: History) -> usize {
    History::ALL.iter().position(|h| *h == history).unwrap_or(0)
}

fn build_index(build: Build) -> usize {
    Build::AUTHORED.iter().position(|b| *b == build.authored()).unwrap_or(0)
}

/// A group of units with one context: how many came in, how many of them had each fault.
struct Units {
    history: usize,
    build: Option<usize>,
    packs: Vec<bool>,
    count: u64,
    faults: BTreeMap<FaultId, u64>,
}

fn units(rules: &Rules, patterns: &mut dyn Iterator<Item = (&super::pattern::Pattern, u64)>) -> Vec<Units> {
    let mut groups: BTreeMap<Group, Units> = BTreeMap::new();
    for (pattern, count) in patterns.filter(|(p, _)| p.tells_priors) {
        let key = (pattern.history, pattern.build, pattern.blocks.clone());
        let group = groups.entry(key).or_insert_with(|| Units {
            history: history_index(pattern.history),
            build: pattern.build.map(build_index),
            packs: Statistics::packs(rules, &pattern.blocks),
            count: 0,
            faults: BTreeMap::new(),
        });
        group.count += count;
        for fault in &pattern.faults {
            *group.faults.entry(*fault).or_default() += count;
        }
    }
    groups.into_values().collect()
}

impl Priors {
    /// The authored priors.
    pub fn authored(rules: &Rules) -> Self {
        let base = |f: &crate::rules::Fault| {
            let all: Vec<f64> = History::ALL.iter().map(|h| f.prior.of(*h).get()).collect();
            [all[0], all[1], all[2]]
        };
        let factor = |f: &crate::rules::Fault| {
            let all: Vec<f64> = Build::AUTHORED.iter().map(|b| f.build.of(*b).get()).collect();
            [all[0], all[1], all[2], all[3]]
        };
        let n = rules.faults().len();
        Self {
            base: rules.faults().map(|(_, f)| base(f)).collect(),
            factor: rules.faults().map(|(_, f)| factor(f)).collect(),
            by_history: vec![Default::default(); n],
            by_build: vec![Default::default(); n],
        }
    }

    /// The prior of a fault in a context.
    pub fn of(&self, fault: FaultId, history: History, build: Option<Build>) -> f64 {
        self.at(fault.index(), history_index(history), build.map(build_index))
    }

    fn at(&self, fault: usize, history: usize, build: Option<usize>) -> f64 {
        let factor = build.map_or(1.0, |b| self.factor[fault][b]);
        (self.base[fault][history] * factor).min(crate::rules::Fault::MAX_PRIOR)
    }

    /// Learns from the patterns that tell priors. `weight`: how many cases an authored prior counts for; a build factor
    /// counts for as many cases of the fault.
    pub fn learn<'p>(
        rules: &Rules,
        patterns: impl Iterator<Item = (&'p super::pattern::Pattern, u64)>,
        weight: f64,
    ) -> Self {
        let mut patterns = patterns;
        let units = units(rules, &mut patterns);
        let authored = Self::authored(rules);
        let mut now = authored.clone();
        for _ in 0..500 {
            let before = now.clone();
            now.round(rules, &units, &authored, weight);
            let moved = |a: &[f64], b: &[f64]| a.iter().zip(b).any(|(x, y)| (x - y).abs() > 1e-9 * y.abs());
            let still = now.base.iter().zip(&before.base).all(|(a, b)| !moved(a, b))
                && now.factor.iter().zip(&before.factor).all(|(a, b)| !moved(a, b));
            if still {
                break;
            }
        }
        now
    }

    /// One round: units that did not come in, then priors, then build factors.
    fn round(&mut self, rules: &Rules, units: &[Units], authored: &Self, weight: f64) {
        let trials: Vec<f64> =
            units.iter().map(|u| u.count as f64 / (1.0 - self.nothing_wrong(rules, u))).collect();
        for (id, fault) in rules.faults() {
            let f = id.index();
            let here: Vec<(&Units, f64, u64)> = units
                .iter()
                .zip(&trials)
                .filter(|(u, _)| u.packs[fault.pack.index()])
                .map(|(u, n)| (u, *n, u.faults.get(&id).copied().unwrap_or(0)))
                .collect();
            for h in 0..3 {
                let mine = || here.iter().filter(move |(u, ..)| u.history == h);
                let cases = mine().map(|(.., k)| k).sum();
                self.by_history[f][h] = Count {
                    cases,
                    units: mine().map(|(u, ..)| u.count).sum(),
                    trials: mine().map(|(_, n, _)| n).sum(),
                };
                let parts: Vec<(f64, f64, f64)> = mine()
                    .map(|(u, n, k)| (u.build.map_or(1.0, |b| self.factor[f][b]), *n, *k as f64))
                    .collect();
                let was = authored.base[f][h];
                self.base[f][h] = posterior(was, authored_cases(was, weight), &parts);
            }
            self.build_factors(f, &here, authored, weight);
        }
    }

    /// Chance that a unit of this context has nothing wrong at all.
    fn nothing_wrong(&self, rules: &Rules, u: &Units) -> f64 {
        let in_play = rules.faults().filter(|(_, f)| u.packs[f.pack.index()]);
        let none = in_play.map(|(id, _)| 1.0 - self.at(id.index(), u.history, u.build)).product::<f64>();
        (none * (1.0 - UNLISTED_PRIOR)).min(0.98)
    }

    /// Gamma posterior of the factor, (weight + cases) / (weight / authored + cases expected at factor 1), where at least
    /// two build methods have cases enough.
    fn build_factors(&mut self, f: usize, here: &[(&Units, f64, u64)], authored: &Self, weight: f64) {
        for b in 0..4 {
            let mine = || here.iter().filter(move |(u, ..)| u.build == Some(b));
            let expected = mine().map(|(u, n, _)| n * self.base[f][u.history]).sum();
            self.by_build[f][b] = Count {
                cases: mine().map(|(.., k)| k).sum(),
                units: mine().map(|(u, ..)| u.count).sum(),
                trials: expected,
            };
        }
        let told = self.by_build[f].iter().filter(|c| c.cases >= FEWEST).count();
        for b in 0..4 {
            let (was, count) = (authored.factor[f][b], self.by_build[f][b]);
            self.factor[f][b] = match told >= 2 && count.cases >= FEWEST && was > 0.0 {
                true => ((weight + count.cases as f64) / (weight / was + count.trials))
                    .clamp(1.0 / FACTOR, FACTOR),
                false => was,
            };
        }
    }
}

/// How many cases an authored prior counts for: `weight`, but no fewer than hold `weight` / 10 occurrences of the fault.
///
/// Twenty cases alone hold a tenth of one occurrence of a fault with a prior of 0.5 %: a handful of units without it would
/// halve the prior, one with it multiply it by ten.
pub fn authored_cases(prior: f64, weight: f64) -> f64 {
    if prior > 0.0 { weight.max(OCCURRENCES * weight / prior) } else { weight }
}

/// Greatest of weight * (a log p + (1 - a) log(1 - p)) + sum of k log(f p) + (n - k) log(1 - f p), over p: `parts` are
/// (f, n, k). In closed form where every f is 1; else by bisection of the slope, which falls.
pub fn posterior(authored: f64, weight: f64, parts: &[(f64, f64, f64)]) -> f64 {
    if authored <= 0.0 {
        return authored;
    }
    let cases: f64 = parts.iter().map(|p| p.2).sum();
    if parts.iter().all(|p| p.0 == 1.0) {
        let trials: f64 = parts.iter().map(|p| p.1).sum();
        return ((weight * authored + cases) / (weight + trials)).min(HIGHEST);
    }
    let slope = |p: f64| -> f64 {
        let missing: f64 = parts.iter().map(|(f, n, k)| (n - k) * f / (1.0 - f * p).max(1e-9)).sum();
        (weight * authored + cases) / p - weight * (1.0 - authored) / (1.0 - p) - missing
    };
    let most = parts.iter().map(|p| p.0).fold(1.0, f64::max);
    let (mut low, mut high) = (1e-12, HIGHEST.min(crate::rules::Fault::MAX_PRIOR / most));
    for _ in 0..100 {
        let middle = 0.5 * (low + high);
        if slope(middle) > 0.0 { low = middle } else { high = middle }
    }
    0.5 * (low + high)
}
