//! What is not known of a unit on the bench beside its faults.
//!
//! Whether something that passes direct current is plugged in at the input while volts are read (an instrument's coil and a bare
//! generator do, a generator behind a capacitor and an empty jack don't) matters only where the input stands off ground: where its
//! coupling capacitor is shorted, or where there is none. There, readings are weighed both ways.
//!
//! What a supply does that is drawn on for more than a small unit ever takes: adaptors fold back, batteries sink, bench supplies go over
//! to their limit, and stiff ones deliver. The board file does not say which, so the rails are somewhere between nothing and what a stiff
//! one leaves.

use super::itself::OTHERWISE;
use super::swings::SNAPPED;
use super::{CheckId, Predicted, Predictor, key_of};
use crate::circuit::board::FaultSetError;
use crate::circuit::edit::{Edit, EditSet, SHORT_OHMS};

/// Stands among the faults of a way for a source that passes direct current; no fault's id.
const PLUGGED: &str = "source-plugged";
/// Chance that one is there while volts are read (common practice, no source).
const PLUGGED_CHANCE: f64 = 0.5;
/// An input is at ground up to here, volts.
const AT_GROUND: f64 = 0.03;

/// Supplies of small units sag or limit from somewhere above this, amps (common practice, no source).
const STRAINED_AMPS: f64 = 0.3;
/// Where readings then lie between nothing and those of a stiff supply, as a share, and how far they spread about it.
const SAGGED: f64 = 0.6;
const SAGGED_SPREAD: f64 = 0.35;
/// Spread of a level then, dB.
const SAGGED_DB: f64 = 20.0;
/// Spread of a rate, which resistors and capacitors set, and of a noise then; natural logarithms.
const SAGGED_RATE: f64 = 0.3;
const SAGGED_NOISE: f64 = 1.0;

/// The faults of a way.
pub(super) fn faults_of(way: &[String]) -> Vec<&str> {
    way.iter().map(String::as_str).filter(is_fault).collect()
}

/// Whether one of a way's ids is a fault, and not how the unit stands or was read.
fn is_fault(id: &&str) -> bool {
    ![PLUGGED, SNAPPED, OTHERWISE].contains(id)
}

/// What is left of a prediction made with a stiff supply.
pub(super) fn sag(check: &CheckId, predicted: &mut Predicted) {
    let wide = match check {
        CheckId::Ohms(_) => return,
        CheckId::Level(_) => SAGGED_DB,
        CheckId::Hertz(_) => SAGGED_RATE,
        CheckId::Noise(_) => SAGGED_NOISE,
        CheckId::Volts(_) | CheckId::Amps(_) | CheckId::Swing(_) => {
            let stiff = predicted.mean;
            predicted.mean *= SAGGED;
            SAGGED_SPREAD * stiff.abs()
        }
    };
    predicted.own_sd = predicted.own_sd.hypot(wide);
    predicted.sd = predicted.sd.hypot(wide);
}

impl Predictor<'_> {
    /// Whether a supply is drawn on for too much, by means of all powered checks.
    pub(super) fn strains(&self, means: &[[f64; 2]]) -> bool {
        let amps = |name: &str| self.places.get(&CheckId::Amps(name.to_owned())).and_then(|i| means.get(*i));
        self.board.supplies().iter().filter_map(|s| amps(&s.name)).any(|m| m[0].abs() > STRAINED_AMPS)
    }

    /// The same of a way, solved for if it is not known yet.
    pub(super) fn strained_by(&mut self, way: &[String]) -> bool {
        let amps: Vec<CheckId> =
            self.board.supplies().iter().map(|s| CheckId::Amps(s.name.clone())).collect();
        let ids: Vec<&str> = way.iter().map(String::as_str).collect();
        let key = key_of(&ids);
        self.keep_means(&key, &ids, &amps).is_ok() && self.means.get(&key).is_some_and(|m| self.strains(m))
    }

    /// Every way in which these faults may be there, with its chance, as far as it matters for these checks.
    pub(super) fn ways(&mut self, faults: &[&str], checks: &[CheckId]) -> Vec<(f64, Vec<String>)> {
        let ways = self.board.graded(faults);
        if !checks.iter().any(CheckId::powered) {
            return ways;
        }
        let both = |(chance, way): (f64, Vec<String>)| {
            if !self.stands_off_ground(&way) {
                return vec![(chance, way)];
            }
            let mut plugged = way.clone();
            plugged.push(PLUGGED.to_owned());
            vec![(chance * (1.0 - PLUGGED_CHANCE), way), (chance * PLUGGED_CHANCE, plugged)]
        };
        ways.into_iter().flat_map(both).collect()
    }

    /// Edits of the faults of a way.
    pub(super) fn edits(&self, way: &[&str]) -> Result<EditSet, FaultSetError> {
        let faults: Vec<&str> = way.iter().copied().filter(is_fault).collect();
        let mut edits = self.board.edits(&faults)?;
        if way.contains(&PLUGGED) {
            let blocked = self.board.signal().and_then(|s| s.blocked);
            edits.extend(blocked.map(|[a, b]| Edit::Bridge { a, b, ohms: SHORT_OHMS }));
        }
        Ok(edits)
    }

    /// Whether the input, with nothing there that passes direct current, is off ground.
    fn stands_off_ground(&mut self, way: &[String]) -> bool {
        let Some(signal) = self.board.signal().filter(|s| s.blocked.is_some()) else { return false };
        let input = CheckId::Volts(signal.input.clone());
        let Some(place) = self.places.get(&input).copied() else { return false };
        let ids: Vec<&str> = way.iter().map(String::as_str).collect();
        let key = key_of(&ids);
        let known = self.keep_means(&key, &ids, &[input]).is_ok();
        let volts = self.means.get(&key).and_then(|m| m.get(place)).map_or(0.0, |m| m[0]);
        known && volts.abs() > AT_GROUND
    }
}
