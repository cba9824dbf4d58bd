#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

use super::*;
use crate::units::quantity::Unit;
use proptest::prelude::*;

#[test]
fn three_digits_never_straddle_a_prefix() {
    assert_eq!(show::volts(Volts(0.9994)), "999 mV");
    assert_eq!(show::volts(Volts(0.9995)), "1.00 V");
    assert_eq!(show::volts(Volts(0.999_51)), "1.00 V");
    assert_eq!(show::volts(Volts(-0.9996)), "-1.00 V");
    assert_eq!(show::ohms(Ohms(999.5)), "1.00 kohm");
    assert_eq!(show::ohms(Ohms(999.4)), "999 ohm");
    assert_eq!(show::ohms(Ohms(999_500.0)), "1.00 Mohm");
    assert_eq!(show::volts(Volts(0.0004)), "0 V");
    assert_eq!(show::ohms(Ohms(f64::INFINITY)), "OL");
    assert_eq!(show::decibels(Decibels(-0.04)), "0.0 dB");
    assert_eq!(show::decibels(Decibels(f64::NEG_INFINITY)), "silent");
    assert_eq!(show::weight(Decibels(-0.04)), "+0.0 dB");
}

#[test]
fn probability_never_reaches_an_end() {
    let p = |x: f64| show::probability(Probability::new(x).unwrap());
    assert_eq!(p(0.0), "<0.1 %");
    assert_eq!(p(1.0), ">99.9 %");
    assert_eq!(p(0.9995), ">99.9 %");
    assert_eq!(p(0.9990), "99.9 %");
    assert_eq!(p(0.0005), "<0.1 %");
    assert_eq!(p(0.0995), "10 %");
    assert_eq!(p(0.0994), "9.9 %");
    assert_eq!(p(0.34), "34 %");
    assert_eq!(p(0.975), "97.5 %");
}

#[test]
fn time_and_money() {
    assert_eq!(show::minutes(Minutes(80.0)), "1 h 20 min");
    assert_eq!(show::minutes(Minutes(59.6)), "1 h");
    assert_eq!(show::minutes(Minutes(0.3)), "<1 min");
    assert_eq!(show::money(Money::of(0.35)), "0.35");
    assert_eq!(show::money(Money(-5)), "-0.05");
}

#[test]
fn arithmetic_knows_its_units() {
    assert_eq!(Volts(9.0) / Ohms(4_500.0), Amps(0.002));
    assert_eq!(Amps(0.002) * Ohms(1_000.0), Volts(2.0));
    assert_eq!(Volts(9.0) / Amps(0.002), Ohms(4_500.0));
    assert_eq!(Ohms(10e3).parallel(Ohms(10e3)), Ohms(5e3));
    assert_eq!(Decibels::of_ratio(0.0).0, f64::NEG_INFINITY);
}

#[test]
fn readings_as_people_type_them() {
    let value = |text: &str, unit| reading::parse(text, unit).unwrap();
    let exact = |text: &str, unit, x: f64| {
        let r = value(text, unit);
        let Shown::Value(v) = r.shown else { panic!("{text} gave {r:?}") };
        assert!((v - x).abs() <= 1e-12 * x.abs().max(1.0), "{text} gave {v}");
        r
    };
    let volts = Some(Unit::Volts);
    assert_eq!(exact("4.98", volts, 4.98).unit, None);
    assert_eq!(exact("4,98 V", volts, 4.98).unit, volts);
    exact("-0.02V", volts, -0.02);
    exact("\u{2212}0.02 V", volts, -0.02);
    exact("5V1", volts, 5.1);
    exact("120mV", volts, 0.12);
    exact("1.2k", Some(Unit::Ohms), 1200.0);
    exact("1.2k\u{3a9}", Some(Unit::Ohms), 1200.0);
    exact("4k7", Some(Unit::Ohms), 4700.0);
    exact("2M2", Some(Unit::Ohms), 2.2e6);
    exact("23mA", Some(Unit::Amps), 0.023);
    exact("23 mA", None, 0.023);
    exact("-12.3dB", Some(Unit::Decibels), -12.3);
    exact("1kHz", None, 1000.0);
    assert!(exact("about 5V", volts, 5.0).vague);
    assert!(exact("~5", volts, 5.0).vague);
    assert!(!exact("5", volts, 5.0).vague);
    assert_eq!(value("2.4..2.6V", volts).shown, Shown::Range(2.4, 2.6));
    assert_eq!(value("200..300mV", volts).shown, Shown::Range(0.2, 0.3));
    assert_eq!(value("0.9k..1.1k", Some(Unit::Ohms)).shown, Shown::Range(900.0, 1100.0));
    assert_eq!(value("OL", Some(Unit::Ohms)).shown, Shown::Overload);
    assert_eq!(value("O.L", None).shown, Shown::Overload);
    assert!((value("4.98", volts).resolution - 0.01).abs() < 1e-9);
    assert!((value("120mV", volts).resolution - 0.001).abs() < 1e-9);
}

#[test]
fn bad_readings_say_what_to_write() {
    let told = |text: &str, unit| reading::parse(text, unit).unwrap_err().to_string();
    assert!(told("23mA", Some(Unit::Volts)).contains("write a value in V"));
    assert!(told("OL", Some(Unit::Volts)).contains("over range"));
    assert!(told("6..5V", Some(Unit::Volts)).contains("lower end first"));
    assert!(told("", Some(Unit::Volts)).contains("write one such as"));
    assert!(told("lots", Some(Unit::Volts)).contains("write one such as"));
    assert!(told("5Q", Some(Unit::Volts)).contains("write one such as"));
    assert!(notation::ohms("10m").unwrap_err().to_string().contains("write M for mega"));
    assert!(notation::farads("4700").unwrap_err().to_string().contains("4700n"));
    assert!(notation::farads("0.1").unwrap_err().to_string().contains("0.1u"));
    assert!(notation::ohms("1e400").is_err());
    assert!(notation::ohms("..5").is_err());
    assert!(notation::ohms("4k7k").is_err());
}

#[test]
fn the_forms_a_drawing_uses() {
    let f = |t: &str| notation::farads(t).unwrap().value.0;
    for text in ["4.7uF", "4u7", "4\u{b5}7", "4.7 \u{3bc}F", "4,7uF"] {
        assert_eq!(f(text), 4.7e-6, "{text}");
    }
    assert_eq!(f("100nF"), 1e-7);
    assert_eq!(f("47n"), 4.7e-8);
    assert_eq!(f("10pF"), 1e-11);
    assert_eq!(notation::ohms("1 Mohm").unwrap().value, Ohms(1e6));
    assert_eq!(notation::ohms("100").unwrap().value, Ohms(100.0));
    assert_eq!(notation::ohms("1meg").unwrap().value, Ohms(1e6));
    assert_eq!(notation::ohms("4.7k\u{2126}").unwrap().value, Ohms(4.7e3));
    assert_eq!(notation::volts("9V").unwrap(), Volts(9.0));
    assert_eq!(notation::volts("3V3").unwrap(), Volts(3.3));
    assert_eq!(notation::hertz("1kHz").unwrap(), Hertz(1e3));
    assert_eq!(notation::share("70%").unwrap(), 0.7);
    assert_eq!(notation::minutes("1.5h").unwrap(), Minutes(90.0));
    assert_eq!(colour::four_bands(Ohms(4700.0)).unwrap(), ["yellow", "violet", "red", "gold"]);
}

proptest! {
    #[test]
    fn ohms_come_back_from_their_code(digits in 1u32..100_000, exponent in -2i32..8) {
        let value = f64::from(digits) * 10f64.powi(exponent);
        prop_assume!(value < 9e9);
        let back = notation::ohms(&show::ohms_code(Ohms(value))).unwrap().value.0;
        prop_assert!((back / value - 1.0).abs() < 1e-9, "{value} -> {} -> {back}", show::ohms_code(Ohms(value)));
    }

    #[test]
    fn farads_come_back_from_their_code(digits in 1u32..10_000, exponent in -13i32..-3) {
        let value = f64::from(digits) * 10f64.powi(exponent);
        let back = notation::farads(&show::farads_code(Farads(value))).unwrap().value.0;
        prop_assert!((back / value - 1.0).abs() < 1e-9);
    }

    #[test]
    fn readings_come_back_from_their_text(x in -1e4f64..1e6, vague: bool, unit in 0usize..4) {
        let unit = [Some(Unit::Volts), Some(Unit::Amps), Some(Unit::Decibels), None][unit];
        let x: f64 = format!("{x:.6e}").parse().unwrap();
        let first = Reading { shown: Shown::Value(x), unit, vague, resolution: 0.0 };
        let back = reading::parse(&show::reading(&first), unit).unwrap();
        prop_assert_eq!((back.shown, back.unit, back.vague), (first.shown, first.unit, first.vague));
    }

    #[test]
    fn no_text_breaks_a_parser(text in "\\PC{0,30}") {
        let _ = notation::ohms(&text);
        let _ = notation::farads(&text);
        let _ = notation::tolerance(&text);
        for unit in [None, Some(Unit::Volts), Some(Unit::Ohms), Some(Unit::Decibels)] {
            if let Ok(r) = reading::parse(&text, unit) {
                prop_assert!(r.shown == Shown::Overload || r.middle().is_finite());
            }
        }
    }

    #[test]
    fn shown_numbers_keep_three_figures(x in 1e-12f64..1e9) {
        let text = show::engineering(x, 3, "Hz");
        let back = notation::hertz(&text).unwrap().0;
        prop_assert!((back / x - 1.0).abs() < 0.0051, "{x} shown as {text}");
        prop_assert!(!text.contains("1000 "), "{text}");
    }
}
