//! What looks wrong on a board that can be solved: parts that would rest the wrong way round, chips without their supply, names that
//! invite mistakes. Nothing of it keeps a board from being used.

use super::board::{Board, Part};
use super::dc::{Options, SolveError, Solver};
use super::predict::{Bench, CheckId, Predictor};
use crate::rules::parts::Library;
use crate::units::{Volts, notation, show};
use serde::Serialize;

/// Volts backwards across a polarised part that are no matter of tolerance.
const BACKWARDS: f64 = 0.15;
/// From here on a base is driven: a silicon junction at a microamp (common practice, no source); germanium starts lower.
const DRIVEN: f64 = 0.35;
/// Below this between collector and emitter a transistor is saturated, volts (common practice, no source).
const SATURATED: f64 = 0.12;
/// Share of the supply within which an output rests at its rail.
const AT_RAIL: f64 = 0.12;

/// Below this nothing is heard of a tone, dB against it.
const INAUDIBLE: f64 = -80.0;

/// One thing that looks wrong.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Advice {
    /// Kebab-case name of the kind of remark.
    pub code: &'static str,
    /// The part or net it is about.
    pub about: String,
    /// What is seen, a sentence without a full stop.
    pub says: String,
    /// What to look at.
    pub help: String,
}

/// What looks wrong on a board, and what looks odd and is as it should be.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Looked {
    /// What looks wrong.
    pub advice: Vec<Advice>,
    /// What is in order, a sentence without a full stop each: an amplifier that is not used, and tied.
    pub fine: Vec<String>,
}

/// Looks a board over, healthy and at rest.
///
/// # Errors
/// When the board has no operating point; names the net.
pub fn advice(board: &Board, library: &Library) -> Result<Looked, SolveError> {
    let point = Solver::new(board.network(), Options::default())?.operating_point()?;
    let mut looker = Looker { board, library, volts: &|n| point.volts(n), found: Looked::default() };
    for part in board.parts() {
        looker.polarity(part);
        looker.supply(part);
        looker.transistor(part);
        looker.amplifiers(part);
        looker.unused(part);
    }
    looker.names();
    looker.way();
    Ok(looker.found)
}

struct Looker<'a> {
    board: &'a Board,
    library: &'a Library,
    volts: &'a dyn Fn(super::network::Node) -> f64,
    found: Looked,
}

impl Looker<'_> {
    fn say(&mut self, code: &'static str, about: &str, says: String, help: impl Into<String>) {
        self.found.advice.push(Advice { code, about: about.to_owned(), says, help: help.into() });
    }

    fn at(&self, part: &Part, pin: &str) -> Option<f64> {
        let pin = part.pins.iter().find(|p| p.name == pin && p.net.is_some())?;
        Some((self.volts)(pin.node))
    }

    fn polarity(&mut self, part: &Part) {
        let is_supply = self.board.supplies().iter().any(|s| s.name == part.id);
        let (Some(plus), Some(minus)) = (self.at(part, "plus"), self.at(part, "minus")) else { return };
        if !is_supply && plus - minus < -BACKWARDS {
            let says =
                format!("{} rests with {} backwards across it", part.id, show::volts(Volts(minus - plus)));
            self.say(
                "reversed",
                &part.id,
                says,
                "exchange its nets under plus and minus, or check what it lies between",
            );
        }
    }

    fn supply(&mut self, part: &Part) {
        let Some(device) = part.device.as_deref().and_then(|d| self.library.device(d)) else { return };
        let ends: Vec<&str> = device.supply.iter().map(|p| p.value.as_str()).collect();
        let [high, low] = ends[..] else { return };
        let (Some(h), Some(l)) = (self.at(part, high), self.at(part, low)) else { return };
        let limit = |name: &str| device.limits.get(name).and_then(|t| t.value.parse::<f64>().ok());
        let volts = h - l;
        let pins = format!("pins {high} and {low}");
        if volts < -BACKWARDS {
            let says = format!(
                "{} has its supply the wrong way round, {} between {pins}",
                part.id,
                show::volts(Volts(volts))
            );
            self.say("chip-supply", &part.id, says, "exchange the nets of its supply pins");
        } else if limit("supply-min").is_some_and(|m| volts < m) {
            let says =
                format!("{} gets {} between {pins}, less than it needs", part.id, show::volts(Volts(volts)));
            self.say(
                "chip-supply",
                &part.id,
                says,
                format!("it wants {} V at least", limit("supply-min").unwrap_or(0.0)),
            );
        } else if limit("supply-max").is_some_and(|m| volts > m * 1.02) {
            let says =
                format!("{} gets {} between {pins}, more than it stands", part.id, show::volts(Volts(volts)));
            self.say(
                "chip-supply",
                &part.id,
                says,
                format!("it stands {} V", limit("supply-max").unwrap_or(0.0)),
            );
        }
    }

    fn transistor(&mut self, part: &Part) {
        if part.kind != "transistor-bipolar" || part.role.as_deref() != Some("gain-transistor") {
            return;
        }
        let (Some(c), Some(b), Some(e)) = (self.at(part, "c"), self.at(part, "b"), self.at(part, "e")) else {
            return;
        };
        let Some(device) = part.device.as_deref().and_then(|d| self.library.device(d)) else { return };
        let sign = if device.elements.iter().any(|(_, x)| x.kind.value == "pnp") { -1.0 } else { 1.0 };
        let (vbe, vce) = (sign * (b - e), sign * (c - e));
        let state = match () {
            () if vce < -BACKWARDS => "stands with collector and emitter exchanged",
            () if vbe < DRIVEN && vce > 1.0 && !is_germanium(device.says.as_str()) => "rests cut off",
            () if vce < SATURATED => "rests saturated",
            () => return,
        };
        let order = device.packages.iter().next().map_or(String::new(), |(_, o)| {
            format!(" (the legs stand {})", o.iter().map(|p| p.value.as_str()).collect::<Vec<_>>().join(", "))
        });
        let says = format!(
            "{} {state}: base {}, collector {} against the emitter",
            part.id,
            show::volts(Volts(b - e)),
            show::volts(Volts(c - e))
        );
        let help = format!(
            "nets are listed as c, b, e or by name, whatever the order of its legs{order}; else check its bias"
        );
        self.say("bias", &part.id, says, help);
    }

    fn amplifiers(&mut self, part: &Part) {
        let Some(device) = part.device.as_deref().and_then(|d| self.library.device(d)) else { return };
        let lfo = part.role.as_deref().is_some_and(|r| r.starts_with("lfo"));
        for (_, element) in device.elements.iter().filter(|(_, e)| e.kind.value == "amplifier" && !lfo) {
            let nodes: Vec<Option<f64>> = element.nodes.iter().map(|n| self.at(part, &n.value)).collect();
            let [Some(plus), Some(minus), Some(out), Some(high), Some(low)] = nodes[..] else { continue };
            let room = (high - low) * AT_RAIL;
            // One whose inputs agree is where its feedback wants it, be that a rail.
            let apart = (plus - minus).abs() > 0.05;
            if (out > high - room.max(1.9) || out < low + room.min(1.9)) && apart && high - low > 3.0 {
                let pin = element.nodes.get(2).map_or("", |n| n.value.as_str());
                let says =
                    format!("{} rests with output {pin} at a rail, {}", part.id, show::volts(Volts(out)));
                self.say(
                    "at-rail",
                    &part.id,
                    says,
                    "an oscillator does; else its inputs are exchanged, or one has no bias",
                );
            }
        }
    }

    /// Amplifiers whose output leads nowhere: tied as a follower between the rails they rest; left free they don't.
    fn unused(&mut self, part: &Part) {
        let Some(device) = part.device.as_deref().and_then(|d| self.library.device(d)) else { return };
        for (_, element) in device.elements.iter().filter(|(_, e)| e.kind.value == "amplifier") {
            let nodes: Vec<&str> = element.nodes.iter().map(|n| n.value.as_str()).collect();
            let [plus, minus, out, high, low] = nodes[..] else { continue };
            if [plus, minus, out].iter().any(|n| part.pins.iter().all(|p| p.name != *n)) {
                continue;
            }
            let net = |pin: &str| part.pins.iter().find(|p| p.name == pin)?.net.clone();
            let own = |net: &str| {
                let others = self.board.pins_on(net).len();
                others - part.pins.iter().filter(|p| p.net.as_deref() == Some(net)).count()
            };
            let leads_on = |net: &str| own(net) > 0 || self.board.signal().is_some_and(|s| s.output == net);
            if net(out).is_some_and(|n| leads_on(&n)) {
                continue;
            }
            let pins = format!("pins {plus}, {minus} and {out}");
            let follows = net(out).is_some() && net(out) == net(minus);
            let room = match (self.at(part, plus), self.at(part, high), self.at(part, low)) {
                (Some(p), Some(h), Some(l)) => (h - l) * AT_RAIL < p - l && p - l < (h - l) * (1.0 - AT_RAIL),
                _ => false,
            };
            match (net(plus), follows && room) {
                (Some(rest), true) => self.found.fine.push(format!(
                    "{}: its amplifier at {pins} is not used and tied as it should be, {out} to {minus} and {plus} to {rest}",
                    part.id
                )),
                _ => {
                    let help = format!(
                        "tie {out} to {minus}, and {plus} to the half supply (ground where there are two supplies); an amplifier with free inputs swings or sits at a rail, draws more and can be heard"
                    );
                    let says = format!("{}: its amplifier at {pins} is not used and not tied", part.id);
                    self.say("unused-amplifier", &part.id, says, help);
                }
            }
        }
    }

    /// Whether what goes in comes out.
    fn way(&mut self) {
        let Some(signal) = self.board.signal() else { return };
        let check = CheckId::Level(signal.output.clone());
        let Ok(mut predictor) = Predictor::new(self.board, Bench::default()) else { return };
        let Ok(levels) = predictor.predict(&[], std::slice::from_ref(&check)) else { return };
        if levels.get(&check).is_some_and(|level| level.mean < INAUDIBLE) {
            let says = format!("of a tone put in at {} nothing comes out at {}", signal.input, signal.output);
            self.say(
                "no-way",
                &signal.output,
                says,
                "a part on the way has an end that leads nowhere, a control stands at nought, or in and out are other nets; 'halfsplit board show' draws the way",
            );
        }
    }

    fn names(&mut self) {
        let board = self.board;
        for net in board.nets() {
            if board.parts().iter().any(|p| p.id == *net) {
                let says = format!("the net '{net}' is called like a part");
                self.say(
                    "confusing-name",
                    net,
                    says,
                    "call the net after its pin or its place, so that a reading names one thing",
                );
            }
            if let Some(other) = board.nets().iter().find(|o| *o < net && o.eq_ignore_ascii_case(net)) {
                let says = format!("the nets '{other}' and '{net}' differ in case only");
                self.say("confusing-name", net, says, "give one of them another name");
            }
        }
        if board.signal().is_none() {
            let says = "the board has no 'signal', so that no level can be predicted".to_owned();
            self.say(
                "no-signal",
                board.name(),
                says,
                "add 'signal: {in: NET, out: NET, tone: {freq: 1kHz, level: 50mV}}'",
            );
        }
        let odd = |x: &str| notation::volts(x).is_ok_and(|v| v.0 > 1.0);
        for part in board.parts().iter().filter(|p| odd(&p.id)) {
            let says = format!("the part '{}' is called like a voltage", part.id);
            self.say("confusing-name", &part.id, says, "give it a designator such as R1");
        }
    }
}

fn is_germanium(says: &str) -> bool {
    says.to_lowercase().contains("germanium")
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, clippy::panic)]
    use super::*;
    use crate::text::Source;

    /// A follower with the pins of its other amplifier as given, and what is said of it.
    fn looked(other: &str, coupling: &str) -> Looked {
        let text = format!(
            "board: Half Used\nbuild: pcb\nground: GND\n\
             supply: [{{name: main, plus: V9, minus: GND, volts: 9V, source: battery}}]\n\
             signal: {{in: IN, out: OUT, tone: {{freq: 1kHz, level: 50mV}}}}\nparts:\n  \
             R1: {{kind: resistor, value: 10k, nets: [V9, VB]}}\n  R2: {{kind: resistor, value: 10k, nets: [VB, GND]}}\n  \
             R3: {{kind: resistor, value: 470k, nets: [VB, PA]}}\n  C1: {{kind: film, value: 100n, nets: [IN, PA]}}\n  \
             IC1: {{device: TL072, nets: {{1: OA, 2: OA, 3: PA, 4: GND, 8: V9, {other}}}}}\n  \
             C2: {{kind: film, value: 1u, nets: [OA, {coupling}]}}\n  R4: {{kind: resistor, value: 100k, nets: [OUT, GND]}}\n  \
             R5: {{kind: resistor, value: 1M, nets: [{coupling}, GND]}}\n  R6: {{kind: resistor, value: 1M, nets: [OUT, GND]}}\n  \
             R7: {{kind: resistor, value: 1M, nets: [IN, GND]}}\n"
        );
        let library = Library::builtin().unwrap();
        let board = Board::load(&Source::new("half.yaml", text), &library);
        advice(&board.unwrap_or_else(|e| panic!("{}", e.render(false))), &library).unwrap()
    }

    #[test]
    fn an_amplifier_that_is_not_used_is_told_of() {
        for other in ["5: nc, 6: nc, 7: nc", "5: GND, 6: NB, 7: NB", "5: VB, 6: VB, 7: nc"] {
            let looked = looked(other, "OUT");
            let codes: Vec<(&str, &str)> = looked.advice.iter().map(|a| (a.code, a.about.as_str())).collect();
            assert!(codes.contains(&("unused-amplifier", "IC1")), "{other}: {codes:?}");
            assert!(looked.fine.is_empty(), "{other}: {:?}", looked.fine);
        }
        let parked = looked("5: VB, 6: NB, 7: NB", "OUT");
        assert_eq!(parked.advice, []);
        assert_eq!(
            parked.fine,
            [
                "IC1: its amplifier at pins 5, 6 and 7 is not used and tied as it should be, 7 to 6 and 5 to VB"
            ]
        );
        let used = looked("5: OA, 6: OB, 7: OB", "OB");
        assert_eq!(
            (used.fine.len(), used.advice.iter().filter(|a| a.code == "unused-amplifier").count()),
            (0, 0)
        );
    }

    #[test]
    fn a_way_that_is_broken_is_told_of() {
        let codes = |looked: Looked| looked.advice.iter().map(|a| a.code).collect::<Vec<_>>();
        assert_eq!(codes(looked("5: VB, 6: NB, 7: NB", "OTHER")), ["no-way"]);
    }
}
