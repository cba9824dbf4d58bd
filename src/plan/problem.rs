//! The abstract problem: weighted fault sets, checks, remedies and the way out.
//!
//! A [`Draft`] is what the caller fills in; a [`Problem`] is a draft found consistent, and the only thing a strategy
//! sees. A problem is a snapshot: after each step the caller makes a new one, or lets [`Problem::after_check`] and
//! [`Problem::after_remedy`] do so by Bayes' rule.

use super::price::{Lump, Price, SetupSet, State, Switching, Tariff};
use thiserror::Error;

macro_rules! index {
    ($($(#[$doc:meta])* $name:ident;)*) => {$(
        $(#[$doc])*
        #[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
        pub struct $name(pub usize);
    )*};
}

index! {
    /// Place of a fault in [`Draft::faults`].
    FaultIx;
    /// Place of a hypothesis in [`Draft::hypotheses`].
    HypothesisIx;
    /// Place of a check in [`Draft::checks`].
    CheckIx;
    /// Place of a remedy in [`Draft::remedies`].
    RemedyIx;
    /// Place of a set-up in [`Draft::setups`].
    SetupIx;
    /// A tool, numbered by the caller; the planner only hands it back.
    ToolIx;
}

/// One thing that can be wrong.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Fault {
    /// Something the rules don't know: no remedy, and only the way out gets rid of it.
    pub unlisted: bool,
    /// Which stage of the signal path it sits in, counted from the input; for [`HalfSplit`](super::HalfSplit) alone.
    pub stage: Option<u32>,
    /// Which part or place it sits in, numbered by the caller: faults of one site are mended in one go.
    pub site: Option<u32>,
}

/// A set of faults that may be what is wrong, with its weight.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Hypothesis {
    /// The faults present, in rising order without repeats; none at all means nothing is wrong.
    pub faults: Vec<FaultIx>,
    /// Its probability now, 0 to 1.
    pub weight: f64,
}

impl Hypothesis {
    /// The set of these faults with this weight.
    pub fn of(faults: &[usize], weight: f64) -> Hypothesis {
        Hypothesis { faults: faults.iter().map(|&f| FaultIx(f)).collect(), weight }
    }
}

/// What kind of check it is; earlier kinds go first when nothing else decides.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Default)]
pub enum Kind {
    /// A question to the owner or builder.
    #[default]
    Ask,
    /// Looking.
    Look,
    /// Listening.
    Listen,
    /// A reading.
    Measure,
    /// Changing something to see what happens.
    Try,
}

/// Whether a step may be proposed, and if not, why not.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Standing {
    /// It may be proposed.
    #[default]
    Open,
    /// A tool is missing.
    NeedsTool(ToolIx),
    /// It has been answered or tried, or the user could not tell; not asked again.
    Taken,
    /// The unit, its state or the rules of safety rule it out.
    RuledOut,
}

/// Anything that yields a finding.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Check {
    /// What it costs and needs.
    pub price: Price,
    /// What kind of check it is.
    pub kind: Kind,
    /// A power-off check that makes power safe: while one of these is open (or wants a tool), no powered step is
    /// proposed.
    pub gate: bool,
    /// Whether it may be proposed.
    pub standing: Standing,
    /// How many outcomes it has, at least 1.
    pub outcomes: usize,
    /// `likelihood[h * outcomes + k]` = P(outcome `k` | hypothesis `h`); each hypothesis' row sums to 1. Given the
    /// hypothesis, the outcomes of different checks are independent.
    pub likelihood: Vec<f64>,
    /// Where along the signal path a level is listened to: the number of stages before that point.
    pub position: Option<u32>,
    /// Which stage's parts it looks at.
    pub stage: Option<u32>,
}

impl Check {
    /// A check that never errs: `outcome[h]` is what it shows under hypothesis `h`.
    pub fn perfect(price: Price, outcome: &[usize]) -> Check {
        let outcomes = outcome.iter().max().map_or(1, |most| most + 1);
        let mut likelihood = vec![0.0; outcome.len() * outcomes];
        for (h, &k) in outcome.iter().enumerate() {
            if let Some(cell) = likelihood.get_mut(h * outcomes + k) {
                *cell = 1.0;
            }
        }
        Check { price, outcomes, likelihood, ..Check::default() }
    }

    /// A yes-or-no check: `yes[h]` = P(yes | hypothesis `h`); outcome 0 is no, outcome 1 is yes.
    pub fn yes_or_no(price: Price, yes: &[f64]) -> Check {
        let likelihood = yes.iter().flat_map(|&p| [1.0 - p, p]).collect();
        Check { price, outcomes: 2, likelihood, ..Check::default() }
    }

    /// P(outcome | hypothesis); 0 for an index out of range.
    pub fn chance(&self, hypothesis: HypothesisIx, outcome: usize) -> f64 {
        if outcome >= self.outcomes {
            return 0.0;
        }
        self.likelihood.get(hypothesis.0 * self.outcomes + outcome).copied().unwrap_or(0.0)
    }
}

/// What puts faults right. After it comes a free retest of the whole unit.
#[derive(Debug, Clone, PartialEq)]
pub struct Remedy {
    /// What trying it costs and needs, paid whether it helps or not.
    pub price: Price,
    /// What is paid besides when it has cured the unit (the trial part soldered in for good, say).
    pub finish: Lump,
    /// The faults it puts right, in rising order.
    pub faults: Vec<FaultIx>,
    /// Probability that it puts them right when tried, 0 to 1; all of them or none.
    pub success: f64,
    /// Probability that the retest shows a change when some of the unit's faults were put right but not all, 0 to 1.
    pub partial_shows: f64,
    /// Whether it is done without an iron, so that it may be tried to see what happens.
    pub by_hand: bool,
    /// Whether it may be proposed.
    pub standing: Standing,
}

impl Default for Remedy {
    fn default() -> Remedy {
        Remedy {
            price: Price::default(),
            finish: Lump::default(),
            faults: Vec::new(),
            success: 1.0,
            partial_shows: 0.0,
            by_hand: false,
            standing: Standing::Open,
        }
    }
}

impl Remedy {
    /// A sure remedy of these faults.
    pub fn cures(faults: &[usize], price: Price) -> Remedy {
        Remedy { price, faults: faults.iter().map(|&f| FaultIx(f)).collect(), ..Remedy::default() }
    }
}

/// What the retest after a remedy shows.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Retest {
    /// The unit works.
    Cured,
    /// Nothing changed.
    NoChange,
    /// Something got better, but the unit is not mended.
    Changed,
}

/// What the caller fills in.
#[derive(Debug, Clone, PartialEq)]
pub struct Draft {
    /// Every fault that occurs in a hypothesis.
    pub faults: Vec<Fault>,
    /// The fault sets with their weights; the weights sum to at most 1, the rest is left out.
    pub hypotheses: Vec<Hypothesis>,
    /// The checks.
    pub checks: Vec<Check>,
    /// The remedies.
    pub remedies: Vec<Remedy>,
    /// Minutes each set-up takes, by [`SetupIx`]; at most [`SetupSet::MOST`].
    pub setups: Vec<f64>,
    /// Minutes to switch the unit on and off.
    pub switching: Switching,
    /// The way out: referring the unit on, which puts anything right.
    pub fallback: Lump,
    /// What it costs when a unit is handed back as healthy and is not.
    pub comeback: Lump,
    /// What counts as cost.
    pub tariff: Tariff,
}

impl Default for Draft {
    fn default() -> Draft {
        Draft {
            faults: Vec::new(),
            hypotheses: Vec::new(),
            checks: Vec::new(),
            remedies: Vec::new(),
            setups: Vec::new(),
            switching: Switching::default(),
            fallback: Lump { minutes: 600.0, money: 60_000 },
            comeback: Lump { minutes: 1800.0, money: 180_000 },
            tariff: Tariff::default(),
        }
    }
}

/// Why a draft is no problem.
#[derive(Debug, Clone, PartialEq, Error)]
pub enum PlanError {
    /// A number outside its range.
    #[error("{what} {index} is {value}, outside {low} to {high}")]
    OutOfRange {
        /// What the number is.
        what: &'static str,
        /// Index of the thing it belongs to.
        index: usize,
        /// The number.
        value: f64,
        /// Smallest it may be.
        low: f64,
        /// Largest it may be.
        high: f64,
    },
    /// An index that points at nothing.
    #[error("{what} {index} points at number {target}, but there are only {count}")]
    Dangling {
        /// What points.
        what: &'static str,
        /// Index of the thing that points.
        index: usize,
        /// Where it points.
        target: usize,
        /// How many there are.
        count: usize,
    },
    /// A list whose entries are not in rising order.
    #[error("the faults of {what} {index} are not in rising order without repeats")]
    Unsorted {
        /// Whose list.
        what: &'static str,
        /// Index of the thing.
        index: usize,
    },
    /// A likelihood table of the wrong size.
    #[error("check {check} has {found} likelihoods, {wanted} were wanted (hypotheses times outcomes)")]
    Table {
        /// Which check.
        check: usize,
        /// How many there are.
        found: usize,
        /// How many were wanted.
        wanted: usize,
    },
    /// The weights sum to more than 1.
    #[error("the weights of the hypotheses sum to {sum}, more than 1")]
    TooMuchWeight {
        /// Their sum.
        sum: f64,
    },
    /// A check that is to make power safe needs power itself.
    #[error("check {check} is a safety gate and needs power itself")]
    PoweredGate {
        /// Which check.
        check: usize,
    },
    /// More set-ups than can be kept apart.
    #[error("there are {count} set-ups, more than {most}", most = SetupSet::MOST)]
    TooManySetups {
        /// How many.
        count: usize,
    },
    /// The outcome has probability zero under every hypothesis.
    #[error("outcome {outcome} of {what} {index} is impossible under every hypothesis")]
    Impossible {
        /// Check or remedy.
        what: &'static str,
        /// Which one.
        index: usize,
        /// Which outcome; for a retest 0 cured, 1 no change, 2 changed.
        outcome: usize,
    },
}

/// A consistent draft.
///
/// The weights are kept as given; strategies normalise them, so what is left out ([`Problem::left_out`]) is shared
/// out in proportion.
#[derive(Debug, Clone, PartialEq)]
pub struct Problem {
    draft: Draft,
}

/// How far sums of probabilities may be off.
const SLACK: f64 = 1e-6;

impl Problem {
    /// Checks a draft.
    ///
    /// # Errors
    /// The first number out of range, index out of range, list out of order or table of the wrong size.
    pub fn new(draft: Draft) -> Result<Problem, PlanError> {
        check_hypotheses(&draft)?;
        for (i, check) in draft.checks.iter().enumerate() {
            check_check(i, check, &draft)?;
        }
        for (i, remedy) in draft.remedies.iter().enumerate() {
            check_remedy(i, remedy, &draft)?;
        }
        if draft.setups.len() > SetupSet::MOST {
            return Err(PlanError::TooManySetups { count: draft.setups.len() });
        }
        for (i, &minutes) in draft.setups.iter().enumerate() {
            within("minutes of set-up", i, minutes, 0.0, f64::MAX)?;
        }
        for (i, minutes) in [draft.switching.on, draft.switching.off].into_iter().enumerate() {
            within("minutes of switching", i, minutes, 0.0, f64::MAX)?;
        }
        for (i, lump) in [draft.fallback, draft.comeback].into_iter().enumerate() {
            check_lump("way out", i, lump)?;
        }
        within("labour rate", 0, draft.tariff.money_per_hour, 0.0, f64::MAX)?;
        Ok(Problem { draft })
    }

    /// What it was made of.
    pub fn draft(&self) -> &Draft {
        &self.draft
    }

    /// The hypotheses.
    pub fn hypotheses(&self) -> &[Hypothesis] {
        &self.draft.hypotheses
    }

    /// The checks.
    pub fn checks(&self) -> &[Check] {
        &self.draft.checks
    }

    /// The remedies.
    pub fn remedies(&self) -> &[Remedy] {
        &self.draft.remedies
    }

    /// The tariff.
    pub fn tariff(&self) -> &Tariff {
        &self.draft.tariff
    }

    /// Minutes to switch the unit.
    pub(super) fn switching(&self) -> Switching {
        self.draft.switching
    }

    /// Minutes of a set-up; 0 for one that does not exist.
    pub(super) fn setup_minutes(&self, setup: SetupIx) -> f64 {
        self.draft.setups.get(setup.0).copied().unwrap_or(0.0)
    }

    /// Sum of the weights.
    pub fn mass(&self) -> f64 {
        self.draft.hypotheses.iter().map(|h| h.weight).sum()
    }

    /// Probability that belongs to no hypothesis of the list.
    pub fn left_out(&self) -> f64 {
        (1.0 - self.mass()).max(0.0)
    }

    /// Whether a hypothesis has a fault that is not listed.
    pub fn is_unlisted(&self, hypothesis: &Hypothesis) -> bool {
        hypothesis.faults.iter().any(|f| self.draft.faults.get(f.0).is_some_and(|fault| fault.unlisted))
    }

    /// The gates that still hold power back: neither taken nor ruled out.
    pub fn open_gates(&self) -> impl Iterator<Item = CheckIx> + '_ {
        let holds = |c: &Check| c.gate && matches!(c.standing, Standing::Open | Standing::NeedsTool(_));
        self.draft.checks.iter().enumerate().filter(move |(_, c)| holds(c)).map(|(i, _)| CheckIx(i))
    }

    /// Whether a step of this price may be taken now: power not held, no gate open before a powered step.
    pub fn may_power(&self, price: &Price, state: &State) -> bool {
        !price.power.is_powered() || (!state.held && self.open_gates().next().is_none())
    }

    /// Whether a step of this price may be taken now or once the open gates, all of them at hand, are passed.
    pub(super) fn may_power_later(&self, price: &Price, state: &State) -> bool {
        let passable = || self.open_gates().all(|g| self.standing_of(g) == Some(Standing::Open));
        !price.power.is_powered() || (!state.held && passable())
    }

    fn standing_of(&self, check: CheckIx) -> Option<Standing> {
        self.draft.checks.get(check.0).map(|c| c.standing)
    }

    /// Whether a check may be proposed as the very next step.
    pub fn check_allowed(&self, check: CheckIx, state: &State) -> bool {
        self.draft
            .checks
            .get(check.0)
            .is_some_and(|c| c.standing == Standing::Open && self.may_power(&c.price, state))
    }

    /// Whether a remedy may be proposed as the very next step.
    pub fn remedy_allowed(&self, remedy: RemedyIx, state: &State) -> bool {
        self.draft
            .remedies
            .get(remedy.0)
            .is_some_and(|r| r.standing == Standing::Open && self.may_power(&r.price, state))
    }

    /// Probability of each outcome of a check, the weights normalised; empty when there is no such check.
    pub fn outcome_chances(&self, check: CheckIx) -> Vec<f64> {
        let Some(c) = self.draft.checks.get(check.0) else { return Vec::new() };
        let mass = self.mass();
        let mut chances = vec![0.0; c.outcomes];
        for (h, hypothesis) in self.draft.hypotheses.iter().enumerate() {
            for (k, chance) in chances.iter_mut().enumerate() {
                *chance += hypothesis.weight * c.chance(HypothesisIx(h), k) / mass.max(f64::MIN_POSITIVE);
            }
        }
        chances
    }

    /// The problem after an outcome of a check, by Bayes' rule; the weights sum to 1 and the check is taken.
    ///
    /// # Errors
    /// [`PlanError::Dangling`] when there is no such check, [`PlanError::Impossible`] when no hypothesis allows the
    /// outcome.
    pub fn after_check(&self, check: CheckIx, outcome: usize) -> Result<Problem, PlanError> {
        let mut draft = self.draft.clone();
        let count = draft.checks.len();
        let Some(c) = draft.checks.get_mut(check.0) else {
            return Err(PlanError::Dangling { what: "step", index: 0, target: check.0, count });
        };
        c.standing = Standing::Taken;
        for (h, hypothesis) in draft.hypotheses.iter_mut().enumerate() {
            hypothesis.weight *= c.chance(HypothesisIx(h), outcome);
        }
        normalise(&mut draft.hypotheses, "check", check.0, outcome)?;
        Ok(Problem { draft })
    }

    /// Probability that the retest after a remedy shows `cured`, `no change`, `changed`, in this order.
    pub fn retest_chances(&self, remedy: RemedyIx) -> [f64; 3] {
        let mut chances = [0.0; 3];
        let Some(r) = self.draft.remedies.get(remedy.0) else { return chances };
        let mass = self.mass().max(f64::MIN_POSITIVE);
        for hypothesis in &self.draft.hypotheses {
            for (retest, chance, _) in after_trying(r, &hypothesis.faults) {
                if let Some(cell) = chances.get_mut(retest as usize) {
                    *cell += hypothesis.weight / mass * chance;
                }
            }
        }
        chances
    }

    /// The problem after a remedy that did not cure the unit; the weights sum to 1 and the remedy is taken.
    ///
    /// Faults that were put right leave their sets. A set that thereby comes about anew looks, to every check, as
    /// the set it came from.
    ///
    /// # Errors
    /// [`PlanError::Dangling`] when there is no such remedy, [`PlanError::Impossible`] when no hypothesis allows the
    /// outcome, which is so for [`Retest::Cured`] (there is no problem left then).
    pub fn after_remedy(&self, remedy: RemedyIx, retest: Retest) -> Result<Problem, PlanError> {
        let mut draft = self.draft.clone();
        let count = draft.remedies.len();
        let Some(r) = draft.remedies.get_mut(remedy.0) else {
            return Err(PlanError::Dangling { what: "step", index: 0, target: remedy.0, count });
        };
        r.standing = Standing::Taken;
        let r = r.clone();
        let before = std::mem::take(&mut draft.hypotheses);
        draft.hypotheses =
            before.iter().map(|h| Hypothesis { faults: h.faults.clone(), weight: 0.0 }).collect();
        for (h, hypothesis) in before.iter().enumerate() {
            for (shown, chance, faults) in after_trying(&r, &hypothesis.faults) {
                if shown == retest && retest != Retest::Cured && chance > 0.0 {
                    let place = place_of(&mut draft, faults, h);
                    if let Some(target) = draft.hypotheses.get_mut(place) {
                        target.weight += hypothesis.weight * chance;
                    }
                }
            }
        }
        normalise(&mut draft.hypotheses, "remedy", remedy.0, retest as usize)?;
        Ok(Problem { draft })
    }
}

/// What trying a remedy on a unit with these faults may lead to: what the retest shows, with what probability, and
/// the faults that are left.
pub(super) fn after_trying(remedy: &Remedy, faults: &[FaultIx]) -> Vec<(Retest, f64, Vec<FaultIx>)> {
    if faults.is_empty() {
        return vec![(Retest::Cured, 1.0, Vec::new())];
    }
    let left: Vec<FaultIx> =
        faults.iter().copied().filter(|f| remedy.faults.binary_search(f).is_err()).collect();
    if left.len() == faults.len() {
        return vec![(Retest::NoChange, 1.0, left)];
    }
    let failed = (Retest::NoChange, 1.0 - remedy.success, faults.to_vec());
    if left.is_empty() {
        return vec![(Retest::Cured, remedy.success, left), failed];
    }
    vec![
        (Retest::Changed, remedy.success * remedy.partial_shows, left.clone()),
        (Retest::NoChange, remedy.success * (1.0 - remedy.partial_shows), left),
        failed,
    ]
}

/// Index of the hypothesis with these faults, made anew with the likelihoods of `parent` if there is none.
fn place_of(draft: &mut Draft, faults: Vec<FaultIx>, parent: usize) -> usize {
    if let Some(found) = draft.hypotheses.iter().position(|h| h.faults == faults) {
        return found;
    }
    for check in &mut draft.checks {
        let row = check.likelihood.get(parent * check.outcomes..(parent + 1) * check.outcomes);
        let row = row.map(<[f64]>::to_vec).unwrap_or_default();
        check.likelihood.extend(row);
    }
    draft.hypotheses.push(Hypothesis { faults, weight: 0.0 });
    draft.hypotheses.len() - 1
}

/// Scales the weights to sum 1.
fn normalise(
    hypotheses: &mut [Hypothesis],
    what: &'static str,
    index: usize,
    outcome: usize,
) -> Result<(), PlanError> {
    let sum: f64 = hypotheses.iter().map(|h| h.weight).sum();
    if sum <= 0.0 {
        return Err(PlanError::Impossible { what, index, outcome });
    }
    for hypothesis in hypotheses {
        hypothesis.weight /= sum;
    }
    Ok(())
}

fn within(what: &'static str, index: usize, value: f64, low: f64, high: f64) -> Result<(), PlanError> {
    if value >= low && value <= high {
        return Ok(());
    }
    Err(PlanError::OutOfRange { what, index, value, low, high })
}

fn check_lump(what: &'static str, index: usize, lump: Lump) -> Result<(), PlanError> {
    within(what, index, lump.minutes, 0.0, f64::MAX)?;
    within(what, index, lump.money as f64, 0.0, f64::MAX)
}

fn check_faults(what: &'static str, index: usize, faults: &[FaultIx], count: usize) -> Result<(), PlanError> {
    if faults.windows(2).any(|pair| pair.first() >= pair.last()) {
        return Err(PlanError::Unsorted { what, index });
    }
    match faults.last() {
        Some(last) if last.0 >= count => Err(PlanError::Dangling { what, index, target: last.0, count }),
        _ => Ok(()),
    }
}

fn check_price(what: &'static str, index: usize, price: &Price, setups: usize) -> Result<(), PlanError> {
    check_lump(what, index, Lump { minutes: price.minutes, money: price.money })?;
    match price.setups.iter().find(|s| s.0 >= setups) {
        Some(s) => Err(PlanError::Dangling { what, index, target: s.0, count: setups }),
        None => Ok(()),
    }
}

fn check_hypotheses(draft: &Draft) -> Result<(), PlanError> {
    for (i, hypothesis) in draft.hypotheses.iter().enumerate() {
        within("weight of hypothesis", i, hypothesis.weight, 0.0, 1.0 + SLACK)?;
        check_faults("hypothesis", i, &hypothesis.faults, draft.faults.len())?;
    }
    let sum: f64 = draft.hypotheses.iter().map(|h| h.weight).sum();
    if sum > 1.0 + SLACK {
        return Err(PlanError::TooMuchWeight { sum });
    }
    Ok(())
}

fn check_check(i: usize, check: &Check, draft: &Draft) -> Result<(), PlanError> {
    check_price("check", i, &check.price, draft.setups.len())?;
    if check.gate && check.price.power.is_powered() {
        return Err(PlanError::PoweredGate { check: i });
    }
    let wanted = draft.hypotheses.len() * check.outcomes;
    if check.likelihood.len() != wanted || check.outcomes == 0 {
        return Err(PlanError::Table { check: i, found: check.likelihood.len(), wanted });
    }
    for row in check.likelihood.chunks(check.outcomes) {
        for &p in row {
            within("likelihood of check", i, p, 0.0, 1.0 + SLACK)?;
        }
        within("sum of likelihoods of check", i, row.iter().sum(), 1.0 - SLACK, 1.0 + SLACK)?;
    }
    Ok(())
}

fn check_remedy(i: usize, remedy: &Remedy, draft: &Draft) -> Result<(), PlanError> {
    check_price("remedy", i, &remedy.price, draft.setups.len())?;
    check_lump("finish of remedy", i, remedy.finish)?;
    check_faults("remedy", i, &remedy.faults, draft.faults.len())?;
    within("success of remedy", i, remedy.success, 0.0, 1.0)?;
    within("visibility of a part cure by remedy", i, remedy.partial_shows, 0.0, 1.0)
}
