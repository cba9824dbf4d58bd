//! The file format of part kinds, shapes and device cards, as serde sees it.

use crate::text::{At, Named};
use crate::units::{Minutes, Money, Unit};
use serde::Deserialize;
use std::collections::BTreeMap;

/// One file under `rules/parts` or `rules/devices`, or a user's own: any of the three maps.
#[derive(Clone, Debug, Default, Deserialize)]
#[serde(default)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct PartFile {
    /// Sub-circuits that cards use by name.
    pub shapes: Named<Shape>,
    /// Part kinds: how they fail, what replacing one costs; the passive ones with their circuit.
    pub kinds: Named<Kind>,
    /// Device cards by part number.
    pub devices: Named<Device>,
    /// What a part may be on a board, by the word of `role:`.
    pub roles: Named<Role>,
    /// How drawings made elsewhere write the kinds, by part kind.
    pub drawn: Named<Drawn>,
}

/// What a part may be on a board.
#[derive(Clone, Debug, Deserialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Role {
    /// What such a part is, a noun phrase without article.
    pub says: String,
}

/// How drawings made elsewhere write a part kind.
#[derive(Clone, Debug, Default, Deserialize)]
#[serde(default)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Drawn {
    /// Names of library symbols, without what follows an underscore; the longest that fits wins.
    pub symbols: Vec<At<String>>,
    /// What a designator begins with in a plain list of parts.
    pub letters: Vec<At<String>>,
    /// Words behind the value that say the kind in a plain list of parts.
    pub words: Vec<At<String>>,
    /// What each terminal is called there: names of functions, or numbers.
    pub pins: Named<Vec<At<String>>>,
    /// A device to take where the drawing names none.
    pub usual: Option<At<String>>,
}

/// A sub-circuit with ports, used in cards as if it were an element.
#[derive(Clone, Debug, Deserialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Shape {
    /// What it is.
    pub says: String,
    /// Where its figures come from.
    pub source: String,
    /// Port names in the order that `nodes` lists them.
    pub ports: Vec<At<String>>,
    /// Parameters and their usual values.
    #[serde(default)]
    pub parameters: Named<Parameter>,
    /// What it is made of.
    pub elements: Named<Element>,
    /// How one section of this shape fails.
    #[serde(default)]
    pub modes: Named<Mode>,
}

/// A kind of part.
#[derive(Clone, Debug, Deserialize)]
#[serde(rename_all = "kebab-case")]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Kind {
    /// What it is, with an article: `a film capacitor`.
    pub says: String,
    /// Where its figures come from.
    pub source: String,
    /// Terminals in order, each with what it is. Empty for kinds whose devices bring their own pins.
    #[serde(default)]
    pub terminals: Named<String>,
    /// Terminals that are inputs and so may not be left without a DC path.
    #[serde(default)]
    pub inputs: Vec<At<String>>,
    /// How its value is written; absent for parts without one.
    #[serde(default)]
    pub value: Option<ValueRule>,
    /// Whether it has a turn from 0 to 100 %, as a control has.
    #[serde(default)]
    pub turn: Option<Turn>,
    /// For jacks and switches: positions and the terminals each connects; the first is where it rests.
    #[serde(default)]
    pub positions: Named<Vec<[At<String>; 2]>>,
    /// Parameters and their usual values.
    #[serde(default)]
    pub parameters: Named<Parameter>,
    /// What it is made of.
    #[serde(default)]
    pub elements: Named<Element>,
    /// How it fails, and how it is fitted wrongly.
    pub modes: Named<Mode>,
    /// Probability that one such part has failed by itself, by history; the modes' shares split it.
    #[serde(default)]
    pub fails: ByHistory,
    /// Share of `fails` that goes to the modes of the cards' sections (the two halves of a dual, say).
    #[serde(default)]
    pub sections: f64,
    /// Putting in another.
    pub remedy: Remedy,
    /// The row of the published failure-mode table that the shares follow.
    #[serde(default)]
    pub handbook: Option<String>,
    /// What a healthy pin reads, in words: by pin, or by `input`, `output`, `high` and `low` (supply) for those not named.
    #[serde(default)]
    pub reads: Named<Reads>,
}

/// What a healthy pin reads.
#[derive(Clone, Debug, Deserialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Reads {
    /// In words, with what it is measured against.
    pub says: String,
    /// Where that comes from.
    pub source: String,
}

/// How a control moves.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "kebab-case")]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub enum Turn {
    /// A shaft or a slider that the player sets: the board must say where it stands.
    Set,
    /// A trimmer; half-way where the board does not say.
    Trim,
}

/// How a kind's value is written.
#[derive(Clone, Debug, Deserialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct ValueRule {
    /// Its unit.
    pub unit: Unit,
    /// Lowest believable value.
    pub min: At<String>,
    /// Highest believable value.
    pub max: At<String>,
    /// Usual tolerance.
    pub tolerance: At<String>,
}

/// A device card.
#[derive(Clone, Debug, Deserialize)]
#[serde(rename_all = "kebab-case")]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Device {
    /// What it is.
    pub says: String,
    /// Where the figures come from: datasheet by part number, `common practice, no source` or `from memory`.
    pub source: String,
    /// Its part kind.
    pub kind: At<String>,
    /// Other numbers under which the same part goes.
    #[serde(default)]
    pub also: Vec<At<String>>,
    /// Pins with what each is. Chips number theirs; three-legged parts use letters.
    pub pins: Named<String>,
    /// Pins that may be left unconnected.
    #[serde(default)]
    pub optional: Vec<At<String>>,
    /// Pins that are inputs and so may not be left without a DC path.
    #[serde(default)]
    pub inputs: Vec<At<String>>,
    /// Pins that are outputs.
    #[serde(default)]
    pub outputs: Vec<At<String>>,
    /// Positive and negative supply pins, for the checks.
    #[serde(default)]
    pub supply: Vec<At<String>>,
    /// Pin order by package; for TO-92 the flat side facing you, legs down, left to right; for TO-220 the print facing you.
    #[serde(default)]
    pub packages: Named<Vec<At<String>>>,
    /// Parts that look the same with another pin order.
    #[serde(default)]
    pub look_alikes: Vec<LookAlike>,
    /// Highest and other limits, as text-checked numbers by name.
    #[serde(default)]
    pub limits: BTreeMap<String, At<String>>,
    /// Parameters, their usual values and spread.
    #[serde(default)]
    pub parameters: Named<Parameter>,
    /// What it is made of.
    pub elements: Named<Element>,
    /// Ways of failing that its kind does not list.
    #[serde(default)]
    pub modes: Named<Mode>,
    /// Delay law, for echo chips.
    #[serde(default)]
    pub delay: Option<DelayLaw>,
    /// What a bench person should know.
    #[serde(default)]
    pub notes: Vec<String>,
    /// What a healthy pin reads, in words, where its kind does not say or says otherwise.
    #[serde(default)]
    pub reads: Named<Reads>,
}

/// A part that looks the same but has its pins in another order.
#[derive(Clone, Debug, Deserialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct LookAlike {
    /// An example of such a part.
    pub example: String,
    /// Its pins in this card's names, in the order of the first package.
    pub order: Vec<At<String>>,
}

/// Delay and clock of an echo chip from the resistance at its timing pin:
/// `delay = per_ohm * R + least`, `clock = cycles / (delay - dead)`.
#[derive(Clone, Debug, Deserialize)]
#[serde(rename_all = "kebab-case")]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct DelayLaw {
    /// The timing pin.
    pub pin: At<String>,
    /// Seconds of delay for each ohm.
    pub per_ohm: f64,
    /// Seconds of delay with no resistance.
    pub least: f64,
    /// Clock periods in one delay.
    pub cycles: f64,
    /// Seconds of delay that do not scale with the clock.
    pub dead: f64,
    /// Below this resistance at switch-on the chip may not start, ohms.
    pub starts_above: f64,
}

/// A number, or a number with its spread.
#[derive(Clone, Debug, PartialEq)]
pub struct Parameter {
    /// The usual value.
    pub typical: f64,
    /// Lowest and highest of nearly all parts (two standard deviations either way).
    pub spread: Option<(f64, f64)>,
}

impl<'de> Deserialize<'de> for Parameter {
    fn deserialize<D: serde::Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        #[derive(Deserialize)]
        #[serde(deny_unknown_fields)]
        struct Full {
            typical: f64,
            low: f64,
            high: f64,
        }
        struct V;
        impl<'de> serde::de::Visitor<'de> for V {
            type Value = Parameter;
            fn expecting(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
                f.write_str("a number, or {typical, low, high}")
            }
            fn visit_f64<E: serde::de::Error>(self, x: f64) -> Result<Parameter, E> {
                Ok(Parameter { typical: x, spread: None })
            }
            fn visit_i64<E: serde::de::Error>(self, x: i64) -> Result<Parameter, E> {
                self.visit_f64(x as f64)
            }
            fn visit_u64<E: serde::de::Error>(self, x: u64) -> Result<Parameter, E> {
                self.visit_f64(x as f64)
            }
            fn visit_map<A: serde::de::MapAccess<'de>>(self, map: A) -> Result<Parameter, A::Error> {
                let full = Full::deserialize(serde::de::value::MapAccessDeserializer::new(map))?;
                if !(full.low <= full.typical && full.typical <= full.high) {
                    return Err(serde::de::Error::custom(
                        "low, typical and high must not fall; write them in rising order, with sign",
                    ));
                }
                Ok(Parameter { typical: full.typical, spread: Some((full.low, full.high)) })
            }
        }
        deserializer.deserialize_any(V)
    }
}

#[cfg(test)]
impl schemars::JsonSchema for Parameter {
    fn schema_name() -> std::borrow::Cow<'static, str> {
        "Parameter".into()
    }
    fn json_schema(_: &mut schemars::SchemaGenerator) -> schemars::Schema {
        schemars::json_schema!({
            "anyOf": [
                { "type": "number" },
                {
                    "type": "object",
                    "properties": { "typical": { "type": "number" }, "low": { "type": "number" }, "high": { "type": "number" } },
                    "required": ["typical", "low", "high"],
                    "additionalProperties": false
                }
            ]
        })
    }
}

/// A solver primitive or a shape. Which of the fields apply depends on `kind`.
#[derive(Clone, Debug, Deserialize)]
#[serde(rename_all = "kebab-case")]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Element {
    /// `resistor`, `capacitor`, `inductor`, `diode`, `npn`, `pnp`, `n-jfet`, `p-jfet`, `n-mosfet`, `p-mosfet`, `voltage`, `current`
    /// (controlled sources; `current` flows from the first node through itself into the second), or the name of a shape.
    pub kind: At<String>,
    /// Pins, ports or inner nodes, in order: diode anode, cathode; transistor collector, base, emitter or drain, gate, source.
    pub nodes: Vec<At<String>>,
    /// Numbers by name, each a number, `$parameter` or `-$parameter`.
    #[serde(default)]
    pub with: BTreeMap<String, At<String>>,
    /// Whether it is there only while the power is on (an output stage, a supply current), so that ohms checks don't see it.
    #[serde(default)]
    pub powered: bool,
    /// Linear terms of a controlled source.
    #[serde(default)]
    pub terms: Vec<Term>,
    /// Smooth corners of a controlled source: `scale * max(0, offset + terms)`.
    #[serde(default)]
    pub corners: Vec<Corner>,
    /// Its noise, beside the thermal noise that every resistor and the shot noise that every junction has by itself.
    #[serde(default)]
    pub noise: Option<NoiseRule>,
}

/// Noise of an element. Each figure is a number, `$parameter` or `-$parameter`.
#[derive(Clone, Debug, Default, Deserialize)]
#[serde(rename_all = "kebab-case", default)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct NoiseRule {
    /// A figment of the model: it has no thermal or shot noise of its own.
    pub silent: bool,
    /// Density of a source of its own: amps per root hertz between the first two nodes, of a `voltage` volts per root hertz.
    pub density: Option<At<String>>,
    /// What `density` is multiplied with; 1e-3 makes amps in a stage of 1 mS of volts at its input.
    pub times: Option<f64>,
    /// Hertz where the 1/f part equals the flat part: of `density`, else of a diode's or base's shot noise, a channel's thermal noise.
    pub corner: Option<At<String>>,
    /// Ohms in series with the base of a bipolar transistor.
    pub base_ohms: Option<At<String>>,
    /// Noise index of a resistor, dB: 0 is a microvolt rms in a decade of frequency for each volt across it.
    pub index_db: Option<At<String>>,
    /// A steady tone that a source carries: hertz, and volts or amps rms.
    pub tone: Option<[At<String>; 2]>,
}

impl NoiseRule {
    /// Its figures as written.
    pub fn figures(&self) -> impl Iterator<Item = &At<String>> {
        let single = [&self.density, &self.corner, &self.base_ohms, &self.index_db];
        single.into_iter().flatten().chain(self.tone.iter().flatten())
    }
}

/// `gain * (V(first) - V(second))`.
#[derive(Clone, Debug, Deserialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Term {
    /// A number, `$parameter` or `-$parameter`.
    pub gain: At<String>,
    /// The two nodes.
    pub of: [At<String>; 2],
}

/// A smooth corner.
#[derive(Clone, Debug, Deserialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Corner {
    /// Factor on the corner.
    pub scale: At<String>,
    /// Constant inside the corner.
    pub offset: At<String>,
    /// Linear terms inside the corner.
    pub terms: Vec<Term>,
    /// Volts squared; how round the corner is.
    #[serde(default)]
    pub roundness: Option<f64>,
}

/// One way of failing or of being fitted wrongly.
#[derive(Clone, Debug, Deserialize)]
#[serde(rename_all = "kebab-case")]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Mode {
    /// A plain sentence with `{part}` (and `{value}`) in it.
    pub says: String,
    /// Share among the ways the part fails by itself.
    #[serde(default)]
    pub share: Option<f64>,
    /// Name of the same mode in the published table, where it differs.
    #[serde(default)]
    pub handbook: Option<String>,
    /// Probability of this mode beside the part's own failures: slips of the builder, wear.
    #[serde(default)]
    pub prior: ByHistory,
    /// Factors on `prior` by build method, 1 where absent.
    #[serde(default)]
    pub builds: BTreeMap<String, f64>,
    /// What it does to the circuit, in order.
    pub edits: Vec<EditRule>,
    /// Putting it right, where that is not replacing the part.
    #[serde(default)]
    pub remedy: Option<Remedy>,
    /// Where the figures come from, if not from the source above.
    #[serde(default)]
    pub source: Option<String>,
}

/// Probability by the unit's history.
#[derive(Clone, Copy, Debug, Default, PartialEq, Deserialize)]
#[serde(rename_all = "kebab-case", default)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct ByHistory {
    /// Never worked yet.
    pub fresh_build: f64,
    /// Worked, then failed.
    pub worked_before: f64,
    /// Worked until something was changed.
    pub after_change: f64,
}

/// Putting something right.
#[derive(Clone, Debug, PartialEq, Deserialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Remedy {
    /// What to do, with `{part}`.
    pub says: String,
    /// Bench minutes.
    pub minutes: Minutes,
    /// Parts money.
    #[serde(default)]
    pub money: Money,
}

/// What a mode does to the circuit.
#[derive(Clone, Debug, Deserialize)]
#[serde(rename_all = "kebab-case")]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub enum EditRule {
    /// Puts 1 gigohm in series with a terminal.
    Open(At<String>),
    /// Puts that many ohms in series with a terminal; from low to high, where that is not known better.
    Series {
        /// The terminal.
        at: At<String>,
        /// Ohms.
        ohms: Parameter,
    },
    /// Puts 1 ohm between two terminals.
    Short([At<String>; 2]),
    /// Puts that many ohms between two terminals; from low to high, where that is not known better.
    Leak {
        /// The terminals.
        between: [At<String>; 2],
        /// Ohms.
        ohms: Parameter,
    },
    /// Multiplies a parameter (or the part's `value`); from low to high, where that is not known better.
    Scale {
        /// Its name.
        of: At<String>,
        /// The factor.
        by: Parameter,
    },
    /// Sets a parameter.
    Set {
        /// Its name.
        of: At<String>,
        /// The new value.
        to: f64,
    },
    /// Takes an inner element out.
    Remove(At<String>),
    /// Multiplies the part's noise, as an amplitude; the thermal noise of resistances stays.
    Noisier(f64),
    /// Exchanges what two terminals are connected to.
    Exchange([At<String>; 2]),
    /// Puts 1 gigohm in series with every output.
    OutputsOpen,
    /// Turns the part end for end: first pin to last, and so on; a chip half a turn.
    Turn,
    /// Closed contacts do not close.
    ContactsOpen,
    /// Open contacts do not open.
    ContactsClosed,
}
