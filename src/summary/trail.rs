//! How suspicion moved: the posterior after each finding, recomputed.

use crate::belief::FaultId;
use crate::job::{Diagnosis, JobCard};
use crate::text::Complaints;

/// Steps that are recomputed: of more findings the last half of this many one by one, of those before only some.
const STEPS: usize = 64;
/// The least of them, where each takes long: of a card with more findings than [`LONG`], or where the sums are dear.
const LEAST_STEPS: usize = 6;
const LONG: usize = 1_000;

/// Probabilities after each step.
#[derive(Clone, Debug)]
pub struct Trail {
    /// Finding numbers by step: `None` for the state before anything was found, 0 for the complaint.
    pub steps: Vec<Option<usize>>,
    /// Probability by step and fault.
    pub rows: Vec<Vec<f64>>,
    /// Whether each step is one finding after the step before it.
    next: Vec<bool>,
}

impl Trail {
    /// Plays the card again, finding by finding; struck ones are left out. One diagnosis a finding; of a very long card not every
    /// finding.
    ///
    /// # Errors
    /// As [`Diagnosis::of`].
    pub fn of(diagnosis: &Diagnosis<'_>) -> Result<Self, Complaints> {
        let faults = diagnosis.model.faults.len();
        let board = diagnosis.circuit.as_ref().map(|c| c.board());
        let priors = diagnosis.model.faults.iter().map(|f| f.prior).collect();
        let (mut steps, mut rows, mut next) = (vec![None], vec![priors], vec![false]);
        let card = &diagnosis.job.card;
        let said = card.complaint.as_ref().is_some_and(|c| !c.symptoms.is_empty());
        let all: Vec<usize> = said.then_some(0).into_iter().chain(card.standing().map(|(n, _)| n)).collect();
        let last = card.standing().last().map_or(0, |(n, _)| n);
        let mut before = None;
        let most = if all.len() > LONG { LEAST_STEPS } else { STEPS };
        for place in picked(all.len(), diagnosis.sums_worth(most, LEAST_STEPS)) {
            let number = all[place];
            let row = |d: &Diagnosis<'_>| (0..faults).map(|f| d.probability(FaultId(f))).collect();
            steps.push(Some(number));
            next.push(before.map_or(place == 0, |b: usize| b + 1 == place));
            before = Some(place);
            rows.push(if number == last {
                row(diagnosis)
            } else {
                row(&Diagnosis::on(diagnosis.rules, cut(&diagnosis.job, number), board)?)
            });
        }
        Ok(Self { steps, rows, next })
    }

    /// Where a fault stood highest: its probability there.
    pub fn highest(&self, fault: FaultId) -> f64 {
        self.rows.iter().filter_map(|r| r.get(fault.0)).copied().fold(0.0, f64::max)
    }

    /// The step that took most from a fault: finding number and decibels (negative); nothing where none did. A stretch of several
    /// findings is passed over: which of them it was is not known.
    pub fn steepest_fall(&self, fault: FaultId) -> Option<(usize, f64)> {
        let mut best: Option<(usize, f64)> = None;
        let steps = self.steps.iter().zip(&self.next).skip(1);
        for (pair, (step, _)) in self.rows.windows(2).zip(steps).filter(|(_, (_, next))| **next) {
            let (Some(before), Some(after), Some(number)) =
                (pair[0].get(fault.0), pair[1].get(fault.0), step)
            else {
                continue;
            };
            let fall = odds_db(*after) - odds_db(*before);
            if fall < -0.5 && best.is_none_or(|b| fall < b.1) {
                best = Some((*number, fall));
            }
        }
        best
    }
}

/// Which of so many findings are recomputed in so many steps: all of a few, else every so many of the first and all of the last.
fn picked(count: usize, steps: usize) -> Vec<usize> {
    let (some, every) = (steps / 2, count.saturating_sub(steps / 2));
    if count <= steps {
        return (0..count).collect();
    }
    (0..some).map(|i| i * every / some).chain(every..count).collect()
}

fn cut(job: &JobCard, number: usize) -> JobCard {
    let mut job = job.clone();
    job.card.findings.truncate(number);
    job
}

/// Decibels of odds, kept finite.
pub fn odds_db(p: f64) -> f64 {
    let p = p.clamp(1e-12, 1.0 - 1e-12);
    10.0 * (p / (1.0 - p)).log10()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn of_many_findings_the_last_count_one_by_one() {
        assert_eq!(picked(5, STEPS), [0, 1, 2, 3, 4]);
        assert_eq!(picked(STEPS, STEPS).len(), STEPS);
        let many = picked(10_000, LEAST_STEPS);
        assert_eq!((many.len(), many[0], many[LEAST_STEPS - 1]), (LEAST_STEPS, 0, 9_999));
        assert!(
            many.windows(2).all(|w| w[0] < w[1])
                && many[LEAST_STEPS / 2..].windows(2).all(|w| w[0] + 1 == w[1])
        );
        assert!(picked(STEPS + 1, STEPS).windows(2).all(|w| w[0] < w[1]));
    }
}
