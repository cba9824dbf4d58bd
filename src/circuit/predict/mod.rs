//! Readings that a board would give, healthy or with faults in, and how well readings taken fit.
//!
//! A [`Predictor`] lists the checks of a board ([`CheckId`]), predicts each as a mean with its spread ([`Prediction`]), and scores
//! readings taken at the bench against a set of faults ([`Predictor::log_likelihood`]). One draw of part tolerances is shared by all
//! readings, the meter adds its own error to each, and any reading may be a slip of the probe.
//!
//! Levels are small-signal: past the onset of clipping they are widened, not solved. Absent: which check to do next.

mod check;
mod foresight;
mod good;
mod heard;
mod itself;
mod likelihood;
mod observed;
mod swings;
#[cfg(test)]
mod tests;
mod ways;

pub use check::{CheckId, CheckParseError};
pub use foresight::Foresight;
pub use heard::Heard;
pub use likelihood::{EAR_SD, FAINT_DB, LOUD_DB, NONE_DB, log_likelihood};
pub use observed::{Ear, Observed, ObservedError};

use super::board::{Board, FaultSetError};
use super::dc::{Options, SolveError};
use super::edit::{Edit, EditSet};
use super::heard::Listener;
use super::network::Node;
use super::ohms::{self, PowerOff};
use super::sweep::{Faulted, Sweep};
use super::tolerance::{Reading, Spread};
use crate::text::or_nearest;
use std::collections::BTreeMap;
use std::sync::Arc;
use swings::Moment;
use thiserror::Error;

/// Why a prediction could not be made.
#[derive(Clone, Debug, PartialEq, Error)]
pub enum PredictError {
    /// A fault that the board does not have.
    #[error(transparent)]
    Fault(#[from] FaultSetError),
    /// A check that the board does not have.
    #[error("there is no check '{id}' on this board; {help}")]
    Check {
        /// The check asked for.
        id: String,
        /// Nearest valid checks.
        help: String,
    },
    /// The board with these faults has no operating point that the solver finds.
    #[error("the board with {faults} in could not be solved: {source}")]
    Solve {
        /// The faults, or `no fault`.
        faults: String,
        /// What the solver said.
        source: SolveError,
    },
}

/// What the bench's instruments do to a reading. The defaults are those of a handheld digital meter (common practice, no source).
#[derive(Clone, Debug, PartialEq)]
pub struct Bench {
    /// Input resistance on volts ranges, ohms (10 Mohm: Lessons In Electric Circuits Vol. I, Voltmeter impact).
    pub meter_ohms: f64,
    /// Standard deviation of a volts reading as a share of it.
    pub volts_share: f64,
    /// Standard deviation of a volts reading in volts, whatever it is.
    pub volts_floor: f64,
    /// The same for amps, as a share.
    pub amps_share: f64,
    /// The same for amps, in amps.
    pub amps_floor: f64,
    /// The same for ohms, as a share.
    pub ohms_share: f64,
    /// The same for ohms, in ohms.
    pub ohms_floor: f64,
    /// Standard deviation of a measured level, dB.
    pub level_db: f64,
    /// Standard deviation of the model itself, as a share of a voltage: the cards are macro models.
    pub model_share: f64,
    /// Standard deviation of the model itself, volts (saturated transistors alone differ by so much from maker to maker).
    pub model_volts: f64,
    /// Standard deviation of the model itself, as a share of a supply current.
    pub model_amps: f64,
    /// Standard deviation of the model itself, as a share of a resistance with the power off.
    pub model_ohms: f64,
    /// Standard deviation of what the tone source gives, dB; all levels of a board share it.
    pub tone_db: f64,
    /// Probability that a reading is a slip of the probe and says nothing.
    pub slip: f64,
    /// Standard deviation of how far a reading goes where a part is left as no card describes it, as a share of its distance from
    /// the healthy reading.
    pub vague_share: f64,
    /// The ohmmeter that lets junctions alone.
    pub ohmmeter: ohms::Meter,
    /// One that begins to turn them on: which of the two is at hand is not known, and what both read is.
    pub firm_ohmmeter: ohms::Meter,
}

impl Default for Bench {
    fn default() -> Self {
        Self {
            meter_ohms: 10e6,
            volts_share: 0.004,
            volts_floor: 0.006,
            amps_share: 0.01,
            amps_floor: 30e-6,
            ohms_share: 0.008,
            ohms_floor: 0.3,
            level_db: 0.7,
            model_share: 0.01,
            model_volts: 0.015,
            model_amps: 0.25,
            model_ohms: 0.02,
            tone_db: 0.7,
            vague_share: 0.35,
            slip: 0.02,
            ohmmeter: ohms::Meter::low_voltage(),
            firm_ohmmeter: ohms::Meter::firm(),
        }
    }
}

/// One predicted reading. Volts in volts, amps in amps, levels in dB against the injected tone, a swing in volts from peak
/// to peak; ohms, hertz and noise as their natural logarithm, since their spread goes by ratio (ohms infinite: over range; hertz of a
/// board that rests far below any rate).
#[derive(Clone, Debug, PartialEq)]
pub struct Predicted {
    /// Mean.
    pub mean: f64,
    /// Standard deviation from all causes.
    pub sd: f64,
    /// The part of it that no other reading shares: meter and model.
    pub own_sd: f64,
    /// Change for one standard deviation of each of the board's draws, and behind them for the ohmmeter's voltage and the tone's
    /// level; shared between readings.
    pub loadings: Arc<Vec<f64>>,
}

/// What a board with certain faults in would show.
#[derive(Clone, Debug, PartialEq, Default)]
pub struct Prediction {
    readings: BTreeMap<CheckId, Predicted>,
}

impl Prediction {
    /// The prediction of one check, if it was made.
    pub fn get(&self, check: &CheckId) -> Option<&Predicted> {
        self.readings.get(check)
    }

    /// All predictions made, in order of check.
    pub fn iter(&self) -> impl Iterator<Item = (&CheckId, &Predicted)> {
        self.readings.iter()
    }
}

/// Predicts readings of one board. Solutions of fault sets are kept, so that asking again is cheap.
#[derive(Debug)]
pub struct Predictor<'b> {
    board: &'b Board,
    bench: Bench,
    sweep: Sweep,
    off: PowerOff,
    firm: PowerOff,
    checks: Vec<CheckId>,
    /// Place of each check in `checks`.
    places: BTreeMap<CheckId, usize>,
    kept: BTreeMap<Vec<String>, Prediction>,
    /// Means with what is not known of them beside the parts' spread, by place of the check; not a number where they have not been
    /// asked for yet.
    means: BTreeMap<Vec<String>, Vec<[f64; 2]>>,
    /// Covariances of a healthy board's readings, for the checks that were scored last.
    spread: Option<(Vec<CheckId>, Vec<Vec<f64>>)>,
    /// Lowest and highest volts of nets that settle in more than one way on a healthy board.
    unsteady: BTreeMap<String, (f64, f64)>,
    /// How a healthy board swings by itself, if it does.
    swings: Option<swings::Swings>,
    /// Which fault sets leave it swinging, as far as that was asked for.
    swinging: BTreeMap<Vec<String>, bool>,
    /// What a healthy board sounds like, once it was asked for.
    sound: Option<heard::Sound>,
    /// Fault sets without an operating point.
    unsettled: BTreeMap<Vec<String>, SolveError>,
    /// Who listens to what the board gives by itself, once that was asked for; nothing inside where that can't be told.
    listener: Option<Option<Listener<'b>>>,
    /// How far the healthy board's parts spread what it does by itself, once that was asked for.
    drawn: Option<itself::Drawn>,
    /// Readings of a unit that works.
    good: BTreeMap<CheckId, good::Beside>,
}

/// Fault sets kept; when there are more, all are dropped and made again as asked for.
const KEPT: usize = 20_000;
/// Levels below this are silence, dB against the tone; the solver's own floor is -120.
pub(super) const SILENCE: f64 = -100.0;
/// Peak volts above which a stage is no longer linear, as a share of what the supplies span (common practice, no source).
const LINEAR_SHARE: f64 = 0.05;
/// Levels below this come about by what no drawing has (the supply's impedance, the last of an amplifier's gain, strays): their
/// spread grows by so many dB for each dB further down.
const DRAWN_DB: f64 = -25.0;
const UNDRAWN: f64 = 0.1;
/// What is put for the logarithm of a resistance that is over range where it has to be a number.
const LN_BEYOND: f64 = 18.0;

impl<'b> Predictor<'b> {
    /// Sets a board up for predictions.
    ///
    /// ```
    /// use halfsplit::circuit::{board::Board, predict::{Bench, Predictor}};
    /// let library = halfsplit::rules::parts::Library::builtin()?;
    /// let board = Board::load(&halfsplit::cases::board_example("pocket-beacon")?, &library)?;
    /// let mut predictor = Predictor::new(&board, Bench::default()).unwrap();
    /// let collector = predictor.check("volts:C").unwrap();
    /// let healthy = predictor.predict(&[], &[collector.clone()]).unwrap().get(&collector).unwrap().mean;
    /// let open = predictor.predict(&["R2:open"], &[collector.clone()]).unwrap().get(&collector).unwrap().mean;
    /// assert!(open > healthy + 3.0, "without its bias resistor the transistor is off, and its collector at the supply");
    /// # Ok::<(), halfsplit::text::Complaints>(())
    /// ```
    ///
    /// # Errors
    /// [`PredictError::Solve`] when the healthy board has no operating point.
    pub fn new(board: &'b Board, bench: Bench) -> Result<Self, PredictError> {
        let fail = |source| PredictError::Solve { faults: "no fault".into(), source };
        let mut sweep = Sweep::new(board.network(), Options::default()).map_err(fail)?;
        let off = PowerOff::new(board.network(), Options::default(), bench.ohmmeter.clone()).map_err(fail)?;
        let firm =
            PowerOff::new(board.network(), Options::default(), bench.firm_ohmmeter.clone()).map_err(fail)?;
        let nets = board.nets();
        let mut checks: Vec<CheckId> = nets.iter().map(|n| CheckId::Ohms(n.clone())).collect();
        checks.extend(board.supplies().iter().map(|s| CheckId::Amps(s.name.clone())));
        checks.extend(nets.iter().map(|n| CheckId::Volts(n.clone())));
        if board.signal().is_some() {
            checks.extend(nets.iter().map(|n| CheckId::Level(n.clone())));
        }
        let places = checks.iter().enumerate().map(|(i, c)| (c.clone(), i)).collect();
        let (kept, means, unsettled) = (BTreeMap::new(), BTreeMap::new(), BTreeMap::new());
        let (spread, good) = (None, BTreeMap::new());
        let unsteady = unsteady(board, &mut sweep);
        let swings = swings::Swings::of(board, &mut sweep);
        Ok(Self {
            board,
            bench,
            sweep,
            off,
            firm,
            checks,
            places,
            kept,
            means,
            spread,
            unsteady,
            swings,
            swinging: BTreeMap::new(),
            sound: None,
            unsettled,
            listener: None,
            drawn: None,
            good,
        })
    }

    /// Nets that a healthy board may settle at in more than one way, with the lowest and highest volts: a flip-flop, a switch that
    /// latches.
    pub fn unsteady(&self) -> impl Iterator<Item = (&str, f64, f64)> {
        self.unsteady.iter().map(|(net, (low, high))| (net.as_str(), *low, *high))
    }

    /// The board.
    pub fn board(&self) -> &'b Board {
        self.board
    }

    /// The instruments.
    pub fn bench(&self) -> &Bench {
        &self.bench
    }

    /// Every check of the board: ohms first, since the power is off for them, then supply currents, volts and levels. Readings of
    /// what the board does by itself are not among them, since they cost more: see [`Predictor::own_checks`].
    pub fn checks(&self) -> &[CheckId] {
        &self.checks
    }

    /// The checks of what the board does by itself: rate, swing and noise of every net.
    pub fn own_checks(&self) -> impl Iterator<Item = CheckId> + '_ {
        let of =
            |n: &String| [CheckId::Hertz(n.clone()), CheckId::Swing(n.clone()), CheckId::Noise(n.clone())];
        self.board.nets().iter().flat_map(of)
    }

    fn has(&self, check: &CheckId) -> bool {
        match check.by_itself() {
            true => self.board.nets().iter().any(|n| n == check.place()),
            false => self.checks.contains(check),
        }
    }

    /// The check of an id: `volts:VH`, or by a pin of the net, `volts:IC1.3`.
    ///
    /// # Errors
    /// [`PredictError::Check`] when the board has no such check.
    pub fn check(&self, id: &str) -> Result<CheckId, PredictError> {
        let parsed = id.parse::<CheckId>().ok();
        if let Some(check) = parsed.as_ref().filter(|c| self.has(c)) {
            return Ok(check.clone());
        }
        let spot =
            parsed.as_ref().filter(|c| !matches!(c, CheckId::Amps(_))).map(|c| self.board.spot(c.place()));
        let own = parsed.as_ref().is_some_and(CheckId::by_itself);
        let help = match (parsed, spot) {
            (Some(check), Some(Ok(spot))) => match spot.net().map(|net| check.on(net)) {
                Some(check) if self.has(&check) => return Ok(check),
                Some(_) => "the board says no way of the signal, so it has no levels".to_owned(),
                None => format!("{} is on ground or on nothing", check.place()),
            },
            (Some(check), Some(Err(e)))
                if check.place().contains('.') || self.board.part_named(check.place()).is_some() =>
            {
                e.to_string()
            }
            _ => {
                let all: Vec<String> = match own {
                    true => self.own_checks().map(|c| c.to_string()).collect(),
                    false => self.checks.iter().map(CheckId::to_string).collect(),
                };
                or_nearest(id, all.iter().map(String::as_str))
            }
        };
        Err(PredictError::Check { id: id.to_owned(), help })
    }

    /// Readings with these faults in, for the checks asked for; each is made once and kept.
    ///
    /// # Errors
    /// [`PredictError`]: an unknown fault or check, or no operating point.
    pub fn predict(&mut self, faults: &[&str], checks: &[CheckId]) -> Result<Prediction, PredictError> {
        let key = key_of(faults);
        self.keep(&key, faults, checks)?;
        let kept = self.kept.get(&key).map(|k| &k.readings);
        let asked =
            |c: &CheckId| kept.and_then(|k| k.get(c)).map(|p| (c.clone(), self.beside_good(c, p.clone())));
        Ok(Prediction { readings: checks.iter().filter_map(asked).collect() })
    }

    fn keep(&mut self, key: &Vec<String>, faults: &[&str], checks: &[CheckId]) -> Result<(), PredictError> {
        let kept = self.kept.get(key).map(|k| &k.readings);
        let is_kept = |c: &&CheckId| kept.is_some_and(|k| k.contains_key(c));
        let missing: Vec<CheckId> = checks.iter().filter(|c| !is_kept(c)).cloned().collect();
        if missing.is_empty() {
            return Ok(());
        }
        self.settles(key)?;
        let edits = self.edits(faults)?;
        let made = self.make(key, &edits, &missing);
        let hot = missing.iter().all(CheckId::powered);
        let made = made.inspect_err(|e| self.remember(key, e, hot))?;
        // The healthy board is asked for all the time.
        if self.kept.len() >= KEPT {
            self.kept.retain(|k, _| k.is_empty());
        }
        self.kept.entry(key.clone()).or_default().readings.extend(made);
        Ok(())
    }

    /// Keeps in mind that a set has no operating point under power, so that it is not looked for again.
    fn remember(&mut self, key: &[String], error: &PredictError, hot: bool) {
        if let (PredictError::Solve { source, .. }, true) = (error, hot) {
            self.unsettled.insert(key.to_vec(), source.clone());
        }
    }

    fn settles(&self, key: &[String]) -> Result<(), PredictError> {
        match self.unsettled.get(key) {
            Some(source) => Err(PredictError::Solve { faults: named(key), source: source.clone() }),
            None => Ok(()),
        }
    }

    /// Natural logarithm of the likelihood of findings with these faults in, over all that they may be. Findings of the same check
    /// count each.
    ///
    /// # Errors
    /// As [`Predictor::predict`].
    pub fn log_likelihood(
        &mut self,
        faults: &[&str],
        findings: &[(CheckId, Observed)],
    ) -> Result<f64, PredictError> {
        let findings = &likelihood::in_order(findings);
        let checks: Vec<CheckId> = findings.iter().map(|(c, _)| c.clone()).collect();
        self.over_ways(faults, &checks, |p, way| {
            let with = p.predict(way, &checks)?;
            p.fit(&with, findings)
        })
    }

    /// The same by an outline: good for telling which sets of faults are worth [`Predictor::log_likelihood`].
    ///
    /// # Errors
    /// As [`Predictor::predict`].
    pub fn rough_log_likelihood(
        &mut self,
        faults: &[&str],
        findings: &[(CheckId, Observed)],
    ) -> Result<f64, PredictError> {
        let findings = &likelihood::in_order(findings);
        let checks: Vec<CheckId> = findings.iter().map(|(c, _)| c.clone()).collect();
        self.over_ways(faults, &checks, |p, way| p.rough_fit(way, findings, &checks))
    }

    /// The likelihood over all ways in which these faults may be there; those that have no operating point are left out, unless all
    /// are.
    fn over_ways(
        &mut self,
        faults: &[&str],
        checks: &[CheckId],
        mut one: impl FnMut(&mut Self, &[&str]) -> Result<f64, PredictError>,
    ) -> Result<f64, PredictError> {
        let (mut total, mut failed) = (f64::NEG_INFINITY, None);
        let ways = self.ways(faults, checks);
        let ways = self.at_any_moment(ways, checks);
        for (chance, way) in self.or_otherwise(ways, checks) {
            let way: Vec<&str> = way.iter().map(String::as_str).collect();
            match one(self, &way) {
                Ok(log) => total = likelihood::log_sum(total, chance.ln() + log),
                Err(e) => failed = Some(e),
            }
        }
        match failed {
            Some(e) if total == f64::NEG_INFINITY => Err(e),
            _ => Ok(total),
        }
    }

    fn rough_fit(
        &mut self,
        faults: &[&str],
        findings: &[(CheckId, Observed)],
        checks: &[CheckId],
    ) -> Result<f64, PredictError> {
        let with = self.outline_of(faults, checks)?;
        if checks.iter().any(|c| with.get(c).is_none()) {
            return self.fit(&with, findings);
        }
        if self.spread.as_ref().is_none_or(|(of, _)| of != checks) {
            let usual = self.predict(&[], checks)?;
            self.spread = Some((checks.to_vec(), likelihood::covariances(findings, |c| usual.get(c))));
        }
        let healthy = self.usual_of_heard(findings)?;
        let shared = self.spread.as_ref().map_or(&[][..], |(_, shared)| shared);
        Ok(likelihood::log_likelihood_shared(&with, &healthy, findings, &self.bench, shared))
    }

    fn fit(&mut self, with: &Prediction, findings: &[(CheckId, Observed)]) -> Result<f64, PredictError> {
        let healthy = self.usual_of_heard(findings)?;
        Ok(log_likelihood(with, &healthy, findings, &self.bench))
    }

    fn usual_of_heard(&mut self, findings: &[(CheckId, Observed)]) -> Result<Prediction, PredictError> {
        // By ear, a level is judged against what a healthy board gives.
        let heard: Vec<CheckId> = findings
            .iter()
            .filter(|(_, o)| matches!(o, Observed::Heard(_)))
            .map(|(c, _)| c.clone())
            .collect();
        if heard.is_empty() { Ok(Prediction::default()) } else { self.predict(&[], &heard) }
    }

    /// An outline of the readings with these faults in: means from the solver, spreads borrowed from the healthy board. Good for
    /// choosing what to measure, not for scoring what was measured. Each is made once and kept. Many times cheaper than
    /// [`Predictor::predict`].
    ///
    /// # Errors
    /// As [`Predictor::predict`].
    pub fn outline(&mut self, faults: &[&str], checks: &[CheckId]) -> Result<Prediction, PredictError> {
        let ways = self.ways(faults, checks);
        if let [(_, way)] = ways.as_slice() {
            let way: Vec<&str> = way.iter().map(String::as_str).collect();
            return self.outline_of(&way, checks);
        }
        let (mut outlines, mut failed) = (Vec::new(), None);
        for (chance, way) in &ways {
            let way: Vec<&str> = way.iter().map(String::as_str).collect();
            match self.outline_of(&way, checks) {
                Ok(outline) => outlines.push((*chance, outline)),
                Err(e) => failed = Some(e),
            }
        }
        match failed {
            Some(e) if outlines.is_empty() => Err(e),
            _ => Ok(mixed(&outlines, checks)),
        }
    }

    fn outline_of(&mut self, faults: &[&str], checks: &[CheckId]) -> Result<Prediction, PredictError> {
        if faults.is_empty() {
            return self.predict(&[], checks);
        }
        let healthy = Vec::new();
        self.keep(&healthy, &[], checks)?;
        let key = key_of(faults);
        self.keep_means(&key, faults, checks)?;
        let mut out = Prediction::default();
        for check in checks.iter().filter(|c| c.by_itself()) {
            let own = self.by_itself(&key, check)?;
            out.readings.insert(check.clone(), self.beside_good(check, own));
        }
        let swinging = self.moment_of(&key);
        let (usual, means) = (self.kept.get(&healthy), self.means.get(&key));
        let vague = self.is_vague(&key);
        let strained = means.is_some_and(|m| self.strains(m));
        for check in checks {
            let place = self.places.get(check);
            if let Some([mean, wide]) = means.and_then(|m| m.get(*place?)) {
                let usual = usual.and_then(|u| u.get(check));
                let mut outlined = self.outlined(check, *mean, *wide, usual, swinging);
                if vague && check.powered() {
                    self.widen(&mut outlined, usual.map(|u| u.mean));
                }
                if strained {
                    ways::sag(check, &mut outlined);
                }
                out.readings.insert(check.clone(), self.beside_good(check, outlined));
            }
        }
        Ok(out)
    }

    /// Solves for the means that are asked for and not known yet; with the power on, for all of them at once.
    fn keep_means(
        &mut self,
        key: &Vec<String>,
        faults: &[&str],
        checks: &[CheckId],
    ) -> Result<(), PredictError> {
        let asked: Vec<usize> = checks.iter().filter_map(|c| self.places.get(c).copied()).collect();
        let known = self.means.get(key);
        let missing: Vec<usize> =
            asked.into_iter().filter(|i| known.is_none_or(|k| k[*i][0].is_nan())).collect();
        if missing.is_empty() {
            return Ok(());
        }
        self.settles(key)?;
        let mut means = known.cloned().unwrap_or_else(|| vec![[f64::NAN, 0.0]; self.checks.len()]);
        let solved = self.solve_means(key, faults, &missing, &mut means);
        let hot = missing.iter().all(|i| self.checks[*i].powered());
        solved.inspect_err(|e| self.remember(key, e, hot))?;
        if self.means.len() >= KEPT {
            self.means.clear();
        }
        self.means.insert(key.clone(), means);
        Ok(())
    }

    fn solve_means(
        &mut self,
        key: &[String],
        faults: &[&str],
        missing: &[usize],
        means: &mut [[f64; 2]],
    ) -> Result<(), PredictError> {
        let fail = |source| PredictError::Solve { faults: named(key), source };
        let edits = self.edits(faults)?;
        if missing.iter().any(|i| self.checks[*i].powered()) {
            let tone = self.board.signal().map(|s| s.tone.0);
            let nets: Vec<Node> = self.board.nets().iter().filter_map(|n| self.board.node(n)).collect();
            let (solved, loaded) =
                self.sweep.metered(&edits, tone, &nets, self.bench.meter_ohms).map_err(fail)?;
            for (check, mean) in self.checks.iter().zip(&mut *means).filter(|(c, _)| c.powered()) {
                *mean = [self.mean_of(check, &solved, &nets, &loaded)?, 0.0];
            }
        }
        for i in missing {
            let check = &self.checks[*i];
            if !check.powered() {
                let node = self.node(check)?;
                let meters = [&mut self.off, &mut self.firm];
                let [low, firm] = meters.map(|m| m.ohms(&edits, node, Node::GROUND).map(|o| o.ohms));
                means[*i] = either(low.map_err(fail)?, firm.map_err(fail)?);
            }
        }
        Ok(())
    }

    fn mean_of(
        &self,
        check: &CheckId,
        solved: &Faulted,
        nets: &[Node],
        loaded: &[f64],
    ) -> Result<f64, PredictError> {
        Ok(match check {
            // Not to be had from a point and a tone.
            CheckId::Hertz(_) | CheckId::Swing(_) | CheckId::Noise(_) => f64::NAN,
            CheckId::Level(_) => {
                let node = self.node(check)?;
                solved.response().map_or(SILENCE, |r| 20.0 * r.volts(node).norm().max(1e-6).log10())
            }
            CheckId::Amps(name) => {
                let source = self.board.supplies().iter().find(|s| s.name == *name).map(|s| s.element);
                let place = self.sweep.sources().iter().position(|e| Some(*e) == source);
                place.map_or(0.0, |i| solved.delivered(i))
            }
            CheckId::Volts(_) | CheckId::Ohms(_) => {
                let node = self.node(check)?;
                let metered = nets.iter().position(|n| *n == node).and_then(|i| loaded.get(i));
                metered.copied().unwrap_or_else(|| solved.volts(node))
            }
        })
    }

    fn outlined(
        &self,
        check: &CheckId,
        mean: f64,
        wide: f64,
        healthy: Option<&Predicted>,
        swinging: Option<Moment>,
    ) -> Predicted {
        let shared = healthy.map_or(0.0, |h| (h.sd * h.sd - h.own_sd * h.own_sd).max(0.0).sqrt());
        let (mean, own) = match check {
            CheckId::Ohms(_) => (mean, healthy.map_or(0.3, |h| h.own_sd).hypot(wide)),
            _ => {
                let now = self.powered(check, mean, &[], swinging);
                (if swinging.is_some() { now.mean } else { mean }, now.own_sd)
            }
        };
        Predicted { mean, sd: own.hypot(shared), own_sd: own, loadings: Arc::new(Vec::new()) }
    }

    fn node(&self, check: &CheckId) -> Result<Node, PredictError> {
        let missing = || PredictError::Check { id: check.to_string(), help: String::new() };
        self.board.node(check.place()).ok_or_else(missing)
    }

    fn make(
        &mut self,
        faults: &[String],
        edits: &EditSet,
        checks: &[CheckId],
    ) -> Result<Vec<(CheckId, Predicted)>, PredictError> {
        let fail = |source| PredictError::Solve { faults: named(faults), source };
        let (mut powered, mut readings, mut made) = (Vec::new(), Vec::new(), Vec::new());
        for check in checks {
            match check {
                CheckId::Ohms(_) => {
                    let node = self.node(check)?;
                    made.push((check.clone(), self.ohms(edits, node).map_err(fail)?));
                    continue;
                }
                CheckId::Hertz(_) | CheckId::Swing(_) | CheckId::Noise(_) => {
                    made.push((check.clone(), self.by_itself(faults, check)?));
                    continue;
                }
                CheckId::Volts(_) => readings.push(Reading::Volts {
                    plus: self.node(check)?,
                    minus: Node::GROUND,
                    meter_ohms: Some(self.bench.meter_ohms),
                }),
                CheckId::Level(_) => readings.push(Reading::Level { node: self.node(check)? }),
                CheckId::Amps(name) => match self.board.supplies().iter().find(|s| s.name == *name) {
                    Some(supply) => readings.push(Reading::Amps { source: supply.element }),
                    None => return Err(PredictError::Check { id: check.to_string(), help: String::new() }),
                },
            }
            powered.push(check.clone());
        }
        if powered.is_empty() {
            return Ok(made);
        }
        let tone = self.board.signal().map(|s| s.tone.0);
        let mut spread = self.sweep.spread(edits, tone, &readings, self.board.varied()).map_err(fail)?;
        self.load(edits, &readings, &mut spread);
        let vague = self.is_vague(faults);
        let swinging = self.moment_of(faults);
        let strained = !faults.is_empty() && self.strained_by(faults);
        if vague {
            self.keep(&Vec::new(), &[], &powered)?;
        }
        for (i, check) in powered.into_iter().enumerate() {
            let mut predicted = self.powered(&check, spread.mean[i], spread.loadings_of(i), swinging);
            if vague {
                let usual = self.kept.get(&Vec::new()).and_then(|k| k.get(&check)).map(|p| p.mean);
                self.widen(&mut predicted, usual);
            }
            if strained {
                ways::sag(&check, &mut predicted);
            }
            made.push((check, predicted));
        }
        Ok(made)
    }

    /// Whether one of these faults leaves a part as no card describes it.
    fn is_vague(&self, faults: &[String]) -> bool {
        let bare = |id: &String| id.split_once('@').map_or(id.as_str(), |(bare, _)| bare).to_owned();
        faults.iter().any(|id| self.board.fault(&bare(id)).is_some_and(|f| f.vague))
    }

    fn widen(&self, predicted: &mut Predicted, usual: Option<f64>) {
        let moved = usual.filter(|u| u.is_finite() && predicted.mean.is_finite());
        let wide = moved.map_or(0.0, |u| self.bench.vague_share * (predicted.mean - u).abs());
        predicted.own_sd = predicted.own_sd.hypot(wide);
        predicted.sd = predicted.sd.hypot(wide);
    }

    /// Where the meter's load moves a net, its reading is solved with the meter on, and not reckoned from the unloaded point.
    fn load(&mut self, edits: &EditSet, readings: &[Reading], spread: &mut Spread) {
        for (i, reading) in readings.iter().enumerate() {
            let Reading::Volts { plus, minus, meter_ohms: Some(ohms) } = reading else { continue };
            if !self.sweep.is_loaded(i, spread) {
                continue;
            }
            let meter = Edit::Bridge { a: *plus, b: *minus, ohms: *ohms };
            let with: EditSet = edits.iter().cloned().chain([meter]).collect();
            let ideal = Reading::Volts { plus: *plus, minus: *minus, meter_ohms: None };
            if let Ok(loaded) = self.sweep.spread(&with, None, &[ideal], self.board.varied()) {
                spread.put(i, &loaded);
            }
        }
    }

    /// Span of the supplies, volts: no reading can spread further.
    fn span(&self) -> f64 {
        self.board.supplies().iter().map(|s| s.volts.0).sum::<f64>().max(1.0)
    }

    fn powered(&self, check: &CheckId, mean: f64, loadings: &[f64], swinging: Option<Moment>) -> Predicted {
        let b = &self.bench;
        let (mean, swing) = match (&self.swings, swinging) {
            (Some(swings), Some(moment)) => swings.read(check, mean, self.rails(), moment),
            _ => (mean, 0.0),
        };
        // Where a board settles in more than one way, a reading may be either.
        let (mean, either) = match (check, self.unsteady.get(check.place())) {
            (CheckId::Volts(_), Some((low, high))) => {
                let (low, high) = (low.min(mean), high.max(mean));
                ((low + high) / 2.0, (high - low) / 2.0)
            }
            _ => (mean, 0.0),
        };
        let (own, most) = match check {
            CheckId::Volts(_) => {
                let meter = b.volts_share * mean.abs() + b.volts_floor;
                (meter.hypot(b.model_share * mean.abs() + b.model_volts).hypot(either), self.span() / 3.5)
            }
            CheckId::Amps(_) => {
                let meter = b.amps_share * mean.abs() + b.amps_floor;
                (meter.hypot(b.model_amps * mean.abs()), 0.3 * mean.abs() + 1e-3)
            }
            _ => {
                let undrawn = UNDRAWN * (DRAWN_DB - mean.max(SILENCE)).max(0.0);
                let either = if self.unsteady.contains_key(check.place()) { 20.0 } else { 0.0 };
                (b.level_db.hypot(0.3).hypot(self.clipping(mean) / 2.0).hypot(undrawn).hypot(either), 20.0)
            }
        };
        let level = matches!(check, CheckId::Level(_));
        let mean = if level { mean.max(SILENCE) } else { mean };
        let shared: f64 = loadings.iter().map(|l| l * l).sum::<f64>().sqrt();
        // The linear spread of a wide figure (a pinch-off voltage) can run past the rails; draw it in.
        let factor = if shared > most { most / shared } else { 1.0 };
        let tone = if level { b.tone_db } else { 0.0 };
        let own = own.hypot(swing);
        let sd = own.hypot(shared * factor).hypot(tone);
        let loadings = loadings.iter().map(|l| l * factor).chain([0.0, tone]).collect();
        Predicted { mean, sd, own_sd: own, loadings: Arc::new(loadings) }
    }

    /// Decibels by which the small-signal level would pass the onset of clipping.
    fn clipping(&self, level: f64) -> f64 {
        let tone = self.board.signal().map_or(0.0, |s| s.level.0);
        let peak = tone * std::f64::consts::SQRT_2 * 10f64.powf(level / 20.0);
        (20.0 * (peak / (LINEAR_SHARE * self.span())).log10()).max(0.0)
    }

    fn ohms(&mut self, edits: &EditSet, node: Node) -> Result<Predicted, SolveError> {
        let spread = self.off.spread(edits, node, Node::GROUND, self.board.varied())?;
        let low = spread.mean.first().copied().unwrap_or(f64::INFINITY);
        let firm = self.firm.ohms(edits, node, Node::GROUND)?.ohms;
        let [mean, meter] = either(low, firm);
        let b = &self.bench;
        if !mean.is_finite() {
            return Ok(Predicted { mean, sd: 0.3, own_sd: 0.3, loadings: Arc::new(Vec::new()) });
        }
        let own = (b.ohms_share + b.ohms_floor / mean.exp()).hypot(b.model_ohms);
        let slope = if low.is_finite() { 1.0 / low.max(0.05) } else { 0.0 };
        let loadings: Vec<f64> = spread.loadings_of(0).iter().map(|l| l * slope).collect();
        let shared = loadings.iter().map(|l| l * l).sum::<f64>().sqrt();
        let factor = if shared > 1.0 { 1.0 / shared } else { 1.0 };
        let sd = own.hypot(shared * factor).hypot(meter);
        let loadings = loadings.iter().map(|l| l * factor).chain([meter, 0.0]).collect();
        Ok(Predicted { mean, sd, own_sd: own, loadings: Arc::new(loadings) })
    }
}

/// Logarithm of what is read by a meter of which it is not known which of two it is, and half of what lies between them.
fn either(low: f64, firm: f64) -> [f64; 2] {
    if low.is_infinite() && firm.is_infinite() {
        return [f64::INFINITY, 0.0];
    }
    let ln = |ohms: f64| if ohms.is_finite() { ohms.max(0.05).ln() } else { LN_BEYOND };
    let (low, firm) = (ln(low), ln(firm));
    [(low + firm) / 2.0, (low - firm).abs() / 2.0]
}

/// One outline of several, each with its chance.
fn mixed(outlines: &[(f64, Prediction)], checks: &[CheckId]) -> Prediction {
    let mut out = Prediction::default();
    for check in checks {
        let all: Vec<(f64, &Predicted)> =
            outlines.iter().filter_map(|(w, o)| o.get(check).map(|p| (*w, p))).collect();
        let Some((_, usual)) = all.first().copied() else { continue };
        let total: f64 = all.iter().map(|(w, _)| w).sum();
        let beyond: f64 = all.iter().filter(|(_, p)| p.mean.is_infinite()).map(|(w, _)| w).sum();
        let at = |p: &Predicted| if p.mean.is_finite() { p.mean } else { LN_BEYOND };
        let mean = all.iter().map(|(w, p)| w * at(p)).sum::<f64>() / total;
        let apart = all.iter().map(|(w, p)| w * (at(p) - mean).powi(2)).sum::<f64>() / total;
        let mean = if beyond > 0.5 * total { f64::INFINITY } else { mean };
        let sd = usual.sd.hypot(apart.sqrt());
        let own_sd = usual.own_sd.hypot(apart.sqrt());
        out.readings.insert(check.clone(), Predicted { mean, sd, own_sd, loadings: usual.loadings.clone() });
    }
    out
}

/// Starts from which another way to settle is looked for.
const STARTS: usize = 6;

fn unsteady(board: &Board, sweep: &mut Sweep) -> BTreeMap<String, (f64, f64)> {
    let ends = board.supplies().iter().flat_map(|s| [&s.plus, &s.minus]);
    let rails: Vec<f64> = ends.filter_map(|n| board.node(n)).map(|n| sweep.healthy_volts(n)).collect();
    let low = rails.iter().copied().fold(0.0, f64::min);
    let high = rails.iter().copied().fold(0.0, f64::max);
    let others = sweep.other_points(STARTS, (low, high), 1);
    let mut out = BTreeMap::new();
    for net in board.nets() {
        let Some(node) = board.node(net) else { continue };
        let at = |point: &Vec<f64>| point.get(node.index()).copied().unwrap_or(0.0);
        let all = || others.iter().map(at).chain([sweep.healthy_volts(node)]);
        let (low, high) = (all().fold(f64::INFINITY, f64::min), all().fold(f64::NEG_INFINITY, f64::max));
        if high - low > 0.1 {
            out.insert(net.clone(), (low, high));
        }
    }
    out
}

fn key_of(faults: &[&str]) -> Vec<String> {
    let mut key: Vec<String> = faults.iter().map(|f| (*f).to_owned()).collect();
    key.sort();
    key.dedup();
    key
}

fn named(faults: &[String]) -> String {
    if faults.is_empty() { "no fault".to_owned() } else { faults.join(", ") }
}
