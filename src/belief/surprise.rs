//! How well the findings fit together, and which fits worst.

use super::state::Belief;
use super::{BeliefError, CheckId};
use std::rc::Rc;

/// How one finding sits with all others.
#[derive(Debug, Clone, PartialEq)]
pub struct Misfit {
    /// The check.
    pub check: CheckId,
    /// P(this finding | the others); for a soft one the expected likelihood relative to its greatest entry.
    pub probability: f64,
    /// P(an outcome no more probable than this one | the others): small means out of place. 1 for the expected one.
    pub tail: f64,
    /// -log2 P(this finding | the others) less what was to be expected (the entropy of the prediction), in bits.
    pub excess_bits: f64,
}

/// How well the findings fit overall.
#[derive(Debug, Clone, PartialEq)]
pub struct Surprise {
    /// -log2 P(all findings | set scores), in bits.
    pub bits: f64,
    /// log2 of (product of P(finding) / P(all findings)), in bits: the conflict measure of Jensen, Chamberlain,
    /// Nordahl and Jensen (1991). Above zero the findings support each other less than chance would.
    pub conflict_bits: f64,
    /// Every finding that was weighed, ordered by check.
    pub findings: Vec<Misfit>,
    /// The finding that sits worst: least tail, then greatest excess, then least id. `None` without findings.
    pub worst: Option<CheckId>,
}

impl Belief {
    /// Weighs the findings against each other. One propagation per finding and answer.
    ///
    /// # Errors
    /// [`BeliefError::TooCostly`].
    pub fn surprise(&self) -> Result<Surprise, BeliefError> {
        let all: Vec<CheckId> = self.checks_found().collect();
        self.surprise_of(&all, |check| self.without(check).map(Rc::new))
    }

    /// The same with only some findings weighed against all others, and with beliefs that the caller keeps: `without` gives
    /// [`Belief::without`] of a check.
    ///
    /// # Errors
    /// As [`Belief::surprise`].
    pub fn surprise_of(
        &self,
        weighed: &[CheckId],
        mut without: impl FnMut(CheckId) -> Result<Rc<Belief>, BeliefError>,
    ) -> Result<Surprise, BeliefError> {
        let none = self.with_only(&[])?;
        let together = self.posterior.log_evidence - none.posterior.log_evidence;
        let mut apart = 0.0;
        let mut findings: Vec<Misfit> = Vec::with_capacity(self.findings.len());
        for (check, likelihood) in &self.findings {
            let top = likelihood.iter().copied().fold(0.0, f64::max);
            let alone = self.with_only(&[(*check, likelihood.clone())])?;
            apart += alone.posterior.log_evidence - none.posterior.log_evidence;
            if !weighed.contains(check) {
                continue;
            }
            let answers = self.predicted(*check, likelihood, without(*check)?.as_ref())?;
            findings.push(misfit(*check, &answers, likelihood, top));
        }
        let worst = findings
            .iter()
            .min_by(|a, b| {
                a.tail
                    .total_cmp(&b.tail)
                    .then(b.excess_bits.total_cmp(&a.excess_bits))
                    .then(a.check.cmp(&b.check))
            })
            .map(|m| m.check);
        Ok(Surprise {
            bits: -together / std::f64::consts::LN_2,
            conflict_bits: (apart - together) / std::f64::consts::LN_2,
            findings,
            worst,
        })
    }
}

impl Belief {
    /// P(answer | the other findings). Of two answers, one of them found for certain, the sums with and without it tell already.
    fn predicted(&self, check: CheckId, found: &[f64], without: &Belief) -> Result<Vec<f64>, BeliefError> {
        let sharp =
            found.iter().position(|l| *l > 0.0).filter(|_| found.iter().filter(|l| **l > 0.0).count() == 1);
        match sharp {
            Some(answer) if found.len() == 2 && self.is_exact() && without.is_exact() => {
                let log = self.posterior.log_evidence - found[answer].ln() - without.posterior.log_evidence;
                let mut answers = vec![0.0; 2];
                answers[answer] = log.exp().clamp(0.0, 1.0);
                answers[1 - answer] = 1.0 - answers[answer];
                Ok(answers)
            }
            _ => Ok(without.predict(check)?.answers),
        }
    }

    fn is_exact(&self) -> bool {
        !self.sampled && self.sets.is_none()
    }
}

fn misfit(check: CheckId, answers: &[f64], likelihood: &[f64], top: f64) -> Misfit {
    let probability: f64 = answers.iter().zip(likelihood).map(|(p, l)| p * l / top).sum();
    // A soft finding is judged answer by answer, each in the measure in which the finding speaks for it.
    let joint: Vec<f64> = answers.iter().zip(likelihood).map(|(p, l)| p * l).collect();
    let sum: f64 = joint.iter().sum();
    let entropy: f64 = answers.iter().filter(|p| **p > 0.0).map(|p| -p * p.log2()).sum();
    let (mut tail, mut surprisal) = (0.0, 0.0);
    for (p, j) in answers.iter().zip(&joint) {
        if *j > 0.0 {
            let share = j / sum;
            let no_more: f64 = answers.iter().filter(|q| **q <= p * (1.0 + 1e-9)).sum();
            tail += share * no_more;
            surprisal -= share * p.log2();
        }
    }
    Misfit { check, probability, tail: tail.min(1.0), excess_bits: surprisal - entropy }
}
