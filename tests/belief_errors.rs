//! What the engine refuses and leaves out, and how it says so.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

use std::sync::Arc;

use halfsplit::belief::{
    Belief, BeliefError, Cause, CheckId, ComputedCause, ConditionId, FaultId, Finding, Graph, Limits,
    ScoredSet, SetScores,
};

fn one_check() -> (Graph, FaultId, CheckId) {
    let mut graph = Graph::new();
    let fault = graph.add_fault(0.1).unwrap();
    let check = graph.add_check(&[0.1, 0.1], &[(fault.into(), vec![0.3, 0.6])]).unwrap();
    (graph, fault, check)
}

#[test]
fn graphs_are_checked_as_they_grow() {
    let (mut graph, fault, _) = one_check();
    let refused = |e: BeliefError| e.to_string();
    assert_eq!(
        refused(graph.add_fault(1.5).unwrap_err()),
        "prior of fault 1 is 1.5, not a probability between 0 and 1"
    );
    assert!(graph.add_fault(f64::NAN).is_err());
    assert_eq!(
        refused(graph.add_condition(0.0, &[(Cause::Condition(ConditionId(0)), 0.5)]).unwrap_err()),
        "no condition 0 in the graph"
    );
    assert_eq!(
        refused(graph.add_condition(0.0, &[(fault.into(), 0.5), (fault.into(), 0.1)]).unwrap_err()),
        "condition 0 lists a cause twice"
    );
    assert_eq!(
        refused(graph.add_check(&[0.7, 0.7], &[]).unwrap_err()),
        "leak of check 1 adds up to 1.4, more than 1"
    );
    assert_eq!(
        refused(graph.add_check(&[0.1], &[(fault.into(), vec![0.1, 0.2])]).unwrap_err()),
        "distribution at check 1 has 2 entries, 1 needed"
    );
    assert!(graph.add_check(&[], &[]).is_err());
    assert_eq!(graph.set_prior(FaultId(7), 0.5), Err(BeliefError::Unknown { kind: "fault", index: 7 }));
    // Nothing refused was added.
    assert_eq!((graph.fault_count(), graph.condition_count(), graph.check_count()), (1, 0, 1));
}

#[test]
fn findings_are_checked_against_the_graph() {
    let (graph, _, check) = one_check();
    let graph = Arc::new(graph);
    let fails = |findings: &[Finding]| Belief::new(graph.clone(), findings).err();
    assert_eq!(
        fails(&[Finding::answer(check, 0), Finding::answer(check, 0)]),
        Some(BeliefError::RepeatedFinding(0))
    );
    assert!(matches!(fails(&[Finding::answer(check, 3)]), Some(BeliefError::WrongLength { .. })));
    assert!(matches!(fails(&[Finding::soft(check, vec![1.0])]), Some(BeliefError::WrongLength { .. })));
    assert_eq!(fails(&[Finding::soft(check, vec![0.0; 3])]), Some(BeliefError::BadLikelihood(0)));
    assert_eq!(fails(&[Finding::soft(check, vec![1.0, -0.1, 0.0])]), Some(BeliefError::BadLikelihood(0)));
    assert_eq!(
        fails(&[Finding::answer(CheckId(4), 0)]),
        Some(BeliefError::Unknown { kind: "check", index: 4 })
    );
    let done = Belief::new(graph.clone(), &[Finding::answer(check, 1)]).unwrap();
    assert_eq!(done.predict(check).err(), Some(BeliefError::RepeatedFinding(0)));
    assert_eq!(
        done.without(check).unwrap().posterior(),
        Belief::new(graph.clone(), &[]).unwrap().posterior()
    );
}

#[test]
fn impossible_findings_are_said_to_be() {
    let mut graph = Graph::new();
    let fault = graph.add_fault(0.5).unwrap();
    let shows = graph.add_yes_no_check(0.0, &[(fault.into(), 1.0)]).unwrap();
    let also = graph.add_yes_no_check(0.0, &[(fault.into(), 1.0)]).unwrap();
    let findings = [Finding::answer(shows, 1), Finding::answer(also, 0)];
    assert_eq!(Belief::new(Arc::new(graph), &findings).err(), Some(BeliefError::Impossible));
}

#[test]
fn scores_are_checked() {
    let (graph, fault, check) = one_check();
    let graph = Arc::new(graph);
    let fails = |set: ScoredSet| {
        let scores = SetScores { faults: vec![fault], sets: vec![set] };
        Belief::build(graph.clone(), &[], Some(Arc::new(scores)), Limits::default()).err()
    };
    let set = |members: Vec<FaultId>, log_likelihood: f64, cumulative: Vec<f64>| ScoredSet {
        members,
        log_likelihood,
        causes: vec![ComputedCause { check, cumulative }],
    };
    let fine = vec![0.2, 0.5, 1.0];
    assert_eq!(fails(set(vec![fault], -1.0, fine.clone())), None);
    assert_eq!(
        fails(set(vec![fault, fault], -1.0, fine.clone())),
        Some(BeliefError::BadSet { set: 0, fault: 0 })
    );
    assert_eq!(
        fails(set(vec![FaultId(9)], -1.0, fine.clone())),
        Some(BeliefError::BadSet { set: 0, fault: 9 })
    );
    assert!(matches!(fails(set(vec![], f64::NAN, fine.clone())), Some(BeliefError::BadScore { .. })));
    assert_eq!(fails(set(vec![], f64::NEG_INFINITY, fine)), Some(BeliefError::Impossible));
    assert!(matches!(fails(set(vec![], 0.0, vec![0.5, 0.4, 1.0])), Some(BeliefError::BadScore { .. })));
    assert!(matches!(fails(set(vec![], 0.0, vec![0.5, 0.6, 0.9])), Some(BeliefError::BadScore { .. })));
}

/// What is not listed is left out, and how much that was shows.
#[test]
fn left_out_mass_shows() {
    let mut graph = Graph::new();
    let faults: Vec<FaultId> = [0.1, 0.2, 0.3].map(|p| graph.add_fault(p).unwrap()).to_vec();
    let scored = |members: &[usize]| ScoredSet {
        members: members.iter().map(|i| faults[*i]).collect(),
        log_likelihood: 0.0,
        causes: Vec::new(),
    };
    let sets = vec![scored(&[]), scored(&[0]), scored(&[1])];
    let scores = SetScores { faults: faults[..2].to_vec(), sets };
    let belief = Belief::build(Arc::new(graph), &[], Some(Arc::new(scores)), Limits::default()).unwrap();
    let posterior = belief.posterior();
    assert!((posterior.left_out - 0.1 * 0.2).abs() < 1e-12);
    assert!((posterior.faults[0] - 0.1 * 0.8 / 0.98).abs() < 1e-12);
    assert!((posterior.faults[2] - 0.3).abs() < 1e-12);
    assert!((posterior.none - 0.9 * 0.8 * 0.7 / 0.98).abs() < 1e-12);
    assert_eq!(belief.probability_of(&[faults[0], faults[1]]), Ok(0.0));
}

/// With thousands of scored sets the least probable ones stay out of predictions, and that hardly shows.
#[test]
fn predictions_with_many_sets() {
    let mut graph = Graph::new();
    let faults: Vec<FaultId> = (0..13).map(|i| graph.add_fault(0.02 + 0.01 * i as f64).unwrap()).collect();
    let rail = graph.add_condition(0.01, &[(faults[0].into(), 0.9), (faults[5].into(), 0.7)]).unwrap();
    let causes = |i: usize| vec![(rail.into(), vec![0.2, 0.5]), (faults[i].into(), vec![0.6, 0.3])];
    let seen = graph.add_check(&[0.02, 0.01], &causes(1)).unwrap();
    let open = [2, 12].map(|i| graph.add_check(&[0.02, 0.01], &causes(i)).unwrap());
    let sets = (0usize..1 << 12)
        .map(|mask| ScoredSet {
            members: (0..12).filter(|i| mask >> i & 1 == 1).map(|i| faults[i]).collect(),
            log_likelihood: -((mask * 7919 % 101) as f64) / 20.0,
            causes: Vec::new(),
        })
        .collect();
    let scores = SetScores { faults: faults[..12].to_vec(), sets };
    let findings = [Finding::answer(seen, 2)];
    let belief =
        Belief::build(Arc::new(graph), &findings, Some(Arc::new(scores)), Limits::default()).unwrap();
    for check in open {
        let prediction = belief.predict(check).unwrap();
        for (k, p) in prediction.answers.iter().enumerate() {
            let then = belief.with_finding(Finding::answer(check, k)).unwrap();
            let exact = (then.posterior().log_evidence - belief.posterior().log_evidence).exp();
            assert!((p - exact).abs() < 1e-6, "answer {k}: {p} not {exact}");
            for (a, b) in prediction.after[k].iter().zip(&then.posterior().faults) {
                assert!((a - b).abs() < 1e-4, "{a} not {b}");
            }
        }
    }
}
