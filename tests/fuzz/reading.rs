//! Readings and part values as people type them.

use super::grow::{Grower, run};
use halfsplit::units::{Ohms, Unit, notation, reading, show};

const READINGS: [&str; 10] =
    ["4.98", "4,98 V", "OL", "1.2k", "about 5V", "2.4..2.6V", "-12.3dB", "23mA", "4k7", "200 to 300 mV"];
const WORDS: [&str; 22] = [
    "k", "M", "m", "\u{b5}", "u", "n", "p", "V", "ohm", "\u{3a9}", "..", "-", "+", ",", ".", "e9", "0", "9",
    "about ", "?", " ", "\u{221e}",
];
const UNITS: [Option<Unit>; 6] =
    [None, Some(Unit::Volts), Some(Unit::Ohms), Some(Unit::Amps), Some(Unit::Hertz), Some(Unit::Decibels)];

#[test]
fn readings() {
    run("reading", Grower::new("reading", &READINGS, &WORDS), |bytes| {
        let text = String::from_utf8_lossy(bytes);
        let mut good = false;
        for unit in UNITS {
            match reading::parse(&text, unit) {
                Ok(read) => {
                    good = true;
                    assert!(!read.middle().is_nan(), "{text:?}");
                    assert!(read.resolution >= 0.0 && read.resolution.is_finite(), "{text:?}: {read:?}");
                    assert!(!show::reading(&read).is_empty());
                }
                Err(e) => assert!(!e.to_string().is_empty()),
            }
        }
        good
    });
}

#[test]
fn values() {
    run(
        "value",
        Grower::new("value", &["4k7", "2R2", "100n", "4.7uF", "1M", "0R1", "6p8", "2M2"], &WORDS),
        |bytes| {
            let text = String::from_utf8_lossy(bytes);
            let read: [Option<f64>; 8] = [
                notation::ohms_value(&text).ok().map(|v| v.0),
                notation::farads_value(&text).ok().map(|v| v.0),
                notation::volts(&text).ok().map(|v| v.0),
                notation::amps(&text).ok().map(|v| v.0),
                notation::henries(&text).ok().map(|v| v.0),
                notation::hertz(&text).ok().map(|v| v.0),
                notation::seconds(&text).ok().map(|v| v.0),
                notation::decibels(&text).ok().map(|v| v.0),
            ];
            assert!(read.iter().flatten().all(|v| v.is_finite()), "{text:?}: {read:?}");
            if let Some(ohms) = read[0].filter(|r| (1e-2..1e9).contains(r)) {
                // What is shown in the trade's notation reads back as the same part.
                let shown = show::ohms_code(Ohms(ohms));
                let again =
                    notation::ohms_value(&shown).unwrap_or_else(|e| panic!("{text:?} -> {shown:?}: {e}")).0;
                assert!((again / ohms - 1.0).abs() < 0.01, "{text:?} -> {shown:?} -> {again}");
            }
            read.iter().any(Option::is_some)
        },
    );
}
