//! How suspicion moved: the posterior after each finding, recomputed.

use crate::belief::FaultId;
use crate::job::{Diagnosis, JobCard};
use crate::text::Complaints;

/// Probabilities after each step.
#[derive(Clone, Debug)]
pub struct Trail {
    /// Finding numbers by step: `None` for the state before anything was found, 0 for the complaint.
    pub steps: Vec<Option<usize>>,
    /// Probability by step and fault.
    pub rows: Vec<Vec<f64>>,
}

impl Trail {
    /// Plays the card again, finding by finding; struck ones are left out. One diagnosis a finding.
    ///
    /// # Errors
    /// As [`Diagnosis::of`].
    pub fn of(diagnosis: &Diagnosis<'_>) -> Result<Self, Complaints> {
        let faults = diagnosis.model.faults.len();
        let board = diagnosis.circuit.as_ref().map(|c| c.board());
        let priors = diagnosis.model.faults.iter().map(|f| f.prior).collect();
        let (mut steps, mut rows) = (vec![None], vec![priors]);
        let card = &diagnosis.job.card;
        let last = card.standing().last().map_or(0, |(n, _)| n);
        for number in std::iter::once(0).chain(card.standing().map(|(n, _)| n)) {
            if number == 0 && card.complaint.as_ref().is_none_or(|c| c.symptoms.is_empty()) {
                continue;
            }
            let row = |d: &Diagnosis<'_>| (0..faults).map(|f| d.probability(FaultId(f))).collect();
            steps.push(Some(number));
            rows.push(if number == last {
                row(diagnosis)
            } else {
                row(&Diagnosis::on(diagnosis.rules, cut(&diagnosis.job, number), board)?)
            });
        }
        Ok(Self { steps, rows })
    }

    /// Where a fault stood highest: its probability there.
    pub fn highest(&self, fault: FaultId) -> f64 {
        self.rows.iter().filter_map(|r| r.get(fault.0)).copied().fold(0.0, f64::max)
    }

    /// The step that took most from a fault: finding number and decibels (negative); nothing where none did.
    pub fn steepest_fall(&self, fault: FaultId) -> Option<(usize, f64)> {
        let mut best: Option<(usize, f64)> = None;
        for (pair, step) in self.rows.windows(2).zip(self.steps.iter().skip(1)) {
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
