//! What the causes behind the findings are expected to have done, for one complete fault set: the counts that strengths
//! and leaks are learned from.

use super::graph::Cause;
use super::{BeliefError, CheckId, ConditionId, FaultId, Finding, Graph};

/// Branches of the hidden conditions less probable than this are dropped, where there are few conditions and where many.
const FLOORS: [f64; 2] = [1e-13, 1e-6];
/// Up to so many conditions are few.
const FEW: usize = 12;

/// A node that causes act on.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Affected {
    /// A hidden condition.
    Condition(ConditionId),
    /// A check with a finding.
    Check(CheckId),
}

/// What one cause of one node is expected to have done.
#[derive(Debug, Clone, PartialEq)]
pub struct CauseCount {
    /// The node.
    pub at: Affected,
    /// 0 for the node's leak, else 1 + the cause's position in the list that the node was added with.
    pub place: usize,
    /// Expected number of times that the cause acted: P(cause present | findings, set); 1 for a leak.
    pub trials: f64,
    /// Of these, how often it brought about each answer of its own, whether or not a greater one hid it: for a condition
    /// `[nothing, the condition]`, for a check by answer. They add up to `trials`.
    pub answers: Vec<f64>,
}

/// The counts of one case. See [`Graph::expectations`].
#[derive(Debug, Clone, PartialEq)]
pub struct Expectations {
    /// Natural logarithm of P(findings | exactly these faults); minus infinity where they can't occur, and then there are
    /// no counts.
    pub log_likelihood: f64,
    /// One entry for each cause that may have acted on something a finding depends on.
    pub counts: Vec<CauseCount>,
    /// P(true answer | findings, set) of each check with a finding; tells more than the finding where that is soft.
    pub answers: Vec<(CheckId, Vec<f64>)>,
}

impl Graph {
    /// The conditions that a fault set may bring about (leaks included) and that some of the checks depend on, by
    /// [`ConditionId`]: those that [`Graph::expectations`] has to sum over. Faults and checks of another graph count for
    /// nothing.
    pub fn between(&self, members: &[FaultId], checks: &[CheckId]) -> Vec<bool> {
        let mut faults = vec![false; self.priors.len()];
        for f in members {
            faults.get_mut(f.0).into_iter().for_each(|there| *there = true);
        }
        let checks: Vec<CheckId> = checks.iter().copied().filter(|c| c.0 < self.checks.len()).collect();
        between(self, &faults, checks.into_iter())
    }

    /// Whether every cause of a check that a fault set may bring about is a fault, or among `settled` (by [`ConditionId`],
    /// as from [`Graph::between`]): then a finding on it adds nothing to what must be summed over.
    pub fn is_settled(&self, members: &[FaultId], check: CheckId, settled: &[bool]) -> bool {
        let mut all = self.between(members, &[check]);
        all.iter_mut().zip(settled).for_each(|(a, s)| *a &= !s);
        !all.contains(&true)
    }

    /// Expected trials and successes of every link and leak that the findings say something of, all faults known: the
    /// E-step of expectation-maximisation for noisy-OR and noisy-MAX with hidden conditions (Dempster, Laird and Rubin
    /// 1977; for noisy-OR Singliar and Hauskrecht 2006). A leak is one more independent cause. Nodes that no finding
    /// depends on tell nothing and are left out.
    ///
    /// Exact but for branches of the conditions less probable than 1e-13, or 1e-6 where more than twelve conditions lie
    /// between the set and the findings. Cost: two to the number of these conditions, at worst; a finding rules branches out
    /// as soon as its causes are settled.
    ///
    /// ```
    /// use halfsplit::belief::{Finding, Graph};
    /// let mut graph = Graph::new();
    /// let (a, b) = (graph.add_fault(0.1)?, graph.add_fault(0.1)?);
    /// let check = graph.add_yes_no_check(0.0, &[(a.into(), 0.5), (b.into(), 0.8)])?;
    /// let found = graph.expectations(&[a, b], &[Finding::answer(check, 1)])?;
    /// // P(abnormal) = 1 - 0.5 * 0.2 = 0.9: the first cause did its part in 0.5 / 0.9 of such cases.
    /// assert!((found.log_likelihood - 0.9f64.ln()).abs() < 1e-12);
    /// let first = found.counts.iter().find(|c| c.place == 1).unwrap();
    /// assert!((first.answers[1] - 0.5 / 0.9).abs() < 1e-12);
    /// # Ok::<(), halfsplit::belief::BeliefError>(())
    /// ```
    ///
    /// # Errors
    /// Findings that don't fit the graph, or two on one check; a fault of another graph.
    pub fn expectations(
        &self,
        members: &[FaultId],
        findings: &[Finding],
    ) -> Result<Expectations, BeliefError> {
        let mut faults = vec![false; self.priors.len()];
        for f in members {
            *faults.get_mut(f.0).ok_or_else(|| super::graph::unknown("fault", f.0))? = true;
        }
        let mut seen = Vec::with_capacity(findings.len());
        for finding in findings {
            seen.push((finding.check, finding.likelihood(self)?));
        }
        seen.sort_by_key(|(check, _)| *check);
        if let Some(twice) = seen.windows(2).find(|w| w[0].0 == w[1].0) {
            return Err(BeliefError::RepeatedFinding(twice[0].0.0));
        }
        let mut walk = Walk::new(self, &faults, &seen);
        Ok(walk.run())
    }
}

/// When a cause acts: always under this set, or with a condition of the walk.
#[derive(Clone, Copy, PartialEq)]
enum When {
    Always,
    With(usize),
}

struct Acting<'a> {
    place: usize,
    when: When,
    /// P(own answer <= k).
    below: Below<'a>,
    trials: f64,
    answers: Vec<f64>,
}

/// A cumulative distribution, borrowed for checks, two numbers for conditions.
enum Below<'a> {
    Plain([f64; 2]),
    Graded(&'a [f64]),
}

impl Below<'_> {
    fn get(&self) -> &[f64] {
        match self {
            Self::Plain(two) => two,
            Self::Graded(all) => all,
        }
    }
}

/// A node of the walk with the causes that may act on it.
struct Stop<'a> {
    at: Affected,
    causes: Vec<Acting<'a>>,
    /// Likelihood by answer; empty for a condition.
    likelihood: &'a [f64],
    /// P(what was seen | the branch), set when the node's causes are settled.
    now: f64,
    /// With it, by answer: the product of P(own answer <= k) over the causes that act, but for factors of 0, and how many
    /// of those there are.
    below: Vec<(f64, u32)>,
    /// Weight of each answer.
    answers: Vec<f64>,
}

struct Walk<'a> {
    conditions: Vec<Stop<'a>>,
    /// Findings, by the number of conditions that must be settled before they can be weighed.
    findings: Vec<Vec<Stop<'a>>>,
    on: Vec<bool>,
    total: f64,
    floor: f64,
}

impl<'a> Walk<'a> {
    fn new(graph: &'a Graph, faults: &[bool], seen: &'a [(CheckId, Vec<f64>)]) -> Self {
        let between = between(graph, faults, seen.iter().map(|(check, _)| *check));
        let mut step = vec![usize::MAX; between.len()];
        let mut conditions = Vec::new();
        let when = |cause: &Cause, step: &[usize]| match cause {
            Cause::Fault(f) => faults[f.0].then_some(When::Always),
            Cause::Condition(c) => (step[c.0] != usize::MAX).then(|| When::With(step[c.0])),
        };
        for (c, node) in graph.conditions.iter().enumerate().filter(|(c, _)| between[*c]) {
            let leak = Some((0, When::Always, node.leak)).filter(|l| l.2 > 0.0);
            let causes = node.causes.iter().enumerate();
            let causes =
                causes.filter_map(|(i, (cause, w))| when(cause, &step).map(|when| (i + 1, when, *w)));
            let causes = leak.into_iter().chain(causes);
            let causes: Vec<Acting<'_>> =
                causes.map(|(place, when, w)| acting(place, when, Below::Plain([1.0 - w, 1.0]))).collect();
            step[c] = conditions.len();
            conditions.push(Stop {
                at: Affected::Condition(ConditionId(c)),
                causes,
                likelihood: &[],
                now: 1.0,
                below: Vec::new(),
                answers: Vec::new(),
            });
        }
        let mut findings: Vec<Vec<Stop<'_>>> = (0..=conditions.len()).map(|_| Vec::new()).collect();
        for (check, likelihood) in seen {
            let node = &graph.checks[check.0];
            let mut causes = vec![acting(0, When::Always, Below::Graded(&node.leak))];
            let mut ready = 0;
            for (i, (cause, spread)) in node.causes.iter().enumerate() {
                let Some(when) = when(cause, &step) else { continue };
                if let When::With(at) = when {
                    ready = ready.max(at + 1);
                }
                causes.push(acting(i + 1, when, Below::Graded(spread)));
            }
            let answers = vec![0.0; likelihood.len()];
            let below = vec![(1.0, 0); likelihood.len()];
            let at = Affected::Check(*check);
            findings[ready].push(Stop { at, causes, likelihood, now: 1.0, below, answers });
        }
        let on = vec![false; conditions.len()];
        let floor = FLOORS[usize::from(conditions.len() > FEW)];
        Self { conditions, findings, on, total: 0.0, floor }
    }

    fn run(&mut self) -> Expectations {
        let mut lone = std::mem::take(&mut self.findings[0]);
        let mut log = 0.0;
        for stop in &mut lone {
            weigh(stop, &self.on);
            log += stop.now.ln();
        }
        self.total = self.step(0, 1.0, 1.0);
        log += self.total.ln();
        if log == f64::NEG_INFINITY {
            return Expectations { log_likelihood: log, counts: Vec::new(), answers: Vec::new() };
        }
        lone.iter_mut().for_each(|stop| count_check(stop, &self.on, self.total));
        let all = std::mem::take(&mut self.findings).into_iter().flatten();
        let stops = std::mem::take(&mut self.conditions).into_iter().chain(lone).chain(all);
        let mut counts = Vec::new();
        let mut answers = Vec::new();
        for stop in stops {
            if let Affected::Check(check) = stop.at {
                answers.push((check, stop.answers.iter().map(|a| a / self.total).collect()));
            }
            counts.extend(stop.causes.into_iter().filter(|c| c.trials > 0.0).map(|c| CauseCount {
                at: stop.at,
                place: c.place,
                trials: c.trials / self.total,
                answers: c.answers.iter().map(|a| a / self.total).collect(),
            }));
        }
        answers.sort_by_key(|(check, _)| *check);
        Expectations { log_likelihood: log, counts, answers }
    }

    /// Settles condition `at` both ways; `prior` is the branch's own probability, `weight` that with what was seen. Returns
    /// the weight of all that follows, by which what is settled here is counted: no node is gone through again at the ends.
    fn step(&mut self, at: usize, prior: f64, weight: f64) -> f64 {
        let Some(stop) = self.conditions.get(at) else { return weight };
        let acts = |c: &&Acting<'_>| acts(c.when, &self.on);
        let off: f64 = stop.causes.iter().filter(acts).map(|c| c.below.get()[0]).product();
        let mut total = 0.0;
        for (state, p) in [(false, off), (true, 1.0 - off)] {
            if prior * p <= self.floor {
                continue;
            }
            self.on[at] = state;
            let mut seen = weight * p;
            for stop in &mut self.findings[at + 1] {
                weigh(stop, &self.on);
                seen *= stop.now;
            }
            if seen <= 0.0 {
                continue;
            }
            let below = self.step(at + 1, prior * p, seen);
            if below > 0.0 {
                total += below;
                self.on[at] = state;
                count_condition(&mut self.conditions[at], state, p, &self.on, below);
                for stop in &mut self.findings[at + 1] {
                    count_check(stop, &self.on, below);
                }
            }
        }
        self.on[at] = false;
        total
    }
}

/// Adds what each cause of a condition did in a branch where it holds or not; `p`: P(that | its causes).
fn count_condition(stop: &mut Stop<'_>, holds: bool, p: f64, on: &[bool], weight: f64) {
    for cause in stop.causes.iter_mut().filter(|c| acts(c.when, on)) {
        let alone = 1.0 - cause.below.get()[0];
        let did = if holds { weight * alone / p } else { 0.0 };
        cause.trials += weight;
        cause.answers[1] += did;
        cause.answers[0] += weight - did;
    }
}

fn acting(place: usize, when: When, below: Below<'_>) -> Acting<'_> {
    let answers = vec![0.0; below.get().len()];
    Acting { place, when, below, trials: 0.0, answers }
}

fn acts(when: When, on: &[bool]) -> bool {
    match when {
        When::Always => true,
        When::With(c) => on[c],
    }
}

/// Sets P(what was seen | the branch), and the products that it comes from.
fn weigh(stop: &mut Stop<'_>, on: &[bool]) {
    stop.below.fill((1.0, 0));
    for cause in stop.causes.iter().filter(|c| acts(c.when, on)) {
        for (product, p) in stop.below.iter_mut().zip(cause.below.get()) {
            if *p > 0.0 {
                product.0 *= p;
            } else {
                product.1 += 1;
            }
        }
    }
    let (mut sum, mut last) = (0.0, 0.0);
    for (l, product) in stop.likelihood.iter().zip(&stop.below) {
        let below = all_of(*product);
        sum += l * (below - last).max(0.0);
        last = below;
    }
    stop.now = sum;
}

/// Adds what each cause of a check did in this branch, which [`weigh`] has gone over last: P(own answer j | what was seen), by
/// sum over a >= j of l(a) P(greatest = a | own = j).
fn count_check(stop: &mut Stop<'_>, on: &[bool], weight: f64) {
    let share = weight / stop.now;
    let mut last = 0.0;
    for (k, product) in stop.below.iter().enumerate() {
        let below = all_of(*product);
        stop.answers[k] += share * stop.likelihood[k] * (below - last).max(0.0);
        last = below;
    }
    let m = stop.likelihood.len();
    for cause in stop.causes.iter_mut().filter(|c| acts(c.when, on)) {
        let own = cause.below.get();
        // From the greatest answer down: what the others' greater answers contribute.
        let (mut greater, mut here) = (0.0, others_of(stop.below[m - 1], own[m - 1]));
        cause.trials += weight;
        for j in (0..m).rev() {
            let (next, under) =
                if j > 0 { (others_of(stop.below[j - 1], own[j - 1]), own[j - 1]) } else { (0.0, 0.0) };
            let l = stop.likelihood[j];
            cause.answers[j] += (own[j] - under).max(0.0) * (l * here + greater) * share;
            greater += l * (here - next).max(0.0);
            here = next;
        }
    }
}

/// P(answer <= k) of all causes.
fn all_of((product, zeros): (f64, u32)) -> f64 {
    if zeros == 0 { product } else { 0.0 }
}

/// P(answer <= k) of all causes but one, whose own is given.
fn others_of((product, zeros): (f64, u32), own: f64) -> f64 {
    match (own > 0.0, zeros) {
        (true, 0) => product / own,
        (false, 1) => product,
        _ => 0.0,
    }
}

/// Conditions that the set may bring about and that a finding depends on.
fn between(graph: &Graph, faults: &[bool], checks: impl Iterator<Item = CheckId>) -> Vec<bool> {
    let n = graph.conditions.len();
    let mut possible = vec![false; n];
    for (c, node) in graph.conditions.iter().enumerate() {
        possible[c] = node.leak > 0.0
            || node.causes.iter().any(|(cause, _)| match cause {
                Cause::Fault(f) => faults[f.0],
                Cause::Condition(d) => possible[d.0],
            });
    }
    let mut needed = vec![false; n];
    let mark = |cause: &Cause, needed: &mut Vec<bool>| {
        if let Cause::Condition(c) = cause {
            needed[c.0] = true;
        }
    };
    for check in checks {
        graph.checks[check.0].causes.iter().for_each(|(cause, _)| mark(cause, &mut needed));
    }
    for c in (0..n).rev() {
        if needed[c] {
            graph.conditions[c].causes.iter().for_each(|(cause, _)| mark(cause, &mut needed));
        }
    }
    possible.iter().zip(needed).map(|(p, n)| *p && n).collect()
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;
    use crate::belief::Belief;
    use std::sync::Arc;

    /// Three levels, graded answers, soft findings, leaks everywhere.
    fn graph(nudge: impl Fn(usize) -> f64) -> (Graph, [FaultId; 2], [CheckId; 2]) {
        let mut g = Graph::new();
        let faults = [g.add_fault(0.1).unwrap(), g.add_fault(0.2).unwrap()];
        let [a, b] = faults;
        let low = g.add_condition(0.05, &[(a.into(), 0.6 + nudge(0)), (b.into(), 0.3)]).unwrap();
        let dead = g.add_condition(0.0, &[(low.into(), 0.7 + nudge(1)), (b.into(), 0.2)]).unwrap();
        let sound = g
            .add_check(
                &[0.02, 0.01 + nudge(2)],
                &[(dead.into(), vec![0.2, 0.7]), (low.into(), vec![0.4 + nudge(3), 0.1])],
            )
            .unwrap();
        let lamp = g.add_yes_no_check(0.03, &[(low.into(), 0.8), (a.into(), 0.1)]).unwrap();
        (g, faults, [sound, lamp])
    }

    fn findings(checks: [CheckId; 2]) -> Vec<Finding> {
        vec![Finding::soft(checks[0], vec![0.1, 0.9, 0.3]), Finding::answer(checks[1], 1)]
    }

    #[test]
    fn the_likelihood_is_that_of_the_engine() {
        let (g, faults, checks) = graph(|_| 0.0);
        let belief = Belief::new(Arc::new(g.clone()), &findings(checks)).unwrap();
        for set in [vec![], vec![faults[0]], vec![faults[1]], faults.to_vec()] {
            let here = g.expectations(&set, &findings(checks)).unwrap();
            assert!((here.log_likelihood - belief.given(&set).log_likelihood).abs() < 1e-9);
            for c in &here.counts {
                assert!((c.answers.iter().sum::<f64>() - c.trials).abs() < 1e-12);
            }
        }
    }

    /// Fisher's identity: the slope of the log likelihood is the expected complete-data slope, here
    /// s_j / p_j - s_0 / p_0 for a share p_j that takes from the rest p_0.
    #[test]
    fn counts_are_the_slope_of_the_likelihood() {
        let (g, faults, checks) = graph(|_| 0.0);
        let here = g.expectations(&faults, &findings(checks)).unwrap();
        let h = 1e-5;
        let slope = |which: usize| {
            let at = |x: f64| {
                let (g, faults, checks) = graph(|i| if i == which { x } else { 0.0 });
                g.expectations(&faults, &findings(checks)).unwrap().log_likelihood
            };
            (at(h) - at(-h)) / (2.0 * h)
        };
        let count = |at: Affected, place: usize| {
            here.counts.iter().find(|c| c.at == at && c.place == place).unwrap().answers.clone()
        };
        let low = count(Affected::Condition(ConditionId(0)), 1);
        assert!((slope(0) - (low[1] / 0.6 - low[0] / 0.4)).abs() < 1e-6);
        let dead = count(Affected::Condition(ConditionId(1)), 1);
        assert!((slope(1) - (dead[1] / 0.7 - dead[0] / 0.3)).abs() < 1e-6);
        let leak = count(Affected::Check(checks[0]), 0);
        assert!((slope(2) - (leak[2] / 0.01 - leak[0] / 0.97)).abs() < 1e-5);
        let faint = count(Affected::Check(checks[0]), 2);
        assert!((slope(3) - (faint[1] / 0.4 - faint[0] / 0.5)).abs() < 1e-6);
    }

    #[test]
    fn what_cannot_be_has_no_counts() {
        let mut g = Graph::new();
        let fault = g.add_fault(0.1).unwrap();
        let check = g.add_yes_no_check(0.0, &[(fault.into(), 0.5)]).unwrap();
        let here = g.expectations(&[], &[Finding::answer(check, 1)]).unwrap();
        assert_eq!(here.log_likelihood, f64::NEG_INFINITY);
        assert!(here.counts.is_empty());
    }
}
