//! A pack as it is written: plain mirrors of the file, nothing looked up yet.
//!
//! These types know the shape of a file and the range of each figure, and no more. Names are still
//! text. [`Rules::load`](super::Rules::load) turns them into the proven set.

use super::figures::{Band, Factor, Minutes, Money, Probability};
use super::words::{Applies, Build, History, Kind, Needs, Power, Tool, Unit};
use crate::text::{At, Named};
use serde::de::{self, Deserializer, MapAccess, Visitor, value};
use serde::{Deserialize, Serialize};
use std::fmt;
use std::marker::PhantomData;

/// One rule file.
#[derive(Clone, Debug, Deserialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub struct Pack {
    /// The pack's id, kebab-case.
    pub pack: At<String>,
    /// Its title.
    pub title: At<String>,
    /// For which units it is in play.
    pub applies: At<Applies>,
    /// Roles of parts that make such a block: a board without any of them has none of it. Any role of its faults, if left out.
    #[serde(default)]
    pub made_of: Vec<At<String>>,
    /// One sentence on what the block is.
    pub about: At<String>,
    /// The source of every item that states none.
    #[serde(default)]
    pub source: Option<At<String>>,
    /// Things that can be wrong.
    #[serde(default)]
    pub faults: Named<Fault>,
    /// Hidden states between faults and checks.
    #[serde(default)]
    pub conditions: Named<Condition>,
    /// Abnormal answers noticed unasked.
    #[serde(default)]
    pub symptoms: Named<Symptom>,
    /// What yields a finding.
    #[serde(default)]
    pub checks: Named<Check>,
    /// What puts faults right.
    #[serde(default)]
    pub remedies: Named<Remedy>,
    /// Warnings that checks and remedies refer to.
    #[serde(default)]
    pub cautions: Named<Caution>,
    /// Preparations that several checks share.
    #[serde(default)]
    pub setups: Named<Setup>,
    /// Changes to items of packs loaded before this one.
    #[serde(default)]
    pub amend: Amend,
}

/// A fault.
#[derive(Clone, Debug, Deserialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub struct Fault {
    /// What is wrong, in bench words, without a final stop.
    pub says: At<String>,
    /// The same for a customer.
    pub plain: At<String>,
    /// Probability before any complaint is heard.
    pub prior: ByHistory<At<Probability>>,
    /// Factor on the prior.
    pub build: ByBuild<At<Factor>>,
    /// The board faults that stand for this one.
    #[serde(default)]
    pub board: Option<OnBoard>,
    /// Its effects.
    #[serde(default)]
    pub leads_to: Named<Link>,
    /// Where the knowledge comes from.
    #[serde(default)]
    pub source: Option<At<String>>,
}

/// One value a history.
#[derive(Clone, Copy, Debug, Default, PartialEq, Deserialize, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub struct ByHistory<T> {
    /// For a build that never worked.
    pub fresh_build: T,
    /// For a unit that failed in use.
    pub worked_before: T,
    /// For a unit that failed after a change.
    pub after_change: T,
}

impl<T> ByHistory<T> {
    /// The value of a history.
    pub fn of(&self, history: History) -> &T {
        match history {
            History::FreshBuild => &self.fresh_build,
            History::WorkedBefore => &self.worked_before,
            History::AfterChange => &self.after_change,
        }
    }

    pub(super) fn of_mut(&mut self, history: History) -> &mut T {
        match history {
            History::FreshBuild => &mut self.fresh_build,
            History::WorkedBefore => &mut self.worked_before,
            History::AfterChange => &mut self.after_change,
        }
    }

    pub(super) fn map<U>(&self, f: impl Fn(&T) -> U) -> ByHistory<U> {
        ByHistory {
            fresh_build: f(&self.fresh_build),
            worked_before: f(&self.worked_before),
            after_change: f(&self.after_change),
        }
    }
}

/// One value a build method.
#[derive(Clone, Copy, Debug, Default, PartialEq, Deserialize, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub struct ByBuild<T> {
    /// On a solderless board.
    pub breadboard: T,
    /// On stripboard.
    pub stripboard: T,
    /// On a printed board.
    pub pcb: T,
    /// Lead to lead.
    pub point_to_point: T,
}

impl<T: Copy> ByBuild<T> {
    /// The same value for all.
    pub fn same(value: T) -> Self {
        Self { breadboard: value, stripboard: value, pcb: value, point_to_point: value }
    }
}

impl<T> ByBuild<T> {
    /// The value of a build method.
    pub fn of(&self, build: Build) -> &T {
        match build {
            Build::Breadboard => &self.breadboard,
            Build::Stripboard | Build::Perfboard => &self.stripboard,
            Build::Pcb | Build::Factory => &self.pcb,
            Build::PointToPoint => &self.point_to_point,
        }
    }

    pub(super) fn of_mut(&mut self, build: Build) -> &mut T {
        match build {
            Build::Breadboard => &mut self.breadboard,
            Build::Stripboard | Build::Perfboard => &mut self.stripboard,
            Build::Pcb | Build::Factory => &mut self.pcb,
            Build::PointToPoint => &mut self.point_to_point,
        }
    }

    pub(super) fn map<U>(&self, f: impl Fn(&T) -> U) -> ByBuild<U> {
        ByBuild {
            breadboard: f(&self.breadboard),
            stripboard: f(&self.stripboard),
            pcb: f(&self.pcb),
            point_to_point: f(&self.point_to_point),
        }
    }
}

/// The faults of a board file that stand for an authored one.
#[derive(Clone, Debug, Deserialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub struct OnBoard {
    /// Role of the parts concerned.
    pub role: At<String>,
    /// Their failure modes.
    pub modes: Vec<At<String>>,
}

/// An effect of a fault or condition.
#[derive(Clone, Debug, Deserialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub struct Link {
    /// Chance that the cause alone brings the effect about; for conditions, symptoms and checks
    /// with two answers.
    #[serde(default)]
    pub strength: Option<At<Probability>>,
    /// Chance of each abnormal answer, for checks; the rest is the normal answer.
    #[serde(default)]
    pub answers: Option<Named<At<Probability>>>,
    /// The mechanism in one sentence.
    pub why: At<String>,
    /// Where the knowledge comes from, if not from where the cause does.
    #[serde(default)]
    pub source: Option<At<String>>,
}

/// A hidden condition.
#[derive(Clone, Debug, Deserialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub struct Condition {
    /// The state, in bench words.
    pub says: At<String>,
    /// Its effects.
    #[serde(default)]
    pub leads_to: Named<Link>,
    /// Chance that it holds for reasons that the rules don't know.
    #[serde(default)]
    pub leak: Option<At<Probability>>,
    /// What of a board brings it about: `bias-moved`, a stage well off its bias. `nets-apart` and `nets-joined` are what the wiring
    /// of a board is gone over for.
    #[serde(default)]
    pub board: Option<At<String>>,
    /// Where the knowledge comes from.
    #[serde(default)]
    pub source: Option<At<String>>,
}

/// A symptom: with `ask`, `minutes` and `leak` it stands alone; with `check` and `answer` it names
/// an answer of a check.
#[derive(Clone, Debug, Deserialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub struct Symptom {
    /// What is noticed.
    pub says: At<String>,
    /// The question, for one that stands alone.
    #[serde(default)]
    pub ask: Option<At<String>>,
    /// The check whose answer this is.
    #[serde(default)]
    pub check: Option<At<String>>,
    /// The answer.
    #[serde(default)]
    pub answer: Option<At<String>>,
    /// Wordings that an owner may use, for a symptom that no word file reads.
    #[serde(default)]
    pub words: Vec<At<String>>,
    /// Names that it had before, which old cards may still use.
    #[serde(default)]
    pub was: Vec<At<String>>,
    /// Whether whoever notices it has heard the unit run: it passes sound under power.
    #[serde(default)]
    pub shows_running: bool,
    /// Whether it is a noise of the unit's own making.
    #[serde(default)]
    pub noise: bool,
    /// What the question is about, without which it can't be answered: `sound` or `noise`.
    #[serde(default)]
    pub needs: Option<At<Needs>>,
    /// Blocks it is about: asked only on a unit with one of them; of any unit, if left out.
    #[serde(default)]
    pub blocks: Vec<At<String>>,
    /// What of a board's circuit it is, for one that stands alone: `loud-out`, `distorted-out`, `dull-out` or `thin-out`; by what the
    /// board gives by itself `hiss-out`, `hum-out`, `whine-out`, `squeal-out`, `putter-out`, `pace-off` (of its modulation) or
    /// `echo-hangs`.
    #[serde(default)]
    pub board: Option<At<String>>,
    /// Minutes that answering takes.
    #[serde(default)]
    pub minutes: Option<At<Minutes>>,
    /// Chance of a yes with nothing wrong that the rules know.
    #[serde(default)]
    pub leak: Option<At<Probability>>,
    /// Where the knowledge comes from.
    #[serde(default)]
    pub source: Option<At<String>>,
}

/// A check.
#[derive(Clone, Debug, Deserialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub struct Check {
    /// Its short name.
    pub says: At<String>,
    /// What the user does.
    pub kind: At<Kind>,
    /// How to do it, step by step.
    pub how: At<String>,
    /// Where on the unit.
    #[serde(default, rename = "where")]
    pub place: Option<At<String>>,
    /// The normal answer, then the abnormal ones in rising badness.
    pub answers: Vec<At<String>>,
    /// How a reading becomes an answer.
    #[serde(default)]
    pub reading: Option<Reading>,
    /// The healthy reading in words and figures.
    #[serde(default)]
    pub healthy: Option<At<String>>,
    /// Tools it needs.
    pub tools: Vec<At<Tool>>,
    /// Supply state it needs.
    pub power: At<Power>,
    /// Minutes it takes.
    pub minutes: At<Minutes>,
    /// Preparations it needs.
    #[serde(default)]
    pub setup: Vec<At<String>>,
    /// Cautions.
    #[serde(default)]
    pub cautions: Vec<At<String>>,
    /// Chance of each abnormal answer with nothing wrong.
    pub leak: At<Leak>,
    /// Blocks it is about: asked only on a unit with one of them; of any unit, if left out.
    #[serde(default)]
    pub blocks: Vec<At<String>>,
    /// Whether it must be answered before the first power-on.
    #[serde(default)]
    pub gate: bool,
    /// Answers that forbid powered checks until put right.
    #[serde(default)]
    pub holds_power: Vec<At<String>>,
    /// Whether its reading is the voltage that the whole circuit lives on: a later reading above it is queried.
    #[serde(default)]
    pub tells_supply: bool,
    /// What it listens to, without which it can't be answered: `sound` or `noise`.
    #[serde(default)]
    pub needs: Option<At<Needs>>,
    /// What of a board it shows: `level-out`, the level at the end of the signal path; `turned-parts`, whatever is the wrong way round;
    /// `modulation-out`, how far it modulates by itself.
    #[serde(default)]
    pub board: Option<At<String>>,
    /// Where the knowledge comes from.
    #[serde(default)]
    pub source: Option<At<String>>,
}

/// How a reading becomes an answer.
#[derive(Clone, Debug, Deserialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub struct Reading {
    /// Unit of the reading.
    pub unit: At<Unit>,
    /// Stretch of values of each answer.
    pub bands: Named<At<Band>>,
}

/// A remedy.
#[derive(Clone, Debug, Deserialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub struct Remedy {
    /// What is done, as an instruction.
    pub says: At<String>,
    /// Faults that it puts right.
    pub fixes: Vec<At<String>>,
    /// Minutes it takes.
    pub minutes: At<Minutes>,
    /// Cost of parts.
    pub money: At<Money>,
    /// Tools it needs.
    pub tools: Vec<At<Tool>>,
    /// Supply state it needs.
    pub power: At<Power>,
    /// Chance that it puts a fault right that it can put right.
    pub success: At<Probability>,
    /// Preparations it needs.
    #[serde(default)]
    pub setup: Vec<At<String>>,
    /// Cautions.
    #[serde(default)]
    pub cautions: Vec<At<String>>,
    /// Where the knowledge comes from.
    #[serde(default)]
    pub source: Option<At<String>>,
}

/// A caution.
#[derive(Clone, Debug, Deserialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub struct Caution {
    /// The warning.
    pub says: At<String>,
}

/// A preparation.
#[derive(Clone, Debug, Deserialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub struct Setup {
    /// What is done, once for all checks that need it.
    pub says: At<String>,
    /// Minutes it takes.
    pub minutes: At<Minutes>,
    /// Minutes it takes on a fresh build, which nobody has boxed up yet.
    #[serde(default)]
    pub fresh: Option<At<Minutes>>,
}

/// A leak: one number for a check with two answers, else one an abnormal answer.
#[derive(Clone, Debug)]
pub enum Leak {
    /// Chance of the one abnormal answer.
    One(Probability),
    /// Chance of each answer named; 0 for the others.
    Each(Vec<(At<String>, At<Probability>)>),
}

impl<'de> Deserialize<'de> for Leak {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        struct V;
        impl<'de> Visitor<'de> for V {
            type Value = Leak;
            fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                f.write_str("a probability, or a map of answers to probabilities")
            }
            fn visit_str<E: de::Error>(self, text: &str) -> Result<Leak, E> {
                text.parse().map(Leak::One).map_err(E::custom)
            }
            fn visit_f64<E: de::Error>(self, x: f64) -> Result<Leak, E> {
                self.visit_str(&x.to_string())
            }
            fn visit_i64<E: de::Error>(self, x: i64) -> Result<Leak, E> {
                self.visit_str(&x.to_string())
            }
            fn visit_map<A: MapAccess<'de>>(self, mut map: A) -> Result<Leak, A::Error> {
                let mut entries = Vec::new();
                while let Some(entry) = map.next_entry()? {
                    entries.push(entry);
                }
                Ok(Leak::Each(entries))
            }
        }
        deserializer.deserialize_any(V)
    }
}

/// Changes to items of packs loaded before; what a user's own figures and what was learned from
/// cases look like. Only what is named changes.
#[derive(Clone, Debug, Default, Deserialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub struct Amend {
    /// Faults by id.
    #[serde(default)]
    pub faults: Named<AmendFault>,
    /// Conditions by id.
    #[serde(default)]
    pub conditions: Named<AmendCondition>,
    /// Checks and symptoms that stand alone, by id.
    #[serde(default)]
    pub checks: Named<AmendCheck>,
    /// Remedies by id.
    #[serde(default)]
    pub remedies: Named<AmendRemedy>,
}

/// Changes to a fault.
#[derive(Clone, Debug, Deserialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub struct AmendFault {
    /// Priors by history.
    #[serde(default)]
    pub prior: ByHistory<Option<At<Figure<Probability>>>>,
    /// Factors by build method.
    #[serde(default)]
    pub build: ByBuild<Option<At<Figure<Factor>>>>,
    /// Links, old or new.
    #[serde(default)]
    pub leads_to: Named<AmendLink>,
}

/// Changes to a condition.
#[derive(Clone, Debug, Deserialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub struct AmendCondition {
    /// Its leak.
    #[serde(default)]
    pub leak: Option<At<Figure<Probability>>>,
    /// Links, old or new.
    #[serde(default)]
    pub leads_to: Named<AmendLink>,
}

/// Changes to a check or to a symptom that stands alone.
#[derive(Clone, Debug, Deserialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub struct AmendCheck {
    /// Minutes it takes.
    #[serde(default)]
    pub minutes: Option<At<Figure<Minutes>>>,
    /// Leak of each abnormal answer named (`yes` for a symptom).
    #[serde(default)]
    pub leak: Named<At<Figure<Probability>>>,
}

/// Changes to a remedy.
#[derive(Clone, Debug, Deserialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub struct AmendRemedy {
    /// Minutes it takes.
    #[serde(default)]
    pub minutes: Option<At<Figure<Minutes>>>,
    /// Cost of parts.
    #[serde(default)]
    pub money: Option<At<Figure<Money>>>,
    /// Chance that it works.
    #[serde(default)]
    pub success: Option<At<Figure<Probability>>>,
    /// More faults that it puts right.
    #[serde(default)]
    pub fixes: Vec<At<String>>,
}

/// A new link, or new figures of one that is there.
#[derive(Clone, Debug, Deserialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub struct AmendLink {
    /// As in a link.
    #[serde(default)]
    pub strength: Option<At<Figure<Probability>>>,
    /// As in a link; for a link that is there, answers not named keep their shares.
    #[serde(default)]
    pub answers: Option<Named<At<Figure<Probability>>>>,
    /// The mechanism; needed for a new link.
    #[serde(default)]
    pub why: Option<At<String>>,
    /// Where the knowledge comes from.
    #[serde(default)]
    pub source: Option<At<String>>,
}

/// A figure of an amendment: bare, or `{is: 1.4%, from: {…}}`.
#[derive(Clone, Debug, PartialEq)]
pub struct Figure<T> {
    /// The new figure.
    pub is: T,
    /// What it was learned from.
    pub from: Option<Evidence>,
}

/// What an amended figure rests on.
#[derive(Clone, Debug, Default, PartialEq, Deserialize, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub struct Evidence {
    /// The figure as authored.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub authored: Option<String>,
    /// Cases counted.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub cases: Option<u32>,
    /// Their weight as so many independent ones.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub effective: Option<f64>,
    /// 90 % interval of the figure: lower and upper end.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub interval: Option<[Probability; 2]>,
    /// Anything else, in words.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub note: Option<String>,
}

#[derive(Deserialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
struct LongFigure<T> {
    /// The new figure.
    is: T,
    /// What it was learned from.
    #[serde(default)]
    from: Option<Evidence>,
}

impl<'de, T: Deserialize<'de>> Deserialize<'de> for Figure<T> {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        struct V<T>(PhantomData<T>);
        impl<'de, T: Deserialize<'de>> Visitor<'de> for V<T> {
            type Value = Figure<T>;
            fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                f.write_str("a figure, or a map with 'is' and 'from'")
            }
            fn visit_str<E: de::Error>(self, text: &str) -> Result<Figure<T>, E> {
                let is = T::deserialize(value::StrDeserializer::new(text))?;
                Ok(Figure { is, from: None })
            }
            fn visit_f64<E: de::Error>(self, x: f64) -> Result<Figure<T>, E> {
                self.visit_str(&x.to_string())
            }
            fn visit_i64<E: de::Error>(self, x: i64) -> Result<Figure<T>, E> {
                self.visit_str(&x.to_string())
            }
            fn visit_map<A: MapAccess<'de>>(self, map: A) -> Result<Figure<T>, A::Error> {
                let long = LongFigure::deserialize(value::MapAccessDeserializer::new(map))?;
                Ok(Figure { is: long.is, from: long.from })
            }
        }
        deserializer.deserialize_any(V(PhantomData))
    }
}

#[cfg(test)]
mod schemas {
    use super::*;
    use schemars::{JsonSchema, Schema, SchemaGenerator, json_schema};

    impl JsonSchema for Leak {
        fn schema_name() -> std::borrow::Cow<'static, str> {
            "Leak".into()
        }
        fn json_schema(generator: &mut SchemaGenerator) -> Schema {
            let one = generator.subschema_for::<Probability>();
            json_schema!({
                "description": "One chance for a check with two answers, else one an abnormal answer.",
                "anyOf": [one, {"type": "object", "additionalProperties": one}]
            })
        }
    }

    impl<T: JsonSchema> JsonSchema for Figure<T> {
        fn schema_name() -> std::borrow::Cow<'static, str> {
            format!("Figure_of_{}", T::schema_name()).into()
        }
        fn json_schema(generator: &mut SchemaGenerator) -> Schema {
            let short = generator.subschema_for::<T>();
            let long = generator.subschema_for::<LongFigure<T>>();
            json_schema!({"anyOf": [short, long]})
        }
    }
}
