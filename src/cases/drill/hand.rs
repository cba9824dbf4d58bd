//! Working by hand, without reckoning: halving the signal path, or going down a list; then parts in order.
//!
//! Whoever works so has the healthy readings of the board beside him and the same prices as everybody else. A reading outside its band
//! says where to begin; the parts there are put right one after the other, with a retest after each. Absent: any probability.

use super::play::{Game, MOST_STEPS, Setting, Table};
use super::unit::{Rig, Unit};
use crate::circuit::predict::{CheckId, Ear, Observed, Prediction};
use crate::job::{Diagnosis, Planning, RemedyRef, part_of};
use crate::plan::{CheckIx, State, Step};
use crate::text::Complaints;
use std::collections::BTreeSet;

/// A reading this many standard deviations from the healthy one is off.
const OFF: f64 = 3.5;

/// How somebody goes about it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Way {
    /// Levels by halves along the signal path, the volts of the bad stage, then its parts in order.
    Halving,
    /// Every check from top to bottom; wherever a reading is off, the parts at that net in order.
    Listing,
}

/// Plays one game by hand.
///
/// # Errors
/// When the job can't be weighed at its start or a finding can't be noted.
pub fn by_hand(rig: &Rig<'_>, unit: &Unit, way: Way, setting: &Setting) -> Result<Game, Complaints> {
    let table = Table::new(rig, unit, setting)?.without_answers();
    let diagnosis = table.diagnosis()?;
    let planning = diagnosis.planning(&setting.terms)?;
    let healthy = rig.circuit.predict(&[], &rig.circuit.checks()).unwrap_or_default();
    let state = planning.state;
    let mut worker =
        Worker { rig, table, diagnosis, planning, healthy, state, done: BTreeSet::new(), tried: Vec::new() };
    match way {
        Way::Halving => worker.halve()?,
        Way::Listing => worker.make_safe()?,
    }
    // Who has halved the path in vain goes down the list like anybody else.
    worker.go_down_the_list()?;
    worker.mend_all()?;
    let Worker { mut table, .. } = worker;
    if table.game.end.is_empty() {
        table.give_up("out of steps");
    }
    Ok(table.game)
}

struct Worker<'r, 'b> {
    rig: &'r Rig<'b>,
    table: Table<'r, 'b>,
    diagnosis: Diagnosis<'b>,
    /// The job as it stood at the start: checks and their prices.
    planning: Planning,
    healthy: Prediction,
    state: State,
    done: BTreeSet<String>,
    tried: Vec<RemedyRef>,
}

impl Worker<'_, '_> {
    fn over(&self) -> bool {
        !self.table.game.end.is_empty() || self.table.game.steps.len() >= MOST_STEPS
    }

    /// Takes a check; whether what it shows is off.
    fn take(&mut self, ix: CheckIx) -> Result<bool, Complaints> {
        let Some(id) = self.planning.id(&self.diagnosis, &Step::Check(ix)) else { return Ok(false) };
        let open = self.planning.problem.checks()[ix.0].standing == crate::plan::Standing::Open;
        let power = self.planning.problem.checks()[ix.0].price.power.is_powered();
        if self.over() || !open || (power && self.state.held) || !self.done.insert(id.clone()) {
            return Ok(false);
        }
        let (cost, after) =
            self.planning.problem.pay(&self.planning.problem.checks()[ix.0].price, &self.state);
        self.state = after;
        self.table.note(&self.diagnosis, &id, None, cost.minutes, cost.money / 100.0)?;
        let answer = self.table.game.steps.last().map(|s| s.answer.clone()).unwrap_or_default();
        Ok(self.is_off(&id, &answer))
    }

    fn is_off(&mut self, id: &str, answer: &str) -> bool {
        let Ok(check) = id.parse::<CheckId>() else {
            let Ok(rule) = self.diagnosis.rules.find_check(id) else { return false };
            let entry = self.diagnosis.rules.check(rule);
            let k = entry.answer(answer).unwrap_or(0);
            self.state.held |= entry.holds_power.get(k).copied().unwrap_or(false);
            return k > 0;
        };
        let (Some(usual), Ok(seen)) = (self.healthy.get(&check), Observed::parse(&check, answer)) else {
            return false;
        };
        match seen {
            Observed::Heard(ear) => ear != Ear::Expected,
            Observed::Read(reading) => {
                let value = check.scaled(check.figure(&reading));
                match (value.is_finite(), usual.mean.is_finite()) {
                    (true, true) => (value - usual.mean).abs() > OFF * usual.sd,
                    (a, b) => a != b,
                }
            }
        }
    }

    fn on_list(&self, id: &str) -> Option<CheckIx> {
        match self.planning.step(&self.diagnosis, id) {
            Some(Step::Check(ix)) => Some(ix),
            _ => None,
        }
    }

    /// The checks that make power safe, then currents and the supplies' volts; parts where one of them is off.
    fn make_safe(&mut self) -> Result<(), Complaints> {
        let gates: Vec<CheckIx> = self.planning.problem.open_gates().collect();
        for gate in gates {
            if self.take(gate)? {
                let id = self.planning.id(&self.diagnosis, &Step::Check(gate)).unwrap_or_default();
                self.mend_what_shows(&id)?;
            }
        }
        let supplies = self.rig.board().supplies();
        for supply in supplies {
            for id in [format!("amps:{}", supply.name), format!("volts:{}", supply.plus)] {
                if let Some(ix) = self.on_list(&id)
                    && self.take(ix)?
                {
                    self.mend_at(&[supply.plus.as_str()])?;
                }
            }
        }
        Ok(())
    }

    fn halve(&mut self) -> Result<(), Complaints> {
        self.make_safe()?;
        let path: Vec<String> = self.rig.circuit.stages().path().to_vec();
        // Where the end of the path sounds as it should there is nothing to halve.
        let end = path.last().and_then(|net| self.on_list(&format!("level:{net}")));
        let sick = match end {
            Some(ix) => self.take(ix)?,
            None => false,
        };
        if !sick {
            return Ok(());
        }
        // Good up to `good`, bad from `bad` on.
        let (mut good, mut bad) = (0, path.len().saturating_sub(1));
        while bad > good + 1 {
            let middle = (good + bad) / 2;
            let off = match self.on_list(&format!("level:{}", path[middle])) {
                Some(ix) => self.take(ix)?,
                None => break,
            };
            if off { bad = middle } else { good = middle }
        }
        let Some(net) = path.get(bad) else { return Ok(()) };
        let stage: Vec<String> = self.nets_of_stage(net);
        let mut off = Vec::new();
        for net in &stage {
            if let Some(ix) = self.on_list(&format!("volts:{net}"))
                && self.take(ix)?
            {
                off.push(net.as_str());
            }
        }
        self.mend_at(&off)?;
        self.mend_at(&stage.iter().map(String::as_str).collect::<Vec<_>>())
    }

    /// The nets that hang at the same place of the path as this one, the net itself first.
    fn nets_of_stage(&self, net: &str) -> Vec<String> {
        let stages = self.rig.circuit.stages();
        let stage = stages.of_net(net);
        let others = self
            .rig
            .board()
            .nets()
            .iter()
            .filter(|n| *n != net && stage.is_some() && stages.of_net(n) == stage);
        [net.to_owned()].into_iter().chain(others.cloned()).collect()
    }

    fn go_down_the_list(&mut self) -> Result<(), Complaints> {
        for ix in self.planning.checklist(&self.diagnosis) {
            let id = self.planning.id(&self.diagnosis, &Step::Check(ix)).unwrap_or_default();
            // Questions and sounds are the owner's to answer; the list is of what is looked at and measured.
            let board = id.parse::<CheckId>().ok();
            let kind = self.planning.problem.checks()[ix.0].kind;
            if board.is_none() && kind != crate::plan::Kind::Look {
                continue;
            }
            if self.take(ix)? {
                match board {
                    Some(check) => self.mend_at(&[check.place()])?,
                    None => self.mend_what_shows(&id)?,
                }
            }
            if self.over() {
                break;
            }
        }
        Ok(())
    }

    /// Mends the parts at these nets in the order of the board file, one fix after the other.
    fn mend_at(&mut self, nets: &[&str]) -> Result<(), Complaints> {
        let board = self.rig.board();
        let at = |pins: &[crate::circuit::board::Pin]| {
            pins.iter().any(|p| p.net.as_deref().is_some_and(|n| nets.contains(&n)))
        };
        let parts: Vec<&str> = board.parts().iter().filter(|p| at(&p.pins)).map(|p| p.id.as_str()).collect();
        let bridged = |f: &str| {
            f.split_once(':')
                .and_then(|(n, _)| n.split_once('~'))
                .is_some_and(|(a, b)| nets.contains(&a) || nets.contains(&b))
        };
        for part in parts {
            self.mend_where(|id| owner(id) == part)?;
        }
        self.mend_where(|id| bridged(id))
    }

    /// Mends what a look may have shown: the faults that it shows in general.
    fn mend_what_shows(&mut self, check: &str) -> Result<(), Complaints> {
        let shown = self.rig.shown_by(check);
        self.mend_where(|id| shown.contains(id))?;
        self.mend_outside(|id| shown.contains(id))
    }

    fn mend_all(&mut self) -> Result<(), Complaints> {
        let parts: Vec<String> = self.rig.board().parts().iter().map(|p| p.id.clone()).collect();
        for part in parts {
            self.mend_where(|id| owner(id) == part)?;
        }
        self.mend_where(|_| true)?;
        self.mend_outside(|_| true)
    }

    fn mend_where(&mut self, wanted: impl Fn(&str) -> bool) -> Result<(), Complaints> {
        let faults: Vec<&str> =
            self.rig.board().faults().iter().map(|f| f.id.as_str()).filter(|id| wanted(id)).collect();
        for fault in faults {
            let Some(fix) = self.rig.circuit.fix_of(fault) else { continue };
            self.try_once(RemedyRef::Board(fix))?;
        }
        Ok(())
    }

    /// Mends what is wrong outside the board, by the usual remedy of each fault.
    fn mend_outside(&mut self, wanted: impl Fn(&str) -> bool) -> Result<(), Complaints> {
        let rig = self.rig;
        for (_, fault) in rig.outside().iter().filter(|(id, _)| wanted(id)) {
            if let Some(remedy) = rig.rules.remedies_of(*fault).first() {
                self.try_once(RemedyRef::Rule(*remedy))?;
            }
        }
        Ok(())
    }

    /// Tries a remedy, unless it was tried before.
    fn try_once(&mut self, remedy: RemedyRef) -> Result<(), Complaints> {
        if !self.over() && !self.tried.contains(&remedy) {
            let offer = self.diagnosis.offer(&remedy);
            let off = if self.state.powered { self.planning.problem.draft().switching.off } else { 0.0 };
            self.state.powered = false;
            self.state.held = false;
            self.table.note(&self.diagnosis, &offer.id, Some(&remedy), offer.minutes + off, offer.money)?;
            self.tried.push(remedy);
        }
        Ok(())
    }
}

/// The part a fault sits in, pins left out.
fn owner(fault: &str) -> &str {
    let part = part_of(fault);
    part.split_once('.').map_or(part, |(p, _)| p)
}
