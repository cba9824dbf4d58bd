//! A network compiled for solving: unknowns numbered, every stamp's place written down, the elimination order fixed.
//!
//! Unknowns are the voltages of all nodes but ground, the inner node of every diode with series resistance, and the current of every
//! voltage source and inductor. Ground is the unknown after the last: it reads 0 and what is written to it is thrown away.
//! Element values live apart, in a flat list (`params`), so that a fault or a tolerance draw changes numbers only.
//!
//! The equations: for a node, the sum of currents leaving it is zero; for a source or inductor, its voltage is what its law says.

use num_complex::Complex64;

use super::linear::{Entry, Plan};
use super::network::{Control, ElementId, Law, Network, Node, Primitive};
use super::parameters::params_of;
use super::poles::Reactive;
use super::stamps::{Device, DeviceView, Kind, Pair};

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
                self.device(builder, id, Kind::Bjt { ends, sign: polarity.sign() }, 2);
            }
            Primitive::Jfet { drain, gate, source, polarity, .. } => {
                let ends = [*drain, *gate, *source].map(|n| self.unknown_of(n));
                self.device(builder, id, Kind::Jfet { ends, sign: polarity.sign() }, 2);
            }
            Primitive::Mosfet { drain, gate, source, polarity, .. } => {
                let ends = [*drain, *gate, *source].map(|n| self.unknown_of(n));
                self.device(builder, id, Kind::Mosfet { ends, sign: polarity.sign() }, 0);
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
        self.remember_calmly(&params, x, &mut memory);
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

    /// Capacitors and inductors with their values.
    pub fn reactive<'a>(&'a self, params: &'a [f64]) -> impl Iterator<Item = Reactive> + 'a {
        let capacitors = self.capacitors.iter().map(|c| Reactive {
            ends: c.ends,
            slots: c.slots,
            value: params[c.param as usize],
            inductor: false,
        });
        let ground = self.n as u16;
        let inductors = self.inductors.iter().map(move |l| Reactive {
            ends: [l.ends[0], ground],
            slots: l.slots,
            value: -params[l.param as usize],
            inductor: true,
        });
        capacitors.chain(inductors)
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

    /// As [`Topology::remember`], for a point that may not be this network's own.
    pub fn remember_calmly(&self, params: &[f64], x: &[f64], memory: &mut [f64]) {
        self.remember(x, memory);
        for device in &self.devices {
            device.calm(&params[device.params as usize..], &mut memory[device.memory as usize..]);
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
