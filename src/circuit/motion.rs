//! Whether a board stays at its operating point, and what it does where it does not: rate, swing, mean and shape of an oscillator,
//! or the other state that it falls into.
//!
//! Poles say whether the point holds; where one grows, the board is moved a little along it and followed in time
//! ([`super::transient`]) until one period is like the next, or nothing moves any more. The time solution alone would not do: long
//! steps of an implicit rule sit quietly on a point that no board would stay at.

use super::dc::SolveError;
use super::edit::Edit;
use super::network::Node;
use super::poles::{Poise, Poles, mode};
use super::sweep::Sweep;
use super::tolerance::Varied;
use super::transient::Accuracy;

/// What a node does over one period.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Swing {
    /// Lowest volts.
    pub least: f64,
    /// Highest volts.
    pub most: f64,
    /// Mean over time, volts.
    pub mean: f64,
    /// Volts rms about the mean.
    pub rms: f64,
}

impl Swing {
    /// Peak to peak, volts.
    pub fn span(&self) -> f64 {
        self.most - self.least
    }
}

/// A board that oscillates, once it does so evenly.
#[derive(Debug, Clone, PartialEq)]
pub struct Cycle {
    /// Frequency, hertz.
    pub hertz: f64,
    /// What each node asked for does, in the order asked for.
    pub swings: Vec<Swing>,
    /// Volts of each such node at [`SHAPE`] evenly spaced moments of one period, which begins where the node that swings most
    /// passes its middle on the way up.
    pub shapes: Vec<Vec<f64>>,
    /// Seconds from the start to the first even period.
    pub seconds: f64,
    /// Steps that it took to find out.
    pub steps: usize,
}

/// Points of a shape.
pub const SHAPE: usize = 96;

/// What a board does by itself.
#[derive(Debug, Clone, PartialEq)]
pub enum Motion {
    /// It stays at its operating point.
    Rests,
    /// It oscillates.
    Runs(Cycle),
    /// It falls into another state and stays there: volts of the nodes asked for in each state found.
    Latches(Vec<Vec<f64>>),
    /// It leaves its point, and what it does then could not be followed to an end; it starts at that frequency (0 for a jump).
    Unclear {
        /// Frequency of the growing pole, hertz.
        hertz: f64,
    },
}

impl Motion {
    /// The even swing, if it is one.
    pub fn cycle(&self) -> Option<&Cycle> {
        match self {
            Self::Runs(cycle) => Some(cycle),
            _ => None,
        }
    }
}

/// How a board is followed: the defaults hold rates within 0.2 % and swings within 0.5 %.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Following {
    /// Accuracy of each step.
    pub accuracy: Accuracy,
    /// Longest time followed, seconds.
    pub seconds: f64,
    /// How far it is moved off its point, volts at the node that moves most.
    pub kick: f64,
    /// Periods may differ from each other by this share.
    pub even: f64,
}

impl Default for Following {
    fn default() -> Following {
        let accuracy = Accuracy { share: 3e-4, volts: 3e-4, steps: 40_000, ..Accuracy::default() };
        Following { accuracy, seconds: 120.0, kick: 0.2, even: 1e-3 }
    }
}

/// Below this swing nothing moves, volts.
const STILL: f64 = 2e-4;
/// A state is another one when some node is this far from the point, volts.
const ELSEWHERE: f64 = 0.02;

impl Sweep {
    /// What a board does by itself with these edits made, at some nodes.
    ///
    /// # Errors
    /// As for [`Sweep::solve`].
    pub fn motion(
        &mut self,
        edits: &[Edit],
        nodes: &[Node],
        following: &Following,
    ) -> Result<(Poles, Motion), SolveError> {
        self.find_point(edits)?;
        let poles = self.poles_of_point()?;
        let motion = self.motion_of_point(&poles, nodes, following)?;
        Ok((poles, motion))
    }

    /// What a board does by itself with each of some draws of its parts (see [`super::tolerance::draws`]); draws without an operating
    /// point are left out.
    ///
    /// # Errors
    /// As for [`Sweep::solve`] of the parts as drawn.
    pub fn motions(
        &mut self,
        edits: &[Edit],
        nodes: &[Node],
        following: &Following,
        varied: &[Varied],
        draws: &[Vec<f64>],
    ) -> Result<Vec<Motion>, SolveError> {
        let mut out = Vec::with_capacity(draws.len());
        for draw in draws {
            self.find_point(edits)?;
            if self.find_point_drawn(varied, draw).is_err() {
                continue;
            }
            let poles = self.poles_of_point()?;
            out.extend(self.motion_of_point(&poles, nodes, following));
        }
        Ok(out)
    }

    /// The same for the case in hand.
    pub(crate) fn motion_of_point(
        &mut self,
        poles: &Poles,
        nodes: &[Node],
        following: &Following,
    ) -> Result<Motion, SolveError> {
        let hertz = match poles.poise() {
            Poise::Stable { .. } => return Ok(Motion::Rests),
            Poise::Oscillates { hertz, .. } => hertz,
            Poise::Jumps { .. } => 0.0,
        };
        let Some(pole) = poles.rightmost() else { return Ok(Motion::Rests) };
        let along = self.mode_of_point(pole);
        let mut states = Vec::new();
        for sign in [1.0, -1.0] {
            let by: Vec<f64> = along.iter().map(|m| sign * following.kick * m).collect();
            match self.follow(&by, nodes, following)? {
                Followed::Even(cycle) => return Ok(Motion::Runs(cycle)),
                Followed::Lost => return Ok(Motion::Unclear { hertz }),
                Followed::Still(volts) => {
                    let new = |s: &Vec<f64>| s.iter().zip(&volts).any(|(a, b)| (a - b).abs() > ELSEWHERE);
                    if states.iter().all(new) {
                        states.push(volts);
                    }
                }
            }
        }
        let point: Vec<f64> = nodes.iter().map(|n| self.volts_at(*n)).collect();
        let elsewhere = |s: &Vec<f64>| s.iter().zip(&point).any(|(a, b)| (a - b).abs() > ELSEWHERE);
        Ok(if states.iter().any(elsewhere) { Motion::Latches(states) } else { Motion::Rests })
    }

    fn volts_at(&self, node: Node) -> f64 {
        if node.is_ground() {
            0.0
        } else {
            self.state.work.x.get(node.index() - 1).copied().unwrap_or(f64::NAN)
        }
    }

    /// The real part of a pole's vector over all unknowns, 1 at the node that moves most.
    fn mode_of_point(&mut self, pole: num_complex::Complex64) -> Vec<f64> {
        let nodes = self.compiled[self.state.active].network.node_count() - 1;
        let Sweep { compiled, state, .. } = self;
        let compiled = &compiled[state.active];
        let topology = state.order.as_deref().map_or(&compiled.topology, |o| &o.0);
        let x = mode(topology, &state.params, &state.work.constant, &state.work.slopes, pole, &mut state.ac);
        let most = x[..nodes.min(x.len())]
            .iter()
            .fold(num_complex::Complex64::new(1e-300, 0.0), |m, v| if v.norm() > m.norm() { *v } else { m });
        x.iter().map(|v| (v / most).re).collect()
    }

    fn follow(&self, by: &[f64], nodes: &[Node], following: &Following) -> Result<Followed, SolveError> {
        let mut x = self.state.work.x.clone();
        let free = x.len().saturating_sub(1);
        x.iter_mut().take(free).zip(by).for_each(|(x, by)| *x += by);
        let (network, topology, mut run) = self.start_run(&[], x, self.options, following.accuracy)?;
        if run.settle_in().is_err() {
            return Ok(Followed::Lost);
        }
        let row = |n: &Node| if n.is_ground() { topology.n } else { n.index() - 1 };
        let rows: Vec<usize> = nodes.iter().map(row).collect();
        // Every node is kept: the one that swings most tells the periods.
        let all = network.node_count() - 1;
        let mut record = Record { t: vec![0.0], x: vec![run.x[..all].to_vec()] };
        let mut look = 200;
        loop {
            if run.t >= following.seconds || run.advance(following.seconds).is_err() {
                break;
            }
            let (t, middle) = run.middle();
            record.t.push(t);
            record.x.push(middle[..all].to_vec());
            record.t.push(run.t);
            record.x.push(run.x[..all].to_vec());
            if record.t.len() >= look {
                look = record.t.len() + record.t.len() / 8;
                if let Some(period) = record.even(following.even) {
                    return Ok(Followed::Even(period.cycle(&record, &rows, run.taken)));
                }
                if record.still() {
                    break;
                }
            }
        }
        if let Some(period) = record.even(following.even) {
            return Ok(Followed::Even(period.cycle(&record, &rows, run.taken)));
        }
        let last = &run.x;
        if run.t >= following.seconds || record.still() {
            Ok(Followed::Still(rows.iter().map(|r| last.get(*r).copied().unwrap_or(0.0)).collect()))
        } else {
            Ok(Followed::Lost)
        }
    }
}

enum Followed {
    Even(Cycle),
    Still(Vec<f64>),
    Lost,
}

/// What every node did, point by point.
struct Record {
    t: Vec<f64>,
    x: Vec<Vec<f64>>,
}

/// An even period: the places where it begins and ends, exactly timed.
struct Period {
    from: f64,
    to: f64,
}

impl Record {
    /// Least and most of every node from a place on.
    fn bounds(&self, from: usize) -> Vec<(f64, f64)> {
        let mut out = vec![(f64::INFINITY, f64::NEG_INFINITY); self.x.first().map_or(0, Vec::len)];
        for x in &self.x[from.min(self.x.len())..] {
            for (bound, v) in out.iter_mut().zip(x) {
                *bound = (bound.0.min(*v), bound.1.max(*v));
            }
        }
        out
    }

    /// The last period, if the last four are alike.
    fn even(&self, within: f64) -> Option<Period> {
        let end = *self.t.last()?;
        // The last half in time and the last half in points: whichever is longer.
        let from = self.t.partition_point(|t| *t < 0.5 * end).min(self.t.len() / 2);
        let bounds = self.bounds(from);
        let widest = (0..bounds.len()).max_by(|a, b| {
            let span = |i: &usize| bounds[*i].1 - bounds[*i].0;
            span(a).total_cmp(&span(b)).then(b.cmp(a))
        })?;
        let (least, most) = bounds[widest];
        if most - least < STILL {
            return None;
        }
        let crossings = self.crossings(widest, least, most);
        let [.., a, b, c, d, e] = crossings.as_slice() else { return None };
        let spans = [b.0 - a.0, c.0 - b.0, d.0 - c.0, e.0 - d.0];
        let period = spans[3];
        let alike = |s: &f64| (s / period - 1.0).abs() <= within;
        if !spans.iter().all(alike) {
            return None;
        }
        // The swing must have come to an end too.
        let extremes = |from: usize, to: usize| {
            self.x[from..=to]
                .iter()
                .fold((f64::INFINITY, f64::NEG_INFINITY), |m, x| (m.0.min(x[widest]), m.1.max(x[widest])))
        };
        let (first, last) = (extremes(a.1, b.1), extremes(d.1, e.1));
        let slack = 5.0 * within * (last.1 - last.0);
        if (first.0 - last.0).abs() > slack || (first.1 - last.1).abs() > slack {
            return None;
        }
        Some(Period { from: d.0, to: e.0 })
    }

    /// Times and places at which a node passes the middle of its swing on the way up, with some slack against wiggles.
    fn crossings(&self, node: usize, least: f64, most: f64) -> Vec<(f64, usize)> {
        let middle = 0.5 * (least + most);
        let low = middle - 0.15 * (most - least);
        let mut armed = false;
        let mut out = Vec::new();
        for i in 1..self.t.len() {
            let (before, now) = (self.x[i - 1][node], self.x[i][node]);
            armed |= before < low;
            if armed && before < middle && now >= middle {
                let share = (middle - before) / (now - before);
                out.push((self.t[i - 1] + share * (self.t[i] - self.t[i - 1]), i));
                armed = false;
            }
        }
        out
    }

    /// Whether nothing has moved over the last part of the record, which is long against what came before.
    fn still(&self) -> bool {
        let Some(end) = self.t.last() else { return false };
        let from = self.t.partition_point(|t| *t < 0.2 * end);
        self.t.len() - from >= 12 && self.bounds(from).iter().all(|(least, most)| most - least < STILL)
    }

    /// Volts of a node at a time, straight between points.
    fn at(&self, row: usize, t: f64) -> f64 {
        let after = self.t.partition_point(|s| *s <= t).clamp(1, self.t.len() - 1);
        let (a, b) = (after - 1, after);
        let value = |i: usize| self.x[i].get(row).copied().unwrap_or(0.0);
        let share = ((t - self.t[a]) / (self.t[b] - self.t[a]).max(1e-300)).clamp(0.0, 1.0);
        value(a) + share * (value(b) - value(a))
    }
}

impl Period {
    fn cycle(&self, record: &Record, rows: &[usize], steps: usize) -> Cycle {
        let period = self.to - self.from;
        let (first, last) =
            (record.t.partition_point(|t| *t <= self.from), record.t.partition_point(|t| *t < self.to));
        let swing = |row: &usize| {
            let mut points = vec![(self.from, record.at(*row, self.from))];
            points
                .extend((first..last).map(|i| (record.t[i], record.x[i].get(*row).copied().unwrap_or(0.0))));
            points.push((self.to, record.at(*row, self.to)));
            let fold = |m: (f64, f64), p: &(f64, f64)| (m.0.min(p.1), m.1.max(p.1));
            let (least, most) = points.iter().fold((f64::INFINITY, f64::NEG_INFINITY), fold);
            let over = |value: &dyn Fn(f64) -> f64| {
                let strip = |w: &[(f64, f64)]| 0.5 * (value(w[0].1) + value(w[1].1)) * (w[1].0 - w[0].0);
                points.windows(2).map(strip).sum::<f64>() / period
            };
            let mean = over(&|v| v);
            let rms = over(&|v| (v - mean) * (v - mean)).max(0.0).sqrt();
            Swing { least, most, mean, rms }
        };
        let moment = |k: usize| self.from + period * k as f64 / SHAPE as f64;
        let shape = |row: &usize| (0..SHAPE).map(|k| record.at(*row, moment(k))).collect();
        Cycle {
            hertz: 1.0 / period,
            swings: rows.iter().map(swing).collect(),
            shapes: rows.iter().map(shape).collect(),
            seconds: self.from,
            steps,
        }
    }
}
