//! What somebody who listens at the output of a board with faults in would complain of.
//!
//! From the response at the tone, at a low and at a high note, and from the room that each amplifying part has for the signal about
//! its resting point. Absent: noise, and all that takes time.

use super::{EAR_SD, FAINT_DB, LOUD_DB, NONE_DB, PredictError, Predictor, SILENCE, named};
use crate::circuit::network::{Node, Primitive};
use crate::circuit::sweep::Faulted;

/// A low and a high note, hertz: where bass and treble are judged (common practice, no source).
const LOW: f64 = 110.0;
const HIGH: f64 = 4_000.0;
/// Loss of the low or the high note against the tone that is heard as thin or dull, dB (common practice, no source).
const TONE_DB: f64 = -5.0;
/// Peak volts that an instrument or a line puts in when it is played, at least (common practice, no source).
const PLAYED_PEAK: f64 = 0.1;
/// A resting point that moved by this share of the supply: rough, as often as not.
const MOVED: f64 = 0.05;
const ROUGH_WHERE_MOVED: f64 = 0.4;
/// Chance that nothing is heard where the supply is drawn on for too much (common practice, no source).
const SILENT_WHERE_STRAINED: f64 = 0.5;
/// Chance that somebody says so of a sound that is rough, dull or thin by the figures: ears and words are loose.
const SAID: f64 = 0.6;
/// Chance of any of these words for a fault that is heard in some other way: owners' words are loose (common practice, no source).
const LOOSE: f64 = 0.03;

/// Chances, 0 to 1, of what is heard at the output.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Heard {
    /// Nothing.
    pub none: f64,
    /// Far too little.
    pub faint: f64,
    /// Too much.
    pub loud: f64,
    /// Rough when it should be clean.
    pub distorted: f64,
    /// Treble missing.
    pub dull: f64,
    /// Bass missing.
    pub thin: f64,
}

/// What the output does, in numbers.
#[derive(Clone, Debug)]
pub(super) struct Sound {
    /// dB against the tone put in: at the tone, at the low and at the high note.
    level: f64,
    low: f64,
    high: f64,
    /// Peak of the signal over the room it has, at the part that has least.
    crowding: f64,
    volts: Vec<f64>,
}

impl Predictor<'_> {
    /// What is heard at the output with these faults in, against a healthy board; nothing without a signal path.
    ///
    /// # Errors
    /// As [`Predictor::predict`].
    pub fn heard(&mut self, faults: &[&str]) -> Result<Heard, PredictError> {
        if self.board.signal().is_none() {
            return Ok(Heard::default());
        }
        if self.sound.is_none() {
            self.sound = Some(self.listen(&[])?);
        }
        let now = self.listen(faults)?;
        let way: Vec<String> = faults.iter().map(|f| (*f).to_owned()).collect();
        let strained = self.strained_by(&way);
        let heard =
            self.sound.as_ref().map_or_else(Heard::default, |usual| compared(&now, usual, self.span()));
        Ok(if strained { strangled(heard) } else { heard })
    }

    fn listen(&mut self, faults: &[&str]) -> Result<Sound, PredictError> {
        let fail = |source| PredictError::Solve {
            faults: named(&faults.iter().map(|f| (*f).to_owned()).collect::<Vec<_>>()),
            source,
        };
        let edits = self.board.edits(faults)?;
        let (tone, peak, out) = match self.board.signal() {
            Some(s) => (
                s.tone.0,
                (s.level.0 * std::f64::consts::SQRT_2).max(PLAYED_PEAK),
                self.board.node(&s.output).unwrap_or(Node::GROUND),
            ),
            None => (1e3, PLAYED_PEAK, Node::GROUND),
        };
        let at = |solved: &Faulted| {
            let volts = solved.response().map_or(0.0, |r| r.volts(out).norm());
            (20.0 * volts.max(1e-9).log10()).max(SILENCE)
        };
        let low = at(&self.sweep.solve(&edits, Some(LOW)).map_err(fail)?);
        let high = at(&self.sweep.solve(&edits, Some(HIGH)).map_err(fail)?);
        let solved = self.sweep.solve(&edits, Some(tone)).map_err(fail)?;
        let volts = self.board.nets().iter().filter_map(|n| self.board.node(n)).map(|n| solved.volts(n));
        Ok(Sound {
            level: at(&solved),
            low,
            high,
            crowding: self.crowding(&solved, peak),
            volts: volts.collect(),
        })
    }

    /// Peak of the signal over the room that it has, at the part where that is most.
    fn crowding(&self, solved: &Faulted, peak: f64) -> f64 {
        let swing = |a: Node, b: Node| {
            solved.response().map_or(0.0, |r| {
                let at = |n: Node| if n.is_ground() { Default::default() } else { r.volts(n) };
                (at(a) - at(b)).norm() * peak
            })
        };
        let (low, high) = self.rails();
        let mut most: f64 = 0.0;
        let mut look = |amplitude: f64, room: f64| {
            if amplitude > 1e-3 {
                most = most.max(amplitude / room.max(0.02));
            }
        };
        for (_, element) in self.board.network().elements() {
            match &element.primitive {
                Primitive::Bjt { collector: a, emitter: b, .. }
                | Primitive::Jfet { drain: a, source: b, .. }
                | Primitive::Mosfet { drain: a, source: b, .. } => {
                    let across = (solved.volts(*a) - solved.volts(*b)).abs();
                    look(swing(*a, *b), across - 0.1);
                    for node in [*a, *b] {
                        let v = solved.volts(node);
                        // At a supply there is no swing to speak of.
                        look(swing(node, Node::GROUND), (high - v).max(v - low));
                    }
                }
                _ => {}
            }
        }
        for part in self.board.parts() {
            for pin in part.pins.iter().filter(|p| p.output) {
                let v = solved.volts(pin.node);
                look(swing(pin.node, Node::GROUND), (high - v).min(v - low));
            }
        }
        most
    }

    /// Lowest and highest voltage that the supplies give.
    pub(super) fn rails(&self) -> (f64, f64) {
        let ends = self.board.supplies().iter().flat_map(|s| [&s.plus, &s.minus]);
        let volts: Vec<f64> =
            ends.filter_map(|n| self.board.node(n)).map(|n| self.sweep.healthy_volts(n)).collect();
        (volts.iter().copied().fold(0.0, f64::min), volts.iter().copied().fold(0.0, f64::max))
    }
}

/// What is heard where the supply sags or limits, which the solver knows nothing of: nothing as often as not, else the circuit runs on what
/// is left.
fn strangled(heard: Heard) -> Heard {
    let none = heard.none.max(SILENT_WHERE_STRAINED);
    let left = 1.0 - none;
    Heard {
        none,
        faint: heard.faint.min(left),
        distorted: heard.distorted.max(ROUGH_WHERE_MOVED * left),
        ..heard
    }
}

/// Chance that a figure with the spread of two listeners lies below an edge.
fn below(edge: f64, value: f64) -> f64 {
    1.0 / (1.0 + (-1.702 * (edge - value) / EAR_SD).exp())
}

fn compared(now: &Sound, usual: &Sound, span: f64) -> Heard {
    let change = now.level - usual.level;
    let (none, faint) = (below(NONE_DB, change), below(FAINT_DB, change));
    let heard = 1.0 - none;
    let tilt = |note: fn(&Sound) -> f64| (note(now) - now.level) - (note(usual) - usual.level);
    let moved = now.volts.iter().zip(&usual.volts).map(|(a, b)| (a - b).abs()).fold(0.0, f64::max) / span;
    let crowded = (now.crowding > 1.0 && now.crowding > 1.5 * usual.crowding) as u8 as f64;
    let other = (moved > 0.5 * MOVED || change.abs() > 3.0) as u8 as f64 * LOOSE;
    let rough = (SAID * crowded).max(if moved > MOVED { ROUGH_WHERE_MOVED } else { 0.0 });
    Heard {
        none: none.min(0.97),
        faint: (faint - none).clamp(0.0, 0.95),
        loud: (1.0 - below(LOUD_DB, change)).max(other * heard),
        distorted: rough.max(other) * heard,
        dull: (SAID * below(TONE_DB, tilt(|s| s.high)) * heard).max(other * heard),
        thin: (SAID * below(TONE_DB, tilt(|s| s.low)) * heard).max(other * heard),
    }
}
