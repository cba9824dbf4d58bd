//! The network: nodes, named elements, and the primitives every device card is stated in.
//!
//! A [`Network`] is plain data. It is built once per board, checked as it is built (each `add` validates values and nodes), and never
//! solved in place: the solvers read it, and faults are [`super::edit::Edit`]s applied beside it.
//!
//! Absent: node voltages, solver state, tolerances (see [`super::tolerance`]), anything that knows what a "part" is. By convention the
//! elements a part expands to are called `PART` or `PART.inner`, so that messages and [`Network::elements_of`] can find them.

use std::collections::BTreeMap;

use thiserror::Error;

/// What is wrong with a network under construction.
#[derive(Debug, Clone, PartialEq, Error)]
pub enum NetworkError {
    /// A value is out of its range, e.g. a resistor of 0 ohm.
    #[error("element {element}: {parameter} is {value}, but {rule}")]
    BadValue {
        /// Name of the element.
        element: String,
        /// The value's name, in the words of [`Parameter`].
        parameter: &'static str,
        /// The value as given.
        value: f64,
        /// What it must be.
        rule: &'static str,
    },
    /// Two elements share a name.
    #[error("element {element} is in the network twice")]
    DuplicateElement {
        /// The name.
        element: String,
    },
    /// A node id that this network did not hand out.
    #[error("element {element} names node {index}, but the network has only {nodes} nodes")]
    UnknownNode {
        /// Name of the element.
        element: String,
        /// The node's index.
        index: usize,
        /// Nodes in the network, ground included.
        nodes: usize,
    },
    /// An element id that this network did not hand out.
    #[error("there is no element number {index} in this network")]
    UnknownElement {
        /// The element's index.
        index: usize,
    },
    /// A terminal number that the element does not have.
    #[error("element {element} has {terminals} terminals, so there is no terminal {index}")]
    UnknownTerminal {
        /// Name of the element.
        element: String,
        /// The number asked for, counted from 0.
        index: usize,
        /// How many it has.
        terminals: usize,
    },
    /// A parameter that the element does not have, e.g. the current gain of a resistor.
    #[error("element {element} has no parameter called {parameter}")]
    NoSuchParameter {
        /// Name of the element.
        element: String,
        /// The parameter's name.
        parameter: &'static str,
    },
}

/// A node of a network: an index handed out by [`Network::node`]. Ground is node 0 of every network.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Node(pub(crate) u32);

impl Node {
    /// The reference node. Its voltage is 0 V by definition.
    pub const GROUND: Node = Node(0);

    /// Position of this node in the network's node list; ground is 0.
    pub fn index(self) -> usize {
        self.0 as usize
    }

    /// Whether this is the reference node.
    pub fn is_ground(self) -> bool {
        self.0 == 0
    }
}

/// An element of a network: an index handed out by [`Network::add`].
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct ElementId(pub(crate) u32);

impl ElementId {
    /// Position of this element in the network's element list.
    pub fn index(self) -> usize {
        self.0 as usize
    }
}

/// One terminal of one element, counted from 0 in the order of [`Primitive::terminals`].
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Terminal {
    /// The element.
    pub element: ElementId,
    /// The terminal's number.
    pub index: usize,
}

/// Where an element lives, which decides what is taken off before an ohms check.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Default)]
pub enum Place {
    /// On the board: always there.
    #[default]
    Board,
    /// The battery or adaptor with its inner resistance: out of the socket for ohms checks.
    Supply,
    /// Bench gear other than the supply (tone source, load): unplugged for ohms checks too.
    Bench,
}

/// Which way round a three-terminal semiconductor is made.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Polarity {
    /// NPN, N-channel.
    N,
    /// PNP, P-channel.
    P,
}

impl Polarity {
    /// +1 for N, -1 for P: every voltage and current of the N device is multiplied by this.
    pub fn sign(self) -> f64 {
        match self {
            Polarity::N => 1.0,
            Polarity::P => -1.0,
        }
    }
}

/// Reverse breakdown of a junction: `I = -amps * exp(-(V + volts) / (ideality * VT))`, so `amps` flow at `volts`.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Breakdown {
    /// Breakdown voltage, > 0, volts.
    pub volts: f64,
    /// Current at that voltage, > 0, amps.
    pub amps: f64,
    /// Emission coefficient of the breakdown branch, > 0; 1 is sharp, a soft low-voltage zener has more.
    pub ideality: f64,
}

/// Junction diode: `I = is * (exp(V / (ideality * VT)) - 1)` in series with `series_ohms`.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct DiodeModel {
    /// Saturation current, > 0, amps.
    pub is: f64,
    /// Emission coefficient, > 0.
    pub ideality: f64,
    /// Series resistance, >= 0, ohms.
    pub series_ohms: f64,
    /// Reverse breakdown, for zeners.
    pub breakdown: Option<Breakdown>,
}

/// Bipolar transistor, transport form of the Ebers-Moll model with forward Early voltage.
///
/// `ic = (ibe - ibc) * (1 - vbc / vaf) - ibc / br`, `ib = ibe / bf + ibc / br`, `ibx = is * (exp(vbx / VT) - 1)`.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct BjtModel {
    /// Transport saturation current, > 0, amps.
    pub is: f64,
    /// Forward current gain, > 0.
    pub bf: f64,
    /// Reverse current gain, > 0.
    pub br: f64,
    /// Forward Early voltage, > 0, volts; infinite for none.
    pub vaf: f64,
}

/// Junction FET: square law (Shichman-Hodges) with two gate junctions.
///
/// Saturation: `id = beta * (vgs - vto)^2 * (1 + lambda * vds)`; IDSS is `beta * vto^2`.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct JfetModel {
    /// Pinch-off voltage, volts; negative for a usual device of either polarity (a P device is turned round as a whole).
    pub vto: f64,
    /// Transconductance parameter, > 0, A/V^2.
    pub beta: f64,
    /// Channel-length modulation, >= 0, 1/V.
    pub lambda: f64,
    /// Gate junction saturation current, >= 0, amps.
    pub is: f64,
}

/// MOSFET, level 1 without body effect (the body is tied to the source; a card adds the body diode as a [`Primitive::Diode`]).
///
/// Saturation: `id = kp / 2 * (vgs - vto)^2 * (1 + lambda * vds)`.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct MosfetModel {
    /// Threshold voltage, volts; positive for an enhancement device of either polarity (a P device is turned round as a whole).
    pub vto: f64,
    /// Transconductance parameter times W/L, > 0, A/V^2.
    pub kp: f64,
    /// Channel-length modulation, >= 0, 1/V.
    pub lambda: f64,
}

/// One linear term of a controlled source: `gain * (V(plus) - V(minus))`.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Control {
    /// Node counted positive.
    pub plus: Node,
    /// Node counted negative.
    pub minus: Node,
    /// Volts per volt, or amps per volt in a current source.
    pub gain: f64,
}

/// One smooth corner of a controlled source: `scale * softpos(offset + sum of controls)` with
/// `softpos(x) = (x + sqrt(x^2 + roundness)) / 2`, a smooth `max(x, 0)`.
#[derive(Debug, Clone, PartialEq)]
pub struct Ramp {
    /// Factor on the corner (output units per volt).
    pub scale: f64,
    /// Constant inside the corner, volts.
    pub offset: f64,
    /// Linear terms inside the corner.
    pub controls: Vec<Control>,
    /// Roundness of the corner, > 0, volts squared; 0.01 rounds it over about 0.1 V.
    pub roundness: f64,
}

/// What a controlled source puts out: `offset + sum of controls + sum of ramps`. Linear when there are no ramps.
///
/// A smooth minimum is `min(a, b) = a - softpos(a - b)`, a smooth maximum `max(a, b) = b + softpos(a - b)`.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Law {
    /// Constant part, volts or amps.
    pub offset: f64,
    /// Linear terms.
    pub controls: Vec<Control>,
    /// Smooth corners.
    pub ramps: Vec<Ramp>,
}

/// What an element is. All values are in SI base units.
#[derive(Debug, Clone, PartialEq)]
pub enum Primitive {
    /// Resistor; also any switch, link or leak.
    Resistor {
        /// First terminal.
        a: Node,
        /// Second terminal.
        b: Node,
        /// Resistance, > 0, ohms.
        ohms: f64,
    },
    /// Capacitor: open at DC.
    Capacitor {
        /// First terminal.
        a: Node,
        /// Second terminal.
        b: Node,
        /// Capacitance, >= 0, farads.
        farads: f64,
    },
    /// Inductor: a short at DC (give a coil its wire resistance as a resistor in series).
    Inductor {
        /// First terminal.
        a: Node,
        /// Second terminal.
        b: Node,
        /// Inductance, >= 0, henries.
        henries: f64,
    },
    /// Independent voltage source.
    VoltageSource {
        /// Positive terminal.
        plus: Node,
        /// Negative terminal.
        minus: Node,
        /// DC value, volts.
        dc: f64,
        /// Small-signal amplitude, volts, phase 0.
        ac: f64,
    },
    /// Independent current source: pushes `dc` from `from` through itself into `to`.
    CurrentSource {
        /// The node current is taken from.
        from: Node,
        /// The node current is pushed into.
        to: Node,
        /// DC value, amps.
        dc: f64,
        /// Small-signal amplitude, amps, phase 0.
        ac: f64,
    },
    /// Controlled voltage source: `V(plus) - V(minus) = law`.
    ControlledVoltage {
        /// Positive terminal.
        plus: Node,
        /// Negative terminal.
        minus: Node,
        /// What it puts out, volts.
        law: Law,
    },
    /// Controlled current source: pushes `law` amps from `from` through itself into `to`.
    ControlledCurrent {
        /// The node current is taken from.
        from: Node,
        /// The node current is pushed into.
        to: Node,
        /// What it puts out, amps.
        law: Law,
    },
    /// Junction diode, LED or zener.
    Diode {
        /// Anode.
        anode: Node,
        /// Cathode.
        cathode: Node,
        /// Its model.
        model: DiodeModel,
    },
    /// Bipolar transistor.
    Bjt {
        /// Collector.
        collector: Node,
        /// Base.
        base: Node,
        /// Emitter.
        emitter: Node,
        /// NPN or PNP.
        polarity: Polarity,
        /// Its model.
        model: BjtModel,
    },
    /// Junction FET.
    Jfet {
        /// Drain.
        drain: Node,
        /// Gate.
        gate: Node,
        /// Source.
        source: Node,
        /// N- or P-channel.
        polarity: Polarity,
        /// Its model.
        model: JfetModel,
    },
    /// MOSFET.
    Mosfet {
        /// Drain.
        drain: Node,
        /// Gate.
        gate: Node,
        /// Source.
        source: Node,
        /// N- or P-channel.
        polarity: Polarity,
        /// Its model.
        model: MosfetModel,
    },
}

/// A number of an element that a fault may set or a tolerance may spread.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Parameter {
    /// Ohms, farads, henries, or the DC volts or amps of an independent source.
    Value,
    /// Small-signal amplitude of an independent source.
    Ac,
    /// Saturation current of a diode, BJT or JFET gate.
    Is,
    /// Emission coefficient of a diode.
    Ideality,
    /// Series resistance of a diode.
    SeriesOhms,
    /// Breakdown voltage of a diode that has one.
    BreakdownVolts,
    /// Forward current gain of a BJT.
    Bf,
    /// Reverse current gain of a BJT.
    Br,
    /// Early voltage of a BJT.
    Vaf,
    /// Threshold or pinch-off voltage of a FET.
    Vto,
    /// Transconductance parameter of a FET (`beta` or `kp`).
    Transconductance,
    /// Channel-length modulation of a FET.
    Lambda,
    /// Constant part of a controlled source.
    Offset,
    /// Gain of the n-th linear term of a controlled source, from 0.
    Gain(usize),
    /// Scale of the n-th corner of a controlled source, from 0.
    RampScale(usize),
    /// Constant inside the n-th corner of a controlled source, from 0.
    RampOffset(usize),
}

impl Parameter {
    /// The parameter's name in messages.
    pub fn name(self) -> &'static str {
        match self {
            Parameter::Value => "value",
            Parameter::Ac => "ac amplitude",
            Parameter::Is => "saturation current",
            Parameter::Ideality => "ideality",
            Parameter::SeriesOhms => "series resistance",
            Parameter::BreakdownVolts => "breakdown voltage",
            Parameter::Bf => "forward gain",
            Parameter::Br => "reverse gain",
            Parameter::Vaf => "early voltage",
            Parameter::Vto => "threshold voltage",
            Parameter::Transconductance => "transconductance parameter",
            Parameter::Lambda => "channel-length modulation",
            Parameter::Offset => "offset",
            Parameter::Gain(_) => "gain",
            Parameter::RampScale(_) => "corner scale",
            Parameter::RampOffset(_) => "corner offset",
        }
    }
}

impl Law {
    /// All nodes the law listens to, pair by pair, linear terms first, then the corners' terms.
    fn nodes(&self) -> impl Iterator<Item = Node> + '_ {
        let corners = self.ramps.iter().flat_map(|r| r.controls.iter());
        self.controls.iter().chain(corners).flat_map(|c| [c.plus, c.minus])
    }

    fn node_mut(&mut self, index: usize) -> Option<&mut Node> {
        let corners = self.ramps.iter_mut().flat_map(|r| r.controls.iter_mut());
        let control = self.controls.iter_mut().chain(corners).nth(index / 2)?;
        Some(if index % 2 == 0 { &mut control.plus } else { &mut control.minus })
    }
}

impl Primitive {
    /// The nodes of all terminals, in order: as the fields are declared, and for controlled sources the two output terminals, then each
    /// control pair (linear terms first, then corner by corner).
    pub fn terminals(&self) -> Vec<Node> {
        match self {
            Primitive::Resistor { a, b, .. }
            | Primitive::Capacitor { a, b, .. }
            | Primitive::Inductor { a, b, .. } => vec![*a, *b],
            Primitive::VoltageSource { plus, minus, .. } => vec![*plus, *minus],
            Primitive::CurrentSource { from, to, .. } => vec![*from, *to],
            Primitive::ControlledVoltage { plus, minus, law } => {
                [*plus, *minus].into_iter().chain(law.nodes()).collect()
            }
            Primitive::ControlledCurrent { from, to, law } => {
                [*from, *to].into_iter().chain(law.nodes()).collect()
            }
            Primitive::Diode { anode, cathode, .. } => vec![*anode, *cathode],
            Primitive::Bjt { collector, base, emitter, .. } => vec![*collector, *base, *emitter],
            Primitive::Jfet { drain, gate, source, .. } | Primitive::Mosfet { drain, gate, source, .. } => {
                vec![*drain, *gate, *source]
            }
        }
    }

    /// The node of one terminal, to be changed; `None` past the last.
    pub fn terminal_mut(&mut self, index: usize) -> Option<&mut Node> {
        match self {
            Primitive::Resistor { a, b, .. }
            | Primitive::Capacitor { a, b, .. }
            | Primitive::Inductor { a, b, .. } => [a, b].into_iter().nth(index),
            Primitive::VoltageSource { plus, minus, .. } => [plus, minus].into_iter().nth(index),
            Primitive::CurrentSource { from, to, .. } => [from, to].into_iter().nth(index),
            Primitive::ControlledVoltage { plus: first, minus: second, law }
            | Primitive::ControlledCurrent { from: first, to: second, law } => match index {
                0 => Some(first),
                1 => Some(second),
                _ => law.node_mut(index - 2),
            },
            Primitive::Diode { anode, cathode, .. } => [anode, cathode].into_iter().nth(index),
            Primitive::Bjt { collector, base, emitter, .. } => {
                [collector, base, emitter].into_iter().nth(index)
            }
            Primitive::Jfet { drain, gate, source, .. } | Primitive::Mosfet { drain, gate, source, .. } => {
                [drain, gate, source].into_iter().nth(index)
            }
        }
    }

    /// Reads a parameter; `None` if this primitive has no such parameter.
    pub fn parameter(&self, parameter: Parameter) -> Option<f64> {
        // Reading goes through the writer on a copy: rare, and one table is less to keep in step than two.
        self.clone().parameter_mut(parameter).map(|v| *v)
    }

    /// A parameter, to be changed; `None` if this primitive has no such parameter. Nothing is validated here.
    pub fn parameter_mut(&mut self, parameter: Parameter) -> Option<&mut f64> {
        use Parameter as P;
        match (self, parameter) {
            (Primitive::Resistor { ohms, .. }, P::Value) => Some(ohms),
            (Primitive::Capacitor { farads, .. }, P::Value) => Some(farads),
            (Primitive::Inductor { henries, .. }, P::Value) => Some(henries),
            (Primitive::VoltageSource { dc, .. } | Primitive::CurrentSource { dc, .. }, P::Value) => Some(dc),
            (Primitive::VoltageSource { ac, .. } | Primitive::CurrentSource { ac, .. }, P::Ac) => Some(ac),
            (
                Primitive::ControlledVoltage { law, .. } | Primitive::ControlledCurrent { law, .. },
                parameter,
            ) => law.parameter_mut(parameter),
            (Primitive::Diode { model, .. }, P::Is) => Some(&mut model.is),
            (Primitive::Diode { model, .. }, P::Ideality) => Some(&mut model.ideality),
            (Primitive::Diode { model, .. }, P::SeriesOhms) => Some(&mut model.series_ohms),
            (Primitive::Diode { model, .. }, P::BreakdownVolts) => {
                model.breakdown.as_mut().map(|b| &mut b.volts)
            }
            (Primitive::Bjt { model, .. }, P::Is) => Some(&mut model.is),
            (Primitive::Bjt { model, .. }, P::Bf) => Some(&mut model.bf),
            (Primitive::Bjt { model, .. }, P::Br) => Some(&mut model.br),
            (Primitive::Bjt { model, .. }, P::Vaf) => Some(&mut model.vaf),
            (Primitive::Jfet { model, .. }, P::Vto) => Some(&mut model.vto),
            (Primitive::Jfet { model, .. }, P::Transconductance) => Some(&mut model.beta),
            (Primitive::Jfet { model, .. }, P::Lambda) => Some(&mut model.lambda),
            (Primitive::Jfet { model, .. }, P::Is) => Some(&mut model.is),
            (Primitive::Mosfet { model, .. }, P::Vto) => Some(&mut model.vto),
            (Primitive::Mosfet { model, .. }, P::Transconductance) => Some(&mut model.kp),
            (Primitive::Mosfet { model, .. }, P::Lambda) => Some(&mut model.lambda),
            _ => None,
        }
    }

    /// The first parameter out of range, as (name, value, rule); `None` when all is well.
    fn fault_in_values(&self) -> Option<(&'static str, f64, &'static str)> {
        let mut checks = Checks::default();
        match self {
            Primitive::Resistor { ohms, .. } => checks.positive("value", *ohms),
            Primitive::Capacitor { farads: v, .. } | Primitive::Inductor { henries: v, .. } => {
                checks.not_negative("value", *v)
            }
            Primitive::VoltageSource { dc, ac, .. } | Primitive::CurrentSource { dc, ac, .. } => {
                checks.finite("value", *dc);
                checks.finite("ac amplitude", *ac);
            }
            Primitive::ControlledVoltage { law, .. } | Primitive::ControlledCurrent { law, .. } => {
                law.check(&mut checks)
            }
            Primitive::Diode { model, .. } => {
                checks.positive("saturation current", model.is);
                checks.positive("ideality", model.ideality);
                checks.not_negative("series resistance", model.series_ohms);
                if let Some(b) = model.breakdown {
                    checks.positive("breakdown voltage", b.volts);
                    checks.positive("breakdown current", b.amps);
                    checks.positive("breakdown ideality", b.ideality);
                }
            }
            Primitive::Bjt { model, .. } => {
                checks.positive("saturation current", model.is);
                checks.positive("forward gain", model.bf);
                checks.positive("reverse gain", model.br);
                // Infinite is "no Early effect", so only the sign is checked.
                checks.that("early voltage", model.vaf, model.vaf > 0.0, "it must be above 0 (or infinite)");
            }
            Primitive::Jfet { model, .. } => {
                checks.finite("threshold voltage", model.vto);
                checks.positive("transconductance parameter", model.beta);
                checks.not_negative("channel-length modulation", model.lambda);
                checks.not_negative("saturation current", model.is);
            }
            Primitive::Mosfet { model, .. } => {
                checks.finite("threshold voltage", model.vto);
                checks.positive("transconductance parameter", model.kp);
                checks.not_negative("channel-length modulation", model.lambda);
            }
        }
        checks.first
    }
}

impl Law {
    fn parameter_mut(&mut self, parameter: Parameter) -> Option<&mut f64> {
        match parameter {
            Parameter::Offset => Some(&mut self.offset),
            Parameter::Gain(n) => self.controls.get_mut(n).map(|c| &mut c.gain),
            Parameter::RampScale(n) => self.ramps.get_mut(n).map(|r| &mut r.scale),
            Parameter::RampOffset(n) => self.ramps.get_mut(n).map(|r| &mut r.offset),
            _ => None,
        }
    }

    fn check(&self, checks: &mut Checks) {
        checks.finite("offset", self.offset);
        for c in &self.controls {
            checks.finite("gain", c.gain);
        }
        for r in &self.ramps {
            checks.finite("corner scale", r.scale);
            checks.finite("corner offset", r.offset);
            checks.positive("corner roundness", r.roundness);
            for c in &r.controls {
                checks.finite("gain", c.gain);
            }
        }
    }
}

/// Remembers the first value that broke a rule.
#[derive(Default)]
struct Checks {
    first: Option<(&'static str, f64, &'static str)>,
}

impl Checks {
    fn that(&mut self, name: &'static str, value: f64, holds: bool, rule: &'static str) {
        if !holds && self.first.is_none() {
            self.first = Some((name, value, rule));
        }
    }
    fn positive(&mut self, name: &'static str, value: f64) {
        self.that(name, value, value.is_finite() && value > 0.0, "it must be finite and above 0");
    }
    fn not_negative(&mut self, name: &'static str, value: f64) {
        self.that(name, value, value.is_finite() && value >= 0.0, "it must be finite and not below 0");
    }
    fn finite(&mut self, name: &'static str, value: f64) {
        self.that(name, value, value.is_finite(), "it must be a finite number");
    }
}

/// A named primitive in a network.
#[derive(Debug, Clone, PartialEq)]
pub struct Element {
    /// Its name, unique in the network; `PART` or `PART.inner`.
    pub name: String,
    /// What it is and where it is connected.
    pub primitive: Primitive,
    /// Whether it stays when the power is off.
    pub place: Place,
}

/// Nodes and elements. See the [module page](self).
///
/// ```
/// use halfsplit::circuit::network::{Network, Node, Primitive};
///
/// let mut net = Network::new();
/// let top = net.node("TOP");
/// let mid = net.node("MID");
/// net.add("V1", Primitive::VoltageSource { plus: top, minus: Node::GROUND, dc: 9.0, ac: 0.0 })?;
/// net.add("R1", Primitive::Resistor { a: top, b: mid, ohms: 10e3 })?;
/// net.add("R2", Primitive::Resistor { a: mid, b: Node::GROUND, ohms: 10e3 })?;
/// assert_eq!(net.node_name(mid), "MID");
/// assert!(net.add("R3", Primitive::Resistor { a: top, b: mid, ohms: 0.0 }).is_err());
/// # Ok::<(), halfsplit::circuit::network::NetworkError>(())
/// ```
#[derive(Debug, Clone, PartialEq)]
pub struct Network {
    node_names: Vec<String>,
    node_ids: BTreeMap<String, Node>,
    elements: Vec<Element>,
    element_ids: BTreeMap<String, ElementId>,
}

impl Default for Network {
    fn default() -> Self {
        Network::new()
    }
}

impl Network {
    /// An empty network whose ground is called `0`.
    pub fn new() -> Network {
        Network::with_ground("0")
    }

    /// An empty network whose ground has a name of its own, e.g. `GND`.
    pub fn with_ground(name: &str) -> Network {
        Network {
            node_names: vec![name.to_owned()],
            node_ids: BTreeMap::from([(name.to_owned(), Node::GROUND)]),
            elements: Vec::new(),
            element_ids: BTreeMap::new(),
        }
    }

    /// The node of that name, made if it is new.
    pub fn node(&mut self, name: &str) -> Node {
        if let Some(node) = self.node_ids.get(name) {
            return *node;
        }
        let node = Node(self.node_names.len() as u32);
        self.node_names.push(name.to_owned());
        self.node_ids.insert(name.to_owned(), node);
        node
    }

    /// The node of that name, if there is one.
    pub fn find_node(&self, name: &str) -> Option<Node> {
        self.node_ids.get(name).copied()
    }

    /// A node's name; `?` for a node of another network.
    pub fn node_name(&self, node: Node) -> &str {
        self.node_names.get(node.index()).map_or("?", String::as_str)
    }

    /// Number of nodes, ground included.
    pub fn node_count(&self) -> usize {
        self.node_names.len()
    }

    /// All nodes, ground first.
    pub fn nodes(&self) -> impl Iterator<Item = Node> {
        (0..self.node_names.len() as u32).map(Node)
    }

    /// Adds an element of the board.
    ///
    /// # Errors
    /// A value out of range, an unknown node or a name in use: see [`NetworkError`].
    pub fn add(&mut self, name: &str, primitive: Primitive) -> Result<ElementId, NetworkError> {
        self.add_at(name, primitive, Place::Board)
    }

    /// Adds an element and says where it lives.
    ///
    /// # Errors
    /// As for [`Network::add`].
    pub fn add_at(
        &mut self,
        name: &str,
        primitive: Primitive,
        place: Place,
    ) -> Result<ElementId, NetworkError> {
        if self.element_ids.contains_key(name) {
            return Err(NetworkError::DuplicateElement { element: name.to_owned() });
        }
        self.check(name, &primitive)?;
        let id = ElementId(self.elements.len() as u32);
        self.elements.push(Element { name: name.to_owned(), primitive, place });
        self.element_ids.insert(name.to_owned(), id);
        Ok(id)
    }

    /// Checks that a primitive would be accepted under that name.
    pub(crate) fn check(&self, name: &str, primitive: &Primitive) -> Result<(), NetworkError> {
        let nodes = self.node_names.len();
        if let Some(node) = primitive.terminals().into_iter().find(|n| n.index() >= nodes) {
            return Err(NetworkError::UnknownNode { element: name.to_owned(), index: node.index(), nodes });
        }
        match primitive.fault_in_values() {
            None => Ok(()),
            Some((parameter, value, rule)) => {
                Err(NetworkError::BadValue { element: name.to_owned(), parameter, value, rule })
            }
        }
    }

    /// An element.
    ///
    /// # Errors
    /// [`NetworkError::UnknownElement`] for an id of another network.
    pub fn element(&self, id: ElementId) -> Result<&Element, NetworkError> {
        self.elements.get(id.index()).ok_or(NetworkError::UnknownElement { index: id.index() })
    }

    pub(crate) fn element_mut(&mut self, id: ElementId) -> Result<&mut Element, NetworkError> {
        self.elements.get_mut(id.index()).ok_or(NetworkError::UnknownElement { index: id.index() })
    }

    /// The element of that name, if there is one.
    pub fn find_element(&self, name: &str) -> Option<ElementId> {
        self.element_ids.get(name).copied()
    }

    /// All elements with their ids, in the order they were added.
    pub fn elements(&self) -> impl Iterator<Item = (ElementId, &Element)> {
        self.elements.iter().enumerate().map(|(i, e)| (ElementId(i as u32), e))
    }

    /// Number of elements.
    pub fn element_count(&self) -> usize {
        self.elements.len()
    }

    /// The elements a part expanded to: the one called `part` and those called `part.something`, in the order they were added.
    pub fn elements_of<'a>(&'a self, part: &'a str) -> impl Iterator<Item = ElementId> + 'a {
        let mine = move |name: &str| {
            name.strip_prefix(part).is_some_and(|rest| rest.is_empty() || rest.starts_with('.'))
        };
        self.elements().filter(move |(_, e)| mine(&e.name)).map(|(id, _)| id)
    }

    /// Those terminals of a part's elements that sit on one node. Where two pins of a chip share a net this cannot part them; whoever
    /// expands the chip then has to keep each pin's own list of terminals.
    pub fn terminals_on(&self, part: &str, node: Node) -> Vec<Terminal> {
        let of = |element: ElementId| {
            self.elements.get(element.index()).map(|e| e.primitive.terminals()).unwrap_or_default()
        };
        self.elements_of(part)
            .flat_map(|element| {
                of(element).into_iter().enumerate().map(move |(index, n)| (Terminal { element, index }, n))
            })
            .filter(|(_, n)| *n == node)
            .map(|(t, _)| t)
            .collect()
    }
}
