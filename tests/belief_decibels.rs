//! Weights of evidence against published and recomputed figures; sources stand in the data file.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

#[path = "support/data.rs"]
mod data;

use std::sync::Arc;

use data::{diagnosis, int, list, near, num, nums};
use halfsplit::belief::decibel::{
    Expected, Slip, factor_db, nepers_db, odds_db, probability_at, reading_db, reading_db_with_slip,
    weight_db,
};
use halfsplit::belief::{Belief, ComputedCause, FaultId, Finding, Graph, Limits, ScoredSet, SetScores};

#[test]
fn factors() {
    for row in list(&diagnosis("evidence_weight.yaml")["factors"]) {
        near(factor_db(num(&row["factor"])), num(&row["db"]), 6, "factor");
    }
}

#[test]
fn double_headed_penny() {
    let penny = &diagnosis("evidence_weight.yaml")["tunny"]["penny"];
    // Through the engine: one fault (the coin has two heads) and twenty tosses that a fair coin shows by leak.
    let mut graph = Graph::new();
    let odds = num(&penny["prior_odds"]);
    let coin = graph.add_fault(odds / (1.0 + odds)).unwrap();
    let findings: Vec<Finding> = (0..int(&penny["heads"]))
        .map(|_| Finding::answer(graph.add_yes_no_check(0.5, &[(coin.into(), 1.0)]).unwrap(), 1))
        .collect();
    let belief = Belief::new(Arc::new(graph), &findings).unwrap();
    let p = belief.fault(coin).unwrap();
    near(odds_db(p), num(&penny["posterior_db"]), 6, "posterior");
    near(p / (1.0 - p), num(&penny["posterior_odds"]), 4, "odds");
    let weights = belief.weights().unwrap();
    near(weights.prior[coin.0], -40.0, 6, "prior");
    for finding in &weights.findings {
        near(finding.given_rest[coin.0], factor_db(num(&penny["factor"])), 6, "a head, given the rest");
        near(finding.alone[coin.0], factor_db(num(&penny["factor"])), 6, "a head, alone");
    }
    let steps: f64 = belief.steps(coin, &[]).unwrap().iter().map(|s| s.1).sum();
    near(steps, num(&penny["gain_db"]), 6, "gain");
    let rounded = &diagnosis("evidence_weight.yaml")["tunny"]["penny_rounded"];
    let per_head = factor_db(num(&penny["factor"])).round();
    assert_eq!(per_head, num(&rounded["per_head_db"]));
    assert_eq!(per_head * num(&penny["heads"]), num(&rounded["gain_db"]));
    assert_eq!(weights.prior[coin.0].round() + num(&rounded["gain_db"]), num(&rounded["posterior_db"]));
}

#[test]
fn decibels_and_odds() {
    let tunny = &diagnosis("evidence_weight.yaml")["tunny"];
    let up = &tunny["probability_up"];
    near(odds_db(num(&up["numerator"]) / num(&up["denominator"])), num(&up["db"]), 6, "8/13");
    for row in list(&tunny["odds"]) {
        let p = probability_at(num(&row["db"]));
        near(p / (1.0 - p), num(&row["odds"]), 6, "odds");
    }
}

/// Three exclusive hypotheses as scored sets: each alone, nothing else.
#[test]
fn widgets_table() {
    let widgets = &diagnosis("evidence_weight.yaml")["widgets"];
    let bad = nums(&widgets["bad_share"]);
    let prior = &widgets["prior_weights"];
    let c = num(&prior["C"]);
    let p = [
        num(&prior["A"]) / num(&prior["of"]) * (1.0 - c),
        num(&prior["B"]) / num(&prior["of"]) * (1.0 - c),
        c,
    ];
    near(weight_db(bad[0], bad[1]), num(&widgets["steps_db"]["bad"]), 6, "bad widget");
    near(weight_db(1.0 - bad[0], 1.0 - bad[1]), num(&widgets["steps_db"]["good"]), 6, "good widget");
    for row in list(&widgets["table"]) {
        let row = nums(row);
        let mut graph = Graph::new();
        let faults: Vec<FaultId> = (0..3).map(|_| graph.add_fault(0.5).unwrap()).collect();
        let checks: Vec<_> =
            (0..row[0] as usize).map(|_| graph.add_yes_no_check(0.0, &[]).unwrap()).collect();
        let sets = (0..3)
            .map(|i| ScoredSet {
                members: vec![faults[i]],
                log_likelihood: p[i].ln(),
                causes: checks
                    .iter()
                    .map(|x| ComputedCause { check: *x, cumulative: vec![1.0 - bad[i], 1.0] })
                    .collect(),
            })
            .collect();
        let findings: Vec<Finding> = checks.iter().map(|x| Finding::answer(*x, 1)).collect();
        let scores = Arc::new(SetScores { faults, sets });
        let belief = Belief::build(Arc::new(graph), &findings, Some(scores), Limits::default()).unwrap();
        for i in 0..3 {
            near(
                odds_db(belief.posterior().faults[i]),
                row[i + 1],
                4,
                &format!("{} bad, hypothesis {i}", row[0]),
            );
        }
    }
}

/// On average no finding speaks for what is false: Turing's and Good's theorems.
#[test]
fn coin_theorems() {
    let coin = &diagnosis("evidence_weight.yaml")["coin"];
    let (fair, even) = (nums(&coin["fair"]), nums(&coin["even"]));
    let factor = |a: f64, b: f64| 10f64.powf(weight_db(a, b) / 10.0);
    let mean =
        |p: &[f64], f: &dyn Fn(usize) -> f64| -> f64 { p.iter().enumerate().map(|(i, x)| x * f(i)).sum() };
    near(
        mean(&even, &|i| factor(fair[i], even[i])),
        num(&coin["mean_factor_for_false"]),
        9,
        "for fair, even true",
    );
    near(
        mean(&even, &|i| factor(even[i], fair[i])),
        num(&coin["mean_factor_for_true"]),
        9,
        "for even, even true",
    );
    near(
        mean(&fair, &|i| factor(even[i], fair[i]).powi(2)),
        num(&coin["mean_factor_for_true"]),
        9,
        "squared",
    );
}

#[test]
fn readings_with_and_without_slips() {
    let file = diagnosis("evidence_weight.yaml");
    for row in list(&file["readings"]) {
        let spread = num(&row["spread"]);
        let hypothesis = Expected { mean: num(&row["mean"]), spread };
        let other = Expected { mean: num(&row["other"]), spread };
        let x = num(&row["x"]);
        near(reading_db(x, hypothesis, other), num(&row["db"]), 6, "reading");
        let slip = Slip { chance: 0.01, range: 20.0 };
        let capped = reading_db_with_slip(x, hypothesis, other, slip);
        let cap = factor_db(1.0 + 0.99 * 20.0 / (0.01 * spread * (2.0 * std::f64::consts::PI).sqrt()));
        assert!(capped.abs() <= cap + 1e-9 && capped.abs() <= num(&row["db"]).abs() + 1e-9, "{capped} {cap}");
        assert_eq!(capped > 0.0, num(&row["db"]) > 0.0);
    }
}

/// The weight of a reading is itself normal: mean d^2/2 nepers, variance d^2.
#[test]
fn separation() {
    for row in list(&diagnosis("evidence_weight.yaml")["separation"]) {
        let d = num(&row["d"]);
        let (one, two) = (Expected { mean: d, spread: 1.0 }, Expected { mean: 0.0, spread: 1.0 });
        let (mut mass, mut mean, mut square) = (0.0, 0.0, 0.0);
        for i in -100_000..=100_000 {
            let x = d + f64::from(i) * 1e-4;
            let p = one.log_density(x).exp() * 1e-4;
            let w = reading_db(x, one, two);
            mass += p;
            mean += p * w;
            square += p * w * w;
        }
        near(mass, 1.0, 6, "mass");
        near(mean, num(&row["mean_db"]), 5, "mean");
        near((square - mean * mean).sqrt(), num(&row["sd_db"]), 5, "deviation");
        near(nepers_db(d * d / 2.0), num(&row["mean_db"]), 6, "mean by formula");
    }
}
