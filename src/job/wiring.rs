//! What ticks on a board's wiring say of its faults.
//!
//! A net gone over is as many findings as it has pins and neighbours: each pin beeps or not, each neighbour keeps apart or not. A pin is
//! missed where its joint is open or its leg sits elsewhere; faults of the rules that part or join nets somewhere on the unit
//! count in the measure in which this net is a piece of it. Nets that are all as they should be cost the sum over faults nothing.

use super::build::Builder;
use super::circuit::Circuit;
use super::model::{FaultOrigin, Meaning, Understood};
use crate::belief::{Cause, CheckId, FaultId, Finding};
use crate::circuit::board::Board;
use crate::circuit::wiring::{Ticked, misses, touches};
use crate::rules::{self, Effect, Strength};
use std::collections::BTreeMap;

/// Chance that a pin is noted not to beep although it does: whoever notes it has probed it twice (common practice, no source).
const SLIP: f64 = 0.001;
/// Words by which the rules name the conditions that part, or join, nets somewhere on the unit.
const APART: &str = "nets-apart";
const JOINED: &str = "nets-joined";

impl Builder<'_> {
    /// The findings on wiring of one epoch. Of two on one net the later counts.
    pub(super) fn wiring(
        &mut self,
        circuit: Option<&Circuit<'_>>,
        findings: &mut [Understood],
        epoch: usize,
    ) -> Vec<Finding> {
        let Some(circuit) = circuit else { return Vec::new() };
        let mut last: BTreeMap<String, usize> = BTreeMap::new();
        for (i, found) in findings.iter().enumerate().filter(|(_, f)| f.epoch == epoch) {
            if let Meaning::Wiring { net, .. } = &found.meaning {
                last.insert(net.clone(), i);
            }
        }
        let mut out = Vec::new();
        for (net, i) in last {
            let Meaning::Wiring { ticked, .. } = &findings[i].meaning else { continue };
            let made = self.net(circuit.board(), &net, &ticked.clone());
            findings[i].node = made.first().map(|f| f.check);
            out.extend(made);
        }
        out
    }

    /// One finding for each pin missed and each net touched, one for all the rest; the most telling first.
    fn net(&mut self, board: &Board, net: &str, ticked: &Ticked) -> Vec<Finding> {
        let pins: Vec<(String, String)> = board
            .parts()
            .iter()
            .flat_map(|part| part.pins.iter().map(move |pin| (part, pin)))
            .filter(|(_, pin)| pin.net.as_deref() == Some(net))
            .map(|(part, pin)| (part.id.clone(), pin.name.clone()))
            .collect();
        let all_pins = board.parts().iter().flat_map(|p| &p.pins).filter(|p| p.net.is_some()).count().max(1);
        let all_nets = (board.nets().len() + 1).max(2);
        let (apart, joined) = (self.somewhere(APART), self.somewhere(JOINED));
        let mut out = Vec::new();
        for (part, pin) in &ticked.missing {
            let mut causes = self.of_board(|f| misses(board, f, part, pin), board);
            causes.extend(apart.iter().map(|(c, s)| (*c, s / all_pins as f64)));
            out.extend(self.noted(causes, 1));
        }
        for other in &ticked.touching {
            let mut causes = self.of_board(|f| touches(f, net, other), board);
            causes.extend(joined.iter().map(|(c, s)| (*c, s / (all_nets * all_nets) as f64 * 2.0)));
            out.extend(self.noted(causes, 1));
        }
        let right: Vec<&(String, String)> = pins.iter().filter(|p| !ticked.missing.contains(p)).collect();
        let others: Vec<&str> = std::iter::once(board.ground())
            .chain(board.nets().iter().map(String::as_str))
            .filter(|n| *n != net && !ticked.touching.iter().any(|t| t == n))
            .collect();
        let rest = |f: &crate::circuit::board::Fault| {
            let missed = right.iter().map(|(part, pin)| misses(board, f, part, pin));
            let touched = others.iter().map(|o| touches(f, net, o));
            1.0 - missed.chain(touched).map(|p| 1.0 - p).product::<f64>()
        };
        let mut causes = self.of_board(rest, board);
        let (share_of_pins, share_of_nets) = (right.len() as f64 / all_pins as f64, 2.0 / all_nets as f64);
        causes.extend(apart.iter().map(|(c, s)| (*c, s * share_of_pins)));
        causes.extend(joined.iter().map(|(c, s)| (*c, s * share_of_nets.min(1.0))));
        out.extend(self.noted(causes, 0));
        out
    }

    fn of_board(
        &self,
        chance: impl Fn(&crate::circuit::board::Fault) -> f64,
        board: &Board,
    ) -> Vec<(Cause, f64)> {
        let of = |(i, fault): (usize, &super::model::ModelFault)| {
            let found =
                matches!(fault.origin, FaultOrigin::Board(_)).then(|| board.fault(&fault.id)).flatten()?;
            let p = chance(found);
            (p > 0.0).then_some((self.present[FaultId(i).0], p.min(0.99)))
        };
        self.faults.iter().enumerate().filter_map(of).collect()
    }

    /// The rules' own faults that part (or join) nets somewhere on the unit, with their strengths.
    fn somewhere(&self, word: &str) -> Vec<(Cause, f64)> {
        let mut out: BTreeMap<Cause, f64> = BTreeMap::new();
        let conditions = self
            .rules
            .condition_order()
            .iter()
            .filter(|c| self.rules.condition(**c).board.as_deref() == Some(word));
        for id in conditions {
            for (_, link) in self.rules.links_to(Effect::Condition(*id)) {
                let (rules::Cause::Fault(fault), Strength::Plain(p)) = (link.from, &link.strength) else {
                    continue;
                };
                for node in self.by_rule.get(&fault).into_iter().flatten() {
                    // A fault of the board is where it is.
                    if matches!(self.faults[node.0].origin, FaultOrigin::Rule(_)) {
                        let s = out.entry(self.present[node.0]).or_default();
                        *s = 1.0 - (1.0 - *s) * (1.0 - p.get());
                    }
                }
            }
        }
        out.into_iter().collect()
    }

    fn noted(&mut self, mut causes: Vec<(Cause, f64)>, answer: usize) -> Option<Finding> {
        causes.sort_by_key(|a| a.0);
        let mut merged: Vec<(Cause, f64)> = Vec::new();
        for (cause, p) in causes {
            match merged.last_mut().filter(|(c, _)| *c == cause) {
                Some((_, q)) => *q = 1.0 - (1.0 - *q) * (1.0 - p),
                None => merged.push((cause, p)),
            }
        }
        let node: CheckId = self.graph.add_yes_no_check(SLIP, &merged).ok()?;
        Some(Finding::answer(node, answer))
    }
}
