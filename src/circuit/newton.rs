//! Newton's method on a compiled network, and what is tried when it does not get there from where it stands.

use super::dc::{Options, Path, SolveError};
use super::network::{ElementId, Network};
use super::topology::{NODE_LEAK, Seed, Topology, Unknown};

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
    /// Currents fed into nodes from outside, by unknown, amps.
    pub feed: Vec<(usize, f64)>,
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
    /// Multiple of the option's iterations.
    patience: usize,
    /// The leak pulls every node to where it stood at the start of the attempt, not to ground.
    anchored: bool,
}

/// Longest round of steps that is noticed, and the share by which two residuals of it may differ.
const CYCLE: usize = 8;
const SAME: f64 = 1e-9;

/// After so many steps of one attempt a point that is exact but for rounding is taken, however it jitters.
const PATIENT: usize = 30;

const DIRECT: Attempt =
    Attempt { leak: NODE_LEAK, scale: 1.0, cap: f64::INFINITY, patience: 1, anchored: false };

/// How an attempt ended short of an answer.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) enum Failure {
    Singular(usize),
    /// Not there yet; `circles` says that the steps went round and round.
    Iterations {
        worst: usize,
        residual: f64,
        circles: bool,
    },
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
        for (unknown, amps) in &work.feed {
            work.b[*unknown] += amps * attempt.scale;
        }
        t.remember_calmly(self.params, &work.x, &mut work.memory);
        let from = plan.varying_from();
        let mut small_step = false;
        if attempt.anchored {
            let nodes =
                self.topology.unknowns.iter().enumerate().filter(|(_, u)| matches!(u, Unknown::Node(_)));
            nodes.for_each(|(i, _)| work.b[i] += (attempt.leak - NODE_LEAK) * work.x[i]);
        }
        let limit = attempt.patience * options.max_iterations;
        let mut residuals = [f64::NAN; CYCLE];
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
            // A node that hangs on a leak next to a firm part jitters by more than a small step: rounding moves it for ever.
            if iteration >= PATIENT && !held && self.within_rounding_of(work, 0.0) {
                return Ok(residual);
            }
            let circles = residual > options.residual_amps
                && residuals.iter().any(|r| (r - residual).abs() <= SAME * residual);
            if iteration >= limit || circles || !residual.is_finite() {
                let worst = worst(&work.f[..t.n]);
                return Err(Failure::Iterations { worst, residual: work.f[worst].abs(), circles });
            }
            residuals[iteration % CYCLE] = residual;
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
    fn within_rounding(&self, work: &mut Work, options: &Options) -> bool {
        self.within_rounding_of(work, options.residual_amps)
    }

    /// The same, with so many amps beside the rounding.
    fn within_rounding_of(&self, work: &mut Work, amps: f64) -> bool {
        let n = self.topology.n;
        let scale = &mut work.scratch;
        scale.fill(0.0);
        self.topology.plan.add_sizes(&work.constant, &work.x, scale);
        work.f[..n].iter().zip(scale).all(|(f, s)| f.abs() <= amps + 8.0 * f64::EPSILON * *s)
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
        // Another order mends rounding; steps that go round and round do so in any.
        let circles = matches!(last, Failure::Iterations { circles: true, .. });
        let fresh = if circles { None } else { self.reordered(work, options, &start) };
        let had_fresh = fresh.is_some();
        let (topology, extras) = fresh.unwrap_or_else(|| (self.topology.clone(), self.extras.to_vec()));
        let case = Case { topology: &topology, params: self.params, extras: &extras };
        let mut attempts = 1;
        for path in [Path::Reordered, Path::FromZero, Path::Settling, Path::LeakSteps, Path::SourceSteps] {
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
            Path::FromZero => self.newton(work, options, Attempt { cap: 1.0, patience: 4, ..DIRECT }, spent),
            Path::Settling => self.settle(work, options, spent),
            Path::LeakSteps => self.leak_steps(work, options, spent),
            Path::SourceSteps => self.source_steps(work, options, spent),
        }
    }

    /// As a board with a capacitor from every node to ground settles after switching on: each step pulls the nodes to where the last one left
    /// them, ever more weakly; a step that fails is taken again with a stronger pull.
    fn settle(&self, work: &mut Work, options: &Options, spent: &mut usize) -> Result<f64, Failure> {
        let mut leak = 1.0;
        let mut good = work.x.clone();
        for _ in 0..300 {
            match self.newton(work, options, Attempt { leak, anchored: true, ..DIRECT }, spent) {
                Ok(_) if leak < 1e-12 => return self.newton(work, options, DIRECT, spent),
                Ok(_) => {
                    leak *= 0.4;
                    good.copy_from_slice(&work.x);
                }
                Err(failure) => {
                    work.x.copy_from_slice(&good);
                    leak *= 10.0;
                    if leak > 1e9 {
                        return Err(failure);
                    }
                }
            }
        }
        self.newton(work, options, DIRECT, spent)
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
            Failure::Iterations { worst, residual, .. } => {
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
