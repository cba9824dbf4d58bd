//! Small-signal noise of a whole board at its operating point, and the tones (hum, whine) that sources carry.
//!
//! Every resistor has thermal noise, every junction shot noise; [`super::network::Noise`] adds what a card says beside: flicker, an
//! amplifier's own voltage and current, excess noise of resistors, a regulator's noise, ripple of a supply. One transposed solution of
//! the small-signal matrix for each frequency and place gives the way from every source to that place at once; power densities add
//! up. Everything is at 27 C (300.15 K).
//!
//! Absent: noise folded over by a large signal, crackle of bad contacts, pick-up from outside.

use num_complex::Complex64;

use super::ac::check_frequency;
use super::dc::SolveError;
use super::devices::{self, THERMAL_VOLTS};
use super::edit::Edit;
use super::network::{Element, ElementId, Node, Noise, Primitive};
use super::newton::place;
use super::sweep::{State, Sweep};
use super::topology::Topology;

/// Elementary charge, coulombs (CODATA 2018, exact).
const CHARGE: f64 = 1.602176634e-19;
/// `4 k T` at 300.15 K, joules: `4 q` times the thermal voltage.
const FOUR_KT: f64 = 4.0 * CHARGE * THERMAL_VOLTS;
/// Lowest and highest frequency of the audible band, hertz.
pub const BAND: [f64; 2] = [20.0, 20e3];

/// What makes a noise.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum NoiseKind {
    /// Of a resistance or a channel, by its temperature.
    Thermal,
    /// Of a current over a junction.
    Shot,
    /// The 1/f part of a junction or a channel.
    Flicker,
    /// Of a resistor that carries direct current, above its thermal noise.
    Excess,
    /// Of an amplifier, a regulator or another chip, as its card says.
    Chip,
}

/// Where a noise comes from.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Origin {
    /// An element of the healthy board.
    Element(ElementId),
    /// A joint, a leak or a bridge that a fault put in.
    Fault,
}

/// What one source gives at the place that is listened to, over the band.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Contribution {
    /// Where it comes from.
    pub origin: Origin,
    /// What makes it.
    pub kind: NoiseKind,
    /// Mean square over the band, volts squared.
    pub power: f64,
    /// The same behind the A-weighting.
    pub weighted: f64,
}

/// A steady tone at the place that is listened to.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ToneAt {
    /// The source that carries it.
    pub origin: ElementId,
    /// Its frequency, hertz.
    pub hertz: f64,
    /// Volts rms.
    pub volts: f64,
}

/// Noise at one place.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct NoiseAt {
    /// Sources in the order of the network; several of one element stand side by side.
    pub contributions: Vec<Contribution>,
    /// Power density at each frequency of the grid, volts squared per hertz.
    pub density: Vec<f64>,
    /// Tones besides.
    pub tones: Vec<ToneAt>,
}

impl NoiseAt {
    /// Noise over the band, volts rms; tones apart.
    pub fn volts(&self) -> f64 {
        self.contributions.iter().map(|c| c.power).sum::<f64>().sqrt()
    }

    /// The same behind the A-weighting.
    pub fn weighted_volts(&self) -> f64 {
        self.contributions.iter().map(|c| c.weighted).sum::<f64>().sqrt()
    }

    /// Noise and tones together, volts rms, as a meter that takes the band in reads it.
    pub fn with_tones(&self) -> f64 {
        self.tones.iter().map(|t| t.volts * t.volts).sum::<f64>().sqrt().hypot(self.volts())
    }
}

/// Gain of the A-weighting at a frequency, 1 at 1 kHz (IEC 61672, by its poles).
///
/// ```
/// let db = 20.0 * halfsplit::circuit::noise::a_weighting(100.0).log10();
/// assert!((db + 19.1).abs() < 0.06);
/// ```
pub fn a_weighting(hertz: f64) -> f64 {
    let shape = |f: f64| {
        let s = f * f;
        let [low, second, third, high] = [20.598997, 107.65265, 737.86223, 12194.217].map(|p: f64| p * p);
        high * s * s / ((s + low) * ((s + second) * (s + third)).sqrt() * (s + high))
    };
    shape(hertz) / shape(1000.0)
}

/// Frequencies at which noise is worked out, with what each counts in a sum over the band.
#[derive(Debug, Clone, PartialEq)]
pub struct Grid {
    /// Frequencies, ascending, hertz.
    pub hertz: Vec<f64>,
    /// Hertz that each stands for.
    pub width: Vec<f64>,
    /// Gain of the A-weighting at each, as power.
    weight: Vec<f64>,
}

/// Abscissae and weights of the six-point Gauss-Legendre rule on -1..1 (Abramowitz and Stegun, table 25.4).
const GAUSS: [(f64, f64); 6] = [
    (-0.932_469_514_203_152, 0.171_324_492_379_170),
    (-0.661_209_386_466_265, 0.360_761_573_048_139),
    (-0.238_619_186_083_197, 0.467_913_934_572_691),
    (0.238_619_186_083_197, 0.467_913_934_572_691),
    (0.661_209_386_466_265, 0.360_761_573_048_139),
    (0.932_469_514_203_152, 0.171_324_492_379_170),
];

impl Grid {
    /// The audible band in so many panels of six points, equal on the scale of the ear. Three are right to some parts in a thousand
    /// for circuits without a sharp resonance, twelve to some parts in a million.
    pub fn audible(panels: usize) -> Grid {
        Grid::new(BAND[0], BAND[1], panels)
    }

    /// A band in so many panels of six points, equal in the logarithm of frequency.
    pub fn new(low: f64, high: f64, panels: usize) -> Grid {
        let half = (high / low).ln() / (2.0 * panels.max(1) as f64);
        let mut grid = Grid { hertz: Vec::new(), width: Vec::new(), weight: Vec::new() };
        for panel in 0..panels.max(1) {
            let middle = low.ln() + half * (2.0 * panel as f64 + 1.0);
            for (at, weight) in GAUSS {
                let hertz = (middle + half * at).exp();
                grid.hertz.push(hertz);
                grid.width.push(hertz * half * weight);
                grid.weight.push(a_weighting(hertz).powi(2));
            }
        }
        grid
    }

    /// Single frequencies, for a look at the density; sums over them mean nothing.
    pub fn at(hertz: &[f64]) -> Grid {
        Grid { hertz: hertz.to_vec(), width: vec![0.0; hertz.len()], weight: vec![0.0; hertz.len()] }
    }
}

/// One independent source: where it acts on the equations, and how strong it is.
struct Source {
    origin: Origin,
    kind: NoiseKind,
    /// Rows it adds to, with the factor; those of ground go to the row after the last.
    rows: [(u16, f64); 3],
    /// Power density of the flat part and of the 1/f part at 1 Hz, in the rows' unit squared per hertz.
    flat: f64,
    inverse: f64,
}

struct Collector<'a> {
    topology: &'a Topology,
    params: &'a [f64],
    x: &'a [f64],
    gmin: f64,
    /// Elements of the healthy board; those after are a fault's.
    healthy: usize,
    sources: Vec<Source>,
}

impl Collector<'_> {
    fn row(&self, node: Node) -> u16 {
        if node.is_ground() { self.topology.n as u16 } else { (node.index() - 1) as u16 }
    }

    fn origin(&self, id: ElementId) -> Origin {
        if id.index() < self.healthy { Origin::Element(id) } else { Origin::Fault }
    }

    fn volts(&self, plus: u16, minus: u16) -> f64 {
        self.x[plus as usize] - self.x[minus as usize]
    }

    /// A current between two unknowns' rows, in power density.
    fn current(&mut self, origin: Origin, kind: NoiseKind, ends: [u16; 2], flat: f64, inverse: f64) {
        let none = self.topology.n as u16;
        self.add(origin, kind, [(ends[0], -1.0), (ends[1], 1.0), (none, 0.0)], flat, inverse);
    }

    fn add(&mut self, origin: Origin, kind: NoiseKind, rows: [(u16, f64); 3], flat: f64, inverse: f64) {
        if flat > 0.0 || inverse > 0.0 {
            self.sources.push(Source { origin, kind, rows, flat, inverse });
        }
    }

    fn element(&mut self, id: ElementId, element: &Element, noise: &Noise, slopes: &[f64]) {
        let at = self.topology.first_param[id.index()] as usize;
        let p = &self.params[at..];
        let origin = self.origin(id);
        let own = self.topology.own_unknown[id.index()];
        let power = noise.factor * noise.factor;
        let none = self.topology.n as u16;
        let ends = |s: &Self, a: Node, b: Node| [s.row(a), s.row(b)];
        if noise.density > 0.0 {
            let flat = power * noise.density * noise.density;
            let t = element.primitive.terminals();
            let rows = match element.primitive {
                Primitive::VoltageSource { .. } | Primitive::ControlledVoltage { .. } => {
                    [(own, 1.0), (none, 0.0), (none, 0.0)]
                }
                _ => [(self.row(t[0]), -1.0), (self.row(t[1]), 1.0), (none, 0.0)],
            };
            self.add(origin, NoiseKind::Chip, rows, flat, flat * noise.corner);
        }
        if noise.silent {
            return;
        }
        match &element.primitive {
            Primitive::Resistor { a, b, .. } => {
                let ends = ends(self, *a, *b);
                let (ohms, volts) = (p[0], self.volts(ends[0], ends[1]));
                self.current(origin, NoiseKind::Thermal, ends, FOUR_KT / ohms, 0.0);
                let excess = noise.excess * volts / ohms;
                let inverse = power * excess * excess / std::f64::consts::LN_10;
                self.current(origin, NoiseKind::Excess, ends, 0.0, inverse);
            }
            Primitive::Diode { anode, cathode, model } => {
                let [anode, cathode] = ends(self, *anode, *cathode);
                let inner = if own == none { anode } else { own };
                let mut model = *model;
                (model.is, model.ideality) = (p[0], p[1]);
                let amps = devices::diode(self.volts(inner, cathode), &model, 0.0).i.abs();
                let flat = power * 2.0 * CHARGE * amps;
                self.current(origin, NoiseKind::Shot, [inner, cathode], flat, 0.0);
                self.current(origin, NoiseKind::Flicker, [inner, cathode], 0.0, flat * noise.corner);
                if inner != anode {
                    self.current(origin, NoiseKind::Thermal, [anode, inner], FOUR_KT / p[2], 0.0);
                }
            }
            Primitive::Bjt { collector, base, emitter, polarity, model } => {
                let [c, b, e] = [*collector, *base, *emitter].map(|n| self.row(n));
                let s = polarity.sign();
                let mut model = *model;
                (model.is, model.bf, model.br, model.vaf) = (p[0], p[1], p[2], p[3]);
                let (vbe, vbc) = (s * self.volts(b, e), s * self.volts(b, c));
                let ([ic, ib], _) = devices::bjt(vbe, vbc, &model, self.gmin);
                let base = power * 2.0 * CHARGE * ib.abs();
                self.current(origin, NoiseKind::Shot, [c, e], power * 2.0 * CHARGE * ic.abs(), 0.0);
                self.current(origin, NoiseKind::Shot, [b, e], base, 0.0);
                self.current(origin, NoiseKind::Flicker, [b, e], 0.0, base * noise.corner);
                // Volts in series with the base act as its column of the matrix says.
                let rows = [(c, -slopes[1]), (b, -slopes[4]), (e, -slopes[7])];
                self.add(origin, NoiseKind::Thermal, rows, FOUR_KT * noise.base_ohms, 0.0);
            }
            Primitive::Jfet { drain, gate, source, polarity, .. } => {
                let [d, g, s] = [*drain, *gate, *source].map(|n| self.row(n));
                let sign = polarity.sign();
                let (vgs, vgd) = (sign * self.volts(g, s), sign * self.volts(g, d));
                let thermal = channel_noise(vgs - p[0], vgd - p[0], 2.0 * p[1], p[2]);
                self.channel(origin, [d, s], power * thermal, noise.corner);
                for (volts, ends) in [(vgs, [g, s]), (vgd, [g, d])] {
                    let amps = devices::junction(volts, p[3], THERMAL_VOLTS, 0.0).i.abs();
                    self.current(origin, NoiseKind::Shot, ends, 2.0 * CHARGE * amps, 0.0);
                }
            }
            Primitive::Mosfet { drain, gate, source, polarity, .. } => {
                let [d, g, s] = [*drain, *gate, *source].map(|n| self.row(n));
                let sign = polarity.sign();
                let (vgs, vgd) = (sign * self.volts(g, s), sign * self.volts(g, d));
                let thermal = channel_noise(vgs - p[0], vgd - p[0], p[1], p[2]);
                self.channel(origin, [d, s], power * thermal, noise.corner);
            }
            Primitive::Capacitor { .. }
            | Primitive::Inductor { .. }
            | Primitive::VoltageSource { .. }
            | Primitive::CurrentSource { .. }
            | Primitive::ControlledVoltage { .. }
            | Primitive::ControlledCurrent { .. } => {}
        }
    }

    fn channel(&mut self, origin: Origin, ends: [u16; 2], flat: f64, corner: f64) {
        self.current(origin, NoiseKind::Thermal, ends, flat, 0.0);
        self.current(origin, NoiseKind::Flicker, ends, 0.0, flat * corner);
    }
}

/// Thermal noise of a channel, amps squared per hertz: `4 k T` times the conductance it has with no volts from drain to source, times
/// two thirds in saturation and one where it is a resistor (van der Ziel). `source` and `drain` are the gate's volts over the
/// threshold at either end, `gain` the conductance per volt of them.
fn channel_noise(source: f64, drain: f64, gain: f64, lambda: f64) -> f64 {
    let (most, least) = (source.max(drain), source.min(drain));
    if most <= 0.0 {
        return 0.0;
    }
    let a = (least / most).max(0.0);
    let stretch = 1.0 + lambda * (source - drain).abs();
    FOUR_KT * gain * most * stretch * (2.0 / 3.0) * (1.0 + a + a * a) / (1.0 + a)
}

impl Sweep {
    /// Noise at some nodes with these edits made, each as if it alone were listened to.
    ///
    /// ```
    /// use halfsplit::circuit::dc::Options;
    /// use halfsplit::circuit::network::{Network, Node, Primitive};
    /// use halfsplit::circuit::noise::Grid;
    /// use halfsplit::circuit::sweep::Sweep;
    ///
    /// let mut net = Network::new();
    /// let a = net.node("A");
    /// net.add("R1", Primitive::Resistor { a, b: Node::GROUND, ohms: 10e3 })?;
    /// let noise = Sweep::new(&net, Options::default())?.noise(&[], &[a], &Grid::audible(3))?;
    /// // sqrt(4 k T R B) for 10 k and 19980 Hz at 300.15 K.
    /// assert!((noise[0].volts() - 1.8199e-6).abs() < 1e-10);
    /// # Ok::<(), Box<dyn std::error::Error>>(())
    /// ```
    ///
    /// # Errors
    /// As for [`Sweep::solve`].
    pub fn noise(&mut self, edits: &[Edit], at: &[Node], grid: &Grid) -> Result<Vec<NoiseAt>, SolveError> {
        grid.hertz.iter().try_for_each(|f| check_frequency(*f))?;
        self.find_point(edits)?;
        self.noise_of_point(at, grid)
    }

    /// The same for the case in hand.
    pub(crate) fn noise_of_point(&mut self, at: &[Node], grid: &Grid) -> Result<Vec<NoiseAt>, SolveError> {
        // Solved once in the usual way, which finds out whether the elimination order suits the matrix.
        self.find_response(1000.0)?;
        let sources = self.noise_sources();
        let tones = self.tones();
        let Sweep { compiled, state, .. } = self;
        let compiled = &compiled[state.active];
        let State { params, order, ac, .. } = state;
        let topology = order.as_deref().map_or(&compiled.topology, |o| &o.0);
        let n = topology.n;
        let zero = Complex64::default();
        let mut lambda = vec![zero; n + 1];
        let mut seen = vec![zero; n + 1];
        let mut out: Vec<NoiseAt> = at.iter().map(|_| NoiseAt::default()).collect();
        let mut sums = vec![vec![[0.0f64; 2]; sources.len()]; at.len()];
        let unknown = |node: &Node| if node.is_ground() { n } else { (node.index() - 1).min(n) };
        let factored = |hertz: f64, ac: &mut super::ac::AcWork| {
            topology.assemble_ac(params, &ac.direct, std::f64::consts::TAU * hertz, &mut ac.values);
            topology.plan.factor(&mut ac.values).map_err(|column| SolveError::Singular {
                place: place(&compiled.network, topology, column).0,
            })
        };
        let mut way = |node: &Node, ac: &mut super::ac::AcWork, lambda: &mut Vec<Complex64>| {
            seen.fill(zero);
            seen[unknown(node)] = Complex64::new(1.0, 0.0);
            seen[n] = zero;
            topology.plan.solve_transposed(&ac.values, &seen, lambda, &mut ac.scratch);
            lambda[n] = zero;
        };
        for ((hertz, width), weight) in grid.hertz.iter().zip(&grid.width).zip(&grid.weight) {
            factored(*hertz, ac)?;
            for ((node, noise), sums) in at.iter().zip(&mut out).zip(&mut sums) {
                way(node, ac, &mut lambda);
                let mut all = 0.0;
                for (source, sum) in sources.iter().zip(sums) {
                    let [a, b, c] = source.rows;
                    let gain =
                        lambda[a.0 as usize] * a.1 + lambda[b.0 as usize] * b.1 + lambda[c.0 as usize] * c.1;
                    let density = gain.norm_sqr() * (source.flat + source.inverse / hertz);
                    all += density;
                    sum[0] += density * width;
                    sum[1] += density * width * weight;
                }
                noise.density.push(all);
            }
        }
        for (origin, row, plus, minus, hertz, volts) in tones {
            factored(hertz, ac)?;
            for (node, noise) in at.iter().zip(&mut out) {
                way(node, ac, &mut lambda);
                let gain = if row as usize == n {
                    lambda[plus as usize] - lambda[minus as usize]
                } else {
                    lambda[row as usize]
                };
                noise.tones.push(ToneAt { origin, hertz, volts: gain.norm() * volts });
            }
        }
        for (noise, sums) in out.iter_mut().zip(sums) {
            let one = |(s, [power, weighted]): (&Source, [f64; 2])| Contribution {
                origin: s.origin,
                kind: s.kind,
                power,
                weighted,
            };
            noise.contributions = sources.iter().zip(sums).map(one).collect();
        }
        Ok(out)
    }

    fn noise_sources(&self) -> Vec<Source> {
        let Sweep { compiled, state, options, .. } = self;
        let healthy = compiled[0].network.element_count();
        let compiled = &compiled[state.active];
        let (topology, extras) =
            state.order.as_deref().map_or((&compiled.topology, &state.extras), |o| (&o.0, &o.1));
        let mut collector = Collector {
            topology,
            params: &state.params,
            x: &state.work.x,
            gmin: options.gmin,
            healthy,
            sources: Vec::new(),
        };
        let mut slopes = state.work.slopes.as_slice();
        let mut devices = topology.devices().peekable();
        for (id, element) in compiled.network.elements() {
            let mut mine: &[f64] = &[];
            if let Some(device) = devices.next_if(|d| d.element() == id) {
                (mine, slopes) = slopes.split_at(device.slope_count());
            }
            collector.element(id, element, &self.noise_now(id), mine);
        }
        for extra in extras {
            let row = |slot: u16| topology.plan.place_of(slot).map_or(topology.n as u16, |p| p.0);
            let ends = [row(extra.slots[0]), row(extra.slots[1])];
            collector.current(Origin::Fault, NoiseKind::Thermal, ends, FOUR_KT * extra.siemens, 0.0);
        }
        collector.sources
    }

    /// Noise of an element in the case in hand.
    fn noise_now(&self, id: ElementId) -> Noise {
        let noise = self.compiled[self.state.active].network.noise_of(id);
        let raised = self.state.noisier.iter().rev().find(|(e, _)| *e == id);
        Noise { factor: raised.map_or(noise.factor, |r| r.1), ..noise }
    }

    /// Tones of the case in hand: element, row of a voltage source (else the row after the last), rows of a current source's ends,
    /// hertz, strength.
    fn tones(&self) -> Vec<(ElementId, u16, u16, u16, f64, f64)> {
        let compiled = &self.compiled[self.state.active];
        let topology = self.state.order.as_deref().map_or(&compiled.topology, |o| &o.0);
        let none = topology.n as u16;
        let row = |node: Node| if node.is_ground() { none } else { (node.index() - 1) as u16 };
        let one = |(id, element): (ElementId, &Element)| {
            let Noise { tone: [hertz, strength], factor, .. } = self.noise_now(id);
            let t = element.primitive.terminals();
            let voltage = matches!(
                element.primitive,
                Primitive::VoltageSource { .. } | Primitive::ControlledVoltage { .. }
            );
            let own = if voltage { topology.own_unknown[id.index()] } else { none };
            (hertz > 0.0).then(|| (id, own, row(t[1]), row(t[0]), hertz, strength * factor))
        };
        compiled.network.elements().filter_map(one).collect()
    }
}
