//! Marking codes and preferred values against IEC 60062, IEC 60063 and EIA-198 as tabulated (tests/data/standards.yaml), and the
//! formulae of tests/data/filters_levels.yaml.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

use halfsplit::units::{Decibels, Farads, Ohms, colour, notation, series::Series};
use serde_yaml::Value;

fn data(text: &str) -> Value {
    serde_yaml::from_str(text).unwrap()
}

fn standards() -> Value {
    data(include_str!("data/standards.yaml"))
}

fn list<'a>(value: &'a Value, path: &[&str]) -> &'a Vec<Value> {
    path.iter().fold(value, |v, key| &v[*key]).as_sequence().unwrap()
}

fn near(a: f64, b: f64) -> bool {
    (a - b).abs() <= 1e-9 * a.abs().max(b.abs())
}

#[test]
fn colour_bands() {
    let all = standards();
    let examples = list(&all, &["colours", "examples"]);
    assert_eq!(examples.len(), 7);
    for e in examples {
        let names: Vec<&str> =
            e["bands"].as_sequence().unwrap().iter().map(|b| b.as_str().unwrap()).collect();
        let marked = colour::bands(&names).unwrap();
        assert!(near(marked.value.0, e["ohms"].as_f64().unwrap()), "{names:?}");
        let percent = e["tolerance_percent"].as_f64().unwrap();
        assert!(near(marked.tolerance.unwrap().fraction_of(marked.value.0) * 100.0, percent), "{names:?}");
    }
    for c in list(&all, &["colours", "table"]) {
        let name = c["colour"].as_str().unwrap();
        if let Some(digit) = c["digit"].as_f64() {
            assert!(near(colour::bands(&[name, name, "black"]).unwrap().value.0, digit * 11.0), "{name}");
        }
        match c["multiplier_exponent"].as_f64() {
            Some(e) => assert!(
                near(colour::bands(&["brown", "black", name]).unwrap().value.0, 10f64.powf(1.0 + e)),
                "{name}"
            ),
            None => assert!(colour::bands(&["brown", "black", name]).is_err()),
        }
        if name == "none" {
            continue;
        }
        let four = colour::bands(&["brown", "black", "red", name]);
        match c["tolerance_percent"].as_f64() {
            Some(p) => assert!(near(four.unwrap().tolerance.unwrap().fraction_of(1.0) * 100.0, p), "{name}"),
            None => assert!(four.is_err(), "{name}"),
        }
    }
}

#[test]
fn letter_code() {
    let all = standards();
    for e in list(&all, &["letter_code", "resistance"]) {
        let text = e["text"].as_str().unwrap();
        assert!(near(notation::ohms(text).unwrap().value.0, e["ohms"].as_f64().unwrap()), "{text}");
    }
    for e in list(&all, &["letter_code", "capacitance"]) {
        let text = e["text"].as_str().unwrap();
        assert!(
            near(notation::farads(text).unwrap().value.0 * 1e12, e["picofarads"].as_f64().unwrap()),
            "{text}"
        );
    }
    for (letter, percent) in all["letter_code"]["tolerance"].as_mapping().unwrap() {
        let (letter, percent) = (letter.as_str().unwrap(), percent.as_f64().unwrap());
        let marked = notation::ohms(&format!("4K7{letter}")).unwrap();
        assert!(near(marked.value.0, 4700.0));
        assert!(near(marked.tolerance.unwrap().fraction_of(4700.0) * 100.0, percent), "{letter}");
    }
}

#[test]
fn capacitor_codes() {
    for e in list(&standards(), &["capacitor_code", "examples"]) {
        let mark = e["mark"].as_str().unwrap();
        let marked = notation::farads(mark).unwrap();
        assert!(near(marked.value.0 * 1e12, e["picofarads"].as_f64().unwrap()), "{mark}");
        let percent = marked.tolerance.map(|t| t.fraction_of(marked.value.0) * 100.0);
        assert_eq!(percent.map(|p| p.round()), e["tolerance_percent"].as_f64(), "{mark}");
    }
}

#[test]
fn preferred_values() {
    let all = standards();
    let rows = [
        (Series::E3, "e3", 10),
        (Series::E6, "e6", 10),
        (Series::E12, "e12", 10),
        (Series::E24, "e24", 10),
        (Series::E96, "e96", 1),
    ];
    for (series, name, factor) in rows {
        let want: Vec<u16> =
            list(&all, &["preferred", name]).iter().map(|v| v.as_u64().unwrap() as u16 * factor).collect();
        assert_eq!(series.decade(), want, "{name}");
        for v in want {
            assert!(series.contains(f64::from(v)), "{name} {v}");
        }
    }
    assert!(Series::E24.contains(4_700.0) && !Series::E96.contains(4_700.0) && Series::E96.contains(4_750.0));
}

#[test]
fn corners_levels_and_loading() {
    let all = data(include_str!("data/filters_levels.yaml"));
    for e in list(&all, &["corners", "computed"]) {
        let corner = Ohms(e["ohms"].as_f64().unwrap()).corner(Farads(e["farads"].as_f64().unwrap()));
        assert!((corner.0 / e["hz"].as_f64().unwrap() - 1.0).abs() < 5e-5, "{e:?}");
    }
    let published = &all["corners"]["published"];
    let corner = Ohms(published["ohms"].as_f64().unwrap())
        .corner(Farads(published["microfarads"].as_f64().unwrap() * 1e-6));
    assert!((corner.0 - published["hz"].as_f64().unwrap()).abs() <= published["tol_hz"].as_f64().unwrap());
    for e in list(&all, &["time_constants"]) {
        let tau = Ohms(e["ohms"].as_f64().unwrap()) * Farads(e["farads"].as_f64().unwrap());
        assert!(near(tau.0, e["tau_s"].as_f64().unwrap()));
    }
    assert!((Decibels::of_ratio(2.0).0 - all["decibels"]["voltage_doubled"].as_f64().unwrap()).abs() < 0.005);
    let zero = all["decibels"]["dbu_zero_v_rms"].as_f64().unwrap();
    for e in list(&all, &["decibels", "levels"]) {
        let (reference, level) = match e["dbu"].as_f64() {
            Some(level) => (zero, level),
            None => (1.0, e["dbv"].as_f64().unwrap()),
        };
        let volts = reference * Decibels(level).ratio();
        assert!((volts / e["v_rms"].as_f64().unwrap() - 1.0).abs() < 2e-4, "{e:?}");
    }
}
