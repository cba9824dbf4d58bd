//! Noisy-OR tables, leak conventions and two-layer posteriors; sources stand in the data file.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

#[path = "support/data.rs"]
mod data;

use std::sync::Arc;

use data::{diagnosis, int, list, near, num, nums, text};
use halfsplit::belief::{Belief, Cause, CheckId, FaultId, Finding, Graph, net_strength};
use serde_yaml::Value;

fn two_layers(priors: &[f64], strengths: &[Vec<f64>], leak: &[f64]) -> Arc<Graph> {
    let mut graph = Graph::new();
    let faults: Vec<FaultId> = priors.iter().map(|p| graph.add_fault(*p).unwrap()).collect();
    for (j, l) in leak.iter().enumerate() {
        let causes: Vec<(Cause, f64)> = faults
            .iter()
            .zip(strengths)
            .filter(|(_, row)| row[j] > 0.0)
            .map(|(f, row)| ((*f).into(), row[j]))
            .collect();
        graph.add_yes_no_check(*l, &causes).unwrap();
    }
    Arc::new(graph)
}

fn from_file(layers: &Value) -> Arc<Graph> {
    let strengths: Vec<Vec<f64>> = list(&layers["strengths"]).iter().map(nums).collect();
    two_layers(&nums(&layers["priors"]), &strengths, &nums(&layers["leak"]))
}

fn findings(case: &Value) -> Vec<Finding> {
    let of = |key: &str, answer: usize| -> Vec<Finding> {
        let ids = case[key].as_sequence().cloned().unwrap_or_default();
        ids.iter().map(|i| Finding::answer(CheckId(int(i)), answer)).collect()
    };
    [of("pos", 1), of("neg", 0)].concat()
}

fn members(bits: &str) -> Vec<FaultId> {
    bits.chars().enumerate().filter(|(_, c)| *c == '1').map(|(i, _)| FaultId(i)).collect()
}

/// P(abnormal | exactly these faults present).
fn abnormal(graph: &Arc<Graph>, present: &[bool]) -> f64 {
    let mut graph = (**graph).clone();
    for (i, on) in present.iter().enumerate() {
        graph.set_prior(FaultId(i), f64::from(u8::from(*on))).unwrap();
    }
    Belief::new(Arc::new(graph), &[]).unwrap().predict(CheckId(0)).unwrap().answers[1]
}

#[test]
fn fever_table() {
    let fever = &diagnosis("noisy_or.yaml")["fever"];
    let rows: Vec<Vec<f64>> = nums(&fever["inhibition"]).iter().map(|q| vec![1.0 - q]).collect();
    let graph = two_layers(&[0.5; 3], &rows, &[0.0]);
    for row in list(&fever["table"]) {
        let row = nums(row);
        let present: Vec<bool> = row[..3].iter().map(|x| *x == 1.0).collect();
        near(abnormal(&graph, &present), row[3], 9, "fever");
        near(1.0 - abnormal(&graph, &present), row[4], 9, "no fever");
    }
}

#[test]
fn fever_with_priors() {
    let file = diagnosis("noisy_or.yaml");
    let fever = &file["fever_with_priors"];
    let rows: Vec<Vec<f64>> = nums(&file["fever"]["inhibition"]).iter().map(|q| vec![1.0 - q]).collect();
    for case in list(&fever["cases"]) {
        let graph = two_layers(&nums(&fever["priors"]), &rows, &[num(&case["leak"])]);
        let belief = Belief::new(graph, &[Finding::answer(CheckId(0), int(&case["fever"]))]).unwrap();
        near(belief.posterior().log_evidence.exp(), num(&case["P_evidence"]), 10, "evidence");
        for (got, expected) in belief.posterior().faults.iter().zip(nums(&case["posterior"])) {
            near(*got, expected, 9, "posterior");
        }
    }
}

#[test]
fn both_leak_conventions() {
    for case in list(&diagnosis("noisy_or.yaml")["leak_conventions"]["cases"]) {
        let leak = num(&case["leak"]);
        for (key, convert) in [("net", false), ("compound", true)] {
            let strength = |p: f64| if convert { net_strength(p, leak) } else { p };
            let rows: Vec<Vec<f64>> = nums(&case["p"]).iter().map(|p| vec![strength(*p)]).collect();
            let graph = two_layers(&vec![0.5; rows.len()], &rows, &[leak]);
            for (bits, expected) in case[key].as_mapping().unwrap() {
                let present: Vec<bool> = text(bits).chars().map(|c| c == '1').collect();
                near(abnormal(&graph, &present), num(expected), 9, key);
            }
        }
    }
}

fn cases(layers: &str) {
    let file = diagnosis("noisy_or.yaml");
    let graph = from_file(&file[layers]);
    for case in list(&file[layers]["cases"]) {
        let belief = Belief::new(graph.clone(), &findings(case)).unwrap();
        let posterior = belief.posterior();
        let evidence = num(&case["P_evidence"]);
        assert!((posterior.log_evidence.exp() / evidence - 1.0).abs() < 1e-9, "{layers} evidence {evidence}");
        for (got, expected) in posterior.faults.iter().zip(nums(&case["posterior"])) {
            near(*got, expected, 9, layers);
        }
        let top = case["top"].as_mapping().unwrap();
        let best = belief.best_sets(top.len()).unwrap();
        assert!(best.certain);
        for (set, (bits, expected)) in best.sets.iter().zip(top) {
            assert_eq!(set.members, members(text(bits)));
            // Given to 6 to 8 decimals, trailing zeros dropped.
            near(set.probability, num(expected), 6, "set");
            near(belief.probability_of(&set.members).unwrap(), set.probability, 12, "set again");
        }
        let sum: f64 = best.sets.iter().map(|s| s.probability).sum();
        near(best.remaining, 1.0 - sum, 12, "remaining");
    }
}

#[test]
fn four_faults_four_findings() {
    cases("bn2o_4x4");
}

#[test]
fn ten_faults_eight_findings() {
    cases("bn2o_10x8");
}

#[test]
fn joint_information_of_the_next_finding() {
    let file = diagnosis("noisy_or.yaml");
    let layers = &file["bn2o_4x4"];
    let graph = from_file(layers);
    for case in list(&layers["next"]) {
        let belief = Belief::new(graph.clone(), &findings(&case["given"])).unwrap();
        let sets = belief.best_sets(16).unwrap().sets;
        let entropy: f64 = sets.iter().map(|s| -s.probability * s.probability.log2()).sum();
        near(entropy, num(&case["H_joint"]), 9, "entropy of the fault set");
        let mut best = (0.0, String::new());
        for (name, expected) in case["gains"].as_mapping().unwrap() {
            let check = CheckId(text(name)[1..].parse().unwrap());
            let bits = belief.joint_bits(check, 16).unwrap();
            near(bits.low, num(expected), 9, "low");
            near(bits.high, num(expected), 9, "high");
            near(belief.predict(check).unwrap().answers[1], num(&case["P_present"][name]), 9, "present");
            let narrow = belief.joint_bits(check, 3).unwrap();
            assert!(narrow.low <= bits.low + 1e-12 && narrow.high >= bits.high - 1e-12);
            if bits.low > best.0 {
                best = (bits.low, text(name).to_owned());
            }
        }
        assert_eq!(best.1, text(&case["best"]));
    }
}

/// What a weight says, to the letter: one finding less, and the odds move by it.
#[test]
fn weights_are_ratios_of_odds() {
    let file = diagnosis("noisy_or.yaml");
    let layers = &file["bn2o_4x4"];
    let graph = from_file(layers);
    // Present 0, 1, 2 and absent 3, against the same without finding 3: both rows stand in the file's style.
    let with = Belief::new(graph.clone(), &[0, 1, 2].map(|i| Finding::answer(CheckId(i), 1))).unwrap();
    let all = with.with_finding(Finding::answer(CheckId(3), 0)).unwrap();
    let weights = all.weights().unwrap();
    let row = weights.findings.iter().find(|f| f.check == CheckId(3)).unwrap();
    for f in 0..4 {
        let odds = |b: &Belief| b.posterior().faults[f] / (1.0 - b.posterior().faults[f]);
        near(row.given_rest[f], 10.0 * (odds(&all) / odds(&with)).log10(), 9, "weight");
    }
    // Finding 3 absent speaks strongly against fault 3, which nearly always brings it about.
    assert!(row.given_rest[3] < -10.0);
    let steps = all.steps(FaultId(3), &[CheckId(3), CheckId(0)]).unwrap();
    assert_eq!(steps[0].0, CheckId(3));
    let sum: f64 = steps.iter().map(|s| s.1).sum();
    near(sum, weights.posterior[3] - weights.prior[3], 9, "steps add up");
}

/// A finding that contradicts all others is named as the worst, and the conflict shows.
#[test]
fn surprise_names_the_odd_one_out() {
    let mut graph = Graph::new();
    let fault = graph.add_fault(0.05).unwrap();
    for _ in 0..4 {
        graph.add_yes_no_check(0.02, &[(fault.into(), 0.97)]).unwrap();
    }
    let graph = Arc::new(graph);
    let answers = |odd: usize| -> Vec<Finding> {
        (0..4).map(|i| Finding::answer(CheckId(i), usize::from(i != odd))).collect()
    };
    let agreed = Belief::new(graph.clone(), &answers(9)).unwrap().surprise().unwrap();
    assert!(agreed.conflict_bits < 0.0);
    for odd in 0..4 {
        let surprise = Belief::new(graph.clone(), &answers(odd)).unwrap().surprise().unwrap();
        assert_eq!(surprise.worst, Some(CheckId(odd)));
        let worst = &surprise.findings[odd];
        assert!(worst.tail < 0.05 && worst.excess_bits > 4.0, "{worst:?}");
        assert!(surprise.bits > agreed.bits - 3.0);
    }
}
