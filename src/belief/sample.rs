//! Where exact inference is out of reach: a seeded walk over fault sets, with its standard error.
//!
//! The walk's states are complete sets over the coupled faults; each is weighed exactly, conditions and lone faults
//! summed over, so only the choice of sets is left to chance. Moves: each fault in turn redrawn given all others (its
//! probability there is what is averaged, not the draw), and exchanges of a present fault for an absent one, without
//! which rival explanations would never give way to each other. Several walks start from different explanations; the
//! standard error comes from batches within and from the spread between walks, whichever is greater.

use std::collections::{BTreeMap, HashMap};

use super::compile::Setting;
use super::solve::{Findings, Solver};
use super::{BeliefError, FaultId, Graph, Limits, ScoredSet, SetScores};

/// Walks, each from its own start.
const WALKS: usize = 4;
/// Batches a walk, for its standard error.
const BATCHES: usize = 16;
/// Most sweeps a walk takes, even where they all are remembered ones.
const SWEEPS: usize = 4096;
/// Sets handed on, the most visited.
const KEPT: usize = 1000;

/// What the walks saw.
pub(crate) struct Sampled {
    /// The sets most visited, scored so that each weighs what its visits say.
    pub scores: SetScores,
    /// P(fault | findings) for each coupled fault.
    pub faults: Vec<(usize, f64)>,
    /// Greatest standard error of these.
    pub error: f64,
    /// Estimate of the logarithm of P(findings).
    pub log_evidence: f64,
}

/// A small reproducible generator (SplitMix64; Steele, Lea and Flood 2014).
struct Source(u64);

impl Source {
    fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        z ^ (z >> 31)
    }

    /// Evenly in [0, 1).
    fn even(&mut self) -> f64 {
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
    /// Looked up only, so hashing order shows nowhere.
    known: HashMap<Vec<bool>, f64>,
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
            let setting = Setting {
                present: &present,
                ..Setting::default()
            };
            let ran = self.solver.run(self.graph, self.findings, setting, false)?;
            log = ran.map_or(f64::NEG_INFINITY, |r| log + r.outcome.log_total);
        }
        self.known.insert(set.to_vec(), log);
        Ok(log)
    }
}

/// One walk's record: batch means by fault, and visits by set.
struct Record {
    batches: Vec<Vec<f64>>,
    visits: BTreeMap<Vec<bool>, u64>,
}

/// Walks over the sets of the faults in `coupled`.
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
    let mut scale = Scale {
        graph,
        findings,
        solver: &solver,
        coupled: coupled.clone(),
        known: HashMap::new(),
    };
    let mut source = Source(limits.seed);
    let mut records = Vec::with_capacity(WALKS);
    for walk in 0..WALKS {
        let start = start(&mut scale, &mut source, walk)?;
        records.push(wander(
            &mut scale,
            &mut source,
            start,
            limits.samples / WALKS,
        )?);
    }
    let (faults, error) = estimate(&coupled, &records);
    let mut visits: BTreeMap<Vec<bool>, u64> = BTreeMap::new();
    for record in &records {
        for (set, n) in &record.visits {
            *visits.entry(set.clone()).or_insert(0) += n;
        }
    }
    let all: u64 = visits.values().sum();
    let mut sets: Vec<(Vec<bool>, u64)> = visits.into_iter().collect();
    sets.sort_by(|a, b| b.1.cmp(&a.1).then_with(|| a.0.cmp(&b.0)));
    sets.truncate(KEPT);
    let kept: u64 = sets.iter().map(|s| s.1).sum();
    let mut scored = Vec::with_capacity(sets.len());
    let mut logs = Vec::with_capacity(sets.len());
    for (set, n) in &sets {
        let log = scale.log_joint(set)?;
        logs.push(log);
        let members = coupled
            .iter()
            .zip(set)
            .filter(|x| *x.1)
            .map(|x| FaultId(*x.0));
        scored.push(ScoredSet {
            members: members.collect(),
            log_likelihood: (*n as f64 / kept as f64).ln() - log,
            causes: Vec::new(),
        });
    }
    // The visited sets' exact mass over the share of time spent there.
    let log_evidence = super::state::log_sum(&logs) - (kept as f64 / all as f64).ln();
    Ok(Sampled {
        scores: SetScores {
            faults: coupled.into_iter().map(FaultId).collect(),
            sets: scored,
        },
        faults,
        error,
        log_evidence,
    })
}

/// A set to start from: from no fault (later walks: from some drawn at random) always the best single change, until
/// there is none.
fn start(scale: &mut Scale, source: &mut Source, walk: usize) -> Result<Vec<bool>, BeliefError> {
    let n = scale.coupled.len();
    let mut set = vec![false; n];
    for (i, on) in set.iter_mut().enumerate() {
        let certain = scale.graph.priors[scale.coupled[i]] >= 1.0;
        *on = certain || (walk > 0 && source.below(n) < 3);
    }
    let mut here = scale.log_joint(&set)?;
    loop {
        let mut best = (here, n);
        for i in 0..n {
            set[i] = !set[i];
            let log = scale.log_joint(&set)?;
            set[i] = !set[i];
            // From an impossible set anything possible is better; failing that, more faults are.
            if log > best.0 || (best.0 == f64::NEG_INFINITY && best.1 == n && !set[i]) {
                best = (log, i);
            }
        }
        if best.1 == n {
            return if here > f64::NEG_INFINITY {
                Ok(set)
            } else {
                Err(BeliefError::Impossible)
            };
        }
        set[best.1] = !set[best.1];
        here = best.0;
    }
}

fn wander(
    scale: &mut Scale,
    source: &mut Source,
    mut set: Vec<bool>,
    budget: usize,
) -> Result<Record, BeliefError> {
    let n = set.len();
    let mut here = scale.log_joint(&set)?;
    let limit = scale.known.len() + budget;
    let mut sweeps: Vec<Vec<f64>> = Vec::new();
    let mut trail: Vec<Vec<Vec<bool>>> = Vec::new();
    while scale.known.len() < limit && sweeps.len() < SWEEPS {
        let (mut means, mut seen) = (vec![0.0; n], Vec::new());
        for i in 0..n {
            set[i] = !set[i];
            let there = scale.log_joint(&set)?;
            let moves = 1.0 / (1.0 + (here - there).exp());
            means[i] = if set[i] { moves } else { 1.0 - moves };
            if source.even() < moves {
                here = there;
            } else {
                set[i] = !set[i];
            }
            if i % 4 == 0 {
                here = exchange(scale, source, &mut set, here)?;
                seen.push(set.clone());
            }
        }
        sweeps.push(means);
        trail.push(seen);
    }
    // The first tenth is the way in.
    let burn = sweeps.len() / 10;
    let mut visits = BTreeMap::new();
    for set in trail.into_iter().skip(burn).flatten() {
        *visits.entry(set).or_insert(0) += 1;
    }
    let rest = &sweeps[burn..];
    let size = rest.len().div_ceil(BATCHES).max(1);
    let mean = |batch: &[Vec<f64>]| -> Vec<f64> {
        (0..n)
            .map(|i| batch.iter().map(|s| s[i]).sum::<f64>() / batch.len() as f64)
            .collect()
    };
    Ok(Record {
        batches: rest.chunks_exact(size).map(mean).collect(),
        visits,
    })
}

/// Tries to put an absent fault in the place of a present one.
fn exchange(
    scale: &mut Scale,
    source: &mut Source,
    set: &mut [bool],
    here: f64,
) -> Result<f64, BeliefError> {
    let present: Vec<usize> = (0..set.len()).filter(|i| set[*i]).collect();
    let absent: Vec<usize> = (0..set.len()).filter(|i| !set[*i]).collect();
    if present.is_empty() || absent.is_empty() {
        return Ok(here);
    }
    let (out, in_) = (
        present[source.below(present.len())],
        absent[source.below(absent.len())],
    );
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

/// Means by fault and the greatest standard error.
fn estimate(coupled: &[usize], records: &[Record]) -> (Vec<(usize, f64)>, f64) {
    let mut error = 0.0f64;
    let mut faults = Vec::with_capacity(coupled.len());
    for (i, f) in coupled.iter().enumerate() {
        let walks: Vec<f64> = records
            .iter()
            .map(|r| r.batches.iter().map(|b| b[i]).sum::<f64>() / r.batches.len() as f64)
            .collect();
        let batches: Vec<f64> = records
            .iter()
            .flat_map(|r| &r.batches)
            .map(|b| b[i])
            .collect();
        faults.push((*f, walks.iter().sum::<f64>() / walks.len() as f64));
        error = error
            .max(standard_error(&walks))
            .max(standard_error(&batches));
    }
    (faults, error)
}

/// Standard error of a mean; without two values to compare, all is open.
fn standard_error(values: &[f64]) -> f64 {
    let n = values.len() as f64;
    if n < 2.0 {
        return 0.5;
    }
    let mean = values.iter().sum::<f64>() / n;
    let square: f64 = values.iter().map(|v| (v - mean).powi(2)).sum();
    (square / (n - 1.0) / n).sqrt()
}
