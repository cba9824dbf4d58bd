//! The operating point: Newton's method on the compiled network, with its fallbacks and its honesty.
//!
//! A point counts as solved when the last step was small **and** the currents at every node add up **and** no junction was being held
//! back. When Newton from the start given does not get there, the solver tries a fresh elimination order, a start from zero, a leak from
//! every node that is taken away by steps, and sources brought up by steps; the answer says which of them found it. When none
//! does, the error names the node whose currents disagree most. A wrong answer is never returned as an answer.
//!
//! Absent: transients. A circuit that oscillates has an operating point all the same, and this is it.

use thiserror::Error;

use super::network::{ElementId, Network, NetworkError, Node, Primitive};
use super::topology::{NODE_LEAK, Seed, Topology, Unknown};

/// Why a network could not be solved.
#[derive(Debug, Clone, PartialEq, Error)]
pub enum SolveError {
    /// No attempt met the tolerances.
    #[error(
        "no operating point found: at {place} the balance is off by {residual:.3e} {unit} after {iterations} iterations in {attempts} attempts"
    )]
    NoConvergence {
        /// Node or element whose equation is worst at the end of the last attempt.
        place: String,
        /// By how much it is off.
        residual: f64,
        /// `A` for a node, `V` for a source.
        unit: &'static str,
        /// Newton steps taken in all.
        iterations: usize,
        /// Attempts made.
        attempts: usize,
    },
    /// Some voltage or current is not determined, e.g. two voltage sources in parallel.
    #[error("the equations do not determine {place}")]
    Singular {
        /// Node or element.
        place: String,
    },
    /// More unknowns than the solver takes.
    #[error("the network has {unknowns} unknowns, which is more than the solver takes")]
    TooLarge {
        /// Number of unknowns.
        unknowns: usize,
    },
    /// A frequency that is not above 0 Hz.
    #[error("a frequency of {hertz} Hz was asked for, but it must be finite and above 0")]
    BadFrequency {
        /// The frequency, hertz.
        hertz: f64,
    },
    /// An edit that the network does not allow.
    #[error(transparent)]
    Edit(#[from] NetworkError),
}

/// Tolerances and limits of the solver. The defaults suit 9 V audio boards.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Options {
    /// Newton steps per attempt.
    pub max_iterations: usize,
    /// A step counts as small below `step_volts + step_relative * |V|` at every node, volts.
    pub step_volts: f64,
    /// See `step_volts`.
    pub step_relative: f64,
    /// Currents must add up to this at every node, amps (and source equations to as many volts).
    pub residual_amps: f64,
    /// Conductance across every junction, siemens; the reference simulator's default is 1e-12 too.
    pub gmin: f64,
    /// Whether the fallbacks are tried when the direct attempt fails.
    pub fallbacks: bool,
}

impl Default for Options {
    fn default() -> Options {
        Options {
            max_iterations: 60,
            step_volts: 1e-6,
            step_relative: 1e-6,
            residual_amps: 1e-10,
            gmin: 1e-12,
            fallbacks: true,
        }
    }
}

/// How an operating point was found.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Path {
    /// Newton from the start given.
    Direct,
    /// Newton from the start given, with an elimination order made for it.
    Reordered,
    /// Newton with short steps from zero.
    FromZero,
    /// A leak from every node, taken away by steps.
    LeakSteps,
    /// Sources brought up by steps.
    SourceSteps,
}

/// An operating point.
#[derive(Debug, Clone, PartialEq)]
pub struct Solution {
    pub(crate) x: Vec<f64>,
    nodes: usize,
    /// Newton steps taken in all attempts.
    pub iterations: usize,
    /// What found it.
    pub path: Path,
    /// Largest imbalance left at any node, amps (or volts at a source).
    pub residual: f64,
}

impl Solution {
    /// Voltage of a node against ground, volts; NaN for a node of another network.
    pub fn volts(&self, node: Node) -> f64 {
        match node.index() {
            0 => 0.0,
            i if i < self.nodes => self.x[i - 1],
            _ => f64::NAN,
        }
    }

    /// Voltage between two nodes, volts.
    pub fn across(&self, plus: Node, minus: Node) -> f64 {
        self.volts(plus) - self.volts(minus)
    }
}

/// An extra conductance laid over a compiled network: where, and how much.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Extra {
    pub slots: [u16; 4],
    pub siemens: f64,
}

/// A compiled network with the values of one case.
#[derive(Clone, Copy)]
pub(crate) struct Case<'a> {
    pub topology: &'a Topology,
    pub params: &'a [f64],
    pub extras: &'a [Extra],
}

/// Buffers of the solver, kept from case to case.
#[derive(Debug, Clone, Default)]
pub(crate) struct Work {
    /// The unknowns; the place after the last is ground.
    pub x: Vec<f64>,
    /// The constant part of the matrix, not factored.
    pub constant: Vec<f64>,
    base: Vec<f64>,
    pub values: Vec<f64>,
    pub slopes: Vec<f64>,
    b: Vec<f64>,
    f: Vec<f64>,
    dx: Vec<f64>,
    scratch: Vec<f64>,
    memory: Vec<f64>,
}

impl Work {
    fn fit(&mut self, t: &Topology) {
        let (n, slots) = (t.n + 1, t.plan.slots() + 1);
        for list in [&mut self.x, &mut self.b, &mut self.f, &mut self.dx, &mut self.scratch] {
            list.resize(n, 0.0);
        }
        for list in [&mut self.constant, &mut self.base, &mut self.values] {
            list.resize(slots, 0.0);
        }
        self.slopes.resize(t.slopes(), 0.0);
        self.memory.resize(t.memories, 0.0);
        self.x[n - 1] = 0.0;
    }
}

/// One attempt's settings.
#[derive(Clone, Copy)]
struct Attempt {
    leak: f64,
    scale: f64,
    /// Largest change of any unknown voltage in one step, volts.
    cap: f64,
    iterations: usize,
}

const DIRECT: Attempt = Attempt { leak: NODE_LEAK, scale: 1.0, cap: f64::INFINITY, iterations: usize::MAX };

/// How an attempt ended short of an answer.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) enum Failure {
    Singular(usize),
    Iterations { worst: usize, residual: f64 },
}

impl Case<'_> {
    fn assemble(&self, work: &mut Work, leak: f64) {
        self.topology.assemble(self.params, leak, &mut work.constant);
        for extra in self.extras {
            let [aa, bb, ab, ba] = extra.slots.map(usize::from);
            work.constant[aa] += extra.siemens;
            work.constant[bb] += extra.siemens;
            work.constant[ab] -= extra.siemens;
            work.constant[ba] -= extra.siemens;
        }
    }

    /// Fills constant part for another order of the same network.
    pub fn constant_again(&self, work: &mut Work) {
        work.fit(self.topology);
        self.assemble(work, NODE_LEAK);
    }

    /// Fills constant part and slopes for the point in `work.x`, without solving.
    pub fn evaluate_at(&self, work: &mut Work, options: &Options) {
        self.constant_again(work);
        self.topology.remember(&work.x, &mut work.memory);
        work.f.fill(0.0);
        self.topology.evaluate(
            self.params,
            &work.x,
            &mut work.memory,
            options.gmin,
            &mut work.f,
            &mut work.slopes,
        );
    }

    /// This case's topology with an order made for `matrix` (in its present slots), and the extras' slots in it.
    pub fn reordered_for<T: super::linear::Scalar>(&self, matrix: &[T]) -> Option<(Topology, Vec<Extra>)> {
        let mut topology = self.topology.clone();
        for extra in self.extras {
            for slot in extra.slots {
                if let Some((row, col)) = self.topology.plan.place_of(slot) {
                    topology.reserve(row, col);
                }
            }
        }
        topology.reorder(matrix).ok()?;
        let extras = Case { topology: &topology, params: self.params, extras: &[] }.extras_again(self);
        Some((topology, extras))
    }

    /// Newton from `work.x`. On success `work.x` is the point, and `work.slopes` and `work.constant` belong to it.
    fn newton(
        &self,
        work: &mut Work,
        options: &Options,
        attempt: Attempt,
        spent: &mut usize,
    ) -> Result<f64, Failure> {
        let t = self.topology;
        let plan = &t.plan;
        work.fit(t);
        self.assemble(work, attempt.leak);
        work.base.copy_from_slice(&work.constant);
        plan.factor_constant(&mut work.base).map_err(Failure::Singular)?;
        work.values.copy_from_slice(&work.base);
        t.sources(self.params, attempt.scale, &mut work.b);
        t.remember(&work.x, &mut work.memory);
        let from = plan.varying_from();
        let mut small_step = false;
        let limit = attempt.iterations.min(options.max_iterations);
        for iteration in 0.. {
            work.f.iter_mut().zip(&work.b).for_each(|(f, b)| *f = -b);
            plan.multiply_add(&work.constant, &work.x, &mut work.f);
            let held = t.evaluate(
                self.params,
                &work.x,
                &mut work.memory,
                options.gmin,
                &mut work.f,
                &mut work.slopes,
            );
            let residual = largest(&work.f[..t.n]);
            if small_step
                && !held
                && (residual <= options.residual_amps || self.within_rounding(work, options))
            {
                return Ok(residual);
            }
            if iteration >= limit || !residual.is_finite() {
                let worst = worst(&work.f[..t.n]);
                return Err(Failure::Iterations { worst, residual: work.f[worst].abs() });
            }
            *spent += 1;
            work.values[from..].copy_from_slice(&work.base[from..]);
            t.add_slopes(&work.slopes, &mut work.values);
            plan.factor_varying(&mut work.values).map_err(Failure::Singular)?;
            plan.solve(&work.values, &work.f, &mut work.dx, &mut work.scratch);
            small_step = self.take_step(work, options, attempt.cap);
        }
        Err(Failure::Singular(0))
    }

    /// Moves `work.x` by `-work.dx`, shortened to the cap; says whether the full step was small.
    fn take_step(&self, work: &mut Work, options: &Options, cap: f64) -> bool {
        let n = self.topology.n;
        let is_volts = |unknown: &Unknown| !matches!(unknown, Unknown::Branch(_));
        let mut factor = 1.0;
        if cap.is_finite() {
            let steps = work.dx.iter().zip(&self.topology.unknowns).filter(|(_, u)| is_volts(u));
            let longest = steps.map(|(dx, _)| dx.abs()).fold(0.0, f64::max);
            factor = if longest > cap { cap / longest } else { 1.0 };
        }
        let mut small = factor == 1.0;
        for ((x, dx), unknown) in work.x[..n].iter_mut().zip(&work.dx).zip(&self.topology.unknowns) {
            *x -= factor * dx;
            if dx.abs() > options.step_volts + options.step_relative * x.abs() && is_volts(unknown) {
                small = false;
            }
        }
        small
    }

    /// Whether what is left of every balance is no more than rounding makes of the terms in it (networks with micro-ohm links).
    fn within_rounding(&self, work: &Work, options: &Options) -> bool {
        let n = self.topology.n;
        let mut scale = vec![0.0; n + 1];
        let sizes: Vec<f64> = work.constant.iter().map(|v| v.abs()).collect();
        let x: Vec<f64> = work.x.iter().map(|v| v.abs()).collect();
        self.topology.plan.multiply_add(&sizes, &x, &mut scale);
        work.f[..n].iter().zip(&scale).all(|(f, s)| f.abs() <= options.residual_amps + 8.0 * f64::EPSILON * s)
    }

    /// The operating point from `work.x`, by every means allowed. Leaves `work` at the point, slopes and all.
    pub fn solve(&self, work: &mut Work, options: &Options) -> Result<Found, Failed> {
        let mut spent = 0;
        work.fit(self.topology);
        let start = work.x.clone();
        let mut last = match self.newton(work, options, DIRECT, &mut spent) {
            Ok(residual) => {
                return Ok(Found { iterations: spent, path: Path::Direct, residual, order: None });
            }
            Err(failure) => failure,
        };
        if !options.fallbacks {
            return Err(Failed { failure: last, iterations: spent, attempts: 1 });
        }
        let fresh = self.reordered(work, options, &start);
        let had_fresh = fresh.is_some();
        let (topology, extras) = fresh.unwrap_or_else(|| (self.topology.clone(), self.extras.to_vec()));
        let case = Case { topology: &topology, params: self.params, extras: &extras };
        let mut attempts = 1;
        for path in [Path::Reordered, Path::FromZero, Path::LeakSteps, Path::SourceSteps] {
            if path == Path::Reordered && !had_fresh {
                continue;
            }
            attempts += 1;
            work.fit(case.topology);
            match path {
                Path::Reordered => work.x.copy_from_slice(&start),
                _ => work.x.fill(0.0),
            }
            match case.attempt(path, work, options, &mut spent) {
                Ok(residual) => {
                    return Ok(Found {
                        iterations: spent,
                        path,
                        residual,
                        order: Some(Box::new((topology, extras))),
                    });
                }
                Err(failure) => last = failure,
            }
        }
        Err(Failed { failure: last, iterations: spent, attempts })
    }

    fn extras_again(&self, old: &Case<'_>) -> Vec<Extra> {
        let again = |slot: u16| match old.topology.plan.place_of(slot) {
            None => Some(self.topology.plan.slots() as u16),
            Some((row, col)) => self.topology.plan.slot(row as usize, col as usize),
        };
        let whole = |e: &Extra| {
            let slots = e.slots.map(again);
            let dummy = self.topology.plan.slots() as u16;
            Extra { slots: slots.map(|s| s.unwrap_or(dummy)), siemens: e.siemens }
        };
        old.extras.iter().map(whole).collect()
    }

    /// An order made for this case's values at its start.
    fn reordered(&self, work: &mut Work, options: &Options, start: &[f64]) -> Option<(Topology, Vec<Extra>)> {
        work.x.copy_from_slice(start);
        self.evaluate_at(work, options);
        let mut values = work.constant.clone();
        self.topology.add_slopes(&work.slopes, &mut values);
        self.reordered_for(&values)
    }

    fn attempt(
        &self,
        path: Path,
        work: &mut Work,
        options: &Options,
        spent: &mut usize,
    ) -> Result<f64, Failure> {
        match path {
            Path::Direct | Path::Reordered => self.newton(work, options, DIRECT, spent),
            Path::FromZero => self.newton(
                work,
                options,
                Attempt { cap: 1.0, iterations: 4 * options.max_iterations, ..DIRECT },
                spent,
            ),
            Path::LeakSteps => self.leak_steps(work, options, spent),
            Path::SourceSteps => self.source_steps(work, options, spent),
        }
    }

    /// From a leak that swamps everything down to none, each point the start of the next; a step that fails is halved.
    fn leak_steps(&self, work: &mut Work, options: &Options, spent: &mut usize) -> Result<f64, Failure> {
        let mut exponent: f64 = 0.0;
        let mut stride: f64 = 1.0;
        self.newton(work, options, Attempt { leak: 1.0, ..DIRECT }, spent)?;
        let mut good = work.x.clone();
        while exponent > -13.0 {
            let next = (exponent - stride).max(-13.0);
            match self.newton(work, options, Attempt { leak: 10f64.powf(next), ..DIRECT }, spent) {
                Ok(_) => {
                    exponent = next;
                    stride = (stride * 1.5).min(2.0);
                    good.copy_from_slice(&work.x);
                }
                Err(failure) => {
                    work.x.copy_from_slice(&good);
                    stride *= 0.5;
                    if stride < 0.01 {
                        return Err(failure);
                    }
                }
            }
        }
        self.newton(work, options, DIRECT, spent)
    }

    /// From all sources at zero to full, each point the start of the next; a step that fails is halved.
    fn source_steps(&self, work: &mut Work, options: &Options, spent: &mut usize) -> Result<f64, Failure> {
        let mut scale: f64 = 0.0;
        let mut stride: f64 = 0.1;
        let mut residual = self.newton(work, options, Attempt { scale, ..DIRECT }, spent)?;
        let mut good = work.x.clone();
        while scale < 1.0 {
            let next = (scale + stride).min(1.0);
            match self.newton(work, options, Attempt { scale: next, ..DIRECT }, spent) {
                Ok(r) => {
                    (scale, residual) = (next, r);
                    stride *= 1.5;
                    good.copy_from_slice(&work.x);
                }
                Err(failure) => {
                    work.x.copy_from_slice(&good);
                    stride *= 0.5;
                    if stride < 1e-4 {
                        return Err(failure);
                    }
                }
            }
        }
        Ok(residual)
    }
}

fn largest(f: &[f64]) -> f64 {
    // A NaN must not look like a small number.
    f.iter().fold(0.0, |m, v| if v.abs() <= m { m } else { v.abs() })
}

fn worst(f: &[f64]) -> usize {
    let score = |v: f64| if v.is_nan() { f64::INFINITY } else { v.abs() };
    (0..f.len()).fold(0, |best, i| if score(f[i]) > score(f[best]) { i } else { best })
}

/// A point found; `order` is the fresh order (with the extras' slots in it) that `work` is laid out for, where one was needed.
#[derive(Debug)]
pub(crate) struct Found {
    pub iterations: usize,
    pub path: Path,
    pub residual: f64,
    pub order: Option<Box<(Topology, Vec<Extra>)>>,
}

/// No point found.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Failed {
    failure: Failure,
    iterations: usize,
    attempts: usize,
}

/// What an unknown is called in messages, and its equation's unit.
pub(crate) fn place(network: &Network, topology: &Topology, unknown: usize) -> (String, &'static str) {
    let element = |id: ElementId| network.element(id).map_or("?", |e| e.name.as_str());
    match topology.unknowns.get(unknown) {
        Some(Unknown::Node(node)) => (format!("node {}", network.node_name(*node)), "A"),
        Some(Unknown::Inner(id)) => (format!("the inside of {}", element(*id)), "A"),
        Some(Unknown::Branch(id)) => (format!("the current of {}", element(*id)), "V"),
        None => ("the network".to_owned(), "A"),
    }
}

impl Failed {
    pub fn explain(self, network: &Network, topology: &Topology) -> SolveError {
        match self.failure {
            Failure::Singular(unknown) => SolveError::Singular { place: place(network, topology, unknown).0 },
            Failure::Iterations { worst, residual } => {
                let (place, unit) = place(network, topology, worst);
                SolveError::NoConvergence {
                    place,
                    residual,
                    unit,
                    iterations: self.iterations,
                    attempts: self.attempts,
                }
            }
        }
    }
}

pub(crate) fn compile(network: &Network, seed: &Seed<'_>) -> Result<Topology, SolveError> {
    Topology::new(network, seed).map_err(|unknown| {
        let unknowns = network.node_count() - 1 + network.element_count();
        // Only for the name: numbering does not depend on the order that failed.
        match Topology::name_of(network, unknown) {
            Some(Unknown::Node(node)) => {
                SolveError::Singular { place: format!("node {}", network.node_name(node)) }
            }
            Some(Unknown::Inner(id) | Unknown::Branch(id)) => SolveError::Singular {
                place: format!("the current of {}", network.element(id).map_or("?", |e| e.name.as_str())),
            },
            None => SolveError::TooLarge { unknowns },
        }
    })
}

/// A network ready to be solved, as often as wanted. See the [module page](self).
///
/// ```
/// use halfsplit::circuit::dc::{Options, Solver};
/// use halfsplit::circuit::network::{Network, Node, Primitive};
///
/// let mut net = Network::new();
/// let (top, mid) = (net.node("TOP"), net.node("MID"));
/// let v1 = net.add("V1", Primitive::VoltageSource { plus: top, minus: Node::GROUND, dc: 9.0, ac: 0.0 })?;
/// net.add("R1", Primitive::Resistor { a: top, b: mid, ohms: 20e3 })?;
/// net.add("R2", Primitive::Resistor { a: mid, b: Node::GROUND, ohms: 10e3 })?;
/// let solver = Solver::new(&net, Options::default())?;
/// let point = solver.operating_point()?;
/// assert!((point.volts(mid) - 3.0).abs() < 1e-6);
/// assert!((solver.delivered(&point, v1)? - 300e-6).abs() < 1e-9);
/// # Ok::<(), Box<dyn std::error::Error>>(())
/// ```
#[derive(Debug, Clone)]
pub struct Solver {
    pub(crate) network: Network,
    pub(crate) topology: Topology,
    pub(crate) options: Options,
}

impl Solver {
    /// Compiles a network. Cost: some 100 microseconds for a board of 50 unknowns.
    ///
    /// # Errors
    /// [`SolveError::Singular`] if something is undetermined whatever the values, [`SolveError::TooLarge`] past 1,500 unknowns.
    pub fn new(network: &Network, options: Options) -> Result<Solver, SolveError> {
        let seed = Seed { x: &[], params: &[], gmin: options.gmin };
        let mut topology = compile(network, &seed)?;
        // The order is better when it is made for the operating point; where there is none, the first one stays.
        let case = Case { topology: &topology, params: &topology.params, extras: &[] };
        let mut work = Work::default();
        if case.solve(&mut work, &options).is_ok()
            && let Ok(better) = Topology::new(network, &Seed { x: &work.x, params: &[], gmin: options.gmin })
        {
            topology = better;
        }
        Ok(Solver { network: network.clone(), topology, options })
    }

    /// The network this was made from.
    pub fn network(&self) -> &Network {
        &self.network
    }

    /// The operating point, from a cold start.
    ///
    /// # Errors
    /// [`SolveError::NoConvergence`] or [`SolveError::Singular`].
    pub fn operating_point(&self) -> Result<Solution, SolveError> {
        self.solve_from(None)
    }

    /// The operating point, starting from another one of the same network.
    ///
    /// # Errors
    /// As for [`Solver::operating_point`].
    pub fn solve_from(&self, start: Option<&Solution>) -> Result<Solution, SolveError> {
        let mut work = Work::default();
        if let Some(start) = start.filter(|s| s.x.len() == self.topology.n + 1) {
            work.x = start.x.clone();
        }
        let case = Case { topology: &self.topology, params: &self.topology.params, extras: &[] };
        match case.solve(&mut work, &self.options) {
            Ok(found) => Ok(Solution {
                x: work.x,
                nodes: self.network.node_count(),
                iterations: found.iterations,
                path: found.path,
                residual: found.residual,
            }),
            Err(failed) => Err(failed.explain(&self.network, &self.topology)),
        }
    }

    /// Currents into each of an element's terminals (control terminals draw none), amps.
    ///
    /// # Errors
    /// An element of another network.
    pub fn currents(&self, point: &Solution, id: ElementId) -> Result<Vec<f64>, SolveError> {
        let primitive = &self.network.element(id)?.primitive;
        let t = &self.topology;
        let own = point.x.get(t.own_unknown[id.index()] as usize).copied().unwrap_or(f64::NAN);
        Ok(match primitive {
            Primitive::Resistor { a, b, ohms } => {
                let amps = point.across(*a, *b) / ohms;
                vec![amps, -amps]
            }
            Primitive::Capacitor { .. } => vec![0.0, 0.0],
            Primitive::Inductor { .. } | Primitive::VoltageSource { .. } => vec![own, -own],
            Primitive::CurrentSource { dc, .. } => vec![*dc, -dc],
            Primitive::ControlledVoltage { .. } => vec![own, -own],
            Primitive::ControlledCurrent { law, .. } => {
                let amps = law_value(law, point);
                vec![amps, -amps]
            }
            Primitive::Diode { anode, cathode, model } => {
                let inner = if model.series_ohms > 0.0 { own } else { point.volts(*anode) };
                let into_anode = if model.series_ohms > 0.0 {
                    (point.volts(*anode) - own) / model.series_ohms
                } else {
                    f64::NAN
                };
                let through =
                    super::devices::diode(inner - point.volts(*cathode), model, self.options.gmin).i;
                vec![if into_anode.is_nan() { through } else { into_anode }, -through]
            }
            Primitive::Bjt { collector, base, emitter, polarity, model } => {
                let s = polarity.sign();
                let ([ic, ib], _) = super::devices::bjt(
                    s * point.across(*base, *emitter),
                    s * point.across(*base, *collector),
                    model,
                    self.options.gmin,
                );
                vec![s * ic, s * ib, -s * (ic + ib)]
            }
            Primitive::Jfet { drain, gate, source, polarity, model } => {
                let s = polarity.sign();
                let (vgs, vgd) = (s * point.across(*gate, *source), s * point.across(*gate, *drain));
                let junction = |v: f64| {
                    super::devices::junction(v, model.is, super::devices::THERMAL_VOLTS, self.options.gmin).i
                };
                let channel = super::devices::jfet_channel(vgs, vgs - vgd, model)[0];
                vec![
                    s * (channel - junction(vgd)),
                    s * (junction(vgs) + junction(vgd)),
                    -s * (channel + junction(vgs)),
                ]
            }
            Primitive::Mosfet { drain, gate, source, polarity, model } => {
                let s = polarity.sign();
                let amps = s * super::devices::mosfet_channel(
                    s * point.across(*gate, *source),
                    s * point.across(*drain, *source),
                    model,
                )[0];
                vec![amps, 0.0, -amps]
            }
        })
    }

    /// Current a voltage source delivers out of its positive terminal, amps; positive when it feeds the circuit.
    ///
    /// # Errors
    /// An element of another network.
    pub fn delivered(&self, point: &Solution, source: ElementId) -> Result<f64, SolveError> {
        Ok(-self.currents(point, source)?.first().copied().unwrap_or(f64::NAN))
    }

    /// Kirchhoff's check: for every node but ground, the sum of the currents of all elements out of it, worked out element by element from
    /// the voltages alone (not from the solver's matrix), amps. All close to zero for a true operating point.
    ///
    /// # Errors
    /// None for a solution of this network.
    pub fn imbalance(&self, point: &Solution) -> Result<Vec<(Node, f64)>, SolveError> {
        let mut sums = vec![0.0; self.network.node_count()];
        for (id, element) in self.network.elements() {
            for (node, amps) in element.primitive.terminals().into_iter().zip(self.currents(point, id)?) {
                sums[node.index()] += amps;
            }
        }
        Ok(self.network.nodes().zip(sums).skip(1).collect())
    }
}

/// What a law comes to at a point.
fn law_value(law: &super::network::Law, point: &Solution) -> f64 {
    let terms = |controls: &[super::network::Control]| {
        controls.iter().map(|c| c.gain * point.across(c.plus, c.minus)).sum::<f64>()
    };
    let corner = |r: &super::network::Ramp| {
        r.scale * super::devices::softpos(r.offset + terms(&r.controls), r.roundness).0
    };
    law.offset + terms(&law.controls) + law.ramps.iter().map(corner).sum::<f64>()
}
