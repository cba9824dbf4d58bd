//! Values to text: the only place that does it.
//!
//! Measured quantities carry three significant digits, as many as a handheld meter vouches for. A probability never rounds to 0 %
//! or 100 %. Part values come back in the trade's notation. Numbers never print as `-0.0`.

use super::quantity::{
    Amps, Decibels, Farads, Henries, Hertz, Minutes, Money, Ohms, Probability, Seconds, Unit, Volts,
};
use super::reading::{Reading, Shown};

const DIGITS: usize = 3;

/// A number with a metric prefix and `digits` significant digits: `engineering(0.0047, 2, "A")` is `4.7 mA`.
/// Rounding happens before the prefix is chosen, so 0.9996 V at three digits is `1.00 V`, never `1000 mV`.
pub fn engineering(value: f64, digits: usize, unit: &str) -> String {
    if !value.is_finite() {
        return if value.is_nan() {
            format!("? {unit}")
        } else if value > 0.0 {
            "OL".into()
        } else {
            "-OL".into()
        };
    }
    if value.abs() < 1e-15 {
        return format!("0 {unit}");
    }
    let (mantissa, exponent) = rounded(value, digits);
    let group = exponent.div_euclid(3).clamp(-5, 3);
    let shift = exponent - 3 * group;
    let number = mantissa * 10f64.powi(shift);
    let decimals = (digits as i32 - 1 - shift).max(0) as usize;
    let prefix = ["f", "p", "n", "\u{b5}", "m", "", "k", "M", "G"][(group + 5) as usize];
    format!("{number:.decimals$} {prefix}{unit}")
}

/// Mantissa (1 to below 10, signed) and exponent of a number rounded to so many significant digits.
fn rounded(value: f64, digits: usize) -> (f64, i32) {
    let text = format!("{value:.*e}", digits.max(1) - 1);
    match text.split_once('e') {
        Some((m, e)) => (m.parse().unwrap_or(value), e.parse().unwrap_or(0)),
        None => (value, 0),
    }
}

/// Volts: `4.36 V`, `652 mV`; readings below 0.5 mV are `0 V`, below what a meter shows.
pub fn volts(v: Volts) -> String {
    if v.0.abs() < 0.0005 { "0 V".into() } else { engineering(v.0, DIGITS, "V") }
}

/// Volts as small as they come: `80.0 uV` with the sign for micro.
pub fn fine_volts(v: Volts) -> String {
    engineering(v.0, DIGITS, "V")
}

/// Amps: `23.0 mA`.
pub fn amps(a: Amps) -> String {
    if a.0.abs() < 5e-9 { "0 A".into() } else { engineering(a.0, DIGITS, "A") }
}

/// Ohms as a meter shows them: `4.70 kohm`, `0.30 ohm` (milliohms would be taken for megohms); infinity is `OL`.
pub fn ohms(r: Ohms) -> String {
    if (0.005..0.995).contains(&r.0.abs()) {
        return format!("{:.2} ohm", r.0);
    }
    engineering(r.0, DIGITS, "ohm")
}

/// Hertz: `1.00 kHz`.
pub fn hertz(f: Hertz) -> String {
    engineering(f.0, DIGITS, "Hz")
}

/// Seconds: `342 ms`.
pub fn seconds(s: Seconds) -> String {
    engineering(s.0, DIGITS, "s")
}

/// A level: `-12.3 dB`; anything below -200 dB is `silent`.
pub fn decibels(d: Decibels) -> String {
    if d.0 < -200.0 {
        return "silent".into();
    }
    let tenths = (d.0 * 10.0).round() / 10.0 + 0.0;
    format!("{tenths:.1} dB")
}

/// A level over one volt: `-83.4 dBV`.
pub fn dbv(d: Decibels) -> String {
    decibels(d) + "V"
}

/// A weight with its sign, for or against: `+7.3 dB`.
pub fn weight(d: Decibels) -> String {
    let tenths = (d.0 * 10.0).round() / 10.0 + 0.0;
    format!("{tenths:+.1} dB")
}

/// A probability in percent: `34 %`, `2.5 %`, `97.5 %`; `<0.1 %` and `>99.9 %` at the ends, never 0 or 100.
pub fn probability(p: Probability) -> String {
    let percent = p.get() * 100.0;
    if percent < 0.095 {
        "<0.1 %".into()
    } else if percent > 99.905 {
        ">99.9 %".into()
    } else if (9.95..=90.05).contains(&percent) {
        format!("{percent:.0} %")
    } else {
        format!("{percent:.1} %")
    }
}

/// Bench time: `4 min`, `1 h 20 min`; below a minute `<1 min`.
pub fn minutes(m: Minutes) -> String {
    let whole = m.0.round() as i64;
    match (whole / 60, whole % 60) {
        _ if m.0 > 0.0 && m.0 < 0.75 => "<1 min".into(),
        (0, minutes) => format!("{minutes} min"),
        (hours, 0) => format!("{hours} h"),
        (hours, minutes) => format!("{hours} h {minutes} min"),
    }
}

/// Money with two decimals and no currency: `12.50`.
pub fn money(m: Money) -> String {
    let sign = if m.0 < 0 { "-" } else { "" };
    format!("{sign}{}.{:02}", m.0.unsigned_abs() / 100, m.0.unsigned_abs() % 100)
}

/// A value in a unit, as above.
pub fn value(x: f64, unit: Unit) -> String {
    match unit {
        Unit::Volts => volts(Volts(x)),
        Unit::Ohms => ohms(Ohms(x)),
        Unit::Amps => amps(Amps(x)),
        Unit::Hertz => hertz(Hertz(x)),
        Unit::Farads => engineering(x, DIGITS, "F"),
        Unit::Henries => engineering(x, DIGITS, "H"),
        Unit::Seconds => seconds(Seconds(x)),
        Unit::Decibels => decibels(Decibels(x)),
    }
}

/// A band of values with one unit: `4.75 V to 5.25 V`; one value when both ends print the same.
pub fn band(low: f64, high: f64, unit: Unit) -> String {
    let (a, b) = (value(low, unit), value(high, unit));
    if a == b { a } else { format!("{a} to {b}") }
}

/// A reading as text that [`super::reading::parse`] reads back to the same: up to twelve digits, base unit.
pub fn reading(r: &Reading) -> String {
    let unit = r.unit.map_or("", Unit::symbol);
    let body = match r.shown {
        Shown::Value(x) => format!("{}{unit}", digits(x)),
        Shown::Range(a, b) => format!("{}{unit}..{}{unit}", digits(a), digits(b)),
        Shown::Overload => "OL".into(),
    };
    if r.vague { format!("about {body}") } else { body }
}

/// A reading for people: `4.36 V`, `about 4.4 V`, `4.40 V to 4.60 V`, `OL`.
pub fn reading_in(r: &Reading, unit: Unit) -> String {
    let body = match r.shown {
        Shown::Value(x) => value(x, unit),
        Shown::Range(a, b) => band(a, b, unit),
        Shown::Overload => "OL".into(),
    };
    if r.vague { format!("about {body}") } else { body }
}

/// Twelve significant digits without trailing zeros.
fn digits(x: f64) -> String {
    let rounded: f64 = format!("{x:.11e}").parse().unwrap_or(x);
    format!("{}", rounded + 0.0)
}

/// Ohms in letter code: `4k7`, `R47`, `100R`, `1M`.
pub fn ohms_code(r: Ohms) -> String {
    code(r.0, &[(1e9, "G"), (1e6, "M"), (1e3, "k"), (1.0, "R")])
}

/// Farads in letter code: `100n`, `4u7`, `p47`.
pub fn farads_code(c: Farads) -> String {
    code(c.0, &[(1.0, "F"), (1e-3, "m"), (1e-6, "u"), (1e-9, "n"), (1e-12, "p")])
}

/// Henries: `100mH`.
pub fn henries_code(h: Henries) -> String {
    format!("{}H", code(h.0, &[(1.0, ""), (1e-3, "m"), (1e-6, "u"), (1e-9, "n")]))
}

/// The letter stands where the point would be (IEC 60062). At most nine digits are kept.
fn code(value: f64, letters: &[(f64, &str)]) -> String {
    let value: f64 = format!("{value:.8e}").parse().unwrap_or(value);
    let Some((unit, letter)) =
        letters.iter().find(|(u, _)| value.abs() >= *u * 0.999_999_999_5).or(letters.last())
    else {
        return String::new();
    };
    let number = value / unit;
    let number: f64 = format!("{number:.8e}").parse().unwrap_or(number);
    let text = format!("{number}");
    match text.split_once('.') {
        Some((whole, part)) if letter.is_empty() => format!("{whole}.{part}"),
        Some((whole, part)) => format!("{}{letter}{part}", if whole == "0" { "" } else { whole }),
        None => format!("{text}{letter}"),
    }
}
