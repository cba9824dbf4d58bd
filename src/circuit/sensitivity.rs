//! First derivatives at an operating point: what one part's number does to the balances, the matrix and a response.

use num_complex::Complex64;

use super::network::Node;
use super::topology::{LinearPart, Topology};

/// A parameter of the compiled network in hand.
pub(crate) struct Moved {
    pub draw: usize,
    pub param: usize,
    /// Change for one standard deviation of the draw.
    pub size: f64,
    pub kind: MovedKind,
}

pub(crate) enum MovedKind {
    Linear(LinearPart),
    /// Index of the device among the topology's devices.
    Device(usize),
}

/// Change of equations and matrix with one parameter: (row, change) of the balances, and the change of `lambda^T A y`.
pub(crate) struct Change {
    pub balance: Vec<(u16, f64)>,
}

/// What a set of linearisations shares: the factored Jacobian at the point.
pub(crate) struct Linear<'a> {
    pub topology: &'a Topology,
    pub params: &'a [f64],
    pub x: &'a [f64],
    pub values: Vec<f64>,
    pub scratch: Vec<f64>,
    pub gmin: f64,
}

impl Linear<'_> {
    pub fn transposed(&mut self, c: &[f64]) -> Vec<f64> {
        let mut out = vec![0.0; self.topology.n + 1];
        self.topology.plan.solve_transposed(&self.values, c, &mut out, &mut self.scratch);
        out
    }

    pub fn forward(&mut self, b: &[f64]) -> Vec<f64> {
        let mut out = vec![0.0; self.topology.n + 1];
        self.topology.plan.solve(&self.values, b, &mut out, &mut self.scratch);
        out
    }

    /// Change of the balances per unit of a parameter, at `x` (linear parts) and at the point (devices).
    pub fn balance(&self, moved: &Moved, x: &[f64]) -> Vec<(u16, f64)> {
        let v = |i: u16| x[i as usize];
        match &moved.kind {
            MovedKind::Linear(LinearPart::Resistor([a, b])) => {
                let ohms = self.params[moved.param];
                let slope = -(v(*a) - v(*b)) / (ohms * ohms);
                vec![(*a, slope), (*b, -slope)]
            }
            MovedKind::Linear(LinearPart::DcSource([plus, minus])) => {
                vec![(*plus, -1.0), (*minus, 1.0)]
            }
            MovedKind::Linear(LinearPart::Gain(entries)) => {
                entries.iter().map(|(row, col, sign)| (*row, sign * v(*col))).collect()
            }
            MovedKind::Linear(_) => Vec::new(),
            MovedKind::Device(index) => self.device_balance(*index, moved.param),
        }
    }

    /// `mu` times the change of the balances per unit of a parameter, with linear parts taken at `x`; `at_point` is [`Linear::balance`] at the point.
    pub fn pull(&self, moved: &Moved, x: &[f64], mu: &[f64], at_point: &Change) -> f64 {
        let v = |i: u16| x[i as usize];
        let m = |i: u16| mu[i as usize];
        match &moved.kind {
            MovedKind::Linear(LinearPart::Resistor([a, b])) => {
                let ohms = self.params[moved.param];
                (v(*b) - v(*a)) / (ohms * ohms) * (m(*a) - m(*b))
            }
            MovedKind::Linear(LinearPart::Gain(entries)) => {
                entries.iter().map(|(row, col, sign)| sign * m(*row) * v(*col)).sum()
            }
            _ => along(mu, &at_point.balance),
        }
    }

    pub fn device_balance(&self, index: usize, param: usize) -> Vec<(u16, f64)> {
        let Some(device) = self.topology.devices().nth(index) else {
            return Vec::new();
        };
        let mut rows: Vec<u16> = device.pattern().into_iter().map(|(r, _)| r).collect();
        rows.sort_unstable();
        rows.dedup();
        let (up, down, width) =
            self.two_sided(index, param, |f, _| rows.iter().map(|r| f[*r as usize]).collect::<Vec<f64>>());
        rows.iter().zip(up.iter().zip(&down)).map(|(r, (u, d))| (*r, (u - d) / width)).collect()
    }

    /// Evaluates a device with one of its values a little up and a little down; also the distance between the two.
    pub fn two_sided<R>(
        &self,
        index: usize,
        param: usize,
        take: impl Fn(&[f64], &[f64]) -> R,
    ) -> (R, R, f64) {
        let value = self.params[param];
        let step = if value == 0.0 || !value.is_finite() { 1e-6 } else { 1e-5 * value.abs() };
        let side = |p: f64| {
            let mut params = self.params.to_vec();
            params[param] = p;
            let mut f = vec![0.0; self.topology.n + 1];
            let Some(device) = self.topology.devices().nth(index) else {
                return take(&f, &[]);
            };
            let mut slopes = vec![0.0; device.slope_count()];
            device.exact(&params[device.params_start()..], self.x, self.gmin, &mut f, &mut slopes);
            take(&f, &slopes)
        };
        (side(value + step), side(value - step), 2.0 * step)
    }
}

/// The small-signal side of a linearisation, for one node.
pub(crate) struct Small {
    pub lambda: Vec<Complex64>,
    /// `J^-T d(lambda^T A y)/dx`, real and imaginary.
    pub eta: [Vec<f64>; 2],
}

impl Linear<'_> {
    /// Gradient of `lambda^T A(x) y` with the operating point: devices' slopes change when the point moves.
    pub fn curvature(&self, lambda: &[Complex64], y: &[Complex64]) -> Vec<Complex64> {
        let mut w = vec![Complex64::default(); self.topology.n + 1];
        let mut x = self.x.to_vec();
        let mut f = vec![0.0; self.topology.n + 1];
        for device in self.topology.devices() {
            let pattern = device.pattern();
            let weights: Vec<Complex64> =
                pattern.iter().map(|(r, c)| lambda[*r as usize] * y[*c as usize]).collect();
            let mut slopes = vec![0.0; pattern.len()];
            let params = &self.params[device.params_start()..];
            for unknown in device.listens().into_iter().map(usize::from).filter(|u| *u < self.topology.n) {
                // Junction slopes change by a factor e every 5 to 50 mV: 10 uV is small for all of them and large against rounding.
                const STEP: f64 = 1e-5;
                let here = x[unknown];
                let mut sum = |v: f64| {
                    x[unknown] = v;
                    device.exact(params, &x, self.gmin, &mut f, &mut slopes);
                    weights.iter().zip(&slopes).map(|(w, g)| w * *g).sum::<Complex64>()
                };
                w[unknown] += (sum(here + STEP) - sum(here - STEP)) / (2.0 * STEP);
                x[unknown] = here;
            }
        }
        w
    }

    /// `lambda^T (dA/dp) y` for one parameter, minus `lambda^T db/dp`.
    pub fn matrix_change(
        &self,
        moved: &Moved,
        lambda: &[Complex64],
        y: &[Complex64],
        omega: f64,
    ) -> Complex64 {
        let across =
            |a: u16, b: u16| (lambda[a as usize] - lambda[b as usize]) * (y[a as usize] - y[b as usize]);
        match &moved.kind {
            MovedKind::Linear(LinearPart::Resistor([a, b])) => {
                -across(*a, *b) / self.params[moved.param].powi(2)
            }
            MovedKind::Linear(LinearPart::Capacitor([a, b])) => Complex64::new(0.0, omega) * across(*a, *b),
            MovedKind::Linear(LinearPart::Inductor(own)) => {
                Complex64::new(0.0, -omega) * lambda[*own as usize] * y[*own as usize]
            }
            MovedKind::Linear(LinearPart::AcSource([plus, minus])) => {
                lambda[*minus as usize] - lambda[*plus as usize]
            }
            MovedKind::Linear(LinearPart::Gain(entries)) => {
                entries.iter().map(|(row, col, sign)| lambda[*row as usize] * y[*col as usize] * *sign).sum()
            }
            MovedKind::Linear(LinearPart::DcSource(_) | LinearPart::None) => Complex64::default(),
            MovedKind::Device(index) => {
                let Some(device) = self.topology.devices().nth(*index) else {
                    return Complex64::default();
                };
                let pattern = device.pattern();
                let weigh = |slopes: &[f64]| {
                    let terms = pattern
                        .iter()
                        .zip(slopes)
                        .map(|((r, c), g)| lambda[*r as usize] * y[*c as usize] * *g);
                    terms.sum::<Complex64>()
                };
                let (up, down, width) = self.two_sided(*index, moved.param, |_, slopes| weigh(slopes));
                (up - down) / width
            }
        }
    }
}

pub(crate) fn unknown(topology: &Topology, node: Node) -> usize {
    if node.is_ground() { topology.n } else { (node.index() - 1).min(topology.n) }
}

pub(crate) fn dot(a: &[f64], b: &[f64]) -> f64 {
    a.iter().zip(b).map(|(x, y)| x * y).sum()
}

pub(crate) fn along(mu: &[f64], balance: &[(u16, f64)]) -> f64 {
    balance.iter().map(|(row, change)| mu[*row as usize] * change).sum()
}
