//! The operating point: Newton's method on the compiled network, with its fallbacks and its honesty.
//!
//! A point counts as solved when the last step was small **and** the currents at every node add up **and** no junction was being held
//! back. When Newton from the start given does not get there, the solver tries a fresh elimination order, a start from zero, settling
//! as after switching on, a leak from every node that is taken away by steps, and sources brought up by steps; the answer says which of them found it. When none
//! does, the error names the node whose currents disagree most. A wrong answer is never returned as an answer.
//!
//! Absent: transients. A circuit that oscillates has an operating point all the same, and this is it.

use thiserror::Error;

use super::network::{ElementId, Network, NetworkError, Node, Primitive};
use super::newton::{Case, Work, compile};
use super::topology::{Seed, Topology};

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
    /// Small steps in time, as a board settles after switching on.
    Settling,
    /// A leak from every node to ground, taken away by steps.
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
