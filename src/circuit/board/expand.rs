//! A card or kind with its numbers filled in: from elements as written to primitives.
//!
//! Every number of a card is a parameter, so that tolerance and many faults need no rule of their own: the card is built again with
//! another number, and what differs is the edit.

use super::super::edit::Edit;
use super::super::network::{
    BjtModel, Breakdown, Control, DiodeModel, ElementId, JfetModel, Law, MosfetModel, Node, Noise, Parameter,
    Polarity, Primitive, Ramp,
};
use crate::rules::parts::{self, Corner, Element, Library, NoiseRule, Term};
use crate::text::{At, Named};
use std::collections::BTreeMap;
use thiserror::Error;

/// Why a card could not be built. Cards are checked when they are loaded; what is left are values outside reason.
#[derive(Clone, Debug, PartialEq, Eq, Error)]
pub enum CardError {
    /// A name that the card's checks should have caught.
    #[error("'{name}' is not known in {place}")]
    Unknown {
        /// The name.
        name: String,
        /// Element it stands in.
        place: String,
    },
    /// Shapes inside shapes without end.
    #[error("shapes are nested too deeply at {place}")]
    TooDeep {
        /// Element it stands in.
        place: String,
    },
}

/// Thermal voltage at 27 C, volts; the solver works at that temperature.
const VT: f64 = 0.025_864_9;
/// A closed and an open contact, ohms (common practice, no source).
const CLOSED_OHMS: f64 = 0.05;
const OPEN_CONTACT_OHMS: f64 = 1e10;
const ROUNDNESS: f64 = 1e-4;

/// Where a terminal goes.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub(super) enum Goes {
    /// To a pin of the part, by position.
    Pin(usize),
    /// To a node inside the part.
    Inner(String),
}

/// An element of a part: everything but the nodes it ends up on.
#[derive(Clone, Debug)]
pub(super) struct Blank {
    /// Path under the part, such as `a.gm`.
    pub(super) name: String,
    pub(super) goes: Vec<Goes>,
    pub(super) primitive: Primitive,
    pub(super) powered: bool,
    pub(super) noise: Noise,
}

impl Blank {
    /// Whether it makes noise that a fault could raise: more than the thermal noise of a resistance.
    pub(super) fn has_noise(&self) -> bool {
        let junction = matches!(
            self.primitive,
            Primitive::Diode { .. }
                | Primitive::Bjt { .. }
                | Primitive::Jfet { .. }
                | Primitive::Mosfet { .. }
        );
        let n = &self.noise;
        (junction && !n.silent) || n.density > 0.0 || n.excess > 0.0 || n.tone[0] > 0.0
    }
}

/// A number changed from what the card says.
#[derive(Clone, Debug)]
pub(super) enum Tweak {
    /// A parameter of the body at a path (`` for the part itself, `a` for a section).
    Parameter { path: String, name: String, to: To },
    /// Every contact closed or open.
    Contacts { closed: bool },
}

#[derive(Clone, Copy, Debug)]
pub(super) enum To {
    Value(f64),
    Times(f64),
    Plus(f64),
}

impl To {
    fn of(self, old: f64) -> f64 {
        match self {
            Self::Value(x) => x,
            Self::Times(k) => old * k,
            Self::Plus(d) => old + d,
        }
    }
}

/// What is needed to build one part, and to build it again with another number.
#[derive(Clone, Debug)]
pub(super) struct Recipe {
    pub(super) elements: Named<Element>,
    pub(super) pins: Vec<String>,
    pub(super) parameters: BTreeMap<String, f64>,
    /// Share of the track below the wiper, for controls.
    pub(super) wiper: Option<f64>,
    /// Pairs of terminals that any position joins, and whether this one does.
    pub(super) contacts: Vec<((usize, usize), bool)>,
}

impl Recipe {
    /// The part's elements, in an order that tweaks don't change.
    pub(super) fn blanks(&self, library: &Library, tweak: Option<&Tweak>) -> Result<Vec<Blank>, CardError> {
        let mut parameters = self.parameters.clone();
        tweak_into(&mut parameters, "", tweak);
        if let (Some(share), Some(value)) = (self.wiper, parameters.get("value").copied()) {
            // A wiper stops a little short of either end.
            let end = (value * 1e-3).max(0.5);
            let share = (share + parameters.get("law").copied().unwrap_or(0.0)).clamp(0.0, 1.0);
            parameters.insert("lower".into(), (value * share).max(end));
            parameters.insert("upper".into(), (value * (1.0 - share)).max(end));
        }
        if let (Some(leakage), Some(value)) = (parameters.get("leakage"), parameters.get("value")) {
            parameters.insert("leak".into(), leakage / value);
        }
        let env = self.pins.iter().enumerate().map(|(i, p)| (p.clone(), Goes::Pin(i))).collect();
        let mut out = Vec::new();
        let body = Body { library, tweak, depth: 0 };
        body.build(&self.elements, &env, &parameters, "", &mut out)?;
        for ((a, b), closed) in &self.contacts {
            let closed = match tweak {
                Some(Tweak::Contacts { closed }) => *closed,
                _ => *closed,
            };
            out.push(Blank {
                name: format!("contact{a}{b}"),
                goes: vec![Goes::Pin(*a), Goes::Pin(*b)],
                primitive: resistor(if closed { CLOSED_OHMS } else { OPEN_CONTACT_OHMS }),
                powered: false,
                noise: Noise::default(),
            });
        }
        Ok(out)
    }

    /// What a tweak changes, as edits of the elements with these ids (in the order of [`Recipe::blanks`]).
    pub(super) fn edits(
        &self,
        library: &Library,
        ids: &[ElementId],
        tweak: &Tweak,
    ) -> Result<Vec<Edit>, CardError> {
        let changes = self.changes(library, ids, tweak)?;
        Ok(changes
            .into_iter()
            .map(|c| Edit::Set { element: c.element, parameter: c.parameter, value: c.to })
            .collect())
    }

    /// The same as numbers: which parameter moves, from what to what.
    pub(super) fn changes(
        &self,
        library: &Library,
        ids: &[ElementId],
        tweak: &Tweak,
    ) -> Result<Vec<Change>, CardError> {
        let (before, after) = (self.blanks(library, None)?, self.blanks(library, Some(tweak))?);
        let mut changes = Vec::new();
        for ((old, new), element) in before.iter().zip(&after).zip(ids) {
            for parameter in numbers_of(&old.primitive) {
                let (a, b) = (old.primitive.parameter(parameter), new.primitive.parameter(parameter));
                if let (Some(from), Some(to)) = (a, b)
                    && from != to
                {
                    changes.push(Change { element: *element, parameter, from, to });
                }
            }
        }
        Ok(changes)
    }
}

/// One number of one element that moves.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Change {
    pub(super) element: ElementId,
    pub(super) parameter: Parameter,
    pub(super) from: f64,
    pub(super) to: f64,
}

fn numbers_of(primitive: &Primitive) -> Vec<Parameter> {
    use Parameter as P;
    let mut all = vec![
        P::Value,
        P::Is,
        P::Ideality,
        P::SeriesOhms,
        P::BreakdownVolts,
        P::Bf,
        P::Br,
        P::Vaf,
        P::Vto,
        P::Transconductance,
        P::Lambda,
        P::Offset,
    ];
    if let Primitive::ControlledVoltage { law, .. } | Primitive::ControlledCurrent { law, .. } = primitive {
        all.extend((0..law.controls.len()).map(P::Gain));
        all.extend((0..law.ramps.len()).flat_map(|n| [P::RampScale(n), P::RampOffset(n)]));
    }
    all
}

fn tweak_into(parameters: &mut BTreeMap<String, f64>, at: &str, tweak: Option<&Tweak>) {
    if let Some(Tweak::Parameter { path, name, to }) = tweak
        && path == at
        && let Some(value) = parameters.get_mut(name)
    {
        *value = to.of(*value);
    }
}

struct Body<'a> {
    library: &'a Library,
    tweak: Option<&'a Tweak>,
    depth: usize,
}

type Env = BTreeMap<String, Goes>;

impl Body<'_> {
    fn build(
        &self,
        elements: &Named<Element>,
        env: &Env,
        parameters: &BTreeMap<String, f64>,
        path: &str,
        out: &mut Vec<Blank>,
    ) -> Result<(), CardError> {
        for (name, element) in elements.iter() {
            let inner = if path.is_empty() { name.value.clone() } else { format!("{path}.{}", name.value) };
            let place = Place { env, parameters, path, name: &inner };
            match parts::fields_of(&element.kind.value) {
                Some(_) => out.push(primitive(element, &place)?),
                None => self.shape(element, &place, out)?,
            }
        }
        Ok(())
    }

    fn shape(&self, element: &Element, place: &Place<'_>, out: &mut Vec<Blank>) -> Result<(), CardError> {
        let shape =
            self.library.shape(&element.kind.value).ok_or_else(|| place.unknown(&element.kind.value))?;
        if self.depth > 4 {
            return Err(CardError::TooDeep { place: place.name.to_owned() });
        }
        let mut parameters: BTreeMap<String, f64> =
            shape.parameters.iter().map(|(k, p)| (k.value.clone(), p.typical)).collect();
        for (name, text) in &element.with {
            parameters.insert(name.clone(), place.slot("shape", &text.value)?);
        }
        tweak_into(&mut parameters, place.name, self.tweak);
        let env = shape
            .ports
            .iter()
            .zip(&element.nodes)
            .map(|(p, n)| (p.value.clone(), place.node(&n.value)))
            .collect();
        let deeper = Body { depth: self.depth + 1, ..*self };
        deeper.build(&shape.elements, &env, &parameters, place.name, out)
    }
}

struct Place<'a> {
    env: &'a Env,
    parameters: &'a BTreeMap<String, f64>,
    /// Path of the body the element is in.
    path: &'a str,
    /// Path of the element itself.
    name: &'a str,
}

impl Place<'_> {
    fn unknown(&self, name: &str) -> CardError {
        CardError::Unknown { name: name.to_owned(), place: self.name.to_owned() }
    }

    fn node(&self, name: &str) -> Goes {
        let inner = || {
            Goes::Inner(if self.path.is_empty() { name.to_owned() } else { format!("{}.{name}", self.path) })
        };
        self.env.get(name).cloned().unwrap_or_else(inner)
    }

    fn slot(&self, kind: &str, text: &str) -> Result<f64, CardError> {
        let (sign, bare) = match text.strip_prefix('-') {
            Some(rest) if rest.starts_with('$') => (-1.0, rest),
            _ => (1.0, text),
        };
        let found = match bare.strip_prefix('$') {
            Some(name) => self.parameters.get(name).copied(),
            None => parts::number(kind, bare),
        };
        found.map(|x| sign * x).ok_or_else(|| self.unknown(text))
    }
}

/// Numbers of one element by name, absent ones as the primitive has them (NaN: not there).
struct Numbers<'a> {
    element: &'a Element,
    place: &'a Place<'a>,
}

impl Numbers<'_> {
    fn get(&self, name: &str) -> Result<f64, CardError> {
        let kind = &self.element.kind.value;
        if let Some(text) = self.element.with.get(name) {
            return self.place.slot(kind, &text.value);
        }
        let usual = parts::fields_of(kind)
            .and_then(|p| p.numbers.iter().find(|(n, _)| *n == name))
            .and_then(|(_, d)| *d);
        usual.ok_or_else(|| self.place.unknown(name))
    }

    fn given(&self, name: &str) -> Result<Option<f64>, CardError> {
        self.get(name).map(|x| (!x.is_nan()).then_some(x))
    }
}

fn primitive(element: &Element, place: &Place<'_>) -> Result<Blank, CardError> {
    let n = Numbers { element, place };
    let kind = element.kind.value.as_str();
    let polarity = if kind.starts_with('p') { Polarity::P } else { Polarity::N };
    let (a, b, c) = (Node::GROUND, Node::GROUND, Node::GROUND);
    let primitive = match kind {
        "resistor" => resistor(n.get("value")?),
        "capacitor" => Primitive::Capacitor { a, b, farads: n.get("value")? },
        "inductor" => Primitive::Inductor { a, b, henries: n.get("value")? },
        "diode" => Primitive::Diode { anode: a, cathode: b, model: diode(&n)? },
        "npn" | "pnp" => Primitive::Bjt { collector: a, base: b, emitter: c, polarity, model: bipolar(&n)? },
        "n-jfet" | "p-jfet" => {
            let vp = n.get("vp")?;
            let beta = match n.given("beta")? {
                Some(beta) => beta,
                None => n.get("idss")? / (vp * vp),
            };
            let model = JfetModel { vto: vp, beta, lambda: n.get("lambda")?, is: n.get("gate-is")? };
            Primitive::Jfet { drain: a, gate: b, source: c, polarity, model }
        }
        "n-mosfet" | "p-mosfet" => {
            let model = MosfetModel { vto: n.get("vth")?, kp: n.get("kp")?, lambda: n.get("lambda")? };
            Primitive::Mosfet { drain: a, gate: b, source: c, polarity, model }
        }
        "voltage" if element.terms.is_empty() && element.corners.is_empty() => {
            Primitive::VoltageSource { plus: a, minus: b, dc: n.get("offset")?, ac: 0.0 }
        }
        "current" if element.terms.is_empty() && element.corners.is_empty() => {
            Primitive::CurrentSource { from: a, to: b, dc: n.get("offset")?, ac: 0.0 }
        }
        "voltage" => Primitive::ControlledVoltage { plus: a, minus: b, law: law(&n)? },
        _ => Primitive::ControlledCurrent { from: a, to: b, law: law(&n)? },
    };
    let listened =
        element.terms.iter().chain(element.corners.iter().flat_map(|c| &c.terms)).flat_map(|t| &t.of);
    let goes = element.nodes.iter().chain(listened).map(|node| place.node(&node.value)).collect();
    let noise = element.noise.as_ref().map_or(Ok(Noise::default()), |rule| noise(rule, place))?;
    Ok(Blank { name: place.name.to_owned(), goes, primitive, powered: element.powered, noise })
}

fn noise(rule: &NoiseRule, place: &Place<'_>) -> Result<Noise, CardError> {
    let figure = |text: &Option<At<String>>| -> Result<Option<f64>, CardError> {
        text.as_ref().map(|t| place.slot("noise", &t.value)).transpose()
    };
    let tone = match &rule.tone {
        Some([hertz, strength]) => {
            [place.slot("noise", &hertz.value)?, place.slot("noise", &strength.value)?]
        }
        None => [0.0; 2],
    };
    Ok(Noise {
        silent: rule.silent,
        density: figure(&rule.density)?.unwrap_or(0.0) * rule.times.unwrap_or(1.0),
        corner: figure(&rule.corner)?.unwrap_or(0.0),
        base_ohms: figure(&rule.base_ohms)?.unwrap_or(0.0),
        excess: figure(&rule.index_db)?.map_or(0.0, |db| 1e-6 * 10f64.powf(db / 20.0)),
        tone,
        factor: 1.0,
    })
}

pub(super) fn resistor(ohms: f64) -> Primitive {
    Primitive::Resistor { a: Node::GROUND, b: Node::GROUND, ohms }
}

/// Saturation current of a junction that drops `volts` at `amps`: `is = amps / (exp(volts / (n VT)) - 1)`.
fn saturation(volts: f64, amps: f64, ideality: f64) -> f64 {
    amps / (volts / (ideality * VT)).exp_m1()
}

fn diode(n: &Numbers<'_>) -> Result<DiodeModel, CardError> {
    let (ideality, series_ohms, at) = (n.get("ideality")?, n.get("series")?, n.get("at")?);
    let is = match n.given("is")? {
        Some(is) => is,
        None => saturation(n.get("volts")? - at * series_ohms, at, ideality),
    };
    let breakdown = n.given("breakdown")?.map(|volts| -> Result<Breakdown, CardError> {
        Ok(Breakdown { volts, amps: n.get("breakdown-at")?, ideality: n.get("breakdown-ideality")? })
    });
    Ok(DiodeModel { is, ideality, series_ohms, breakdown: breakdown.transpose()? })
}

fn bipolar(n: &Numbers<'_>) -> Result<BjtModel, CardError> {
    let is = match n.given("is")? {
        Some(is) => is,
        None => saturation(n.get("vbe")?, n.get("at")?, 1.0),
    };
    Ok(BjtModel { is, bf: n.get("hfe")?, br: n.get("reverse-hfe")?, vaf: n.get("early")? })
}

fn law(n: &Numbers<'_>) -> Result<Law, CardError> {
    let terms = |terms: &[Term]| -> Result<Vec<Control>, CardError> {
        let one = |t: &Term| {
            let gain = n.place.slot("voltage", &t.gain.value)?;
            Ok(Control { plus: Node::GROUND, minus: Node::GROUND, gain })
        };
        terms.iter().map(one).collect()
    };
    let corner = |c: &Corner| -> Result<Ramp, CardError> {
        Ok(Ramp {
            scale: n.place.slot("voltage", &c.scale.value)?,
            offset: n.place.slot("voltage", &c.offset.value)?,
            controls: terms(&c.terms)?,
            roundness: c.roundness.unwrap_or(ROUNDNESS),
        })
    };
    let element = n.element;
    Ok(Law {
        offset: n.get("offset")?,
        controls: terms(&element.terms)?,
        ramps: element.corners.iter().map(corner).collect::<Result<_, _>>()?,
    })
}
