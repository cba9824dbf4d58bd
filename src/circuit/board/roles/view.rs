//! The board as the search for roles sees it: parts by net, nets that stand still, amplifiers by their three ends.

use super::super::{Board, Part};
use crate::rules::parts::{Device, Library};
use std::collections::{BTreeMap, BTreeSet};

/// What kind of part it is, as far as its role goes.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Is {
    Resistor,
    Capacitor,
    Coil,
    Pot,
    Trimmer,
    Diode,
    Led,
    Bipolar,
    Jfet,
    Mosfet,
    Chip,
    Supply,
    Other,
}

/// One amplifier of a chip by its nets.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Amp<'a> {
    pub(super) part: usize,
    pub(super) plus: &'a str,
    pub(super) minus: &'a str,
    pub(super) out: &'a str,
}

/// A board seen from its nets.
#[derive(Clone)]
pub(super) struct View<'a> {
    pub(super) board: &'a Board,
    pub(super) library: &'a Library,
    pub(super) kinds: Vec<Is>,
    /// Parts and pins on each net.
    on: BTreeMap<&'a str, Vec<(usize, &'a str)>>,
    pub(super) amps: Vec<Amp<'a>>,
    /// Supply nets, the ends of the supplies and what they feed.
    pub(super) rails: BTreeSet<&'a str>,
    /// Nets that rest at a steady voltage made for the signal to rest on.
    pub(super) references: BTreeSet<&'a str>,
}

impl<'a> View<'a> {
    pub(super) fn of(board: &'a Board, library: &'a Library) -> Self {
        let mut on: BTreeMap<&str, Vec<(usize, &str)>> = BTreeMap::new();
        for (i, part) in board.parts().iter().enumerate() {
            for pin in &part.pins {
                if let Some(net) = &pin.net {
                    on.entry(net.as_str()).or_default().push((i, pin.name.as_str()));
                }
            }
        }
        let kinds = board.parts().iter().map(|p| is(board, library, p)).collect();
        let ends = board.supplies().iter().flat_map(|s| [s.plus.as_str(), s.minus.as_str()]);
        let rails = ends.filter(|n| *n != board.ground()).collect();
        let amps = amps(board, library);
        Self { board, library, kinds, on, amps, rails, references: BTreeSet::new() }
    }

    pub(super) fn part(&self, i: usize) -> &'a Part {
        &self.board.parts()[i]
    }

    pub(super) fn device(&self, i: usize) -> Option<&'a Device> {
        self.library.device(self.part(i).device.as_deref()?)
    }

    pub(super) fn all(&self, what: Is) -> Vec<usize> {
        (0..self.kinds.len()).filter(|i| self.kinds[*i] == what).collect()
    }

    /// The two nets of a part with two ends; none where both are the same or one is open.
    pub(super) fn ends(&self, i: usize) -> Option<(&'a str, &'a str)> {
        match self.part(i).pins.as_slice() {
            [a, b] => Some((a.net.as_deref()?, b.net.as_deref()?)).filter(|(a, b)| a != b),
            _ => None,
        }
    }

    /// The net of a pin.
    pub(super) fn net(&self, i: usize, pin: &str) -> Option<&'a str> {
        self.part(i).pins.iter().find(|p| p.name == pin)?.net.as_deref()
    }

    pub(super) fn value(&self, i: usize) -> f64 {
        self.part(i).recipe.parameters.get("value").copied().unwrap_or(0.0)
    }

    pub(super) fn on(&self, net: &str) -> &[(usize, &'a str)] {
        self.on.get(net).map_or(&[], Vec::as_slice)
    }

    /// A net and those that only a trimmer lies before.
    pub(super) fn set_by_trimmers(&self, net: &'a str) -> Vec<&'a str> {
        let mut out = vec![net];
        for (i, _) in self.at(net, Is::Trimmer) {
            let others = self.part(i).pins.iter().filter_map(|p| p.net.as_deref());
            out.extend(others.filter(|n| *n != net && !self.is_still(n)));
        }
        out
    }

    /// Parts of a kind on a net.
    pub(super) fn at(&self, net: &str, what: Is) -> impl Iterator<Item = (usize, &'a str)> {
        self.on(net).iter().copied().filter(move |(i, _)| self.kinds[*i] == what)
    }

    /// Whether a pin of that name of a part of that kind is on a net.
    pub(super) fn has(&self, net: &str, what: Is, pin: &str) -> bool {
        self.at(net, what).any(|(_, p)| p == pin)
    }

    pub(super) fn is_ground(&self, net: &str) -> bool {
        net == self.board.ground()
    }

    pub(super) fn is_rail(&self, net: &str) -> bool {
        self.rails.contains(net)
    }

    /// Ground, a rail or a reference.
    pub(super) fn is_still(&self, net: &str) -> bool {
        self.is_ground(net) || self.is_rail(net) || self.references.contains(net)
    }

    pub(super) fn is_input(&self, net: &str) -> bool {
        self.board.signal().is_some_and(|s| s.input == net)
    }

    pub(super) fn is_output(&self, net: &str) -> bool {
        self.board.signal().is_some_and(|s| s.output == net)
    }

    /// The other end of a two-ended part.
    pub(super) fn across(&self, i: usize, net: &str) -> Option<&'a str> {
        match self.ends(i)? {
            (a, b) if a == net => Some(b),
            (a, b) if b == net => Some(a),
            _ => None,
        }
    }

    /// Two-ended parts of a kind on a net with their other ends.
    pub(super) fn branches(&self, net: &str, what: Is) -> Vec<(usize, &'a str)> {
        self.at(net, what).filter_map(|(i, _)| Some((i, self.across(i, net)?))).collect()
    }

    /// Where a two-ended part leads to beside a net that only joins it to one other: through that one.
    pub(super) fn beyond(&self, net: &str, from: usize) -> Option<(usize, &'a str)> {
        match self.on(net) {
            [(a, _), (b, _)] => {
                let other = if *a == from { *b } else { *a };
                Some((other, self.across(other, net)?))
            }
            _ => None,
        }
    }

    /// Whether a part of that kind lies between two nets.
    pub(super) fn joined_by(&self, a: &str, b: &str, what: Is) -> bool {
        self.branches(a, what).iter().any(|(_, other)| *other == b)
    }

    /// Whether an amplifier holds a net: its output, or the inverting input that it keeps where the other one is.
    pub(super) fn is_held(&self, net: &str) -> bool {
        self.amps.iter().any(|a| a.out == net || a.minus == net)
    }

    /// The nets that a net's signal reaches through resistors and capacitors, round those that stand still and no further than those
    /// that an amplifier holds.
    pub(super) fn leads_to(&self, from: &'a str) -> BTreeSet<&'a str> {
        let mut reached: BTreeSet<&str> = [from].into();
        let mut queue = vec![from];
        while let Some(net) = queue.pop() {
            for (i, _) in self.on(net) {
                if !matches!(self.kinds[*i], Is::Resistor | Is::Capacitor | Is::Coil) {
                    continue;
                }
                if let Some(other) = self.across(*i, net)
                    && !self.is_still(other)
                    && reached.insert(other)
                    && !self.is_held(other)
                {
                    queue.push(other);
                }
            }
        }
        reached
    }

    /// Whether the device breaks down backwards on purpose.
    pub(super) fn is_zener(&self, i: usize) -> bool {
        let with = |d: &Device| d.elements.iter().any(|(_, e)| e.with.contains_key("breakdown"));
        self.device(i).is_some_and(with)
    }
}

fn is(board: &Board, _: &Library, part: &Part) -> Is {
    if board.supplies().iter().any(|s| s.name == part.id) {
        return Is::Supply;
    }
    match part.kind.as_str() {
        "resistor" | "ldr" => Is::Resistor,
        "film" | "ceramic" | "electrolytic" | "tantalum" => Is::Capacitor,
        "inductor" | "fuse" | "link" => Is::Coil,
        "pot" => Is::Pot,
        "trimmer" => Is::Trimmer,
        "diode" => Is::Diode,
        "led" => Is::Led,
        "transistor-bipolar" => Is::Bipolar,
        "transistor-field-effect" => Is::Jfet,
        "transistor-mos" => Is::Mosfet,
        "chip-linear" | "chip-mos" | "regulator" | "coupler" => Is::Chip,
        _ => Is::Other,
    }
}

/// The amplifiers of operational amplifiers: chips whose card has nothing but amplifiers and a supply current.
fn amps<'a>(board: &'a Board, library: &Library) -> Vec<Amp<'a>> {
    let mut all = Vec::new();
    for (i, part) in board.parts().iter().enumerate() {
        let Some(device) = part.device.as_deref().and_then(|d| library.device(d)) else { continue };
        let plain = |kind: &str| kind == "amplifier" || kind == "supply-draw";
        if !device.elements.iter().all(|(_, e)| plain(&e.kind.value)) {
            continue;
        }
        let net = |pin: &str| part.pins.iter().find(|p| p.name == pin).and_then(|p| p.net.as_deref());
        for (_, element) in device.elements.iter().filter(|(_, e)| e.kind.value == "amplifier") {
            let ends: Vec<&str> = element.nodes.iter().take(3).filter_map(|n| net(&n.value)).collect();
            if let [plus, minus, out] = ends[..] {
                all.push(Amp { part: i, plus, minus, out });
            }
        }
    }
    all
}
