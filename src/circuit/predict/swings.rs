//! Boards that swing by themselves: a slow oscillator's nets never sit at their operating point, and a meter on them is read at any
//! moment of the swing, or when it has been watched for a while.
//!
//! One figure of a net that swings is either its middle, as somebody reads it who watches for a while, or wherever it was at a glance; both
//! are weighed.
//!
//! The healthy board is followed in time once. With faults in, poles say whether it still swings; how far is then taken from the healthy
//! board. Absent: how a fault changes rate, swing and shape.

use super::itself::OTHERWISE;
use super::{CheckId, Predictor};
use crate::circuit::board::Board;
use crate::circuit::motion::{Following, Motion, Swing};
use crate::circuit::network::Node;
use crate::circuit::sweep::Sweep;
use crate::circuit::transient::Accuracy;
use std::collections::BTreeMap;

/// Stands among the faults of a way for volts that were read at a glance while they moved; no fault's id.
pub(super) const SNAPPED: &str = "read-at-a-glance";
/// Chance of that where a net swings (common practice, no source).
const SNAPPED_CHANCE: f64 = 0.5;
/// How far the middle is misjudged of a net that is watched, as a share of its swing's rms value (common practice, no source).
const MISJUDGED: f64 = 0.15;

/// When a net that swings is read.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Moment {
    /// At the middle of its swing.
    Middle,
    /// At any moment.
    Glance,
}

/// Rates above this are too fast for a meter's figures: it shows the mean, hertz (handheld meters read two to four times a second; from
/// memory).
const FASTEST_SEEN: f64 = 10.0;
/// Swings below this are none, volts rms.
const STILL: f64 = 0.02;
/// Spread of a level that is read while the board swings, dB (common practice, no source).
const THROBS_DB: f64 = 2.0;

/// How a healthy board swings.
#[derive(Debug)]
pub(super) struct Swings {
    hertz: f64,
    /// Each net's swing, and the rest point that it never sits at.
    nets: BTreeMap<String, (Swing, f64)>,
}

impl Swings {
    /// Of a healthy board; nothing where it rests, or where it could not be followed.
    pub fn of(board: &Board, sweep: &mut Sweep) -> Option<Self> {
        if sweep.poles(&[]).ok()?.is_stable() {
            return None;
        }
        let named: Vec<(&String, Node)> =
            board.nets().iter().filter_map(|n| Some((n, board.node(n)?))).collect();
        let nodes: Vec<Node> = named.iter().map(|n| n.1).collect();
        let accuracy = Accuracy { share: 3e-3, volts: 3e-3, steps: 10_000, ..Accuracy::default() };
        let following = Following { accuracy, seconds: 60.0, even: 2e-2, ..Following::default() };
        let (_, Motion::Runs(cycle)) = sweep.motion(&[], &nodes, &following).ok()? else { return None };
        let nets = named.iter().zip(&cycle.swings).filter(|(_, swing)| swing.rms > STILL);
        let nets = nets.map(|((net, node), swing)| ((*net).clone(), (*swing, sweep.healthy_volts(*node))));
        Some(Self { hertz: cycle.hertz, nets: nets.collect() })
    }

    /// What is read instead of the rest point, and how far it strays by the swing alone.
    pub fn read(&self, check: &CheckId, rest: f64, rails: (f64, f64), moment: Moment) -> (f64, f64) {
        match (check, self.nets.get(check.place())) {
            (CheckId::Volts(_), Some((swing, healthy))) => {
                let seen = match moment {
                    Moment::Glance if self.hertz < FASTEST_SEEN => 1.0,
                    _ => MISJUDGED,
                };
                ((rest + swing.mean - healthy).clamp(rails.0, rails.1), seen * swing.rms)
            }
            (CheckId::Level(_), _) => (rest, THROBS_DB),
            _ => (rest, 0.0),
        }
    }
}

impl Predictor<'_> {
    /// These ways, and where a net was read that swings with them, those in which it was read at a glance.
    pub(super) fn at_any_moment(
        &mut self,
        ways: Vec<(f64, Vec<String>)>,
        checks: &[CheckId],
    ) -> Vec<(f64, Vec<String>)> {
        let moves = |s: &Swings| checks.iter().any(|c| c.powered() && s.nets.contains_key(c.place()));
        if !self.swings.as_ref().is_some_and(moves) {
            return ways;
        }
        let both = |(chance, way): (f64, Vec<String>)| {
            if self.moment_of(&way).is_none() {
                return vec![(chance, way)];
            }
            let mut snapped = way.clone();
            snapped.push(SNAPPED.to_owned());
            vec![(chance * (1.0 - SNAPPED_CHANCE), way), (chance * SNAPPED_CHANCE, snapped)]
        };
        ways.into_iter().flat_map(both).collect()
    }

    /// When the board is read with these faults in; nothing where it does not swing.
    pub(super) fn moment_of(&mut self, way: &[String]) -> Option<Moment> {
        self.swings.as_ref()?;
        let glance = way.iter().any(|id| id == SNAPPED);
        let moment = if glance { Moment::Glance } else { Moment::Middle };
        let key: Vec<String> =
            way.iter().filter(|id| ![SNAPPED, OTHERWISE].contains(&id.as_str())).cloned().collect();
        let swings = match self.swinging.get(&key) {
            Some(known) => *known,
            None => {
                let ids: Vec<&str> = key.iter().map(String::as_str).collect();
                let poles = self.edits(&ids).ok().and_then(|edits| self.sweep.poles(&edits).ok());
                let swings = poles.is_some_and(|p| !p.is_stable());
                self.swinging.insert(key, swings);
                swings
            }
        };
        swings.then_some(moment)
    }
}
