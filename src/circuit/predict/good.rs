//! A good unit beside the bad one: its readings take the place of the healthy board's.
//!
//! What a unit that works reads differs from the prediction by what the board file has wrong (a supply that gives 9.4 V, another
//! transistor) and by the spread of that unit's own parts. So the healthy reading moves to the good unit's, the readings with
//! faults in move along, none past the rails, and the good unit's spread joins that of the unit under test: each draws its parts
//! for itself, and one draw of the good unit is shared by all of its readings.

use super::check::NONE_HERTZ;
use super::{CheckId, Observed, PredictError, Predicted, Predictor};
use std::sync::Arc;

/// Below this distance from a rail, as a share of the supplies' span, a reading is taken for the rail itself.
const AT_RAIL: f64 = 0.1;

/// What the good unit read at one check, beside what was predicted.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Beside {
    /// Its reading, as predictions have it: ohms as their logarithm.
    good: f64,
    /// The healthy prediction.
    usual: f64,
    /// The good unit's share of the spread.
    loadings: Arc<Vec<f64>>,
}

impl Predictor<'_> {
    /// Takes readings of a unit that works; several at one check are averaged. Levels by ear and readings over range say nothing
    /// here. Replaces those taken before.
    ///
    /// # Errors
    /// As [`Predictor::predict`].
    pub fn set_good(&mut self, readings: &[(CheckId, Observed)]) -> Result<(), PredictError> {
        self.good.clear();
        self.spread = None;
        let checks: Vec<CheckId> = readings.iter().map(|(c, _)| c.clone()).collect();
        let healthy = self.predict(&[], &checks)?;
        for (check, usual) in healthy.iter() {
            let values: Vec<f64> = readings
                .iter()
                .filter(|(c, _)| c == check)
                .filter_map(|(_, seen)| match seen {
                    Observed::Read(r) => Some(check.scaled(check.figure(r))),
                    Observed::Heard(_) => None,
                })
                .filter(|x| x.is_finite())
                .collect();
            if values.is_empty() || !usual.mean.is_finite() {
                continue;
            }
            let good = values.iter().sum::<f64>() / values.len() as f64;
            let beside = Beside { good, usual: usual.mean, loadings: Arc::clone(&usual.loadings) };
            self.good.insert(check.clone(), beside);
        }
        Ok(())
    }

    /// A prediction seen beside the good unit; as it was where that was not read.
    pub(super) fn beside_good(&self, check: &CheckId, mut p: Predicted) -> Predicted {
        let Some(beside) = self.good.get(check).filter(|_| p.mean.is_finite()) else { return p };
        p.mean = self.moved(check, p.mean, beside);
        let more: f64 = beside.loadings.iter().map(|l| l * l).sum();
        p.sd = (p.sd * p.sd + more).sqrt();
        if !p.loadings.is_empty() {
            let both = p.loadings.iter().chain(beside.loadings.iter()).copied();
            p.loadings = Arc::new(both.collect());
        }
        p
    }

    fn moved(&self, check: &CheckId, mean: f64, beside: &Beside) -> f64 {
        let Beside { good, usual, .. } = *beside;
        let shifted = mean + good - usual;
        match check {
            CheckId::Volts(_) => {
                let (low, high) = self.rails();
                let near = AT_RAIL * (high - low);
                let (low, high) = (low.min(good), high.max(good));
                if mean >= usual {
                    let room = high - usual;
                    if room < near { shifted } else { good + (mean - usual) * (high - good) / room }
                } else {
                    let room = usual - low;
                    if room < 0.02 { mean } else { good + (mean - usual) * (good - low) / room }
                }
            }
            // A board that rests does so beside any good unit.
            CheckId::Hertz(_) if check.unscaled(mean) < NONE_HERTZ => mean,
            CheckId::Amps(_) | CheckId::Swing(_) if usual > 0.0 && good > 0.0 => mean * good / usual,
            _ => shifted,
        }
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;
    use crate::circuit::board::tests::own_boards;
    use crate::circuit::predict::Bench;

    fn volts(p: &mut Predictor<'_>, faults: &[&str], check: &CheckId) -> Predicted {
        p.predict(faults, std::slice::from_ref(check)).unwrap().get(check).unwrap().clone()
    }

    #[test]
    fn the_good_unit_stands_in_for_the_healthy_reading_and_faults_move_along() {
        let (_, board) = own_boards().into_iter().find(|(n, _)| n.starts_with("pocket")).unwrap();
        let mut p = Predictor::new(&board, Bench::default()).unwrap();
        let collector = p.check("volts:C").unwrap();
        let seen = |text: &str| (collector.clone(), Observed::parse(&collector, text).unwrap());
        let usual = volts(&mut p, &[], &collector);
        let open = volts(&mut p, &["R2:open"], &collector).mean;
        let (low, high) = (usual.mean - 0.8, open);
        p.set_good(&[seen(&format!("{low:.3}V"))]).unwrap();
        let now = volts(&mut p, &[], &collector);
        assert!((now.mean - low).abs() < 1e-3, "{} {low}", now.mean);
        // Two draws of parts instead of one.
        let (shared, both) = (usual.sd.powi(2) - usual.own_sd.powi(2), now.sd.powi(2) - now.own_sd.powi(2));
        assert!((both / shared - 2.0).abs() < 1e-6);
        assert_eq!(now.loadings.len(), 2 * usual.loadings.len());
        let with = volts(&mut p, &["R2:open"], &collector).mean;
        assert!((with - high).abs() < 0.1, "a net at the rail stays there: {with} {high}");
        let rough = p.outline(&[], std::slice::from_ref(&collector)).unwrap();
        assert!((rough.get(&collector).unwrap().mean - low).abs() < 1e-3);
        p.set_good(&[]).unwrap();
        assert_eq!(volts(&mut p, &[], &collector), usual);
    }

    #[test]
    fn a_unit_that_reads_as_its_good_brother_is_likelier_healthy_than_by_the_board_alone() {
        let (_, board) = own_boards().into_iter().find(|(n, _)| n.starts_with("pocket")).unwrap();
        let mut p = Predictor::new(&board, Bench::default()).unwrap();
        let collector = p.check("volts:C").unwrap();
        let usual = volts(&mut p, &[], &collector);
        let far = usual.mean + 4.0 * usual.sd;
        let seen = [(collector.clone(), Observed::parse(&collector, &format!("{far:.3}V")).unwrap())];
        let gap = |p: &mut Predictor<'_>| {
            p.log_likelihood(&[], &seen).unwrap() - p.log_likelihood(&["R2:x10"], &seen).unwrap()
        };
        let before = gap(&mut p);
        p.set_good(&seen).unwrap();
        assert!(gap(&mut p) > before + 2.0);
    }
}
