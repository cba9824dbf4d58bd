//! What the supplies of a drawing make of its nets, before anything is solved: their sum, whether they agree, which way round chips
//! are fed.

use super::resolve::{Notes, Resolved, TECHNICIAN};
use super::written::BoardFile;
use crate::rules::MOST_VOLTS;
use crate::units::notation;
use crate::units::{Unit, show};
use std::collections::BTreeMap;

/// Supplies closer together than this are one and the same voltage, volts.
const SAME: f64 = 1e-6;

/// Volts of the nets that hang on supplies, each group of them against one of its own nets.
struct Potentials<'a> {
    /// Group and volts of each net.
    of: BTreeMap<&'a str, (usize, f64)>,
    groups: usize,
}

impl<'a> Potentials<'a> {
    /// Puts a net so many volts above another. Where they hang together already: the volts by which that is not so.
    fn join(&mut self, plus: &'a str, minus: &'a str, volts: f64) -> Option<f64> {
        // A net that is new joins the other's group, so that a long list of supplies is not a quadratic one.
        if !self.of.contains_key(minus) {
            let at = self.of.get(plus).map(|(group, above)| (*group, above - volts));
            self.of.insert(minus, at.unwrap_or((self.groups, 0.0)));
            self.groups += usize::from(at.is_none());
        }
        if !self.of.contains_key(plus) {
            let (group, below) = self.of[minus];
            self.of.insert(plus, (group, below + volts));
        }
        let ((group, above), (other, below)) = (self.of[plus], self.of[minus]);
        if group == other {
            return Some(above - below - volts).filter(|off| off.abs() > SAME);
        }
        let shift = below + volts - above;
        for (_, v) in self.of.values_mut().filter(|(g, _)| *g == group) {
            *v += shift;
        }
        for (g, _) in self.of.values_mut().filter(|(g, _)| *g == group) {
            *g = other;
        }
        None
    }

    /// Volts between the highest and the lowest net; of several groups their sum, for whatever may join them.
    fn span(&self) -> f64 {
        let mut ends: BTreeMap<usize, (f64, f64)> = BTreeMap::new();
        for (group, volts) in self.of.values() {
            let (low, high) = ends.entry(*group).or_insert((*volts, *volts));
            (*low, *high) = (low.min(*volts), high.max(*volts));
        }
        ends.values().map(|(low, high)| high - low).sum()
    }

    /// Volts of one net above another, where both hang on the same supplies.
    fn between(&self, plus: &str, minus: &str) -> Option<f64> {
        let ((group, above), (other, below)) = (self.of.get(plus)?, self.of.get(minus)?);
        (group == other).then_some(above - below)
    }
}

/// Complains of supplies that add up to too much, contradict each other, or feed a chip the wrong way round.
pub(super) fn of_supplies(file: &BoardFile, parts: &[Resolved<'_>], notes: &mut Notes) {
    let mut known = Potentials { of: BTreeMap::new(), groups: 0 };
    for part in parts.iter().filter(|p| matches!(p.kind_name.as_str(), "link" | "fuse")) {
        if let [Some(a), Some(b)] = part.nets.as_slice() {
            known.join(&a.value, &b.value, 0.0);
        }
    }
    // A supply whose own ends a link joins is shorted, which is said of the network.
    let shorted: Vec<bool> = file
        .supply
        .iter()
        .map(|s| s.plus.value != s.minus.value && known.between(&s.plus.value, &s.minus.value).is_some())
        .collect();
    for (supply, _) in file.supply.iter().zip(&shorted).filter(|(_, shorted)| !**shorted) {
        let Ok(volts) = notation::volts(&supply.volts.value) else { continue };
        if let Some(off) = known.join(&supply.plus.value, &supply.minus.value, volts.0) {
            let held = show::value(volts.0 + off, Unit::Volts);
            let message = format!(
                "'{}' puts {} between {} and {}, but other supplies hold {held} there",
                supply.name.value, supply.volts.value, supply.plus.value, supply.minus.value
            );
            notes.say(
                "supply-clash",
                supply.volts.span,
                message,
                "leave out the one that is not in, or give it its own net",
            );
        }
    }
    let span = known.span();
    if span > MOST_VOLTS {
        let message = format!("the supplies of this board add up to {}", show::value(span, Unit::Volts));
        let at = file.supply.last().map_or(file.board.span, |s| s.volts.span);
        notes.say("mains", at, message, TECHNICIAN);
    }
    for part in parts {
        let Some((_, device)) = part.device else { continue };
        let [plus, minus] = device.supply.as_slice() else { continue };
        let net = |pin: &str| {
            let at = part.recipe.pins.iter().position(|p| p == pin)?;
            part.nets.get(at)?.as_ref().map(|n| n.value.as_str())
        };
        let (Some(high), Some(low)) = (net(&plus.value), net(&minus.value)) else { continue };
        if known.between(high, low).is_some_and(|v| v < -SAME) {
            let message = format!(
                "'{}' is fed the wrong way round: its positive supply, pin {}, is on {high}, its negative one, pin {}, on {low}",
                part.id, plus.value, minus.value
            );
            notes.say("supply-reversed", part.span, message, "exchange the two nets");
        }
    }
}
