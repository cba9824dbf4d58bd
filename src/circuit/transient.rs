//! Large-signal response in time: how volts move when sources move, when a board is switched on, or when it oscillates.
//!
//! Each step is the trapezoidal rule up to a part of it and the second backward difference formula to its end (Bank and others, 1985):
//! second order, and a mode that is too fast for the step dies within it, so that nothing rings that does not ring in the circuit.
//! Both halves share one matrix. The step follows the error that the two halves show between them, and ends at every corner of a
//! source. Capacitors carry their current and inductors their voltage from step to step, so Kirchhoff's law holds at each point on its own.
//!
//! Absent: capacitance that depends on voltage, since the models have none; temperature.

use super::dc::{Options, SolveError};
use super::edit::Edit;
use super::network::{ElementId, Node, Primitive};
use super::newton::{Extra, place};
use super::poles::Reactive;
use super::sweep::Sweep;
use super::topology::{NODE_LEAK, Topology, Unknown};

/// Share of a step that the trapezoidal rule takes: with it both halves have the same matrix.
const GAMMA: f64 = 2.0 - std::f64::consts::SQRT_2;
/// Constant of the error that the step leaves: `(-3 g^2 + 4 g - 2) / (12 (2 - g))`.
const ERROR: f64 = (-3.0 * GAMMA * GAMMA + 4.0 * GAMMA - 2.0) / (12.0 * (2.0 - GAMMA));

/// How a source moves with time.
#[derive(Debug, Clone, PartialEq)]
pub enum Wave {
    /// `offset + peak * sin(2 pi hertz t)`.
    Sine {
        /// Value about which it swings.
        offset: f64,
        /// Half of the swing.
        peak: f64,
        /// Frequency, hertz.
        hertz: f64,
    },
    /// Straight lines between points in order of time; before the first and after the last it stands still.
    Lines(Vec<(f64, f64)>),
    /// Lines that come again after so many seconds.
    Again {
        /// Points of one period, from 0 on.
        points: Vec<(f64, f64)>,
        /// The period, seconds.
        period: f64,
    },
}

impl Wave {
    /// Value at a time.
    pub fn at(&self, t: f64) -> f64 {
        match self {
            Wave::Sine { offset, peak, hertz } => offset + peak * (std::f64::consts::TAU * hertz * t).sin(),
            Wave::Lines(points) => along(points, t),
            Wave::Again { points, period } => along(points, t.rem_euclid(*period)),
        }
    }

    /// The next corner after a time.
    fn corner(&self, t: f64) -> f64 {
        let next = |points: &[(f64, f64)], t: f64| {
            let after = |p: &&(f64, f64)| p.0 > t * (1.0 + 1e-12) + 1e-15;
            points.iter().find(after).map_or(f64::INFINITY, |p| p.0)
        };
        match self {
            Wave::Sine { .. } => f64::INFINITY,
            Wave::Lines(points) => next(points, t),
            Wave::Again { points, period } => {
                let start = (t / period).floor() * period;
                start + next(points, t - start).min(period * (1.0 + 1e-9))
            }
        }
    }

    /// The longest step that does not jump over what it does.
    fn longest(&self) -> f64 {
        match self {
            Wave::Sine { hertz, .. } => 1.0 / (24.0 * hertz.abs().max(1e-12)),
            _ => f64::INFINITY,
        }
    }
}

fn along(points: &[(f64, f64)], t: f64) -> f64 {
    let after = points.partition_point(|p| p.0 <= t);
    match (after.checked_sub(1).and_then(|i| points.get(i)), points.get(after)) {
        (None, Some(first)) => first.1,
        (Some(last), None) => last.1,
        (Some(a), Some(b)) => a.1 + (b.1 - a.1) * (t - a.0) / (b.0 - a.0),
        (None, None) => 0.0,
    }
}

/// Where a run begins.
#[derive(Debug, Clone, PartialEq)]
pub enum Start {
    /// At the operating point.
    Rest,
    /// At the operating point, with every node moved by so many volts (in the order of the network's nodes, ground first; those past
    /// the end stay).
    Moved(Vec<f64>),
    /// With every capacitor empty: switched on at time 0, if its supplies rise from nothing.
    Empty,
}

/// How closely a run follows the truth.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Accuracy {
    /// Error allowed in one step, as a share of a capacitor's volts (an inductor's amps).
    pub share: f64,
    /// The same in volts, whatever they are (amps: a thousandth of it).
    pub volts: f64,
    /// Steps are no longer than this, seconds.
    pub longest: f64,
    /// A run gives up after so many steps.
    pub steps: usize,
}

impl Default for Accuracy {
    fn default() -> Accuracy {
        Accuracy { share: 1e-3, volts: 1e-3, longest: f64::INFINITY, steps: 200_000 }
    }
}

/// Volts of some nodes over time. Points are not evenly spaced; three follow each other to a parabola.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Track {
    /// Times, ascending, seconds.
    pub seconds: Vec<f64>,
    /// Volts of each node, time by time.
    pub volts: Vec<Vec<f64>>,
    /// Steps taken, those taken again included.
    pub steps: usize,
}

impl Track {
    /// Volts of a node (by its place in what was asked for) at a time within the run, by the parabola through the step it is in.
    pub fn at(&self, node: usize, seconds: f64) -> f64 {
        let Some(volts) = self.volts.get(node) else { return f64::NAN };
        let last = self.seconds.len().saturating_sub(1);
        if last < 2 {
            return volts.first().copied().unwrap_or(f64::NAN);
        }
        // Steps have their middle at odd places.
        let right = self.seconds.partition_point(|t| *t < seconds).clamp(1, last);
        let first = ((right - 1) & !1).min((last - 2) & !1);
        let [t, v] = [&self.seconds, volts].map(|list| [list[first], list[first + 1], list[first + 2]]);
        lagrange(t, v, seconds)
    }
}

fn lagrange(t: [f64; 3], v: [f64; 3], at: f64) -> f64 {
    let part =
        |i: usize, j: usize, k: usize| v[i] * (at - t[j]) * (at - t[k]) / ((t[i] - t[j]) * (t[i] - t[k]));
    part(0, 1, 2) + part(1, 0, 2) + part(2, 0, 1)
}

/// A run in progress.
pub(crate) struct Run<'a> {
    topology: &'a Topology,
    extras: &'a [Extra],
    params: Vec<f64>,
    options: Options,
    accuracy: Accuracy,
    waves: Vec<(usize, Wave)>,
    parts: Vec<Reactive>,
    /// What each part stores per volt or amp times that, at the last point and in the middle of the step.
    stored: Vec<f64>,
    /// Current of each capacitor, minus the voltage of each inductor, at the same points.
    flow: Vec<f64>,
    middle: [Vec<f64>; 2],
    fresh: [Vec<f64>; 2],
    /// Unknowns now, in the middle of the last step, before it.
    pub x: Vec<f64>,
    x_middle: Vec<f64>,
    x_before: Vec<f64>,
    /// Volts per second (and amps) over the last half step.
    slope: Vec<f64>,
    last_step: f64,
    pub t: f64,
    step: f64,
    pub taken: usize,
    /// Linear matrix without stored parts, then with them; the latter factored as far as it is constant.
    bare: Vec<f64>,
    constant: Vec<f64>,
    base: Vec<f64>,
    /// Matrix share of stored parts that `base` was made for.
    made_for: f64,
    values: Vec<f64>,
    slopes: Vec<f64>,
    memory: Vec<f64>,
    b: Vec<f64>,
    f: Vec<f64>,
    dx: Vec<f64>,
    scratch: Vec<f64>,
    volts: Vec<bool>,
    /// Newton steps for a point, and the longest stride of a node in one, volts.
    patience: (usize, f64),
}

/// Why a run stopped early: the unknown that would not settle.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Stuck(pub usize);

const USUAL: (usize, f64) = (12, f64::INFINITY);

impl<'a> Run<'a> {
    /// Sets a run up at a point; `x` has a place for ground at its end.
    pub fn new(
        topology: &'a Topology,
        extras: &'a [Extra],
        params: Vec<f64>,
        x: Vec<f64>,
        waves: Vec<(usize, Wave)>,
        options: Options,
        accuracy: Accuracy,
    ) -> Run<'a> {
        let (n, slots) = (topology.n + 1, topology.plan.slots() + 1);
        let parts: Vec<Reactive> = topology.reactive(&params).filter(|r| r.value != 0.0).collect();
        let count = parts.len();
        let volts = topology.unknowns.iter().map(|u| !matches!(u, Unknown::Branch(_))).collect();
        let mut run = Run {
            topology,
            extras,
            params,
            options,
            accuracy,
            waves,
            parts,
            stored: vec![0.0; count],
            flow: vec![0.0; count],
            middle: [vec![0.0; count], vec![0.0; count]],
            fresh: [vec![0.0; count], vec![0.0; count]],
            x_middle: x.clone(),
            x_before: x.clone(),
            slope: vec![0.0; n],
            x,
            last_step: 0.0,
            t: 0.0,
            step: 1e-6,
            taken: 0,
            bare: vec![0.0; slots],
            constant: vec![0.0; slots],
            base: vec![0.0; slots],
            made_for: f64::NAN,
            values: vec![0.0; slots],
            slopes: vec![0.0; topology.slopes()],
            memory: vec![0.0; topology.memories],
            b: vec![0.0; n],
            f: vec![0.0; n],
            dx: vec![0.0; n],
            scratch: vec![0.0; n],
            volts,
            patience: USUAL,
        };
        run.topology.assemble(&run.params, NODE_LEAK, &mut run.bare);
        for extra in run.extras {
            let [aa, bb, ab, ba] = extra.slots.map(usize::from);
            run.bare[aa] += extra.siemens;
            run.bare[bb] += extra.siemens;
            run.bare[ab] -= extra.siemens;
            run.bare[ba] -= extra.siemens;
        }
        run.stored = run.parts.iter().map(|p| p.stores(&run.x)).collect();
        run.topology.remember(&run.x, &mut run.memory);
        run
    }

    /// The first moment: keeps what is stored and lets everything else fall into place, by a backward step too short to move anything.
    pub fn settle_in(&mut self) -> Result<(), Stuck> {
        const MOMENT: f64 = 1e-9;
        let alpha = 1.0 / MOMENT;
        let history: Vec<f64> = self.stored.iter().map(|q| -alpha * q).collect();
        // From nothing at all it may be a long way, taken in short strides.
        self.patience = (200, 0.5);
        let found = self.solve(alpha, &history, self.t);
        self.patience = USUAL;
        found?;
        self.flow = self.parts.iter().zip(&history).map(|(p, h)| alpha * p.stores(&self.x) + h).collect();
        self.stored = self.parts.iter().map(|p| p.stores(&self.x)).collect();
        self.x_middle.clone_from(&self.x);
        Ok(())
    }

    /// One step of its own choosing, to `end` at the farthest.
    pub fn advance(&mut self, end: f64) -> Result<(), Stuck> {
        let corner = self.waves.iter().map(|(_, w)| w.corner(self.t)).fold(f64::INFINITY, f64::min);
        let longest = self.waves.iter().map(|(_, w)| w.longest()).fold(self.accuracy.longest, f64::min);
        let stop = end.min(corner);
        loop {
            if self.taken >= self.accuracy.steps {
                return Err(Stuck(self.topology.n));
            }
            self.taken += 1;
            let left = stop - self.t;
            let mut h = self.step.min(longest);
            let ends = h > left * (1.0 - 1e-9);
            if ends {
                h = left;
            } else if h > 0.5 * left {
                h = 0.5 * left;
            }
            match self.attempt(h) {
                Ok(error) if error <= 1.0 || h < 1e-14 => {
                    self.accept(h);
                    if ends {
                        self.t = stop;
                    }
                    let grow = (0.85 / error.max(1e-6).cbrt()).clamp(0.3, 2.5);
                    // A step cut short says nothing against longer ones.
                    self.step = if ends { self.step.min(longest).max(h * grow.min(2.0)) } else { h * grow };
                    if stop == corner && ends {
                        self.step = (self.step * 0.05).max(1e-12);
                    }
                    return Ok(());
                }
                Ok(error) => {
                    self.step = h * (0.85 / error.cbrt()).clamp(0.1, 0.8);
                    self.x.copy_from_slice(&self.x_before);
                }
                Err(stuck) => {
                    self.step = h * 0.2;
                    self.x.copy_from_slice(&self.x_before);
                    self.made_for = f64::NAN;
                    if self.step < 1e-15 * self.t.max(1e-3) {
                        return Err(stuck);
                    }
                }
            }
        }
    }

    /// Both halves of a step of `h`; returns its error against what is allowed. What the halves found stands in `middle` and `fresh`.
    fn attempt(&mut self, h: f64) -> Result<f64, Stuck> {
        let alpha = 2.0 / (GAMMA * h);
        self.x_before.copy_from_slice(&self.x);
        // A guess that reaches far beyond the last step is worse than none.
        if GAMMA * h < 4.0 * self.last_step {
            self.x.iter_mut().zip(&self.slope).for_each(|(x, s)| *x += s * GAMMA * h);
        }
        let history: Vec<f64> = self.stored.iter().zip(&self.flow).map(|(q, f)| -alpha * q - f).collect();
        self.solve(alpha, &history, self.t + GAMMA * h)?;
        for (i, (part, history)) in self.parts.iter().zip(&history).enumerate() {
            self.middle[0][i] = part.stores(&self.x);
            self.middle[1][i] = alpha * self.middle[0][i] + history;
        }
        self.x_middle.copy_from_slice(&self.x);
        // To the end: on along the line that the first half took.
        for (x, before) in self.x.iter_mut().zip(&self.x_before) {
            *x += (*x - before) * (1.0 - GAMMA) / GAMMA;
        }
        let (early, late) = (1.0 / (GAMMA * (1.0 - GAMMA) * h), (1.0 - GAMMA) / (GAMMA * h));
        let history: Vec<f64> =
            self.stored.iter().zip(&self.middle[0]).map(|(q, m)| -early * m + late * q).collect();
        self.solve(alpha, &history, self.t + h)?;
        let mut worst = 0.0f64;
        for (i, (part, history)) in self.parts.iter().zip(&history).enumerate() {
            let stored = part.stores(&self.x);
            let flow = alpha * stored + history;
            let wiggle =
                self.flow[i] / GAMMA - self.middle[1][i] / (GAMMA * (1.0 - GAMMA)) + flow / (1.0 - GAMMA);
            let size = part.value.abs();
            let error = (2.0 * ERROR * h * wiggle).abs() / size;
            let level = (stored.abs().max(self.stored[i].abs())) / size;
            let floor = if part.inductor { 1e-3 * self.accuracy.volts } else { self.accuracy.volts };
            worst = worst.max(error / (self.accuracy.share * level + floor));
            self.fresh[0][i] = stored;
            self.fresh[1][i] = flow;
        }
        Ok(if worst.is_finite() { worst } else { f64::MAX })
    }

    /// Takes the step over that was attempted last.
    fn accept(&mut self, h: f64) {
        self.t += h;
        self.last_step = h;
        let span = (1.0 - GAMMA) * h;
        for ((slope, x), middle) in self.slope.iter_mut().zip(&self.x).zip(&self.x_middle) {
            *slope = (x - middle) / span;
        }
        let [stored, flow] = &mut self.fresh;
        std::mem::swap(&mut self.stored, stored);
        std::mem::swap(&mut self.flow, flow);
    }

    /// Volts half-way through the last step, with the time.
    pub fn middle(&self) -> (f64, &[f64]) {
        (self.t - (1.0 - GAMMA) * self.last_step, &self.x_middle)
    }

    /// Newton for the point at `t` where each part's flow is `alpha * stored + history`.
    fn solve(&mut self, alpha: f64, history: &[f64], t: f64) -> Result<(), Stuck> {
        let topology = self.topology;
        let (n, plan) = (topology.n, &topology.plan);
        for (param, wave) in &self.waves {
            self.params[*param] = wave.at(t);
        }
        if self.made_for != alpha {
            self.constant.copy_from_slice(&self.bare);
            for part in &self.parts {
                part.stamp(alpha, &mut self.constant);
            }
            self.base.copy_from_slice(&self.constant);
            plan.factor_constant(&mut self.base).map_err(Stuck)?;
            self.made_for = alpha;
        }
        topology.sources(&self.params, 1.0, &mut self.b);
        for (part, history) in self.parts.iter().zip(history) {
            let [a, c] = part.ends.map(usize::from);
            self.b[a] -= history;
            self.b[c] += history;
        }
        self.b[n] = 0.0;
        topology.remember_calmly(&self.params, &self.x, &mut self.memory);
        let from = plan.varying_from();
        self.values.copy_from_slice(&self.base);
        let (rounds, stride) = self.patience;
        for _ in 0..rounds {
            self.f.iter_mut().zip(&self.b).for_each(|(f, b)| *f = -b);
            plan.multiply_add(&self.constant, &self.x, &mut self.f);
            let held = topology.evaluate(
                &self.params,
                &self.x,
                &mut self.memory,
                self.options.gmin,
                &mut self.f,
                &mut self.slopes,
            );
            self.values[from..].copy_from_slice(&self.base[from..]);
            topology.add_slopes(&self.slopes, &mut self.values);
            plan.factor_varying(&mut self.values).map_err(Stuck)?;
            plan.solve(&self.values, &self.f, &mut self.dx, &mut self.scratch);
            let mut small = true;
            let mut worst = (0usize, 0.0f64);
            let mut share = 1.0;
            if stride.is_finite() {
                let nodes = self.dx[..n].iter().zip(&self.volts).filter(|(_, v)| **v);
                let longest = nodes.map(|(dx, _)| dx.abs()).fold(0.0, f64::max);
                share = (stride / longest.max(1e-300)).min(1.0);
            }
            for (i, (x, dx)) in self.x[..n].iter_mut().zip(&self.dx).enumerate() {
                *x -= share * dx;
                if self.volts[i] {
                    small &= dx.abs() <= STEP_VOLTS + STEP_SHARE * x.abs();
                    if dx.is_nan() || dx.abs() > worst.1 {
                        worst = (i, dx.abs());
                    }
                }
            }
            if !worst.1.is_finite() {
                return Err(Stuck(worst.0));
            }
            if small && !held {
                return Ok(());
            }
        }
        let size = |i: &usize| if self.volts[*i] { self.dx[*i].abs() } else { 0.0 };
        Err(Stuck((0..n).max_by(|a, b| size(a).total_cmp(&size(b))).unwrap_or(n)))
    }
}

/// A Newton step this small is the last one; what it leaves is its square and less.
const STEP_VOLTS: f64 = 2e-5;
const STEP_SHARE: f64 = 1e-5;

impl Reactive {
    /// Charge of a capacitor, minus the flux of an inductor.
    fn stores(&self, x: &[f64]) -> f64 {
        self.value * (x[self.ends[0] as usize] - x[self.ends[1] as usize])
    }
}

impl Sweep {
    /// Volts of some nodes over time with these edits made. `drives` are independent sources that move; all others stand at their direct
    /// value.
    ///
    /// ```
    /// use halfsplit::circuit::dc::Options;
    /// use halfsplit::circuit::network::{Network, Node, Primitive};
    /// use halfsplit::circuit::sweep::Sweep;
    /// use halfsplit::circuit::transient::{Accuracy, Start, Wave};
    ///
    /// let mut net = Network::new();
    /// let (v, a) = (net.node("V"), net.node("A"));
    /// let source = net.add("V1", Primitive::VoltageSource { plus: v, minus: Node::GROUND, dc: 1.0, ac: 0.0 })?;
    /// net.add("R1", Primitive::Resistor { a: v, b: a, ohms: 1e3 })?;
    /// net.add("C1", Primitive::Capacitor { a, b: Node::GROUND, farads: 1e-6 })?;
    /// let rise = Wave::Lines(vec![(0.0, 0.0), (1e-9, 1.0)]);
    /// let track = Sweep::new(&net, Options::default())?
    ///     .transient(&[], &[(source, rise)], &Start::Empty, 5e-3, &[a], Accuracy::default())?;
    /// // 1 - exp(-1) after one time constant.
    /// assert!((track.at(0, 1e-3) - 0.632121).abs() < 2e-3);
    /// # Ok::<(), Box<dyn std::error::Error>>(())
    /// ```
    ///
    /// # Errors
    /// [`SolveError`] where no operating point is found, a source is none, or a step does not settle however short it is.
    pub fn transient(
        &mut self,
        edits: &[Edit],
        drives: &[(ElementId, Wave)],
        start: &Start,
        seconds: f64,
        nodes: &[Node],
        accuracy: Accuracy,
    ) -> Result<Track, SolveError> {
        self.find_point(edits)?;
        let mut track = Track { volts: vec![Vec::new(); nodes.len()], ..Track::default() };
        let options = self.options;
        let mut x = self.state.work.x.clone();
        let free = x.len().saturating_sub(1);
        match start {
            Start::Rest => {}
            Start::Moved(by) => {
                x.iter_mut().take(free).zip(by.iter().skip(1)).for_each(|(x, by)| *x += by);
            }
            Start::Empty => x.fill(0.0),
        }
        let (network, topology, mut run) = self.start_run(drives, x, options, accuracy)?;
        let at = |x: &[f64], n: &Node| {
            if n.is_ground() { 0.0 } else { x.get(n.index() - 1).copied().unwrap_or(f64::NAN) }
        };
        let mut keep = |t: f64, x: &[f64]| {
            track.seconds.push(t);
            track.volts.iter_mut().zip(nodes).for_each(|(list, n)| list.push(at(x, n)));
        };
        let stuck = |Stuck(unknown): Stuck, t: f64| {
            let (place, unit) = place(network, topology, unknown);
            SolveError::NoConvergence {
                place: format!("{place} after {t:.3e} s"),
                residual: f64::NAN,
                unit,
                iterations: 0,
                attempts: 1,
            }
        };
        run.settle_in().map_err(|s| stuck(s, 0.0))?;
        keep(0.0, &run.x);
        while run.t < seconds {
            let now = run.t;
            run.advance(seconds).map_err(|s| stuck(s, now))?;
            let (t, middle) = run.middle();
            keep(t, middle);
            keep(run.t, &run.x);
        }
        let steps = run.taken;
        track.steps = steps;
        Ok(track)
    }

    /// A run of the case in hand from these values of the unknowns.
    pub(crate) fn start_run(
        &self,
        drives: &[(ElementId, Wave)],
        x: Vec<f64>,
        options: Options,
        accuracy: Accuracy,
    ) -> Result<(&super::network::Network, &Topology, Run<'_>), SolveError> {
        let compiled = &self.compiled[self.state.active];
        let (topology, extras) =
            self.state.order.as_deref().map_or((&compiled.topology, &self.state.extras), |o| (&o.0, &o.1));
        let mut waves = Vec::new();
        for (id, wave) in drives {
            let element = compiled.network.element(*id)?;
            if !matches!(element.primitive, Primitive::VoltageSource { .. } | Primitive::CurrentSource { .. })
            {
                return Err(SolveError::Edit(super::network::NetworkError::NoSuchParameter {
                    element: element.name.clone(),
                    parameter: "movement in time",
                }));
            }
            waves.push((topology.first_param[id.index()] as usize, wave.clone()));
        }
        let run = Run::new(topology, extras, self.state.params.clone(), x, waves, options, accuracy);
        Ok((&compiled.network, topology, run))
    }
}
