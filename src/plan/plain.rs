//! The planner: the check that tells most for its price, until what is to be mended is sure enough.
//!
//! What a check tells is counted in bits about *what to mend*: fault sets that the same remedies put right are one, so that nothing
//! is asked only to know which way a part has failed. Sets with a fault that no rule knows are left out of the reckoning: every
//! question tells a little about those, and none leads anywhere.

use super::decision::{Alternative, Decision, Step};
use super::measure::entropy;
use super::price::{Expected, Power, Price, State};
use super::problem::{CheckIx, FaultIx, Hypothesis, HypothesisIx, Problem, Remedy, RemedyIx, SetupIx};
use super::reasons;
use super::stop;
use super::strategies::{LEAST_COST, Strategy, cost_of_check, cost_of_remedy, gate_before};
use std::collections::BTreeMap;

/// The check with the most bits per cost; a remedy once it is sure enough to help, or nothing tells more.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Plain {
    /// Probability that the fault is among those that a remedy puts right, or at a site, from which on it is tried without more
    /// checks.
    pub sure: f64,
    /// Checks that tell less than this, in bits, are not taken.
    pub least_bits: f64,
}

impl Default for Plain {
    fn default() -> Plain {
        Plain { sure: 0.85, least_bits: 0.02 }
    }
}

/// What the planner weighs at one decision.
struct View<'p> {
    problem: &'p Problem,
    state: &'p State,
    /// For each hypothesis the group of those that the same remedies put right, and its share among the listed ones; none for
    /// one with an unlisted fault.
    groups: Vec<Option<(usize, f64)>>,
    count: usize,
}

impl<'p> View<'p> {
    fn new(problem: &'p Problem, state: &'p State) -> View<'p> {
        let mut known: BTreeMap<Vec<usize>, usize> = BTreeMap::new();
        let listed: f64 =
            problem.hypotheses().iter().filter(|h| !problem.is_unlisted(h)).map(|h| h.weight).sum();
        let cure = |f: &FaultIx| {
            let cures = |r: &super::problem::Remedy| r.faults.binary_search(f).is_ok();
            problem.remedies().iter().position(cures).unwrap_or(problem.remedies().len() + f.0)
        };
        let mut groups = Vec::with_capacity(problem.hypotheses().len());
        for h in problem.hypotheses() {
            if problem.is_unlisted(h) || listed <= 0.0 {
                groups.push(None);
                continue;
            }
            let mut key: Vec<usize> = h.faults.iter().map(cure).collect();
            key.sort_unstable();
            key.dedup();
            let next = known.len();
            groups.push(Some((*known.entry(key).or_insert(next), h.weight / listed)));
        }
        let count = known.len();
        View { problem, state, groups, count }
    }

    /// Bits a check is expected to give about what to mend.
    fn bits(&self, check: CheckIx) -> f64 {
        let Some(c) = self.problem.checks().get(check.0) else { return 0.0 };
        let k = c.outcomes;
        let mut joint = vec![0.0; self.count * k];
        for (h, group) in self.groups.iter().enumerate() {
            let Some((group, share)) = group else { continue };
            for outcome in 0..k {
                joint[group * k + outcome] += share * c.chance(HypothesisIx(h), outcome);
            }
        }
        information(&joint, k)
    }

    /// Bits the retest after a remedy is expected to give about what is then still to be mended. That a unit with nothing wrong passes
    /// it is no merit of the remedy.
    fn remedy_bits(&self, remedy: RemedyIx) -> f64 {
        let Some(r) = self.problem.remedies().get(remedy.0) else { return 0.0 };
        let mut joint = vec![0.0; self.count * 3];
        for (h, group) in self.groups.iter().enumerate() {
            let faults = &self.problem.hypotheses()[h].faults;
            let Some((group, share)) = group.filter(|_| !faults.is_empty()) else { continue };
            for (retest, chance, _) in super::problem::after_trying(r, faults) {
                joint[group * 3 + retest as usize] += share * chance;
            }
        }
        information(&joint, 3)
    }

    /// Probability that each open remedy puts at least one of the unit's faults right.
    fn helps(&self) -> Vec<(RemedyIx, f64)> {
        let mass = self.problem.mass().max(f64::MIN_POSITIVE);
        let help = |r: RemedyIx| -> f64 {
            let remedy = &self.problem.remedies()[r.0];
            let touched = self.problem.hypotheses().iter().filter(|h| touches(&remedy.faults, &h.faults));
            touched.map(|h| h.weight).sum::<f64>() / mass * remedy.success
        };
        self.problem.open_remedies(self.state).map(|r| (r, help(r))).collect()
    }

    /// By set-up, the probability that it has to be made anyway: because what is wrong can't be mended without it.
    fn needed_anyway(&self) -> Vec<f64> {
        let mass = self.problem.mass().max(f64::MIN_POSITIVE);
        let open: Vec<&Remedy> =
            self.problem.open_remedies(self.state).map(|r| &self.problem.remedies()[r.0]).collect();
        let mut needed = vec![0.0; self.problem.draft().setups.len()];
        let mut spared = vec![true; needed.len()];
        for remedy in &open {
            remedy.price.setups.iter().for_each(|s| spared[s.0] = false);
        }
        for h in self.problem.hypotheses().iter().filter(|h| h.weight > 0.0) {
            let mut cures = open.iter().filter(|r| touches(&r.faults, &h.faults)).peekable();
            if cures.peek().is_none() {
                continue;
            }
            let mut all: Vec<bool> = vec![true; needed.len()];
            for remedy in cures {
                for (s, all) in all.iter_mut().enumerate() {
                    *all &= remedy.price.setups.contains(&SetupIx(s));
                }
            }
            needed.iter_mut().zip(all).for_each(|(n, all)| *n += if all { h.weight / mass } else { 0.0 });
        }
        needed.iter().zip(spared).map(|(n, spared)| if spared { SERVES_AGAIN } else { n.min(1.0) }).collect()
    }

    /// The cost of a step with each set-up it needs counted by the chance that it serves this step alone.
    fn own_cost(&self, price: &Price, anyway: &[f64]) -> f64 {
        let full = self.problem.pay(price, self.state).0.minutes;
        let open = price.setups.iter().filter(|s| !self.state.setups.has(**s));
        let spared: f64 = open.map(|s| self.problem.setup_minutes(*s) * anyway[s.0]).sum();
        Expected::of(full - spared, price.money as f64, self.problem.tariff()).cost
    }

    fn cost_of(&self, remedy: RemedyIx) -> f64 {
        cost_of_remedy(self.problem, remedy, self.state).cost.max(LEAST_COST)
    }

    /// The remedy to try now, if one is sure enough: the cheapest for its chance of those that are, or of those of one site
    /// that is, or of the few that are together, where no check is worth its price before.
    fn sure(&self, helps: &[(RemedyIx, f64)], sure: f64) -> Option<RemedyIx> {
        let best = |list: &[(RemedyIx, f64)]| {
            let worth = |x: &(RemedyIx, f64)| even(x.1 / self.cost_of(x.0));
            list.iter().max_by(|a, b| worth(a).total_cmp(&worth(b)).then(b.0.cmp(&a.0))).map(|x| x.0)
        };
        // Whether the fault is among those that it puts right, not whether the work succeeds at once.
        let there = |r: RemedyIx| self.problem.remedies()[r.0].success.max(f64::MIN_POSITIVE);
        let certain: Vec<(RemedyIx, f64)> =
            helps.iter().copied().filter(|x| even(x.1 / there(x.0)) >= even(sure)).collect();
        if let Some(found) = best(&certain) {
            return Some(found);
        }
        let at = |site: u32, r: RemedyIx| {
            self.problem.remedies()[r.0].faults.iter().any(|f| self.site(*f) == Some(site))
        };
        let site = self.sure_site(sure);
        let there: Vec<(RemedyIx, f64)> = match site {
            Some(site) => helps.iter().copied().filter(|x| x.1 > 0.0 && at(site, x.0)).collect(),
            None => self.few(helps, sure)?,
        };
        let found = best(if site.is_some() { &there } else { helps })?;
        // Which way to mend it may be cheaper to ask than to try.
        let plain = self.mending(&there, &self.weights());
        let asked = self.problem.open_checks(self.state).map(|c| self.mending_after(&there, c));
        (asked.fold(f64::INFINITY, f64::min) >= plain * (1.0 - ROUNDING)).then_some(found)
    }

    /// The few remedies of which one all but certainly helps.
    fn few(&self, helps: &[(RemedyIx, f64)], sure: f64) -> Option<Vec<(RemedyIx, f64)>> {
        let mass = self.problem.mass().max(f64::MIN_POSITIVE);
        let mut order: Vec<(RemedyIx, f64)> = helps.iter().copied().filter(|x| x.1 > 0.0).collect();
        order.sort_by(|a, b| even(b.1).total_cmp(&even(a.1)).then(a.0.cmp(&b.0)));
        order.truncate(FEW);
        let found = (1..=order.len()).find(|n| {
            let any = |h: &Hypothesis| {
                order[..*n].iter().any(|x| touches(&self.problem.remedies()[x.0.0].faults, &h.faults))
            };
            let held: f64 = self.problem.hypotheses().iter().filter(|h| any(h)).map(|h| h.weight).sum();
            even(held / mass) >= even(sure)
        })?;
        order.truncate(found);
        Some(order)
    }

    fn site(&self, fault: FaultIx) -> Option<u32> {
        self.problem.draft().faults.get(fault.0).and_then(|f| f.site)
    }

    /// The site that all but certainly has a fault.
    fn sure_site(&self, sure: f64) -> Option<u32> {
        let mass = self.problem.mass().max(f64::MIN_POSITIVE);
        let mut sites: BTreeMap<u32, f64> = BTreeMap::new();
        for h in self.problem.hypotheses() {
            let mut at: Vec<u32> = h.faults.iter().filter_map(|f| self.site(*f)).collect();
            at.sort_unstable();
            at.dedup();
            at.into_iter().for_each(|s| *sites.entry(s).or_default() += h.weight / mass);
        }
        sites
            .into_iter()
            .filter(|(_, p)| even(*p) >= even(sure))
            .max_by(|a, b| even(a.1).total_cmp(&even(b.1)))
            .map(|(s, _)| s)
    }

    fn weights(&self) -> Vec<f64> {
        self.problem.hypotheses().iter().map(|h| h.weight).collect()
    }

    /// Expected cost of trying these remedies in the best order until one helps.
    fn mending(&self, remedies: &[(RemedyIx, f64)], weights: &[f64]) -> f64 {
        let total: f64 = weights.iter().sum();
        let mut order: Vec<(f64, f64)> = remedies
            .iter()
            .map(|(r, _)| {
                let remedy = &self.problem.remedies()[r.0];
                let touched = self.problem.hypotheses().iter().zip(weights);
                let helped: f64 =
                    touched.filter(|(h, _)| touches(&remedy.faults, &h.faults)).map(|(_, w)| w).sum();
                (self.cost_of(*r), helped / total.max(f64::MIN_POSITIVE))
            })
            .collect();
        order.sort_by(|a, b| (b.1 / b.0).total_cmp(&(a.1 / a.0)));
        let (mut spent, mut left) = (0.0, 1.0);
        for (cost, p) in order {
            spent += left * cost;
            left = (left - p).max(0.0);
        }
        spent
    }

    fn mending_after(&self, remedies: &[(RemedyIx, f64)], check: CheckIx) -> f64 {
        let c = &self.problem.checks()[check.0];
        let mut cost = cost_of_check(self.problem, check, self.state).cost;
        let mass = self.problem.mass().max(f64::MIN_POSITIVE);
        for k in 0..c.outcomes {
            let weights: Vec<f64> = self
                .problem
                .hypotheses()
                .iter()
                .enumerate()
                .map(|(h, x)| x.weight * c.chance(HypothesisIx(h), k))
                .collect();
            let chance = weights.iter().sum::<f64>() / mass;
            if chance > 0.0 {
                cost += chance * self.mending(remedies, &weights);
            }
        }
        cost
    }
}

fn touches(cured: &[FaultIx], there: &[FaultIx]) -> bool {
    there.iter().any(|f| cured.binary_search(f).is_ok())
}

/// Without the last digits, so that what is equal but for the order in which it was added up is equal.
fn even(x: f64) -> f32 {
    x as f32
}

/// Mutual information of a joint distribution, group by outcome, in bits; of one that adds up to less than one, times its sum.
fn information(joint: &[f64], outcomes: usize) -> f64 {
    let mut marginal = vec![0.0; outcomes];
    let (whole, mut noise) = (joint.iter().sum::<f64>(), 0.0);
    for row in joint.chunks(outcomes.max(1)) {
        let share: f64 = row.iter().sum();
        if share > 0.0 {
            let within: Vec<f64> = row.iter().map(|p| p / share).collect();
            noise += share * entropy(&within);
            marginal.iter_mut().zip(row).for_each(|(m, p)| *m += p);
        }
    }
    marginal.iter_mut().for_each(|m| *m /= whole.max(f64::MIN_POSITIVE));
    (whole * entropy(&marginal) - noise).max(0.0)
}

/// A step on offer: what it costs, and what it tells.
#[derive(Clone)]
struct Offer {
    step: Step,
    bits: f64,
    cost: Expected,
    /// What of the cost is its own: a set-up that will be needed anyway is no reason to wait.
    own: f64,
}

/// Costs that differ by less, as a share, are the same.
const ROUNDING: f64 = 1e-9;
/// How many remedies are tried in turn where no check parts what they are for.
const FEW: usize = 4;

/// How likely a set-up that no remedy needs serves a later check too.
const SERVES_AGAIN: f64 = 0.5;

impl Strategy for Plain {
    fn name(&self) -> &'static str {
        "planner"
    }

    fn next(&self, problem: &Problem, state: &State) -> Decision {
        if let Some(done) = stop::if_cured(state) {
            return done;
        }
        let view = View::new(problem, state);
        let anyway = view.needed_anyway();
        let helps = view.helps();
        let (way_out, out) = stop::cheapest_stop(problem, state);
        let mut offers: Vec<Offer> = problem
            .open_checks(state)
            .map(|c| Offer {
                step: Step::Check(c),
                bits: view.bits(c),
                cost: cost_of_check(problem, c, state),
                own: view.own_cost(&problem.checks()[c.0].price, &anyway),
            })
            .filter(|o| o.bits >= self.least_bits)
            .collect();
        offers.extend(helps.iter().filter(|(r, _)| problem.remedies()[r.0].by_hand).map(|(r, _)| Offer {
            step: Step::Remedy(*r),
            bits: view.remedy_bits(*r),
            cost: cost_of_remedy(problem, *r, state),
            own: view.own_cost(&problem.remedies()[r.0].price, &anyway),
        }));
        offers.retain(|o| o.bits >= self.least_bits);
        let worth = |o: &Offer| even(o.bits / o.own.max(LEAST_COST));
        offers.sort_by(|a, b| worth(b).total_cmp(&worth(a)));
        let by_price = |a: &&(RemedyIx, f64), b: &&(RemedyIx, f64)| {
            even(a.1 / view.cost_of(a.0)).total_cmp(&even(b.1 / view.cost_of(b.0))).then(b.0.cmp(&a.0))
        };
        let pays = |x: &&(RemedyIx, f64)| x.1 > 0.0 && view.cost_of(x.0) <= x.1 * out.cost;
        let last = helps.iter().filter(pays).max_by(by_price).map(|x| x.0);
        let step = match (view.sure(&helps, self.sure), offers.first(), last) {
            (Some(r), _, _) => Step::Remedy(r),
            (None, Some(offer), _) => offer.step.clone(),
            (None, None, Some(r)) => Step::Remedy(r),
            (None, None, None) => Step::Done(way_out),
        };
        let help = |r: RemedyIx| helps.iter().find(|x| x.0 == r).map_or(0.0, |x| x.1);
        decision(&view, step, &offers, help, out)
    }
}

fn decision(
    view: &View<'_>,
    wanted: Step,
    offers: &[Offer],
    help: impl Fn(RemedyIx) -> f64,
    out: Expected,
) -> Decision {
    let (problem, state) = (view.problem, view.state);
    if let Step::Done(stop) = wanted {
        return Decision::done(stop, out);
    }
    // After a remedy comes a retest, and that puts power on the unit.
    let retest = Price { power: Power::On, ..Price::default() };
    let price = match &wanted {
        Step::Check(c) => problem.checks().get(c.0).map(|c| &c.price),
        Step::Remedy(_) | Step::Done(_) => Some(&retest),
    };
    let gate = gate_before(problem, state, price);
    let step = gate.map_or(wanted, |(gate, _)| Step::Check(gate));
    let own = match &step {
        Step::Check(c) => cost_of_check(problem, *c, state),
        Step::Remedy(r) => cost_of_remedy(problem, *r, state),
        Step::Done(_) => Expected::default(),
    };
    let bits = match &step {
        Step::Check(c) => view.bits(*c),
        Step::Remedy(r) => view.remedy_bits(*r),
        Step::Done(_) => 0.0,
    };
    let rest = Rest::of(view, offers);
    let expected = |bits: f64, own: Expected| own.plus(rest.after(bits), 1.0);
    let alternatives = offers
        .iter()
        .filter(|o| o.step != step)
        .map(|o| Alternative { step: o.step.clone(), expected: expected(o.bits, o.cost), bits: o.bits })
        .collect();
    Decision {
        bits,
        probability_gained: match &step {
            Step::Check(c) => problem.leader_gain(*c),
            Step::Remedy(r) => help(*r),
            Step::Done(_) => 0.0,
        },
        expected: expected(bits, own),
        reasons: reasons::of(problem, state, &step, gate.map(|(_, open)| open), help),
        alternatives,
        step,
    }
}

/// A rough forecast of what is left: bits still missing at the rate of the best checks, and the usual remedy.
struct Rest {
    missing: f64,
    per_bit: Expected,
    mend: Expected,
}

impl Rest {
    fn of(view: &View<'_>, offers: &[Offer]) -> Rest {
        let mut shares = vec![0.0; view.count];
        view.groups.iter().flatten().for_each(|(g, share)| shares[*g] += share);
        let best = offers.iter().find(|o| matches!(o.step, Step::Check(_)));
        let per_bit = best.map_or(Expected::default(), |o| o.cost.times(1.0 / o.bits.max(0.02)));
        let mut mend = Expected::default();
        for (h, group) in view.groups.iter().enumerate() {
            let Some((_, share)) = group else { continue };
            for fault in &view.problem.hypotheses()[h].faults {
                let open = view.problem.open_remedies(view.state);
                let cures = |r: &RemedyIx| view.problem.remedies()[r.0].faults.binary_search(fault).is_ok();
                if let Some(r) = open.into_iter().find(cures) {
                    mend = mend.plus(cost_of_remedy(view.problem, r, view.state), *share);
                }
            }
        }
        Rest { missing: entropy(&shares), per_bit, mend }
    }

    fn after(&self, bits: f64) -> Expected {
        self.mend.plus(self.per_bit, (self.missing - bits - LEFT_BITS).max(0.0))
    }
}

/// Bits that are still missing when a remedy is nine parts in ten sure.
const LEFT_BITS: f64 = 0.47;
