//! What is to be expected when exactly these faults are present: the planner's view of one fault set.

use super::compile::Setting;
use super::graph::Cause;
use super::solve::Solver;
use super::state::Belief;
use super::{CheckId, FaultId};
use std::cell::OnceCell;

/// Branches of the hidden conditions less probable than this are dropped.
const FLOOR: f64 = 1e-6;

/// The findings' likelihood and the conditions' probabilities for one fault set.
#[derive(Debug, Clone, PartialEq)]
pub struct Given {
    /// Natural logarithm of P(findings | exactly these faults); minus infinity where they can't occur.
    pub log_likelihood: f64,
    /// P(condition | findings, exactly these faults), by condition index.
    pub conditions: Vec<f64>,
    faults: Vec<bool>,
}

impl Belief {
    /// Sums the hidden conditions out for one complete fault set, all other faults absent.
    ///
    /// Exact but for branches of the conditions that are less probable than 1e-6. Set scores take no part.
    /// Cost: two to the number of conditions that lie between the set and a finding, at worst.
    ///
    /// ```
    /// use std::sync::Arc;
    /// use halfsplit::belief::{Belief, Finding, Graph};
    /// let mut graph = Graph::new();
    /// let regulator = graph.add_fault(0.02)?;
    /// let rail = graph.add_condition(0.0, &[(regulator.into(), 0.9)])?;
    /// let sound = graph.add_yes_no_check(0.01, &[(rail.into(), 0.5)])?;
    /// let volts = graph.add_yes_no_check(0.0, &[(rail.into(), 1.0)])?;
    /// let belief = Belief::new(Arc::new(graph), &[Finding::answer(sound, 1)])?;
    /// let given = belief.given(&[regulator]);
    /// // The silence makes it likelier that the rail is down: 0.4545 against 0.01 * 0.1.
    /// assert!((belief.expected_answers(&given, volts)[1] - 0.4545 / 0.4555).abs() < 1e-9);
    /// # Ok::<(), halfsplit::belief::BeliefError>(())
    /// ```
    pub fn given(&self, members: &[FaultId]) -> Given {
        let faults = self.present(members);
        let between = self.between(&faults);
        let (steps, seen) = self.branches(&faults, &between);
        self.walked(faults, &between, apart(steps, seen, FLOOR))
    }

    /// The same for many fault sets: compiled once, where a set leaves more conditions open together than are worth branching on.
    pub fn many_given(&self) -> ManyGiven<'_> {
        ManyGiven { belief: self, solver: OnceCell::new() }
    }

    fn present(&self, members: &[FaultId]) -> Vec<bool> {
        let mut faults = vec![false; self.graph.fault_count()];
        for f in members {
            if let Some(slot) = faults.get_mut(f.0) {
                *slot = true;
            }
        }
        faults
    }

    fn walked(&self, faults: Vec<bool>, between: &[bool], walks: Vec<Walk<'_>>) -> Given {
        let mut total = 1.0;
        let mut known: Vec<Option<f64>> = vec![None; between.len()];
        for mut walk in walks {
            let part = walk.step(0, 1.0, 1.0);
            for (step, sum) in walk.steps.iter().zip(&walk.sums).filter(|_| part > 0.0) {
                known[step.condition] = Some((sum / part).min(1.0));
            }
            total *= part;
        }
        let known = |c: usize| known[c].filter(|_| total > 0.0);
        let conditions = self.conditions_given(&faults, known);
        Given { log_likelihood: total.ln(), conditions, faults }
    }

    /// Every condition's probability: as known, else from its causes alone.
    fn conditions_given(&self, faults: &[bool], known: impl Fn(usize) -> Option<f64>) -> Vec<f64> {
        let mut conditions = vec![0.0; self.graph.conditions.len()];
        for (c, node) in self.graph.conditions.iter().enumerate() {
            conditions[c] = known(c).unwrap_or_else(|| {
                let off = node.causes.iter().fold(1.0 - node.leak, |off, (cause, w)| {
                    off * (1.0 - w * probability(*cause, faults, &conditions))
                });
                1.0 - off
            });
        }
        conditions
    }

    /// P(answer | findings, exactly these faults) of a check, by answer. The conditions behind the check are
    /// taken as independent given the set and the findings. Empty for an id of another graph.
    ///
    /// Against [`Belief::answers_given`], which is exact and takes a propagation for each answer, this is off by 1e-4 in the
    /// mean, by less than 1e-3 in 99 of 100 answers, and by 0.1 to 0.2 at worst: measured on the shipped rules, 100 lists of up to
    /// six findings, the likeliest sets of up to three faults. Where it is far off, two conditions behind the check have a
    /// cause in common or explain the same finding.
    pub fn expected_answers(&self, given: &Given, check: CheckId) -> Vec<f64> {
        let Some(node) = self.graph.checks.get(check.0) else { return Vec::new() };
        let mut below = node.leak.clone();
        for (cause, spread) in &node.causes {
            let p = probability(*cause, &given.faults, &given.conditions);
            if p > 0.0 {
                for (b, s) in below.iter_mut().zip(spread) {
                    *b *= 1.0 - p * (1.0 - s);
                }
            }
        }
        for k in (1..below.len()).rev() {
            below[k] = (below[k] - below[k - 1]).max(0.0);
        }
        below
    }

    /// Conditions that the set may bring about and that a finding depends on.
    fn between(&self, faults: &[bool]) -> Vec<bool> {
        let graph = &self.graph;
        let n = graph.conditions.len();
        let mut possible = vec![false; n];
        for c in 0..n {
            let node = &graph.conditions[c];
            possible[c] = node.leak > 0.0
                || node.causes.iter().any(|(cause, _)| match cause {
                    Cause::Fault(f) => faults[f.0],
                    Cause::Condition(d) => possible[d.0],
                });
        }
        let mut needed = vec![false; n];
        let mut mark = |cause: &Cause| {
            if let Cause::Condition(c) = cause {
                needed[c.0] = true;
            }
        };
        for (check, _) in &self.findings {
            graph.checks[check.0].causes.iter().for_each(|(cause, _)| mark(cause));
        }
        for c in (0..n).rev() {
            if needed[c] {
                for (cause, _) in &graph.conditions[c].causes {
                    if let Cause::Condition(d) = cause {
                        needed[d.0] = true;
                    }
                }
            }
        }
        possible.iter().zip(needed).map(|(p, n)| *p && n).collect()
    }
}

fn probability(cause: Cause, faults: &[bool], conditions: &[f64]) -> f64 {
    match cause {
        Cause::Fault(f) => f64::from(u8::from(faults[f.0])),
        Cause::Condition(c) => conditions[c.0],
    }
}

/// Conditions that hang together beyond this number are summed by the compiled network instead of branch by branch.
const BRANCHED: usize = 7;
/// Base-2 logarithm of the table entries that are worth visiting at most.
const MOST: u32 = 14;

/// Looks at many fault sets of one belief.
pub struct ManyGiven<'a> {
    belief: &'a Belief,
    solver: OnceCell<Option<Solver>>,
}

impl ManyGiven<'_> {
    /// As [`Belief::given`], and exact unless more conditions hang together than can be summed over quickly.
    pub fn of(&self, members: &[FaultId]) -> Given {
        let faults = self.belief.present(members);
        let between = self.belief.between(&faults);
        let (steps, seen) = self.belief.branches(&faults, &between);
        let walks = apart(steps, seen, 0.0);
        let branched = |w: &Walk<'_>| w.steps.iter().filter(|s| s.alone.is_none()).count();
        let most = walks.iter().map(branched).max().unwrap_or(0);
        if most <= BRANCHED {
            return self.belief.walked(faults, &between, walks);
        }
        // Few of very many branches are probable: past a point walking those is quicker than summing all.
        let worth = f64::from(u32::try_from(most).unwrap_or(MOST).min(MOST)).exp2();
        self.summed(&faults, worth).unwrap_or_else(|| self.belief.given(members))
    }

    /// By the compiled network; `None` where that visits more table entries than it is worth.
    fn summed(&self, faults: &[bool], worth: f64) -> Option<Given> {
        let belief = self.belief;
        let held = || vec![true; belief.graph.fault_count()];
        let solver = self.solver.get_or_init(|| {
            let solver = Solver::new(&belief.graph, held(), &belief.findings, &belief.limits);
            solver.affordable().ok().map(|()| solver)
        });
        let present: Vec<usize> = (0..faults.len()).filter(|f| faults[*f]).collect();
        let setting = Setting { present: &present, fixed: &[], computed: &[] };
        let solver = solver.as_ref().filter(|s| s.template.cost() <= worth)?;
        let ran = solver.run(&belief.graph, &belief.findings, setting, true).ok()?;
        let log_likelihood = ran.as_ref().map_or(f64::NEG_INFINITY, |r| r.outcome.log_total);
        let conditions = belief.conditions_given(faults, |c| ran.as_ref()?.condition(c));
        Some(Given { log_likelihood, conditions, faults: faults.to_vec() })
    }
}

/// A condition that may hold, with what acts on it under this set.
struct Step {
    condition: usize,
    /// P(absent) with only the set's own faults and the leak acting.
    off: f64,
    /// Earlier steps that act on it, with their strengths.
    causes: Vec<(usize, f64)>,
    /// Likelihood of the findings that only say that nothing was off, where it acts on nothing else: it need not be branched on then.
    alone: Option<f64>,
}

/// A finding with what acts on it under this set.
struct Seen<'a> {
    likelihood: &'a [f64],
    /// P(answer <= k) with only the set's own faults and the leak acting.
    below: Vec<f64>,
    /// Steps that act on it: P(answer <= k) of each alone.
    causes: Vec<(usize, &'a [f64])>,
}

/// The branches of conditions that hang together, each walked once.
struct Walk<'a> {
    steps: Vec<Step>,
    /// Findings by the number of steps after which all that acts on them is settled.
    settled: Vec<Vec<Seen<'a>>>,
    on: Vec<bool>,
    /// Weight of the branches in which each step's condition holds.
    sums: Vec<f64>,
    /// Branches less probable than this are dropped.
    floor: f64,
}

impl Belief {
    /// The conditions that have to be summed out for a set, causes first, and the findings.
    fn branches(&self, faults: &[bool], between: &[bool]) -> (Vec<Step>, Vec<Seen<'_>>) {
        let mut place = vec![usize::MAX; between.len()];
        let mut steps: Vec<Step> = Vec::new();
        for (c, node) in self.graph.conditions.iter().enumerate().filter(|(c, _)| between[*c]) {
            let mut step = Step { condition: c, off: 1.0 - node.leak, causes: Vec::new(), alone: Some(1.0) };
            for (cause, w) in &node.causes {
                match cause {
                    Cause::Fault(f) if faults[f.0] => step.off *= 1.0 - w,
                    Cause::Condition(d) if place[d.0] != usize::MAX => step.causes.push((place[d.0], *w)),
                    _ => {}
                }
            }
            step.causes.iter().for_each(|(cause, _)| steps[*cause].alone = None);
            place[c] = steps.len();
            steps.push(step);
        }
        let mut out: Vec<Seen<'_>> = Vec::new();
        for (check, likelihood) in &self.findings {
            let node = &self.graph.checks[check.0];
            let mut seen = Seen { likelihood, below: node.leak.clone(), causes: Vec::new() };
            for (cause, spread) in &node.causes {
                match cause {
                    Cause::Fault(f) if faults[f.0] => {
                        seen.below.iter_mut().zip(spread).for_each(|(b, s)| *b *= s);
                    }
                    Cause::Condition(d) if place[d.0] != usize::MAX => seen.causes.push((place[d.0], spread)),
                    _ => {}
                }
            }
            // What is normal factorises over its causes.
            let normal = seen.likelihood[1..].iter().all(|l| *l == 0.0);
            for (at, spread) in &seen.causes {
                steps[*at].alone = steps[*at].alone.filter(|_| normal).map(|l| l * spread[0]);
            }
            out.push(seen);
        }
        for seen in &mut out {
            seen.causes.retain(|(at, _)| steps[*at].alone.is_none());
        }
        (steps, out)
    }
}

/// Cuts steps and findings into walks that have nothing to do with each other: the sum over all of them is the product of their sums.
fn apart(steps: Vec<Step>, seen: Vec<Seen<'_>>, floor: f64) -> Vec<Walk<'_>> {
    let count = steps.len();
    let mut joined = petgraph::unionfind::UnionFind::<usize>::new(count + seen.len());
    for (at, step) in steps.iter().enumerate() {
        for (cause, _) in &step.causes {
            joined.union(at, *cause);
        }
    }
    for (k, seen) in seen.iter().enumerate() {
        for (at, _) in &seen.causes {
            joined.union(count + k, *at);
        }
    }
    let mut walks: Vec<(usize, Walk<'_>)> = Vec::new();
    let of = |root: usize, walks: &mut Vec<(usize, Walk<'_>)>| -> usize {
        walks.iter().position(|(r, _)| *r == root).unwrap_or_else(|| {
            walks.push((
                root,
                Walk {
                    steps: Vec::new(),
                    settled: vec![Vec::new()],
                    on: Vec::new(),
                    sums: Vec::new(),
                    floor,
                },
            ));
            walks.len() - 1
        })
    };
    let mut place = vec![0; count];
    for (at, mut step) in steps.into_iter().enumerate() {
        let walk = of(joined.find(at), &mut walks);
        let walk = &mut walks[walk].1;
        step.causes.iter_mut().for_each(|(cause, _)| *cause = place[*cause]);
        place[at] = walk.steps.len();
        walk.steps.push(step);
        walk.settled.push(Vec::new());
        walk.on.push(false);
        walk.sums.push(0.0);
    }
    for (k, mut seen) in seen.into_iter().enumerate() {
        let walk = of(joined.find(count + k), &mut walks);
        seen.causes.iter_mut().for_each(|(at, _)| *at = place[*at]);
        // Each finding is weighed as soon as all that acts on it is settled.
        let last = seen.causes.iter().map(|(at, _)| at + 1).max().unwrap_or(0);
        walks[walk].1.settled[last].push(seen);
    }
    walks.into_iter().map(|(_, walk)| walk).collect()
}

impl Seen<'_> {
    /// P(finding) with the steps standing as they do.
    fn weight(&self, on: &[bool]) -> f64 {
        let (mut expected, mut last) = (0.0, 0.0);
        for (k, (l, below)) in self.likelihood.iter().zip(&self.below).enumerate() {
            let acting = self.causes.iter().filter(|(at, _)| on[*at]);
            let below = acting.fold(*below, |p, (_, spread)| p * spread[k]);
            expected += l * (below - last);
            last = below;
        }
        expected
    }
}

impl Walk<'_> {
    /// Weight of all branches from a step on, those before standing as they do: `chance` is the probability that they do, `weight`
    /// that and of the findings settled by then.
    fn step(&mut self, at: usize, chance: f64, weight: f64) -> f64 {
        let weight = self.settled[at].iter().fold(weight, |w, seen| w * seen.weight(&self.on));
        let Some(step) = self.steps.get(at).filter(|_| weight > 0.0) else { return weight };
        let off = step.causes.iter().filter(|(c, _)| self.on[*c]).fold(step.off, |p, (_, w)| p * (1.0 - w));
        if let Some(likelihood) = step.alone {
            let on = (1.0 - off) * likelihood;
            let total = self.step(at + 1, chance, weight * (off + on));
            self.sums[at] += if total > 0.0 { total * on / (off + on) } else { 0.0 };
            return total;
        }
        let mut total = 0.0;
        for (state, p) in [(false, off), (true, 1.0 - off)] {
            if chance * p > self.floor {
                self.on[at] = state;
                let below = self.step(at + 1, chance * p, weight * p);
                if state {
                    self.sums[at] += below;
                }
                total += below;
            }
        }
        self.on[at] = false;
        total
    }
}
