//! Places on a board as people name them: a net, or the pin of a part (`IC1.3`, `Q2.c`, `U1.out`, `D1.k`).

use super::{Board, Part, Pin};
use crate::text::or_nearest;
use thiserror::Error;

/// Where a text points to.
#[derive(Clone, Debug)]
pub enum Spot<'b> {
    /// A net other than ground.
    Net(&'b str),
    /// A pin with the net that it is on.
    Pin {
        /// The part.
        part: &'b Part,
        /// The pin.
        pin: &'b Pin,
        /// Its net.
        net: &'b str,
    },
    /// A pin on ground, or the ground net itself (then without a pin): nothing can be read there on a healthy board.
    Ground(Option<(&'b Part, &'b Pin)>),
    /// A pin that is left unconnected.
    Free(&'b Part, &'b Pin),
}

impl<'b> Spot<'b> {
    /// The net, unless it is ground or none.
    pub fn net(&self) -> Option<&'b str> {
        match self {
            Self::Net(net) | Self::Pin { net, .. } => Some(net),
            Self::Ground(_) | Self::Free(..) => None,
        }
    }

    /// The part and its pin, where one was named.
    pub fn pin(&self) -> Option<(&'b Part, &'b Pin)> {
        match self {
            Self::Pin { part, pin, .. } | Self::Free(part, pin) => Some((part, pin)),
            Self::Ground(pin) => *pin,
            Self::Net(_) => None,
        }
    }
}

/// Why a text is no place on a board.
#[derive(Clone, Debug, PartialEq, Eq, Error)]
#[error("{message}; {help}")]
pub struct PlaceError {
    /// What is wrong.
    pub message: String,
    /// What to write instead.
    pub help: String,
}

/// Short names of pins, and what they stand for on the parts' cards.
const SHORT: [(&str, &[&str]); 20] = [
    ("collector", &["c", "col", "coll", "collector"]),
    ("base", &["b", "base"]),
    ("emitter", &["e", "em", "emit", "emitter"]),
    ("drain", &["d", "drain"]),
    ("gate", &["g", "gate"]),
    ("source", &["s", "source"]),
    ("anode", &["a", "an", "anode"]),
    ("cathode", &["k", "c", "ka", "cath", "kathode", "cathode", "band", "stripe"]),
    ("positive", &["+", "plus", "pos", "p", "positive"]),
    ("negative", &["-", "minus", "neg", "n", "negative"]),
    ("wiper", &["w", "wiper", "slider", "middle"]),
    ("output", &["out", "o", "output", "vout"]),
    ("input", &["in", "i", "input", "vin"]),
    ("ground", &["gnd", "ground", "com", "vss", "0v", "g"]),
    ("adjust", &["adj", "adjust"]),
    ("inverting input", &["in-", "-in", "inv", "minus", "inn"]),
    ("non-inverting input", &["in+", "+in", "noninv", "non-inv", "plus", "inp"]),
    ("positive supply", &["v+", "vcc", "vdd", "+v", "vs+", "supply", "+"]),
    ("negative supply", &["v-", "vee", "vss", "-v", "vs-", "-"]),
    ("common", &["com", "common", "c"]),
];

impl Board {
    /// The place that a text names: a net, or `PART.PIN` with the pin's number, name, short name (`k`, `out`, `in-`, `outa`) or what
    /// it is. Capitals don't matter where only one name is meant; a type number does for the part where the board has one of it.
    ///
    /// ```
    /// use halfsplit::circuit::board::Board;
    /// let board = Board::load(&halfsplit::cases::board_example("tin-lantern")?, &halfsplit::rules::parts::Library::builtin()?)?;
    /// let net = board.parts().iter().find(|p| p.id == "U1").and_then(|p| p.pins.iter().find(|p| p.name == "out")).unwrap();
    /// assert_eq!(board.spot("u1.OUT").unwrap().net(), net.net.as_deref());
    /// assert!(board.spot("U1.9").unwrap_err().to_string().contains("in, gnd, out"));
    /// # Ok::<(), halfsplit::text::Complaints>(())
    /// ```
    ///
    /// # Errors
    /// [`PlaceError`]: what to write instead.
    pub fn spot(&self, text: &str) -> Result<Spot<'_>, PlaceError> {
        if let Some(net) = self.net_named(text) {
            return Ok(if net == self.ground { Spot::Ground(None) } else { Spot::Net(net) });
        }
        let Some((part, pin)) =
            text.split_once('.').filter(|(part, pin)| !part.is_empty() && !pin.is_empty())
        else {
            if let Some(part) = self.part_named(text) {
                return Err(self.which_pin(part));
            }
            let nets = self.nets.iter().map(String::as_str).chain([self.ground.as_str()]);
            return Err(PlaceError {
                message: format!("the board has no net '{text}'"),
                help: format!("{}, or a pin such as IC1.3", or_nearest(text, nets)),
            });
        };
        let found = self.part_named(part).ok_or_else(|| {
            let letters: String = part.chars().take_while(char::is_ascii_alphabetic).collect();
            let alike =
                |p: &&Part| p.id.chars().take_while(char::is_ascii_alphabetic).collect::<String>() == letters;
            let alike: Vec<&str> = self.parts.iter().filter(alike).map(|p| p.id.as_str()).collect();
            let help = match alike.len() {
                0 => or_nearest(part, self.parts.iter().map(|p| p.id.as_str())),
                n if n > 8 => format!("it has {}, …", alike[..8].join(", ")),
                _ => format!("it has {}", alike.join(", ")),
            };
            PlaceError { message: format!("the board has no part '{part}'"), help }
        })?;
        let pin = pin_of(found, pin)?;
        Ok(match pin.net.as_deref() {
            None => Spot::Free(found, pin),
            Some(net) if net == self.ground => Spot::Ground(Some((found, pin))),
            Some(net) => Spot::Pin { part: found, pin, net },
        })
    }

    /// The net of a name, whatever its capitals where only one is meant.
    fn net_named(&self, text: &str) -> Option<&str> {
        let all = || self.nets.iter().map(String::as_str).chain([self.ground.as_str()]);
        all().find(|n| *n == text).or_else(|| only(all().filter(|n| n.eq_ignore_ascii_case(text))))
    }

    /// The part of a designator, or of a type number that only one part has.
    pub fn part_named(&self, text: &str) -> Option<&Part> {
        let by_id = self.parts.iter().find(|p| p.id == text);
        by_id.or_else(|| only(self.parts.iter().filter(|p| p.id.eq_ignore_ascii_case(text)))).or_else(|| {
            let of = |p: &&Part| p.device.as_ref().is_some_and(|d| d.eq_ignore_ascii_case(text));
            only(self.parts.iter().filter(of))
        })
    }

    fn which_pin(&self, part: &Part) -> PlaceError {
        let ends: Vec<String> = part
            .pins
            .iter()
            .take(3)
            .map(|p| format!("{}.{} on {}", part.id, p.name, p.net.as_deref().unwrap_or("nothing")))
            .collect();
        let more = if part.pins.len() > 3 { ", …" } else { "" };
        PlaceError {
            message: format!("'{}' is a part, not a net", part.id),
            help: format!("say which end: {}{more}", ends.join(", ")),
        }
    }
}

/// The one item, if there is exactly one.
fn only<T>(mut items: impl Iterator<Item = T>) -> Option<T> {
    let first = items.next()?;
    items.next().is_none().then_some(first)
}

/// The pin of a part that a text means.
fn pin_of<'b>(part: &'b Part, text: &str) -> Result<&'b Pin, PlaceError> {
    if let Some(pin) = part.pins.iter().find(|p| p.name == text) {
        return Ok(pin);
    }
    if let Some(pin) = only(part.pins.iter().filter(|p| p.name.eq_ignore_ascii_case(text))) {
        return Ok(pin);
    }
    let named = meant(part, &text.to_lowercase());
    match named.as_slice() {
        [one] => Ok(one),
        [] => Err(PlaceError {
            message: format!("{} has no pin '{text}'", part.id),
            help: format!("its pins are {}", list(part.pins.iter(), 16)),
        }),
        several => Err(PlaceError {
            message: format!("{} has several pins '{text}'", part.id),
            help: format!("say which: {}", list(several.iter().copied(), 6)),
        }),
    }
}

fn list<'b>(pins: impl Iterator<Item = &'b Pin> + Clone, most: usize) -> String {
    let says = |p: &Pin| match p.says.as_str() {
        "" => p.name.clone(),
        _ if p.name.parse::<u32>().is_err() => p.name.clone(),
        says => format!("{} ({says})", p.name),
    };
    let long = pins.clone().count() > most;
    // A long list of names alone is still of use; with what each is it would fill the screen.
    let shown: Vec<String> = pins
        .clone()
        .map(|p| if pins.clone().count() > 8 { p.name.clone() } else { says(p) })
        .take(most)
        .collect();
    format!("{}{}", shown.join(", "), if long { ", …" } else { "" })
}

/// The pins whose name or purpose a short name stands for. A letter or number of the section may follow: `outa`, `in-b`, `out2`.
fn meant<'b>(part: &'b Part, text: &str) -> Vec<&'b Pin> {
    let of = |wanted: &dyn Fn(&str, &str) -> bool| -> Vec<&'b Pin> {
        part.pins.iter().filter(|p| wanted(&p.name.to_lowercase(), &p.says.to_lowercase())).collect()
    };
    let whole = of(&|_, says| says == text);
    if !whole.is_empty() {
        return whole;
    }
    let (stem, section) = match text.char_indices().next_back() {
        Some((at, last)) if at > 0 && section_of(last).is_some() => (&text[..at], section_of(last)),
        _ => (text, None),
    };
    let trimmed = stem.trim_end_matches(['_', '-']);
    let tries = [(text, None), (stem, section), (trimmed, section)];
    let tries = tries.into_iter().filter(|(word, section)| section.is_some() || *word == text);
    tries
        .map(|(word, section)| words(word, |purpose| of(&|name, says| is(purpose, name, says, section))))
        .find(|found| !found.is_empty())
        .unwrap_or_default()
}

/// What the first purpose finds that a word stands for and that the part has.
fn words<'b>(word: &str, find: impl Fn(&str) -> Vec<&'b Pin>) -> Vec<&'b Pin> {
    let purposes = SHORT.iter().filter(|(_, short)| short.contains(&word)).map(|(purpose, _)| *purpose);
    purposes.map(find).find(|found| !found.is_empty()).unwrap_or_default()
}

/// The letter of a section: `a` of `output a`, also written 1.
fn section_of(sign: char) -> Option<char> {
    match sign {
        'a'..='f' => Some(sign),
        '1'..='6' => char::from_digit(sign as u32 - '1' as u32 + 10, 16),
        _ => None,
    }
}

/// Whether a pin of this name and purpose is what is asked for.
fn is(purpose: &str, name: &str, says: &str, section: Option<char>) -> bool {
    let (of, own) = match says.rsplit_once(' ') {
        Some((of, letter)) if letter.len() == 1 => (of, letter.chars().next()),
        _ => (says, None),
    };
    // "cathode (banded end)" and "positive end" are a cathode and a positive.
    let of = of.split(" (").next().unwrap_or(of).trim_end_matches(" end");
    (name == purpose || of == purpose || of.strip_prefix("lamp ") == Some(purpose))
        && section.is_none_or(|s| own == Some(s))
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, clippy::panic)]
    use super::*;
    use crate::rules::parts::Library;
    use crate::text::Source;

    const BOARD: &str = "board: Half Moon\nbuild: breadboard\nground: GND\n\
        supply: [{name: main, plus: VIN, minus: GND, volts: 9V, source: battery}]\n\
        parts:\n  D1: {device: 1N5817, nets: {anode: VIN, cathode: V9}}\n  U1: {device: 78L05, nets: {in: V9, gnd: GND, out: V5}}\n\
        \x20 C1: {kind: electrolytic, value: 100u, nets: {plus: V9, minus: GND}}\n\
        \x20 R1: {kind: resistor, value: 10k, nets: [V9, VH]}\n  R2: {kind: resistor, value: 10k, nets: [VH, GND]}\n\
        \x20 Q1: {device: 2N5088, nets: {c: C, b: B, e: GND}}\n  R3: {kind: resistor, value: 470k, nets: [C, B]}\n  R4: {kind: resistor, value: 4k7, nets: [V9, C]}\n\
        \x20 VR1: {kind: pot, value: 100k, nets: {1: GND, 2: W, 3: C}}\n  R5: {kind: resistor, value: 10k, nets: [W, V5]}\n\
        \x20 IC1: {device: TL072, nets: {1: OA, 2: OA, 3: VH, 4: GND, 5: VH, 6: OB, 7: OB, 8: V9}}\n";

    #[test]
    fn pins_are_found_as_people_name_them() {
        let board = Board::load(&Source::new("b.yaml", BOARD), &Library::builtin().unwrap()).unwrap();
        for (text, net) in [
            ("VH", "VH"),
            ("vh", "VH"),
            ("IC1.3", "VH"),
            ("ic1.1", "OA"),
            ("IC1.outa", "OA"),
            ("IC1.out2", "OB"),
            ("IC1.in+b", "VH"),
            ("IC1.in-b", "OB"),
            ("IC1.vcc", "V9"),
            ("TL072.7", "OB"),
            ("Q1.c", "C"),
            ("Q1.C", "C"),
            ("Q1.base", "B"),
            ("D1.k", "V9"),
            ("D1.a", "VIN"),
            ("U1.out", "V5"),
            ("U1.input", "V9"),
            ("C1.+", "V9"),
            ("VR1.w", "W"),
            ("R1.2", "VH"),
        ] {
            let spot = board.spot(text).unwrap_or_else(|e| panic!("{text}: {e}"));
            assert_eq!(spot.net(), Some(net), "{text}");
        }
        assert!(matches!(board.spot("IC1.4"), Ok(Spot::Ground(Some(_)))));
        assert!(matches!(board.spot("gnd"), Ok(Spot::Ground(None))));
        for (text, says) in [
            ("IC1.9", "IC1 has no pin '9'; its pins are 1 (output a), 2 (inverting input a)"),
            ("IC1.out", "several pins 'out'; say which: 1 (output a), 7 (output b)"),
            ("IC2.1", "no part 'IC2'; it has IC1"),
            ("R1", "'R1' is a part, not a net; say which end: R1.1 on V9, R1.2 on VH"),
            ("VX", "no net 'VX'"),
            ("D1.+", "D1 has no pin '+'; its pins are anode, cathode"),
        ] {
            let said = board.spot(text).unwrap_err().to_string();
            assert!(said.contains(says), "{said}");
        }
    }
}
