//! Where exact inference is out of reach: a pool of weighed fault sets, and a seeded walk for what the pool misses.
//!
//! States are complete sets over the coupled faults; each is weighed exactly, conditions and lone faults summed over. A
//! best-first search gathers a pool; within it the weights are exact. Then walks, started from the pool by weight, tell
//! how much of the mass lies outside and what it looks like, so that chance only enters there. Moves: each fault in turn
//! redrawn given all others, and exchanges of a present fault for an absent one. The standard error is that between the
//! walks.

use std::cmp::Ordering;
use std::collections::{BTreeMap, BTreeSet, BinaryHeap};

use super::compile::Setting;
use super::solve::{Findings, Solver};
use super::{BeliefError, FaultId, Graph, Limits, ScoredSet, SetScores};

/// Walks, each from its own start.
const WALKS: usize = 8;
/// Most sweeps a walk takes, even where all sets it meets are known.
const SWEEPS: usize = 2048;
/// Sets handed on, the heaviest.
const KEPT: usize = 1000;

/// What was found.
pub(crate) struct Sampled {
    /// The heaviest sets, to stand for all.
    pub scores: SetScores,
    /// P(fault | findings) for each coupled fault.
    pub faults: Vec<(usize, f64)>,
    /// Greatest standard error of these.
    pub error: f64,
    /// Estimate of the logarithm of P(findings).
    pub log_evidence: f64,
}

/// A small reproducible generator (SplitMix64; Steele, Lea and Flood 2014).
pub(super) struct Source(pub(super) u64);

impl Source {
    pub(super) fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        z ^ (z >> 31)
    }

    /// Evenly in [0, 1).
    pub(super) fn even(&mut self) -> f64 {
        (self.next() >> 11) as f64 / (1u64 << 53) as f64
    }

    fn below(&mut self, n: usize) -> usize {
        ((self.next() >> 32) as usize * n) >> 32
    }
}

/// Weighs sets, each once.
struct Scale<'a> {
    graph: &'a Graph,
    findings: &'a Findings,
    solver: &'a Solver,
    coupled: Vec<usize>,
    /// Looked up, and sorted before anything is read off, so hashing order shows nowhere.
    known: BTreeMap<Vec<bool>, f64>,
}

impl Scale<'_> {
    /// log P(exactly these coupled faults, findings).
    fn log_joint(&mut self, set: &[bool]) -> Result<f64, BeliefError> {
        if let Some(log) = self.known.get(set) {
            return Ok(*log);
        }
        let mut log = 0.0;
        let mut present = Vec::new();
        for (f, on) in self.coupled.iter().zip(set) {
            let p = self.graph.priors[*f];
            log += if *on { p.ln() } else { (-p).ln_1p() };
            if *on {
                present.push(*f);
            }
        }
        if log > f64::NEG_INFINITY {
            let setting = Setting { present: &present, ..Setting::default() };
            let ran = self.solver.run(self.graph, self.findings, setting, false)?;
            log = ran.map_or(f64::NEG_INFINITY, |r| log + r.outcome.log_total);
        }
        self.known.insert(set.to_vec(), log);
        Ok(log)
    }
}

/// Approximates the posterior over the sets of the faults in `coupled`.
pub(crate) fn sample(
    graph: &Graph,
    findings: &Findings,
    coupled: Vec<usize>,
    limits: &Limits,
) -> Result<Sampled, BeliefError> {
    let mut held = vec![false; graph.fault_count()];
    coupled.iter().for_each(|f| held[*f] = true);
    let solver = Solver::new(graph, held, findings, limits);
    solver.affordable()?;
    let mut scale =
        Scale { graph, findings, solver: &solver, coupled: coupled.clone(), known: BTreeMap::new() };
    gather(&mut scale, limits.samples / 2)?;
    let pool = Pool::of(&scale);
    if pool.sets.is_empty() {
        return Err(BeliefError::Impossible);
    }
    let mut source = Source(limits.seed);
    let mut walks = Vec::with_capacity(WALKS);
    for _ in 0..WALKS {
        let start = pool.draw(&mut source);
        let budget = limits.samples / 2 / WALKS;
        walks.push(wander(&mut scale, &pool, &mut source, start, budget)?);
    }
    let inside: Vec<f64> = walks.iter().map(|w| w.inside).collect();
    let mut error = 0.0f64;
    let mut faults = Vec::with_capacity(coupled.len());
    for (i, f) in coupled.iter().enumerate() {
        let each: Vec<f64> = walks.iter().map(|w| w.inside * pool.marginals[i] + w.outside[i]).collect();
        faults.push((*f, mean(&each)));
        error = error.max(standard_error(&each));
    }
    let scored = pool.sets.iter().take(KEPT).map(|(set, _)| ScoredSet {
        members: coupled.iter().zip(set).filter(|x| *x.1).map(|x| FaultId(*x.0)).collect(),
        log_likelihood: 0.0,
        causes: Vec::new(),
    });
    Ok(Sampled {
        scores: SetScores { sets: scored.collect(), faults: coupled.into_iter().map(FaultId).collect() },
        faults,
        error,
        log_evidence: pool.log_mass - mean(&inside).ln(),
    })
}

/// Sets over the coupled faults found best-first by weighing `budget` of them, each with log P(exactly these coupled
/// faults, findings), in the order of their faults.
pub(crate) fn pool(
    graph: &Graph,
    findings: &Findings,
    coupled: &[usize],
    limits: &Limits,
    budget: usize,
) -> Result<Vec<(Vec<FaultId>, f64)>, BeliefError> {
    let mut held = vec![false; graph.fault_count()];
    coupled.iter().for_each(|f| held[*f] = true);
    let solver = Solver::new(graph, held, findings, limits);
    let mut scale =
        Scale { graph, findings, solver: &solver, coupled: coupled.to_vec(), known: BTreeMap::new() };
    gather(&mut scale, budget)?;
    let name = |set: Vec<bool>| {
        let on = coupled.iter().zip(set).filter(|x| x.1);
        on.map(|x| FaultId(*x.0)).collect()
    };
    let mut sets: Vec<(Vec<FaultId>, f64)> =
        scale.known.into_iter().map(|(set, log)| (name(set), log)).collect();
    sets.sort_by(|a, b| a.0.cmp(&b.0));
    Ok(sets)
}

/// A set in the search's queue; the heaviest comes first.
#[derive(PartialEq)]
struct Open(f64, Vec<bool>);
impl Eq for Open {}
impl PartialOrd for Open {
    fn partial_cmp(&self, other: &Self) -> Option<Ordering> {
        Some(self.cmp(other))
    }
}
impl Ord for Open {
    fn cmp(&self, other: &Self) -> Ordering {
        self.0.total_cmp(&other.0).then_with(|| other.1.cmp(&self.1))
    }
}

/// Weighs all neighbours (one fault more or less) of the heaviest set whose neighbours are not known, again and again.
fn gather(scale: &mut Scale, budget: usize) -> Result<(), BeliefError> {
    let empty = vec![false; scale.coupled.len()];
    let full: Vec<bool> = scale.coupled.iter().map(|f| scale.graph.priors[*f] > 0.0).collect();
    let mut queue = BinaryHeap::new();
    for set in [empty, full] {
        queue.push(Open(scale.log_joint(&set)?, set));
    }
    while let Some(Open(_, mut set)) = queue.pop() {
        if scale.known.len() >= budget {
            break;
        }
        for i in 0..set.len() {
            set[i] = !set[i];
            if !scale.known.contains_key(&set) {
                queue.push(Open(scale.log_joint(&set)?, set.clone()));
            }
            set[i] = !set[i];
        }
    }
    Ok(())
}

/// The sets gathered, heaviest first, with their share of the pool's mass.
struct Pool {
    sets: Vec<(Vec<bool>, f64)>,
    members: BTreeSet<Vec<bool>>,
    marginals: Vec<f64>,
    log_mass: f64,
}

impl Pool {
    fn of(scale: &Scale) -> Pool {
        let possible = scale.known.iter().filter(|x| *x.1 > f64::NEG_INFINITY);
        let mut sets: Vec<(Vec<bool>, f64)> = possible.map(|(s, l)| (s.clone(), *l)).collect();
        sets.sort_by(|a, b| b.1.total_cmp(&a.1).then_with(|| a.0.cmp(&b.0)));
        let logs: Vec<f64> = sets.iter().map(|s| s.1).collect();
        let log_mass = super::state::log_sum(&logs);
        let mut marginals = vec![0.0; scale.coupled.len()];
        for (set, weight) in &mut sets {
            *weight = (*weight - log_mass).exp();
            for (m, on) in marginals.iter_mut().zip(set.iter()) {
                *m += if *on { *weight } else { 0.0 };
            }
        }
        Pool { members: sets.iter().map(|s| s.0.clone()).collect(), sets, marginals, log_mass }
    }

    fn draw(&self, source: &mut Source) -> Vec<bool> {
        let mut left = source.even();
        for (set, weight) in &self.sets {
            left -= weight;
            if left < 0.0 {
                return set.clone();
            }
        }
        self.sets[0].0.clone()
    }
}

/// Share of a walk inside the pool, and of each fault's presence outside.
struct Walk {
    inside: f64,
    outside: Vec<f64>,
}

fn wander(
    scale: &mut Scale,
    pool: &Pool,
    source: &mut Source,
    mut set: Vec<bool>,
    budget: usize,
) -> Result<Walk, BeliefError> {
    let n = set.len();
    let mut here = scale.log_joint(&set)?;
    let limit = scale.known.len() + budget;
    let (mut steps, mut inside, mut outside) = (0.0, 0.0, vec![0.0; n]);
    for _ in 0..SWEEPS {
        for i in 0..n {
            set[i] = !set[i];
            let there = scale.log_joint(&set)?;
            if source.even() < 1.0 / (1.0 + (here - there).exp()) {
                here = there;
            } else {
                set[i] = !set[i];
            }
            here = exchange(scale, source, &mut set, here)?;
            steps += 1.0;
            if pool.members.contains(&set) {
                inside += 1.0;
            } else {
                for (o, on) in outside.iter_mut().zip(&set) {
                    *o += f64::from(u8::from(*on));
                }
            }
        }
        if scale.known.len() >= limit {
            break;
        }
    }
    outside.iter_mut().for_each(|o| *o /= steps);
    Ok(Walk { inside: inside / steps, outside })
}

/// Tries to put an absent fault in the place of a present one.
fn exchange(scale: &mut Scale, source: &mut Source, set: &mut [bool], here: f64) -> Result<f64, BeliefError> {
    let present: Vec<usize> = (0..set.len()).filter(|i| set[*i]).collect();
    let absent: Vec<usize> = (0..set.len()).filter(|i| !set[*i]).collect();
    if present.is_empty() || absent.is_empty() {
        return Ok(here);
    }
    let (out, in_) = (present[source.below(present.len())], absent[source.below(absent.len())]);
    set[out] = false;
    set[in_] = true;
    let there = scale.log_joint(set)?;
    if source.even() < (there - here).exp() {
        return Ok(there);
    }
    set[out] = true;
    set[in_] = false;
    Ok(here)
}

fn mean(values: &[f64]) -> f64 {
    values.iter().sum::<f64>() / values.len() as f64
}

/// Standard error of the mean.
fn standard_error(values: &[f64]) -> f64 {
    let n = values.len() as f64;
    let centre = mean(values);
    let square: f64 = values.iter().map(|v| (v - centre).powi(2)).sum();
    (square / (n - 1.0) / n).sqrt()
}
