//! Learning against figures that others have published or that follow in closed form: Beta-binomial, and noisy-OR with one
//! cause.

use super::{add, golden, numbers};
use halfsplit::cases::learn::{
    Data, Place, Spot, Statistics, Tables, beta_cdf, beta_quantile, expect, fit, learn, posterior,
};
use halfsplit::rules::Rules;
use halfsplit::text::Source;

/// One fault that acts on one check.
const ONE: &str = "pack: one
title: One fault
applies: always
about: One fault and one check.
source: made up for the test
symptoms:
  z: {says: Z, ask: Is it so?, words: [z], minutes: 0.5, leak: 0}
faults:
  a:
    says: Fault a
    plain: Fault a
    prior: {fresh-build: 10%, worked-before: 10%, after-change: 10%}
    build: {breadboard: 1, stripboard: 1, pcb: 1, point-to-point: 1}
    leads-to:
      x: {strength: STRENGTH, why: made up}
      z: {strength: 0.5, why: made up}
conditions: {}
checks:
  x: {says: X, kind: ask, how: Ask, answers: [good, bad], tools: [], power: any, minutes: 1, leak: LEAK}
remedies:
  fix: {says: Fix it, fixes: [a], minutes: 5, money: 0, tools: [], power: off, success: 0.9}
";

fn one(strength: &str, leak: &str) -> Rules {
    let text = ONE.replace("STRENGTH", strength).replace("LEAK", leak);
    Rules::load(&[Source::new("one.yaml", text.as_str())]).unwrap()
}

/// So many cards with the fault or with nothing wrong, so many of them bad on the check.
fn cards(rules: &Rules, statistics: &mut Statistics, fault: bool, count: u64, bad: u64) {
    let end = if fault { "end: mended, faults: [a]" } else { "end: nothing-wrong" };
    for i in 0..count {
        let answer = if i < bad { "bad" } else { "good" };
        let text = format!(
            "unit: u\nhistory: fresh-build\nfindings:\n  - {{check: x, answer: {answer}}}\noutcome: {{{end}}}\n"
        );
        add(rules, statistics, &text);
    }
}

/// Births as cards, girls as bad answers: a strength seen without a leak is a plain proportion. Example and source in
/// tests/scripts/learn_golden.py (Gelman and others 2013, section 2.4); the values held against are scipy's.
#[test]
fn a_strength_without_a_leak_is_the_published_beta_binomial() {
    let births = &golden()["births"];
    let (trials, wins) = (births["trials"].as_u64().unwrap(), births["wins"].as_u64().unwrap());
    let mean = births["mean"].as_f64().unwrap();
    let rules = one(&mean.to_string(), "0");
    let mut statistics = Statistics::default();
    cards(&rules, &mut statistics, true, trials, wins);
    for row in births["rows"].as_array().unwrap() {
        let row = numbers(row);
        let [weight, is, low, low90, median, high90, high] = row[..] else { panic!("{row:?}") };
        assert!(
            (posterior(mean, weight, &[(1.0, trials as f64, wins as f64)]) - is).abs() < 1e-12,
            "{row:?}"
        );
        let (a, b) = (is * (weight + trials as f64), (1.0 - is) * (weight + trials as f64));
        for (p, there) in [(0.025, low), (0.5, median), (0.975, high)] {
            assert!((beta_quantile(a, b, p) - there).abs() < 1e-9, "{row:?} at {p}");
        }
        let learned = learn(&rules, &statistics, weight, 1, &|| ());
        let change = learned.changes.iter().find(|c| matches!(c.spot, Spot::Share(_, 1)));
        let change = change.unwrap_or_else(|| panic!("{:?}", learned.changes));
        let interval = change.interval.unwrap();
        assert!(
            (change.is - is).abs() < 1e-9 && (change.effective - trials as f64).abs() < 1e-6,
            "{change:?}"
        );
        assert!((interval[0] - low90).abs() < 1e-9 && (interval[1] - high90).abs() < 1e-9, "{change:?}");
    }
}

/// Central 95 % under Jeffreys' prior Beta(1/2, 1/2). The first three by the R package binom (`binom.confint`, method `bayes`),
/// the last by the R package DescTools (`BinomCI`, method `jeffreys`, R 4.3.3, seven digits); both as stored among the tests of
/// the Python package statsmodels 0.15.0 (`stats/tests/results/results_proportion.py`, `stats/tests/test_proportion.py`).
#[test]
fn proportions_have_the_intervals_of_other_packages() {
    let rows = [
        (18.0f64, 20.0, 0.716_146_742_695_748, 0.978_627_511_977_55, 1e-7),
        (4.0, 20.0, 0.071_520_052_478_734_25, 0.408_225_762_516_925_4, 1e-7),
        (4.0, 200.0, 0.006_787_598_795_192_99, 0.046_846_566_967_842_3, 1e-7),
        (100.0, 200.0, 0.431_121_7, 0.568_878_3, 5e-8),
    ];
    for (wins, trials, low, high, close) in rows {
        // Priors of faults are capped well below 1: the rarer of the two outcomes is learned.
        let rarer = posterior(0.5, 1.0, &[(1.0, trials, wins.min(trials - wins))]);
        let mean = if wins * 2.0 > trials { 1.0 - rarer } else { rarer };
        let (a, b) = (mean * (trials + 1.0), (1.0 - mean) * (trials + 1.0));
        let here = [beta_quantile(a, b, 0.025), beta_quantile(a, b, 0.975)];
        assert!(
            (here[0] - low).abs() < close && (here[1] - high).abs() < close,
            "{wins} of {trials}: {here:?}"
        );
    }
}

/// Under an even prior, after n of n: Laplace's rule of succession (1774), (n + 1) / (n + 2); and the odds that the chance is
/// above one half, 2^(n+1) - 1 to 1 (Price's appendix to Bayes 1763). Both follow in closed form from Beta(n + 1, 1).
#[test]
fn successes_without_a_failure_follow_laplace_and_price() {
    for n in [1.0, 2.0, 3.0, 10.0, 30.0] {
        // The other outcome, never seen: priors of faults are capped well below 1.
        assert!((posterior(0.5, 2.0, &[(1.0, n, 0.0)]) - 1.0 / (n + 2.0)).abs() < 1e-12);
        let below = beta_cdf(n + 1.0, 1.0, 0.5);
        let odds = (1.0 - below) / below;
        let price = 2f64.powf(n + 1.0) - 1.0;
        assert!((odds / price - 1.0).abs() < 1e-9, "{n}: {odds} for {price}");
    }
}

/// One cause over a leak. With m of M bad where the fault is not there and k of N where it is, the likelihood has its maximum
/// at leak = m/M and strength = 1 - (1 - k/N) / (1 - m/M): the two shares are free, so each cell is met exactly.
#[test]
fn one_cause_over_a_leak_is_learned_as_in_closed_form() {
    for (with, bad, without, odd) in [(200, 150, 100, 20), (400, 60, 300, 15), (50, 40, 50, 5)] {
        let rules = one("0.5", "0.1");
        let mut statistics = Statistics::default();
        cards(&rules, &mut statistics, true, with, bad);
        cards(&rules, &mut statistics, false, without, odd);
        let leak = odd as f64 / without as f64;
        let strength = 1.0 - (1.0 - bad as f64 / with as f64) / (1.0 - leak);
        let x = rules.find_check("x").unwrap();
        let to_x = rules.links().find(|(_, l)| rules.effect_name(l.to) == "x").unwrap().0;
        let mut tables = Tables::authored(&rules);
        let places = [(tables.index(Place::Link(to_x)), strength), (tables.index(Place::Check(x)), leak)];
        let mut data = Data::all(&rules, &statistics);
        // Rounds without authored cases, until nothing moves: plain maximum likelihood.
        for _ in 0..400 {
            let sums = expect(&mut data, &tables, 0.8, 1);
            for (t, _) in places {
                let share = sums.answers[t][1] / sums.trials[t];
                tables.chances[t] = vec![1.0 - share, share];
            }
        }
        for (t, there) in places {
            let here = tables.chances[t][1];
            assert!((here - there).abs() < 1e-9, "{bad} of {with}, {odd} of {without}: {here} for {there}");
        }
        // The fit stops once a round gains less than it cares for; a small weight leaves the authored figures little say.
        let fit = fit(&rules, Data::all(&rules, &statistics), 0.001, 1, &|| ());
        for (t, there) in places {
            let here = fit.tables.chances[t][1];
            assert!((here - there).abs() < 0.01, "{bad} of {with}, {odd} of {without}: {here} for {there}");
        }
    }
}
