//! Figures over many games.

use super::play::{Answer, Game};
use serde::Serialize;

/// Mean, median and 90th percentile.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Figures {
    /// Mean.
    pub mean: f64,
    /// Median.
    pub median: f64,
    /// 90th percentile.
    pub p90: f64,
}

impl Figures {
    /// Of a list of numbers, quantiles by the nearest rank; all 0 for an empty list.
    pub fn of(mut list: Vec<f64>) -> Self {
        list.sort_by(f64::total_cmp);
        let rank = |q: f64| {
            let at = (q * list.len() as f64).ceil().max(1.0) as usize;
            list.get(at - 1).copied().unwrap_or(0.0)
        };
        let mean = list.iter().sum::<f64>() / list.len().max(1) as f64;
        Self { mean, median: rank(0.5), p90: rank(0.9) }
    }
}

/// Answers stated with about the same probability.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Bucket {
    /// Lowest stated probability in it.
    pub from: f64,
    /// Highest stated probability, itself left out but for the last bucket.
    pub to: f64,
    /// How many answers.
    pub answers: usize,
    /// Mean of the stated probabilities.
    pub stated: f64,
    /// Share of them that were right.
    pub right: f64,
}

/// Edges of the buckets.
const EDGES: [f64; 8] = [0.0, 0.2, 0.4, 0.6, 0.75, 0.85, 0.95, 1.0];

/// How one strategy did.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct StrategyScore {
    /// Its name.
    pub name: String,
    /// Share of games in which the faults were found.
    pub found: f64,
    /// Minutes a game.
    pub minutes: Figures,
    /// Steps a game.
    pub steps: Figures,
    /// Money for parts a game.
    pub money: Figures,
    /// Remedies a game that put nothing right.
    pub wrong_remedies: f64,
    /// How stated probabilities came true, empty buckets left out.
    pub calibration: Vec<Bucket>,
}

impl StrategyScore {
    /// The score over games.
    pub fn of(name: &str, games: &[Game]) -> Self {
        let count = games.len().max(1) as f64;
        let of = |f: fn(&Game) -> f64| games.iter().map(f).collect::<Vec<f64>>();
        let answers: Vec<&Answer> = games.iter().flat_map(|g| &g.answers).collect();
        Self {
            name: name.into(),
            found: games.iter().filter(|g| g.found).count() as f64 / count,
            minutes: Figures::of(of(|g| g.minutes)),
            steps: Figures::of(of(|g| g.steps.len() as f64)),
            money: Figures::of(of(|g| g.money)),
            wrong_remedies: games.iter().map(|g| g.wrong_remedies).sum::<usize>() as f64 / count,
            calibration: buckets(&answers),
        }
    }
}

fn buckets(answers: &[&Answer]) -> Vec<Bucket> {
    let of = |edges: &[f64]| {
        let (from, to) = (edges[0], edges[1]);
        let inside: Vec<&&Answer> =
            answers.iter().filter(|a| a.stated >= from && (a.stated < to || to >= 1.0)).collect();
        let count = inside.len() as f64;
        (!inside.is_empty()).then(|| Bucket {
            from,
            to,
            answers: inside.len(),
            stated: inside.iter().map(|a| a.stated).sum::<f64>() / count,
            right: inside.iter().filter(|a| a.right).count() as f64 / count,
        })
    };
    EDGES.windows(2).filter_map(of).collect()
}
