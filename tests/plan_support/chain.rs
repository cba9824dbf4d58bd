//! A made-up unit of the size that jobs have: ten stages in a row with parts in each, listened to along the path,
//! measured at every stage, looked at and asked about.

use super::Dice;
use halfsplit::plan::*;

/// Set-ups: meter, audio probe with a tone, hot iron.
const METER: usize = 0;
const PROBE: usize = 1;
const IRON: usize = 2;

fn price(minutes: f64, money: i64, setups: &[usize], power: Power) -> Price {
    Price { minutes, money, setups: setups.iter().map(|&s| SetupIx(s)).collect(), power }
}

/// Draws a unit with `stages` stages and `parts` faults in each, and `pairs` pairs of faults.
pub fn unit(seed: u64, stages: usize, parts: usize, pairs: usize) -> Draft {
    let mut dice = Dice::new(seed);
    let count = stages * parts;
    let stage_of = |f: usize| f / parts;
    let raw: Vec<f64> = (0..count).map(|_| dice.real(0.2, 3.0).powi(2)).collect();
    let mut sets: Vec<(Vec<usize>, f64)> = raw.iter().enumerate().map(|(f, &w)| (vec![f], w)).collect();
    for _ in 0..pairs {
        let (a, b) = (dice.whole(0, count - 1), dice.whole(0, count - 1));
        let pair = vec![a.min(b), a.max(b)];
        if a != b && sets.iter().all(|(s, _)| *s != pair) {
            sets.push((pair, raw[a] * raw[b] * 0.02));
        }
    }
    // One more fault stands for what the rules don't know; and maybe nothing is wrong.
    sets.push((vec![count], 2.0));
    sets.push((Vec::new(), 1.0));
    let sum: f64 = sets.iter().map(|(_, w)| w).sum();
    let hypotheses: Vec<Hypothesis> = sets.iter().map(|(s, w)| Hypothesis::of(s, 0.98 * w / sum)).collect();
    let mut checks = Vec::new();
    let mut add =
        |price: Price, kind: Kind, place: (Option<u32>, Option<u32>), shows: &dyn Fn(usize) -> f64| {
            let chance = |s: &Vec<usize>| {
                let clear: f64 = s.iter().map(|&f| if f == count { 0.8 } else { 1.0 - shows(f) }).product();
                1.0 - 0.98 * clear
            };
            let yes: Vec<f64> = sets.iter().map(|(s, _)| chance(s)).collect();
            let (position, stage) = place;
            checks.push(Check { kind, position, stage, ..Check::yes_or_no(price, &yes) });
        };
    for point in 1..stages {
        let shows = |f: usize| if stage_of(f) < point { 0.93 } else { 0.0 };
        add(price(1.0, 0, &[PROBE], Power::On), Kind::Listen, (Some(point as u32), None), &shows);
    }
    for stage in 0..stages {
        let here = Some(stage as u32);
        for third in 0..3 {
            let shows = move |f: usize| if stage_of(f) == stage && f % 3 == third { 0.9 } else { 0.0 };
            add(price(2.0, 0, &[METER], Power::On), Kind::Measure, (None, here), &shows);
        }
        let shows = move |f: usize| if stage_of(f) == stage { [0.7, 0.1, 0.0][f % 3] } else { 0.0 };
        add(price(1.5, 0, &[], Power::Off), Kind::Look, (None, here), &shows);
        let shows = move |f: usize| if stage_of(f) == stage { [0.0, 0.9, 0.5][f / 3 % 3] } else { 0.0 };
        add(price(2.5, 0, &[METER], Power::Off), Kind::Measure, (None, here), &shows);
        let shows = move |f: usize| if stage_of(f) == stage && f.is_multiple_of(2) { 0.8 } else { 0.0 };
        add(price(4.0, 0, &[IRON], Power::Off), Kind::Try, (None, here), &shows);
    }
    for question in 0..11 {
        let shows = move |f: usize| if f % 11 == question { 0.7 } else { 0.15 };
        add(price(0.3, 0, &[], Power::Any), Kind::Ask, (None, None), &shows);
    }
    let remedies = (0..count)
        .filter(|f| f % 4 != 3 || count < 60)
        .map(|f| Remedy {
            success: 0.97,
            partial_shows: 0.3,
            ..Remedy::cures(
                &[f],
                price(dice.whole(3, 15) as f64, dice.whole(10, 900) as i64, &[IRON], Power::Off),
            )
        })
        .collect();
    let mut faults: Vec<Fault> =
        (0..count).map(|f| Fault { unlisted: false, stage: Some(stage_of(f) as u32), site: None }).collect();
    faults.push(Fault { unlisted: true, stage: None, site: None });
    let mut draft = Draft {
        faults,
        hypotheses,
        checks,
        remedies,
        setups: vec![1.0, 4.0, 5.0],
        switching: Switching { on: 0.5, off: 0.5 },
        fallback: Lump { minutes: 240.0, money: 3000 },
        comeback: Lump { minutes: 480.0, money: 3000 },
        tariff: Tariff { money_per_hour: 3600.0, count: Count::Both },
    };
    // Two checks with the supply off that make power safe.
    for gate in
        draft.checks.iter_mut().filter(|c| c.price.power == Power::Off && c.kind == Kind::Measure).take(2)
    {
        gate.gate = true;
    }
    draft
}
