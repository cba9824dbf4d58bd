//! Newtypes: a number that knows what it measures.

use super::notation;
use serde::de::{self, Deserializer, Visitor};
use serde::{Deserialize, Serialize, Serializer};
use std::fmt;
use std::ops::{Add, Div, Mul, Neg, Sub};

/// What a number measures.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub enum Unit {
    /// Volts.
    Volts,
    /// Ohms.
    Ohms,
    /// Amps.
    Amps,
    /// Hertz.
    Hertz,
    /// Farads.
    Farads,
    /// Henries.
    Henries,
    /// Seconds.
    Seconds,
    /// Decibels.
    Decibels,
}

impl Unit {
    /// The symbol behind a number: `V`, `ohm`, `A`, `Hz`, `F`, `H`, `s`, `dB`.
    pub fn symbol(self) -> &'static str {
        match self {
            Self::Volts => "V",
            Self::Ohms => "ohm",
            Self::Amps => "A",
            Self::Hertz => "Hz",
            Self::Farads => "F",
            Self::Henries => "H",
            Self::Seconds => "s",
            Self::Decibels => "dB",
        }
    }
}

macro_rules! quantity {
    ($($(#[$doc:meta])* $name:ident => $read:path, $expecting:literal;)*) => {$(
        $(#[$doc])*
        #[derive(Clone, Copy, Debug, Default, PartialEq, PartialOrd)]
        pub struct $name(pub f64);

        impl Add for $name {
            type Output = Self;
            fn add(self, other: Self) -> Self { Self(self.0 + other.0) }
        }
        impl Sub for $name {
            type Output = Self;
            fn sub(self, other: Self) -> Self { Self(self.0 - other.0) }
        }
        impl Neg for $name {
            type Output = Self;
            fn neg(self) -> Self { Self(-self.0) }
        }
        impl Mul<f64> for $name {
            type Output = Self;
            fn mul(self, factor: f64) -> Self { Self(self.0 * factor) }
        }
        impl Div<f64> for $name {
            type Output = Self;
            fn div(self, divisor: f64) -> Self { Self(self.0 / divisor) }
        }
        impl Div for $name {
            type Output = f64;
            fn div(self, other: Self) -> f64 { self.0 / other.0 }
        }
        impl std::iter::Sum for $name {
            fn sum<I: Iterator<Item = Self>>(items: I) -> Self { Self(items.map(|x| x.0).sum()) }
        }
        impl Serialize for $name {
            fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
                serializer.serialize_f64(self.0)
            }
        }
        impl<'de> Deserialize<'de> for $name {
            fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
                struct V;
                impl Visitor<'_> for V {
                    type Value = $name;
                    fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                        f.write_str($expecting)
                    }
                    fn visit_str<E: de::Error>(self, text: &str) -> Result<$name, E> {
                        $read(text).map_err(E::custom)
                    }
                    fn visit_f64<E: de::Error>(self, x: f64) -> Result<$name, E> { Ok($name(x)) }
                    fn visit_i64<E: de::Error>(self, x: i64) -> Result<$name, E> { Ok($name(x as f64)) }
                    fn visit_u64<E: de::Error>(self, x: u64) -> Result<$name, E> { Ok($name(x as f64)) }
                }
                deserializer.deserialize_any(V)
            }
        }
        #[cfg(test)]
        impl schemars::JsonSchema for $name {
            fn schema_name() -> std::borrow::Cow<'static, str> { stringify!($name).into() }
            fn inline_schema() -> bool { true }
            fn json_schema(_: &mut schemars::SchemaGenerator) -> schemars::Schema {
                schemars::json_schema!({ "type": ["string", "number"], "description": $expecting })
            }
        }
    )*};
}

quantity! {
    /// Electric tension in volts.
    Volts => notation::volts, "volts, such as 9V or 100mV";
    /// Current in amps.
    Amps => notation::amps, "amps, such as 20mA";
    /// Resistance in ohms.
    Ohms => notation::ohms_value, "ohms, such as 4k7 or 100R";
    /// Capacitance in farads.
    Farads => notation::farads_value, "farads, such as 100n or 4u7";
    /// Inductance in henries.
    Henries => notation::henries, "henries, such as 100mH";
    /// Frequency in hertz.
    Hertz => notation::hertz, "hertz, such as 1kHz";
    /// Time in seconds.
    Seconds => notation::seconds, "seconds, such as 20ms";
    /// A ratio in decibels.
    Decibels => notation::decibels, "decibels, such as -12.3dB";
    /// Bench time in minutes.
    Minutes => notation::minutes, "minutes, such as 5 or 1.5h";
}

impl Div<Ohms> for Volts {
    type Output = Amps;
    fn div(self, r: Ohms) -> Amps {
        Amps(self.0 / r.0)
    }
}

impl Div<Amps> for Volts {
    type Output = Ohms;
    fn div(self, i: Amps) -> Ohms {
        Ohms(self.0 / i.0)
    }
}

impl Mul<Ohms> for Amps {
    type Output = Volts;
    fn mul(self, r: Ohms) -> Volts {
        Volts(self.0 * r.0)
    }
}

impl Mul<Farads> for Ohms {
    type Output = Seconds;
    fn mul(self, c: Farads) -> Seconds {
        Seconds(self.0 * c.0)
    }
}

impl Ohms {
    /// This and another in parallel.
    pub fn parallel(self, other: Self) -> Self {
        Self(self.0 * other.0 / (self.0 + other.0))
    }

    /// Corner of a resistor and a capacitor: `f = 1 / (2 pi R C)` (Lessons In Electric Circuits Vol. II, Filters).
    pub fn corner(self, c: Farads) -> Hertz {
        Hertz(1.0 / (std::f64::consts::TAU * self.0 * c.0))
    }
}

impl Decibels {
    /// A voltage ratio in decibels, `20 log10(ratio)`; a ratio of 0 gives minus infinity.
    pub fn of_ratio(ratio: f64) -> Self {
        Self(20.0 * ratio.abs().log10())
    }

    /// The voltage ratio, `10^(dB/20)`.
    pub fn ratio(self) -> f64 {
        10f64.powf(self.0 / 20.0)
    }
}

/// A probability, 0 to 1.
#[derive(Clone, Copy, Debug, Default, PartialEq, PartialOrd, Serialize)]
pub struct Probability(f64);

impl Probability {
    /// A probability; `None` outside 0 to 1 or for not-a-number.
    pub fn new(p: f64) -> Option<Self> {
        (0.0..=1.0).contains(&p).then_some(Self(p))
    }

    /// The number, 0 to 1.
    pub fn get(self) -> f64 {
        self.0
    }

    /// Odds `p / (1 - p)`; infinite at 1.
    pub fn odds(self) -> f64 {
        self.0 / (1.0 - self.0)
    }
}

impl<'de> Deserialize<'de> for Probability {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        let p = f64::deserialize(deserializer)?;
        Self::new(p)
            .ok_or_else(|| de::Error::custom(format!("{p} is no probability; write a number from 0 to 1")))
    }
}

#[cfg(test)]
impl schemars::JsonSchema for Probability {
    fn schema_name() -> std::borrow::Cow<'static, str> {
        "Probability".into()
    }
    fn json_schema(_: &mut schemars::SchemaGenerator) -> schemars::Schema {
        schemars::json_schema!({ "type": "number", "minimum": 0, "maximum": 1 })
    }
}

/// Money in minor units (cents, pence), without a currency.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Serialize)]
pub struct Money(pub i64);

impl Money {
    /// Whole and part units, such as 0.35, rounded to the nearest minor unit.
    pub fn of(amount: f64) -> Self {
        Self((amount * 100.0).round() as i64)
    }
}

impl Add for Money {
    type Output = Self;
    fn add(self, other: Self) -> Self {
        Self(self.0.saturating_add(other.0))
    }
}

impl std::iter::Sum for Money {
    fn sum<I: Iterator<Item = Self>>(items: I) -> Self {
        items.fold(Self(0), Add::add)
    }
}

impl<'de> Deserialize<'de> for Money {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        let amount = f64::deserialize(deserializer)?;
        if amount.abs() > 1e12 {
            return Err(de::Error::custom("too much money; write an amount below a million million"));
        }
        Ok(Self::of(amount))
    }
}

#[cfg(test)]
impl schemars::JsonSchema for Money {
    fn schema_name() -> std::borrow::Cow<'static, str> {
        "Money".into()
    }
    fn json_schema(_: &mut schemars::SchemaGenerator) -> schemars::Schema {
        schemars::json_schema!({ "type": "number", "description": "an amount such as 0.35, without a currency" })
    }
}
