//! A job's board in the one model: which faults it adds, what they do to what is heard, and how well readings fit them.
//!
//! Circuit readings do not factorise, so fault sets are scored by the solver: none, every single fault, pairs of the
//! best. Only faults that move a reading that was taken need scoring; all others stay as the authored graph has them.

use super::stages::Stages;
use crate::belief::{FaultId, ScoredSet, SetScores};
use crate::circuit::board::{Board, Fault};
use crate::circuit::heard::{Doing, Listener};
use crate::circuit::motion::Motion;
use crate::circuit::predict::{
    Bench, CheckId, EAR_SD, FAINT_DB, Foresight, Heard, LOUD_DB, NONE_DB, Observed, Predicted, Prediction,
    Predictor,
};
use crate::circuit::said::{self, Said, Word};
use crate::circuit::sheet;
use crate::rules::{Applies, History, PackId, Rules};
use crate::text::{Complaint, Complaints};
use std::cell::{OnceCell, RefCell};
use std::collections::{BTreeMap, BTreeSet};

/// Singles that are tried in pairs when readings are scored.
const PAIRED: usize = 40;
/// Pairs that are scored together, roughly and then closely.
const AT_A_TIME: usize = 64;
/// Sets whose weight by the readings is below the best one's by this (natural logarithm: one in 22,000) are ruled out.
const HOPELESS: f64 = -10.0;
/// Sets whose weight by an outline of the readings is below the best one's by this are not looked at more closely.
const REMOTE: f64 = -20.0;
/// A fault moves a reading when it shifts it by this many standard deviations of the reading.
const MOVES: f64 = 0.7;
/// A net of the signal path counts as moved off its bias when its volts are off by this share of the supply.
pub const OFF_BIAS: f64 = 0.12;

/// What a board fault does besides moving readings.
#[derive(Clone, Debug, PartialEq)]
pub struct Shows {
    /// What is heard at the end of the signal path.
    pub heard: Heard,
    /// Whether it moves a stage well off its bias.
    pub off_bias: bool,
}

/// Circuit findings of one epoch.
#[derive(Clone, Debug, Default)]
pub struct CircuitEpoch {
    /// Findings taken in it, with their numbers on the card.
    pub findings: Vec<(usize, CheckId, Observed)>,
    /// Faults put right before it.
    pub cured: Vec<FaultId>,
    /// Whether the retest before it said that the unit does not work yet.
    pub broken: bool,
}

impl CircuitEpoch {
    /// Which of these faults are there in this epoch: those that were not put right. Where that would be none and the unit still
    /// does not work, the work on those in `failed` failed.
    pub fn there(&self, members: &[FaultId], failed: &[FaultId]) -> Vec<FaultId> {
        let left: Vec<FaultId> = members.iter().filter(|f| !self.cured.contains(f)).copied().collect();
        if left.is_empty() && self.broken { failed.to_vec() } else { left }
    }
}

/// An epoch and the readings taken in it.
type Taken<'a> = (&'a CircuitEpoch, Vec<(CheckId, Observed)>);

/// A board with its predictor.
#[derive(Debug)]
pub struct Circuit<'b> {
    board: &'b Board,
    predictor: RefCell<Predictor<'b>>,
    stages: OnceCell<Stages>,
    /// What each fault shows besides its readings, once it was asked for.
    shown: RefCell<BTreeMap<String, Option<Shows>>>,
    /// What would be said of each fault, once it was asked for.
    said: RefCell<BTreeMap<String, Option<Said>>>,
    alone: bool,
}

/// Levels above this count as carrying the tone, dB against it.
const CARRIES: f64 = -60.0;

impl<'b> Circuit<'b> {
    /// Sets a board up.
    ///
    /// # Errors
    /// When the healthy board has no operating point; names the net.
    pub fn new(board: &'b Board) -> Result<Self, Complaints> {
        let predictor = Predictor::new(board, Bench::default()).map_err(|e| {
            Complaint::nowhere("unsettled", e.to_string()).help("check the values on the board file")
        })?;
        Ok(Self {
            board,
            predictor: RefCell::new(predictor),
            stages: OnceCell::new(),
            shown: RefCell::default(),
            said: RefCell::default(),
            alone: false,
        })
    }

    /// The board by itself, all around it known to be good: only its own faults are under suspicion, and `unlisted`.
    pub fn alone(mut self) -> Self {
        self.alone = true;
        self
    }

    /// Whether all around the board is known to be good.
    pub fn is_alone(&self) -> bool {
        self.alone
    }

    /// The board.
    pub fn board(&self) -> &'b Board {
        self.board
    }

    /// Where along the signal path its nets and parts sit.
    pub fn stages(&self) -> &Stages {
        self.stages.get_or_init(|| {
            let levels: Vec<CheckId> = self.board.nets().iter().map(|n| CheckId::Level(n.clone())).collect();
            let healthy = if self.board.signal().is_some() { self.predict(&[], &levels) } else { None };
            let healthy = healthy.unwrap_or_default();
            let level = |net: &str| healthy.get(&CheckId::Level(net.to_owned())).map(|p| p.mean);
            Stages::of(self.board, |net| level(net).is_some_and(|db| db > CARRIES))
        })
    }

    /// Whether a healthy board carries the tone on a net, so that a level can be listened to there.
    pub fn carries(&self, net: &str) -> bool {
        let check = CheckId::Level(net.to_owned());
        let healthy = self.predict(&[], std::slice::from_ref(&check));
        healthy.and_then(|h| h.get(&check).map(|p| p.mean > CARRIES)).unwrap_or(false)
    }

    /// The packs of the blocks that the board has: those with a role that one of its parts has, be it one of those that make the block or,
    /// where the pack names none, of one of its faults.
    pub fn blocks(&self, rules: &Rules) -> Vec<String> {
        let roles: BTreeSet<&str> = self.board.parts().iter().filter_map(|p| p.role.as_deref()).collect();
        let packs: BTreeSet<PackId> = rules
            .faults()
            .filter(|(_, f)| f.board.as_ref().is_some_and(|(role, _)| roles.contains(role.as_str())))
            .map(|(_, f)| f.pack)
            .collect();
        let made = |p: &PackId| {
            let made_of = &rules.pack(*p).made_of;
            made_of.is_empty() || made_of.iter().any(|r| roles.contains(r.as_str()))
        };
        let of_block = |p: &&PackId| rules.pack(**p).applies == Applies::WithBlock && made(p);
        packs.iter().filter(of_block).map(|p| rules.pack(*p).id.clone()).collect()
    }

    /// Faults that can be in a unit of this history, with their priors.
    pub fn faults(&self, history: History) -> impl Iterator<Item = (&'b Fault, f64)> {
        self.board.faults().iter().map(move |f| (f, f.prior(history).get())).filter(|(_, p)| *p > 0.0)
    }

    /// Every check of the board but those of what it does by itself.
    pub fn checks(&self) -> Vec<CheckId> {
        self.predictor.borrow().checks().to_vec()
    }

    /// The check of an id, if the board has it.
    ///
    /// # Errors
    /// What to write instead.
    pub fn check(&self, id: &str) -> Result<CheckId, Complaint> {
        self.predictor.borrow().check(id).map_err(|e| {
            let text = e.to_string();
            let (message, help) = text.split_once("; ").unwrap_or((&text, ""));
            Complaint::nowhere("unknown-name", message).help(help)
        })
    }

    /// Takes readings of a unit that works, in place of those taken before.
    ///
    /// # Errors
    /// When the healthy board has no operating point.
    pub fn set_good(&self, readings: &[(CheckId, Observed)]) -> Result<(), Complaints> {
        self.predictor
            .borrow_mut()
            .set_good(readings)
            .map_err(|e| Complaint::nowhere("unsettled", e.to_string()).into())
    }

    /// What is to be read with these faults in; `None` where the solver finds no operating point.
    pub fn predict(&self, faults: &[&str], checks: &[CheckId]) -> Option<Prediction> {
        self.predictor.borrow_mut().predict(faults, checks).ok()
    }

    /// An outline of what is to be read, for choosing what to measure; `None` where the solver finds no operating point.
    pub fn outline(&self, faults: &[&str], checks: &[CheckId]) -> Option<Prediction> {
        self.predictor.borrow_mut().outline(faults, checks).ok()
    }

    /// What findings say of the other checks, for choosing what to measure.
    pub fn foresight(&self, findings: &[(CheckId, Observed)], checks: &[CheckId]) -> Foresight {
        self.predictor.borrow_mut().foresight(findings, checks).unwrap_or_default()
    }

    /// One healthy reading with its band, as the sheet has it.
    pub fn expected(&self, check: &CheckId) -> Option<sheet::SheetLine> {
        let healthy = self.predict(&[], std::slice::from_ref(check))?;
        healthy.get(check).map(|p| sheet::sheet_line(self.board, check, p))
    }

    /// The reading to be expected with one fault in, as text.
    pub fn with_fault(&self, fault: &str, check: &CheckId) -> Option<String> {
        let with = self.predict(&[fault], std::slice::from_ref(check))?;
        with.get(check).map(|p| sheet::text(check, p.mean))
    }

    /// Natural logarithm of the likelihood of findings with these faults in.
    pub fn log_likelihood(&self, faults: &[&str], findings: &[(CheckId, Observed)]) -> Option<f64> {
        self.predictor.borrow_mut().log_likelihood(faults, findings).ok()
    }

    /// The same by an outline of the readings.
    fn rough_log_likelihood(&self, faults: &[&str], findings: &[(CheckId, Observed)]) -> Option<f64> {
        self.predictor.borrow_mut().rough_log_likelihood(faults, findings).ok()
    }

    /// The remedy that a fault belongs to, named by the first fault of the same part that the same work puts right.
    pub fn fix_of(&self, fault: &str) -> Option<String> {
        let faults = self.board.faults();
        let named = self.board.fault(fault)?;
        let same = |f: &&Fault| part_of(&f.id) == part_of(&named.id) && f.fix.says == named.fix.says;
        faults.iter().find(same).map(|f| f.id.clone())
    }

    /// What one fault does to what is heard and to the bias of the stages.
    pub fn shows(&self, fault: &str, healthy: &Prediction, checks: &[CheckId]) -> Option<Shows> {
        if let Some(known) = self.shown.borrow().get(fault) {
            return known.clone();
        }
        let shows = self.work_out(fault, healthy, checks);
        self.shown.borrow_mut().insert(fault.to_owned(), shows.clone());
        shows
    }

    fn work_out(&self, fault: &str, healthy: &Prediction, checks: &[CheckId]) -> Option<Shows> {
        let with = self.outline(&[fault], checks)?;
        let supply = self.board.supplies().iter().map(|s| s.volts.0).fold(0.0, f64::max).max(1.0);
        let off_bias = checks.iter().any(|check| match (healthy.get(check), with.get(check)) {
            (Some(usual), Some(now)) => (now.mean - usual.mean).abs() > OFF_BIAS * supply,
            _ => false,
        });
        let heard = self.predictor.borrow_mut().heard(&[fault]).ok()?;
        Some(Shows { heard, off_bias })
    }

    /// What is told by listening to what the board gives by itself; `None` where that can't be told.
    fn listened<T>(&self, told: impl FnOnce(&mut Listener<'b>) -> Option<T>) -> Option<T> {
        told(self.predictor.borrow_mut().listener()?)
    }

    /// What a board with these faults in and its parts as drawn does by itself, net by net in the board's order; `None` where that can't be
    /// followed.
    pub fn motion(&self, faults: &[&str], draw: &[f64]) -> Option<Motion> {
        self.listened(|l| l.drawn(faults, &[draw.to_vec()]).ok()?.pop())
    }

    /// The checks of what the board does by itself that are worth offering: the rate where the signal comes out, and where a healthy board
    /// swings most. Works the healthy board out.
    pub fn own_checks(&self) -> Vec<CheckId> {
        let out = self.board.signal().map(|s| s.output.clone());
        let swings = self.listened(|l| match &l.hear(&[]).ok()?.doing {
            Doing::Runs(_, nets) => nets.first().map(|m| m.net.clone()),
            _ => None,
        });
        let mut nets: Vec<String> = swings.iter().cloned().chain(out.clone()).collect();
        nets.dedup();
        let rates = nets.into_iter().map(CheckId::Hertz);
        rates.chain(swings.map(CheckId::Swing)).chain(out.map(CheckId::Noise)).collect()
    }

    /// The rate at which a healthy board swings, hertz, if it does.
    pub fn own_rate(&self) -> Option<f64> {
        self.listened(|l| match l.hear(&[]).ok()?.doing {
            Doing::Runs(hertz, _) => Some(hertz),
            _ => None,
        })
    }

    /// What is left at a net with these faults in and nothing going in, volts rms; `None` where that can't be told.
    pub fn left(&self, faults: &[&str], net: &str) -> Option<f64> {
        self.listened(|l| l.left_at(faults, net).ok().flatten())
    }

    /// Whether a healthy board tells anything of what a word is about: of modulation only one that swings does.
    pub fn tells(&self, word: Word) -> bool {
        self.listened(|l| l.hear(&[]).ok().map(|usual| word.fits(usual))).unwrap_or(false)
    }

    /// What an owner would say of one fault, by what the board gives by itself; `None` where that can't be told. The first call costs
    /// milliseconds, on a board that swings slowly up to a tenth of a second.
    pub fn said(&self, fault: &str) -> Option<Said> {
        if let Some(known) = self.said.borrow().get(fault) {
            return *known;
        }
        let said = self.listened(|listener| {
            let usual = listener.hear(&[]).ok()?.clone();
            said::said(self.board, &[fault], &usual, listener.hear(&[fault]).ok()?)
        });
        self.said.borrow_mut().insert(fault.to_owned(), said);
        said
    }

    /// Why a fault is said to do what a word is about, or not to: the figures of the board without and with it.
    pub fn because(&self, fault: &str, word: Word) -> Vec<String> {
        let told = self.listened(|listener| {
            let usual = listener.hear(&[]).ok()?.clone();
            Some(said::because(self.board, word, &usual, listener.hear(&[fault]).ok()?))
        });
        told.unwrap_or_default()
    }

    /// The checks that [`Circuit::shows`] looks at: the volts of every net.
    pub fn telling_checks(&self) -> Vec<CheckId> {
        self.board.nets().iter().map(|n| CheckId::Volts(n.clone())).collect()
    }

    /// Scores fault sets on the readings taken. `faults` are the board's faults in play by the engine's index, with
    /// their priors. `None` where no reading was taken or none moves with any fault.
    pub fn scores(&self, faults: &[(FaultId, &str, f64)], epochs: &[CircuitEpoch]) -> Option<SetScores> {
        let taken: Vec<CheckId> =
            epochs.iter().flat_map(|e| e.findings.iter().map(|(_, c, _)| c.clone())).collect();
        if taken.is_empty() {
            return None;
        }
        let healthy = self.predict(&[], &taken)?;
        let moving: Vec<(FaultId, &str, f64)> =
            faults.iter().filter(|(_, id, _)| self.moves(id, &healthy, &taken)).copied().collect();
        let names: BTreeMap<FaultId, &str> = moving.iter().map(|(f, id, _)| (*f, *id)).collect();
        let odds: BTreeMap<FaultId, f64> =
            moving.iter().map(|(f, _, p)| (*f, (p / (1.0 - p)).ln())).collect();
        let weight = |members: &[FaultId], log: f64| log + members.iter().map(|f| odds[f]).sum::<f64>();
        let taken: Vec<Taken<'_>> = epochs
            .iter()
            .filter(|e| !e.findings.is_empty())
            .map(|e| (e, e.findings.iter().map(|(_, c, o)| (c.clone(), *o)).collect()))
            .collect();
        let score = |members: &[FaultId], closely: bool| -> Option<f64> {
            taken.iter().try_fold(0.0, |sum, (epoch, findings)| {
                let there = epoch.there(members, members);
                let there: Vec<&str> = there.iter().filter_map(|f| names.get(f).copied()).collect();
                let log = match closely {
                    true => self.log_likelihood(&there, findings)?,
                    false => self.rough_log_likelihood(&there, findings)?,
                };
                Some(sum + log)
            })
        };
        let none = score(&[], true)?;
        let mut sets: Vec<(Vec<FaultId>, f64)> = vec![(Vec::new(), none)];
        // A rough score first, and a close one for those that are not remote by it.
        let mut best = none;
        let mut add = |candidates: Vec<Vec<FaultId>>, sets: &mut Vec<(Vec<FaultId>, f64)>| {
            let rough: Vec<(Vec<FaultId>, f64)> = candidates
                .into_iter()
                .filter_map(|members| score(&members, false).map(|log| (members, log)))
                .collect();
            best = rough.iter().map(|(m, log)| weight(m, *log)).fold(best, f64::max);
            for (members, log) in rough {
                let near = weight(&members, log) > best + REMOTE;
                let log = if near { score(&members, true) } else { Some(log) };
                sets.extend(log.map(|log| (members, log)));
            }
        };
        add(moving.iter().map(|(f, _, _)| vec![*f]).collect(), &mut sets);
        let mut ranked: Vec<(f64, FaultId)> =
            sets.iter().skip(1).map(|(members, log)| (weight(members, *log), members[0])).collect();
        ranked.sort_by(|a, b| b.0.total_cmp(&a.0).then(a.1.cmp(&b.1)));
        let paired: Vec<FaultId> = ranked.iter().take(PAIRED).map(|r| r.1).collect();
        let pairs = paired.iter().enumerate().flat_map(|(i, a)| paired[i + 1..].iter().map(move |b| (a, b)));
        // Two modes of one part or pin do not go together.
        let pairs = pairs.filter(|(a, b)| part_of(names[*a]) != part_of(names[*b]));
        let pairs: Vec<Vec<FaultId>> = pairs.map(|(a, b)| vec![*a.min(b), *a.max(b)]).collect();
        // Some at a time, so that what was worked out for the rough score is still there for the close one.
        pairs.chunks(AT_A_TIME).for_each(|some| add(some.to_vec(), &mut sets));
        let best = sets.iter().map(|(m, log)| weight(m, *log)).fold(f64::NEG_INFINITY, f64::max);
        let sets = sets
            .into_iter()
            .map(|(members, log)| {
                // A set that the readings rule out so far is not worth a propagation of its own.
                let hopeless = weight(&members, log) < best + HOPELESS;
                let log_likelihood = if hopeless { f64::NEG_INFINITY } else { log };
                ScoredSet { members, log_likelihood, causes: Vec::new() }
            })
            .collect();
        Some(SetScores { faults: moving.iter().map(|m| m.0).collect(), sets })
    }

    fn moves(&self, fault: &str, healthy: &Prediction, taken: &[CheckId]) -> bool {
        let Some(with) = self.outline(&[fault], taken) else { return false };
        taken.iter().any(|check| match (healthy.get(check), with.get(check)) {
            (Some(a), Some(b)) if a.mean.is_finite() && b.mean.is_finite() => {
                (a.mean - b.mean).abs() > MOVES * a.sd.min(b.sd).max(a.own_sd)
            }
            (Some(a), Some(b)) => a.mean.is_finite() != b.mean.is_finite(),
            _ => false,
        })
    }
}

/// How many of the best single faults are paired with each fault that moves no reading.
const WIDENED: usize = 8;

/// The same scores over all faults of the graph, for when the faults that no reading moves are too many to be summed over exactly:
/// each of those alone, and with each of the best others. Sets beyond are left out, which the belief says.
pub(super) fn widened(scores: &SetScores, priors: &[f64]) -> SetScores {
    let odds = |f: &FaultId| priors.get(f.0).map_or(f64::NEG_INFINITY, |p| (p / (1.0 - p)).ln());
    let none =
        scores.sets.iter().find(|s| s.members.is_empty()).map_or(f64::NEG_INFINITY, |s| s.log_likelihood);
    let mut best: Vec<(f64, FaultId, f64)> = scores
        .sets
        .iter()
        .filter(|s| s.log_likelihood > f64::NEG_INFINITY)
        .filter_map(|s| match s.members.as_slice() {
            [f] => Some((s.log_likelihood + odds(f), *f, s.log_likelihood)),
            _ => None,
        })
        .collect();
    best.sort_by(|a, b| b.0.total_cmp(&a.0).then(a.1.cmp(&b.1)));
    best.truncate(WIDENED);
    let known: BTreeSet<FaultId> = scores.faults.iter().copied().collect();
    let mut sets = scores.sets.clone();
    for fault in (0..priors.len()).map(FaultId).filter(|f| !known.contains(f)) {
        sets.push(ScoredSet { members: vec![fault], log_likelihood: none, causes: Vec::new() });
        for (_, other, log_likelihood) in &best {
            let members = vec![fault.min(*other), fault.max(*other)];
            sets.push(ScoredSet { members, log_likelihood: *log_likelihood, causes: Vec::new() });
        }
    }
    SetScores { faults: (0..priors.len()).map(FaultId).collect(), sets }
}

/// The part, pin or pair of nets that a fault sits in: `R3` of `R3:open`.
pub fn part_of(fault: &str) -> &str {
    fault.split_once(':').map_or(fault, |(part, _)| part)
}

/// Chance of hearing none, faint, expected and loud at a level that is usually `usual`.
pub fn by_ear(now: &Predicted, usual: &Predicted) -> [f64; 4] {
    let spread = now.own_sd.hypot(EAR_SD);
    let below = |edge: f64| 1.0 / (1.0 + (-1.702 * (usual.mean + edge - now.mean) / spread).exp());
    let (none, faint, loud) = (below(NONE_DB), below(FAINT_DB), below(LOUD_DB));
    [none, (faint - none).max(0.0), (loud - faint).max(0.0), 1.0 - loud]
}
