#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

use super::*;
use crate::circuit::board::tests::own_boards;

fn board(start: &str) -> Board {
    own_boards().into_iter().find(|(n, _)| n.starts_with(start)).unwrap().1
}

fn seen(predictor: &Predictor<'_>, check: &str, answer: &str) -> (CheckId, Observed) {
    let id = predictor.check(check).unwrap();
    let observed = Observed::parse(&id, answer).unwrap();
    (id, observed)
}

/// Fault ids, best first, for what was found.
fn ranked(predictor: &mut Predictor<'_>, findings: &[(CheckId, Observed)]) -> Vec<(f64, String)> {
    let ids: Vec<String> = predictor.board().faults().iter().map(|f| f.id.clone()).collect();
    let mut all: Vec<(f64, String)> = ids
        .into_iter()
        .map(|id| (predictor.log_likelihood(&[&id], findings).unwrap(), id))
        .chain([(f64::NAN, String::new())])
        .filter(|(l, _)| !l.is_nan())
        .collect();
    all.sort_by(|a, b| b.0.total_cmp(&a.0).then(a.1.cmp(&b.1)));
    all
}

#[test]
fn healthy_readings_fit_no_fault_best() {
    let board = board("pocket");
    let mut p = Predictor::new(&board, Bench::default()).unwrap();
    let findings = [
        seen(&p, "volts:C", "4.9"),
        seen(&p, "volts:E", "0.61"),
        seen(&p, "volts:B", "1.22"),
        seen(&p, "amps:main", "0.9mA"),
    ];
    let none = p.log_likelihood(&[], &findings).unwrap();
    for id in ["R2:open", "R4:x10", "Q1:short-ce", "C2:short", "R5:open"] {
        assert!(p.log_likelihood(&[id], &findings).unwrap() < none - 3.0, "{id}");
    }
}

#[test]
fn readings_point_at_the_fault() {
    let board = board("copper");
    let mut p = Predictor::new(&board, Bench::default()).unwrap();
    // Half supply gone to ground through a shorted reservoir, or through the resistor that lies across it: no reading parts the two.
    let findings = [seen(&p, "volts:V9", "8.72"), seen(&p, "volts:VH", "0V"), seen(&p, "ohms:VH", "1.2")];
    let best = ranked(&mut p, &findings);
    let mut level: Vec<&str> = best.iter().filter(|b| best[0].0 - b.0 < 1e-9).map(|b| b.1.as_str()).collect();
    level.sort_unstable();
    assert_eq!(level, ["C3:short", "R2:short"], "{:?}", &best[..4]);
    // No supply behind the guard diode.
    let findings = [seen(&p, "volts:VIN", "9.1"), seen(&p, "volts:V9", "0"), seen(&p, "amps:main", "0mA")];
    let best = ranked(&mut p, &findings);
    assert!(["D1:open", "D1:turned"].contains(&best[0].1.as_str()), "{:?}", &best[..4]);
}

#[test]
fn one_slip_of_the_probe_does_not_damn_a_healthy_board() {
    let board = board("pocket");
    let mut p = Predictor::new(&board, Bench::default()).unwrap();
    let good = [seen(&p, "volts:C", "4.9"), seen(&p, "volts:E", "0.6"), seen(&p, "volts:V9", "8.95")];
    let mut bad = good.to_vec();
    bad.push(seen(&p, "volts:B", "7.7"));
    let (fine, slipped) = (p.log_likelihood(&[], &good).unwrap(), p.log_likelihood(&[], &bad).unwrap());
    // ln(0.02 / 12 V): a slip costs 6.4, not the hundreds of a normal tail.
    assert!((slipped - fine - (0.02f64 / 12.0).ln()).abs() < 0.2, "{fine} {slipped}");
}

#[test]
fn readings_share_one_draw_of_parts() {
    let board = board("copper");
    let mut p = Predictor::new(&board, Bench::default()).unwrap();
    let (vh, pa) = (p.check("volts:VH").unwrap(), p.check("volts:OA").unwrap());
    let all = p.predict(&[], &[vh.clone(), pa.clone()]).unwrap();
    let (a, b) = (all.get(&vh).unwrap(), all.get(&pa).unwrap());
    let dot: f64 = a.loadings.iter().zip(b.loadings.iter()).map(|(x, y)| x * y).sum();
    let norm = |p: &Predicted| p.loadings.iter().map(|x| x * x).sum::<f64>().sqrt();
    assert!(dot / (norm(a) * norm(b)) > 0.95, "the buffer follows its bias");
    // Both 0.2 V high together is likelier than one high, one low. (With tails heavier than normal ones, 0.2 V apart alone is no longer
    // worth a factor of seven.)
    let pair = |x: &str, y: &str| {
        [(vh.clone(), Observed::parse(&vh, x).unwrap()), (pa.clone(), Observed::parse(&pa, y).unwrap())]
    };
    let same = p.log_likelihood(&[], &pair("4.47", "4.45")).unwrap();
    let apart = p.log_likelihood(&[], &pair("4.47", "4.05")).unwrap();
    assert!(same > apart + 2.0);
}

#[test]
fn the_words_for_a_level_are_those_that_are_asked_for() {
    let words: Vec<&str> = Ear::ALL.iter().map(|(word, _)| *word).collect();
    assert_eq!(crate::rules::taking("level").unwrap().answers, words);
    // Every check of a board has its way of being taken.
    assert!(CheckId::WORDS.iter().all(|word| crate::rules::taking(word).is_some()));
}

#[test]
fn levels_by_ear_and_overloads() {
    let board = board("tin");
    let mut p = Predictor::new(&board, Bench::default()).unwrap();
    let silent = [seen(&p, "level:FO", "none"), seen(&p, "level:OA", "expected")];
    let healthy = p.log_likelihood(&[], &silent).unwrap();
    for id in ["IC2.1:joint", "C7:open", "IC2:latched", "U1.in:joint"] {
        assert!(p.log_likelihood(&[id], &silent).unwrap() > healthy + 3.0, "{id}");
    }
    let open = [seen(&p, "ohms:IN", "OL")];
    let (good, gone) =
        (p.log_likelihood(&[], &open).unwrap(), p.log_likelihood(&["R3:open"], &open).unwrap());
    assert!(gone > good + 2.0, "{good} {gone}");
}

#[test]
fn vague_and_ranged_readings_say_less() {
    let board = board("pocket");
    let mut p = Predictor::new(&board, Bench::default()).unwrap();
    let gap = |p: &mut Predictor<'_>, text: &str| {
        let f = [seen(p, "volts:C", text)];
        p.log_likelihood(&[], &f).unwrap() - p.log_likelihood(&["R3:open"], &f).unwrap()
    };
    let (sharp, vague, range) = (gap(&mut p, "4.85"), gap(&mut p, "about 5V"), gap(&mut p, "4..6V"));
    assert!(sharp > 1.0 && vague > 1.0 && range > 1.0, "{sharp} {vague} {range}");
}

#[test]
fn ids_round_trip_and_slips_get_help() {
    let board = board("pocket");
    let p = Predictor::new(&board, Bench::default()).unwrap();
    for check in p.checks() {
        assert_eq!(&p.check(&check.to_string()).unwrap(), check);
    }
    assert!(p.check("volts:CC").unwrap_err().to_string().contains("volts:C"));
    assert!(board.edits(&["R2:opne"]).unwrap_err().to_string().contains("R2:open"));
}

#[test]
fn tails_of_the_normal() {
    // Abramowitz and Stegun, table 26.1: Q(1) = 0.158655, Q(2) = 0.022750, Q(5) = 2.8665e-7.
    for (x, q) in
        [(0.0, 0.5), (1.0, 0.158_655_254), (2.0, 0.022_750_132), (5.0, 2.866_516e-7), (-1.0, 0.841_344_746)]
    {
        assert!((likelihood::tail(x) / q - 1.0).abs() < 1e-5, "{x}");
    }
}

#[test]
fn every_pair_that_is_named_composes() {
    let board = board("pocket");
    let mut p = Predictor::new(&board, Bench::default()).unwrap();
    let checks = p.checks().to_vec();
    let one = p.predict(&["R2:open", "Q1:turned"], &checks).unwrap();
    let other = p.predict(&["Q1:turned", "R2:open"], &checks).unwrap();
    assert_eq!(one, other);
}

/// Readings that a draw of the parts moves together are no less likely of a fault that moves none of them, by an outline as well.
#[test]
fn an_outline_knows_that_readings_move_together() {
    let board = board("slow");
    let mut p = Predictor::new(&board, Bench::default()).unwrap();
    // The half-supply a little low, and all that stands on it.
    let findings = [
        seen(&p, "volts:VH", "3.69"),
        seen(&p, "volts:OA", "3.69"),
        seen(&p, "volts:NB", "3.71"),
        seen(&p, "volts:OB", "3.71"),
        seen(&p, "volts:SH", "3.67"),
    ];
    let none = p.log_likelihood(&[], &findings).unwrap();
    for id in ["C4:open", "R13:open", "C1:open"] {
        let (rough, close) =
            (p.rough_log_likelihood(&[id], &findings).unwrap(), p.log_likelihood(&[id], &findings).unwrap());
        assert!((close - none).abs() < 1.0, "{id}: {close} beside {none}");
        assert!((rough - none).abs() < 2.0, "{id}: {rough} beside {none}");
    }
    let turned = p.rough_log_likelihood(&["D1:turned"], &findings).unwrap();
    assert!(turned < none - 10.0, "{turned} beside {none}");
}
