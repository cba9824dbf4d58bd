//! The engine on the networks of the shipped rules: signed sums against the sign-free chain, and
//! expected answers against propagation.
//!
//! The module itself knows nothing of rules; only this test does.

use std::sync::Arc;

use super::compile::{Evidence, Setting, Style, Template};
use super::graph::{Cause, Check};
use super::sample::Source;
use super::solve::Findings;
use super::state::{NEGLIGIBLE, WALKED_ERROR, log_sum};
use super::{Belief, CheckId, FaultId, Finding, Given, Graph, Limits, ScoredSet, SetScores};
use crate::job::{JobCard, Model};
use crate::rules::Rules;
use crate::text;

/// The graph of a job and the findings, by check and answer in the rules' words.
fn job(rules: &Rules, head: &str, findings: &[(&str, &str)]) -> (Arc<Graph>, Vec<Finding>) {
    let job = JobCard::read(&text::Source::new("job.yaml", format!("unit: Bench\n{head}\n"))).unwrap();
    let model = Model::of(rules, &job, None).unwrap();
    let of = |(check, answer): &(&str, &str)| {
        let id = rules.find_check(check).unwrap();
        Finding::answer(model.now[&id], rules.check(id).answer(answer).unwrap())
    };
    (model.belief.graph().clone(), findings.iter().map(of).collect())
}

const HISTORIES: [&str; 3] = [
    "history: fresh-build\nbuild: stripboard",
    "history: worked-before\nbuild: pcb",
    "history: after-change\nbuild: breadboard",
];

/// Greatest difference between the two styles over the faults and the logarithm of the evidence; `None` where the chain
/// takes too much. And the signed run's condition.
fn compare(graph: &Graph, findings: &[Finding]) -> (Option<f64>, f64) {
    let held = vec![false; graph.fault_count()];
    let mut all: Findings = findings.iter().map(|f| (f.check, f.likelihood(graph).unwrap())).collect();
    all.sort_by_key(|f| f.0);
    let evidence: Vec<Evidence> =
        all.iter().map(|(check, likelihood)| Evidence { check: check.0, likelihood }).collect();
    let signed = Template::new(graph, &held, &evidence, Style::Signed);
    let chain = Template::new(graph, &held, &evidence, Style::Chain);
    let a = signed.run(Setting::default(), true).unwrap();
    if chain.cost() > 18f64.exp2() {
        return (None, a.condition);
    }
    let b = chain.run(Setting::default(), true).unwrap();
    let fault = |(f, prior): (usize, &f64)| (signed.fault(&a, f, *prior) - chain.fault(&b, f, *prior)).abs();
    let worst = graph.priors.iter().enumerate().map(fault).fold(0.0, f64::max);
    (Some(worst.max((a.log_total - b.log_total).abs())), a.condition)
}

/// Every block in play, one symptom to four at once: the signed sums keep their digits, so nothing is left to sampling.
#[test]
fn signs_cost_few_digits_on_every_block() {
    let rules = Rules::builtin().unwrap();
    let symptoms: Vec<(&str, &str)> = rules
        .symptoms()
        .map(|(_, s)| (rules.check(s.check).id.as_str(), rules.check(s.check).answers[s.answer].as_str()))
        .collect();
    let symptom = |i: usize| symptoms[i % symptoms.len()];
    let mut lists: Vec<Vec<(&str, &str)>> = symptoms.iter().map(|s| vec![*s]).collect();
    for i in 0..24 {
        let mut list = vec![symptom(i), symptom(i * 3 + 1), symptom(i * 5 + 2), symptom(i * 7 + 3)];
        list.truncate(2 + i % 3);
        list.sort_unstable();
        list.dedup_by_key(|x| x.0);
        lists.push(list);
    }
    let (mut compared, mut beyond) = (0, 0);
    for (n, list) in lists.iter().enumerate() {
        let (graph, findings) = job(rules, HISTORIES[n % 3], list);
        let (difference, condition) = compare(&graph, &findings);
        assert!(condition < 1e14, "{condition:e} for {list:?}");
        match difference {
            Some(d) => assert!(d < 1e-9, "{d:e} for {list:?}"),
            None => {
                beyond += 1;
                assert_eq!(Belief::new(graph, &findings).unwrap().posterior().error, 0.0, "{list:?}");
            }
        }
        compared += usize::from(difference.is_some());
    }
    assert!(compared > 30 && beyond > 0, "{compared} compared, {beyond} too wide for the chain");
}

/// A reproducible source of numbers.
struct Numbers(Source);

impl Numbers {
    fn next(&mut self) -> u64 {
        self.0.next()
    }

    fn below(&mut self, n: usize) -> usize {
        (self.next() % n as u64) as usize
    }

    fn chance(&mut self) -> f64 {
        self.0.even()
    }
}

/// The answers of all checks on a unit drawn from the graph.
fn draw(graph: &Graph, numbers: &mut Numbers) -> Vec<usize> {
    let faults: Vec<bool> = graph.priors.iter().map(|p| numbers.chance() < *p).collect();
    let mut conditions: Vec<bool> = Vec::new();
    for node in &graph.conditions {
        let on = |c: &Cause| match c {
            Cause::Fault(f) => faults[f.0],
            Cause::Condition(c) => conditions[c.0],
        };
        let off = node.causes.iter().filter(|(c, _)| on(c)).fold(1.0 - node.leak, |p, (_, w)| p * (1.0 - w));
        conditions.push(numbers.chance() >= off);
    }
    let answer = |node: &Check, r: f64| {
        let on = |c: &Cause| match c {
            Cause::Fault(f) => faults[f.0],
            Cause::Condition(c) => conditions[c.0],
        };
        let upto = |k: usize| {
            node.causes.iter().filter(|(c, _)| on(c)).fold(node.leak[k], |p, (_, spread)| p * spread[k])
        };
        (0..node.answers()).find(|k| r < upto(*k)).unwrap_or(node.answers() - 1)
    };
    graph.checks.iter().map(|node| answer(node, numbers.chance())).collect()
}

/// Up to six findings on a faulty unit: one abnormal, of the others half.
fn draw_findings(graph: &Graph, numbers: &mut Numbers, count: usize) -> Vec<Finding> {
    loop {
        let answers = draw(graph, numbers);
        let abnormal: Vec<usize> = (0..answers.len()).filter(|x| answers[*x] > 0).collect();
        if abnormal.is_empty() {
            continue;
        }
        let mut found = vec![abnormal[numbers.below(abnormal.len())]];
        for _ in 1..count {
            found.push(match numbers.below(2) {
                0 => abnormal[numbers.below(abnormal.len())],
                _ => numbers.below(answers.len()),
            });
        }
        found.sort_unstable();
        found.dedup();
        return found.into_iter().map(|x| Finding::answer(CheckId(x), answers[x])).collect();
    }
}

/// No fault, the eight likeliest ones, pairs and three of them.
fn likely_sets(belief: &Belief) -> Vec<Vec<FaultId>> {
    let mut faults: Vec<FaultId> = belief.graph.faults().collect();
    let p = |f: &FaultId| belief.fault(*f).unwrap();
    faults.sort_by(|a, b| p(b).total_cmp(&p(a)));
    let mut sets: Vec<Vec<FaultId>> = vec![Vec::new()];
    sets.extend(faults[..8].iter().map(|f| vec![*f]));
    for (i, a) in faults[..5].iter().enumerate() {
        sets.extend(faults[..i].iter().map(|b| vec![*a.min(b), *a.max(b)]));
    }
    sets.push(faults[..3].to_vec());
    sets
}

/// How far the planner's quick view of a set is from a propagation for each answer, on findings drawn from the shipped
/// rules: the figures in the page on [`Belief::expected_answers`].
#[test]
fn expected_answers_are_near_those_of_propagation() {
    let rules = Rules::builtin().unwrap();
    let blocks = ["transistor", "opamp", "echo-chip", "lfo", "opamp, echo-chip"];
    let mut numbers = Numbers(Source(5));
    let mut off: Vec<f64> = Vec::new();
    for round in 0..100 {
        let head = format!("{}\nblocks: [{}]", HISTORIES[round % 3], blocks[round % 5]);
        let (graph, _) = job(rules, &head, &[]);
        let findings = draw_findings(&graph, &mut numbers, 1 + round % 6);
        let belief = Belief::new(graph.clone(), &findings).unwrap();
        let sets = likely_sets(&belief);
        let members: Vec<&[FaultId]> = sets.iter().map(Vec::as_slice).collect();
        let given: Vec<Given> = members.iter().map(|s| belief.given(s)).collect();
        for _ in 0..12 {
            let check = CheckId(numbers.below(graph.check_count()));
            if belief.checks_found().any(|c| c == check) {
                continue;
            }
            for (given, exact) in given.iter().zip(belief.answers_given(check, &members).unwrap()) {
                for (quick, exact) in belief.expected_answers(given, check).iter().zip(exact) {
                    off.push((quick - exact).abs());
                }
            }
        }
    }
    off.sort_by(f64::total_cmp);
    let (count, mean) = (off.len(), off.iter().sum::<f64>() / off.len() as f64);
    let (worst, most) = (off[count - 1], off[count * 99 / 100]);
    let figures = format!(
        "{count} answers off by {worst:.1e} at worst, {most:.1e} in 99 of 100, {mean:.1e} in the mean"
    );
    assert!(count > 5000 && worst < 0.3 && most < 2e-3 && mean < 3e-4, "{figures}");
}

/// Sets that settle every fault, weighed by what each leaves open, against a propagation of the whole network for each; and one
/// by one against [`Belief::given`].
#[test]
fn complete_sets_weigh_nearly_what_propagation_makes_of_them() {
    let rules = Rules::builtin().unwrap();
    let mut numbers = Numbers(Source(11));
    for round in 0..12 {
        let head =
            format!("{}\nblocks: [{}]", HISTORIES[round % 3], ["transistor", "opamp", "lfo"][round % 3]);
        let (graph, _) = job(rules, &head, &[]);
        let findings = draw_findings(&graph, &mut numbers, 2 + round % 5);
        let n = graph.fault_count();
        let mut members: Vec<Vec<FaultId>> = vec![Vec::new()];
        members.extend(graph.faults().map(|f| vec![f]));
        members.extend((1..n).map(|f| vec![FaultId(f - 1), FaultId(f)]));
        let score = |members| ScoredSet { members, log_likelihood: -numbers.chance(), causes: Vec::new() };
        let sets = members.into_iter().map(score).collect();
        let scores = SetScores { faults: graph.faults().collect(), sets };
        let limits = Limits { samples: 1, ..Limits::default() };
        let Ok(quick) = Belief::build(graph.clone(), &findings, Some(Arc::new(scores)), limits) else {
            continue;
        };
        let exact = quick.mix(&quick.solver, &quick.findings, &quick.groups, NEGLIGIBLE).unwrap();
        let walked = quick.mix_complete();
        let many = quick.many_given();
        for group in &quick.groups {
            let of: Vec<FaultId> = group.present.iter().map(|f| FaultId(*f)).collect();
            let (a, b) = (many.of(&of), quick.given(&of));
            assert!((a.log_likelihood.exp() - b.log_likelihood.exp()).abs() < 1e-5, "round {round}, {of:?}");
        }
        let off = (exact.log_total - walked.log_total).abs();
        assert!(off < WALKED_ERROR, "round {round}: {off:e}");
        for (a, b) in exact.faults.iter().zip(&walked.faults) {
            assert!((a - b).abs() < WALKED_ERROR, "round {round}: {a} against {b}");
        }
        for (a, b) in exact.conditions.iter().zip(&walked.conditions) {
            let (a, b) = (a.unwrap_or(-1.0), b.unwrap_or(-1.0));
            assert!((a - b).abs() < WALKED_ERROR, "round {round}: condition {a} against {b}");
        }
        assert!((log_sum(&exact.shares.iter().map(|s| s.ln()).collect::<Vec<_>>())).abs() < 1e-9);
    }
}
