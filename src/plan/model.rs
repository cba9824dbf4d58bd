//! The problem laid out for reckoning: flat tables, only the steps that can be taken, fault sets closed under every
//! remedy.
//!
//! Built once per decision. Costs about (hypotheses × checks × outcomes + hypotheses × remedies) operations.

use super::measure::entropy;
use super::price::{Expected, Power, Price, SetupSet, State, Switching, Tariff};
use super::problem::{CheckIx, FaultIx, HypothesisIx, Kind, Problem, Remedy, RemedyIx, after_trying};
use std::collections::BTreeMap;

/// Stands for "no fault left" in [`Touch::to`].
pub(super) const MENDED: usize = usize::MAX;

/// How many checks and how many remedies a model holds at most; the best by a simple measure are kept.
pub(super) const MOST_STEPS: usize = 256;

/// A problem of more hypotheses than this is large.
const MANY: usize = 40;

/// Share of the whole below which a hypothesis is dropped, and an outcome left aside, when a belief is conditioned: in
/// small problems and in large ones.
const DUST: [f64; 2] = [1e-7, 1e-3];

/// A set of up to [`MOST_STEPS`] steps.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub(super) struct StepSet([u64; MOST_STEPS / 64]);

impl StepSet {
    pub(super) fn has(&self, i: usize) -> bool {
        self.0.get(i / 64).is_some_and(|word| word >> (i % 64) & 1 == 1)
    }

    pub(super) fn add(&mut self, i: usize) {
        if let Some(word) = self.0.get_mut(i / 64) {
            *word |= 1 << (i % 64);
        }
    }
}

/// Where a session stands within the reckoning.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Bench {
    /// Set-ups made, as bits.
    pub setups: u64,
    /// Gates not passed yet, as bits over [`Model::gates`].
    pub gates: u64,
    /// Whether the unit is powered.
    pub powered: bool,
}

/// A price with its scalar worked out.
#[derive(Debug, Clone)]
pub(super) struct Fee {
    base: Expected,
    setups: u64,
    power: Power,
}

/// A check in the model.
#[derive(Debug, Clone)]
pub(super) struct MCheck {
    pub ix: CheckIx,
    pub kind: Kind,
    pub fee: Fee,
    /// Its bit in [`Bench::gates`], if it is a gate.
    pub gate: Option<u32>,
    /// `likelihood[k][h]`.
    pub likelihood: Vec<Vec<f64>>,
    /// For each hypothesis the likelihood of outcome 0 and the entropy of the outcome in bits, side by side.
    pub first: Vec<[f64; 2]>,
}

/// What a remedy does to one hypothesis.
#[derive(Debug, Clone, Copy)]
pub(super) struct Touch {
    pub from: usize,
    /// The hypothesis left when it succeeds, or [`MENDED`].
    pub to: usize,
    pub success: f64,
}

/// A remedy in the model.
#[derive(Debug, Clone)]
pub(super) struct MRemedy {
    pub ix: RemedyIx,
    pub fee: Fee,
    pub finish: Expected,
    pub touches: Vec<Touch>,
    pub partial_shows: f64,
}

/// The problem laid out.
#[derive(Debug, Clone)]
pub(super) struct Model {
    /// Normalised weights at the start; hypotheses beyond the problem's own come from part cures.
    pub start: Vec<f64>,
    pub checks: Vec<MCheck>,
    pub remedies: Vec<MRemedy>,
    /// Checks that are gates, in order, by place in `checks`.
    pub gates: Vec<usize>,
    /// `cures[h]` = remedies that mend `h` at once, with their success.
    pub cures: Vec<Vec<(usize, f64)>>,
    /// `touching[h]` = remedies that put some fault of `h` right.
    pub touching: Vec<Vec<usize>>,
    /// No way of mending `h` costs less than this.
    pub least: Vec<f64>,
    /// Whether `h` has no fault.
    pub healthy: Vec<bool>,
    pub fallback: Expected,
    pub comeback: Expected,
    /// Whether the order of steps makes no difference to what is believed after them.
    pub commutes: bool,
    /// Share of a belief below which a hypothesis or an outcome is left aside.
    pub dust: f64,
    /// Whether the problem is too large to be looked through.
    pub large: bool,
    setup_cost: Vec<Expected>,
    switch_on: Expected,
    switch_off: Expected,
}

impl Model {
    /// Lays out a problem.
    pub(super) fn new(problem: &Problem, state: &State) -> Model {
        let mut sets = FaultSets::of(problem);
        let remedies = remedies_of(problem, state, &mut sets);
        let count = sets.faults.len();
        let mut cures = vec![Vec::new(); count];
        let mut touching = vec![Vec::new(); count];
        for (r, remedy) in remedies.iter().enumerate() {
            for touch in &remedy.touches {
                touching[touch.from].push(r);
                if touch.to == MENDED {
                    cures[touch.from].push((r, touch.success));
                }
            }
        }
        let mass = problem.mass().max(f64::MIN_POSITIVE);
        let mut start: Vec<f64> = problem.hypotheses().iter().map(|h| h.weight / mass).collect();
        start.resize(count, 0.0);
        let checks = checks_of(problem, state, &sets);
        let gates = (0..checks.len()).filter(|&c| checks.get(c).is_some_and(|c| c.gate.is_some())).collect();
        let (tariff, draft) = (problem.tariff(), problem.draft());
        let Switching { on, off } = problem.switching();
        let large = problem.hypotheses().len() > MANY;
        let mut model = Model {
            start,
            checks,
            gates,
            cures,
            touching,
            least: Vec::new(),
            healthy: sets.faults.iter().map(Vec::is_empty).collect(),
            fallback: problem.lump(draft.fallback),
            comeback: problem.lump(draft.comeback),
            commutes: remedies.iter().all(|r| r.touches.iter().all(|t| t.to == MENDED)),
            remedies,
            dust: if large { DUST[1] } else { DUST[0] },
            large,
            setup_cost: draft.setups.iter().map(|&m| Expected::of(m, 0.0, tariff)).collect(),
            switch_on: Expected::of(on, 0.0, tariff),
            switch_off: Expected::of(off, 0.0, tariff),
        };
        model.least = model.least_costs(&sets);
        model
    }

    /// Where the session stands at the start.
    pub(super) fn bench(&self, state: &State) -> Bench {
        let gates = if self.gates.len() >= 64 { u64::MAX } else { (1 << self.gates.len()) - 1 };
        Bench { setups: state.setups.bits(), gates, powered: state.powered }
    }

    /// What a fee comes to on this bench, and the bench after it. A powered step brings the gates before it along.
    pub(super) fn pay(&self, fee: &Fee, bench: Bench) -> (Expected, Bench) {
        if fee.setups & !bench.setups == 0
            && (fee.power == Power::Any || !fee.power.is_powered() && !bench.powered)
        {
            return (fee.base, bench);
        }
        let (mut cost, mut after) = (Expected::default(), bench);
        if fee.power.is_powered() && bench.gates != 0 {
            after.gates = 0;
            for (bit, &gate) in self.gates.iter().enumerate() {
                if let Some(check) = self.checks.get(gate).filter(|_| bench.gates >> bit & 1 == 1) {
                    let (more, then) = self.pay_plain(&check.fee, after);
                    cost = cost.plus(more, 1.0);
                    after = then;
                }
            }
        }
        let (more, after) = self.pay_plain(fee, after);
        (cost.plus(more, 1.0), after)
    }

    fn pay_plain(&self, fee: &Fee, bench: Bench) -> (Expected, Bench) {
        let (mut cost, mut after) = (fee.base, bench);
        let mut missing = fee.setups & !bench.setups;
        after.setups |= missing;
        while missing != 0 {
            if let Some(setup) = self.setup_cost.get(missing.trailing_zeros() as usize) {
                cost = cost.plus(*setup, 1.0);
            }
            missing &= missing - 1;
        }
        match (fee.power, bench.powered) {
            (Power::On, false) => cost = cost.plus(self.switch_on, 1.0),
            (Power::Off | Power::Brief, true) => cost = cost.plus(self.switch_off, 1.0),
            (Power::Brief, false) => cost = cost.plus(self.switch_on, 1.0).plus(self.switch_off, 1.0),
            _ => {}
        }
        match fee.power {
            Power::Any => {}
            Power::On => after.powered = true,
            Power::Off | Power::Brief => after.powered = false,
        }
        (cost, after)
    }

    /// For each hypothesis a cost that mending it can't undercut: the way out, or for each of its faults the cheapest
    /// remedy that touches it, set-ups and switching left aside; the dearest of those.
    fn least_costs(&self, sets: &FaultSets) -> Vec<f64> {
        let out = self.fallback.cost.min(self.comeback.cost);
        let mut cheapest: BTreeMap<FaultIx, f64> = BTreeMap::new();
        for (fault, cost) in &sets.touched {
            let slot = cheapest.entry(*fault).or_insert(f64::INFINITY);
            *slot = slot.min(*cost);
        }
        let dearest = |faults: &Vec<FaultIx>| {
            let of = |f: &FaultIx| cheapest.get(f).copied().unwrap_or(f64::INFINITY);
            faults.iter().map(of).fold(0.0, f64::max).min(out)
        };
        sets.faults.iter().map(|f| if f.is_empty() { 0.0 } else { dearest(f) }).collect()
    }
}

/// The fault sets of the problem, and those that part cures lead to.
struct FaultSets {
    faults: Vec<Vec<FaultIx>>,
    parent: Vec<usize>,
    place: BTreeMap<Vec<FaultIx>, usize>,
    /// Every (fault, cost of a remedy for it).
    touched: Vec<(FaultIx, f64)>,
}

impl FaultSets {
    fn of(problem: &Problem) -> FaultSets {
        let faults: Vec<Vec<FaultIx>> = problem.hypotheses().iter().map(|h| h.faults.clone()).collect();
        let mut place = BTreeMap::new();
        for (h, set) in faults.iter().enumerate() {
            place.entry(set.clone()).or_insert(h);
        }
        FaultSets { parent: (0..faults.len()).collect(), faults, place, touched: Vec::new() }
    }

    /// Place of a set that is left of `from`; made anew when it is not there yet.
    fn left_of(&mut self, from: usize, set: Vec<FaultIx>) -> usize {
        if let Some(&found) = self.place.get(&set) {
            return found;
        }
        let parent = self.parent.get(from).copied().unwrap_or(from);
        let made = self.faults.len();
        self.place.insert(set.clone(), made);
        self.faults.push(set);
        self.parent.push(parent);
        made
    }
}

fn remedies_of(problem: &Problem, state: &State, sets: &mut FaultSets) -> Vec<MRemedy> {
    let mut open: Vec<RemedyIx> = problem.open_remedies(state).collect();
    if open.len() > MOST_STEPS {
        let worth = |r: &RemedyIx| problem.retest_chances(*r)[0];
        open.sort_by(|a, b| worth(b).total_cmp(&worth(a)).then(a.cmp(b)));
        open.truncate(MOST_STEPS);
        open.sort();
    }
    let mut remedies: Vec<MRemedy> = Vec::new();
    for ix in open {
        let Some(remedy) = problem.remedies().get(ix.0) else { continue };
        let fee = fee_of(problem, &remedy.price);
        let finish = problem.lump(remedy.finish);
        let sure = fee.base.cost + finish.cost;
        sets.touched.extend(remedy.faults.iter().map(|&f| (f, sure)));
        remedies.push(MRemedy { ix, fee, finish, touches: Vec::new(), partial_shows: remedy.partial_shows });
    }
    // Sets grow while they are walked: what one remedy leaves, another may still touch.
    let mut from = 0;
    while from < sets.faults.len() {
        let faults = sets.faults.get(from).cloned().unwrap_or_default();
        for made in &mut remedies {
            let Some(remedy) = problem.remedies().get(made.ix.0) else { continue };
            if let Some((left, success)) = success_on(remedy, &faults) {
                let to = if left.is_empty() { MENDED } else { sets.left_of(from, left) };
                made.touches.push(Touch { from, to, success });
            }
        }
        from += 1;
    }
    remedies
}

/// What is left when the remedy succeeds and how likely that is; none when it leaves these faults alone.
fn success_on(remedy: &Remedy, faults: &[FaultIx]) -> Option<(Vec<FaultIx>, f64)> {
    if faults.is_empty() {
        return Some((Vec::new(), 1.0));
    }
    if !remedy.faults.iter().any(|f| faults.binary_search(f).is_ok()) || remedy.success <= 0.0 {
        return None;
    }
    let (_, _, left) = after_trying(remedy, faults).into_iter().next()?;
    Some((left, remedy.success))
}

fn checks_of(problem: &Problem, state: &State, sets: &FaultSets) -> Vec<MCheck> {
    let gate = |c: &CheckIx| problem.checks().get(c.0).is_some_and(|c| c.gate);
    // A check that parts no two hypotheses tells nothing now and never will.
    let tells = |c: &CheckIx| gate(c) || problem.check_bits(*c) > 1e-12;
    let mut open: Vec<CheckIx> = problem.open_checks(state).filter(tells).collect();
    if open.len() > MOST_STEPS {
        let worth = |c: &CheckIx| {
            let cost = super::strategies::cost_of_check(problem, *c, state).cost;
            problem.check_bits(*c) / cost.max(super::strategies::LEAST_COST)
        };
        open.sort_by(|a, b| gate(b).cmp(&gate(a)).then(worth(b).total_cmp(&worth(a))).then(a.cmp(b)));
        open.truncate(MOST_STEPS);
        open.sort();
    }
    let mut gates = 0;
    let mut checks = Vec::new();
    for ix in open {
        let Some(check) = problem.checks().get(ix.0) else { continue };
        let bit = (check.gate && gates < 64).then_some(gates);
        gates += u32::from(bit.is_some());
        let row = |k: usize| sets.parent.iter().map(|&h| check.chance(HypothesisIx(h), k)).collect();
        let likelihood: Vec<Vec<f64>> = (0..check.outcomes).map(row).collect();
        let noise = |h: usize| {
            let chances: Vec<f64> = likelihood.iter().filter_map(|l| l.get(h).copied()).collect();
            entropy(&chances)
        };
        checks.push(MCheck {
            ix,
            kind: check.kind,
            fee: fee_of(problem, &check.price),
            gate: bit,
            first: (0..sets.parent.len()).map(|h| [likelihood[0][h], noise(h)]).collect(),
            likelihood,
        });
    }
    checks
}

fn fee_of(problem: &Problem, price: &Price) -> Fee {
    let tariff: &Tariff = problem.tariff();
    Fee {
        base: Expected::of(price.minutes, price.money as f64, tariff),
        setups: price.setups.iter().fold(SetupSet::default(), |set, &s| set.with(s)).bits(),
        power: price.power,
    }
}
