//! The supply: guards, series parts, rails, references and what steadies them.

use super::Roles;
use super::view::Is;
use std::rc::Rc;

/// From here on a capacitor across a rail is a reservoir, farads (common practice, no source).
const RESERVOIR: f64 = 0.9e-6;
/// Up to here a resistor in the supply feeds a rail, ohms (common practice, no source).
const FEEDS: f64 = 2.2e3;
/// From here on a resistor at a divider's tap is a bias resistor, ohms (common practice, no source).
const BIASES: f64 = 22e3;

impl<'a> Roles<'a> {
    /// Rails first, then references, then what hangs across both.
    pub(super) fn supply(&mut self) {
        while self.one_more_rail() {}
        while self.one_more_reference() {}
        self.across_rails();
    }

    /// Finds one more net that a rail feeds.
    fn one_more_rail(&mut self) -> bool {
        for i in 0..self.view.kinds.len() {
            if let Some((net, role, why)) = self.fed_by(i)
                && Rc::make_mut(&mut self.view).rails.insert(net)
            {
                if let Some(role) = role {
                    self.give(i, role, why);
                }
                return true;
            }
        }
        false
    }

    /// The net that a part feeds from a rail, with its role and why.
    fn fed_by(&self, i: usize) -> Option<(&'a str, Option<&'static str>, String)> {
        let v = &self.view;
        let new = |net: &&str| !v.is_rail(net) && !v.is_ground(net);
        match v.kinds[i] {
            Is::Diode if !v.is_zener(i) => {
                let (anode, cathode) = (v.net(i, "anode")?, v.net(i, "cathode")?);
                let fed = match (v.is_rail(anode), v.is_rail(cathode)) {
                    (true, false) => Some(cathode),
                    (false, true) if self.below_ground(cathode) => Some(anode),
                    _ => None,
                };
                let fed = fed.filter(new).filter(|n| self.is_like_a_rail(n))?;
                Some((fed, Some("polarity-guard"), format!("a diode from the supply to {fed}")))
            }
            Is::Resistor | Is::Coil => {
                let (a, b) = v.ends(i)?;
                let fed = match (v.is_rail(a), v.is_rail(b)) {
                    (true, false) => b,
                    (false, true) => a,
                    _ => return None,
                };
                let is_link = v.kinds[i] == Is::Coil;
                let feeds = is_link || v.value(i) <= FEEDS;
                if !new(&fed) || !feeds || !self.is_like_a_rail(fed) {
                    return None;
                }
                let role = (v.part(i).kind != "link").then_some("rail-series");
                Some((fed, role, format!("in series between a rail and {fed}, which has a reservoir")))
            }
            Is::Chip => {
                let card = v.device(i)?;
                let pump = card.elements.get("pump").is_some();
                if card.kind.value != "regulator" && !pump {
                    return None;
                }
                let fed = v.net(i, &card.outputs.first().map_or("out".to_owned(), |o| o.value.clone()));
                let supplied =
                    card.supply.first().and_then(|p| v.net(i, &p.value)).is_some_and(|n| v.is_rail(n));
                let supplied = supplied || v.net(i, "in").is_some_and(|n| v.is_rail(n));
                let fed = fed.filter(new).filter(|_| supplied)?;
                let role = if pump { "charge-pump" } else { "regulator" };
                Some((fed, Some(role), format!("its output makes the rail {fed}")))
            }
            Is::Other => {
                let part = v.part(i);
                let closed = part.recipe.contacts.iter().filter(|(_, closed)| *closed).map(|(pair, _)| *pair);
                let net = |k: usize| part.pins.get(k).and_then(|p| p.net.as_deref());
                let fed = closed.filter_map(|(a, b)| Some((net(a)?, net(b)?))).find_map(|(a, b)| {
                    match (v.is_rail(a), v.is_rail(b)) {
                        (true, false) => Some(b),
                        (false, true) => Some(a),
                        _ => None,
                    }
                });
                fed.filter(new).map(|net| (net, None, String::new()))
            }
            _ => None,
        }
    }

    /// Whether a rail is the minus end of a supply whose plus end is ground.
    fn below_ground(&self, net: &str) -> bool {
        self.view.board.supplies().iter().any(|s| s.minus == net && self.view.is_ground(&s.plus))
    }

    /// Whether a net has what a rail has: a capacitor to ground or another rail, or a chip's supply pin.
    fn is_like_a_rail(&self, net: &str) -> bool {
        let v = &self.view;
        // An emitter or base with a capacitor to ground is a stage's, not the supply's.
        if ["b", "e"].iter().any(|pin| v.has(net, Is::Bipolar, pin)) {
            return false;
        }
        let steady = v
            .branches(net, Is::Capacitor)
            .iter()
            .any(|(i, other)| (v.is_ground(other) || v.is_rail(other)) && v.value(*i) >= RESERVOIR);
        let feeds_chip = v
            .at(net, Is::Chip)
            .any(|(i, pin)| v.device(i).is_some_and(|d| d.supply.iter().any(|s| s.value == pin)));
        steady && v.on(net).len() > 2 || feeds_chip
    }

    /// Finds one more net that stands still between the rails for the signal to rest on.
    fn one_more_reference(&mut self) -> bool {
        let nets: Vec<&'a str> = self.view.board.nets().iter().map(String::as_str).collect();
        for net in nets {
            if self.view.is_still(net) {
                continue;
            }
            if let Some(divider) = self.divider(net) {
                Rc::make_mut(&mut self.view).references.insert(net);
                for i in divider {
                    self.give(i, "reference-divider", format!("of the divider that makes {net}"));
                }
                return true;
            }
            let buffered = |a: &&super::view::Amp<'_>| {
                a.out == net && a.minus == net && self.view.references.contains(a.plus)
            };
            if self.view.amps.iter().any(|a| buffered(&a)) || self.echo_reference(net) {
                Rc::make_mut(&mut self.view).references.insert(net);
                return true;
            }
        }
        false
    }

    pub(super) fn echo_reference(&self, net: &str) -> bool {
        let v = &self.view;
        v.at(net, Is::Chip).any(|(i, pin)| pin == "2" && v.device(i).is_some_and(|d| d.delay.is_some()))
    }

    /// The resistors of a divider that makes a net stand still: from either side, with a reservoir or with bias resistors behind.
    fn divider(&self, net: &str) -> Option<Vec<usize>> {
        let v = &self.view;
        // A base, a gate or a track in between makes it a stage's own bias.
        let of_stage = [Is::Bipolar, Is::Jfet, Is::Mosfet, Is::Pot]
            .iter()
            .any(|k| v.at(net, *k).any(|(_, pin)| ["b", "g", "e", "c", "d", "1", "2", "3"].contains(&pin)));
        if of_stage {
            return None;
        }
        let all = v.branches(net, Is::Resistor);
        let up: Vec<usize> = all.iter().filter(|(_, o)| v.is_rail(o)).map(|(i, _)| *i).collect();
        let down: Vec<usize> = all.iter().filter(|(_, o)| v.is_ground(o)).map(|(i, _)| *i).collect();
        // Two rails of opposite sign may be divided too.
        let sides = if down.is_empty() { up.len() } else { 1 };
        if up.is_empty() || down.is_empty() && sides < 2 {
            return None;
        }
        let caps = v.branches(net, Is::Capacitor);
        let to_still = |o: &str| v.is_ground(o) || v.is_rail(o);
        let reservoir = caps.iter().any(|(i, o)| to_still(o) && v.value(*i) >= RESERVOIR);
        // A signal comes in through a capacitor, unless a reservoir takes it away.
        if !reservoir && caps.iter().any(|(_, o)| !to_still(o)) {
            return None;
        }
        let steady = caps.iter().any(|(_, o)| to_still(o));
        let others: Vec<(usize, &str)> = all.iter().copied().filter(|(_, o)| !to_still(o)).collect();
        let feeds = others.iter().any(|(i, _)| v.value(*i) >= BIASES) || v.amps.iter().any(|a| a.plus == net);
        (steady || feeds && down.len() + up.len() == 2).then(|| up.into_iter().chain(down).collect())
    }

    fn across_rails(&mut self) {
        for i in self.view.all(Is::Capacitor) {
            let Some((a, b)) = self.view.ends(i) else { continue };
            let v = &self.view;
            let (still, of_rail) = (v.is_still(a) && v.is_still(b), v.is_rail(a) || v.is_rail(b));
            let reference = [a, b].into_iter().find(|n| v.references.contains(n));
            match reference {
                _ if !still => {}
                Some(net) if self.echo_reference(net) => {
                    self.give(i, "echo-reference-reservoir", "at the echo chip's reference pin");
                }
                Some(net) => self.give(i, "reference-reservoir", format!("steadies {net}")),
                None if of_rail && v.value(i) >= RESERVOIR => {
                    self.give(i, "rail-reservoir", format!("a large capacitor between {a} and {b}"));
                }
                None if of_rail => {
                    self.give(i, "rail-decoupling", format!("a small capacitor between {a} and {b}"));
                }
                None => {}
            }
        }
    }
}
