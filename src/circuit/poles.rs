//! Poles: the natural frequencies of a board about its operating point, and whether it is at rest there.
//!
//! A pole `s` makes `G + s C` singular, where `G` is the matrix of the operating point and `C` what capacitors and inductors add. `C` has
//! as many independent columns as there are such parts, so the poles are found from a small dense matrix: with
//! `A = G + shift C`, the eigenvalues `m` of `C A^-1` between those parts give `s = shift - 1 / m`. The shift keeps nodes that hang on
//! capacitors alone from swamping the others.
//!
//! Absent: what happens once a board has left its operating point (see [`super::transient`]).

use num_complex::Complex64;

use super::ac::AcWork;
use super::dc::SolveError;
use super::edit::Edit;
use super::eigen::{Dense, eigenvalues};
use super::network::Node;
use super::newton::place;
use super::sweep::Sweep;
use super::topology::Topology;

/// Where `A` is taken, rad/s: slower than anything heard and no round figure, so that no pole of a drawing sits on it.
const SHIFT: f64 = 0.731_058;
/// Poles faster than this are left out, rad/s: the models have no capacitance of their own that would make them true.
pub const FASTEST: f64 = 3e9;
/// Smallest eigenvalue that is told from rounding, against the largest.
const ROUNDING: f64 = 1e-13;
/// A pole this little to the right counts as at rest, rad/s: nodes without a path to anything sit at zero.
const AT_REST: f64 = 1e-3;

/// The poles of a board about an operating point.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Poles {
    /// All poles up to [`FASTEST`], rad/s, those of a conjugate pair side by side; the rightmost first.
    pub all: Vec<Complex64>,
}

/// How a board is poised at its operating point.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Poise {
    /// Every pole decays.
    Stable {
        /// Least damping of any pair that oscillates: 1 and above does not overshoot, 0 would go on for ever; infinite where none
        /// oscillates.
        damping: f64,
        /// Frequency of that pair, hertz; 0 where there is none.
        hertz: f64,
    },
    /// A pair grows: it starts to oscillate.
    Oscillates {
        /// Frequency at which it starts, hertz; clipping shifts it later.
        hertz: f64,
        /// Growth by a factor e takes this long, seconds.
        seconds: f64,
    },
    /// A real pole grows: it leaves this point for another, or jumps to and fro.
    Jumps {
        /// Growth by a factor e takes this long, seconds.
        seconds: f64,
    },
}

impl Poles {
    /// How the board is poised, by its rightmost pole; of several growing ones a pair counts before a real one as much to the right.
    pub fn poise(&self) -> Poise {
        let growing = self.all.iter().filter(|p| p.re > AT_REST);
        let fastest = growing.fold(None, |best: Option<&Complex64>, p| match best {
            Some(b) if b.re >= p.re => Some(b),
            _ => Some(p),
        });
        match fastest {
            Some(p) if p.im == 0.0 => Poise::Jumps { seconds: 1.0 / p.re },
            Some(p) => Poise::Oscillates { hertz: p.im.abs() / std::f64::consts::TAU, seconds: 1.0 / p.re },
            None => {
                let damping = |p: &Complex64| -p.re / p.norm();
                let swinging = self.all.iter().filter(|p| p.im > 0.0);
                let least = swinging.min_by(|a, b| damping(a).total_cmp(&damping(b)));
                match least {
                    Some(p) => Poise::Stable { damping: damping(p), hertz: p.norm() / std::f64::consts::TAU },
                    None => Poise::Stable { damping: f64::INFINITY, hertz: 0.0 },
                }
            }
        }
    }

    /// Whether every pole decays.
    pub fn is_stable(&self) -> bool {
        matches!(self.poise(), Poise::Stable { .. })
    }

    /// The rightmost pole, of a pair the one above the real axis.
    pub fn rightmost(&self) -> Option<Complex64> {
        self.all.iter().copied().max_by(|a, b| a.re.total_cmp(&b.re).then(a.im.total_cmp(&b.im)))
    }
}

/// A capacitor or inductor as the equations have it: where it acts, and its farads or minus its henries.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Reactive {
    /// Unknowns it lies between; for an inductor its current and ground.
    pub ends: [u16; 2],
    pub slots: [u16; 4],
    pub value: f64,
    pub inductor: bool,
}

impl Sweep {
    /// Poles with these edits made.
    ///
    /// ```
    /// use halfsplit::circuit::dc::Options;
    /// use halfsplit::circuit::network::{Network, Node, Primitive};
    /// use halfsplit::circuit::sweep::Sweep;
    ///
    /// let mut net = Network::new();
    /// let a = net.node("A");
    /// net.add("R1", Primitive::Resistor { a, b: Node::GROUND, ohms: 10e3 })?;
    /// net.add("C1", Primitive::Capacitor { a, b: Node::GROUND, farads: 1e-6 })?;
    /// let poles = Sweep::new(&net, Options::default())?.poles(&[])?;
    /// assert!((poles.all[0].re + 100.0).abs() < 1e-6 && poles.is_stable());
    /// # Ok::<(), Box<dyn std::error::Error>>(())
    /// ```
    ///
    /// # Errors
    /// As for [`Sweep::solve`].
    pub fn poles(&mut self, edits: &[Edit]) -> Result<Poles, SolveError> {
        self.find_point(edits)?;
        self.poles_of_point()
    }

    /// Poles of the case in hand.
    pub(crate) fn poles_of_point(&mut self) -> Result<Poles, SolveError> {
        let Sweep { compiled, state, .. } = self;
        let compiled = &compiled[state.active];
        let topology = state.order.as_deref().map_or(&compiled.topology, |o| &o.0);
        poles_at(topology, &state.params, &state.work.constant, &state.work.slopes)
            .map_err(|column| SolveError::Singular { place: place(&compiled.network, topology, column).0 })
    }

    /// The shape of a pole of the case in hand: how far every node swings with it, against the one that swings most.
    pub(crate) fn shape_of(&mut self, pole: Complex64, nodes: &[Node]) -> Vec<Complex64> {
        let Sweep { compiled, state, .. } = self;
        let compiled = &compiled[state.active];
        let topology = state.order.as_deref().map_or(&compiled.topology, |o| &o.0);
        let x = mode(topology, &state.params, &state.work.constant, &state.work.slopes, pole, &mut state.ac);
        let at = |n: &Node| match n.index() {
            0 => Complex64::default(),
            i => x.get(i - 1).copied().unwrap_or_default(),
        };
        let most = nodes.iter().map(|n| at(n).norm()).fold(0.0, f64::max).max(1e-300);
        nodes.iter().map(|n| at(n) / most).collect()
    }
}

/// Poles of a network whose matrix at the operating point is `constant` plus `slopes`. `Err`: the column whose pivot vanished.
pub(crate) fn poles_at(
    topology: &Topology,
    params: &[f64],
    constant: &[f64],
    slopes: &[f64],
) -> Result<Poles, usize> {
    let parts: Vec<Reactive> = topology.reactive(params).filter(|r| r.value != 0.0).collect();
    let n = topology.n;
    let mut values = constant.to_vec();
    topology.add_slopes(slopes, &mut values);
    for part in &parts {
        part.stamp(SHIFT, &mut values);
    }
    topology.plan.factor(&mut values)?;
    let mut small = Dense::new(parts.len());
    let (mut b, mut x, mut scratch) = (vec![0.0; n + 1], vec![0.0; n + 1], vec![0.0; n + 1]);
    for (j, from) in parts.iter().enumerate() {
        b.fill(0.0);
        b[from.ends[0] as usize] += 1.0;
        b[from.ends[1] as usize] -= 1.0;
        b[n] = 0.0;
        topology.plan.solve(&values, &b, &mut x, &mut scratch);
        x[n] = 0.0;
        for (i, to) in parts.iter().enumerate() {
            let across = x[to.ends[0] as usize] - x[to.ends[1] as usize];
            let scale = (to.value.abs() * from.value.abs()).sqrt();
            small.set(i, j, to.value.signum() * scale * across);
        }
    }
    let found = eigenvalues(small).ok_or(n)?;
    let largest = found.iter().map(|m| m.norm()).fold(0.0, f64::max);
    let finite = found.into_iter().filter(|m| m.norm() > ROUNDING * largest);
    let mut all: Vec<Complex64> =
        finite.map(|m| Complex64::new(SHIFT, 0.0) - m.inv()).filter(|s| s.norm() <= FASTEST).collect();
    all.sort_by(|a, b| b.re.total_cmp(&a.re).then(b.im.total_cmp(&a.im)));
    Ok(Poles { all })
}

impl Reactive {
    /// Adds `factor` times the part to a real matrix.
    pub fn stamp(&self, factor: f64, values: &mut [f64]) {
        let y = factor * self.value;
        if self.inductor {
            values[self.slots[0] as usize] += y;
            return;
        }
        let [aa, bb, ab, ba] = self.slots;
        values[aa as usize] += y;
        values[bb as usize] += y;
        values[ab as usize] -= y;
        values[ba as usize] -= y;
    }
}

/// The vector that a pole belongs to, by two rounds of inverse iteration close to it.
pub(crate) fn mode(
    topology: &Topology,
    params: &[f64],
    constant: &[f64],
    slopes: &[f64],
    pole: Complex64,
    ac: &mut AcWork,
) -> Vec<Complex64> {
    let n = topology.n;
    let zero = Complex64::default();
    let mut direct = constant.to_vec();
    topology.add_slopes(slopes, &mut direct);
    let parts: Vec<Reactive> = topology.reactive(params).collect();
    let near = pole * Complex64::new(1.0 + 1e-7, 1e-7) + Complex64::new(1e-9, 0.0);
    let mut values: Vec<Complex64> = direct.iter().map(|g| Complex64::new(*g, 0.0)).collect();
    for part in &parts {
        let y = near * part.value;
        let ([aa, bb, ab, ba], single) = (part.slots.map(usize::from), part.inductor);
        values[aa] += y;
        if !single {
            values[bb] += y;
            values[ab] -= y;
            values[ba] -= y;
        }
    }
    ac.scratch.resize(n + 1, zero);
    let (mut x, mut b) = (vec![zero; n + 1], vec![zero; n + 1]);
    // Any start that is not by chance at right angles to it.
    b.iter_mut().enumerate().for_each(|(i, v)| *v = Complex64::new(1.0, 0.1 * (i as f64 * 0.7).sin()));
    if topology.plan.factor(&mut values).is_err() {
        return x;
    }
    for _ in 0..3 {
        b[n] = zero;
        topology.plan.solve(&values, &b, &mut x, &mut ac.scratch);
        x[n] = zero;
        let most = x.iter().map(|v| v.norm()).fold(0.0, f64::max);
        if !(most > 0.0 && most.is_finite()) {
            break;
        }
        x.iter_mut().for_each(|v| *v /= most);
        // The next round starts from what the parts that store something would push.
        b.fill(zero);
        for part in &parts {
            let [a, c] = part.ends.map(usize::from);
            let push = (x[a] - x[c]) * part.value;
            b[a] += push;
            b[c] -= push;
        }
    }
    x
}
