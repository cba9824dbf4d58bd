//! A network compiled for solving: unknowns numbered, every stamp's place written down, the elimination order fixed.
//!
//! Unknowns are the voltages of all nodes but ground, the inner node of every diode with series resistance, and the current of every
//! voltage source and inductor. Ground is the unknown after the last: it reads 0 and what is written to it is thrown away.
//! Element values live apart, in a flat list (`params`), so that a fault or a tolerance draw changes numbers only.
//!
//! The equations: for a node, the sum of currents leaving it is zero; for a source or inductor, its voltage is what its law says.

use num_complex::Complex64;

use super::devices::{self, THERMAL_VOLTS};
use super::linear::{Entry, Plan};
use super::network::{
    BjtModel, Breakdown, Control, DiodeModel, ElementId, JfetModel, Law, MosfetModel, Network, Node,
    Parameter, Polarity, Primitive,
};

/// What an unknown stands for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Unknown {
    /// A node's voltage.
    Node(Node),
    /// The voltage of a diode's inner node.
    Inner(ElementId),
    /// The current into an element's first terminal.
    Branch(ElementId),
}

/// A two-terminal admittance: slots of (a,a), (b,b), (a,b), (b,a) and where its value is.
#[derive(Debug, Clone)]
struct Branch {
    slots: [u16; 4],
    ends: [u16; 2],
    param: u32,
}

/// A source's right-hand side: `b[plus] += value`, `b[minus] -= value`.
#[derive(Debug, Clone)]
struct Source {
    plus: u16,
    minus: u16,
    param: u32,
}

/// A pair of unknowns a law listens to.
type Pair = [u16; 2];

/// A nonlinear element: where it sits, where its values are, where its junction memories are.
#[derive(Debug, Clone)]
struct Device {
    kind: Kind,
    params: u32,
    memory: u32,
    element: ElementId,
}

#[derive(Debug, Clone)]
enum Kind {
    Diode {
        ends: Pair,
        zener: bool,
    },
    Bjt {
        ends: [u16; 3],
        sign: f64,
    },
    Jfet {
        ends: [u16; 3],
        sign: f64,
    },
    Mosfet {
        ends: [u16; 3],
        sign: f64,
    },
    /// A law with corners: rows it adds to (with sign), its linear pairs, the pairs of each corner.
    Law {
        rows: Vec<(u16, f64)>,
        linear: Vec<Pair>,
        ramps: Vec<Vec<Pair>>,
    },
}

/// A compiled network.
#[derive(Debug, Clone)]
pub(crate) struct Topology {
    /// Number of unknowns.
    pub n: usize,
    /// What each unknown is.
    pub unknowns: Vec<Unknown>,
    /// Branch or inner unknown of each element, `n` if it has none.
    pub own_unknown: Vec<u16>,
    /// Values as the network has them.
    pub params: Vec<f64>,
    /// First value of each element.
    pub first_param: Vec<u32>,
    /// Number of junction memories.
    pub memories: usize,
    /// The elimination order.
    pub plan: Plan,
    resistors: Vec<Branch>,
    capacitors: Vec<Branch>,
    inductors: Vec<Branch>,
    units: Vec<(u16, f64)>,
    gains: Vec<(u16, f64, u32)>,
    dc_sources: Vec<Source>,
    ac_sources: Vec<Source>,
    diagonal: Vec<u16>,
    devices: Vec<Device>,
    /// Slots of the devices' slopes, in the order [`Topology::evaluate`] writes them.
    device_slots: Vec<u16>,
    entries: Vec<(u16, u16, bool)>,
}

/// A tiny conductance from every node to ground, siemens, so that a node that hangs on capacitors only has a voltage (0 V).
pub(crate) const NODE_LEAK: f64 = 1e-15;

/// The pattern while it is being collected: entries by (row, column), slots are filled in once the plan is made.
#[derive(Default)]
struct Builder {
    n: usize,
    entries: Vec<(u16, u16, bool)>,
}

impl Builder {
    fn place(&mut self, row: u16, col: u16, varies: bool) {
        if (row as usize) < self.n && (col as usize) < self.n {
            self.entries.push((row, col, varies));
        }
    }
}

fn sign(polarity: Polarity) -> f64 {
    polarity.sign()
}

fn law_params(law: &Law, out: &mut Vec<f64>) {
    out.push(law.offset);
    out.extend(law.controls.iter().map(|c| c.gain));
    for r in &law.ramps {
        out.extend([r.scale, r.offset, r.roundness]);
        out.extend(r.controls.iter().map(|c| c.gain));
    }
}

/// The values of a primitive in the order the solver keeps them.
pub(crate) fn params_of(primitive: &Primitive, out: &mut Vec<f64>) {
    match primitive {
        Primitive::Resistor { ohms: v, .. }
        | Primitive::Capacitor { farads: v, .. }
        | Primitive::Inductor { henries: v, .. } => out.push(*v),
        Primitive::VoltageSource { dc, ac, .. } | Primitive::CurrentSource { dc, ac, .. } => {
            out.extend([*dc, *ac])
        }
        Primitive::ControlledVoltage { law, .. } | Primitive::ControlledCurrent { law, .. } => {
            law_params(law, out)
        }
        Primitive::Diode { model: m, .. } => {
            let b = m.breakdown.unwrap_or(Breakdown { volts: 0.0, amps: 0.0, ideality: 1.0 });
            out.extend([m.is, m.ideality, m.series_ohms, b.volts, b.amps, b.ideality]);
        }
        Primitive::Bjt { model: m, .. } => out.extend([m.is, m.bf, m.br, m.vaf]),
        Primitive::Jfet { model: m, .. } => out.extend([m.vto, m.beta, m.lambda, m.is]),
        Primitive::Mosfet { model: m, .. } => out.extend([m.vto, m.kp, m.lambda]),
    }
}

/// Position of a parameter among an element's values; `None` where the primitive lacks it.
pub(crate) fn param_place(primitive: &Primitive, parameter: Parameter) -> Option<usize> {
    use Parameter as P;
    let ramp_start = |law: &Law, n: usize| {
        let before: usize = law.ramps.iter().take(n).map(|r| 3 + r.controls.len()).sum();
        (n < law.ramps.len()).then_some(1 + law.controls.len() + before)
    };
    match (primitive, parameter) {
        (Primitive::Resistor { .. } | Primitive::Capacitor { .. } | Primitive::Inductor { .. }, P::Value) => {
            Some(0)
        }
        (Primitive::VoltageSource { .. } | Primitive::CurrentSource { .. }, P::Value) => Some(0),
        (Primitive::VoltageSource { .. } | Primitive::CurrentSource { .. }, P::Ac) => Some(1),
        (Primitive::ControlledVoltage { law, .. } | Primitive::ControlledCurrent { law, .. }, p) => match p {
            P::Offset => Some(0),
            P::Gain(n) if n < law.controls.len() => Some(1 + n),
            P::RampScale(n) => ramp_start(law, n),
            P::RampOffset(n) => ramp_start(law, n).map(|s| s + 1),
            _ => None,
        },
        (Primitive::Diode { .. }, P::Is) => Some(0),
        (Primitive::Diode { .. }, P::Ideality) => Some(1),
        (Primitive::Diode { .. }, P::SeriesOhms) => Some(2),
        (Primitive::Diode { model, .. }, P::BreakdownVolts) => model.breakdown.map(|_| 3),
        (Primitive::Bjt { .. }, P::Is) => Some(0),
        (Primitive::Bjt { .. }, P::Bf) => Some(1),
        (Primitive::Bjt { .. }, P::Br) => Some(2),
        (Primitive::Bjt { .. }, P::Vaf) => Some(3),
        (Primitive::Jfet { .. } | Primitive::Mosfet { .. }, P::Vto) => Some(0),
        (Primitive::Jfet { .. } | Primitive::Mosfet { .. }, P::Transconductance) => Some(1),
        (Primitive::Jfet { .. } | Primitive::Mosfet { .. }, P::Lambda) => Some(2),
        (Primitive::Jfet { .. }, P::Is) => Some(3),
        _ => None,
    }
}

/// Values at which a network is compiled: a point near the solution makes a better elimination order.
pub(crate) struct Seed<'a> {
    /// Values of the unknowns, `n + 1` long, or empty for all zero.
    pub x: &'a [f64],
    /// Element values in place of the network's own, or empty.
    pub params: &'a [f64],
    pub gmin: f64,
}

impl Topology {
    /// Numbers the unknowns of a network.
    fn number(network: &Network) -> (Vec<Unknown>, Vec<u16>) {
        let mut unknowns: Vec<Unknown> = network.nodes().skip(1).map(Unknown::Node).collect();
        let mut own = vec![u16::MAX; network.element_count()];
        for (id, element) in network.elements() {
            let unknown = match &element.primitive {
                Primitive::VoltageSource { .. }
                | Primitive::ControlledVoltage { .. }
                | Primitive::Inductor { .. } => Unknown::Branch(id),
                Primitive::Diode { model, .. } if model.series_ohms > 0.0 => Unknown::Inner(id),
                _ => continue,
            };
            own[id.index()] = unknowns.len() as u16;
            unknowns.push(unknown);
        }
        let n = unknowns.len() as u16;
        own.iter_mut().filter(|o| **o == u16::MAX).for_each(|o| *o = n);
        (unknowns, own)
    }

    /// The unknowns of a network, in order.
    pub fn unknowns_of(network: &Network) -> Vec<Unknown> {
        Topology::number(network).0
    }

    /// What an unknown of a network would be, by number.
    pub fn name_of(network: &Network, unknown: usize) -> Option<Unknown> {
        Topology::number(network).0.get(unknown).copied()
    }

    /// Makes room for an entry in the next order.
    pub fn reserve(&mut self, row: u16, col: u16) {
        self.entries.push((row, col, false));
    }

    /// Compiles a network; the order is chosen at the seed.
    ///
    /// # Errors
    /// The unknown at which the matrix turned out singular (`n` if the network is too large).
    pub fn new(network: &Network, seed: &Seed<'_>) -> Result<Topology, usize> {
        let (unknowns, own_unknown) = Topology::number(network);
        let n = unknowns.len();
        let mut topology = Topology {
            n,
            unknowns,
            own_unknown,
            params: Vec::with_capacity(network.element_count() * 2),
            first_param: Vec::with_capacity(network.element_count()),
            memories: 0,
            plan: Plan::new::<f64>(0, &[])?,
            resistors: Vec::new(),
            capacitors: Vec::new(),
            inductors: Vec::new(),
            units: Vec::new(),
            gains: Vec::new(),
            dc_sources: Vec::new(),
            ac_sources: Vec::new(),
            diagonal: Vec::new(),
            devices: Vec::new(),
            device_slots: Vec::new(),
            entries: Vec::new(),
        };
        // First round: collect the pattern with slots numbered in the order of collection; second round: put in the plan's slots.
        let mut builder = Builder { n, entries: Vec::with_capacity(n * 8) };
        for (id, element) in network.elements() {
            topology.first_param.push(topology.params.len() as u32);
            params_of(&element.primitive, &mut topology.params);
            topology.lay_out(&mut builder, id, &element.primitive);
        }
        for node in 0..network.node_count() - 1 {
            topology.diagonal.push(builder.entries.len() as u16);
            builder.place(node as u16, node as u16, false);
        }
        topology.entries = builder.entries;
        if topology.entries.len() >= usize::from(u16::MAX) || n >= 1500 {
            return Err(n);
        }
        topology.order(seed)?;
        Ok(topology)
    }

    fn unknown_of(&self, node: Node) -> u16 {
        if node.is_ground() { self.n as u16 } else { (node.index() - 1) as u16 }
    }

    fn pair_of(&self, control: &Control) -> Pair {
        [self.unknown_of(control.plus), self.unknown_of(control.minus)]
    }

    /// Notes an entry and returns its provisional slot: its place in the list of entries, or the place after `u16::MAX - 1` for ground.
    fn note(&self, builder: &mut Builder, row: u16, col: u16, varies: bool) -> u16 {
        if row as usize >= self.n || col as usize >= self.n {
            return u16::MAX;
        }
        builder.place(row, col, varies);
        (builder.entries.len() - 1) as u16
    }

    fn branch(&self, builder: &mut Builder, ends: Pair, param: u32) -> Branch {
        let [a, b] = ends;
        let slots = [(a, a), (b, b), (a, b), (b, a)].map(|(r, c)| self.note(builder, r, c, false));
        Branch { slots, ends, param }
    }

    /// The ±1 entries of a voltage branch between two unknowns.
    fn voltage_branch(&mut self, builder: &mut Builder, ends: Pair, own: u16) {
        for (end, value) in ends.into_iter().zip([1.0, -1.0]) {
            let row = self.note(builder, own, end, false);
            let col = self.note(builder, end, own, false);
            self.units.extend([(row, value), (col, value)]);
        }
    }

    fn lay_out(&mut self, builder: &mut Builder, id: ElementId, primitive: &Primitive) {
        let param = self.params_start(id);
        let own = self.own_unknown[id.index()];
        match primitive {
            Primitive::Resistor { a, b, .. } => {
                let branch = self.branch(builder, [self.unknown_of(*a), self.unknown_of(*b)], param);
                self.resistors.push(branch);
            }
            Primitive::Capacitor { a, b, .. } => {
                let branch = self.branch(builder, [self.unknown_of(*a), self.unknown_of(*b)], param);
                self.capacitors.push(branch);
            }
            Primitive::Inductor { a, b, .. } => {
                self.voltage_branch(builder, [self.unknown_of(*a), self.unknown_of(*b)], own);
                let slot = self.note(builder, own, own, false);
                self.inductors.push(Branch { slots: [slot; 4], ends: [own, own], param });
            }
            Primitive::VoltageSource { plus, minus, .. } => {
                self.voltage_branch(builder, [self.unknown_of(*plus), self.unknown_of(*minus)], own);
                let ground = self.n as u16;
                self.dc_sources.push(Source { plus: own, minus: ground, param });
                self.ac_sources.push(Source { plus: own, minus: ground, param: param + 1 });
            }
            Primitive::CurrentSource { from, to, .. } => {
                let (plus, minus) = (self.unknown_of(*to), self.unknown_of(*from));
                self.dc_sources.push(Source { plus, minus, param });
                self.ac_sources.push(Source { plus, minus, param: param + 1 });
            }
            Primitive::ControlledVoltage { plus, minus, law } => {
                self.voltage_branch(builder, [self.unknown_of(*plus), self.unknown_of(*minus)], own);
                let ground = self.n as u16;
                self.law(builder, id, law, vec![(own, -1.0)], [own, ground]);
            }
            Primitive::ControlledCurrent { from, to, law } => {
                let (from, to) = (self.unknown_of(*from), self.unknown_of(*to));
                self.law(builder, id, law, vec![(from, 1.0), (to, -1.0)], [to, from]);
            }
            Primitive::Diode { anode, cathode, model } => {
                let (anode, cathode) = (self.unknown_of(*anode), self.unknown_of(*cathode));
                let inner = if (own as usize) < self.n { own } else { anode };
                if inner != anode {
                    let branch = self.branch(builder, [anode, inner], param + 2);
                    self.resistors.push(branch);
                }
                self.device(
                    builder,
                    id,
                    Kind::Diode { ends: [inner, cathode], zener: model.breakdown.is_some() },
                    1,
                );
            }
            Primitive::Bjt { collector, base, emitter, polarity, .. } => {
                let ends = [*collector, *base, *emitter].map(|n| self.unknown_of(n));
                self.device(builder, id, Kind::Bjt { ends, sign: sign(*polarity) }, 2);
            }
            Primitive::Jfet { drain, gate, source, polarity, .. } => {
                let ends = [*drain, *gate, *source].map(|n| self.unknown_of(n));
                self.device(builder, id, Kind::Jfet { ends, sign: sign(*polarity) }, 2);
            }
            Primitive::Mosfet { drain, gate, source, polarity, .. } => {
                let ends = [*drain, *gate, *source].map(|n| self.unknown_of(n));
                self.device(builder, id, Kind::Mosfet { ends, sign: sign(*polarity) }, 0);
            }
        }
    }

    fn params_start(&self, id: ElementId) -> u32 {
        self.first_param.get(id.index()).copied().unwrap_or(0)
    }

    fn law(&mut self, builder: &mut Builder, id: ElementId, law: &Law, rows: Vec<(u16, f64)>, source: Pair) {
        let param = self.params_start(id);
        if law.ramps.is_empty() {
            self.dc_sources.push(Source { plus: source[0], minus: source[1], param });
            for (number, control) in law.controls.iter().enumerate() {
                let [plus, minus] = self.pair_of(control);
                for (row, sign) in &rows {
                    let up = self.note(builder, *row, plus, false);
                    let down = self.note(builder, *row, minus, false);
                    let at = param + 1 + number as u32;
                    self.gains.extend([(up, *sign, at), (down, -sign, at)]);
                }
            }
            return;
        }
        let linear = law.controls.iter().map(|c| self.pair_of(c)).collect();
        let ramps = law.ramps.iter().map(|r| r.controls.iter().map(|c| self.pair_of(c)).collect()).collect();
        self.device(builder, id, Kind::Law { rows, linear, ramps }, 0);
    }

    fn device(&mut self, builder: &mut Builder, element: ElementId, kind: Kind, memories: usize) {
        let device =
            Device { kind, params: self.params_start(element), memory: self.memories as u32, element };
        for (row, col) in device.pattern() {
            let slot = self.note(builder, row, col, true);
            self.device_slots.push(slot);
        }
        self.memories += memories;
        self.devices.push(device);
    }

    /// Chooses the elimination order at the seed and puts the final slots everywhere.
    fn order(&mut self, seed: &Seed<'_>) -> Result<(), usize> {
        let zeros = vec![0.0; self.n + 1];
        let x = if seed.x.is_empty() { &zeros[..] } else { seed.x };
        let params = if seed.params.is_empty() { self.params.clone() } else { seed.params.to_vec() };
        let mut values = vec![0.0; self.entries.len()];
        // With slots still provisional (one per entry), assembling into the list of entries gives each entry its value.
        let mut memory = vec![0.0; self.memories];
        let mut f = vec![0.0; self.n + 1];
        let mut slopes = vec![0.0; self.device_slots.len()];
        self.remember(x, &mut memory);
        self.evaluate(&params, x, &mut memory, seed.gmin, &mut f, &mut slopes);
        self.stamp_linear(&params, NODE_LEAK + if seed.x.is_empty() { 1e-9 } else { 0.0 }, |slot, v| {
            if let Some(value) = values.get_mut(slot as usize) {
                *value += v;
            }
        });
        for (slot, slope) in self.device_slots.iter().zip(&slopes) {
            if let Some(value) = values.get_mut(*slot as usize) {
                *value += slope;
            }
        }
        let entries: Vec<Entry<f64>> = self.to_entries(&values);
        let plan = Plan::new(self.n, &entries)?;
        self.adopt(plan)
    }

    fn to_entries<T: Copy>(&self, values: &[T]) -> Vec<Entry<T>> {
        let with_value = self.entries.iter().zip(values);
        with_value
            .map(|((row, col, varies), value)| Entry {
                row: *row as usize,
                col: *col as usize,
                value: *value,
                varies: *varies,
            })
            .collect()
    }

    /// Replaces provisional slots by a plan's.
    fn adopt(&mut self, plan: Plan) -> Result<(), usize> {
        let dummy = plan.slots() as u16;
        let mut places = Vec::with_capacity(self.entries.len());
        for (row, col, _) in &self.entries {
            places.push(plan.slot(*row as usize, *col as usize).ok_or(*row as usize)?);
        }
        let fix = |slot: &mut u16| *slot = places.get(*slot as usize).copied().unwrap_or(dummy);
        for list in [&mut self.resistors, &mut self.capacitors, &mut self.inductors] {
            list.iter_mut().for_each(|b| b.slots.iter_mut().for_each(fix));
        }
        self.units.iter_mut().for_each(|u| fix(&mut u.0));
        self.gains.iter_mut().for_each(|g| fix(&mut g.0));
        self.diagonal.iter_mut().for_each(fix);
        self.device_slots.iter_mut().for_each(fix);
        self.plan = plan;
        Ok(())
    }

    /// Number of device slopes.
    pub fn slopes(&self) -> usize {
        self.device_slots.len()
    }

    /// Calls `add(slot, value)` for every constant entry of the DC matrix.
    fn stamp_linear(&self, params: &[f64], leak: f64, mut add: impl FnMut(u16, f64)) {
        for r in &self.resistors {
            let g = 1.0 / params[r.param as usize];
            let [aa, bb, ab, ba] = r.slots;
            add(aa, g);
            add(bb, g);
            add(ab, -g);
            add(ba, -g);
        }
        for (slot, value) in &self.units {
            add(*slot, *value);
        }
        for (slot, sign, param) in &self.gains {
            add(*slot, sign * params[*param as usize]);
        }
        for slot in &self.diagonal {
            add(*slot, leak);
        }
    }

    /// Assembles the constant part of the DC matrix; `leak` goes from every node to ground.
    pub fn assemble(&self, params: &[f64], leak: f64, values: &mut [f64]) {
        values.fill(0.0);
        self.stamp_linear(params, leak, |slot, v| values[slot as usize] += v);
    }

    /// Adds the devices' slopes to a matrix.
    pub fn add_slopes(&self, slopes: &[f64], values: &mut [f64]) {
        for (slot, slope) in self.device_slots.iter().zip(slopes) {
            values[*slot as usize] += slope;
        }
    }

    /// The DC right-hand side, sources scaled by `scale`.
    pub fn sources(&self, params: &[f64], scale: f64, b: &mut [f64]) {
        b.fill(0.0);
        for s in &self.dc_sources {
            let value = params[s.param as usize] * scale;
            b[s.plus as usize] += value;
            b[s.minus as usize] -= value;
        }
    }

    /// The small-signal right-hand side.
    pub fn ac_sources(&self, params: &[f64], b: &mut [Complex64]) {
        b.fill(Complex64::default());
        for s in &self.ac_sources {
            let value = params[s.param as usize];
            b[s.plus as usize] += value;
            b[s.minus as usize] -= value;
        }
    }

    /// The small-signal matrix at `omega` rad/s: constant DC part plus slopes, already summed in `direct`, plus capacitors and inductors.
    pub fn assemble_ac(&self, params: &[f64], direct: &[f64], omega: f64, values: &mut [Complex64]) {
        for (value, g) in values.iter_mut().zip(direct) {
            *value = Complex64::new(*g, 0.0);
        }
        for c in &self.capacitors {
            let y = omega * params[c.param as usize];
            let [aa, bb, ab, ba] = c.slots;
            values[aa as usize].im += y;
            values[bb as usize].im += y;
            values[ab as usize].im -= y;
            values[ba as usize].im -= y;
        }
        for l in &self.inductors {
            values[l.slots[0] as usize].im -= omega * params[l.param as usize];
        }
    }

    /// A new plan for the matrix in `values` (in this topology's slots), adopted at once; the caller's values are void afterwards.
    pub fn reorder<T: super::linear::Scalar>(&mut self, values: &[T]) -> Result<(), usize> {
        let slots = self.plan.slots();
        let mut entries = Vec::with_capacity(slots);
        let mut seen = vec![false; slots];
        for (row, col, varies) in &self.entries {
            let slot = self.plan.slot(*row as usize, *col as usize).ok_or(self.n)? as usize;
            let value = if seen[slot] { T::default() } else { values[slot] };
            seen[slot] = true;
            entries.push(Entry { row: *row as usize, col: *col as usize, value, varies: *varies });
        }
        let plan = Plan::new(self.n, &entries)?;
        self.go_provisional();
        self.adopt(plan)
    }

    /// Puts back provisional slots: the first entry of the same place.
    fn go_provisional(&mut self) {
        let mut first = vec![u16::MAX; self.plan.slots() + 1];
        for (index, (row, col, _)) in self.entries.iter().enumerate() {
            if let Some(slot) = self.plan.slot(*row as usize, *col as usize)
                && first[slot as usize] == u16::MAX
            {
                first[slot as usize] = index as u16;
            }
        }
        let fix = |slot: &mut u16| *slot = first[*slot as usize];
        for list in [&mut self.resistors, &mut self.capacitors, &mut self.inductors] {
            list.iter_mut().for_each(|b| b.slots.iter_mut().for_each(fix));
        }
        self.units.iter_mut().for_each(|u| fix(&mut u.0));
        self.gains.iter_mut().for_each(|g| fix(&mut g.0));
        self.diagonal.iter_mut().for_each(fix);
        self.device_slots.iter_mut().for_each(fix);
    }

    /// Slots of an extra conductance between two unknowns, if the pattern has room for it.
    pub fn bridge_slots(&self, a: usize, b: usize) -> Option<[u16; 4]> {
        Some([self.plan.slot(a, a)?, self.plan.slot(b, b)?, self.plan.slot(a, b)?, self.plan.slot(b, a)?])
    }

    /// Sets the junction memories to what the voltages say.
    pub fn remember(&self, x: &[f64], memory: &mut [f64]) {
        for device in &self.devices {
            device.remember(x, &mut memory[device.memory as usize..]);
        }
    }

    /// Evaluates all devices near `x`: adds the currents of their tangents to `f`, writes the slopes, and says whether a junction was held back.
    pub fn evaluate(
        &self,
        params: &[f64],
        x: &[f64],
        memory: &mut [f64],
        gmin: f64,
        f: &mut [f64],
        slopes: &mut [f64],
    ) -> bool {
        let mut limited = false;
        let mut out = slopes;
        for device in &self.devices {
            let (mine, rest) = out.split_at_mut(device.slope_count());
            limited |= device.evaluate(
                &params[device.params as usize..],
                x,
                &mut memory[device.memory as usize..],
                gmin,
                f,
                mine,
            );
            out = rest;
        }
        limited
    }

    /// Device by device: its element, its values' start, its rows and columns (one per slope), for sensitivities.
    pub fn devices(&self) -> impl Iterator<Item = DeviceView<'_>> {
        self.devices.iter().map(DeviceView)
    }

    /// `f += ` currents of everything linear minus sources, for the residual of one element's parameter: see [`super::tolerance`].
    pub fn linear_parts_of(&self, param: usize) -> LinearPart {
        let param = param as u32;
        if let Some(r) = self.resistors.iter().find(|r| r.param == param) {
            return LinearPart::Resistor(r.ends);
        }
        if let Some(c) = self.capacitors.iter().find(|c| c.param == param) {
            return LinearPart::Capacitor(c.ends);
        }
        if let Some(l) = self.inductors.iter().find(|l| l.param == param) {
            return LinearPart::Inductor(l.ends[0]);
        }
        if let Some(s) = self.dc_sources.iter().find(|s| s.param == param) {
            return LinearPart::DcSource([s.plus, s.minus]);
        }
        if let Some(s) = self.ac_sources.iter().find(|s| s.param == param) {
            return LinearPart::AcSource([s.plus, s.minus]);
        }
        let gains: Vec<_> = self.gains.iter().filter(|g| g.2 == param).collect();
        if gains.is_empty() {
            return LinearPart::None;
        }
        let place = |slot: u16| self.plan.place_of(slot);
        LinearPart::Gain(gains.iter().filter_map(|g| place(g.0).map(|(r, c)| (r, c, g.1))).collect())
    }
}

/// What a parameter is to the linear part of the equations.
#[derive(Debug, Clone, PartialEq)]
pub(crate) enum LinearPart {
    Resistor(Pair),
    Capacitor(Pair),
    Inductor(u16),
    DcSource(Pair),
    AcSource(Pair),
    /// (row, column, sign) of each entry.
    Gain(Vec<(u16, u16, f64)>),
    None,
}

/// A device as the sensitivities see it.
#[derive(Clone, Copy)]
pub(crate) struct DeviceView<'a>(&'a Device);

impl DeviceView<'_> {
    pub fn element(self) -> ElementId {
        self.0.element
    }
    /// First of its values in `params`.
    pub fn params_start(self) -> usize {
        self.0.params as usize
    }
    pub fn pattern(self) -> Vec<(u16, u16)> {
        self.0.pattern()
    }
    /// Unknowns it listens to, each once.
    pub fn listens(self) -> Vec<u16> {
        let mut columns: Vec<u16> = self.0.pattern().into_iter().map(|(_, c)| c).collect();
        columns.sort_unstable();
        columns.dedup();
        columns
    }
    pub fn slope_count(self) -> usize {
        self.0.slope_count()
    }
    /// Currents (added to `f`) and slopes exactly at `x`, no limiting. `params` starts at the device's own values.
    pub fn exact(self, params: &[f64], x: &[f64], gmin: f64, f: &mut [f64], slopes: &mut [f64]) {
        let mut memory = [0.0; 2];
        self.0.remember(x, &mut memory);
        self.0.evaluate(params, x, &mut memory, gmin, f, slopes);
    }
}

impl Device {
    fn slope_count(&self) -> usize {
        match &self.kind {
            Kind::Diode { .. } => 4,
            Kind::Bjt { .. } | Kind::Jfet { .. } => 9,
            Kind::Mosfet { .. } => 6,
            Kind::Law { rows, linear, ramps } => {
                rows.len() * 2 * (linear.len() + ramps.iter().map(Vec::len).sum::<usize>())
            }
        }
    }

    /// (row, column) of each slope, in the order they are written.
    fn pattern(&self) -> Vec<(u16, u16)> {
        let grid = |rows: &[u16], cols: &[u16]| {
            rows.iter().flat_map(|r| cols.iter().map(move |c| (*r, *c))).collect()
        };
        match &self.kind {
            Kind::Diode { ends, .. } => grid(ends, ends),
            Kind::Bjt { ends, .. } | Kind::Jfet { ends, .. } => grid(ends, ends),
            Kind::Mosfet { ends, .. } => grid(&[ends[0], ends[2]], ends),
            Kind::Law { rows, linear, ramps } => {
                let cols: Vec<u16> = linear.iter().chain(ramps.iter().flatten()).flatten().copied().collect();
                let rows: Vec<u16> = rows.iter().map(|r| r.0).collect();
                grid(&rows, &cols)
            }
        }
    }

    /// `memory` starts at the device's own.
    fn remember(&self, x: &[f64], memory: &mut [f64]) {
        let v = |a: u16, b: u16| x[a as usize] - x[b as usize];
        match &self.kind {
            Kind::Diode { ends: [a, c], .. } => memory[0] = v(*a, *c),
            Kind::Bjt { ends: [c, b, e], sign } => {
                memory[0] = sign * v(*b, *e);
                memory[1] = sign * v(*b, *c);
            }
            Kind::Jfet { ends: [d, g, s], sign } => {
                memory[0] = sign * v(*g, *s);
                memory[1] = sign * v(*g, *d);
            }
            Kind::Mosfet { .. } | Kind::Law { .. } => {}
        }
    }

    fn evaluate(
        &self,
        p: &[f64],
        x: &[f64],
        memory: &mut [f64],
        gmin: f64,
        f: &mut [f64],
        g: &mut [f64],
    ) -> bool {
        match &self.kind {
            Kind::Diode { ends, zener } => eval_diode(*ends, *zener, p, x, &mut memory[0], gmin, f, g),
            Kind::Bjt { ends, sign } => eval_bjt(*ends, *sign, p, x, memory, gmin, f, g),
            Kind::Jfet { ends, sign } => eval_jfet(*ends, *sign, p, x, memory, gmin, f, g),
            Kind::Mosfet { ends, sign } => eval_mosfet(*ends, *sign, p, x, f, g),
            Kind::Law { rows, linear, ramps } => eval_law(rows, linear, ramps, p, x, f, g),
        }
    }
}

/// Moves a remembered junction voltage towards `v`; returns where it stands and whether it was held back.
fn step_junction(v: f64, memory: &mut f64, vt: f64, is: f64) -> (f64, bool) {
    let held = devices::limit_junction(v, *memory, vt, is);
    *memory = held;
    (held, held != v)
}

#[allow(clippy::too_many_arguments)]
fn eval_diode(
    ends: Pair,
    zener: bool,
    p: &[f64],
    x: &[f64],
    memory: &mut f64,
    gmin: f64,
    f: &mut [f64],
    g: &mut [f64],
) -> bool {
    let [a, c] = ends.map(usize::from);
    let v = x[a] - x[c];
    let (is, vt) = (p[0], p[1] * THERMAL_VOLTS);
    let (slope, at, limited) = if zener {
        let breakdown = Breakdown { volts: p[3], amps: p[4], ideality: p[5] };
        let model = DiodeModel { is, ideality: p[1], series_ohms: 0.0, breakdown: Some(breakdown) };
        let (at, limited) = step_zener(v, memory, vt, is, breakdown);
        (devices::diode(at, &model, gmin), at, limited)
    } else {
        let (at, limited) = step_junction(v, memory, vt, is);
        (devices::junction(at, is, vt, gmin), at, limited)
    };
    let i = slope.i + slope.g * (v - at);
    f[a] += i;
    f[c] -= i;
    g.copy_from_slice(&[slope.g, -slope.g, -slope.g, slope.g]);
    limited
}

/// As [`step_junction`], with the breakdown knee seen as a junction looking the other way.
fn step_zener(v: f64, memory: &mut f64, vt: f64, is: f64, b: Breakdown) -> (f64, bool) {
    if v < -0.5 * b.volts {
        let mirrored = -(v + b.volts);
        let held =
            devices::limit_junction(mirrored, -(*memory + b.volts), b.ideality * THERMAL_VOLTS, b.amps);
        *memory = -(held + b.volts);
        return (if held == mirrored { v } else { *memory }, held != mirrored);
    }
    step_junction(v, memory, vt, is)
}

#[allow(clippy::too_many_arguments)]
fn eval_bjt(
    ends: [u16; 3],
    sign: f64,
    p: &[f64],
    x: &[f64],
    memory: &mut [f64],
    gmin: f64,
    f: &mut [f64],
    g: &mut [f64],
) -> bool {
    let [c, b, e] = ends.map(usize::from);
    let (vbe, vbc) = (sign * (x[b] - x[e]), sign * (x[b] - x[c]));
    let model = BjtModel { is: p[0], bf: p[1], br: p[2], vaf: p[3] };
    let (at_be, limited_be) = step_junction(vbe, &mut memory[0], THERMAL_VOLTS, model.is);
    let (at_bc, limited_bc) = step_junction(vbc, &mut memory[1], THERMAL_VOLTS, model.is);
    let ([ic, ib], [cs, bs]) = devices::bjt(at_be, at_bc, &model, gmin);
    let (dbe, dbc) = (vbe - at_be, vbc - at_bc);
    let ic = sign * (ic + cs[0] * dbe + cs[1] * dbc);
    let ib = sign * (ib + bs[0] * dbe + bs[1] * dbc);
    f[c] += ic;
    f[b] += ib;
    f[e] -= ic + ib;
    // Columns c, b, e: vbc falls with vc, both rise with vb, vbe falls with ve.
    let row = |s: [f64; 2]| [-s[1], s[0] + s[1], -s[0]];
    let (rc, rb) = (row(cs), row(bs));
    g[0..3].copy_from_slice(&rc);
    g[3..6].copy_from_slice(&rb);
    for k in 0..3 {
        g[6 + k] = -(rc[k] + rb[k]);
    }
    limited_be || limited_bc
}

#[allow(clippy::too_many_arguments)]
fn eval_jfet(
    ends: [u16; 3],
    sign: f64,
    p: &[f64],
    x: &[f64],
    memory: &mut [f64],
    gmin: f64,
    f: &mut [f64],
    g: &mut [f64],
) -> bool {
    let [d, gate, s] = ends.map(usize::from);
    let (vgs, vgd) = (sign * (x[gate] - x[s]), sign * (x[gate] - x[d]));
    let model = JfetModel { vto: p[0], beta: p[1], lambda: p[2], is: p[3] };
    let (at_gs, limited_gs) = step_junction(vgs, &mut memory[0], THERMAL_VOLTS, model.is);
    let (at_gd, limited_gd) = step_junction(vgd, &mut memory[1], THERMAL_VOLTS, model.is);
    let js = devices::junction(at_gs, model.is, THERMAL_VOLTS, gmin);
    let jd = devices::junction(at_gd, model.is, THERMAL_VOLTS, gmin);
    let [id, gm, gds] = devices::jfet_channel(at_gs, at_gs - at_gd, &model);
    let (ds, dd) = (vgs - at_gs, vgd - at_gd);
    let igs = sign * (js.i + js.g * ds);
    let igd = sign * (jd.i + jd.g * dd);
    let ich = sign * (id + gm * ds + gds * (ds - dd));
    f[d] += ich - igd;
    f[gate] += igs + igd;
    f[s] -= ich + igs;
    g.copy_from_slice(&[
        gds + jd.g,
        gm - jd.g,
        -gm - gds,
        -jd.g,
        js.g + jd.g,
        -js.g,
        -gds,
        -gm - js.g,
        gm + gds + js.g,
    ]);
    limited_gs || limited_gd
}

fn eval_mosfet(ends: [u16; 3], sign: f64, p: &[f64], x: &[f64], f: &mut [f64], g: &mut [f64]) -> bool {
    let [d, gate, s] = ends.map(usize::from);
    let model = MosfetModel { vto: p[0], kp: p[1], lambda: p[2] };
    let [id, gm, gds] = devices::mosfet_channel(sign * (x[gate] - x[s]), sign * (x[d] - x[s]), &model);
    f[d] += sign * id;
    f[s] -= sign * id;
    g.copy_from_slice(&[gds, gm, -gm - gds, -gds, -gm, gm + gds]);
    false
}

fn eval_law(
    rows: &[(u16, f64)],
    linear: &[Pair],
    ramps: &[Vec<Pair>],
    p: &[f64],
    x: &[f64],
    f: &mut [f64],
    g: &mut [f64],
) -> bool {
    let v = |pair: &Pair| x[pair[0] as usize] - x[pair[1] as usize];
    let columns = g.len() / rows.len();
    let (first, others) = g.split_at_mut(columns);
    let mut value = p[0];
    let mut at = 1;
    let mut column = 0;
    for pair in linear {
        value += p[at] * v(pair);
        first[column] = p[at];
        first[column + 1] = -p[at];
        at += 1;
        column += 2;
    }
    for pairs in ramps {
        let (scale, offset, roundness) = (p[at], p[at + 1], p[at + 2]);
        let gains = &p[at + 3..at + 3 + pairs.len()];
        let inside = offset + pairs.iter().zip(gains).map(|(pair, gain)| gain * v(pair)).sum::<f64>();
        let (corner, slope) = devices::softpos(inside, roundness);
        value += scale * corner;
        for gain in gains {
            first[column] = scale * slope * gain;
            first[column + 1] = -first[column];
            column += 2;
        }
        at += 3 + pairs.len();
    }
    for ((row, sign), copy) in rows.iter().skip(1).zip(others.chunks_exact_mut(columns)) {
        f[*row as usize] += sign * value;
        copy.iter_mut().zip(first.iter()).for_each(|(c, s)| *c = sign * s);
    }
    let (row, sign) = rows[0];
    f[row as usize] += sign * value;
    first.iter_mut().for_each(|s| *s *= sign);
    false
}
