//! How far readings spread when parts are only as good as their tolerance.
//!
//! [`Sweep::spread`] linearises at the operating point of a fault set: one transposed solve per reading gives the reading's change for
//! every part at once. The result keeps the loadings (reading by part), so two readings of one board share the same draw of parts and
//! their correlation is there to be used. [`Sweep::sampled`] is the slow twin that draws parts by a seed and solves each draw; and
//! [`Sweep::misfit`] says, reading by reading, how far the linear answer is from a few solved draws, so that the caller knows where to
//! sample instead.
//!
//! Absent: meter accuracy and probe slips (they belong to whoever judges a reading, not to the board).

use num_complex::Complex64;
use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::{RngCore, SeedableRng};

use super::ac::decibels;
use super::dc::SolveError;
use super::edit::Edit;
use super::network::{ElementId, Node, Parameter};
use super::parameters::param_place;
use super::sensitivity::{Change, Linear, Moved, MovedKind, Small, along, dot, unknown};
use super::sweep::Sweep;
use super::topology::{LinearPart, Topology};

/// Levels are taken of `sqrt(|v|^2 + FLOOR_VOLTS^2)`, so that a dead node reads -120 dB and not minus infinity.
pub const FLOOR_VOLTS: f64 = 1e-6;

/// How a draw is distributed about the nominal value.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Shape {
    /// Uniform between minus and plus the size.
    Uniform,
    /// Normal with the size as standard deviation.
    Normal,
}

/// The size of a spread.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Size {
    /// As a share of the value at hand, e.g. 0.05.
    Relative(f64),
    /// In the parameter's own unit.
    Absolute(f64),
}

/// A number that a draw moves.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Target {
    /// Whose it is.
    pub element: ElementId,
    /// Which one.
    pub parameter: Parameter,
    /// How far it moves for the draw's size: 1 as far, -1 as far the other way.
    pub times: f64,
}

impl Target {
    /// A number that moves as far as the draw says.
    pub fn of(element: ElementId, parameter: Parameter) -> Target {
        Target { element, parameter, times: 1.0 }
    }
}

/// One independent draw, and what it moves: usually one parameter of one element, several for parts that vary together.
#[derive(Debug, Clone, PartialEq)]
pub struct Varied {
    /// What the draw moves, all by the same draw.
    pub targets: Vec<Target>,
    /// How far.
    pub size: Size,
    /// How it is distributed.
    pub shape: Shape,
}

impl Varied {
    /// An element's value, uniform within plus and minus `tolerance` (0.05 for 5 %).
    pub fn value(element: ElementId, tolerance: f64) -> Varied {
        Varied {
            targets: vec![Target::of(element, Parameter::Value)],
            size: Size::Relative(tolerance),
            shape: Shape::Uniform,
        }
    }

    /// Change of a target for one standard deviation of the draw, given its value at hand.
    fn one_sd(&self, value: f64) -> f64 {
        self.change(value) * self.draw_sd()
    }

    /// Standard deviation of the draw itself.
    fn draw_sd(&self) -> f64 {
        match self.shape {
            Shape::Uniform => 1.0 / 3f64.sqrt(),
            Shape::Normal => 1.0,
        }
    }

    /// Change of a target for a draw of 1, to first order.
    fn change(&self, value: f64) -> f64 {
        match self.size {
            Size::Relative(share) if value.is_finite() => share * value,
            Size::Relative(_) => 0.0,
            Size::Absolute(size) => size,
        }
    }

    /// A target's value once drawn. Within limits a share is a share of the value; relative sizes without limits act by ratio, so that
    /// wide ones never change a sign.
    pub(crate) fn drawn(&self, value: f64, times: f64, draw: f64) -> f64 {
        match self.size {
            Size::Relative(share) if value.is_finite() => {
                let change = times * share * draw;
                let within = self.shape == Shape::Uniform && change.abs() < 1.0;
                value * if within { 1.0 + change } else { change.exp() }
            }
            Size::Relative(_) => value,
            Size::Absolute(size) => value + times * size * draw,
        }
    }
}

/// Something to be read off the board.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Reading {
    /// DC volts between two nodes, through a meter of that input resistance if given (see [`Sweep::spread`] for how it loads the node).
    Volts {
        /// Red lead.
        plus: Node,
        /// Black lead.
        minus: Node,
        /// Input resistance of the meter, ohms; `None` for an ideal one.
        meter_ohms: Option<f64>,
    },
    /// DC amps an independent voltage source delivers.
    Amps {
        /// The source.
        source: ElementId,
    },
    /// Small-signal amplitude at a node, volts.
    Gain {
        /// The node.
        node: Node,
    },
    /// Small-signal level at a node, dB against 1 V of `ac` amplitude; dead nodes bottom out at -120 dB.
    Level {
        /// The node.
        node: Node,
    },
}

/// Means, standard deviations and loadings of a list of readings.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Spread {
    /// Mean of each reading, in its own unit.
    pub mean: Vec<f64>,
    /// Standard deviation of each reading.
    pub sd: Vec<f64>,
    /// Change of reading `r` for one standard deviation of draw `v`, at `r * draws + v`. Empty when sampled.
    pub loadings: Vec<f64>,
    draws: usize,
    /// Mean of each reading that a meter loads as it would be without the meter.
    unloaded: Vec<f64>,
}

/// A meter that moves a reading by more than this share and these volts loads it.
const LOADED_SHARE: f64 = 0.01;
const LOADED_VOLTS: f64 = 5e-3;

impl Spread {
    /// Puts the first reading of another list in the place of one of this.
    pub(crate) fn put(&mut self, reading: usize, other: &Spread) {
        let from = reading * self.draws;
        if let (Some(mean), Some(sd)) = (other.mean.first(), other.sd.first()) {
            self.mean[reading] = *mean;
            self.sd[reading] = *sd;
            self.loadings[from..from + self.draws].copy_from_slice(other.loadings_of(0));
        }
    }

    /// Loadings of one reading, draw by draw.
    pub fn loadings_of(&self, reading: usize) -> &[f64] {
        let from = (reading * self.draws).min(self.loadings.len());
        &self.loadings[from..(from + self.draws).min(self.loadings.len())]
    }

    /// Covariance of two readings over the shared draw of parts; 0 when sampled (no loadings).
    pub fn covariance(&self, a: usize, b: usize) -> f64 {
        self.loadings_of(a).iter().zip(self.loadings_of(b)).map(|(x, y)| x * y).sum()
    }
}

/// Solved draws: one row of readings per draw.
#[derive(Debug, Clone, PartialEq)]
pub struct Samples {
    /// Readings of each draw, in the order asked for.
    pub rows: Vec<Vec<f64>>,
    /// Means and standard deviations over the rows (with n - 1); no loadings.
    pub spread: Spread,
}

/// How far the linear answer is from solved draws.
#[derive(Debug, Clone, PartialEq)]
pub struct Misfit {
    /// Root mean square of (solved - linear) over the draws, in the reading's unit.
    pub rms: Vec<f64>,
    /// The same as a share of the linear standard deviation; infinite where that is 0 and the misfit is not.
    pub share: Vec<f64>,
}

impl Misfit {
    /// Whether a reading is better sampled: the misfit is above `share` of its spread and above `floor` in its unit.
    pub fn needs_sampling(&self, reading: usize, share: f64, floor: f64) -> bool {
        let at = |list: &[f64]| list.get(reading).copied().unwrap_or(0.0);
        at(&self.share) > share && at(&self.rms) > floor
    }
}

/// Draws for [`Sweep::sampled`]: one row per sample, one column per [`Varied`]; uniform ones in -1..1, normal ones with unit spread.
pub fn draws(varied: &[Varied], count: usize, seed: u64) -> Vec<Vec<f64>> {
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    // 53 random bits, centred in their cell so that 0 and 1 never come up.
    let mut unit = move || ((rng.next_u64() >> 11) as f64 + 0.5) / (1u64 << 53) as f64;
    let mut one = |v: &Varied| match v.shape {
        Shape::Uniform => 2.0 * unit() - 1.0,
        // Box and Muller, 1958.
        Shape::Normal => (-2.0 * unit().ln()).sqrt() * (std::f64::consts::TAU * unit()).cos(),
    };
    (0..count).map(|_| varied.iter().map(&mut one).collect()).collect()
}

impl Sweep {
    /// Readings of a fault set with their linearised spread from part tolerances.
    ///
    /// Relative sizes are shares of the value the fault left (a resistor misread as 100 k varies about 100 k). A part the fault removed does
    /// not vary. A meter's input resistance is allowed for exactly in a linear network, and to first order about the unloaded point otherwise:
    /// where it moves a net, give it as an edit.
    /// Cost: one solve of the fault set, then about a microsecond per reading and 20 draws on a board of 50 unknowns.
    ///
    /// ```
    /// use halfsplit::circuit::dc::Options;
    /// use halfsplit::circuit::network::{Network, Node, Primitive};
    /// use halfsplit::circuit::sweep::Sweep;
    /// use halfsplit::circuit::tolerance::{Reading, Varied};
    ///
    /// let mut net = Network::new();
    /// let (top, mid) = (net.node("TOP"), net.node("MID"));
    /// net.add("V1", Primitive::VoltageSource { plus: top, minus: Node::GROUND, dc: 9.0, ac: 0.0 })?;
    /// let r1 = net.add("R1", Primitive::Resistor { a: top, b: mid, ohms: 10e3 })?;
    /// let r2 = net.add("R2", Primitive::Resistor { a: mid, b: Node::GROUND, ohms: 10e3 })?;
    /// let volts = Reading::Volts { plus: mid, minus: Node::GROUND, meter_ohms: None };
    /// let parts = [Varied::value(r1, 0.05), Varied::value(r2, 0.05)];
    /// let spread = Sweep::new(&net, Options::default())?.spread(&[], None, &[volts], &parts)?;
    /// // A quarter of 9 V for each part's relative error, 5 % uniform, two parts.
    /// let want = 9.0 / 4.0 * 0.05 / 3f64.sqrt() * 2f64.sqrt();
    /// assert!((spread.mean[0] - 4.5).abs() < 1e-6 && (spread.sd[0] - want).abs() < 1e-6);
    /// # Ok::<(), Box<dyn std::error::Error>>(())
    /// ```
    ///
    /// # Errors
    /// As for [`Sweep::solve`]. Small-signal readings need `hertz`.
    pub fn spread(
        &mut self,
        edits: &[Edit],
        hertz: Option<f64>,
        readings: &[Reading],
        varied: &[Varied],
    ) -> Result<Spread, SolveError> {
        self.find_point(edits)?;
        self.respond_if_asked(hertz, readings)?;
        self.spread_here(hertz, readings, varied)
    }

    /// The same for DC readings with currents fed into nodes from outside.
    pub(crate) fn spread_fed(
        &mut self,
        edits: &[Edit],
        feed: &[(Node, f64)],
        readings: &[Reading],
        varied: &[Varied],
    ) -> Result<Spread, SolveError> {
        self.find_point_fed(edits, feed)?;
        self.spread_here(None, readings, varied)
    }

    /// Volts between two nodes with these edits made and currents fed into nodes from outside.
    pub(crate) fn volts_fed(
        &mut self,
        edits: &[Edit],
        feed: &[(Node, f64)],
        (plus, minus): (Node, Node),
    ) -> Result<f64, SolveError> {
        self.find_point_fed(edits, feed)?;
        Ok(self.read(&[Reading::Volts { plus, minus, meter_ohms: None }])?[0])
    }

    /// Whether a meter moves a reading of a list noticeably.
    pub(crate) fn is_loaded(&self, reading: usize, spread: &Spread) -> bool {
        match (spread.mean.get(reading), spread.unloaded.get(reading)) {
            (Some(with), Some(without)) => is_moved(*with, *without),
            _ => false,
        }
    }

    /// The board with these edits made, its response at `hertz` if given, and the volts that a meter of that resistance reads at each
    /// net: solved with the meter on where that moves the net.
    ///
    /// # Errors
    /// As for [`Sweep::solve`].
    pub(crate) fn metered(
        &mut self,
        edits: &[Edit],
        hertz: Option<f64>,
        nets: &[Node],
        meter: f64,
    ) -> Result<(super::sweep::Faulted, Vec<f64>), SolveError> {
        let solved = self.solve(edits, hertz)?;
        let point = self.point().to_vec();
        let reading =
            |net: &Node| Reading::Volts { plus: *net, minus: Node::GROUND, meter_ohms: Some(meter) };
        let mut volts = self.read(&nets.iter().map(reading).collect::<Vec<_>>())?;
        for (net, volts) in nets.iter().zip(&mut volts) {
            if is_moved(*volts, solved.volts(*net)) {
                let on = Edit::Bridge { a: *net, b: Node::GROUND, ohms: meter };
                let with: Vec<Edit> = edits.iter().cloned().chain([on]).collect();
                // Where that has no operating point the first order stands.
                if self.find_point_near(&with, &point).is_ok() {
                    *volts =
                        self.read(&[Reading::Volts { plus: *net, minus: Node::GROUND, meter_ohms: None }])?
                            [0];
                }
            }
        }
        Ok((solved, volts))
    }

    fn respond_if_asked(&mut self, hertz: Option<f64>, readings: &[Reading]) -> Result<(), SolveError> {
        if readings.iter().any(|r| matches!(r, Reading::Gain { .. } | Reading::Level { .. })) {
            let hertz = hertz.unwrap_or(f64::NAN);
            super::ac::check_frequency(hertz)?;
            self.find_response(hertz)?;
        }
        Ok(())
    }

    /// What the draws move in the compiled network in hand.
    fn moved(&self, varied: &[Varied]) -> Vec<Moved> {
        let compiled = &self.compiled[self.state.active];
        let topology = self.topology_in_hand();
        let mut moved = Vec::new();
        for (draw, v) in varied.iter().enumerate() {
            for Target { element: id, parameter, times } in &v.targets {
                let Ok(element) = compiled.network.element(*id) else {
                    continue;
                };
                let Some(at) = param_place(&element.primitive, *parameter) else {
                    continue;
                };
                let param = topology.first_param[id.index()] as usize + at;
                let size = times * v.one_sd(self.state.params[param]);
                let linear = topology.linear_parts_of(param);
                let device = topology.devices().position(|d| d.element() == *id);
                let kind = match (linear, device) {
                    (LinearPart::None, Some(device)) => MovedKind::Device(device),
                    (linear, _) => MovedKind::Linear(linear),
                };
                if size != 0.0 {
                    moved.push(Moved { draw, param, size, kind });
                }
            }
        }
        moved
    }

    fn topology_in_hand(&self) -> &Topology {
        self.state.order.as_deref().map_or(&self.compiled[self.state.active].topology, |o| &o.0)
    }

    /// The factored Jacobian at the point in hand.
    fn linear(&self) -> Result<Linear<'_>, SolveError> {
        let topology = self.topology_in_hand();
        let work = &self.state.work;
        let mut values = work.constant.clone();
        topology.add_slopes(&work.slopes, &mut values);
        topology.plan.factor(&mut values).map_err(|unknown| {
            let network = &self.compiled[self.state.active].network;
            SolveError::Singular { place: super::newton::place(network, topology, unknown).0 }
        })?;
        let scratch = vec![0.0; topology.n + 1];
        Ok(Linear {
            topology,
            params: &self.state.params,
            x: &work.x,
            values,
            scratch,
            gmin: self.options.gmin,
        })
    }

    fn spread_here(
        &self,
        hertz: Option<f64>,
        readings: &[Reading],
        varied: &[Varied],
    ) -> Result<Spread, SolveError> {
        let mut linear = self.linear()?;
        let moved = self.moved(varied);
        let at_point: Vec<Change> =
            moved.iter().map(|m| Change { balance: linear.balance(m, linear.x) }).collect();
        let omega = std::f64::consts::TAU * hertz.unwrap_or(0.0);
        let mut spread = Spread { draws: varied.len(), ..Spread::default() };
        for reading in readings {
            let mut row = vec![0.0; varied.len()];
            let mean = match reading {
                Reading::Volts { .. } | Reading::Amps { .. } => {
                    self.direct_row(&mut linear, reading, &moved, &at_point, &mut row)
                }
                Reading::Gain { node } => {
                    self.small_row(&mut linear, *node, false, omega, &moved, &at_point, &mut row)
                }
                Reading::Level { node } => {
                    self.small_row(&mut linear, *node, true, omega, &moved, &at_point, &mut row)
                }
            };
            spread.mean.push(mean);
            spread.unloaded.push(match reading {
                Reading::Volts { .. } | Reading::Amps { .. } => dot(&self.direction(reading), linear.x),
                Reading::Gain { .. } | Reading::Level { .. } => mean,
            });
            spread.sd.push(row.iter().map(|l| l * l).sum::<f64>().sqrt());
            spread.loadings.extend(row);
        }
        Ok(spread)
    }

    /// Where a DC reading looks: the vector `c` of `reading = c . x`.
    fn direction(&self, reading: &Reading) -> Vec<f64> {
        let topology = self.topology_in_hand();
        let mut c = vec![0.0; topology.n + 1];
        match reading {
            Reading::Volts { plus, minus, .. } => {
                c[unknown(topology, *plus)] += 1.0;
                c[unknown(topology, *minus)] -= 1.0;
            }
            Reading::Amps { source } => {
                c[topology.own_unknown.get(source.index()).map_or(topology.n, |u| usize::from(*u))] = -1.0;
            }
            Reading::Gain { .. } | Reading::Level { .. } => {}
        }
        c[topology.n] = 0.0;
        c
    }

    fn direct_row(
        &self,
        linear: &mut Linear<'_>,
        reading: &Reading,
        moved: &[Moved],
        at_point: &[Change],
        row: &mut [f64],
    ) -> f64 {
        let c = self.direction(reading);
        let value = dot(&c, linear.x);
        let mu = linear.transposed(&c);
        let meter = match reading {
            Reading::Volts { meter_ohms, .. } => *meter_ohms,
            _ => None,
        };
        let Some(meter) = meter else {
            for (m, change) in moved.iter().zip(at_point) {
                row[m.draw] -= m.size * along(&mu, &change.balance);
            }
            return value;
        };
        // The loaded network is J + c c^T / meter: Sherman and Morrison give its adjoint and its point from the unloaded ones.
        let source_ohms = dot(&c, &mu);
        let share = meter / (meter + source_ohms);
        let drawn = value / (meter + source_ohms);
        let mut loaded = linear.forward(&c);
        loaded.iter_mut().zip(linear.x).for_each(|(z, x)| *z = x - *z * drawn);
        for (m, change) in moved.iter().zip(at_point) {
            row[m.draw] -= m.size * share * linear.pull(m, &loaded, &mu, change);
        }
        value * share
    }

    #[allow(clippy::too_many_arguments)]
    fn small_row(
        &self,
        linear: &mut Linear<'_>,
        node: Node,
        level: bool,
        omega: f64,
        moved: &[Moved],
        at_point: &[Change],
        row: &mut [f64],
    ) -> f64 {
        let ac = &self.state.ac;
        let at = unknown(linear.topology, node);
        let v = ac.y[at];
        let small = self.small(linear, at);
        let squared = v.norm_sqr() + if level { FLOOR_VOLTS * FLOOR_VOLTS } else { 0.0 };
        for (m, change) in moved.iter().zip(at_point) {
            let by_point =
                Complex64::new(along(&small.eta[0], &change.balance), along(&small.eta[1], &change.balance));
            let dv = by_point - linear.matrix_change(m, &small.lambda, &ac.y, omega);
            let radial = (v.conj() * dv).re;
            row[m.draw] += m.size
                * match (level, squared > 0.0) {
                    (true, _) => 20.0 / std::f64::consts::LN_10 * radial / squared,
                    (false, true) => radial / squared.sqrt(),
                    (false, false) => 0.0,
                };
        }
        if level { 0.5 * decibels(squared) } else { squared.sqrt() }
    }

    fn small(&self, linear: &mut Linear<'_>, at: usize) -> Small {
        let topology = linear.topology;
        let ac = &self.state.ac;
        let mut c = vec![Complex64::default(); topology.n + 1];
        if at < topology.n {
            c[at] = Complex64::new(1.0, 0.0);
        }
        let mut lambda = vec![Complex64::default(); topology.n + 1];
        let mut scratch = lambda.clone();
        topology.plan.solve_transposed(&ac.values, &c, &mut lambda, &mut scratch);
        let w = linear.curvature(&lambda, &ac.y);
        let part = |pick: fn(&Complex64) -> f64| w.iter().map(pick).collect::<Vec<f64>>();
        let eta = [part(|w| w.re), part(|w| w.im)].map(|w| linear.transposed(&w));
        Small { lambda, eta }
    }

    /// Readings of the point in hand, without spread.
    fn read(&self, readings: &[Reading]) -> Result<Vec<f64>, SolveError> {
        let mut linear = None;
        let mut values = Vec::with_capacity(readings.len());
        for reading in readings {
            let topology = self.topology_in_hand();
            values.push(match reading {
                Reading::Volts { meter_ohms: Some(meter), .. } => {
                    let c = self.direction(reading);
                    let linear = match &mut linear {
                        Some(linear) => linear,
                        none => none.insert(self.linear()?),
                    };
                    let mu = linear.transposed(&c);
                    dot(&c, linear.x) * meter / (meter + dot(&c, &mu))
                }
                Reading::Volts { .. } | Reading::Amps { .. } => {
                    dot(&self.direction(reading), &self.state.work.x)
                }
                Reading::Gain { node } => self.state.ac.y[unknown(topology, *node)].norm(),
                Reading::Level { node } => {
                    0.5 * decibels(
                        self.state.ac.y[unknown(topology, *node)].norm_sqr() + FLOOR_VOLTS * FLOOR_VOLTS,
                    )
                }
            });
        }
        Ok(values)
    }

    /// Readings of a fault set for each of the given draws (see [`draws`]), solved one by one.
    ///
    /// # Errors
    /// As for [`Sweep::solve`], for the first draw that fails.
    pub fn sampled(
        &mut self,
        edits: &[Edit],
        hertz: Option<f64>,
        readings: &[Reading],
        varied: &[Varied],
        draws: &[Vec<f64>],
    ) -> Result<Samples, SolveError> {
        self.find_point(edits)?;
        let nominal = self.state.params.clone();
        let start = self.state.work.x.clone();
        let places = self.places(varied);
        let mut rows = Vec::with_capacity(draws.len());
        for draw in draws {
            self.state.params.copy_from_slice(&nominal);
            self.put_in(varied, &places, draw);
            self.state.work.x.copy_from_slice(&start);
            self.find_point_again()?;
            self.respond_if_asked(hertz, readings)?;
            rows.push(self.read(readings)?);
        }
        let spread = spread_of(&rows, readings.len());
        Ok(Samples { rows, spread })
    }

    /// Puts a draw of the parts into the case in hand and solves it again.
    pub(crate) fn find_point_drawn(&mut self, varied: &[Varied], draw: &[f64]) -> Result<(), SolveError> {
        let places = self.places(varied);
        self.put_in(varied, &places, draw);
        self.find_point_again()
    }

    fn put_in(&mut self, varied: &[Varied], places: &[(usize, usize, f64)], draw: &[f64]) {
        for (number, param, times) in places {
            let drawn = draw.get(*number).copied().unwrap_or(0.0);
            self.state.params[*param] = varied[*number].drawn(self.state.params[*param], *times, drawn);
        }
    }

    /// (draw, value, how far it moves for the draw's size) of everything the draws move.
    fn places(&self, varied: &[Varied]) -> Vec<(usize, usize, f64)> {
        let compiled = &self.compiled[self.state.active];
        let mut places = Vec::new();
        for (number, v) in varied.iter().enumerate() {
            for Target { element: id, parameter, times } in &v.targets {
                let place =
                    compiled.network.element(*id).ok().and_then(|e| param_place(&e.primitive, *parameter));
                if let Some(at) = place {
                    let param = compiled.topology.first_param[id.index()] as usize + at;
                    places.push((number, param, *times));
                }
            }
        }
        places
    }

    /// How far the linear spread is from `count` solved draws of a seed: see [`Misfit::needs_sampling`].
    ///
    /// # Errors
    /// As for [`Sweep::solve`].
    pub fn misfit(
        &mut self,
        edits: &[Edit],
        hertz: Option<f64>,
        readings: &[Reading],
        varied: &[Varied],
        count: usize,
        seed: u64,
    ) -> Result<Misfit, SolveError> {
        let linear = self.spread(edits, hertz, readings, varied)?;
        let draws = draws(varied, count, seed);
        let samples = self.sampled(edits, hertz, readings, varied, &draws)?;
        let mut rms = Vec::with_capacity(readings.len());
        for reading in 0..readings.len() {
            let predicted = |draw: &[f64]| {
                let moves = linear
                    .loadings_of(reading)
                    .iter()
                    .zip(draw)
                    .zip(varied)
                    .map(|((l, d), v)| l * d / v.draw_sd());
                linear.mean[reading] + moves.sum::<f64>()
            };
            let squares =
                samples.rows.iter().zip(&draws).map(|(row, draw)| (row[reading] - predicted(draw)).powi(2));
            rms.push((squares.sum::<f64>() / (count.max(1) as f64)).sqrt());
        }
        let share = |(r, sd): (&f64, &f64)| if *r == 0.0 { 0.0 } else { r / sd };
        Ok(Misfit { share: rms.iter().zip(&linear.sd).map(share).collect(), rms })
    }
}

fn is_moved(with: f64, without: f64) -> bool {
    (with - without).abs() > LOADED_SHARE * without.abs() + LOADED_VOLTS
}

fn spread_of(rows: &[Vec<f64>], readings: usize) -> Spread {
    let count = rows.len().max(1) as f64;
    let mean: Vec<f64> = (0..readings).map(|r| rows.iter().map(|row| row[r]).sum::<f64>() / count).collect();
    let variance =
        |r: usize| rows.iter().map(|row| (row[r] - mean[r]).powi(2)).sum::<f64>() / (count - 1.0).max(1.0);
    let sd = (0..readings).map(|r| variance(r).sqrt()).collect();
    Spread { mean, sd, ..Spread::default() }
}
