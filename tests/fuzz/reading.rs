//! Readings and part values as people type them.

use super::grow::{Grower, run};
use halfsplit::units::{Unit, notation, reading, show};

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
            match notation::any(&text, None) {
                Ok((value, _)) => {
                    assert!(value.is_finite(), "{text:?}");
                    true
                }
                Err(e) => {
                    assert!(!e.to_string().is_empty());
                    false
                }
            }
        },
    );
}
