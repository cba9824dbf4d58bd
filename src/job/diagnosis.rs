//! A job's diagnosis: suspects, reasons, the next step.

use super::build::word_of;
use super::card::JobCard;
use super::circuit::Circuit;
use super::learned::LearnedFigure;
use super::model::{FaultOrigin, Meaning, Model, RemedyRef, Retest, Understood};
use super::spots::GoodUnit;
use super::unit::unit_rules;
use crate::belief::{self, Belief, FaultId};
use crate::circuit::board::Board;
use crate::circuit::predict::CheckId as BoardCheck;
use crate::rules::places::{LIKELIEST_AT, lower_first};
use crate::rules::{self, Cause, Effect, Rules};
use crate::text::{Complaint, Complaints, or_nearest};
use serde::Serialize;
use std::cell::RefCell;
use std::collections::{BTreeMap, BTreeSet};
use std::rc::Rc;

/// A remedy on offer for a suspect.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct RemedyOffer {
    /// `try:` and the remedy's id: what is noted when it was tried.
    pub id: String,
    /// Faults it puts right.
    pub faults: Vec<String>,
    /// What to do.
    pub text: String,
    /// What it is for, in words: the likeliest of its faults. Said with a step alone.
    pub suspect: Option<String>,
    /// Minutes it takes.
    pub minutes: f64,
    /// Cost of parts, in the currency's main unit.
    pub money: f64,
    /// Cautions in words.
    pub cautions: Vec<String>,
}

/// A fault, or a group of several (what no check at hand parts, what one work puts right, or all that there can be at one spot), with
/// its probability now.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Suspect {
    /// Id of the (first) fault.
    pub id: String,
    /// All faults of the group, the likeliest first.
    pub faults: Vec<String>,
    /// The same with their words and their own probabilities.
    pub members: Vec<Member>,
    /// The spot, where the group is all that there can be at one spot and no one work stands out.
    pub spot: Option<String>,
    /// What would be wrong.
    pub says: String,
    /// Probability that it is there.
    pub probability: f64,
    /// Weight of all findings together, in decibels: posterior odds over prior odds.
    pub weight_db: f64,
    /// The part, where a board names one.
    pub part: Option<String>,
    /// The usual remedy.
    pub remedy: Option<RemedyOffer>,
}

impl Suspect {
    /// Words about the first fault, made true of the whole group.
    pub fn of_group(&self, words: String) -> String {
        match &self.spot {
            Some(spot) => format!("{words}, or something else at {spot}"),
            None => words,
        }
    }
}

/// Share of a spot's probability from which on one work there stands for all of it.
const STANDS_OUT: f64 = 0.85;

/// One fault of a group of suspects.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Member {
    /// Id of the fault.
    pub id: String,
    /// What would be wrong.
    pub says: String,
    /// Probability that it is there.
    pub probability: f64,
}

/// How well the findings fit what the rules know.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct SurpriseReport {
    /// Conflict of the findings, in bits: above zero they support each other less than chance would.
    pub conflict_bits: f64,
    /// The finding that sits worst with the others, if one does.
    pub worst: Option<WorstFinding>,
}

/// The finding to take again.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct WorstFinding {
    /// Its number on the card; 0 for a symptom of the complaint.
    pub number: usize,
    /// Check id.
    pub check: String,
    /// Answer.
    pub answer: String,
    /// Probability of it, given the others.
    pub probability: f64,
}

/// Everything under suspicion.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Suspects {
    /// Suspects, the likeliest first.
    pub suspects: Vec<Suspect>,
    /// Probability that nothing is wrong with the unit.
    pub none: f64,
    /// Probability that something is wrong that the rules don't know.
    pub unlisted: f64,
    /// Probability mass left out of the sum; 0 where it is exact.
    pub left_out: f64,
    /// Greatest standard error of the probabilities, where they were sampled; 0 otherwise.
    pub error: f64,
    /// How many of the first remedies tried were taken together, all of them being too many to sum over exactly: probabilities are then
    /// right to within a few decibels of odds only.
    pub taken_together: usize,
    /// How many of the earliest answers weigh nothing: with all of them the sum would be too large.
    pub set_aside: usize,
    /// How well the findings fit.
    pub surprise: SurpriseReport,
}

/// One finding's weight for a suspect.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Weighed {
    /// Number on the card; 0 for a symptom of the complaint.
    pub number: usize,
    /// Check id.
    pub check: String,
    /// The check's short name.
    pub says: String,
    /// Answer as written.
    pub answer: String,
    /// Weight for (positive) or against, in decibels, given all other findings.
    pub weight_db: f64,
    /// What the suspect would bring about on the way to this finding, link by link.
    pub because: Vec<String>,
    /// What a healthy board reads here, for a reading on a board.
    pub healthy: Option<String>,
    /// What it reads with the suspect in, for a reading on a board.
    pub with_it: Option<String>,
}

/// Why a suspect stands where it stands.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Why {
    /// Fault id.
    pub id: String,
    /// What would be wrong.
    pub says: String,
    /// Probability before any finding.
    pub prior: f64,
    /// Probability now.
    pub probability: f64,
    /// The others of its group in the list of suspects, and the probability that one of them all is there; nothing where it stands
    /// alone.
    pub group: Option<WhyGroup>,
    /// Weight of all findings together, in decibels.
    pub weight_db: f64,
    /// The findings, the heaviest first; of a card with more than 64 that count, the last 64 (8 where it has more than 1,000 in all,
    /// and fewer where the sums are dear).
    pub findings: Vec<Weighed>,
    /// Probability without the finding that speaks most for it.
    pub without_strongest: Option<f64>,
    /// Remedies, the usual one first.
    pub remedies: Vec<RemedyOffer>,
    /// Where the rule comes from.
    pub source: String,
    /// The figures behind all this that were learned from resolved jobs: its prior and build factor, and the strengths and
    /// leaks that the findings rest on which weigh at least 0.05 dB.
    pub learned: Vec<LearnedFigure>,
}

/// The group of a suspect: what no check at hand parts, what one work puts right, or all that there can be at one spot.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct WhyGroup {
    /// The others, by fault id, the likeliest first.
    pub others: Vec<String>,
    /// Probability that one of the group is there.
    pub probability: f64,
}

/// A finding that weighs less, in decibels, shows as 0.0 and rests on nothing worth naming.
const TELLING: f64 = 0.05;

/// Suspects less probable than this stand alone in the list, whoever reads like them.
const WORTH_GROUPING: f64 = 0.005;

/// Bounds on the probability of a group closer together than this are not worth an exact sum.
const WORTH_SUMMING: f64 = 0.002;

/// Decibels of odds, at most 60 either way: beyond a million to one the model itself is in doubt.
fn odds_db(p: f64) -> f64 {
    let p = p.clamp(1e-6, 1.0 - 1e-6);
    10.0 * (p / (1.0 - p)).log10()
}

/// The short name of a check on the board. A net that is called like a part is told from it.
pub(crate) fn board_check_says(check: &BoardCheck, board: Option<&Board>) -> String {
    let is_part = board.is_some_and(|b| b.parts().iter().any(|p| p.id == check.place()));
    let place = match check {
        BoardCheck::Amps(supply) => supply.clone(),
        _ if is_part => format!("net {}", check.place()),
        _ => check.place().to_owned(),
    };
    rules::taking(check.word()).map_or_else(|| check.to_string(), |taking| taking.says(&place))
}

/// Refuses a unit that is out of scope.
fn in_scope(job: &JobCard) -> Result<(), Complaints> {
    let Some(refusal) = job.card.refusal() else { return Ok(()) };
    let message = format!("this unit is out of scope: {}", refusal.says());
    let place = job.place_of(&refusal);
    Err(Complaint { code: "declined", message, place, help: refusal.help() }.into())
}

/// A job with all that follows from it.
#[derive(Debug)]
pub struct Diagnosis<'r> {
    /// The rules.
    pub rules: &'r Rules,
    /// The card.
    pub job: JobCard,
    /// The board's circuit, where the job has a board.
    pub circuit: Option<Rc<Circuit<'r>>>,
    /// The graph and what is believed.
    pub model: Model,
    /// What is believed without one finding, by its node, as far as it was asked for.
    left_out: RefCell<BTreeMap<belief::CheckId, Rc<Belief>>>,
}

/// Findings that are weighed each against all others: of a card with more, the last so many. Each costs sums of its own.
const MOST_WEIGHED: usize = 64;
/// Table entries that the sums of one kind may visit in all: about a second's work. Where one of them is dear, fewer findings are
/// weighed, though never less than [`LEAST_WEIGHED`].
const WORK: f64 = (1u32 << 23) as f64;
const LEAST_WEIGHED: usize = 2;
/// The same of a card with more findings than [`LONG`], where each sum takes long.
const MOST_WEIGHED_OF_LONG: usize = 8;
const LONG: usize = 1_000;

impl<'r> Diagnosis<'r> {
    /// Weighs a job.
    ///
    /// ```
    /// use halfsplit::{job::{Diagnosis, JobCard}, rules::Rules, text::Source};
    /// let rules = Rules::builtin()?;
    /// let card = "unit: Tin Lantern\nhistory: fresh-build\ncomplaint: {symptoms: [silent]}\n";
    /// let job = JobCard::read(&Source::new("job.yaml", card))?;
    /// let diagnosis = Diagnosis::of(rules, job)?;
    /// assert!(diagnosis.suspects()?.suspects[0].probability > 0.0);
    /// # Ok::<(), halfsplit::text::Complaints>(())
    /// ```
    ///
    /// # Errors
    /// Whatever on the card the rules don't know, each with its place; a unit that is out of scope.
    pub fn of(rules: &'r Rules, job: JobCard) -> Result<Self, Complaints> {
        Self::on(rules, job, None)
    }

    /// Weighs a job on a board: readings of the board join what the rules know.
    ///
    /// # Errors
    /// As [`Diagnosis::of`]; a board that has no operating point.
    pub fn on_board(rules: &'r Rules, job: JobCard, board: &'r Board) -> Result<Self, Complaints> {
        Self::on(rules, job, Some(board))
    }

    /// Weighs a job, on a board where there is one.
    ///
    /// # Errors
    /// As [`Diagnosis::on_board`].
    pub fn on(rules: &'r Rules, job: JobCard, board: Option<&'r Board>) -> Result<Self, Complaints> {
        in_scope(&job)?;
        let circuit = board.map(Circuit::new).transpose()?.map(Rc::new);
        Self::sharing(rules, job, circuit)
    }

    /// Weighs a job on a board that is set up already. What the circuit has worked out for one job serves the next:
    /// the way to weigh many jobs on one board, or one job after each of its findings.
    ///
    /// # Errors
    /// As [`Diagnosis::of`].
    pub fn sharing(
        rules: &'r Rules,
        job: JobCard,
        circuit: Option<Rc<Circuit<'r>>>,
    ) -> Result<Self, Complaints> {
        in_scope(&job)?;
        let (rules, _) = unit_rules(rules, &job)?;
        if let Some(circuit) = &circuit {
            let mut complaints = Complaints::default();
            let good = GoodUnit::of(rules, &job, &mut complaints).on_board(circuit);
            complaints.or_ok(())?;
            circuit.set_good(&good)?;
        }
        let model = Model::of(rules, &job, circuit.as_deref())?;
        Ok(Self { rules, job, circuit, model, left_out: RefCell::default() })
    }

    /// A remedy in bench words.
    pub fn offer(&self, remedy: &RemedyRef) -> RemedyOffer {
        match remedy {
            RemedyRef::Rule(id) => {
                let remedy = self.rules.remedy(*id);
                RemedyOffer {
                    id: format!("try:{}", remedy.id),
                    faults: remedy.fixes.iter().map(|f| self.rules.fault(*f).id.clone()).collect(),
                    text: remedy.says.clone(),
                    suspect: None,
                    minutes: remedy.minutes.get(),
                    money: f64::from(remedy.money.hundredths()) / 100.0,
                    cautions: remedy.cautions.iter().map(|c| self.rules.caution(*c).says.clone()).collect(),
                }
            }
            RemedyRef::Board(fault) => {
                let fix = self.circuit.as_ref().and_then(|c| c.board().fault(fault)).map(|f| &f.fix);
                let cured =
                    self.model.faults.iter().filter(|f| f.remedies.contains(remedy)).map(|f| f.id.clone());
                RemedyOffer {
                    id: format!("try:{fault}"),
                    faults: cured.collect(),
                    text: fix.map(|f| f.says.clone()).unwrap_or_default(),
                    suspect: None,
                    minutes: fix.map_or(0.0, |f| f.minutes.0),
                    money: fix.map_or(0.0, |f| f.money.0 as f64 / 100.0),
                    cautions: self.caution_words(&["hot-iron"]),
                }
            }
        }
    }

    /// A remedy as a step: with the suspect that it is for.
    pub(super) fn offer_for(&self, remedy: &RemedyRef) -> RemedyOffer {
        let mut offer = self.offer(remedy);
        let of = offer.faults.iter().filter_map(|id| self.model.fault(id));
        let mut likely: Vec<FaultId> = of.collect();
        likely.sort_by(|a, b| self.probability(*b).total_cmp(&self.probability(*a)).then(a.cmp(b)));
        offer.suspect = likely.first().map(|first| {
            let says = self.model.faults[first.0].says.clone();
            // Others that it would put right, if they count.
            let others = likely[1..].iter().filter(|f| self.probability(**f) > 0.02).count();
            match others {
                0 => says,
                1 => format!("{says}; and one more that it puts right"),
                n => format!("{says}; and {n} more that it puts right"),
            }
        });
        offer
    }

    /// The board, where the job has one.
    pub(super) fn board(&self) -> Option<&Board> {
        self.circuit.as_ref().map(|c| c.board())
    }

    /// The wording of cautions, for those that the rules have.
    pub(super) fn caution_words(&self, ids: &[&str]) -> Vec<String> {
        ids.iter()
            .filter_map(|id| self.rules.find_caution(id).ok())
            .map(|c| self.rules.caution(c).says.clone())
            .collect()
    }

    /// Whether the last remedy tried cured the unit.
    pub fn cured(&self) -> bool {
        matches!(self.model.last_retest(), Some((_, Retest::Cured)))
    }

    /// Probability that counts for a suspect: that the fault is there now; once the unit is cured, that it
    /// was there.
    pub fn probability(&self, fault: FaultId) -> f64 {
        if self.cured() { self.model.belief.fault(fault).unwrap_or(0.0) } else { self.model.there_now(fault) }
    }

    /// Everything under suspicion.
    ///
    /// # Errors
    /// When the engine can't finish within its limits.
    pub fn suspects(&self) -> Result<Suspects, Complaints> {
        Ok(Suspects {
            suspects: self.ranked(),
            none: self.model.belief.posterior().none,
            unlisted: self.probability(self.model.unlisted()),
            left_out: self.model.belief.posterior().left_out,
            error: self.model.belief.posterior().error,
            taken_together: self.model.folded,
            set_aside: self.model.set_aside,
            surprise: self.surprise()?,
        })
    }

    /// The suspects alone, the likeliest first: what [`Diagnosis::suspects`] has without the weighing of the findings against each
    /// other, which takes longer than all the rest.
    pub fn ranked(&self) -> Vec<Suspect> {
        let unlisted = self.model.unlisted();
        let mut list: Vec<(FaultId, f64)> = (0..self.model.faults.len())
            .map(FaultId)
            .filter(|f| *f != unlisted)
            .map(|f| (f, self.probability(f)))
            .collect();
        list.sort_by(|a, b| b.1.total_cmp(&a.1).then_with(|| self.name(a.0).cmp(self.name(b.0))));
        self.grouped(&list)
    }

    /// The leading suspect with the faults that no check at hand can tell from it, and the probability that one of them is there.
    /// `None` where something unlisted or nothing at all leads.
    pub fn leader(&self) -> Option<(Vec<String>, f64)> {
        let unlisted = self.model.unlisted();
        if self.rules.is_of_unit() {
            let group = self.ranked().into_iter().next()?;
            let leads = group.probability > self.probability(unlisted);
            return leads.then_some((group.faults, group.probability));
        }
        let mut list: Vec<(FaultId, f64)> =
            (0..self.model.faults.len()).map(FaultId).map(|f| (f, self.probability(f))).collect();
        list.sort_by(|a, b| b.1.total_cmp(&a.1).then_with(|| self.name(a.0).cmp(self.name(b.0))));
        let (first, leading) = *list.first().filter(|(f, _)| *f != unlisted)?;
        let open = self.open_by_power();
        let mates =
            list.iter().skip(1).filter(|(f, p)| *p > 1e-4 * leading && self.inseparable(first, *f, &open));
        let group: Vec<FaultId> = [first].into_iter().chain(mates.map(|(f, _)| *f)).collect();
        Some((group.iter().map(|f| self.name(*f).to_owned()).collect(), self.any_of(&group)))
    }

    /// Probability that one of several faults is there now; once the unit is cured, that it was there.
    pub(crate) fn any_of(&self, faults: &[FaultId]) -> f64 {
        let single: Vec<f64> = faults.iter().map(|f| self.probability(*f)).collect();
        // The true value lies between these: as if independent, and as if never together.
        let apart = 1.0 - single.iter().map(|p| 1.0 - p).product::<f64>();
        let added: f64 = single.iter().sum();
        if added - apart < WORTH_SUMMING {
            return apart;
        }
        let cause = |f: &FaultId| if self.cured() { (*f).into() } else { self.model.present[f.0] };
        let causes: Vec<belief::Cause> = faults.iter().map(cause).collect();
        // Where that is too costly the lower bound stands.
        self.model.belief.any_of(&causes).unwrap_or(apart)
    }

    fn name(&self, fault: FaultId) -> &str {
        &self.model.faults[fault.0].id
    }

    /// One suspect a group of the unit's outline: the faults of one part that one work puts right, one slip wherever it may be, or
    /// all that there can be at one spot.
    fn by_group(&self, list: &[(FaultId, f64)]) -> Vec<Suspect> {
        let groups = self.by_work_or_spot(list);
        let mut out: Vec<Suspect> = groups
            .into_iter()
            .map(|of| {
                let entry = &self.model.faults[of[0].0.0];
                let ids: Vec<FaultId> = of.iter().map(|f| f.0).collect();
                let prior = 1.0 - ids.iter().map(|f| 1.0 - self.model.faults[f.0].prior).product::<f64>();
                let probability = self.any_of(&ids);
                let works: BTreeSet<String> = ids.iter().map(|f| self.work(*f)).collect();
                let of_first = of.iter().filter(|f| self.work(f.0) == self.work(of[0].0));
                let stands_out =
                    of_first.map(|f| f.1).sum::<f64>() >= STANDS_OUT * of.iter().map(|f| f.1).sum::<f64>();
                let mut suspect = Suspect {
                    faults: ids.iter().map(|f| self.name(*f).to_owned()).collect(),
                    members: self.members(&of),
                    spot: if stands_out { None } else { entry.spot().map(str::to_owned) },
                    probability,
                    weight_db: odds_db(probability) - odds_db(prior),
                    ..self.suspect(of[0].0, of[0].1)
                };
                suspect.says = match works.len() {
                    1 if ids.len() > 1 => entry.says.replacen(LIKELIEST_AT, ", likeliest at ", 1),
                    _ if suspect.spot.is_some() => something_at(&entry.says),
                    _ => entry.says.clone(),
                };
                suspect
            })
            .collect();
        out.sort_by(|a, b| b.probability.total_cmp(&a.probability).then_with(|| a.id.cmp(&b.id)));
        out
    }

    /// A fault as a suspect of its own.
    fn suspect(&self, fault: FaultId, probability: f64) -> Suspect {
        let entry = &self.model.faults[fault.0];
        Suspect {
            id: entry.id.clone(),
            faults: vec![entry.id.clone()],
            members: self.members(&[(fault, probability)]),
            spot: None,
            says: entry.says.clone(),
            probability,
            weight_db: odds_db(probability) - odds_db(entry.prior),
            part: entry.part.clone(),
            remedy: entry.remedies.first().map(|r| self.offer(r)),
        }
    }

    fn members(&self, of: &[(FaultId, f64)]) -> Vec<Member> {
        let member = |(f, probability): &(FaultId, f64)| {
            let entry = &self.model.faults[f.0];
            Member { id: entry.id.clone(), says: entry.says.clone(), probability: *probability }
        };
        of.iter().map(member).collect()
    }

    /// The faults in groups, the weightiest first: all that one work puts right, or all that there can be at one spot, whichever
    /// takes more of what is left.
    fn by_work_or_spot(&self, list: &[(FaultId, f64)]) -> Vec<Vec<(FaultId, f64)>> {
        let mut numbers: BTreeMap<String, usize> = BTreeMap::new();
        let mut number = |key: String| {
            let next = numbers.len();
            *numbers.entry(key).or_insert(next)
        };
        let mut left: Vec<(FaultId, f64, usize, Option<usize>)> = Vec::new();
        for (fault, p) in list {
            let spot = self.model.faults[fault.0].spot().map(|spot| number(format!("@{spot}")));
            left.push((*fault, *p, number(self.work(*fault)), spot));
        }
        let mut out = Vec::new();
        while !left.is_empty() {
            let mut sums = vec![0.0; numbers.len()];
            for (_, p, work, spot) in &left {
                for key in [Some(*work), *spot].into_iter().flatten() {
                    sums[key] += p;
                }
            }
            // Of two alike, the work: fewer words.
            let first = (left[0].2, sums[left[0].2]);
            let best =
                (0..sums.len()).fold(first, |best, k| if sums[k] > best.1 { (k, sums[k]) } else { best }).0;
            let (of, rest): (Vec<_>, Vec<_>) =
                left.into_iter().partition(|f| f.2 == best || f.3 == Some(best));
            out.push(of.into_iter().map(|f| (f.0, f.1)).collect());
            left = rest;
        }
        out
    }

    /// The group of faults that one work puts right; the fault itself, where there is none.
    fn work(&self, fault: FaultId) -> String {
        let group = match &self.model.faults[fault.0].origin {
            FaultOrigin::Rule(id) => self.rules.fault(*id).group.clone(),
            _ => None,
        };
        group.unwrap_or_else(|| self.name(fault).to_owned())
    }

    /// One suspect a fault; faults that no open check can part and one remedy cures stand together.
    fn grouped(&self, list: &[(FaultId, f64)]) -> Vec<Suspect> {
        if self.rules.is_of_unit() {
            return self.by_group(list);
        }
        let mut out: Vec<(Suspect, Vec<FaultId>)> = Vec::new();
        let open = self.open_by_power();
        for (fault, probability) in list {
            let worth = *probability > WORTH_GROUPING;
            let mate =
                out.iter_mut().take(12).find(|(_, of)| worth && self.inseparable(of[0], *fault, &open));
            match mate {
                Some((suspect, of)) => {
                    suspect.faults.push(self.name(*fault).to_owned());
                    suspect.members.extend(self.members(&[(*fault, *probability)]));
                    of.push(*fault);
                }
                None => out.push((self.suspect(*fault, *probability), vec![*fault])),
            }
        }
        let whole = |(suspect, of): (Suspect, Vec<FaultId>)| match of.len() {
            1 => suspect,
            _ => Suspect { probability: self.any_of(&of), ..suspect },
        };
        let mut out: Vec<Suspect> = out.into_iter().map(whole).collect();
        out.sort_by(|a, b| b.probability.total_cmp(&a.probability).then_with(|| a.id.cmp(&b.id)));
        out
    }

    /// Whether two faults act alike on every check that is still open and can be done with the tools at hand.
    fn inseparable(&self, a: FaultId, b: FaultId, open: &[Vec<BoardCheck>; 2]) -> bool {
        let (a, b) = match (&self.model.faults[a.0].origin, &self.model.faults[b.0].origin) {
            (FaultOrigin::Rule(a), FaultOrigin::Rule(b)) => (a, b),
            (FaultOrigin::Board(_), FaultOrigin::Board(_)) => return self.alike_on_board(a, b, open),
            _ => return false,
        };
        let effects = |f: &rules::FaultId| -> Vec<(Effect, rules::Strength)> {
            let mut links: Vec<_> = self
                .rules
                .links_from(Cause::Fault(*f))
                .filter(|(_, l)| match l.to {
                    Effect::Condition(c) => self.model.conditions.contains_key(&c),
                    Effect::Check(c) => self.is_open(c),
                })
                .map(|(_, l)| (l.to, l.strength.clone()))
                .collect();
            links.sort_by_key(|(to, _)| *to);
            links
        };
        let (a, b) = (effects(a), effects(b));
        a.len() == b.len()
            && a.iter()
                .zip(&b)
                .all(|((to_a, s_a), (to_b, s_b))| to_a == to_b && (s_a.total() - s_b.total()).abs() < 0.1)
    }

    /// The board's open checks, those under power first. Ohms are dear to solve: they are looked at only where nothing else
    /// parts two faults.
    fn open_by_power(&self) -> [Vec<BoardCheck>; 2] {
        let (on, off) = self.open_board_checks().into_iter().partition(BoardCheck::powered);
        [on, off]
    }

    /// Whether two faults of the board read alike wherever a reading can be taken.
    fn alike_on_board(&self, a: FaultId, b: FaultId, open: &[Vec<BoardCheck>; 2]) -> bool {
        let Some(circuit) = &self.circuit else { return false };
        open.iter().all(|checks| {
            let of = |f: FaultId| circuit.outline(&[&self.model.faults[f.0].id], checks);
            let (Some(a), Some(b)) = (of(a), of(b)) else { return false };
            checks.iter().all(|check| match (a.get(check), b.get(check)) {
                (Some(x), Some(y)) if x.mean.is_finite() && y.mean.is_finite() => {
                    (x.mean - y.mean).abs() < 1.5 * x.own_sd.max(y.own_sd)
                }
                (Some(x), Some(y)) => x.mean.is_finite() == y.mean.is_finite(),
                _ => true,
            })
        })
    }

    /// Whether a check can still be done: in play, not answered, not left out, tools at hand.
    pub fn is_open(&self, check: rules::CheckId) -> bool {
        let entry = self.rules.check(check);
        let tools = self.job.card.tools();
        self.model.now.contains_key(&check)
            && entry.tools.iter().all(|t| tools.contains(t))
            && !self.is_taken(check)
    }

    /// Whether a check has been answered (or could not be told) on the unit as it now is, or is left out of this job.
    pub fn is_taken(&self, check: rules::CheckId) -> bool {
        let since = self.model.since();
        let answered = self.model.findings.iter().any(|f| match &f.meaning {
            Meaning::Answer { check: c, .. } => *c == check && f.epoch >= since,
            Meaning::Unsure { check: c } => *c == Some(check),
            Meaning::Tried { .. } | Meaning::Circuit { .. } | Meaning::Kept | Meaning::Wiring { .. } => false,
        });
        answered || self.is_left_out(&self.rules.check(check).id)
    }

    /// Whether the card leaves a step out of this job, by check id or `try:REMEDY`; `unsure` of a remedy leaves it out too.
    pub fn is_left_out(&self, id: &str) -> bool {
        let unsure = |f: &super::model::Understood| {
            matches!(f.meaning, Meaning::Unsure { check: None }) && f.check == id
        };
        self.job.card.skip.iter().any(|s| s.value == id) || self.model.findings.iter().any(unsure)
    }

    /// The same for a reading on the board, whichever of its net's pins it was called by.
    pub(super) fn is_left_out_on_board(&self, check: &BoardCheck) -> bool {
        let id = check.to_string();
        let same = |text: &str| {
            text == id
                || (text.contains('.')
                    && self.circuit.as_ref().is_some_and(|c| c.check(text).is_ok_and(|c| c == *check)))
        };
        let unsure = |f: &Understood| matches!(f.meaning, Meaning::Unsure { .. }) && same(&f.check);
        self.job.card.skip.iter().any(|s| same(&s.value)) || self.model.findings.iter().any(unsure)
    }

    /// The belief without one finding; `None` for a finding that says nothing.
    fn without(&self, found: &Understood) -> Option<Rc<Belief>> {
        if let Some(node) = found.node {
            return self.without_node(node).ok();
        }
        let (circuit, Meaning::Circuit { check, .. }) = (self.circuit.as_ref()?, &found.meaning) else {
            return None;
        };
        let mut readings = self.model.readings.clone();
        let epoch = readings.get_mut(found.epoch)?;
        let before = epoch.findings.len();
        epoch.findings.retain(|(number, c, _)| *number != found.number || c != check);
        if epoch.findings.len() == before {
            return None; // a later reading has replaced it
        }
        let on_board: Vec<(FaultId, &str, f64)> = self
            .model
            .faults
            .iter()
            .enumerate()
            .filter(|(_, f)| matches!(f.origin, FaultOrigin::Board(_)))
            .map(|(i, f)| (FaultId(i), f.id.as_str(), f.prior))
            .collect();
        self.model.rescored(circuit.scores(&on_board, &readings)).map(Rc::new)
    }

    fn without_node(&self, node: belief::CheckId) -> Result<Rc<Belief>, belief::BeliefError> {
        if let Some(known) = self.left_out.borrow().get(&node) {
            return Ok(known.clone());
        }
        let found = Rc::new(self.model.belief.without(node)?);
        self.left_out.borrow_mut().insert(node, found.clone());
        Ok(found)
    }

    /// How many sums of this size are worth their time: at most and at least so many.
    pub(crate) fn sums_worth(&self, most: usize, least: usize) -> usize {
        most.min((WORK / self.model.belief.cost()) as usize).max(least)
    }

    /// The findings that are weighed: those that count, of very many the last, and the fewer the more each costs.
    fn weighed_findings(&self) -> &[Understood] {
        let findings = &self.model.findings;
        let counting = |f: &Understood| f.node.is_some() || matches!(f.meaning, Meaning::Circuit { .. });
        let most = if findings.len() > LONG { MOST_WEIGHED_OF_LONG } else { MOST_WEIGHED };
        let mut left = self.sums_worth(most, LEAST_WEIGHED);
        let from = findings.iter().rposition(|f| {
            left -= usize::from(counting(f));
            left == 0
        });
        &findings[from.unwrap_or(0)..]
    }

    fn surprise(&self) -> Result<SurpriseReport, Complaints> {
        let nodes: Vec<belief::CheckId> = self.weighed_findings().iter().filter_map(|f| f.node).collect();
        let surprise = self
            .model
            .belief
            .surprise_of(&nodes, |node| self.without_node(node))
            .map_err(|e| Complaint::nowhere("engine", format!("the findings can't be weighed: {e}")))?;
        let worst = surprise.worst.and_then(|node| {
            let misfit = surprise.findings.iter().find(|m| m.check == node)?;
            let found = self.model.findings.iter().find(|f| f.node == Some(node))?;
            (misfit.tail < 0.1 && surprise.findings.len() > 1).then(|| WorstFinding {
                number: found.number,
                check: found.check.clone(),
                answer: found.answer.clone(),
                probability: misfit.probability,
            })
        });
        Ok(SurpriseReport { conflict_bits: surprise.conflict_bits, worst })
    }

    /// Why a suspect stands where it stands.
    ///
    /// # Errors
    /// When no fault in play has that id; names the nearest.
    pub fn why(&self, id: &str) -> Result<Why, Complaints> {
        let Some(fault) = self.model.fault(id) else {
            let names = self.model.faults.iter().map(|f| f.id.as_str());
            let complaint = match self.rules.find_fault(id) {
                Ok(_) => Complaint::nowhere("not-in-play", format!("'{id}' is not in play on this job"))
                    .help("its block is not among the card's blocks, or it can't occur in a unit of this history"),
                Err(_) => Complaint::nowhere("unknown-name", format!("unknown fault '{id}'")).help(or_nearest(id, names)),
            };
            return Err(complaint.into());
        };
        let with = odds_db(self.model.belief.fault(fault).unwrap_or(0.0));
        let mut findings: Vec<(Weighed, f64)> = Vec::new();
        let mut telling = Vec::new();
        for found in self.weighed_findings() {
            if let Some(p) = self.without(found).and_then(|b| b.fault(fault)) {
                let weight = with - odds_db(p);
                if let (Meaning::Answer { check, .. }, true) = (&found.meaning, weight.abs() >= TELLING) {
                    telling.push(*check);
                }
                findings.push((self.weighed(fault, found, weight), p));
            }
        }
        findings.sort_by(|a, b| {
            b.0.weight_db.abs().total_cmp(&a.0.weight_db.abs()).then(a.0.number.cmp(&b.0.number))
        });
        let without_strongest = findings
            .iter()
            .filter(|f| f.0.weight_db > 0.0)
            .max_by(|a, b| a.0.weight_db.total_cmp(&b.0.weight_db))
            .map(|f| f.1);
        let entry = &self.model.faults[fault.0];
        let probability = self.probability(fault);
        Ok(Why {
            id: entry.id.clone(),
            says: entry.says.clone(),
            prior: entry.prior,
            probability,
            group: self.group_of(id),
            weight_db: odds_db(probability) - odds_db(entry.prior),
            findings: findings.into_iter().map(|(w, _)| w).collect(),
            without_strongest,
            remedies: entry.remedies.iter().map(|r| self.offer(r)).collect(),
            source: match &entry.origin {
                FaultOrigin::Rule(id) => self.rules.fault(*id).source.clone(),
                FaultOrigin::Board(_) => {
                    "the board file, the part kinds' failure shares and the solver".into()
                }
                FaultOrigin::Unlisted => String::new(),
            },
            learned: self.learned(&entry.origin, &telling),
        })
    }

    /// The group that a suspect stands in on the list.
    fn group_of(&self, id: &str) -> Option<WhyGroup> {
        let suspect = self.ranked().into_iter().find(|s| s.faults.iter().any(|f| f == id))?;
        let others: Vec<String> = suspect.faults.into_iter().filter(|f| f != id).collect();
        (!others.is_empty()).then_some(WhyGroup { others, probability: suspect.probability })
    }

    fn weighed(&self, fault: FaultId, found: &Understood, weight_db: f64) -> Weighed {
        let says = match &found.meaning {
            Meaning::Answer { check, .. } | Meaning::Unsure { check: Some(check) } => {
                self.rules.check(*check).says.clone()
            }
            Meaning::Tried { remedy, .. } => self.offer(remedy).text,
            Meaning::Circuit { check, .. } => board_check_says(check, self.board()),
            Meaning::Wiring { net, .. } => format!("The wiring of {net}"),
            Meaning::Unsure { check: None } | Meaning::Kept => found.check.clone(),
        };
        let entry = &self.model.faults[fault.0];
        let because = match (&entry.origin, &found.meaning) {
            (FaultOrigin::Rule(id), Meaning::Answer { check, .. }) => self.path(*id, *check),
            (FaultOrigin::Board(_), Meaning::Answer { check, .. }) if self.model.told.contains(check) => {
                Vec::new()
            }
            (FaultOrigin::Board(ids), Meaning::Answer { check, .. }) => {
                ids.iter().map(|id| self.path(*id, *check)).find(|p| !p.is_empty()).unwrap_or_default()
            }
            _ => Vec::new(),
        };
        let mut because: Vec<String> = because.into_iter().map(|l| self.rules.link(l).why.clone()).collect();
        if let (Some(circuit), FaultOrigin::Board(_), Meaning::Answer { check, .. }) =
            (&self.circuit, &entry.origin, &found.meaning)
            && let Some(word) = word_of(self.rules.check(*check)).filter(|_| self.model.told.contains(check))
        {
            because.extend(circuit.because(&entry.id, word));
        }
        let (mut healthy, mut with_it) = (None, None);
        if let (Some(circuit), Meaning::Circuit { check, .. }) = (&self.circuit, &found.meaning) {
            healthy = circuit.expected(check).map(|line| line.band);
            if matches!(entry.origin, FaultOrigin::Board(_)) {
                with_it = circuit.with_fault(&entry.id, check);
            }
        }
        Weighed {
            number: found.number,
            check: found.check.clone(),
            says,
            answer: found.answer.clone(),
            weight_db,
            because,
            healthy,
            with_it,
        }
    }

    /// The strongest chain of links from a fault to a check; empty where there is none.
    fn path(&self, fault: rules::FaultId, check: rules::CheckId) -> Vec<rules::LinkId> {
        type Best = std::collections::BTreeMap<rules::ConditionId, (f64, Vec<rules::LinkId>)>;
        let mut best = Best::new();
        let mut answer: (f64, Vec<rules::LinkId>) = (0.0, Vec::new());
        let mut relax = |from: Cause, strength: f64, trail: &[rules::LinkId], best: &mut Best| {
            for (id, link) in self.rules.links_from(from) {
                let total = strength * link.strength.total();
                let mut longer = trail.to_vec();
                longer.push(id);
                match link.to {
                    Effect::Condition(c) => {
                        if best.get(&c).is_none_or(|k| k.0 < total) {
                            best.insert(c, (total, longer));
                        }
                    }
                    Effect::Check(c) if c == check && total > answer.0 => answer = (total, longer),
                    Effect::Check(_) => {}
                }
            }
        };
        relax(Cause::Fault(fault), 1.0, &[], &mut best);
        for condition in self.rules.condition_order() {
            if let Some((strength, trail)) = best.get(condition).cloned() {
                relax(Cause::Condition(*condition), strength, &trail, &mut best);
            }
        }
        answer.1
    }
}

/// The words of the first fault of a spot, where the others there weigh too.
fn something_at(says: &str) -> String {
    match says.rsplit_once(LIKELIEST_AT) {
        Some((slip, at)) => format!("At {at}: {}, or something else there", lower_first(slip)),
        None => format!("{says}, or something else there"),
    }
}
