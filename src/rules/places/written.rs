//! Files of places, outlines and checks as they are written: plain mirrors, nothing looked up yet.

use super::words::{Branch, Does, Mark, Mending, Path, Role, Scope, Timing, When};
use crate::rules::figures::{Factor, Minutes, Money, Probability};
use crate::rules::words::{Kind as CheckKind, Needs, Power, Tool};
use crate::rules::written::{Caution, Leak, Reading, Setup};
use crate::text::{At, Named};
use serde::Deserialize;
use serde::de::{self, DeserializeOwned, Deserializer, SeqAccess, Visitor, value};
use std::fmt;
use std::marker::PhantomData;

/// One value or a list of them.
#[derive(Clone, Debug)]
pub struct Some1<T>(pub Vec<At<T>>);

impl<T> Default for Some1<T> {
    fn default() -> Self {
        Self(Vec::new())
    }
}

impl<'de, T: DeserializeOwned> Deserialize<'de> for Some1<T> {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        struct V<T>(PhantomData<T>);
        impl<'de, T: DeserializeOwned> Visitor<'de> for V<T> {
            type Value = Some1<T>;
            fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                f.write_str("a word, or a list of words")
            }
            fn visit_str<E: de::Error>(self, text: &str) -> Result<Self::Value, E> {
                let value = T::deserialize(value::StrDeserializer::new(text))?;
                Ok(Some1(vec![At { value, span: Default::default() }]))
            }
            fn visit_seq<A: SeqAccess<'de>>(self, mut seq: A) -> Result<Self::Value, A::Error> {
                let mut out = Vec::new();
                while let Some(x) = seq.next_element::<At<T>>()? {
                    out.push(x);
                }
                Ok(Some1(out))
            }
        }
        deserializer.deserialize_any(V(PhantomData))
    }
}

/// A file of places: kinds of thing in a unit and the ways each can be wrong.
#[derive(Clone, Debug, Deserialize)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub struct PlacesFile {
    /// The file's id.
    pub places: At<String>,
    /// Its title.
    pub title: At<String>,
    /// One sentence on what is in it.
    pub about: At<String>,
    /// The source of every entry that states none.
    pub source: At<String>,
    /// The kinds.
    pub kinds: Named<Kind>,
}

/// Faulty units of 1,000 that have the place.
#[derive(Clone, Copy, Debug, Default, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ByHistory {
    /// Of fresh builds.
    pub fresh: f64,
    /// Of units that worked before.
    pub worked: f64,
}

/// A kind of place.
#[derive(Clone, Debug, Deserialize)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub struct Kind {
    /// What it is called: a noun phrase in lower case.
    #[serde(default)]
    pub name: Option<At<String>>,
    /// The same for a customer.
    #[serde(default)]
    pub plain: Option<At<String>>,
    /// The path it sits on.
    #[serde(default)]
    pub path: Some1<Path>,
    /// The kind whose modes it has.
    #[serde(default)]
    pub like: Option<At<String>>,
    /// How often it is at fault.
    #[serde(default)]
    pub rate: Option<ByHistory>,
    /// Whether it lets no more through than it is made for, so that a short behind it does not reach what stands ahead.
    #[serde(default)]
    pub limits: bool,
    /// Preparations and cautions that work and checks at it do without: what hangs on a plug needs no iron.
    #[serde(default)]
    pub without: Vec<At<String>>,
    /// The part kind or device of a board file that it is.
    #[serde(default)]
    pub part: Option<At<String>>,
    /// Where the knowledge comes from.
    #[serde(default)]
    pub source: Option<At<String>>,
    /// Cautions for every check and remedy at it.
    #[serde(default)]
    pub cautions: Vec<At<String>>,
    /// A hint for the bench.
    #[serde(default)]
    pub note: Option<At<String>>,
    /// The ways it can be wrong.
    #[serde(default)]
    pub modes: Named<Mode>,
}

/// A way a place can be wrong.
#[derive(Clone, Debug, Deserialize)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub struct Mode {
    /// What is wrong, as what follows the place's name.
    pub says: At<String>,
    /// The same for a customer.
    pub plain: At<String>,
    /// Percent of the place's faults.
    pub share: ByHistory,
    /// What it does there.
    #[serde(default)]
    pub does: Vec<At<Does>>,
    /// When it shows; always, if left out.
    #[serde(default)]
    pub when: Vec<At<When>>,
    /// What a look or a measurement of the part finds.
    #[serde(default)]
    pub marks: Named<At<Probability>>,
    /// What puts it right.
    pub mend: Mend,
    /// Whether it stays when the part is replaced.
    #[serde(default)]
    pub around: bool,
    /// The mechanism in one sentence.
    pub why: At<String>,
    /// A hint for the bench.
    #[serde(default)]
    pub note: Option<At<String>>,
    /// Where the knowledge comes from.
    #[serde(default)]
    pub source: Option<At<String>>,
}

/// What puts a mode right.
#[derive(Clone, Debug, Deserialize)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub struct Mend {
    /// The kind of work.
    #[serde(rename = "do")]
    pub work: At<Mending>,
    /// Hands-on minutes.
    pub minutes: At<Minutes>,
    /// Parts.
    #[serde(default)]
    pub money: Option<At<Money>>,
}

/// A frame: what all units of one shape share.
#[derive(Clone, Debug, Deserialize)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub struct Frame {
    /// The frame's id.
    pub frame: At<String>,
    /// What such a unit is called.
    pub says: At<String>,
    /// One sentence.
    pub about: At<String>,
    /// Its spots.
    pub spots: Spots,
    /// Usual supply.
    #[serde(default)]
    pub volts: Some1<String>,
    /// Resting volts.
    #[serde(default)]
    pub rest: Vec<Rest>,
    /// What works against what does not.
    #[serde(default)]
    pub works: Vec<Works>,
    /// Where it comes from.
    pub source: At<String>,
}

/// An outline: one kind of unit.
#[derive(Clone, Debug, Deserialize)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub struct Outline {
    /// Its id.
    pub outline: At<String>,
    /// What such a unit is called.
    pub says: At<String>,
    /// Its frame.
    pub frame: At<String>,
    /// One sentence.
    pub about: At<String>,
    /// What an owner calls such a unit.
    #[serde(default)]
    pub words: Vec<At<String>>,
    /// What the branch beside the dry path carries.
    #[serde(default)]
    pub wet: Option<At<super::words::Wet>>,
    /// Usual number of stages.
    #[serde(default)]
    pub stages: Option<f64>,
    /// Usual supply, where it is not the frame's.
    #[serde(default)]
    pub volts: Some1<String>,
    /// Its own spots.
    pub spots: Spots,
    /// Resting volts.
    #[serde(default)]
    pub rest: Vec<Rest>,
    /// What works against what does not.
    #[serde(default)]
    pub works: Vec<Works>,
    /// Where it comes from.
    pub source: At<String>,
}

/// Spots by path, in order.
#[derive(Clone, Debug, Default, Deserialize)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub struct Spots {
    /// In the order current flows.
    #[serde(default)]
    pub supply: Named<Spot>,
    /// Ahead of the kind's own, of a frame.
    #[serde(default)]
    pub head: Named<Spot>,
    /// In the order of the signal.
    #[serde(default)]
    pub signal: Named<Spot>,
    /// Behind the kind's own, of a frame.
    #[serde(default)]
    pub tail: Named<Spot>,
    /// What controls it.
    #[serde(default)]
    pub control: Named<Spot>,
    /// What is everywhere in it.
    #[serde(default)]
    pub everywhere: Named<Spot>,
}

/// One place in a unit.
#[derive(Clone, Debug, Deserialize)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub struct Spot {
    /// The kind of place.
    pub is: At<String>,
    /// Share of such units that have it.
    #[serde(default)]
    pub share: Option<At<Probability>>,
    /// Other kinds that may stand there, with their shares.
    #[serde(default)]
    pub or: Named<At<Probability>>,
    /// Usual number of them.
    #[serde(default)]
    pub count: Option<f64>,
    /// The card fact that must not be denied.
    #[serde(default)]
    pub needs: Option<At<String>>,
    /// Spots that die with a supply spot.
    #[serde(default)]
    pub feeds: Vec<At<String>>,
    /// The branch of the signal.
    #[serde(default)]
    pub branch: Option<At<Branch>>,
    /// What a control acts on.
    #[serde(default)]
    pub acts_on: Vec<At<String>>,
    /// What turning it does.
    #[serde(default, rename = "as")]
    pub role: Option<At<Role>>,
    /// Siblings.
    #[serde(default)]
    pub with: Option<At<String>>,
    /// By build method, what stands there instead.
    #[serde(default)]
    pub instead: Named<Vec<At<String>>>,
    /// A word on it.
    #[serde(default)]
    pub note: Option<At<String>>,
}

/// Volts at rest, healthy.
#[derive(Clone, Debug, Deserialize)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub struct Rest {
    /// The spot.
    pub at: At<String>,
    /// Its pin.
    pub pin: At<String>,
    /// What the figures are shares of.
    pub of: At<String>,
    /// Typical.
    pub typical: At<String>,
    /// Low end of what is healthy.
    pub low: At<String>,
    /// High end of what is healthy.
    pub high: At<String>,
    /// Whether designs differ too much for the reading alone to condemn.
    #[serde(default)]
    pub wide: bool,
    /// A word on it.
    #[serde(default)]
    pub note: Option<At<String>>,
    /// Where it comes from.
    #[serde(default)]
    pub source: Option<At<String>>,
}

/// What works against what does not.
#[derive(Clone, Debug, Deserialize)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub struct Works {
    /// What works.
    pub works: At<String>,
    /// What fails.
    pub fails: At<String>,
    /// Spots suspected.
    #[serde(default)]
    pub suspects: Vec<At<String>>,
    /// Spots cleared.
    #[serde(default)]
    pub clears: Vec<At<String>>,
    /// A word on it.
    #[serde(default)]
    pub note: Option<At<String>>,
    /// Where it comes from.
    #[serde(default)]
    pub source: Option<At<String>>,
}

/// A file of checks and symptoms that are derived from what they touch.
#[derive(Clone, Debug, Deserialize)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub struct ChecksFile {
    /// The file's id.
    pub checks: At<String>,
    /// Its title.
    pub title: At<String>,
    /// One sentence on what is in it.
    pub about: At<String>,
    /// The source of every entry that states none.
    pub source: At<String>,
    /// Checks.
    #[serde(default)]
    pub families: Named<Family>,
    /// Symptoms.
    #[serde(default)]
    pub symptoms: Named<Symptom>,
    /// Kinds of work.
    #[serde(default)]
    pub work: Named<Work>,
    /// What one effect brings about further on.
    #[serde(default)]
    pub follows: Vec<Follow>,
    /// Cautions.
    #[serde(default)]
    pub cautions: Named<Caution>,
    /// Preparations.
    #[serde(default)]
    pub setups: Named<Setup>,
}

/// What one effect brings about further on.
#[derive(Clone, Debug, Deserialize)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub struct Follow {
    /// The path of the spot; any, if left out.
    #[serde(default)]
    pub path: Option<At<Path>>,
    /// What control it is; any, if left out.
    #[serde(default, rename = "as")]
    pub role: Vec<At<Role>>,
    /// Whether the spot feeds the whole unit, or a part of it alone; either, if left out.
    #[serde(default)]
    pub whole: Option<bool>,
    /// The effects.
    pub of: Vec<At<Does>>,
    /// What they bring about where the spot feeds, passes or acts.
    pub brings: Vec<At<Brought>>,
}

/// An effect with its strength: `{does: passes none, with: 90%}`.
#[derive(Clone, Debug, Deserialize)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub struct Brought {
    /// The effect.
    pub does: At<Does>,
    /// Its chance.
    pub with: At<Probability>,
}

/// What brings an answer about.
#[derive(Clone, Debug, Deserialize)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub struct Show {
    /// Effects, any of them.
    #[serde(default)]
    pub effects: Vec<At<Does>>,
    /// Marks, any of them, each times its own chance.
    #[serde(default)]
    pub marks: Vec<At<Mark>>,
    /// Whatever is wrong there.
    #[serde(default)]
    pub wrong: bool,
    /// Where, seen from the check's spot.
    #[serde(default)]
    pub at: Option<At<Scope>>,
    /// Only at controls of these roles.
    #[serde(default, rename = "as")]
    pub roles: Vec<At<Role>>,
    /// Only at these kinds of place.
    #[serde(default)]
    pub kinds: Vec<At<String>>,
    /// Not at these kinds of place.
    #[serde(default)]
    pub but: Vec<At<String>>,
    /// Only in units whose wet branch carries this.
    #[serde(default)]
    pub wet: Option<At<super::words::Wet>>,
    /// When what shows it shows.
    #[serde(default)]
    pub when: Option<At<Timing>>,
    /// The chance, of the one abnormal answer or of each named.
    pub gives: At<Leak>,
}

/// On which spots a check is made.
#[derive(Clone, Debug, Default, Deserialize)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub struct Each {
    /// Spots of these paths.
    #[serde(default)]
    pub paths: Vec<At<Path>>,
    /// Spots of these kinds.
    #[serde(default)]
    pub kinds: Vec<At<String>>,
    /// Controls of these roles.
    #[serde(default, rename = "as")]
    pub roles: Vec<At<Role>>,
    /// Spots with a mode that bears one of these marks.
    #[serde(default)]
    pub marks: Vec<At<Mark>>,
    /// Spots of the unit's own signal path only, the frame's left out.
    #[serde(default)]
    pub own: bool,
}

/// Answers of a check whose spot has resting volts on record, by where a reading lies.
#[derive(Clone, Debug, Deserialize)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub struct Resting {
    /// Below what is healthy.
    pub below: At<String>,
    /// Above it.
    pub above: At<String>,
    /// At ground, or at the minus rail where it rests below ground.
    pub bottom: At<String>,
    /// At the plus rail.
    pub top: At<String>,
    /// On the other side of ground; left out where that is nothing of its own.
    #[serde(default)]
    pub against: Option<At<String>>,
    /// What is healthy of the plus rail, as shares of what such a unit runs on; for a check of no spot, which is of the supply.
    #[serde(default)]
    pub supply: Option<SupplyBand>,
}

/// Shares of the plus rail between which a supply is healthy.
#[derive(Clone, Debug, Deserialize)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub struct SupplyBand {
    /// Lowest, `88%`.
    pub low: At<String>,
    /// Highest.
    pub high: At<String>,
}

/// A check: one of its kind a unit, or one for each of some spots.
#[derive(Clone, Debug, Deserialize)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub struct Family {
    /// Its short name; `{spot}` stands for the spot.
    pub says: At<String>,
    /// What the user does.
    pub kind: At<CheckKind>,
    /// On which spots.
    #[serde(default)]
    pub each: Option<Each>,
    /// Only in units that have one of these kinds.
    #[serde(default)]
    pub has: Vec<At<String>>,
    /// Only in units of these frames.
    #[serde(default)]
    pub frames: Vec<At<String>>,
    /// Only in units whose wet branch carries this.
    #[serde(default)]
    pub wet: Option<At<super::words::Wet>>,
    /// How to do it; `{spot}`, `{name}` stand for the spot and what it is.
    pub how: At<String>,
    /// The normal answer, then the abnormal ones in rising badness.
    pub answers: Vec<At<String>>,
    /// The answer to be expected of a unit in which all that the check touches is good; the first, if left out.
    #[serde(default)]
    pub usual: Option<At<String>>,
    /// How a reading becomes an answer.
    #[serde(default)]
    pub reading: Option<Reading>,
    /// The healthy reading in words and figures.
    #[serde(default)]
    pub healthy: Option<At<String>>,
    /// Tools it needs.
    #[serde(default)]
    pub tools: Vec<At<Tool>>,
    /// Supply state it needs.
    pub power: At<Power>,
    /// Minutes it takes.
    pub minutes: At<Minutes>,
    /// The same of what is everywhere in the unit, where that takes longer.
    #[serde(default)]
    pub minutes_over_all: Option<At<Minutes>>,
    /// Preparations it needs.
    #[serde(default)]
    pub setup: Vec<At<String>>,
    /// Cautions.
    #[serde(default)]
    pub cautions: Vec<At<String>>,
    /// Chance of each abnormal answer with nothing wrong.
    pub leak: At<Leak>,
    /// Whether it must be answered before the first power-on.
    #[serde(default)]
    pub gate: bool,
    /// Answers that forbid powered checks until put right.
    #[serde(default)]
    pub holds_power: Vec<At<String>>,
    /// Whether its reading is the voltage that the whole circuit lives on.
    #[serde(default)]
    pub tells_supply: bool,
    /// What it listens to, without which it can't be answered.
    #[serde(default)]
    pub needs: Option<At<Needs>>,
    /// What of a board's circuit it shows.
    #[serde(default)]
    pub board: Option<At<String>>,
    /// Which answers readings off the outline's resting volts give.
    #[serde(default)]
    pub resting: Option<Resting>,
    /// What brings its answers about.
    #[serde(default)]
    pub shows: Vec<Show>,
    /// Where the knowledge comes from.
    #[serde(default)]
    pub source: Option<At<String>>,
}

/// A symptom: an answer of a check, or a question of its own.
#[derive(Clone, Debug, Deserialize)]
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
    /// Whether whoever notices it has heard the unit run.
    #[serde(default)]
    pub shows_running: bool,
    /// Whether it is a noise of the unit's own making.
    #[serde(default)]
    pub noise: bool,
    /// What the question is about, without which it can't be answered.
    #[serde(default)]
    pub needs: Option<At<Needs>>,
    /// What older cards call it.
    #[serde(default)]
    pub was: Vec<At<String>>,
    /// What of a board's circuit it shows, such as `loud-out`.
    #[serde(default)]
    pub board: Option<At<String>>,
    /// Only in units that have one of these kinds.
    #[serde(default)]
    pub has: Vec<At<String>>,
    /// Only in units of these frames.
    #[serde(default)]
    pub frames: Vec<At<String>>,
    /// Only in units whose wet branch carries this.
    #[serde(default)]
    pub wet: Option<At<super::words::Wet>>,
    /// Minutes that answering takes.
    #[serde(default)]
    pub minutes: Option<At<Minutes>>,
    /// Chance of a yes with nothing wrong that the rules know.
    #[serde(default)]
    pub leak: Option<At<Probability>>,
    /// What brings it about.
    #[serde(default)]
    pub shows: Vec<Show>,
    /// Where the knowledge comes from.
    #[serde(default)]
    pub source: Option<At<String>>,
}

/// A kind of work.
#[derive(Clone, Debug, Deserialize)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub struct Work {
    /// What is done, as an instruction; `{name}` stands for the place.
    pub says: At<String>,
    /// Tools it needs.
    #[serde(default)]
    pub tools: Vec<At<Tool>>,
    /// Supply state it needs.
    pub power: At<Power>,
    /// Chance that it puts right what it can.
    pub success: At<Probability>,
    /// Preparations it needs.
    #[serde(default)]
    pub setup: Vec<At<String>>,
    /// Whether it may be tried to see what happens; without an iron, if left out.
    #[serde(default)]
    pub by_hand: Option<bool>,
    /// Cautions.
    #[serde(default)]
    pub cautions: Vec<At<String>>,
}

/// The file of events and build methods.
#[derive(Clone, Debug, Default, Deserialize)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub struct HappenedFile {
    /// What happened just before.
    #[serde(default)]
    pub happened: Named<Event>,
    /// Factors of a build method.
    #[serde(default)]
    pub builds: Named<Named<At<Factor>>>,
}

/// What happened just before.
#[derive(Clone, Debug, Deserialize)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub struct Event {
    /// What happened.
    pub says: At<String>,
    /// The question to the owner.
    #[serde(default)]
    pub ask: Option<At<String>>,
    /// How owners say it.
    #[serde(default)]
    pub words: Vec<At<String>>,
    /// Factor on every fault that it does not name.
    #[serde(default)]
    pub all_else: Option<At<Factor>>,
    /// Factor on the odds of `KIND.MODE` (or of all modes of `KIND`).
    #[serde(default)]
    pub factors: Named<At<Factor>>,
    /// Cases of it.
    #[serde(default)]
    pub variants: Named<Variant>,
    /// What dies as a group.
    #[serde(default)]
    pub together: Option<Together>,
    /// What to do before power.
    #[serde(default)]
    pub first: Option<At<String>>,
    /// A word on it.
    #[serde(default)]
    pub note: Option<At<String>>,
    /// Where it comes from.
    #[serde(default)]
    pub source: Option<At<String>>,
}

/// A case of an event.
#[derive(Clone, Debug, Deserialize)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub struct Variant {
    /// The case.
    pub says: At<String>,
    /// As of the event.
    #[serde(default)]
    pub all_else: Option<At<Factor>>,
    /// As of the event.
    #[serde(default)]
    pub factors: Named<At<Factor>>,
    /// As of the event.
    #[serde(default)]
    pub together: Option<Together>,
    /// A word on it.
    #[serde(default)]
    pub note: Option<At<String>>,
    /// Where it comes from.
    #[serde(default)]
    pub source: Option<At<String>>,
}

/// Faults with a common cause.
#[derive(Clone, Debug, Deserialize)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub struct Together {
    /// `KIND.MODE`.
    pub group: Vec<At<String>>,
    /// The chance of the others once one is there.
    pub then: At<Probability>,
}
