//! The planner: values every step on offer as deep as the budget allows and takes the cheapest.

use super::belief::{Move, Node};
use super::decision::{Alternative, Decision, Effort, Step};
use super::model::Model;
use super::price::{Expected, Power, Price, State};
use super::problem::{Kind, Problem};
use super::reasons;
use super::search::{Look, Proved, Search, bits_of, checks_on_offer, missing_bits, remedies_on_offer};
use super::stop;
use super::strategies::{LEAST_BITS, LEAST_COST, Strategy, gate_before};

/// Picks the step with the lowest expected cost to a mended unit.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Planner {
    /// How many states of belief may be evaluated for one decision; none takes a number fit for the problem's size
    /// ([`Planner::usual_nodes`]).
    pub nodes: Option<usize>,
}

/// One round of looking ahead: below the `top` most promising steps, so far.
struct Stage {
    top: usize,
    look: Look,
}

const fn stage(top: usize, grain: f64, depth: usize, width: usize) -> Stage {
    Stage { top, look: Look { depth, width, grain } }
}

const ALL: usize = usize::MAX;

/// Rounds taken one after the other until the budget is gone.
const STAGES: [Stage; 13] = [
    stage(ALL, 0.1, 0, ALL),
    stage(6, 0.03, 0, ALL),
    stage(4, 0.01, 0, ALL),
    stage(4, 0.01, 1, 3),
    stage(ALL, 1e-4, 0, ALL),
    stage(ALL, 1e-4, 1, 3),
    stage(ALL, 1e-4, 1, ALL),
    stage(ALL, 1e-4, 2, 3),
    stage(ALL, 1e-4, 2, ALL),
    stage(ALL, 1e-4, 3, 3),
    stage(ALL, 1e-4, 3, ALL),
    stage(ALL, 1e-4, 5, ALL),
    stage(ALL, 1e-4, 64, ALL),
];

/// How many steps of a large problem are looked into for their first look, their bits per cost, their cure per cost.
const FIRST: usize = 3;
const BITS_FIRST: usize = 5;
const MEND_FIRST: usize = 2;

/// Values this close (relative) are a tie.
const TIE: f64 = 1e-9;

/// Steps times hypotheses that all nodes together may touch.
const WORK: usize = 130_000_000;

/// Values this close (relative) cannot be told apart where the search ended early.
const CLOSE: f64 = 0.02;

/// Bits below which a check isn't taken for its information alone.
const TELLING: f64 = 0.15;

/// A step at the root with the best value found for it.
#[derive(Debug, Clone, Copy)]
pub(super) struct Ranked {
    pub step: Move,
    pub value: Expected,
    kind: Option<Kind>,
    settled: bool,
    listed: bool,
}

impl Planner {
    /// A planner that evaluates about so many states of belief at most.
    pub fn with_nodes(nodes: usize) -> Planner {
        Planner { nodes: Some(nodes) }
    }

    /// The number of nodes taken when none is given: fewer for larger problems, so that decisions take about the same
    /// time.
    pub fn usual_nodes(problem: &Problem) -> usize {
        let steps: usize =
            problem.checks().iter().map(|c| c.outcomes).sum::<usize>() + problem.remedies().len();
        (WORK / (steps * problem.hypotheses().len()).max(1)).clamp(1_000, 8_000)
    }
}

impl Strategy for Planner {
    fn name(&self) -> &'static str {
        "planner"
    }

    fn next(&self, problem: &Problem, state: &State) -> Decision {
        if let Some(done) = stop::if_cured(state) {
            return done;
        }
        let model = Model::new(problem, state);
        let root = Node::start(&model, model.bench(state));
        let budget = self.nodes.unwrap_or_else(|| Planner::usual_nodes(problem));
        let mut search = Search::new(&model, budget);
        let (mut ranked, effort) = rank(&model, &root, &mut search);
        if !effort.complete && problem.open_gates().next().is_none() {
            information_first(&model, &root, &mut ranked);
        }
        decide(problem, state, &model, &ranked, effort)
    }
}

/// Every step on offer with its value, the best first.
fn rank(model: &Model, root: &Node, search: &mut Search<'_>) -> (Vec<Ranked>, Effort) {
    let mut ranked = first_look(model, root, search);
    sort(&mut ranked);
    if model.large {
        shortlist(model, root, &mut ranked);
        search.learn_bit_cost(root, 0.02);
    }
    let mut depth = 0;
    let mut complete = ranked.iter().all(|r| r.settled);
    for stage in &STAGES {
        if complete || search.spent() {
            break;
        }
        deepen(root, search, &mut ranked, stage);
        sort(&mut ranked);
        complete = ranked.iter().all(|r| r.settled);
        if stage.look.width == ALL && !search.spent() {
            depth = stage.look.depth + 1;
        }
    }
    (ranked, Effort { nodes: search.nodes, depth, complete })
}

/// Where the search ended early, values are known to a few per cent only. Two things are known all the same: a check may
/// be done and then ignored, so that its value is at most its price above the best; and among checks that cannot be told
/// apart by their values, the one with the most information per cost goes first.
fn information_first(model: &Model, root: &Node, ranked: &mut [Ranked]) {
    let Some(best) = ranked.first().filter(|r| r.kind.is_some()).map(|r| r.value) else { return };
    let price = |r: &Ranked| root.price(model, r.step).0;
    let bits = |r: &Ranked| match r.step {
        Move::Check(c) => bits_of(model, root, c),
        Move::Remedy(_) => 0.0,
    };
    for r in ranked.iter_mut().filter(|r| r.kind.is_some()) {
        let ignored = price(r).plus(best, 1.0);
        if ignored.cost < r.value.cost {
            r.value = ignored;
        }
    }
    sort(ranked);
    let close = best.cost * (1.0 + CLOSE);
    let merit = |r: &Ranked| bits(r) / price(r).cost.max(LEAST_COST);
    let chosen = (0..ranked.len())
        .filter(|i| ranked.get(*i).is_some_and(|r| r.value.cost <= close && bits(r) >= TELLING))
        .max_by(|a, b| merit(&ranked[*a]).total_cmp(&merit(&ranked[*b])).then(b.cmp(a)));
    if let Some(chosen) = chosen {
        ranked[..=chosen].rotate_right(1);
    }
}

/// The steps on offer with the cheapest estimate: this step, then remedies alone.
fn first_look(model: &Model, root: &Node, search: &mut Search<'_>) -> Vec<Ranked> {
    let mut ranked = Vec::new();
    for offer in checks_on_offer(model, root, f64::INFINITY).into_iter().chain(remedies_on_offer(model, root))
    {
        let worth = search.value_of(root, offer.step, |s, child, _| s.mend_only(child));
        let kind = match offer.step {
            Move::Check(c) => model.checks.get(c).map(|c| c.kind),
            Move::Remedy(_) => None,
        };
        ranked.push(Ranked { step: offer.step, value: worth, kind, settled: false, listed: true });
    }
    ranked
}

/// Moves to the front what is looked into further in a large problem: the steps that are best at first look, the checks
/// with the most bits per cost, the remedies with the highest probability of a cure per cost.
fn shortlist(model: &Model, root: &Node, ranked: &mut [Ranked]) {
    let mut chosen: Vec<Move> = ranked.iter().take(FIRST).map(|r| r.step).collect();
    chosen.extend(checks_on_offer(model, root, f64::INFINITY).iter().take(BITS_FIRST).map(|o| o.step));
    chosen.extend(remedies_on_offer(model, root).iter().take(MEND_FIRST).map(|o| o.step));
    for r in ranked.iter_mut() {
        r.listed = chosen.contains(&r.step);
    }
}

/// Looks further ahead below each of the most promising steps in turn.
///
/// The best so far comes first, so a challenger only wins with a value found by as deep a look; running out of nodes on
/// the way does no harm.
fn deepen(root: &Node, search: &mut Search<'_>, ranked: &mut [Ranked], stage: &Stage) {
    let settled = ranked.iter().filter(|r| r.settled).map(|r| r.value.cost);
    let mut best = settled.fold(f64::INFINITY, f64::min);
    for r in ranked.iter_mut().filter(|r| r.listed && !r.settled).take(stage.top) {
        if search.spent() {
            return;
        }
        match search.value_below(root, r.step, stage.look, best * (1.0 + 10.0 * TIE)) {
            Ok(worth) => {
                if worth.expected.cost < r.value.cost {
                    r.value = worth.expected;
                }
                r.settled = worth.exact;
                best = best.min(r.value.cost);
            }
            Err(Proved(proved)) => r.settled = proved,
        }
    }
}

/// The lowest value first; ties go to the check before the remedy, the gentler kind, the lower index.
fn sort(ranked: &mut [Ranked]) {
    let class = |r: &Ranked| (r.kind.is_none(), r.kind, r.step);
    ranked.sort_by(|a, b| a.value.cost.total_cmp(&b.value.cost).then_with(|| class(a).cmp(&class(b))));
    let Some(best) = ranked.first().map(|r| r.value.cost) else { return };
    let tied = ranked.iter().take_while(|r| r.value.cost <= best + TIE * best.abs().max(1e-3)).count();
    if let Some(head) = ranked.get_mut(..tied) {
        head.sort_by_key(class);
    }
}

/// Takes the best step, or stops where that is cheaper.
fn decide(problem: &Problem, state: &State, model: &Model, ranked: &[Ranked], effort: Effort) -> Decision {
    let (way_out, out) = stop::cheapest_stop(problem, state);
    let worth_it = ranked.first().filter(|r| r.value.cost <= out.cost * (1.0 + TIE));
    let best = worth_it.or_else(|| hopeful(model, state, ranked, out.cost));
    let Some(best) = best else {
        let alternatives = alternatives(problem, model, ranked.iter());
        return Decision { alternatives, effort, ..Decision::done(way_out, out) };
    };
    let wanted = step_of(model, best.step);
    // After a remedy comes a retest, and that puts power on the unit.
    let retest = Price { power: Power::On, ..Price::default() };
    let price = match wanted {
        Step::Check(c) => problem.checks().get(c.0).map(|c| &c.price),
        Step::Remedy(_) => Some(&retest),
        Step::Done(_) => None,
    };
    let gate = gate_before(problem, state, price);
    let step = gate.map_or(wanted, |(gate, _)| Step::Check(gate));
    let others = ranked.iter().filter(|r| step_of(model, r.step) != step);
    Decision {
        bits: bits_of_step(problem, &step),
        probability_gained: match &step {
            Step::Check(c) => problem.leader_gain(*c),
            Step::Remedy(r) => problem.retest_chances(*r)[0],
            Step::Done(_) => 0.0,
        },
        expected: best.value,
        reasons: reasons::of(problem, state, &step, model, ranked, gate.map(|(_, open)| open)),
        alternatives: alternatives(problem, model, others),
        effort,
        step,
    }
}

/// In a large problem looks are cut short, and where every one of them ends in the way out, nothing seems worth its
/// price. Before giving up, asking on is weighed once more: the bits that are missing at three times the rate of the
/// best check, then the right remedy. Returns that check when this is cheaper than giving up.
fn hopeful<'r>(model: &Model, state: &State, ranked: &'r [Ranked], out: f64) -> Option<&'r Ranked> {
    if !model.large {
        return None;
    }
    let root = Node::start(model, model.bench(state));
    let offer = checks_on_offer(model, &root, f64::INFINITY).into_iter().next()?;
    let asking = root.least(model) + 3.0 * offer.cost / offer.merit * missing_bits(&root);
    if asking < out { ranked.iter().find(|r| r.step == offer.step) } else { None }
}

fn alternatives<'r>(
    problem: &Problem,
    model: &Model,
    ranked: impl Iterator<Item = &'r Ranked>,
) -> Vec<Alternative> {
    ranked
        .map(|r| {
            let step = step_of(model, r.step);
            Alternative { bits: bits_of_step(problem, &step), step, expected: r.value }
        })
        .collect()
}

fn bits_of_step(problem: &Problem, step: &Step) -> f64 {
    let bits = match step {
        Step::Check(c) => problem.check_bits(*c),
        Step::Remedy(r) => problem.remedy_bits(*r),
        Step::Done(_) => 0.0,
    };
    if bits < LEAST_BITS { 0.0 } else { bits }
}

/// The step in the caller's numbering.
pub(super) fn step_of(model: &Model, step: Move) -> Step {
    let found = match step {
        Move::Check(c) => model.checks.get(c).map(|c| Step::Check(c.ix)),
        Move::Remedy(r) => model.remedies.get(r).map(|r| Step::Remedy(r.ix)),
    };
    found.unwrap_or(Step::Done(super::decision::Stop::NoStepLeft))
}
