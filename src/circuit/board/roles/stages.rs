//! Stages of the signal: transistors and what hangs on their ends, feedback, coupling, clipping, controls and the light.

use super::Roles;
use super::view::Is;
use std::rc::Rc;

impl<'a> Roles<'a> {
    pub(super) fn transistors(&mut self) {
        for i in self.view.all(Is::Bipolar) {
            let (Some(c), Some(e)) = (self.view.net(i, "c"), self.view.net(i, "e")) else { continue };
            let loaded = self.loaded(c) || self.loaded(e);
            if loaded {
                self.give(i, "gain-transistor", "a resistor at its collector or emitter carries its current");
            }
        }
        for i in self.view.all(Is::Jfet) {
            let (Some(d), Some(s)) = (self.view.net(i, "d"), self.view.net(i, "s")) else { continue };
            if self.loaded(d) || (self.loaded(s) && self.view.is_still(d)) {
                self.give(i, "gain-jfet", "a resistor at its drain or source carries its current");
            } else if self.view.is_still(s) != self.view.is_still(d) {
                self.give(i, "modulator", "it lies between the signal and a net that stands still");
            }
        }
        for i in self.view.all(Is::Mosfet) {
            let (Some(d), Some(s)) = (self.view.net(i, "d"), self.view.net(i, "s")) else { continue };
            if self.loaded(d) || (self.loaded(s) && self.view.is_still(d)) {
                self.give(i, "gain-transistor", "a resistor at its drain or source carries its current");
            }
        }
    }

    /// Whether a net that moves has a resistor to one of the supply's ends; an LED on the way makes it a switch's.
    fn loaded(&self, net: &str) -> bool {
        let v = Rc::clone(&self.view);
        let fed = |(_, o): &(usize, &str)| v.is_ground(o) || v.is_rail(o);
        !v.is_still(net) && v.set_by_trimmers(net).iter().any(|n| v.branches(n, Is::Resistor).iter().any(fed))
    }

    pub(super) fn capacitors(&mut self) {
        for i in self.view.all(Is::Capacitor) {
            if self.has(i) {
                continue;
            }
            let Some((a, b)) = self.view.ends(i) else { continue };
            match (self.view.is_still(a), self.view.is_still(b)) {
                (true, true) => {}
                (true, false) => self.cap_to_still(i, b),
                (false, true) => self.cap_to_still(i, a),
                (false, false) => self.between(i, a, b),
            }
        }
    }

    /// A capacitor from a net that moves to one that stands still.
    fn cap_to_still(&mut self, i: usize, net: &'a str) {
        let v = Rc::clone(&self.view);
        let from = |n: &str, what, pin| v.has(n, what, pin);
        let behind = v.beyond(net, i).filter(|(j, _)| v.kinds[*j] == Is::Resistor).map(|(_, o)| o);
        let bypasses =
            |n: &str| from(n, Is::Bipolar, "e") && !from(n, Is::Bipolar, "b") && !from(n, Is::Bipolar, "c");
        let of_source = |n: &str| from(n, Is::Jfet, "s") || from(n, Is::Mosfet, "s");
        let minus = |n: &str| v.amps.iter().any(|a| a.minus == n && a.out != n);
        if bypasses(net) || behind.is_some_and(bypasses) {
            self.give(i, "emitter-bypass", "from an emitter to a net that stands still");
        } else if of_source(net) || behind.is_some_and(of_source) {
            self.give(i, "source-bypass", "from a source to a net that stands still");
        } else if behind.is_some_and(minus) {
            self.give(i, "gain-corner", "in series with the leg at an inverting input");
        } else if v.at(net, Is::Resistor).count() > 0 && v.at(net, Is::Chip).all(|(c, _)| !self.is_echo(c)) {
            self.give(i, "tone-cap", "from the signal to a net that stands still");
        }
    }

    fn is_echo(&self, chip: usize) -> bool {
        self.view.device(chip).is_some_and(|d| d.delay.is_some())
    }

    /// A capacitor between two nets that move.
    fn between(&mut self, i: usize, a: &'a str, b: &'a str) {
        let v = Rc::clone(&self.view);
        let pair = |x: &str, y: &str| (a == x && b == y) || (a == y && b == x);
        let amp = v.amps.iter().find(|m| pair(m.minus, m.out));
        let of_transistor =
            |(j, _): (usize, &str)| v.net(j, "b").zip(v.net(j, "c")).is_some_and(|(x, y)| pair(x, y));
        if let Some(amp) = amp {
            let held = self.way_back(amp.out, amp.minus);
            if held {
                self.give(i, "treble-cut", "across the feedback of an amplifier");
            }
            return;
        }
        if v.at(a, Is::Bipolar).any(of_transistor) {
            self.give(i, "treble-cut", "between collector and base");
            return;
        }
        let ends = |near: &str, far: &'a str| {
            let at = |what, pin| v.has(near, what, pin);
            let to_still = v.beyond(far, i).is_some_and(|(j, o)| v.kinds[j] == Is::Resistor && v.is_still(o));
            match () {
                () if to_still && at(Is::Bipolar, "e") => Some("emitter-bypass"),
                () if to_still && (at(Is::Jfet, "s") || at(Is::Mosfet, "s")) => Some("source-bypass"),
                () => None,
            }
        };
        if let Some(role) = ends(a, b).or_else(|| ends(b, a)) {
            self.give(i, role, "with a resistor from a transistor to a net that stands still");
            return;
        }
        if self.to_shunt(i, a) || self.to_shunt(i, b) {
            self.give(i, "tone-cap", "with a control from the signal to a net that stands still");
            return;
        }
        // A second way for direct current makes it a filter's, not a coupling.
        if v.joined_by(a, b, Is::Resistor) {
            return;
        }
        let input = v.is_input(a) || v.is_input(b);
        let output = [a, b].into_iter().any(|n| self.leads_out(n));
        match () {
            () if input => self.give(i, "input-coupling", "at the input"),
            () if output => self.give(i, "output-coupling", "the last capacitor before the output"),
            () => self.give(i, "coupling", "between two stages that rest at voltages of their own"),
        }
    }

    /// Whether beside this capacitor a net has nothing but a control to a net that stands still.
    fn to_shunt(&self, capacitor: usize, net: &str) -> bool {
        let v = &self.view;
        let mut others =
            v.on(net).iter().filter(|(j, _)| *j != capacitor).map(|(j, _)| *j).collect::<Vec<_>>();
        others.dedup();
        let [pot] = others[..] else { return false };
        let ends = || v.part(pot).pins.iter().filter_map(|p| p.net.as_deref()).filter(|n| *n != net);
        v.kinds[pot] == Is::Pot && ends().count() > 0 && ends().all(|n| v.is_still(n))
    }

    fn way_back(&self, out: &str, minus: &str) -> bool {
        let v = Rc::clone(&self.view);
        let near =
            |net: &str| -> Vec<&'a str> { v.branches(net, Is::Resistor).iter().map(|(_, o)| *o).collect() };
        let (from, to) = (near(out), near(minus));
        let by_pot = v.all(Is::Pot).into_iter().any(|p| {
            let ends: Vec<&str> = v.part(p).pins.iter().filter_map(|x| x.net.as_deref()).collect();
            let there =
                |net: &str, more: &[&str]| ends.contains(&net) || ends.iter().any(|e| more.contains(e));
            there(out, &from) && there(minus, &to)
        });
        from.contains(&minus) || from.iter().any(|n| to.contains(n) && !v.is_still(n)) || by_pot
    }

    /// Whether a net is the output, or one that a control at the output takes its share of.
    fn leads_out(&self, net: &str) -> bool {
        let v = Rc::clone(&self.view);
        let through_control = |(i, pin): (usize, &str)| {
            pin != "2" && v.net(i, "2").is_some_and(|wiper| v.is_output(wiper) && wiper != net)
        };
        let through_resistor = || {
            v.branches(net, Is::Resistor).iter().any(|(_, o)| v.is_output(o))
                && v.at(net, Is::Chip).count() == 0
                && v.at(net, Is::Bipolar).count() == 0
        };
        v.is_output(net) || v.at(net, Is::Pot).any(through_control) || through_resistor()
    }

    pub(super) fn resistors(&mut self) {
        for i in self.view.all(Is::Resistor) {
            if self.has(i) {
                continue;
            }
            let Some((a, b)) = self.view.ends(i) else { continue };
            match (self.view.is_still(a), self.view.is_still(b)) {
                (true, true) => {}
                (true, false) => self.resistor_to_still(i, b, a),
                (false, true) => self.resistor_to_still(i, a, b),
                (false, false) => self.resistor_between(i, a, b),
            }
        }
    }

    /// A resistor from a net that moves to one that stands still.
    fn resistor_to_still(&mut self, i: usize, net: &'a str, still: &'a str) {
        let v = Rc::clone(&self.view);
        let (ground, rail) = (v.is_ground(still), v.is_rail(still));
        let near = v.set_by_trimmers(net);
        let has = |what, pin| near.iter().any(|n| v.has(n, what, pin));
        let behind = v.beyond(net, i).filter(|(j, _)| v.kinds[*j] == Is::Capacitor).map(|(_, o)| o);
        let is_minus = |n: &str| v.amps.iter().any(|a| a.minus == n && a.out != n);
        let is_plus = |n: &str| v.amps.iter().any(|a| a.plus == n);
        let light = v.at(net, Is::Led).next().is_some();
        let found: Option<(&'static str, String)> = match () {
            () if light && v.on(net).len() == 2 => Some(("light-resistor", "in series with an LED".into())),
            () if has(Is::Bipolar, "c") && (rail || ground) => {
                Some(("collector-load", format!("from a collector to {still}")))
            }
            () if has(Is::Bipolar, "e") && (rail || ground) => {
                Some(("emitter-resistor", format!("from an emitter to {still}")))
            }
            () if has(Is::Bipolar, "b") && ground => {
                Some(("base-divider-lower", "from a base to ground".into()))
            }
            () if has(Is::Bipolar, "b") => Some(("base-bias", format!("from a base to {still}"))),
            () if (has(Is::Jfet, "d") || has(Is::Mosfet, "d")) && rail => {
                Some(("drain-load", format!("from a drain to {still}")))
            }
            () if has(Is::Jfet, "s") || has(Is::Mosfet, "s") => {
                Some(("source-resistor", format!("from a source to {still}")))
            }
            () if has(Is::Jfet, "g") => Some(("gate-leak", format!("holds a gate at {still}"))),
            () if has(Is::Mosfet, "g") && ground => {
                Some(("base-divider-lower", "from a gate to ground".into()))
            }
            () if has(Is::Mosfet, "g") => Some(("base-bias", format!("from a gate to {still}"))),
            () if (v.is_input(net) || v.is_output(net)) && ground => {
                Some(("pull-down", format!("from {net} to ground")))
            }
            () if is_minus(net) => Some(("opamp-gain-leg", format!("from an inverting input to {still}"))),
            () if is_plus(net) => Some(("opamp-bias", format!("holds an amplifier's input at {still}"))),
            () if behind.is_some_and(is_minus) => {
                Some(("opamp-gain-leg", "in the leg at an inverting input".into()))
            }
            () if behind.is_some_and(|n| v.has(n, Is::Bipolar, "e")) => {
                Some(("gain-set", "in series with a bypass capacitor".into()))
            }
            () if behind.is_some_and(|n| v.has(n, Is::Jfet, "s") || v.has(n, Is::Mosfet, "s")) => {
                Some(("gain-set", "in series with a bypass capacitor".into()))
            }
            () => None,
        };
        if let Some((role, why)) = found {
            self.give(i, role, why);
        }
    }

    /// A resistor between two nets that move.
    fn resistor_between(&mut self, i: usize, a: &'a str, b: &'a str) {
        let v = Rc::clone(&self.view);
        let pair = |x: &str, y: &str| (a == x && b == y) || (a == y && b == x);
        let across = |n: &'a str| v.beyond(n, i);
        let of_bipolar =
            |(j, _): (usize, &str)| v.net(j, "b").zip(v.net(j, "c")).is_some_and(|(x, y)| pair(x, y));
        let is_minus = |n: &str| v.amps.iter().any(|m| m.minus == n && m.out != n);
        let is_out = |n: &str| v.amps.iter().any(|m| m.out == n);
        // From an inverting input through this resistor and a control to the output.
        let to_control = |minus: &str, other: &str| {
            is_minus(minus)
                && v.at(other, Is::Pot)
                    .any(|(p, _)| v.part(p).pins.iter().filter_map(|x| x.net.as_deref()).any(is_out))
        };
        let leg = |minus: &str, other: &'a str| {
            is_minus(minus)
                && across(other).is_some_and(|(j, far)| v.kinds[j] == Is::Capacitor && v.is_still(far))
        };
        let of_bypass = |near: &str, other: &'a str| {
            (v.has(near, Is::Bipolar, "e") || v.has(near, Is::Jfet, "s") || v.has(near, Is::Mosfet, "s"))
                && across(other).is_some_and(|(j, far)| v.kinds[j] == Is::Capacitor && v.is_still(far))
        };
        let either = |f: &dyn Fn(&str, &'a str) -> bool| f(a, b) || f(b, a);
        let clips = |n: &str| {
            let to_still = |(j, o): &(usize, &str)| v.is_still(o) && !v.is_rail(o) && !v.is_zener(*j);
            v.branches(n, Is::Diode).iter().chain(&v.branches(n, Is::Led)).any(to_still)
        };
        let light = |n: &str| v.at(n, Is::Led).count() == 1 && v.on(n).len() == 2;
        let found: Option<(&'static str, &'static str)> = match () {
            () if v.amps.iter().any(|m| pair(m.minus, m.out)) => {
                Some(("opamp-feedback", "from an amplifier's output to its inverting input"))
            }
            () if v.at(a, Is::Bipolar).any(of_bipolar) => Some(("base-bias", "from collector to base")),
            () if either(&to_control) => {
                Some(("opamp-feedback", "in series with a control in an amplifier's feedback"))
            }
            () if either(&leg) => Some(("opamp-gain-leg", "in the leg at an inverting input")),
            () if either(&of_bypass) => Some(("gain-set", "in series with a bypass capacitor")),
            () if light(a) || light(b) => Some(("light-resistor", "in series with an LED")),
            () if self.feeds_tone(a, b) || self.feeds_tone(b, a) => {
                Some(("tone-series", "before a capacitor that takes treble away"))
            }
            () if clips(a) != clips(b) => Some(("clip-series", "before diodes that clip")),
            () if v.has(a, Is::Bipolar, "b") != v.has(b, Is::Bipolar, "b") => {
                Some(("base-feed", "in series with a base"))
            }
            () if v.has(a, Is::Jfet, "g") != v.has(b, Is::Jfet, "g") => {
                Some(("gate-series", "in series with a gate"))
            }
            () => None,
        };
        if let Some((role, why)) = found {
            self.give(i, role, why);
        }
    }

    /// Whether a resistor between these nets feeds a tone capacitor at the second.
    fn feeds_tone(&self, from: &str, to: &str) -> bool {
        let v = &self.view;
        let tone = |(i, _): (usize, &str)| self.found.get(&i).is_some_and(|r| r.role == "tone-cap");
        let drives = v.is_held(from) || v.at(from, Is::Diode).count() > 0 || v.has(from, Is::Bipolar, "c");
        drives && v.at(to, Is::Capacitor).any(tone)
    }

    pub(super) fn diodes(&mut self) {
        for i in self.view.all(Is::Diode).into_iter().chain(self.view.all(Is::Led)) {
            if self.has(i) {
                continue;
            }
            let v = Rc::clone(&self.view);
            let (Some(anode), Some(cathode)) = (v.net(i, "anode"), v.net(i, "cathode")) else { continue };
            let led = v.kinds[i] == Is::Led;
            let gate =
                |x: &str, y: &str| v.at(x, Is::Mosfet).any(|(j, pin)| pin == "g" && v.net(j, "s") == Some(y));
            let feedback = v
                .amps
                .iter()
                .any(|m| (m.minus, m.out) == (anode, cathode) || (m.minus, m.out) == (cathode, anode));
            let still = (v.is_still(anode), v.is_still(cathode));
            let signal = if still.0 { cathode } else { anode };
            // The light's own resistor is on either side of it.
            let lit = [anode, cathode].into_iter().any(|n| {
                v.branches(n, Is::Resistor).iter().any(|(_, o)| v.is_rail(o) || v.is_ground(o))
                    && !self.leads_on(n)
            }) && led;
            let across_rail = v.is_ground(anode) && v.is_rail(cathode);
            match () {
                () if across_rail && !led && !v.is_zener(i) => {
                    self.give(i, "polarity-shunt", "across the supply, against its direction");
                }
                () if v.is_zener(i) && (gate(cathode, anode) || gate(anode, cathode)) => {
                    self.give(i, "gate-guard", "between gate and source");
                }
                () if feedback => self.give(i, "clip-diode", "across the feedback of an amplifier"),
                () if lit => self.give(i, "status-light", "an LED with a resistor to the supply"),
                () if v.is_zener(i) || still == (true, true) => {}
                () if (still.0 || still.1) && !v.is_rail(if still.0 { anode } else { cathode }) => {
                    let of_base = v.has(signal, Is::Bipolar, "b") || v.has(signal, Is::Jfet, "g");
                    if !of_base && self.leads_on(signal) {
                        self.give(i, "clip-diode", "from the signal to a net that stands still");
                    }
                }
                () => {}
            }
        }
    }

    /// Whether a net goes on beside lights: through a capacitor or another resistor.
    fn leads_on(&self, net: &str) -> bool {
        self.view.at(net, Is::Capacitor).count() > 0
            || self.view.branches(net, Is::Resistor).iter().filter(|(_, o)| !self.view.is_rail(o)).count() > 0
                && self.view.on(net).len() > 2
    }

    /// Resistors that bring echo and dry signal to the amplifier that mixes them.
    pub(super) fn mix(&mut self) {
        let v = Rc::clone(&self.view);
        let Some(chip) = v.all(Is::Chip).into_iter().find(|c| self.is_echo(*c)) else { return };
        let Some(echo) = v.net(chip, "14") else { return };
        let mut wet = v.leads_to(echo);
        for pot in v.all(Is::Pot) {
            let ends: Vec<&str> = ["1", "3"].iter().filter_map(|p| v.net(pot, p)).collect();
            if ends.iter().any(|e| wet.contains(e))
                && let Some(wiper) = v.net(pot, "2").filter(|w| !v.is_still(w))
            {
                wet.extend(v.leads_to(wiper));
            }
        }
        let mixers: Vec<&str> = v.amps.iter().map(|a| a.minus).filter(|m| wet.contains(m)).collect();
        for mixer in mixers {
            // Straight to the input, or through a capacitor.
            let straight = v.branches(mixer, Is::Resistor);
            let behind = v
                .branches(mixer, Is::Capacitor)
                .into_iter()
                .flat_map(|(c, o)| v.beyond(o, c).filter(|(r, _)| v.kinds[*r] == Is::Resistor));
            for (i, from) in straight.into_iter().chain(behind.collect::<Vec<_>>()) {
                let role = if wet.contains(from) { "echo-mix" } else { "dry-mix" };
                if !v.is_still(from) && !v.amps.iter().any(|a| a.minus == mixer && a.out == from) {
                    self.give(i, role, format!("brings {from} to the amplifier that mixes"));
                }
            }
        }
    }

    pub(super) fn controls(&mut self) {
        for i in self.view.all(Is::Trimmer) {
            self.give(i, "bias-trim", "a trimmer");
        }
        for i in self.view.all(Is::Pot) {
            if self.has(i) {
                continue;
            }
            match self.echo_control(i) {
                Some(("echo-repeats-pot", why)) => self.give(i, "echo-repeats-pot", why),
                Some((role, why)) => self.give(i, role, why),
                None => self.give(i, "control", "a control"),
            }
        }
    }

    /// A control that the echo's output reaches: for the repeats where it leads back into the chip, else for the mix.
    fn echo_control(&self, pot: usize) -> Option<(&'static str, &'static str)> {
        let v = Rc::clone(&self.view);
        let chip = v.all(Is::Chip).into_iter().find(|c| self.is_echo(*c))?;
        let echo: Vec<&str> = ["12", "14"].iter().filter_map(|p| v.net(chip, p)).collect();
        let inputs: Vec<&str> = ["16", "15"].iter().filter_map(|p| v.net(chip, p)).collect();
        let reached = |from: &'a str, to: &[&str]| v.leads_to(from).iter().any(|n| to.contains(n));
        let ends: Vec<&'a str> = ["1", "3"].iter().filter_map(|p| v.net(pot, p)).collect();
        let fed = ends.iter().any(|n| !v.is_still(n) && reached(n, &echo));
        let wiper = v.net(pot, "2").filter(|w| !v.is_still(w) && fed)?;
        Some(match reached(wiper, &inputs) {
            true => ("echo-repeats-pot", "between the echo's output and the echo chip's input"),
            false => ("echo-mix", "between the echo's output and the mix"),
        })
    }
}
