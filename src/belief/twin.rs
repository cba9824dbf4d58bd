//! The slow twin: sums over every state of every fault and condition, and the properties that the engine keeps with it.

use std::sync::Arc;

use proptest::prelude::*;

use super::compile::{Evidence, Setting, Style, Template};
use super::graph::Cause;
use super::solve::{Findings, WORST_CONDITION};
use super::{
    Belief, BeliefError, CheckId, ComputedCause, ConditionId, FaultId, Finding, Graph, Limits, ScoredSet,
    SetScores,
};

/// Everything by enumeration: unnormalised mass of each fault set (by bit mask), and jointly with each condition.
struct Twin {
    sets: Vec<f64>,
    conditions: Vec<f64>,
}

impl Twin {
    fn total(&self) -> f64 {
        self.sets.iter().sum()
    }

    fn fault(&self, f: usize) -> f64 {
        let with = self.sets.iter().enumerate().filter(|(s, _)| s >> f & 1 == 1);
        with.map(|(_, w)| w).sum::<f64>() / self.total()
    }

    fn of(graph: &Graph, findings: &Findings, sets: Option<&SetScores>) -> Twin {
        let (n, h) = (graph.fault_count(), graph.condition_count());
        let mut twin = Twin { sets: vec![0.0; 1 << n], conditions: vec![0.0; h] };
        for mask in 0usize..1 << n {
            let mut prior: f64 = (0..n)
                .map(|f| if mask >> f & 1 == 1 { graph.priors[f] } else { 1.0 - graph.priors[f] })
                .product();
            let mut causes: &[ComputedCause] = &[];
            if let Some(scores) = sets {
                let inside: usize = scores.faults.iter().map(|f| 1 << f.0).sum();
                let members = |s: &ScoredSet| s.members.iter().map(|f| 1usize << f.0).sum::<usize>();
                match scores.sets.iter().find(|s| members(s) == mask & inside) {
                    Some(set) => {
                        prior *= set.log_likelihood.exp();
                        causes = &set.causes;
                    }
                    None => prior = 0.0,
                }
            }
            for hidden in 0usize..1 << h {
                let active = |cause: &Cause| match cause {
                    Cause::Fault(f) => mask >> f.0 & 1 == 1,
                    Cause::Condition(c) => hidden >> c.0 & 1 == 1,
                };
                let mut weight = prior;
                for (c, node) in graph.conditions.iter().enumerate() {
                    let off: f64 = (1.0 - node.leak)
                        * node.causes.iter().filter(|x| active(&x.0)).map(|x| 1.0 - x.1).product::<f64>();
                    weight *= if hidden >> c & 1 == 1 { 1.0 - off } else { off };
                }
                for (check, likelihood) in findings {
                    let node = &graph.checks[check.0];
                    let upto = |k: usize| -> f64 {
                        let authored: f64 =
                            node.causes.iter().filter(|x| active(&x.0)).map(|x| x.1[k]).product();
                        let computed: f64 =
                            causes.iter().filter(|c| c.check == *check).map(|c| c.cumulative[k]).product();
                        node.leak[k] * authored * computed
                    };
                    weight *= (0..likelihood.len())
                        .map(|k| likelihood[k] * (upto(k) - if k == 0 { 0.0 } else { upto(k - 1) }))
                        .sum::<f64>();
                }
                twin.sets[mask] += weight;
                for c in 0..h {
                    if hidden >> c & 1 == 1 {
                        twin.conditions[c] += weight;
                    }
                }
            }
        }
        twin
    }
}

/// A small reproducible source of numbers (SplitMix64).
struct Source(u64);

impl Source {
    fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        z ^ (z >> 31)
    }

    fn below(&mut self, n: usize) -> usize {
        (self.next() % n as u64) as usize
    }

    /// Mostly inside, sometimes exactly 0 or 1.
    fn chance(&mut self) -> f64 {
        match self.below(12) {
            0 => 0.0,
            1 => 1.0,
            _ => (self.next() >> 11) as f64 / (1u64 << 53) as f64,
        }
    }

    fn spread(&mut self, len: usize) -> Vec<f64> {
        let raw: Vec<f64> = (0..=len).map(|_| self.chance() + 1e-3).collect();
        let sum: f64 = raw.iter().sum();
        raw[..len].iter().map(|x| x / sum).collect()
    }

    fn causes(&mut self, graph: &Graph) -> Vec<Cause> {
        let mut all: Vec<Cause> = graph.faults().map(Cause::Fault).collect();
        all.extend((0..graph.condition_count()).map(|c| Cause::Condition(ConditionId(c))));
        let keep = 1 + self.below(4);
        (0..keep.min(all.len()))
            .map(|_| {
                let i = self.below(all.len());
                all.swap_remove(i)
            })
            .collect()
    }
}

struct Case {
    graph: Arc<Graph>,
    findings: Vec<Finding>,
    sets: Option<Arc<SetScores>>,
}

fn case(seed: u64) -> Case {
    let mut s = Source(seed);
    let mut graph = Graph::new();
    let n = 1 + s.below(6);
    for _ in 0..n {
        let p = s.chance();
        graph.add_fault(if s.below(4) == 0 { p } else { p * 0.2 }).unwrap();
    }
    for _ in 0..s.below(4) {
        let causes = s.causes(&graph);
        let causes: Vec<(Cause, f64)> = causes.into_iter().map(|c| (c, s.chance())).collect();
        let leak = if s.below(2) == 0 { 0.0 } else { s.chance() * 0.1 };
        graph.add_condition(leak, &causes).unwrap();
    }
    let checks = 1 + s.below(6);
    for _ in 0..checks {
        let m = 1 + s.below(3);
        let causes = s.causes(&graph);
        let causes: Vec<(Cause, Vec<f64>)> = causes.into_iter().map(|c| (c, s.spread(m))).collect();
        let leak: Vec<f64> = s.spread(m).iter().map(|x| x * 0.1).collect();
        graph.add_check(&leak, &causes).unwrap();
    }
    let mut findings = Vec::new();
    for x in 0..checks {
        let m = graph.checks[x].answers();
        match s.below(4) {
            0 => {}
            1 => {
                let mut l: Vec<f64> = (0..m).map(|_| s.chance()).collect();
                l[0] += 0.01;
                findings.push(Finding::soft(CheckId(x), l));
            }
            _ => findings.push(Finding::answer(CheckId(x), s.below(m))),
        }
    }
    let sets = (s.below(2) == 0).then(|| {
        let faults: Vec<FaultId> = graph.faults().filter(|_| s.below(3) > 0).collect();
        let mut sets = Vec::new();
        for mask in 0usize..1 << faults.len() {
            if s.below(4) == 0 {
                continue;
            }
            let members = (0..faults.len()).filter(|i| mask >> i & 1 == 1).map(|i| faults[i]).collect();
            let mut causes = Vec::new();
            for x in 0..checks {
                if s.below(3) == 0 {
                    let mut sum = 0.0;
                    let m = graph.checks[x].answers();
                    let d = s.spread(m - 1);
                    let mut cumulative: Vec<f64> = Vec::new();
                    let first = 1.0 - d.iter().sum::<f64>();
                    for p in std::iter::once(first).chain(d) {
                        sum += p;
                        cumulative.push(sum.min(1.0));
                    }
                    cumulative[m - 1] = 1.0;
                    let cause = ComputedCause { check: CheckId(x), cumulative };
                    // Sometimes two on one check, which multiply.
                    causes.extend(vec![cause; 1 + s.below(2)]);
                }
            }
            let log_likelihood = s.chance().max(1e-4).ln();
            sets.push(ScoredSet { members, log_likelihood, causes });
        }
        Arc::new(SetScores { faults, sets })
    });
    Case { graph: Arc::new(graph), findings, sets }
}

fn vectors(case: &Case) -> Findings {
    let mut out: Findings =
        case.findings.iter().map(|f| (f.check, f.likelihood(&case.graph).unwrap())).collect();
    out.sort_by_key(|(c, _)| *c);
    out
}

fn build(case: &Case) -> Result<Belief, BeliefError> {
    Belief::build(case.graph.clone(), &case.findings, case.sets.clone(), Limits::default())
}

fn members(mask: usize) -> Vec<FaultId> {
    (0..16).filter(|f| mask >> f & 1 == 1).map(FaultId).collect()
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(600))]

    #[test]
    fn equals_enumeration(seed in any::<u64>()) {
        let case = case(seed);
        let twin = Twin::of(&case.graph, &vectors(&case), case.sets.as_deref());
        let total = twin.total();
        prop_assume!(total == 0.0 || total > 1e-12);
        if total == 0.0 {
            prop_assert_eq!(build(&case).err(), Some(BeliefError::Impossible));
            return Ok(());
        }
        let belief = build(&case).unwrap();
        let posterior = belief.posterior();
        prop_assert!((posterior.log_evidence - total.ln()).abs() < 1e-9);
        for f in 0..case.graph.fault_count() {
            prop_assert!((posterior.faults[f] - twin.fault(f)).abs() < 1e-9, "fault {}", f);
        }
        for (c, p) in posterior.conditions.iter().enumerate() {
            if let Some(p) = p {
                prop_assert!((p - twin.conditions[c] / total).abs() < 1e-9, "condition {}", c);
            }
        }
        prop_assert!((posterior.none - twin.sets[0] / total).abs() < 1e-9);
        for (mask, weight) in twin.sets.iter().enumerate() {
            let p = belief.probability_of(&members(mask)).unwrap();
            prop_assert!((p - weight / total).abs() < 1e-9, "set {:b}: {} not {}", mask, p, weight / total);
        }
    }

    #[test]
    fn best_sets_are_the_best(seed in any::<u64>()) {
        let case = case(seed);
        let twin = Twin::of(&case.graph, &vectors(&case), case.sets.as_deref());
        prop_assume!(twin.total() > 1e-12);
        let best = build(&case).unwrap().best_sets(7).unwrap();
        prop_assert!(best.certain);
        let mut all: Vec<f64> = twin.sets.iter().map(|w| w / twin.total()).collect();
        all.sort_by(|a, b| b.total_cmp(a));
        let mut remaining = 1.0;
        for (i, set) in best.sets.iter().enumerate() {
            prop_assert!((set.probability - all[i]).abs() < 1e-9);
            let mask: usize = set.members.iter().map(|f| 1 << f.0).sum();
            prop_assert!((set.probability - twin.sets[mask] / twin.total()).abs() < 1e-9);
            remaining -= set.probability;
        }
        prop_assert!((best.remaining - remaining.max(0.0)).abs() < 1e-9);
        if best.sets.len() < 7 {
            prop_assert!(best.remaining < 1e-9);
        }
    }

    #[test]
    fn any_of_several_equals_enumeration(seed in any::<u64>(), wanted in any::<u16>()) {
        let case = case(seed);
        let twin = Twin::of(&case.graph, &vectors(&case), case.sets.as_deref());
        prop_assume!(twin.total() > 1e-12);
        let belief = build(&case).unwrap();
        let wanted = usize::from(wanted) & (twin.sets.len() - 1);
        let causes: Vec<Cause> = members(wanted).into_iter().map(Cause::from).collect();
        let with: f64 = twin.sets.iter().enumerate().filter(|(s, _)| s & wanted != 0).map(|(_, w)| w).sum();
        let any = belief.any_of(&causes).unwrap();
        prop_assert!((any - with / twin.total()).abs() < 1e-8, "{} not {}", any, with / twin.total());
        // A hidden condition is a cause like any other, where a finding reaches it.
        for (c, p) in belief.posterior().conditions.iter().enumerate() {
            if let Some(p) = p {
                let alone = belief.any_of(&[ConditionId(c).into()]).unwrap();
                prop_assert!((alone - p).abs() < 1e-8, "condition {}: {} not {}", c, alone, p);
            }
        }
    }

    #[test]
    fn predictions_equal_enumeration(seed in any::<u64>()) {
        let case = case(seed);
        let findings = vectors(&case);
        let before = Twin::of(&case.graph, &findings, case.sets.as_deref()).total();
        prop_assume!(before > 1e-9);
        let belief = build(&case).unwrap();
        for check in case.graph.checks() {
            if findings.iter().any(|(c, _)| *c == check) {
                continue;
            }
            let prediction = belief.predict(check).unwrap();
            let best = belief.best_sets(5).unwrap();
            let listed: Vec<&[FaultId]> = best.sets.iter().map(|s| s.members.as_slice()).collect();
            let given = belief.answers_given(check, &listed).unwrap();
            prop_assert!((prediction.answers.iter().sum::<f64>() - 1.0).abs() < 1e-8);
            for k in 0..prediction.answers.len() {
                let mut more = findings.clone();
                let mut only = vec![0.0; prediction.answers.len()];
                only[k] = 1.0;
                more.push((check, only));
                let twin = Twin::of(&case.graph, &more, case.sets.as_deref());
                prop_assert!((prediction.answers[k] - twin.total() / before).abs() < 1e-8);
                if twin.total() / before > 1e-9 {
                    for set in best.after(&given, &prediction.answers, k).sets {
                        let mask: usize = set.members.iter().map(|f| 1 << f.0).sum();
                        prop_assert!((set.probability - twin.sets[mask] / twin.total()).abs() < 1e-7);
                    }
                    for (f, p) in prediction.after[k].iter().enumerate() {
                        prop_assert!((p - twin.fault(f)).abs() < 1e-7, "{} {}", p, twin.fault(f));
                    }
                }
            }
        }
    }

    #[test]
    fn order_and_unsure_change_nothing(seed in any::<u64>()) {
        let mut case = case(seed);
        prop_assume!(Twin::of(&case.graph, &vectors(&case), case.sets.as_deref()).total() > 1e-12);
        let forward = build(&case).unwrap();
        case.findings.reverse();
        let backward = build(&case).unwrap();
        prop_assert_eq!(forward.posterior(), backward.posterior());
        let open = case.graph.checks().find(|x| case.findings.iter().all(|f| f.check != *x));
        if let Some(open) = open {
            let m = case.graph.answers(open).unwrap();
            let unsure = forward.with_finding(Finding::soft(open, vec![1.0; m])).unwrap();
            for (a, b) in forward.posterior().faults.iter().zip(&unsure.posterior().faults) {
                prop_assert!((a - b).abs() < 1e-12);
            }
        }
    }

    #[test]
    fn impossible_stays_impossible_and_all_is_in_range(seed in any::<u64>()) {
        let case = case(seed);
        prop_assume!(Twin::of(&case.graph, &vectors(&case), case.sets.as_deref()).total() > 1e-12);
        let belief = build(&case).unwrap();
        for (f, p) in belief.posterior().faults.iter().enumerate() {
            prop_assert!((0.0..=1.0).contains(p));
            if case.graph.priors[f] == 0.0 {
                prop_assert_eq!(*p, 0.0);
            }
        }
        prop_assert!((0.0..=1.0 + 1e-12).contains(&belief.posterior().none));
    }

    #[test]
    fn chain_equals_signed(seed in any::<u64>()) {
        let case = case(seed);
        let findings = vectors(&case);
        let total = Twin::of(&case.graph, &findings, None).total();
        prop_assume!(total > 1e-12);
        let evidence: Vec<Evidence> =
            findings.iter().map(|(c, l)| Evidence { check: c.0, likelihood: l }).collect();
        let held = vec![false; case.graph.fault_count()];
        for style in [Style::Signed, Style::Chain] {
            let template = Template::new(&case.graph, &held, &evidence, style);
            let outcome = template.run(Setting::default(), true).unwrap();
            prop_assert!((outcome.log_total - total.ln()).abs() < 1e-9, "{:?}", style);
            let twin = Twin::of(&case.graph, &findings, None);
            for (f, prior) in case.graph.priors.iter().enumerate() {
                let p = template.fault(&outcome, f, *prior);
                prop_assert!((p - twin.fault(f)).abs() < 1e-9, "{:?}", style);
            }
        }
    }
}

/// Many improbable abnormal answers with hardly a leak: the signs cost more digits than there are, and the sign-free
/// chain must take over.
#[test]
fn chain_takes_over_when_digits_run_out() {
    let mut graph = Graph::new();
    let faults: Vec<FaultId> = (0..13).map(|i| graph.add_fault(1e-4 * (1.0 + i as f64)).unwrap()).collect();
    let findings: Vec<Finding> = (0..12)
        .map(|i| {
            let causes = [(faults[i].into(), 0.9), (faults[i + 1].into(), 0.3)];
            Finding::answer(graph.add_yes_no_check(1e-4, &causes).unwrap(), 1)
        })
        .collect();
    let case = Case { graph: Arc::new(graph), findings, sets: None };
    let vectors = vectors(&case);
    let evidence: Vec<Evidence> =
        vectors.iter().map(|(c, l)| Evidence { check: c.0, likelihood: l }).collect();
    let template = Template::new(&case.graph, &[false; 13], &evidence, Style::Signed);
    let lost = template.run(Setting::default(), false).is_none_or(|o| o.condition > WORST_CONDITION);
    assert!(lost, "this test needs a case beyond the digits");
    let belief = build(&case).unwrap();
    let twin = Twin::of(&case.graph, &vectors, None);
    assert!((belief.posterior().log_evidence - twin.total().ln()).abs() < 1e-9);
    for f in 0..13 {
        assert!((belief.posterior().faults[f] - twin.fault(f)).abs() < 1e-9);
    }
}
