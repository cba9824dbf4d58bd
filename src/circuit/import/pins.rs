//! Which pin of a drawing is which of a card's.

use super::drawing::{DrawnPart, DrawnPin};

/// Pins of a card as the drawing may name them.
pub(super) struct Card<'a> {
    /// The card's pins in order.
    pub(super) pins: Vec<&'a str>,
    /// Other names of each, in the same order.
    pub(super) called: Vec<Vec<&'a str>>,
    /// The order of the legs, for a part with three that the drawing numbers.
    pub(super) legs: Vec<&'a str>,
}

impl Card<'_> {
    /// The net of each of the card's pins; a sentence where the pins do not fit.
    pub(super) fn nets(&self, part: &DrawnPart) -> Result<Vec<Option<String>>, String> {
        let count = self.pins.len();
        if part.in_order() {
            if part.pins.len() != count {
                let names = self.pins.join(", ");
                return Err(format!(
                    "'{}' has {} nodes where the part has {count} pins: {names}",
                    part.id,
                    part.pins.len()
                ));
            }
            return Ok(part.pins.iter().map(|p| p.net.clone()).collect());
        }
        let by_function = self.found(part, |p| &p.function);
        let by_number = self.found(part, |p| &p.number);
        let by_leg = self.by_leg(part);
        // The way that places most of the drawn pins; by function where ways are alike.
        let count = |nets: &[Option<usize>]| nets.iter().flatten().count();
        let mut best = by_function;
        for other in [by_number, by_leg] {
            if count(&other) > count(&best) {
                best = other;
            }
        }
        let placed: Vec<usize> = best.iter().flatten().copied().collect();
        let lost: Vec<String> = (0..part.pins.len())
            .filter(|i| !placed.contains(i) && part.pins[*i].net.is_some())
            .map(|i| shown(&part.pins[i]))
            .collect();
        if !lost.is_empty() {
            return Err(format!(
                "pin {} of '{}' is none of {}",
                lost.join(", "),
                part.id,
                self.pins.join(", ")
            ));
        }
        Ok(best.iter().map(|i| i.and_then(|i| part.pins[i].net.clone())).collect())
    }

    fn found(&self, part: &DrawnPart, name: impl Fn(&DrawnPin) -> &String) -> Vec<Option<usize>> {
        let mut taken: Vec<usize> = Vec::new();
        let mut out = Vec::new();
        for (pin, called) in self.pins.iter().zip(&self.called) {
            let fits = |p: &DrawnPin| {
                let name = name(p);
                !name.is_empty()
                    && (name.eq_ignore_ascii_case(pin) || called.iter().any(|c| c.eq_ignore_ascii_case(name)))
            };
            let at = (0..part.pins.len()).find(|i| !taken.contains(i) && fits(&part.pins[*i]));
            taken.extend(at);
            out.push(at);
        }
        out
    }

    /// Three legs by number, in the order of the card's package.
    fn by_leg(&self, part: &DrawnPart) -> Vec<Option<usize>> {
        let at = |pin: &&str| {
            let leg = self.legs.iter().position(|l| l == pin)? + 1;
            part.pins.iter().position(|p| p.number == leg.to_string())
        };
        if self.legs.len() != self.pins.len() {
            return vec![None; self.pins.len()];
        }
        self.pins.iter().map(at).collect()
    }
}

fn shown(pin: &DrawnPin) -> String {
    match (pin.number.is_empty(), pin.function.is_empty()) {
        (false, false) => format!("{} ({})", pin.number, pin.function),
        (false, true) => pin.number.clone(),
        _ => pin.function.clone(),
    }
}
