//! A simulated unit: faults hidden in it, parts drawn within their tolerance, a meter that errs and sometimes slips.
//!
//! Readings on the board are solved with the unit's own parts. What the solver can't know (questions, looks, noises) is drawn from the
//! causal graph with the true faults in. Every draw depends on the unit's seed and on what is asked, never on the order of asking.
//!
//! Absent: any belief about the unit.

use super::chance::{even, mix, normal, pick};
use crate::circuit::board::Board;
use crate::circuit::dc::Options as Solving;
use crate::circuit::edit::{Edit, apply};
use crate::circuit::heard::MOVES;
use crate::circuit::motion::{Cycle, Swing};
use crate::circuit::network::{Network, Node};
use crate::circuit::ohms::PowerOff;
use crate::circuit::predict::{Bench, CheckId, EAR_SD, FAINT_DB, LOUD_DB, NONE_DB, Prediction};
use crate::circuit::said::Said;
use crate::circuit::sweep::Sweep;
use crate::circuit::tolerance::{Reading, Shape, Size, draws};
use crate::job::{BIAS_SHOWS, Circuit, FaultOrigin, Model, OFF_BIAS, turned_seen, word_of};
use crate::rules::{self, Cause, Effect, Rules, Strength};
use crate::text::{Complaint, Complaints};
use std::cell::RefCell;
use std::collections::{BTreeMap, BTreeSet};
use std::rc::Rc;

/// How real the simulated bench is. All zero gives the readings that are predicted.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Noise {
    /// Share of the parts' tolerance that is drawn, 1 for all of it.
    pub parts: f64,
    /// Share of the meter's (and the ear's) error, 1 for all of it.
    pub meter: f64,
    /// Probability that a reading is taken at the wrong net.
    pub slip: f64,
}

impl Default for Noise {
    fn default() -> Self {
        Self { parts: 1.0, meter: 1.0, slip: 0.01 }
    }
}

/// The most that a draw may take off a value, as a share of it.
const MOST_OFF: f64 = 0.9;
/// A fault of the supply is noticed when the current changes by this factor and this many amps.
const AMPS_FACTOR: f64 = 1.6;
const AMPS_LEAST: f64 = 0.008;
/// How far off a swing is counted, as a share (common practice, no source).
const HERTZ_SHARE: f64 = 0.02;
/// The same of a swing as a share, and of a noise as a natural logarithm.
const SWING_SHARE: f64 = 0.05;
const NOISE_RATIO: f64 = 0.3;

/// A board on the simulated bench: what all its units share.
pub struct Rig<'b> {
    /// The rules.
    pub rules: &'b Rules,
    /// The circuit with its predictions.
    pub circuit: Rc<Circuit<'b>>,
    board: &'b Board,
    bench: Bench,
    sweep: RefCell<Sweep>,
    off: RefCell<PowerOff>,
    healthy: Prediction,
    in_play: Vec<bool>,
    /// What may be hidden, with its prior: the faults that the model of such a unit holds.
    hideable: Vec<(String, f64)>,
    /// What each of them is among the rules' faults, or stands for.
    stands_for: BTreeMap<String, Vec<rules::FaultId>>,
    /// Those that lie outside the board.
    outside: BTreeMap<String, rules::FaultId>,
    noise: Noise,
}

/// The answer after the usual one that falls to a draw between 0 and 1; `None` for the usual one.
fn answered(chances: &[f64], at: f64) -> Option<usize> {
    let usual = 1.0 - chances.iter().sum::<f64>();
    pick(std::iter::once(usual).chain(chances.iter().copied()), at)
}

/// One unit. Faults leave it as they are put right.
#[derive(Clone, Debug, PartialEq)]
pub struct Unit {
    /// The faults that are in it now.
    pub faults: Vec<String>,
    /// The draw of its parts, one number for each of the board's draws.
    pub draw: Vec<f64>,
    /// What all its other draws depend on.
    pub seed: u64,
    /// True values taken from elsewhere. What is missing is solved.
    pub known: Option<Rc<Known>>,
}

/// True values of a unit by the faults that are in it, e.g. from another simulator, in the units of [`Rig::truth`]; an over-range
/// resistance is infinite.
pub type Known = BTreeMap<Vec<String>, BTreeMap<CheckId, f64>>;

/// What is at work in a unit.
struct Active {
    faults: BTreeSet<rules::FaultId>,
    conditions: BTreeSet<rules::ConditionId>,
}

impl<'b> Rig<'b> {
    /// Sets a board up for units whose faults are those of a model without findings.
    ///
    /// # Errors
    /// When the healthy board has no operating point.
    pub fn new(
        rules: &'b Rules,
        circuit: Rc<Circuit<'b>>,
        model: &Model,
        noise: Noise,
    ) -> Result<Self, Complaints> {
        let (mut hideable, mut stands_for, mut outside) = (Vec::new(), BTreeMap::new(), BTreeMap::new());
        for fault in &model.faults {
            let of_rules = match &fault.origin {
                FaultOrigin::Board(ids) => ids.clone(),
                FaultOrigin::Rule(id) => {
                    outside.insert(fault.id.clone(), *id);
                    vec![*id]
                }
                FaultOrigin::Unlisted => continue,
            };
            hideable.push((fault.id.clone(), fault.prior));
            stands_for.insert(fault.id.clone(), of_rules);
        }
        let in_play = model.in_play.clone();
        let board = circuit.board();
        let bench = Bench::default();
        let fail = |e: crate::circuit::dc::SolveError| Complaint::nowhere("unsettled", e.to_string());
        let sweep = Sweep::new(board.network(), Solving::default()).map_err(fail)?;
        let off = PowerOff::new(board.network(), Solving::default(), bench.ohmmeter.clone()).map_err(fail)?;
        let healthy = circuit.predict(&[], &circuit.checks()).unwrap_or_default();
        let (sweep, off) = (RefCell::new(sweep), RefCell::new(off));
        Ok(Self {
            rules,
            circuit,
            board,
            bench,
            sweep,
            off,
            healthy,
            in_play,
            hideable,
            stands_for,
            outside,
            noise,
        })
    }

    /// The board.
    pub fn board(&self) -> &'b Board {
        self.board
    }

    /// Faults of the rules that may be hidden outside the board, with their ids there.
    pub fn outside(&self) -> &BTreeMap<String, rules::FaultId> {
        &self.outside
    }

    /// The faults of a unit that sit on the board.
    fn on_board<'u>(&self, unit: &'u Unit) -> Vec<&'u str> {
        unit.faults.iter().map(String::as_str).filter(|f| !self.outside.contains_key(*f)).collect()
    }

    /// A unit with these faults.
    pub fn unit(&self, faults: Vec<String>, seed: u64) -> Unit {
        let mut draw = draws(self.board.varied(), 1, mix(seed)).pop().unwrap_or_default();
        for (d, varied) in draw.iter_mut().zip(self.board.varied()) {
            *d *= self.noise.parts;
            // A wide normal spread must not turn a value's sign, e.g. a saturation current's.
            if let Size::Relative(share) = varied.size
                && share * *d < -MOST_OFF
            {
                *d = -MOST_OFF / share;
            }
        }
        Unit { faults, draw, seed, known: None }
    }

    /// The unit's network with its faults in and its parts as drawn, e.g. for another simulator.
    ///
    /// # Errors
    /// A fault that the board does not have, or a draw that takes a value out of its range.
    pub fn network(&self, unit: &Unit) -> Result<Network, Complaints> {
        let complain = |message: String| Complaints::from(Complaint::nowhere("unit-network", message));
        let faults = self.on_board(unit);
        let mut edits = self.board.edits(&faults).map_err(|e| complain(e.to_string()))?;
        let edited = apply(self.board.network(), &edits).map_err(|e| complain(e.to_string()))?;
        let mut values = BTreeMap::new();
        for (varied, draw) in self.board.varied().iter().zip(&unit.draw) {
            for target in &varied.targets {
                let part = edited.element(target.element).map_err(|e| complain(e.to_string()))?;
                let Some(nominal) = part.primitive.parameter(target.parameter) else { continue };
                let value = values.entry((target.element, target.parameter)).or_insert(nominal);
                *value = varied.drawn(*value, target.times, *draw);
            }
        }
        // A part that a fault has taken out keeps what the fault left: edits of its values do nothing.
        let drawn =
            values.into_iter().map(|((element, parameter), value)| Edit::Set { element, parameter, value });
        edits.extend(drawn);
        apply(self.board.network(), &edits).map_err(|e| complain(e.to_string()))
    }

    /// The true value at a check, before the meter: volts, amps, dB against the tone, ohms. `None` where the solver finds no operating
    /// point.
    pub fn truth(&self, unit: &Unit, check: &CheckId) -> Option<f64> {
        self.truths(unit, std::slice::from_ref(check))?.pop()
    }

    /// The true values at several checks, in their order: those the unit brings along, the others solved.
    pub fn truths(&self, unit: &Unit, checks: &[CheckId]) -> Option<Vec<f64>> {
        let faults = self.on_board(unit);
        let edits = self.board.edits(&faults).ok()?;
        let (mut out, mut readings, mut powered) = (vec![f64::NAN; checks.len()], Vec::new(), Vec::new());
        for (i, check) in checks.iter().enumerate() {
            if let Some(value) = unit.known.as_ref().and_then(|known| known.get(&unit.faults)?.get(check)) {
                out[i] = *value;
                continue;
            }
            let node = || self.board.node(check.place());
            readings.push(match check {
                CheckId::Ohms(_) => {
                    out[i] = self.cold(unit, &edits, node()?)?;
                    continue;
                }
                CheckId::Hertz(net) => {
                    out[i] = self.swing(&faults, unit, net)?.map_or(0.0, |(hertz, _)| hertz);
                    continue;
                }
                CheckId::Swing(net) => {
                    out[i] = self.swing(&faults, unit, net)?.map_or(0.0, |(_, swing)| swing.span());
                    continue;
                }
                CheckId::Noise(net) => {
                    // The parts' draw moves a noise by far less than bench and meter do.
                    let swing = self.swing(&faults, unit, net)?.map_or(0.0, |(_, swing)| swing.rms);
                    out[i] = self.circuit.left(&faults, net).unwrap_or(0.0).hypot(swing);
                    continue;
                }
                CheckId::Volts(_) => Reading::Volts {
                    plus: node()?,
                    minus: Node::GROUND,
                    meter_ohms: Some(self.bench.meter_ohms),
                },
                CheckId::Level(_) => Reading::Level { node: node()? },
                CheckId::Amps(name) => {
                    let supply = self.board.supplies().iter().find(|s| s.name == *name)?;
                    Reading::Amps { source: supply.element }
                }
            });
            powered.push(i);
        }
        if !powered.is_empty() {
            let tone = self.board.signal().map(|s| s.tone.0);
            let draw = std::slice::from_ref(&unit.draw);
            let mut sweep = self.sweep.borrow_mut();
            let solved = sweep.sampled(&edits, tone, &readings, self.board.varied(), draw).ok()?;
            for (i, x) in powered.into_iter().zip(solved.rows.first()?) {
                out[i] = x.is_finite().then_some(*x)?;
            }
        }
        Some(out)
    }

    /// Rate and swing of a net that moves by itself; nothing inside where it stands still.
    fn swing(&self, faults: &[&str], unit: &Unit, net: &str) -> Option<Option<(f64, Swing)>> {
        let motion = self.circuit.motion(faults, &unit.draw)?;
        let place = self.board.nets().iter().position(|n| n == net)?;
        let moves = |c: &Cycle| c.swings.get(place).filter(|s| s.span() > MOVES).map(|s| (c.hertz, *s));
        Some(motion.cycle().and_then(moves))
    }

    /// Ohms to ground with the power off: the parts' draw by its linear effect.
    fn cold(&self, unit: &Unit, edits: &[Edit], node: Node) -> Option<f64> {
        let spread = self.off.borrow_mut().spread(edits, node, Node::GROUND, self.board.varied()).ok()?;
        let mean = spread.mean.first().copied()?;
        if !mean.is_finite() {
            return Some(f64::INFINITY);
        }
        let sd = |shape: Shape| if shape == Shape::Uniform { 1.0 / 3f64.sqrt() } else { 1.0 };
        let moved = spread.loadings_of(0).iter().zip(&unit.draw).zip(self.board.varied());
        let moved: f64 = moved.map(|((l, d), v)| l * d / sd(v.shape)).sum();
        Some((mean + moved.clamp(-0.5 * mean, mean)).max(0.0))
    }

    /// What is noted for a check of the board, as it is written on a card. `take` tells readings of one check apart.
    pub fn read(&self, unit: &Unit, check: &CheckId, take: usize) -> Option<String> {
        let label = format!("{check} {take}");
        let slips = even(unit.seed, &format!("slip {label}")) < self.noise.slip;
        let at = if slips { self.beside(unit, check, &label) } else { check.clone() };
        let truth = self.truth(unit, &at)?;
        let error = self.noise.meter * normal(unit.seed, &format!("meter {label}"));
        let b = &self.bench;
        Some(match check {
            CheckId::Volts(_) => volts(truth + error * (b.volts_share * truth.abs() + b.volts_floor)),
            CheckId::Amps(_) => amps(truth + error * (b.amps_share * truth.abs() + b.amps_floor)),
            CheckId::Ohms(_) if truth == f64::INFINITY => ohms(truth),
            CheckId::Ohms(_) => ohms((truth + error * (b.ohms_share * truth + b.ohms_floor)).max(0.0)),
            CheckId::Hertz(_) => rate(truth * (1.0 + HERTZ_SHARE * error)),
            CheckId::Swing(_) if truth == 0.0 => "none".into(),
            CheckId::Swing(_) => volts(truth * (1.0 + SWING_SHARE * error)),
            CheckId::Noise(_) => noise(truth * (NOISE_RATIO * error).exp()),
            CheckId::Level(_) => self.by_ear(check, truth + EAR_SD * error).into(),
        })
    }

    /// The net next to the right one, for a slip of the probe.
    fn beside(&self, unit: &Unit, check: &CheckId, label: &str) -> CheckId {
        let nets = self.board.nets();
        let at = (even(unit.seed, &format!("beside {label}")) * nets.len() as f64) as usize;
        let net = nets.get(at).cloned().unwrap_or_default();
        match check {
            CheckId::Volts(_) => CheckId::Volts(net),
            CheckId::Ohms(_) => CheckId::Ohms(net),
            CheckId::Level(_) => CheckId::Level(net),
            CheckId::Hertz(_) => CheckId::Hertz(net),
            CheckId::Swing(_) => CheckId::Swing(net),
            CheckId::Noise(_) => CheckId::Noise(net),
            CheckId::Amps(_) => check.clone(),
        }
    }

    fn by_ear(&self, check: &CheckId, level: f64) -> &'static str {
        let usual = self.usual(check);
        match level - usual {
            d if d < NONE_DB => "none",
            d if d < FAINT_DB => "faint",
            d if d < LOUD_DB => "expected",
            _ => "loud",
        }
    }

    fn usual(&self, check: &CheckId) -> f64 {
        self.healthy.get(check).map_or(0.0, |p| p.mean)
    }

    /// How far the level at the end of the signal path is from usual, dB; `None` where there is no signal or no operating point.
    fn off_level(&self, unit: &Unit) -> Option<f64> {
        let out = CheckId::Level(self.board.signal()?.output.clone());
        Some(self.truth(unit, &out)? - self.usual(&out))
    }

    /// Whether some net's volts are far from usual.
    pub fn off_bias(&self, unit: &Unit) -> bool {
        let supply = self.board.supplies().iter().map(|s| s.volts.0).fold(1.0, f64::max);
        let checks: Vec<CheckId> = self.board.nets().iter().map(|n| CheckId::Volts(n.clone())).collect();
        let Some(now) = self.truths(unit, &checks) else { return true };
        checks.iter().zip(now).any(|(check, v)| (v - self.usual(check)).abs() > OFF_BIAS * supply)
    }

    /// Whether the unit, as it now is, does not work: its sound has changed, a stage is off its bias, or its supply current has.
    pub fn ails(&self, unit: &Unit) -> bool {
        let heard = self.off_level(unit).is_some_and(|d| !(FAINT_DB..LOUD_DB).contains(&d));
        heard || self.off_bias(unit) || self.draws_wrong(unit)
    }

    fn draws_wrong(&self, unit: &Unit) -> bool {
        self.board.supplies().iter().any(|s| {
            let check = CheckId::Amps(s.name.clone());
            let (now, usual) = (self.truth(unit, &check).unwrap_or(0.0).abs(), self.usual(&check).abs());
            now > AMPS_FACTOR * usual && now > usual + AMPS_LEAST
        })
    }

    /// What is answered to a check of the rules.
    pub fn answer(&self, unit: &Unit, check: rules::CheckId, epoch: usize) -> usize {
        self.answer_with(unit, check, epoch, &self.active(unit, |_| true))
    }

    fn answer_with(&self, unit: &Unit, check: rules::CheckId, epoch: usize, active: &Active) -> usize {
        let entry = self.rules.check(check);
        let heard = (entry.board.as_deref() == Some("level-out") && entry.answers.len() == 3)
            .then(|| self.off_level(unit))
            .flatten();
        if let Some(off) = heard {
            let off = off + EAR_SD * self.noise.meter * normal(unit.seed, &format!("{} {epoch}", entry.id));
            return match off {
                d if d < NONE_DB => 2,
                d if d < FAINT_DB => 1,
                _ => 0,
            };
        }
        let mut worst = self.grade(&entry.leak, even(unit.seed, &format!("leak {} {epoch}", entry.id)));
        if entry.board.as_deref() == Some("turned-parts") {
            let seen = |f: &String| {
                let label = format!("{f} > {}", entry.id);
                turned_seen(self.board, f).is_some_and(|p| even(unit.seed, &label) < p)
            };
            worst = worst.max(usize::from(unit.faults.iter().any(seen)));
        }
        // Of what the board gives by itself the rules' links speak for the other faults only, as in the model.
        let told = word_of(entry).filter(|word| self.circuit.tells(*word));
        let others;
        let active = match told {
            Some(word) => {
                for fault in &unit.faults {
                    let said = self.said(fault).and_then(|said| said.chances(word));
                    let at = even(unit.seed, &format!("{fault} > {}", entry.id));
                    worst = worst.max(said.and_then(|s| answered(&s, at)).unwrap_or(0));
                }
                others = self.active(unit, |f| self.said(f).is_none());
                &others
            }
            None => active,
        };
        for (_, link) in self.rules.links_to(Effect::Check(check)) {
            let on = match link.from {
                Cause::Fault(f) => active.faults.contains(&f),
                Cause::Condition(c) => active.conditions.contains(&c),
            };
            if let (true, Strength::Graded(shares)) = (on, &link.strength) {
                let label = format!("{} > {}", self.rules.cause_name(link.from), entry.id);
                worst = worst.max(self.grade(shares, even(unit.seed, &label)));
            }
        }
        worst
    }

    fn grade(&self, shares: &[rules::Probability], at: f64) -> usize {
        pick(shares.iter().map(|p| p.get()), at).unwrap_or(0)
    }

    /// What an owner would say of a fault of the board by what the board gives by itself.
    fn said(&self, fault: &str) -> Option<Said> {
        (!self.outside.contains_key(fault)).then(|| self.circuit.said(fault)).flatten()
    }

    /// The rules' faults that those of the unit's faults stand for which are `meant`, and the conditions they bring about.
    fn active(&self, unit: &Unit, meant: impl Fn(&str) -> bool) -> Active {
        let there: Vec<&String> = unit.faults.iter().filter(|f| meant(f)).collect();
        let faults: BTreeSet<rules::FaultId> =
            there.iter().filter_map(|f| self.stands_for.get(*f)).flatten().copied().collect();
        let mut on: BTreeSet<rules::ConditionId> = BTreeSet::new();
        for id in self.rules.condition_order() {
            let condition = self.rules.condition(*id);
            if !self.in_play[condition.pack.index()] {
                continue;
            }
            let acts = |cause: Cause| match cause {
                Cause::Fault(f) => faults.contains(&f),
                Cause::Condition(c) => on.contains(&c),
            };
            let fires = self.rules.links_to(Effect::Condition(*id)).any(|(_, link)| {
                let label = format!("{} > {}", self.rules.cause_name(link.from), condition.id);
                acts(link.from) && even(unit.seed, &label) < link.strength.total()
            });
            let moved = condition.board.as_deref() == Some("bias-moved")
                && !there.is_empty()
                && even(unit.seed, "bias heard") < BIAS_SHOWS
                && self.off_bias(unit);
            if fires || moved || even(unit.seed, &format!("leak {}", condition.id)) < condition.leak.get() {
                on.insert(*id);
            }
        }
        Active { faults, conditions: on }
    }

    /// The symptoms that whoever brings the unit has noticed.
    pub fn complaint(&self, unit: &Unit) -> Vec<String> {
        let (mut out, active) = (Vec::new(), self.active(unit, |_| true));
        for (id, symptom) in self.rules.symptoms() {
            if !self.in_play[symptom.pack.index()]
                || !self.rules.check(symptom.check).is_about(&self.in_play)
                || self.answer_with(unit, symptom.check, 0, &active) != symptom.answer
            {
                continue;
            }
            let entry = self.rules.check(symptom.check);
            let heard = entry.board.is_some() && word_of(entry).is_none();
            // What has no sound at all has no noises; of other things not all are noticed.
            let noticed = heard || even(unit.seed, &format!("noticed {}", self.rules.symptom(id).id)) < 0.7;
            if noticed {
                out.push((!heard, symptom.id.clone()));
            }
        }
        out.sort();
        out.dedup_by(|a, b| a.1 == b.1);
        out.into_iter().map(|(_, id)| id).take(2).collect()
    }

    /// The hidden faults that a check of the rules may show.
    pub fn shown_by(&self, check: &str) -> BTreeSet<String> {
        let Ok(check) = self.rules.find_check(check) else { return BTreeSet::new() };
        let from: BTreeSet<Cause> = self.rules.links_to(Effect::Check(check)).map(|(_, l)| l.from).collect();
        let shows = |ids: &Vec<rules::FaultId>| ids.iter().any(|f| from.contains(&Cause::Fault(*f)));
        self.stands_for.iter().filter(|(_, ids)| shows(ids)).map(|(f, _)| f.clone()).collect()
    }

    /// A remedy tried: puts right what it is for, with the chance that the work succeeds. Whether it put anything right.
    /// `attempt` tells one try from the next.
    pub fn mend(&self, unit: &mut Unit, cures: &BTreeSet<String>, success: f64, attempt: usize) -> bool {
        let before = unit.faults.len();
        let seed = unit.seed;
        unit.faults.retain(|f| !(cures.contains(f) && even(seed, &format!("mends {f} {attempt}")) < success));
        unit.faults.len() < before
    }

    /// Draws faults.
    fn draw(&self, hidden: Hidden, seed: u64) -> Vec<String> {
        let odds = |(_, p): &(String, f64)| p / (1.0 - p);
        let at = |n: usize| pick(self.hideable.iter().map(odds), even(seed, &format!("fault {n}")));
        let there = |(f, p): &&(String, f64)| even(seed, &format!("there {f}")) < *p;
        match hidden {
            Hidden::Exactly(count) => {
                (0..count).filter_map(at).map(|at| self.hideable[at].0.clone()).collect()
            }
            Hidden::AsDrawn => self.hideable.iter().filter(there).map(|(f, _)| f.clone()).collect(),
        }
    }

    /// Hides faults in a unit, each of which alone keeps the unit from working, and of which somebody noticed a symptom. `None` when
    /// no such unit is found in 400 draws.
    pub fn hide(&self, hidden: Hidden, seed: u64) -> Option<Unit> {
        (0..400u64).find_map(|attempt| {
            let seed = mix(seed ^ mix(attempt));
            // A unit that its parts' draw alone keeps from working has no fault to be found.
            let sound = self.unit(Vec::new(), seed);
            if self.ails(&sound) {
                return None;
            }
            let usual = self.complaint(&sound);
            // Somebody brings it for what its faults do, whatever else is noticed that has nothing to do with them.
            let brought = |unit: &Unit| self.complaint(unit).iter().any(|s| !usual.contains(s));
            let ails = |f: &String| {
                let alone = self.unit(vec![f.clone()], seed);
                if self.outside.contains_key(f) { brought(&alone) } else { self.ails(&alone) }
            };
            let faults: Vec<String> = self.draw(hidden, seed).into_iter().filter(ails).collect();
            let parts: BTreeSet<&str> = faults.iter().map(|f| crate::job::part_of(f)).collect();
            let enough = match hidden {
                Hidden::Exactly(count) => faults.len() == count,
                Hidden::AsDrawn => !faults.is_empty(),
            };
            if !enough || parts.len() < faults.len() {
                return None;
            }
            let unit = self.unit(faults, seed);
            // A unit that the solver can't settle can't be measured.
            let settles = |c: &CheckId| self.truth(&unit, c).is_some();
            (self.circuit.checks().iter().all(settles) && brought(&unit)).then_some(unit)
        })
    }
}

/// How many faults are hidden in a unit.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Hidden {
    /// So many, drawn by their prior odds.
    Exactly(usize),
    /// As many as come of drawing each by its prior, one at least: what a belief that rests on those priors expects.
    AsDrawn,
}

fn volts(x: f64) -> String {
    if x.abs() < 2.0 { format!("{x:.3}V") } else { format!("{x:.2}V") }
}

fn amps(x: f64) -> String {
    let milli = x * 1e3;
    if milli.abs() < 20.0 { format!("{milli:.2}mA") } else { format!("{milli:.1}mA") }
}

/// A rate to three digits.
fn rate(hertz: f64) -> String {
    match hertz {
        h if h <= 0.0 => "none".into(),
        h if h < 10.0 => format!("{h:.2}Hz"),
        h if h < 1e3 => format!("{h:.0}Hz"),
        h => format!("{:.2}kHz", h / 1e3),
    }
}

/// A noise on the lowest AC range, 0.1 mV its last digit.
fn noise(volts: f64) -> String {
    let tenths = (volts * 1e4).round();
    if tenths < 1.0 { "none".into() } else { format!("{:.1}mV", tenths / 10.0) }
}

/// Ohms in the meter's ranges, three and a half digits; over range from 20 Mohm.
fn ohms(x: f64) -> String {
    match x {
        x if x >= 20e6 => "OL".into(),
        x if x >= 2e6 => format!("{:.2}M", x / 1e6),
        x if x >= 200e3 => format!("{:.0}k", x / 1e3),
        x if x >= 20e3 => format!("{:.1}k", x / 1e3),
        x if x >= 2e3 => format!("{:.2}k", x / 1e3),
        x if x >= 200.0 => format!("{x:.0}"),
        x => format!("{x:.1}"),
    }
}
