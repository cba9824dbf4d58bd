//! What the planner's tests share: the data files, small abstract instances, and an exact dynamic programme that knows
//! nothing of the planner.
#![allow(dead_code, clippy::unwrap_used, clippy::expect_used, clippy::panic)]

pub mod chain;

use halfsplit::plan::*;
use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::{RngCore, SeedableRng};
use std::collections::{BTreeMap, HashMap};

/// A data file under tests/data/diagnosis.
pub fn data(name: &str) -> serde_yaml::Value {
    let path = format!("{}/tests/data/diagnosis/{name}", env!("CARGO_MANIFEST_DIR"));
    serde_yaml::from_str(&std::fs::read_to_string(path).unwrap()).unwrap()
}

pub fn numbers(value: &serde_yaml::Value) -> Vec<f64> {
    value.as_sequence().unwrap().iter().map(|x| x.as_f64().unwrap()).collect()
}

pub fn number(value: &serde_yaml::Value) -> f64 {
    value.as_f64().unwrap()
}

pub fn indices(value: &serde_yaml::Value) -> Vec<usize> {
    numbers(value).iter().map(|&x| x as usize).collect()
}

pub fn items(value: &serde_yaml::Value) -> &[serde_yaml::Value] {
    value.as_sequence().unwrap()
}

/// A small instance: sets as bit masks, every price a plain number of minutes.
#[derive(Debug, Clone, Default)]
pub struct Small {
    pub sets: Vec<u32>,
    pub weights: Vec<f64>,
    /// (cost, `likelihood[h][k]`)
    pub checks: Vec<(f64, Vec<Vec<f64>>)>,
    /// (cost, mask of faults, success)
    pub remedies: Vec<(f64, u32, f64)>,
    pub partial_shows: f64,
    pub way_out: f64,
    pub comeback: f64,
}

/// What every remedy costs in a test sequencing instance: so much more than any check that no remedy is tried before its
/// fault is known for certain.
pub const KNOWN_FIRST: f64 = 1000.0;

impl Small {
    /// A test sequencing instance: one fault a state, perfect checks; it ends when the fault is known.
    ///
    /// The planner's problem ends when the unit is mended. With one remedy a state, all at the same forbidding price,
    /// nobody tries one before the state is known, each is paid exactly once, and the expected cost less that price is
    /// the expected cost of the checks.
    pub fn sequencing(weights: &[f64], rows: &[String], costs: &[f64]) -> Small {
        let sum: f64 = weights.iter().sum();
        let check = |j: usize| {
            let row = |r: &String| if r.as_bytes()[j] == b'1' { vec![0.0, 1.0] } else { vec![1.0, 0.0] };
            (costs[j], rows.iter().map(row).collect())
        };
        Small {
            sets: (0..weights.len()).map(|i| 1 << i).collect(),
            weights: weights.iter().map(|w| w / sum).collect(),
            checks: (0..costs.len()).map(check).collect(),
            remedies: (0..weights.len()).map(|i| (KNOWN_FIRST, 1 << i, 1.0)).collect(),
            way_out: 100.0 * KNOWN_FIRST,
            comeback: 100.0 * KNOWN_FIRST,
            ..Small::default()
        }
    }

    /// One fault, one sure remedy a fault, no checks.
    pub fn repair(weights: &[f64], costs: &[f64], way_out: f64) -> Small {
        Small {
            sets: (0..weights.len()).map(|i| 1 << i).collect(),
            weights: weights.to_vec(),
            remedies: costs.iter().enumerate().map(|(i, &c)| (c, 1 << i, 1.0)).collect(),
            way_out,
            comeback: 3.0 * way_out,
            ..Small::default()
        }
    }

    pub fn draft(&self) -> Draft {
        let bits = |mask: u32| (0..32).filter(|i| mask >> i & 1 == 1).collect::<Vec<usize>>();
        let lump = |minutes: f64| Lump { minutes, money: 0 };
        let faults = self.sets.iter().map(|m| 32 - m.leading_zeros() as usize).max().unwrap_or(0);
        let faults =
            faults.max(self.remedies.iter().map(|r| 32 - r.1.leading_zeros() as usize).max().unwrap_or(0));
        Draft {
            faults: vec![Fault::default(); faults],
            hypotheses: self
                .sets
                .iter()
                .zip(&self.weights)
                .map(|(&set, &w)| Hypothesis::of(&bits(set), w))
                .collect(),
            checks: self
                .checks
                .iter()
                .map(|(cost, table)| Check {
                    price: Price::minutes(*cost),
                    outcomes: table[0].len(),
                    likelihood: table.iter().flatten().copied().collect(),
                    ..Check::default()
                })
                .collect(),
            remedies: self
                .remedies
                .iter()
                .map(|&(cost, mask, success)| Remedy {
                    success,
                    partial_shows: self.partial_shows,
                    ..Remedy::cures(&bits(mask), Price::minutes(cost))
                })
                .collect(),
            fallback: lump(self.way_out),
            comeback: lump(self.comeback),
            ..Draft::default()
        }
    }

    pub fn problem(&self) -> Problem {
        Problem::new(self.draft()).unwrap()
    }

    /// The least expected cost there is.
    pub fn optimum(&self) -> f64 {
        let mut belief = BTreeMap::new();
        for (&set, &w) in self.sets.iter().zip(&self.weights) {
            *belief.entry(set).or_insert(0.0) += w;
        }
        assert_eq!(belief.len(), self.sets.len(), "the dynamic programme wants distinct fault sets");
        let place = self.sets.iter().enumerate().map(|(h, &set)| (set, h)).collect();
        Exact { small: self, place, known: HashMap::new() }.value(belief, 0, 0)
    }
}

/// Checks done, remedies tried, and the belief in rounded steps.
type Visited = (u32, u32, Vec<(u32, i64)>);

/// The exact dynamic programme: least expected cost over all ways to go on, each check and remedy used at most once.
struct Exact<'s> {
    small: &'s Small,
    place: BTreeMap<u32, usize>,
    known: HashMap<Visited, f64>,
}

impl Exact<'_> {
    fn value(&mut self, belief: BTreeMap<u32, f64>, checked: u32, tried: u32) -> f64 {
        let sum: f64 = belief.values().sum();
        let belief: BTreeMap<u32, f64> =
            belief.into_iter().filter(|(_, w)| *w > 1e-13 * sum).map(|(s, w)| (s, w / sum)).collect();
        let key = (checked, tried, belief.iter().map(|(&s, &w)| (s, (w * 1e9).round() as i64)).collect());
        if let Some(&known) = self.known.get(&key) {
            return known;
        }
        let small = self.small;
        let healthy = belief.get(&0).copied().unwrap_or(0.0);
        let mut best = small.way_out;
        if healthy > 0.0 {
            best = best.min((1.0 - healthy) * small.comeback);
        }
        for (c, (cost, table)) in small.checks.iter().enumerate().filter(|(c, _)| checked >> c & 1 == 0) {
            let mut sum = *cost;
            #[allow(clippy::needless_range_loop)]
            for k in 0..table[0].len() {
                let after: BTreeMap<u32, f64> = belief
                    .iter()
                    .map(|(s, w)| (*s, w * table[self.place[s]][k]))
                    .filter(|x| x.1 > 0.0)
                    .collect();
                let p: f64 = after.values().sum();
                if p > 0.0 && after.len() == belief.len() && (1.0 - p).abs() < 1e-12 {
                    sum = f64::INFINITY; // tells nothing
                } else if p > 0.0 {
                    sum += p * self.value(after, checked | 1 << c, tried);
                }
            }
            best = best.min(sum);
        }
        for (r, &(cost, mask, success)) in
            small.remedies.iter().enumerate().filter(|(r, _)| tried >> r & 1 == 0)
        {
            if belief.keys().all(|s| s & mask == 0 && *s != 0) {
                continue;
            }
            let mut same: BTreeMap<u32, f64> = BTreeMap::new();
            let mut changed: BTreeMap<u32, f64> = BTreeMap::new();
            for (&set, &w) in belief.iter().filter(|(s, _)| **s != 0) {
                let left = set & !mask;
                if left == set {
                    *same.entry(set).or_insert(0.0) += w;
                    continue;
                }
                *same.entry(set).or_insert(0.0) += w * (1.0 - success);
                if left != 0 {
                    *changed.entry(left).or_insert(0.0) += w * success * small.partial_shows;
                    *same.entry(left).or_insert(0.0) += w * success * (1.0 - small.partial_shows);
                }
            }
            let mut sum = cost;
            for after in [same, changed] {
                let p: f64 = after.values().sum();
                if p > 1e-13 {
                    sum += p * self.value(after, checked, tried | 1 << r);
                }
            }
            best = best.min(sum);
        }
        self.known.insert(key, best);
        best
    }
}

/// Expected cost of a strategy on a problem, every way played to its end.
pub fn cost_of(strategy: &dyn Strategy, problem: &Problem) -> f64 {
    play_out(strategy, problem, &State::default(), 0.0).unwrap().expected.cost
}

/// Seeded numbers.
pub struct Dice(ChaCha8Rng);

impl Dice {
    pub fn new(seed: u64) -> Dice {
        Dice(ChaCha8Rng::seed_from_u64(seed))
    }

    /// A whole number from `low` to `high`, both included.
    pub fn whole(&mut self, low: usize, high: usize) -> usize {
        low + (self.0.next_u64() % (high - low + 1) as u64) as usize
    }

    /// A number from `low` to `high`.
    pub fn real(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * (self.0.next_u64() >> 11) as f64 / (1u64 << 53) as f64
    }
}

/// How a random instance is drawn.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Draw {
    /// One fault, perfect checks, remedies of one fault each.
    Perfect,
    /// One fault, checks that may err.
    Noisy,
    /// Sets of one or two faults, remedies that may cure two, some that may fail.
    Sets,
}

/// A random instance within the bounds of the exact reference.
pub fn random(dice: &mut Dice, draw: Draw) -> Small {
    let (faults, checks) = match draw {
        Draw::Perfect => (dice.whole(3, 10), dice.whole(2, 8)),
        Draw::Noisy => (dice.whole(3, 6), dice.whole(2, 4)),
        Draw::Sets => (dice.whole(3, 5), dice.whole(2, 4)),
    };
    let mut sets: Vec<u32> = (0..faults).map(|i| 1 << i).collect();
    if draw == Draw::Sets {
        for a in 0..faults {
            for b in a + 1..faults {
                if dice.whole(0, 1) == 1 {
                    sets.push(1 << a | 1 << b);
                }
            }
        }
    }
    let raw: Vec<f64> =
        sets.iter().map(|s| dice.whole(1, 20) as f64 * if s.count_ones() > 1 { 0.15 } else { 1.0 }).collect();
    let sum: f64 = raw.iter().sum();
    let check = |dice: &mut Dice| {
        let cost = dice.whole(1, 6) as f64;
        let row = |dice: &mut Dice| {
            let p = match draw {
                Draw::Noisy => [0.02, 0.1, 0.5, 0.9, 0.98][dice.whole(0, 4)],
                _ => dice.whole(0, 1) as f64,
            };
            vec![1.0 - p, p]
        };
        (cost, sets.iter().map(|_| row(dice)).collect())
    };
    let checks = (0..checks).map(|_| check(dice)).collect();
    let mut remedies: Vec<(f64, u32, f64)> =
        (0..faults).map(|i| (dice.whole(2, 30) as f64, 1 << i, 1.0)).collect();
    if draw == Draw::Sets {
        let pair = 1 << dice.whole(0, faults - 1) | 1 << dice.whole(0, faults - 1);
        remedies.push((dice.whole(5, 30) as f64, pair, 1.0));
        remedies[0].2 = 0.8;
    }
    Small {
        sets,
        weights: raw.iter().map(|w| w / sum).collect(),
        checks,
        remedies,
        partial_shows: if draw == Draw::Sets { 0.5 } else { 0.0 },
        way_out: 200.0,
        comeback: 600.0,
    }
}
