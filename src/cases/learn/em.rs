//! Strengths of links and leaks by expectation-maximisation.
//!
//! With the faults known from the outcome, what hides is the conditions, which cause did it where several could have, and
//! what an owner passed over. The E-step is [`crate::belief::Graph::expectations`]; the M-step is closed:
//! share = (weight * authored share + expected successes) / (weight + expected trials), which maximises
//! log likelihood + weight * sum of authored share * log share. That penalised likelihood never falls
//! (Dempster, Laird and Rubin 1977).

use super::frame::{Frame, Tables, packs};
use super::gain::spread;
use super::pattern::{Pattern, Statistics};
use crate::rules::Rules;
use std::collections::BTreeMap;

/// Chance taken at first that an owner complains of a symptom that is there (common practice, no source).
pub const MENTION: f64 = 0.8;
/// Patterns an E-step chunk holds; sums go chunk by chunk, so that the number of threads makes no difference.
const CHUNK: usize = 128;
/// Chunks whose sums are held at a time.
const WAVE: usize = 32;
/// Most rounds.
const ROUNDS: usize = 60;
/// Rounds end when the penalised log likelihood rises by less than this a case.
const ENOUGH: f64 = 1e-5;

/// Patterns with their frames, ready for learning.
pub struct Data<'s> {
    /// A graph for each set of packs in play.
    frames: Vec<Frame>,
    /// The figures that the graphs have now.
    now: Tables,
    /// Frame, pattern, how often.
    cases: Vec<(usize, &'s Pattern, f64)>,
}

impl<'s> Data<'s> {
    /// Prepares patterns with their weights.
    pub fn new(rules: &Rules, patterns: impl Iterator<Item = (&'s Pattern, u64)>) -> Self {
        let mut known: BTreeMap<Vec<bool>, usize> = BTreeMap::new();
        let mut cases = Vec::new();
        for (pattern, count) in patterns {
            let packs = packs(rules, pattern);
            let next = known.len();
            cases.push((*known.entry(packs).or_insert(next), pattern, count as f64));
        }
        let now = Tables::authored(rules);
        let mut keys: Vec<(usize, Vec<bool>)> = known.into_iter().map(|(packs, i)| (i, packs)).collect();
        keys.sort();
        let frames = keys.iter().map(|(_, packs)| Frame::new(rules, &now, packs, &|_| 0.01)).collect();
        Self { frames, now, cases }
    }

    /// All patterns of some statistics.
    pub fn all(rules: &Rules, statistics: &'s Statistics) -> Self {
        Self::new(rules, statistics.patterns.iter().map(|(p, n)| (p, *n)))
    }
}

/// What an E-step sums up.
#[derive(Clone, Debug)]
pub struct Sums {
    /// Log likelihood of all that was seen.
    pub log_likelihood: f64,
    /// Expected trials by table.
    pub trials: Vec<f64>,
    /// Expected successes by table and answer.
    pub answers: Vec<Vec<f64>>,
    /// Sum over cases of (successes - trials * share) squared, by table and answer.
    pub squares: Vec<Vec<f64>>,
    /// Cases that said something, by table.
    pub cases: Vec<f64>,
    /// Symptoms that were there, and complained of.
    pub mention: (f64, f64),
    /// Cases that the rules hold impossible.
    pub impossible: f64,
}

impl Sums {
    fn zero(tables: &Tables) -> Self {
        let n = tables.chances.len();
        let shape: Vec<Vec<f64>> = tables.chances.iter().map(|t| vec![0.0; t.len()]).collect();
        Self {
            log_likelihood: 0.0,
            trials: vec![0.0; n],
            answers: shape.clone(),
            squares: shape,
            cases: vec![0.0; n],
            mention: (0.0, 0.0),
            impossible: 0.0,
        }
    }

    fn add(&mut self, other: &Self) {
        let plus = |a: &mut Vec<f64>, b: &[f64]| a.iter_mut().zip(b).for_each(|(x, y)| *x += y);
        self.log_likelihood += other.log_likelihood;
        self.impossible += other.impossible;
        self.mention.0 += other.mention.0;
        self.mention.1 += other.mention.1;
        plus(&mut self.trials, &other.trials);
        plus(&mut self.cases, &other.cases);
        self.answers.iter_mut().zip(&other.answers).for_each(|(a, b)| plus(a, b));
        self.squares.iter_mut().zip(&other.squares).for_each(|(a, b)| plus(a, b));
    }

    fn case(&mut self, tables: &Tables, frame: &Frame, pattern: &Pattern, count: f64, mention: f64) {
        let seen = frame.witnessed(pattern, mention);
        let found = frame.graph.expectations(&seen.members, &seen.findings);
        let Some(found) = found.ok().filter(|f| f.log_likelihood > f64::NEG_INFINITY) else {
            self.impossible += count;
            return;
        };
        let (there, told) = (seen.there, seen.told);
        let missed: f64 = seen
            .passed
            .iter()
            .filter_map(|(node, named)| {
                let answers = found.answers.iter().find(|(c, _)| c == node)?;
                Some(answers.1.iter().zip(*named).filter(|(_, n)| **n).map(|(p, _)| p).sum::<f64>())
            })
            .sum();
        self.mention.0 += count * (there + missed);
        self.mention.1 += count * told;
        let spoken = told * mention.ln() + (there - told) * (1.0 - mention).ln();
        self.log_likelihood += count * (found.log_likelihood + spoken);
        for c in &found.counts {
            let Some(t) = frame.table(c.at, c.place) else { continue };
            self.trials[t] += count * c.trials;
            if c.trials > 0.005 {
                self.cases[t] += count;
            }
            for (k, s) in c.answers.iter().enumerate() {
                self.answers[t][k] += count * s;
                self.squares[t][k] += count * (s - c.trials * tables.chances[t][k]).powi(2);
            }
        }
    }
}

/// One E-step at given figures, on so many threads; the result does not depend on how many.
pub fn expect(data: &mut Data<'_>, tables: &Tables, mention: f64, threads: usize) -> Sums {
    data.frames.iter_mut().for_each(|f| f.refresh(tables, &data.now));
    data.now.clone_from(tables);
    let frames = &data.frames;
    let chunks: Vec<&[(usize, &Pattern, f64)]> = data.cases.chunks(CHUNK).collect();
    let one = |chunk: &&[(usize, &Pattern, f64)]| -> Sums {
        let mut sums = Sums::zero(tables);
        for (frame, pattern, count) in *chunk {
            sums.case(tables, &frames[*frame], pattern, *count, mention);
        }
        sums
    };
    let mut total = Sums::zero(tables);
    for wave in chunks.chunks(WAVE) {
        spread(wave, threads, &one).iter().for_each(|sums| total.add(sums));
    }
    total
}

/// What expectation-maximisation came to.
#[derive(Clone, Debug)]
pub struct Fit {
    /// The figures.
    pub tables: Tables,
    /// Chance that an owner complains of a symptom that is there.
    pub mention: f64,
    /// The sums at these figures.
    pub sums: Sums,
    /// The penalised log likelihood before each round and after the last.
    pub climb: Vec<f64>,
}

fn penalised(sums: &Sums, tables: &Tables, authored: &Tables, mention: f64, weight: f64) -> f64 {
    let penalty = |now: &[f64], was: &[f64]| -> f64 {
        now.iter().zip(was).filter(|(_, w)| **w > 0.0).map(|(n, w)| w * n.ln()).sum()
    };
    let each = tables.chances.iter().zip(&authored.chances);
    let all: f64 = each.map(|(n, w)| weight * penalty(n, w)).sum();
    let spoken = MENTION * mention.ln() + (1.0 - MENTION) * (1.0 - mention).ln();
    sums.log_likelihood + all + weight * spoken
}

/// Learns strengths and leaks on so many threads. `weight`: how many cases the authored figures count for, above 0. `tick` is
/// called after each round.
pub fn fit(rules: &Rules, mut data: Data<'_>, weight: f64, threads: usize, tick: &dyn Fn()) -> Fit {
    let authored = Tables::authored(rules);
    let mut tables = authored.clone();
    let mut mention = MENTION;
    let mut climb = Vec::new();
    let mut sums = expect(&mut data, &tables, mention, threads);
    let count: f64 = data.cases.iter().map(|c| c.2).sum();
    for _ in 0..ROUNDS {
        let here = penalised(&sums, &tables, &authored, mention, weight);
        let rise = climb.last().map_or(f64::INFINITY, |last| here - last);
        climb.push(here);
        if count == 0.0 || rise < ENOUGH * count {
            break;
        }
        for (t, table) in tables.chances.iter_mut().enumerate() {
            let all = weight + sums.trials[t];
            for (k, share) in table.iter_mut().enumerate() {
                *share = (weight * authored.chances[t][k] + sums.answers[t][k]) / all;
            }
        }
        mention = (weight * MENTION + sums.mention.1) / (weight + sums.mention.0);
        sums = expect(&mut data, &tables, mention, threads);
        tick();
    }
    Fit { tables, mention, sums, climb }
}

impl Fit {
    /// How many independent cases the evidence on a share is worth: the information of the trials less what is missing of it
    /// for want of knowing which cause acted (Louis 1982), in units of one observed trial; between 0 and the trials.
    pub fn effective(&self, table: usize, answer: usize) -> f64 {
        let p = self.tables.chances[table][answer];
        let (one, trials) = (p * (1.0 - p), self.sums.trials[table]);
        let (did, squares) = (self.sums.answers[table][answer], self.sums.squares[table][answer]);
        let missing = (1.0 - p).powi(2) * did + p * p * (trials - did) - squares;
        if one <= 0.0 { 0.0 } else { (trials - missing / one).clamp(0.0, trials.max(0.0)) }
    }
}
