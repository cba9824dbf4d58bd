//! What a board gives by itself, healthy or with faults in: hiss and hum at its output, whether it holds its operating point, what
//! oscillates and how, and the delay of its echo chips.
//!
//! A [`Listener`] works on the board as it stands on a bench: beside what is drawn there are the strays of [`strays`], which decide
//! whether a stage squeals. Each set of faults is worked out once and kept.
//!
//! Absent: what an owner says of all that (see [`super::said`]), and how far readings spread.

use super::ac::decibels;
use super::board::{Board, Part};
use super::dc::{Options, SolveError};
use super::edit::{Edit, EditSet};
use super::motion::{Following, Motion, Swing};
use super::network::{ElementId, Network, Node, Noise, Parameter, Primitive};
use super::noise::{Grid, NoiseAt, NoiseKind, Origin};
use super::poles::Poise;
use super::predict::PredictError;
use super::sweep::Sweep;
use super::transient::{Accuracy, Start, Wave};
use crate::rules::parts::DelayLaw;
use crate::units::Ohms;
use std::collections::BTreeMap;
use std::f64::consts::TAU;

/// Capacitance of a net's copper and legs to everything else, farads (common practice, no source; so the figures below).
const NET_FARADS: f64 = 4e-12;
/// Capacitance between nets that lie side by side.
const NEIGHBOUR_FARADS: f64 = 2e-12;
/// Capacitance between collector and base, and between base and emitter, of a small transistor at work (from memory of data sheets).
const BASE_FARADS: [f64; 2] = [4e-12, 30e-12];
/// The same between drain and gate, and between gate and source, of a small field-effect transistor (from memory of data sheets).
const GATE_FARADS: [f64; 2] = [3e-12, 6e-12];
/// Inductance of a supply's leads, henries: half a metre there and back; and what damps it above the radio's frequencies, ohms.
const LEAD_HENRIES: f64 = 0.5e-6;
const LEAD_OHMS: f64 = 22.0;
/// A node that moves less than this from peak to peak stands still to a meter, volts.
pub const MOVES: f64 = 0.05;
/// Below this damping a board is on the edge: a finger or a longer lead sets it off (common practice, no source).
pub const ON_THE_EDGE: f64 = 0.05;
/// Damping by which the poles of a board as built differ from those worked out: strays are known by a factor of two at best.
const DAMPING_SD: f64 = ON_THE_EDGE;
/// Chance that a board does what was followed in time to an end, where no pole tells how near the edge it is (common practice, no source).
const FOLLOWED: f64 = 0.9;
/// A board that swings faster leaves its point at such a pace that no noise is worked out about it, hertz.
const SLOW: f64 = 40.0;
/// Share of a track that is left at the end of its turn (common practice, no source).
const END_SHARE: f64 = 1e-3;
/// Moments after switching on at which an echo chip looks at the resistance on its timing pin, seconds (common practice: about 400 ms).
const LOOKS: [f64; 4] = [0.05, 0.1, 0.2, 0.4];

/// The noise of one part at the output.
#[derive(Clone, Debug, PartialEq)]
pub struct PartNoise {
    /// Designator, `tone source`, or `the fault`.
    pub part: String,
    /// What makes most of it.
    pub kind: NoiseKind,
    /// Share of the A-weighted power.
    pub share: f64,
}

/// A steady tone at the output.
#[derive(Clone, Debug, PartialEq)]
pub struct Hum {
    /// The supply or part that carries it.
    pub part: String,
    /// Its frequency, hertz.
    pub hertz: f64,
    /// Volts rms at the output.
    pub volts: f64,
}

/// What is left at the output of a board with nothing going in, the tone source plugged in and turned down.
#[derive(Clone, Debug, PartialEq)]
pub struct Residual {
    /// Noise from 20 Hz to 20 kHz, volts rms.
    pub volts: f64,
    /// The same behind the A-weighting.
    pub weighted: f64,
    /// What the tone gives at the same place, volts rms.
    pub tone: f64,
    /// Parts, the loudest first.
    pub parts: Vec<PartNoise>,
    /// Tones that come through from supplies and chips, the loudest first.
    pub hums: Vec<Hum>,
    /// Density over frequency: hertz and volts per root hertz; empty where listening was [brief](Listener::brief).
    pub spectrum: Vec<(f64, f64)>,
}

impl Residual {
    /// Noise in decibels over 1 V.
    pub fn dbv(&self) -> f64 {
        decibels(self.volts)
    }

    /// A-weighted noise in decibels over 1 V.
    pub fn weighted_dbv(&self) -> f64 {
        decibels(self.weighted)
    }

    /// Decibels by which the tone is above the noise.
    pub fn below_tone(&self) -> f64 {
        decibels(self.tone / self.volts)
    }

    /// Volts rms of all tones together.
    pub fn hum(&self) -> f64 {
        self.hums.iter().map(|h| h.volts * h.volts).sum::<f64>().sqrt()
    }

    /// What a meter reads that takes in the whole band: noise and tones.
    pub fn reads(&self) -> f64 {
        self.volts.hypot(self.hum())
    }
}

/// What a net does over a period.
#[derive(Clone, Debug, PartialEq)]
pub struct Moving {
    /// The net.
    pub net: String,
    /// Least, most, mean.
    pub swing: Swing,
    /// Volts at evenly spaced moments of one period.
    pub shape: Vec<f64>,
}

/// What a board does by itself.
#[derive(Clone, Debug, PartialEq)]
pub enum Doing {
    /// It stays at its operating point.
    Rests,
    /// It oscillates at that frequency, hertz; the nets that move, the widest first.
    Runs(f64, Vec<Moving>),
    /// It falls into one of several states and stays there: volts of every net, in the board's order.
    Latches(Vec<Vec<f64>>),
    /// It does not stay at its point, and where it goes could not be followed.
    Unclear,
}

/// The delay of an echo chip.
#[derive(Clone, Debug, PartialEq)]
pub struct Echo {
    /// The chip.
    pub part: String,
    /// Resistance that its timing pin sees, ohms; infinite where it sees none.
    pub ohms: f64,
    /// Delay, seconds.
    pub delay: f64,
    /// Its clock, hertz.
    pub clock: f64,
    /// Shortest and longest delay over a period, where the control is modulated.
    pub swept: Option<[f64; 2]>,
    /// Least resistance in the moments after switching on, ohms.
    pub at_start: f64,
    /// Whether it starts: not where it saw too little resistance then.
    pub starts: bool,
    /// Least resistance that it can be given at all: as before, with its control at the short end, ohms.
    pub least: f64,
}

/// What a board gives by itself.
#[derive(Clone, Debug, PartialEq)]
pub struct Heard {
    /// Hiss and hum at the output; absent on boards without sound, and where the board does not rest.
    pub residual: Option<Residual>,
    /// How it is poised at its operating point.
    pub poise: Poise,
    /// The nets that would swing most with the least damped pair of poles, or with the growing one; the widest first.
    pub poised_at: Vec<String>,
    /// What it does.
    pub doing: Doing,
    /// Its echo chips.
    pub echoes: Vec<Echo>,
}

impl Heard {
    /// Rate at which it runs, hertz.
    pub fn hertz(&self) -> Option<f64> {
        match &self.doing {
            Doing::Runs(hertz, _) => Some(*hertz),
            Doing::Unclear => match self.poise {
                Poise::Oscillates { hertz, .. } => Some(hertz),
                _ => None,
            },
            Doing::Rests | Doing::Latches(_) => None,
        }
    }

    /// The chance, 0 to 1, that a board so built oscillates, since poles are known only so well, and the frequency, hertz. Nothing where
    /// no pole says so: what has no pair of them, what falls into a state and stays, and a jump that could not be followed.
    pub fn runs(&self) -> Option<(f64, f64)> {
        let chance = |damping: f64| above(0.0, -damping, DAMPING_SD);
        let growing = |hertz: f64, seconds: f64| chance(-1.0 / (TAU * hertz * seconds));
        let (p, hertz) = match (&self.doing, self.poise) {
            (Doing::Latches(_), _) => return None,
            (_, Poise::Stable { damping, hertz }) => (chance(damping), hertz),
            (Doing::Runs(hertz, _), Poise::Oscillates { hertz: starts, seconds }) => {
                (growing(starts, seconds), *hertz)
            }
            (Doing::Runs(hertz, _), Poise::Jumps { .. }) => (FOLLOWED, *hertz),
            (_, Poise::Oscillates { hertz, seconds }) => (growing(hertz, seconds), hertz),
            (_, Poise::Jumps { .. }) => return None,
        };
        (hertz > 0.0).then_some((p, hertz))
    }

    /// What a net does, where it moves.
    pub fn moving(&self, net: &str) -> Option<&Moving> {
        match &self.doing {
            Doing::Runs(_, nets) => nets.iter().find(|m| m.net == net),
            _ => None,
        }
    }
}

/// Chance that a figure with this spread lies above an edge.
pub(super) fn above(edge: f64, value: f64, sd: f64) -> f64 {
    1.0 / (1.0 + (-1.702 * (value - edge) / sd).exp())
}

/// A board's network with what drawings leave out and benches have: capacitance of every net and of neighbours, of transistors,
/// and the inductance of supply leads. Elements of the drawing keep their ids.
///
/// # Errors
/// None for a board that was loaded.
pub fn strays(board: &Board) -> Result<Network, SolveError> {
    let mut network = board.network().clone();
    let ground = Node::GROUND;
    let mut pairs: Vec<(Node, Node, f64)> =
        board.nets().iter().filter_map(|n| board.node(n)).map(|n| (n, ground, NET_FARADS)).collect();
    for [a, b] in board.neighbours() {
        if let (Some(a), Some(b)) = (board.node(a), board.node(b)) {
            pairs.push((a, b, NEIGHBOUR_FARADS));
        }
    }
    for (_, element) in board.network().elements() {
        match &element.primitive {
            Primitive::Bjt { collector, base, emitter, .. } => {
                pairs.push((*collector, *base, BASE_FARADS[0]));
                pairs.push((*base, *emitter, BASE_FARADS[1]));
            }
            Primitive::Jfet { drain, gate, source, .. } | Primitive::Mosfet { drain, gate, source, .. } => {
                pairs.push((*drain, *gate, GATE_FARADS[0]));
                pairs.push((*gate, *source, GATE_FARADS[1]));
            }
            _ => {}
        }
    }
    for (number, (a, b, farads)) in pairs.into_iter().filter(|(a, b, _)| a != b).enumerate() {
        network.add(&format!("stray#{number}"), Primitive::Capacitor { a, b, farads })?;
    }
    for supply in board.supplies() {
        let Some(inner) = board.network().find_element(&format!("{}.r", supply.name)) else { continue };
        let lead = network.node(&format!("{}#lead", supply.name));
        let element = network.element_mut(inner)?;
        if let Primitive::Resistor { b, .. } = &mut element.primitive {
            let plus = std::mem::replace(b, lead);
            let coil = Primitive::Inductor { a: lead, b: plus, henries: LEAD_HENRIES };
            network.add(&format!("stray#{}", supply.name), coil)?;
            let losses = Primitive::Resistor { a: lead, b: plus, ohms: LEAD_OHMS };
            let id = network.add(&format!("stray#{}.losses", supply.name), losses)?;
            network.set_noise(id, Noise::SILENT)?;
        }
    }
    Ok(network)
}

/// Listens to one board. See the [module page](self).
#[derive(Debug)]
pub struct Listener<'b> {
    board: &'b Board,
    sweep: Sweep,
    following: Following,
    grid: Grid,
    /// Echo chips: the part, its law, the element that feeds the timing pin, the pin's node.
    echoes: Vec<(&'b Part, DelayLaw, ElementId, Node)>,
    /// Edits that turn a delay control to either end.
    ends: Vec<EditSet>,
    kept: BTreeMap<Vec<String>, Heard>,
    /// What is left at a net, by faults and net.
    left: BTreeMap<(Vec<String>, String), Option<f64>>,
    /// Whether the moments after switching on are followed, and the spectrum of the noise is worked out.
    at_length: bool,
}

/// Frequencies of a spectrum, hertz: ten in a decade.
fn spectrum_hertz() -> Vec<f64> {
    (0..=30).map(|k| 20.0 * 10f64.powf(f64::from(k) / 10.0)).collect()
}

impl<'b> Listener<'b> {
    /// Sets a board up.
    ///
    /// # Errors
    /// [`PredictError::Solve`] when the healthy board has no operating point.
    pub fn new(board: &'b Board) -> Result<Self, PredictError> {
        let fail = |source| PredictError::Solve { faults: "no fault".into(), source };
        let network = strays(board).map_err(fail)?;
        let sweep = Sweep::new(&network, Options::default()).map_err(fail)?;
        let echoes = board.parts().iter().filter_map(|p| Self::timing(board, p)).collect();
        let grid = Grid::audible(3);
        let following = Following::default();
        let ends = Self::ends(board);
        Ok(Self {
            board,
            sweep,
            following,
            grid,
            echoes,
            ends,
            kept: BTreeMap::new(),
            left: BTreeMap::new(),
            at_length: true,
        })
    }

    /// Leaves out what costs more than all the rest and no complaint needs: echo chips are taken at rest instead of being followed from
    /// switch-on, and noise has no spectrum.
    pub fn brief(mut self) -> Self {
        self.at_length = false;
        self
    }

    fn ends(board: &Board) -> Vec<EditSet> {
        let ohms = |id: ElementId| match board.network().element(id).ok()?.primitive {
            Primitive::Resistor { ohms, .. } => Some(ohms),
            _ => None,
        };
        let set = |element: ElementId, value: f64| Edit::Set { element, parameter: Parameter::Value, value };
        let is_control = |p: &&Part| p.role.as_deref() == Some("echo-timing-pot");
        let turned = board.parts().iter().filter(is_control).filter_map(|part| {
            let [lower, upper] = part.elements[..] else { return None };
            let track = ohms(lower)? + ohms(upper)?;
            let end = |low: f64| vec![set(lower, low), set(upper, track - low)];
            Some([end(END_SHARE * track), end((1.0 - END_SHARE) * track)])
        });
        turned.flatten().collect()
    }

    fn timing(board: &'b Board, part: &'b Part) -> Option<(&'b Part, DelayLaw, ElementId, Node)> {
        let law = part.delay.clone()?;
        let pin = part.pins.iter().find(|p| p.name == law.pin.value)?;
        let feeds = |t: &&super::network::Terminal| {
            let element = board.network().element(t.element).ok();
            element.is_some_and(|e| matches!(e.primitive, Primitive::Resistor { .. }))
        };
        let feed = pin.terminals.iter().find(feeds)?;
        Some((part, law, feed.element, pin.node))
    }

    /// The board.
    pub fn board(&self) -> &'b Board {
        self.board
    }

    /// What the board gives with these faults in.
    ///
    /// # Errors
    /// [`PredictError`]: an unknown fault, or no operating point.
    pub fn hear(&mut self, faults: &[&str]) -> Result<&Heard, PredictError> {
        let mut key: Vec<String> = faults.iter().map(|f| (*f).to_owned()).collect();
        key.sort();
        key.dedup();
        if !self.kept.contains_key(&key) {
            let edits = self.board.edits(faults)?;
            let fail = |source| PredictError::Solve {
                faults: if key.is_empty() { "no fault".into() } else { key.join(", ") },
                source,
            };
            let heard = self.work_out(&edits).map_err(fail)?;
            self.kept.insert(key.clone(), heard);
        }
        // Put in above where it was not there.
        self.kept.get(&key).ok_or_else(|| PredictError::Check { id: key.join(", "), help: String::new() })
    }

    /// How a board with these faults in moves with each of some draws of its parts (see [`super::tolerance::draws`]): what every net does,
    /// in the board's order. Draws that can't be followed are left out.
    ///
    /// # Errors
    /// [`PredictError`]: an unknown fault, or no operating point.
    pub fn drawn(&mut self, faults: &[&str], draws: &[Vec<f64>]) -> Result<Vec<Motion>, PredictError> {
        let edits = self.board.edits(faults)?;
        let nodes: Vec<Node> = self.board.nets().iter().filter_map(|n| self.board.node(n)).collect();
        let motions = self.sweep.motions(&edits, &nodes, &self.following, self.board.varied(), draws);
        motions.map_err(|source| PredictError::Solve { faults: faults.join(", "), source })
    }

    /// Noise and tones that are left at a net with these faults in and nothing going in, volts rms as a meter that takes in the band reads
    /// them; nothing where the board does not rest, swings there, or swings at a rate that is heard. Each is worked out once.
    ///
    /// # Errors
    /// [`PredictError`]: an unknown fault or net, or no operating point.
    pub fn left_at(&mut self, faults: &[&str], net: &str) -> Result<Option<f64>, PredictError> {
        let missing = || PredictError::Check { id: format!("noise:{net}"), help: String::new() };
        let node = self.board.node(net).ok_or_else(missing)?;
        let mut key: Vec<String> = faults.iter().map(|f| (*f).to_owned()).collect();
        key.sort();
        let key = (key, net.to_owned());
        if let Some(known) = self.left.get(&key) {
            return Ok(*known);
        }
        let heard = self.hear(faults)?;
        let rests = match &heard.doing {
            Doing::Rests => true,
            Doing::Runs(hertz, _) => *hertz <= SLOW && heard.moving(net).is_none(),
            Doing::Latches(_) | Doing::Unclear => false,
        };
        let left = match rests {
            true => {
                let edits = self.board.edits(faults)?;
                let noise = self.sweep.noise(&edits, &[node], &self.grid);
                let noise =
                    noise.map_err(|source| PredictError::Solve { faults: faults.join(", "), source })?;
                noise.first().map(NoiseAt::with_tones)
            }
            false => None,
        };
        self.left.insert(key, left);
        Ok(left)
    }

    fn work_out(&mut self, edits: &EditSet) -> Result<Heard, SolveError> {
        self.sweep.find_point(edits)?;
        let poles = self.sweep.poles_of_point()?;
        let poise = poles.poise();
        let nets: Vec<Node> = self.board.nets().iter().filter_map(|n| self.board.node(n)).collect();
        let telling = match poise {
            Poise::Stable { damping, .. } if damping.is_finite() => poles
                .all
                .iter()
                .filter(|p| p.im > 0.0)
                .min_by(|a, b| (-a.re / a.norm()).total_cmp(&(-b.re / b.norm())))
                .copied(),
            Poise::Stable { .. } => None,
            _ => poles.rightmost(),
        };
        let shape = telling.map(|p| self.sweep.shape_of(p, &nets)).unwrap_or_default();
        let mut widest: Vec<(f64, &String)> =
            shape.iter().zip(self.board.nets()).map(|(z, n)| (z.norm(), n)).collect();
        widest.sort_by(|a, b| b.0.total_cmp(&a.0));
        let poised_at = widest.into_iter().take(3).filter(|w| w.0 > 0.05).map(|w| w.1.clone()).collect();
        // Nodes that tell: every net, and both ends of what feeds a timing pin.
        let mut nodes = nets.clone();
        for (_, _, element, pin) in &self.echoes {
            let ends = self.board.network().element(*element)?.primitive.terminals();
            nodes.extend([ends[0], ends[1], *pin]);
        }
        let motion = self.sweep.motion_of_point(&poles, &nodes, &self.following)?;
        let echoes = self.echoes_now(edits, &motion, nets.len())?;
        let residual = match motion {
            Motion::Rests | Motion::Runs(_) => self.residual(edits, &motion)?,
            Motion::Latches(_) | Motion::Unclear { .. } => None,
        };
        Ok(Heard { residual, poise, poised_at, doing: self.doing(motion), echoes })
    }

    fn doing(&self, motion: Motion) -> Doing {
        let nets = self.board.nets();
        match motion {
            Motion::Rests => Doing::Rests,
            Motion::Unclear { .. } => Doing::Unclear,
            Motion::Latches(mut states) => {
                states.iter_mut().for_each(|s| s.truncate(nets.len()));
                Doing::Latches(states)
            }
            Motion::Runs(cycle) => {
                let each = nets.iter().zip(&cycle.swings).zip(&cycle.shapes);
                let mut moving: Vec<Moving> = each
                    .filter(|((_, swing), _)| swing.span() > MOVES)
                    .map(|((net, swing), shape)| Moving {
                        net: net.clone(),
                        swing: *swing,
                        shape: shape.clone(),
                    })
                    .collect();
                moving.sort_by(|a, b| b.swing.span().total_cmp(&a.swing.span()));
                Doing::Runs(cycle.hertz, moving)
            }
        }
    }

    /// Noise at the output. A board that oscillates there has none to speak of.
    fn residual(&mut self, edits: &EditSet, motion: &Motion) -> Result<Option<Residual>, SolveError> {
        let Some(signal) = self.board.signal() else { return Ok(None) };
        let Some(node) = self.board.node(&signal.output) else { return Ok(None) };
        if let Motion::Runs(cycle) = motion {
            let place = self.board.nets().iter().position(|n| *n == signal.output);
            let moves = place.and_then(|i| cycle.swings.get(i)).is_some_and(|s| s.span() > MOVES);
            // Above the band nothing is heard of it, but no noise is worked out about a point that is left at such a pace either.
            if moves || cycle.hertz > SLOW {
                return Ok(None);
            }
        }
        self.sweep.find_point(edits)?;
        let noise = self.sweep.noise_of_point(&[node], &self.grid)?.pop().unwrap_or_default();
        let spectrum = Grid::at(&if self.at_length { spectrum_hertz() } else { Vec::new() });
        let density = self.sweep.noise_of_point(&[node], &spectrum)?.pop().unwrap_or_default().density;
        self.sweep.find_response(signal.tone.0)?;
        let gain = self.sweep.state.ac.y.get(node.index() - 1).map_or(0.0, |v| v.norm());
        let mut hums: Vec<Hum> = noise
            .tones
            .iter()
            .map(|t| Hum { part: self.owner(t.origin), hertz: t.hertz, volts: t.volts })
            .collect();
        hums.sort_by(|a, b| b.volts.total_cmp(&a.volts));
        Ok(Some(Residual {
            volts: noise.volts(),
            weighted: noise.weighted_volts(),
            tone: gain * signal.level.0,
            parts: self.by_part(&noise),
            hums,
            spectrum: spectrum.hertz.iter().copied().zip(density.into_iter().map(f64::sqrt)).collect(),
        }))
    }

    fn owner(&self, id: ElementId) -> String {
        let name = self.board.network().element(id).map_or("", |e| e.name.as_str());
        match name.split_once('.').map_or(name, |(part, _)| part) {
            "tone" => "tone source".to_owned(),
            "load" => "load".to_owned(),
            part => part.to_owned(),
        }
    }

    fn by_part(&self, noise: &NoiseAt) -> Vec<PartNoise> {
        let healthy = self.board.network().element_count();
        let mut parts: BTreeMap<String, BTreeMap<NoiseKind, f64>> = BTreeMap::new();
        for c in &noise.contributions {
            let owner = match c.origin {
                Origin::Element(id) if id.index() < healthy => self.owner(id),
                _ => "the fault".to_owned(),
            };
            *parts.entry(owner).or_default().entry(c.kind).or_insert(0.0) += c.weighted;
        }
        let all = noise.weighted_volts().powi(2).max(f64::MIN_POSITIVE);
        let one = |(part, kinds): (String, BTreeMap<NoiseKind, f64>)| {
            let share = kinds.values().sum::<f64>() / all;
            let kind =
                kinds.into_iter().max_by(|a, b| a.1.total_cmp(&b.1)).map_or(NoiseKind::Thermal, |k| k.0);
            PartNoise { part, kind, share }
        };
        let mut out: Vec<PartNoise> = parts.into_iter().map(one).collect();
        out.sort_by(|a, b| b.share.total_cmp(&a.share).then(a.part.cmp(&b.part)));
        out
    }

    fn echoes_now(&mut self, edits: &EditSet, motion: &Motion, nets: usize) -> Result<Vec<Echo>, SolveError> {
        let mut out = Vec::new();
        for number in 0..self.echoes.len() {
            let (part, law, feed, pin) = {
                let (part, law, feed, pin) = &self.echoes[number];
                (part.id.clone(), law.clone(), *feed, *pin)
            };
            let network = self.board.network();
            let Primitive::Resistor { a, b, ohms } = network.element(feed)?.primitive else { continue };
            // With its joint open the pin sees nothing, whatever lies on the net.
            let lifted = edits.iter().any(|edit| match edit {
                Edit::Lift { terminals, .. } => terminals.iter().any(|t| t.element == feed),
                _ => false,
            });
            // Current out of the pin, by the drop over what feeds it.
            let seen = |ends: [f64; 2], at_pin: f64| {
                if lifted {
                    return f64::INFINITY;
                }
                let inner = if a == pin { ends[1] } else { ends[0] };
                let amps = (inner - at_pin) / ohms;
                if amps > 1e-9 && at_pin > 0.0 { at_pin / amps } else { f64::INFINITY }
            };
            let now = self.sweep.solve(edits, None)?;
            let at_rest = seen([now.volts(a), now.volts(b)], now.volts(pin));
            let swept = match motion {
                Motion::Runs(cycle) => {
                    let shape = |k: usize| cycle.shapes.get(nets + 3 * number + k);
                    match (shape(0), shape(1), shape(2)) {
                        (Some(x), Some(y), Some(p)) => {
                            let delays = x
                                .iter()
                                .zip(y)
                                .zip(p)
                                .map(|((x, y), p)| law.delay(Ohms(seen([*x, *y], *p))).0);
                            let fold = |m: [f64; 2], d: f64| [m[0].min(d), m[1].max(d)];
                            Some(delays.fold([f64::INFINITY, f64::NEG_INFINITY], fold))
                        }
                        _ => None,
                    }
                }
                _ => None,
            };
            let at_start = match self.at_length {
                true => self.at_start(edits, [a, b, pin], seen)?,
                false => at_rest,
            };
            let mut least = at_start;
            for end in &self.ends {
                let turned: EditSet = edits.iter().chain(end).cloned().collect();
                // With the control taken out by a fault there is no end to turn it to.
                if let Ok(point) = self.sweep.solve(&turned, None) {
                    least = least.min(seen([point.volts(a), point.volts(b)], point.volts(pin)));
                }
            }
            let delay = law.delay(Ohms(at_rest));
            let clock = law.clock(delay);
            out.push(Echo {
                part,
                ohms: at_rest,
                delay: delay.0,
                clock: if clock.0.is_finite() { clock.0 } else { 0.0 },
                swept: swept.filter(|[low, high]| high - low > 0.002 * low),
                starts: at_start >= law.starts_above,
                at_start,
                least,
            });
        }
        Ok(out)
    }

    /// Least resistance at a timing pin in the moments after switching on.
    fn at_start(
        &mut self,
        edits: &EditSet,
        nodes: [Node; 3],
        seen: impl Fn([f64; 2], f64) -> f64,
    ) -> Result<f64, SolveError> {
        let rise = |volts: f64| Wave::Lines(vec![(0.0, 0.0), (2e-3, volts)]);
        let drives: Vec<(ElementId, Wave)> =
            self.board.supplies().iter().map(|s| (s.element, rise(s.volts.0))).collect();
        let accuracy = Accuracy { share: 3e-3, volts: 3e-3, ..Accuracy::default() };
        let last = LOOKS[LOOKS.len() - 1];
        let Ok(track) = self.sweep.transient(edits, &drives, &Start::Empty, last, &nodes, accuracy) else {
            // Where its rise can't be followed, it is taken as it comes to rest.
            let point = self.sweep.solve(edits, None)?;
            let [a, b, pin] = nodes.map(|n| point.volts(n));
            return Ok(seen([a, b], pin));
        };
        let at = |t: f64| seen([track.at(0, t), track.at(1, t)], track.at(2, t));
        Ok(LOOKS.iter().map(|t| at(*t)).fold(f64::INFINITY, f64::min))
    }
}
