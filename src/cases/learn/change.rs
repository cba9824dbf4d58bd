//! The figures that moved noticeably, each with what it rests on.

use super::beta;
use super::em::{Data, Fit, fit};
use super::frame::{Place, Tables};
use super::pattern::{Statistics, Times};
use super::priors::{Priors, authored_cases};
use crate::rules::{Build, CheckId, ConditionId, FaultId, History, LinkId, RemedyId, Rules};

/// A figure of the rules.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Spot {
    /// Prior of a fault.
    Prior(FaultId, History),
    /// Build factor of a fault.
    Factor(FaultId, Build),
    /// Share of a link, by answer; 1 where the link leads to a condition.
    Share(LinkId, usize),
    /// Leak of a check, by answer.
    CheckLeak(CheckId, usize),
    /// Leak of a condition.
    ConditionLeak(ConditionId),
    /// Minutes of a check.
    CheckMinutes(CheckId),
    /// Minutes of a remedy.
    RemedyMinutes(RemedyId),
    /// Chance that a remedy works.
    Success(RemedyId),
}

/// A figure that moved.
#[derive(Clone, Debug, PartialEq)]
pub struct Change {
    /// Which.
    pub spot: Spot,
    /// As authored.
    pub was: f64,
    /// As learned.
    pub is: f64,
    /// Cases counted.
    pub cases: u64,
    /// Their weight as so many independent ones.
    pub effective: f64,
    /// Central 90 % of its posterior; `None` for figures that are no probability.
    pub interval: Option<[f64; 2]>,
    /// Anything else.
    pub note: Option<String>,
}

/// All that was learned.
#[derive(Clone, Debug)]
pub struct Learned {
    /// Priors and build factors.
    pub priors: Priors,
    /// Strengths, leaks, and how the fit went.
    pub fit: Fit,
    /// What moved noticeably, in the order of the rules.
    pub changes: Vec<Change>,
}

/// Learns every figure from statistics. `weight`: how many cases an authored figure counts for, above 0. The result depends
/// on rules, statistics and weight alone. Cost: up to 80 rounds over the patterns, some 0.1 ms a pattern each.
pub fn learn(
    rules: &Rules,
    statistics: &Statistics,
    weight: f64,
    threads: usize,
    tick: &dyn Fn(),
) -> Learned {
    let priors = Priors::learn(rules, statistics.patterns.iter().map(|(p, n)| (p, *n)), weight);
    let fit = fit(rules, Data::all(rules, statistics), weight, threads, tick);
    let mut changes = prior_changes(rules, &priors, weight);
    changes.extend(table_changes(rules, &fit, weight));
    changes.extend(other_changes(rules, statistics, weight));
    changes.sort_by_key(|c| c.spot);
    Learned { priors, fit, changes }
}

fn moved(was: f64, is: f64, share: f64) -> bool {
    (is - was).abs() > share * was.abs()
}

fn prior_changes(rules: &Rules, priors: &Priors, weight: f64) -> Vec<Change> {
    let authored = Priors::authored(rules);
    let mut out = Vec::new();
    for (id, _) in rules.faults() {
        let f = id.index();
        for (h, history) in History::ALL.iter().enumerate() {
            let (was, is, count) = (authored.base[f][h], priors.base[f][h], priors.by_history[f][h]);
            if moved(was, is, 0.1) {
                out.push(Change {
                    spot: Spot::Prior(id, *history),
                    was,
                    is,
                    cases: count.units,
                    effective: count.trials,
                    interval: Some(beta::interval(is, authored_cases(was, weight) + count.trials)),
                    note: Some(format!("found in {}", count.cases)),
                });
            }
        }
        for (b, build) in Build::AUTHORED.iter().enumerate() {
            let (was, is, count) = (authored.factor[f][b], priors.factor[f][b], priors.by_build[f][b]);
            if moved(was, is, 0.1) {
                out.push(Change {
                    spot: Spot::Factor(id, *build),
                    was,
                    is,
                    cases: count.units,
                    effective: count.cases as f64,
                    interval: None,
                    note: Some(format!(
                        "found in {}, {:.1} expected without the factor",
                        count.cases, count.trials
                    )),
                });
            }
        }
    }
    out
}

fn table_changes(rules: &Rules, fit: &Fit, weight: f64) -> Vec<Change> {
    let authored = Tables::authored(rules);
    let mut out = Vec::new();
    for (t, (was, is)) in authored.chances.iter().zip(&fit.tables.chances).enumerate() {
        let place = authored.place(t);
        let notable = |(a, b): (&f64, &f64)| match place {
            Place::Link(_) => (a - b).abs() > 0.01,
            Place::Check(_) | Place::Condition(_) => (a - b).abs() > 0.002 && moved(*a, *b, 0.2),
        };
        if !was.iter().zip(is).skip(1).any(notable) {
            continue;
        }
        // All answers of the table together, so that no share that is kept makes the sum exceed one.
        for answer in (1..was.len()).filter(|k| was[*k] > 0.0) {
            let effective = fit.effective(t, answer);
            out.push(Change {
                spot: match place {
                    Place::Link(id) => Spot::Share(id, answer),
                    Place::Check(id) => Spot::CheckLeak(id, answer),
                    Place::Condition(id) => Spot::ConditionLeak(id),
                },
                was: was[answer],
                is: is[answer],
                cases: fit.sums.cases[t] as u64,
                effective,
                interval: Some(beta::interval(is[answer], weight + effective)),
                note: None,
            });
        }
    }
    out
}

fn other_changes(rules: &Rules, statistics: &Statistics, weight: f64) -> Vec<Change> {
    let mut out = Vec::new();
    for (id, times) in &statistics.check_times {
        out.extend(minutes(Spot::CheckMinutes(*id), rules.check(*id).minutes.get(), times, weight));
    }
    for (id, times) in &statistics.remedy_times {
        out.extend(minutes(Spot::RemedyMinutes(*id), rules.remedy(*id).minutes.get(), times, weight));
    }
    for (id, tries) in &statistics.tries {
        let was = rules.remedy(*id).success.get();
        let n = tries.count as f64;
        let is = (weight * was + tries.cured as f64) / (weight + n);
        if (is - was).abs() > 0.01 {
            out.push(Change {
                spot: Spot::Success(*id),
                was,
                is,
                cases: tries.count,
                effective: n,
                interval: Some(beta::interval(is, weight + n)),
                note: Some(format!("cured {}", tries.cured)),
            });
        }
    }
    out
}

/// The mean of the times noted, drawn toward the authored figure as if that had been noted `weight` times.
fn minutes(spot: Spot, was: f64, times: &Times, weight: f64) -> Option<Change> {
    let n = times.count as f64;
    let mean = times.hundredths as f64 / 100.0 / n;
    let is = (weight * was + n * mean) / (weight + n);
    if !moved(was, is, 0.1) || is <= 0.0 {
        return None;
    }
    let spread = (times.squares as f64 / 1e4 / n - mean * mean).max(0.0);
    let note = format!("mean {mean:.1}, standard deviation {:.1} of the times noted", spread.sqrt());
    Some(Change { spot, was, is, cases: times.count, effective: n, interval: None, note: Some(note) })
}
