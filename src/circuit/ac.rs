//! Small-signal response at an operating point: every device is its tangent, every source its `ac` amplitude.
//!
//! Absent: distortion, clipping, noise. A level that a real tone would clip is reported as if it did not.

use num_complex::Complex64;

use super::dc::{Solution, SolveError, Solver};
use super::network::Node;
use super::newton::{Case, Extra, Failure, Work, place};
use super::topology::Topology;

/// Buffers of the small-signal solver.
#[derive(Debug, Clone, Default)]
pub(crate) struct AcWork {
    /// The response; the place after the last unknown is ground.
    pub y: Vec<Complex64>,
    /// The factored matrix.
    pub values: Vec<Complex64>,
    /// Constant part plus slopes.
    pub direct: Vec<f64>,
    matrix: Vec<Complex64>,
    b: Vec<Complex64>,
    rest: Vec<Complex64>,
    dy: Vec<Complex64>,
    pub scratch: Vec<Complex64>,
}

/// After one round of refinement the correction must be this small against the largest response, or the order does not suit the matrix.
const REFINED: f64 = 1e-6;

impl Case<'_> {
    /// The response at `hertz` for the point in `work`. `Err` when the elimination order does not suit this matrix.
    pub fn response(&self, work: &Work, hertz: f64, ac: &mut AcWork) -> Result<(), Failure> {
        let t = self.topology;
        let (n, slots) = (t.n + 1, t.plan.slots() + 1);
        let zero = Complex64::default();
        for list in [&mut ac.y, &mut ac.b, &mut ac.rest, &mut ac.dy, &mut ac.scratch] {
            list.resize(n, zero);
        }
        ac.values.resize(slots, zero);
        ac.direct.clear();
        ac.direct.extend_from_slice(&work.constant);
        t.add_slopes(&work.slopes, &mut ac.direct);
        t.assemble_ac(self.params, &ac.direct, std::f64::consts::TAU * hertz, &mut ac.values);
        ac.matrix.clear();
        ac.matrix.extend_from_slice(&ac.values);
        t.ac_sources(self.params, &mut ac.b);
        t.plan.factor(&mut ac.values).map_err(Failure::Singular)?;
        t.plan.solve(&ac.values, &ac.b, &mut ac.y, &mut ac.scratch);
        ac.y[n - 1] = zero;
        for round in 0..2 {
            ac.rest.iter_mut().zip(&ac.b).for_each(|(r, b)| *r = -b);
            t.plan.multiply_add(&ac.matrix, &ac.y, &mut ac.rest);
            t.plan.solve(&ac.values, &ac.rest, &mut ac.dy, &mut ac.scratch);
            let (mut change, mut size) = (0.0f64, 0.0f64);
            for (y, dy) in ac.y[..n - 1].iter_mut().zip(&ac.dy) {
                *y -= dy;
                change = change.max(dy.norm_sqr());
                size = size.max(y.norm_sqr());
            }
            if change <= REFINED * REFINED * size {
                return Ok(());
            }
            if round == 1 || !change.is_finite() {
                break;
            }
        }
        Err(Failure::Singular(t.n))
    }

    /// As [`Case::response`], with a fresh order where the fixed one does not do. If so, the order is handed back and `work` is laid out for it.
    pub fn response_surely(
        &self,
        work: &mut Work,
        hertz: f64,
        ac: &mut AcWork,
    ) -> Result<Option<(Topology, Vec<Extra>)>, Failure> {
        let Err(first) = self.response(work, hertz, ac) else {
            return Ok(None);
        };
        let Some((topology, extras)) = self.reordered_for(&ac.matrix) else {
            return Err(first);
        };
        let case = Case { topology: &topology, params: self.params, extras: &extras };
        case.constant_again(work);
        case.response(work, hertz, ac)?;
        Ok(Some((topology, extras)))
    }
}

/// The small-signal response of a network at one frequency.
#[derive(Debug, Clone, PartialEq)]
pub struct Response {
    /// The frequency, hertz.
    pub hertz: f64,
    pub(crate) y: Vec<Complex64>,
}

impl Response {
    /// Amplitude and phase at a node, volts for the sources' `ac` amplitudes; NaN for a node of another network.
    pub fn volts(&self, node: Node) -> Complex64 {
        match node.index() {
            0 => Complex64::default(),
            i => self.y.get(i - 1).copied().unwrap_or(Complex64::new(f64::NAN, f64::NAN)),
        }
    }

    /// Level at a node against `amplitude` volts, dB.
    pub fn level(&self, node: Node, amplitude: f64) -> f64 {
        decibels(self.volts(node).norm() / amplitude)
    }
}

/// A voltage ratio in decibels: 20 log10.
pub fn decibels(ratio: f64) -> f64 {
    20.0 * ratio.log10()
}

impl Solver {
    /// The small-signal response at an operating point of this network, for `hertz` > 0.
    ///
    /// # Errors
    /// [`SolveError::BadFrequency`], or [`SolveError::Singular`] where the frequency makes the equations undetermined.
    pub fn response(&self, point: &Solution, hertz: f64) -> Result<Response, SolveError> {
        check_frequency(hertz)?;
        let case = Case { topology: &self.topology, params: &self.topology.params, extras: &[] };
        let mut work = Work::default();
        work.x.clone_from(&point.x);
        case.evaluate_at(&mut work, &self.options);
        let mut ac = AcWork::default();
        match case.response_surely(&mut work, hertz, &mut ac) {
            Ok(_) => Ok(Response { hertz, y: ac.y[..self.network.node_count() - 1].to_vec() }),
            Err(Failure::Singular(unknown) | Failure::Iterations { worst: unknown, .. }) => {
                Err(SolveError::Singular { place: place(&self.network, &self.topology, unknown).0 })
            }
        }
    }
}

pub(crate) fn check_frequency(hertz: f64) -> Result<(), SolveError> {
    if hertz.is_finite() && hertz > 0.0 { Ok(()) } else { Err(SolveError::BadFrequency { hertz }) }
}
