//! The board file as serde sees it.

use crate::rules::Build;
use crate::text::{At, Named};
use crate::units::Minutes;
use serde::Deserialize;
use std::collections::BTreeMap;
use std::fmt;

/// A board file.
#[derive(Clone, Debug, Deserialize)]
#[serde(rename_all = "kebab-case")]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct BoardFile {
    /// Name of the unit.
    pub board: At<String>,
    /// What it does, in a line.
    #[serde(default)]
    pub says: String,
    /// How it is put together.
    pub build: Build,
    /// The ground net.
    pub ground: At<String>,
    /// Batteries and adaptors, each with a name.
    pub supply: Vec<Supply>,
    /// Where the sound goes in and out; a board without sound leaves it out.
    #[serde(default)]
    pub signal: Option<Signal>,
    /// Parts by designator.
    pub parts: Named<Part>,
    /// Pairs of nets whose copper, strips or rows lie side by side.
    #[serde(default)]
    pub neighbours: Vec<[At<String>; 2]>,
    /// Nets in the order a bench person would go along; nets not named come after in order of the parts.
    #[serde(default)]
    pub path: Vec<At<String>>,
    /// Rows of a breadboard or strips of a stripboard with the legs in each: `R1.1`, `C3+`, `Q1.b`, a net's name for a lead that
    /// comes in there, `wire 12` for a wire to row 12.
    #[serde(default)]
    pub rows: Named<Vec<At<String>>>,
    /// Minutes for opening the unit.
    #[serde(default)]
    pub opening: Option<Minutes>,
    /// What a bench person should know.
    #[serde(default)]
    pub notes: Vec<String>,
}

/// A supply of the board.
#[derive(Clone, Debug, Deserialize)]
#[serde(rename_all = "kebab-case")]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Supply {
    /// Its name, as in `amps:NAME`.
    pub name: At<String>,
    /// Net of its positive end.
    pub plus: At<String>,
    /// Net of its negative end.
    pub minus: At<String>,
    /// Volts, such as `9V`.
    pub volts: At<String>,
    /// `battery`, `adaptor` or `bench`.
    pub source: At<String>,
    /// Inner resistance, where it is not the usual one.
    #[serde(default)]
    pub inner: Option<At<String>>,
}

/// The way of the signal.
#[derive(Clone, Debug, Deserialize)]
#[serde(rename_all = "kebab-case")]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Signal {
    /// Net the tone is put in at.
    pub r#in: At<String>,
    /// Net the sound comes out at.
    pub out: At<String>,
    /// The tone.
    pub tone: Tone,
    /// Inner resistance of the tone source; 1 k where absent.
    #[serde(default)]
    pub source: Option<At<String>>,
    /// What the output is loaded with; 1 M where absent.
    #[serde(default)]
    pub load: Option<At<String>>,
    /// Whether the tone source passes direct current; one that doesn't is usual.
    #[serde(default)]
    pub direct: bool,
}

/// The tone that is put in.
#[derive(Clone, Debug, Deserialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Tone {
    /// Frequency, such as `1kHz`.
    pub freq: At<String>,
    /// Level, such as `100mV`.
    pub level: At<String>,
}

/// A part of the board.
#[derive(Clone, Debug, Deserialize)]
#[serde(rename_all = "kebab-case")]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Part {
    /// Part kind, for parts without a card.
    #[serde(default)]
    pub kind: Option<At<String>>,
    /// Part number, for parts with a card.
    #[serde(default)]
    pub device: Option<At<String>>,
    /// Value as the trade writes it.
    #[serde(default)]
    pub value: Option<At<String>>,
    /// Tolerance where it isn't the usual one, such as `1%`.
    #[serde(default)]
    pub tolerance: Option<At<String>>,
    /// Nets: a list in the order of the terminals, or a map from terminals or pins.
    pub nets: Nets,
    /// What it does on this board, in the words of the rule packs.
    #[serde(default)]
    pub role: Option<At<String>>,
    /// How a control's resistance runs with its turn.
    #[serde(default)]
    pub taper: Option<Taper>,
    /// Where a control stands, such as `70%`.
    #[serde(default)]
    pub turn: Option<At<String>>,
    /// Where a switch stands or whether a jack is plugged.
    #[serde(default)]
    pub position: Option<At<String>>,
    /// Measured or chosen figures of this one part, by the names of its card's parameters.
    #[serde(default)]
    pub with: BTreeMap<String, At<f64>>,
}

/// How a control's resistance runs with its turn.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "kebab-case")]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub enum Taper {
    /// In proportion.
    #[default]
    Linear,
    /// 15 % at half turn, as volume controls.
    Log,
    /// 85 % at half turn.
    ReverseLog,
}

impl Taper {
    /// The word for it.
    pub fn name(self) -> &'static str {
        match self {
            Self::Linear => "linear",
            Self::Log => "log",
            Self::ReverseLog => "reverse-log",
        }
    }

    /// Share of the track between terminal 1 and the wiper at a turn of 0 to 1. The logarithmic law is an exponential through 15 %
    /// at half turn (common practice, no source).
    pub fn share(self, turn: f64) -> f64 {
        const MIDDLE: f64 = 0.15;
        let base = (1.0 / MIDDLE - 1.0) * (1.0 / MIDDLE - 1.0);
        let log = |t: f64| (base.powf(t) - 1.0) / (base - 1.0);
        match self {
            Self::Linear => turn,
            Self::Log => log(turn),
            Self::ReverseLog => 1.0 - log(1.0 - turn),
        }
    }

    /// One standard deviation of that share, from one control to the next: where the knob points is known to 3 % of its way, and
    /// what is printed as logarithmic is two or three straight pieces that pass half turn anywhere from 10 to 20 % (common
    /// practice, no source).
    pub fn deviation(self, turn: f64) -> f64 {
        const POINTED: f64 = 0.03;
        let around = [(turn - POINTED).max(0.0), (turn + POINTED).min(1.0)].map(|t| self.share(t));
        let share = self.share(turn);
        let printed = |small: f64| 0.3 * small * (1.0 - small).sqrt();
        let law = match self {
            Self::Linear => 0.0,
            Self::Log => printed(share),
            Self::ReverseLog => printed(1.0 - share),
        };
        ((around[1] - around[0]) / 2.0).hypot(law)
    }
}

/// The nets of a part.
#[derive(Clone, Debug, PartialEq)]
pub enum Nets {
    /// In the order of the terminals.
    List(Vec<At<String>>),
    /// By terminal or pin.
    Map(Vec<(At<String>, At<String>)>),
}

impl<'de> Deserialize<'de> for Nets {
    fn deserialize<D: serde::Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        struct V;
        impl<'de> serde::de::Visitor<'de> for V {
            type Value = Nets;
            fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                f.write_str("a list of nets, or a map from pins to nets")
            }
            fn visit_seq<A: serde::de::SeqAccess<'de>>(self, mut seq: A) -> Result<Nets, A::Error> {
                let mut nets = Vec::new();
                while let Some(net) = seq.next_element()? {
                    nets.push(net);
                }
                Ok(Nets::List(nets))
            }
            fn visit_map<A: serde::de::MapAccess<'de>>(self, mut map: A) -> Result<Nets, A::Error> {
                let mut nets = Vec::new();
                while let Some(entry) = map.next_entry()? {
                    nets.push(entry);
                }
                Ok(Nets::Map(nets))
            }
        }
        deserializer.deserialize_any(V)
    }
}

#[cfg(test)]
impl schemars::JsonSchema for Nets {
    fn schema_name() -> std::borrow::Cow<'static, str> {
        "Nets".into()
    }
    fn json_schema(_: &mut schemars::SchemaGenerator) -> schemars::Schema {
        schemars::json_schema!({
            "anyOf": [
                { "type": "array", "items": { "type": "string" } },
                { "type": "object", "additionalProperties": { "type": "string" } }
            ]
        })
    }
}
