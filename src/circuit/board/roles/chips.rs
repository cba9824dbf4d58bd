//! Chips and what belongs to them: amplifiers with their feedback, echo chips with their delay control, slow oscillators.

use super::Roles;
use super::view::{Amp, Is};
use std::rc::Rc;

impl<'a> Roles<'a> {
    pub(super) fn chips(&mut self) {
        self.oscillators();
        self.phase_shift();
        for i in self.view.all(Is::Chip) {
            let Some(card) = self.view.device(i) else { continue };
            if card.delay.is_some() {
                self.give(i, "echo-chip", "the chip delays the signal");
                self.echo(i);
            } else if card.elements.get("pump").is_some() {
                self.give(i, "charge-pump", "the chip pumps charge");
                self.flying(i);
            } else if card.kind.value == "regulator" {
                self.give(i, "regulator", "the part regulates a rail");
            } else if card.kind.value == "coupler" {
                self.give(i, "light-pair", "a lamp and a cell in one case");
            } else if self.view.amps.iter().any(|a| a.part == i) {
                self.give(i, "opamp", "its amplifiers are in use");
            }
        }
    }

    fn flying(&mut self, chip: usize) {
        let Some((a, b)) = self.view.net(chip, "2").zip(self.view.net(chip, "4")) else { return };
        for i in self.view.all(Is::Capacitor) {
            if self.view.ends(i).is_some_and(|(x, y)| (x, y) == (a, b) || (x, y) == (b, a)) {
                self.give(i, "pump-capacitor", "between the pump's two capacitor pins");
            }
        }
    }

    fn echo(&mut self, chip: usize) {
        let v = Rc::clone(&self.view);
        let net = |pin: &str| v.net(chip, pin);
        let between = [("9", "10"), ("11", "12")].map(|(a, b)| net(a).zip(net(b)));
        let filters = [("15", "16"), ("13", "14")].map(|(a, b)| net(a).zip(net(b)));
        let alone = [("7", "modulator-cap"), ("8", "demodulator-cap")].map(|(p, role)| (net(p), role, p));
        let timing = self.view.device(chip).and_then(|d| d.delay.as_ref()).and_then(|d| net(&d.pin.value));
        let pins: Vec<&str> = ["13", "14", "15", "16"].into_iter().filter_map(net).collect();
        for i in self.view.all(Is::Capacitor) {
            let Some((a, b)) = self.view.ends(i) else { continue };
            let is =
                |pair: &Option<(&str, &str)>| pair.is_some_and(|(x, y)| (x, y) == (a, b) || (x, y) == (b, a));
            if between.iter().any(is) {
                self.give(i, "integrator-cap", "between output and input of one of the chip's integrators");
            } else if filters.iter().any(is) {
                self.give(i, "filter-cap", "between input and output of one of the chip's filters");
            }
            for (at, role, pin) in &alone {
                if *at == Some(a) || *at == Some(b) {
                    self.give(i, role, format!("at pin {pin} of the echo chip"));
                }
            }
        }
        self.filters(&pins);
        if let Some(timing) = timing {
            self.timing(timing);
        }
    }

    /// Resistors that meet at a T before a filter of the chip, and the capacitor from there to ground.
    fn filters(&mut self, pins: &[&'a str]) {
        let v = Rc::clone(&self.view);
        for pin in pins {
            for (_, tee) in v.branches(pin, Is::Resistor).iter().filter(|(_, o)| !v.is_still(o)) {
                let caps = v.branches(tee, Is::Capacitor);
                let Some((cap, _)) = caps.iter().find(|(_, o)| v.is_still(o)).copied() else { continue };
                self.give(cap, "filter-cap", "from the middle of a filter to ground");
                for (i, other) in v.branches(tee, Is::Resistor) {
                    let output = pins.contains(&other) && self.is_output_pin(other);
                    let role = if output { "filter-feedback" } else { "filter-in" };
                    self.give(i, role, "of a filter round the echo chip");
                }
            }
        }
    }

    fn is_output_pin(&self, net: &str) -> bool {
        self.view.at(net, Is::Chip).any(|(i, pin)| {
            self.view.device(i).is_some_and(|d| d.delay.is_some() && d.outputs.iter().any(|o| o.value == pin))
        })
    }

    /// The way from the timing pin to ground: fixed resistors and the delay control.
    fn timing(&mut self, from: &'a str) {
        let mut at = from;
        for _ in 0..4 {
            let pots: Vec<usize> = self.view.at(at, Is::Pot).map(|(i, _)| i).collect();
            for i in pots {
                self.give(i, "echo-timing-pot", "between the echo chip's timing pin and ground");
            }
            let mut on = self.view.branches(at, Is::Resistor);
            on.retain(|(i, _)| !self.has(*i));
            let [(i, other)] = on[..] else { return };
            self.give(i, "echo-timing-series", "in series at the echo chip's timing pin");
            if self.view.is_still(other) {
                return;
            }
            at = other;
        }
    }

    /// An amplifier that trips between two levels, with one that ramps; or one that does both.
    fn oscillators(&mut self) {
        let v = Rc::clone(&self.view);
        for trip in v.amps.iter().filter(|a| a.out != a.plus && v.joined_by(a.out, a.plus, Is::Resistor)) {
            for ramp in v.amps.iter().filter(|a| v.joined_by(a.out, a.minus, Is::Capacitor)) {
                self.two_amplifier(trip, ramp);
            }
            self.one_amplifier(trip);
        }
    }

    fn two_amplifier(&mut self, trip: &Amp<'a>, ramp: &Amp<'a>) {
        let v = Rc::clone(&self.view);
        if !v.joined_by(ramp.out, trip.plus, Is::Resistor) {
            return;
        }
        let Some(between) = self.way(trip.out, ramp.minus) else { return };
        let capacitors: Vec<usize> = v
            .branches(ramp.out, Is::Capacitor)
            .iter()
            .filter(|(_, o)| *o == ramp.minus)
            .map(|(i, _)| *i)
            .collect();
        let loops: Vec<usize> = v
            .branches(trip.plus, Is::Resistor)
            .iter()
            .filter(|(_, o)| *o == trip.out || *o == ramp.out)
            .map(|(i, _)| *i)
            .collect();
        for i in capacitors {
            self.give(i, "lfo-timing-capacitor", "an amplifier ramps over it");
        }
        for i in loops {
            self.give(i, "lfo-loop", "sets where the slow oscillator trips");
        }
        for i in between {
            let role = if self.view.kinds[i] == Is::Pot { "lfo-rate-pot" } else { "lfo-loop" };
            self.give(i, role, "between the slow oscillator's two amplifiers");
        }
        self.oscillating(&[*trip, *ramp]);
    }

    fn one_amplifier(&mut self, trip: &Amp<'a>) {
        let v = Rc::clone(&self.view);
        let caps: Vec<usize> = v
            .branches(trip.minus, Is::Capacitor)
            .iter()
            .filter(|(_, o)| v.is_still(o))
            .map(|(i, _)| *i)
            .collect();
        let Some(back) = self.way(trip.out, trip.minus).filter(|_| !caps.is_empty()) else { return };
        let loops: Vec<usize> = v.branches(trip.plus, Is::Resistor).iter().map(|(i, _)| *i).collect();
        for i in caps {
            self.give(i, "lfo-timing-capacitor", "charged and discharged by an amplifier that trips");
        }
        for i in back {
            let role = if self.view.kinds[i] == Is::Pot { "lfo-rate-pot" } else { "lfo-loop" };
            self.give(i, role, "charges the slow oscillator's capacitor");
        }
        for i in loops {
            self.give(i, "lfo-loop", "sets where the slow oscillator trips");
        }
        self.oscillating(&[*trip]);
    }

    /// A transistor whose collector comes back to its base through three or more capacitors, each net between held by a resistor.
    fn phase_shift(&mut self) {
        let v = Rc::clone(&self.view);
        for i in v.all(Is::Bipolar) {
            let (Some(from), Some(to)) = (v.net(i, "c"), v.net(i, "b")) else { continue };
            let (mut at, mut caps, mut held) = (from, Vec::new(), Vec::new());
            while at != to && caps.len() < 8 {
                let to_still = |net: &str| -> Vec<usize> {
                    let resistors = v.branches(net, Is::Resistor).into_iter().filter(|(_, o)| v.is_still(o));
                    let pots = v.at(net, Is::Pot).filter(|(p, _)| {
                        v.part(*p).pins.iter().any(|q| q.net.as_deref().is_some_and(|n| v.is_still(n)))
                    });
                    resistors.map(|(r, _)| r).chain(pots.map(|(p, _)| p)).collect()
                };
                let next = v.branches(at, Is::Capacitor).into_iter().find(|(c, o)| {
                    !caps.contains(c) && !v.is_still(o) && (*o == to || !to_still(o).is_empty())
                });
                let Some((cap, other)) = next else { break };
                caps.push(cap);
                if other != to {
                    held.extend(to_still(other));
                }
                at = other;
            }
            if at != to || caps.len() < 3 {
                continue;
            }
            self.give(i, "lfo", "its collector comes back to its base through a chain of capacitors");
            for part in caps.into_iter().chain(held) {
                let role = if v.kinds[part] == Is::Pot { "lfo-rate-pot" } else { "lfo-phase" };
                self.give(part, role, "of a phase-shift oscillator's chain");
            }
        }
    }

    /// A chip all of whose amplifiers make the oscillator is the oscillator's.
    fn oscillating(&mut self, amps: &[Amp<'a>]) {
        for part in amps.iter().map(|a| a.part) {
            if self.view.amps.iter().filter(|a| a.part == part).all(|a| amps.contains(a)) {
                self.give(part, "lfo-chip", "its amplifiers make a slow oscillator");
            }
        }
    }

    /// The resistors and controls on the way between two nets, through at most two nets between.
    fn way(&self, from: &'a str, to: &str) -> Option<Vec<usize>> {
        let steps = |net: &'a str| {
            let resistors = self.view.branches(net, Is::Resistor);
            let pots = self.view.at(net, Is::Pot).flat_map(move |(i, pin)| {
                let others = self.view.part(i).pins.iter().filter(move |p| p.name != pin);
                others.filter_map(move |p| Some((i, p.net.as_deref()?)))
            });
            resistors.into_iter().chain(pots).filter(|(_, o)| *o != net).collect::<Vec<_>>()
        };
        let mut ways: Vec<(Vec<usize>, &str)> = vec![(Vec::new(), from)];
        for _ in 0..3 {
            let mut next = Vec::new();
            for (parts, at) in &ways {
                for (i, other) in steps(at) {
                    let mut parts = parts.clone();
                    if parts.contains(&i) {
                        continue;
                    }
                    parts.push(i);
                    if other == to {
                        return Some(parts);
                    }
                    if !self.view.is_still(other) && next.len() < 200 {
                        next.push((parts, other));
                    }
                }
            }
            ways = next;
        }
        None
    }
}
