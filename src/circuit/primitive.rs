//! The primitives a network is made of, with their models and parameters: plain data and the rules its values must keep.

use super::network::Node;

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
    /// What multiplies the noise of any element, as an amplitude: see [`super::network::Noise`].
    Noise,
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
            Parameter::Noise => "noise factor",
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
        Some(if index.is_multiple_of(2) { &mut control.plus } else { &mut control.minus })
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
    pub(crate) fn fault_in_values(&self) -> Option<(&'static str, f64, &'static str)> {
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
