//! The proven set: every item of every pack, every link resolved.

use super::figures::{Band, Factor, Minutes, Money, Probability};
use super::ids::{
    Cause, CautionId, CheckId, ConditionId, Effect, FaultId, Item, LinkId, PackId, RemedyId, SetupId,
    Strength, SymptomId,
};
use super::speech::{Lexicon, Speech};
use super::words::{Applies, Build, History, Kind, Needs, Power, Tool, Unit};
use super::written::{ByBuild, ByHistory, Evidence};
use crate::text::{Complaint, Complaints, Place, or_nearest};
use std::collections::BTreeMap;
use std::sync::Arc;

/// A name that no item has.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("no {what} is called '{name}'; {help}")]
pub struct UnknownName {
    /// The kind wanted, or `item`.
    pub what: &'static str,
    /// The name as given (its first 60 characters).
    pub name: String,
    /// The nearest valid name, or some valid ones.
    pub help: String,
}

/// A pack.
#[derive(Clone, Debug)]
#[non_exhaustive]
pub struct Pack {
    /// Text id.
    pub id: String,
    /// Title.
    pub title: String,
    /// What the block is.
    pub about: String,
    /// For which units it is in play.
    pub applies: Applies,
    /// Roles of parts that make such a block; empty where any role of its faults does.
    pub made_of: Vec<String>,
    /// Where it is written.
    pub place: Place,
}

/// A fault.
#[derive(Clone, Debug)]
#[non_exhaustive]
pub struct Fault {
    /// Text id.
    pub id: String,
    /// What is wrong, in bench words.
    pub says: String,
    /// The same for a customer.
    pub plain: String,
    /// Prior by history, before the factor of the build method.
    pub prior: ByHistory<Probability>,
    /// Factor by build method.
    pub build: ByBuild<Factor>,
    /// Board faults that stand for this one: a role and modes.
    pub board: Option<(String, Vec<String>)>,
    /// Faults that one line of suspects names together: those of one part that one work puts right, or one slip wherever it may
    /// be; of an outline only.
    pub group: Option<String>,
    /// Where the knowledge comes from.
    pub source: String,
    /// Its pack.
    pub pack: PackId,
    /// Where it is written.
    pub place: Place,
}

impl Fault {
    /// Largest prior after the build factor; keeps the odds finite and the fault doubtful.
    pub const MAX_PRIOR: f64 = 0.95;

    /// Probability that a unit of this history and build method has the fault, before any complaint
    /// is heard: prior × factor, at most [`Self::MAX_PRIOR`]. An unknown build method counts 1.
    pub fn prior(&self, history: History, build: Option<Build>) -> Probability {
        let factor = build.map_or(1.0, |b| self.build.of(b).get());
        Probability::clamped((self.prior.of(history).get() * factor).min(Self::MAX_PRIOR))
    }
}

/// A hidden condition.
#[derive(Clone, Debug)]
#[non_exhaustive]
pub struct Condition {
    /// Text id.
    pub id: String,
    /// The state, in bench words.
    pub says: String,
    /// Chance that it holds with no cause that the rules know; 0 as a rule.
    pub leak: Probability,
    /// What of a board brings it about: `bias-moved`, a stage well off its bias. `nets-apart` and `nets-joined` are what the wiring
    /// of a board is gone over for.
    pub board: Option<String>,
    /// Where the knowledge comes from.
    pub source: String,
    /// Its pack.
    pub pack: PackId,
    /// Where it is written.
    pub place: Place,
}

/// A check, or a symptom that stands alone.
#[derive(Clone, Debug)]
#[non_exhaustive]
pub struct Check {
    /// Text id.
    pub id: String,
    /// Short name.
    pub says: String,
    /// What the user does.
    pub kind: Kind,
    /// How to do it; the question, for a symptom.
    pub how: String,
    /// Where on the unit.
    pub place_on_unit: Option<String>,
    /// Answers, the normal one first, then in rising badness; at least two.
    pub answers: Vec<String>,
    /// The answer to be expected where all that the check touches is good, by index: the first, but for swaps.
    pub usual: usize,
    /// How a reading becomes an answer.
    pub reading: Option<Reading>,
    /// The healthy reading in words and figures.
    pub healthy: Option<String>,
    /// Tools needed, sorted.
    pub tools: Vec<Tool>,
    /// Supply state needed.
    pub power: Power,
    /// Minutes it takes.
    pub minutes: Minutes,
    /// Preparations needed.
    pub setup: Vec<SetupId>,
    /// Cautions.
    pub cautions: Vec<CautionId>,
    /// Blocks it is about: the packs of which one must be in play for it to be asked; empty for any unit.
    pub blocks: Vec<PackId>,
    /// Chance of each answer with nothing wrong, by answer; the sum is 1.
    pub leak: Vec<Probability>,
    /// Whether it must be answered before the first power-on.
    pub gate: bool,
    /// Whether each answer forbids powered checks until put right, by answer.
    pub holds_power: Vec<bool>,
    /// Whether its reading is the voltage that the whole circuit lives on.
    pub tells_supply: bool,
    /// What it listens to, without which it can't be answered.
    pub needs: Option<Needs>,
    /// The symptom that this check is, if it is one.
    pub symptom: Option<SymptomId>,
    /// What of a board it shows: `level-out`, the level at the end of the signal path; `turned-parts`, whatever is the wrong way
    /// round; `modulation-out`, how far it modulates; of a symptom `loud-out`, `distorted-out`, `dull-out`, `thin-out`, `hiss-out`,
    /// `hum-out`, `whine-out`, `squeal-out`, `putter-out`, `pace-off` or `echo-hangs`.
    pub board: Option<String>,
    /// Where the knowledge comes from.
    pub source: String,
    /// Its pack.
    pub pack: PackId,
    /// Where it is written.
    pub place: Place,
}

impl Check {
    /// Whether it can be asked on a unit with these packs in play, by the index of the pack.
    pub fn is_about(&self, in_play: &[bool]) -> bool {
        let plays = |pack: &PackId| in_play.get(pack.index()).copied().unwrap_or(false);
        plays(&self.pack) && (self.blocks.is_empty() || self.blocks.iter().any(plays))
    }

    /// Index of an answer.
    ///
    /// # Errors
    /// When the check has no such answer; names the nearest.
    pub fn answer(&self, name: &str) -> Result<usize, UnknownName> {
        self.answers.iter().position(|a| a == name).ok_or_else(|| UnknownName {
            what: "answer",
            name: name.chars().take(60).collect(),
            help: or_nearest(name, self.answers.iter().map(String::as_str)),
        })
    }
}

/// How a reading becomes an answer. See [`Reading::answer`] and [`Reading::likelihood`].
#[derive(Clone, Debug, PartialEq)]
#[non_exhaustive]
pub struct Reading {
    /// Unit of the reading.
    pub unit: Unit,
    /// Answer and stretch, in rising order of the stretch, none overlapping another.
    pub bands: Vec<(usize, Band)>,
}

/// A symptom: an answer of a check, in the owner's words.
#[derive(Clone, Debug)]
#[non_exhaustive]
pub struct Symptom {
    /// Text id.
    pub id: String,
    /// What is noticed.
    pub says: String,
    /// Words and phrases that an owner may use, in lower case.
    pub words: Vec<String>,
    /// The check that it is an answer of; its own, for one that stands alone.
    pub check: CheckId,
    /// The answer; `yes`, for one that stands alone.
    pub answer: usize,
    /// Whether whoever notices it has heard the unit run: it passes sound under power.
    pub shows_running: bool,
    /// Whether it is a noise of the unit's own making.
    pub noise: bool,
    /// Where the knowledge comes from.
    pub source: String,
    /// Its pack.
    pub pack: PackId,
    /// Where it is written.
    pub place: Place,
}

/// A remedy.
#[derive(Clone, Debug)]
#[non_exhaustive]
pub struct Remedy {
    /// Text id.
    pub id: String,
    /// What is done, as an instruction.
    pub says: String,
    /// Faults that it puts right, sorted.
    pub fixes: Vec<FaultId>,
    /// Minutes it takes.
    pub minutes: Minutes,
    /// Cost of parts.
    pub money: Money,
    /// Tools needed, sorted.
    pub tools: Vec<Tool>,
    /// Whether it may be tried to see what happens: done without an iron, and undone as easily.
    pub by_hand: bool,
    /// Supply state needed.
    pub power: Power,
    /// Chance that it puts right a fault that it can put right.
    pub success: Probability,
    /// Preparations needed.
    pub setup: Vec<SetupId>,
    /// Cautions.
    pub cautions: Vec<CautionId>,
    /// Where the knowledge comes from.
    pub source: String,
    /// Its pack.
    pub pack: PackId,
    /// Where it is written.
    pub place: Place,
}

/// A caution.
#[derive(Clone, Debug)]
#[non_exhaustive]
pub struct Caution {
    /// Text id.
    pub id: String,
    /// The warning.
    pub says: String,
    /// Its pack.
    pub pack: PackId,
    /// Where it is written.
    pub place: Place,
}

/// A preparation.
#[derive(Clone, Debug)]
#[non_exhaustive]
pub struct Setup {
    /// Text id.
    pub id: String,
    /// What is done.
    pub says: String,
    /// Minutes it takes.
    pub minutes: Minutes,
    /// Minutes it takes on a fresh build.
    pub fresh: Minutes,
    /// Its pack.
    pub pack: PackId,
    /// Where it is written.
    pub place: Place,
}

/// A link: a cause acts on an effect.
#[derive(Clone, Debug)]
#[non_exhaustive]
pub struct Link {
    /// The fault or condition that acts.
    pub from: Cause,
    /// What it acts on.
    pub to: Effect,
    /// How strongly, the leak excluded.
    pub strength: Strength,
    /// The mechanism.
    pub why: String,
    /// Where the knowledge comes from.
    pub source: String,
    /// The pack that says so.
    pub pack: PackId,
    /// Where it is written.
    pub place: Place,
}

/// A figure changed by a later pack.
#[derive(Clone, Debug, PartialEq)]
#[non_exhaustive]
pub struct Amended {
    /// The item.
    pub item: Item,
    /// Which figure, such as `prior fresh-build` or `leads-to hiss yes`.
    pub figure: String,
    /// The figure before.
    pub was: f64,
    /// The figure now.
    pub is: f64,
    /// What it rests on.
    pub from: Option<Evidence>,
    /// The pack that says so.
    pub pack: PackId,
}

/// How much a set holds. Prints as `2 packs, 12 symptoms, …`.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, serde::Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
#[non_exhaustive]
pub struct Counts {
    /// Packs.
    pub packs: usize,
    /// Symptoms, aliases of answers among them.
    pub symptoms: usize,
    /// Faults.
    pub faults: usize,
    /// Conditions.
    pub conditions: usize,
    /// Checks, symptoms that stand alone left out.
    pub checks: usize,
    /// Remedies.
    pub remedies: usize,
    /// Links.
    pub links: usize,
}

impl std::fmt::Display for Counts {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        let one = |n: usize, one: &str, many: &str| format!("{n} {}", if n == 1 { one } else { many });
        let parts = [
            one(self.packs, "pack", "packs"),
            one(self.symptoms, "symptom", "symptoms"),
            one(self.faults, "fault", "faults"),
            one(self.conditions, "condition", "conditions"),
            one(self.checks, "check", "checks"),
            one(self.remedies, "remedy", "remedies"),
            one(self.links, "link", "links"),
        ];
        f.write_str(&parts.join(", "))
    }
}

/// The proven rules: merged from all packs, checked, every name resolved, free of cycles.
///
/// Only [`Rules::load`] and its siblings make one, so whoever holds it need not check again.
///
/// ```
/// use halfsplit::rules::{History, Rules};
/// use halfsplit::text::Source;
///
/// let text = include_str!(concat!(env!("CARGO_MANIFEST_DIR"), "/tests/data/packs/lantern.yaml"));
/// let rules = Rules::load(&[Source::new("lantern.yaml", text)])?;
/// let fault = rules.find_fault("regulator-turned").unwrap();
/// assert_eq!(rules.fault(fault).prior(History::FreshBuild, None).get(), 0.012);
/// assert_eq!(rules.links_from(halfsplit::rules::Cause::Fault(fault)).count(), 2);
/// # Ok::<(), halfsplit::text::Complaints>(())
/// ```
#[derive(Clone, Debug, Default)]
pub struct Rules {
    pub(super) packs: Vec<Pack>,
    pub(super) faults: Vec<Fault>,
    pub(super) conditions: Vec<Condition>,
    pub(super) checks: Vec<Check>,
    pub(super) symptoms: Vec<Symptom>,
    pub(super) remedies: Vec<Remedy>,
    pub(super) cautions: Vec<Caution>,
    pub(super) setups: Vec<Setup>,
    pub(super) links: Vec<Link>,
    pub(super) names: BTreeMap<String, Item>,
    pub(super) amended: Vec<Amended>,
    pub(super) from_faults: Vec<Vec<LinkId>>,
    pub(super) from_conditions: Vec<Vec<LinkId>>,
    pub(super) to_conditions: Vec<Vec<LinkId>>,
    pub(super) to_checks: Vec<Vec<LinkId>>,
    pub(super) fixed_by: Vec<Vec<RemedyId>>,
    pub(super) order: Vec<ConditionId>,
    pub(super) derived: super::places::Derived,
    pub(super) of_unit: bool,
    pub(super) resting: Vec<super::RestingSpot>,
    pub(super) library: Option<std::sync::Arc<super::places::Library>>,
    pub(super) speech: Speech,
}

macro_rules! accessors {
    ($($all:ident $one:ident $find:ident $id:ident $type:ident $item:ident $what:literal),+ $(,)?) => {$(
        #[doc = concat!("Every ", $what, " with its id, in the order of the packs.")]
        pub fn $all(&self) -> impl ExactSizeIterator<Item = ($id, &$type)> {
            self.$all.iter().enumerate().map(|(i, x)| ($id::at(i), x))
        }

        #[doc = concat!("The ", $what, " of an id of this set.")]
        pub fn $one(&self, id: $id) -> &$type {
            &self.$all[id.index()]
        }

        #[doc = concat!("The id of the ", $what, " of a name.\n\n# Errors\nWhen none has it; names the nearest.")]
        pub fn $find(&self, name: &str) -> Result<$id, UnknownName> {
            match self.names.get(name) {
                Some(Item::$item(id)) => Ok(*id),
                _ => Err(UnknownName {
                    what: $what,
                    name: name.chars().take(60).collect(),
                    help: or_nearest(name, self.$all.iter().map(|x| x.id.as_str())),
                }),
            }
        }
    )+};
}

impl Rules {
    accessors! {
        faults fault find_fault FaultId Fault Fault "fault",
        conditions condition find_condition ConditionId Condition Condition "condition",
        symptoms symptom find_symptom SymptomId Symptom Symptom "symptom",
        remedies remedy find_remedy RemedyId Remedy Remedy "remedy",
        cautions caution find_caution CautionId Caution Caution "caution",
        setups setup find_setup SetupId Setup Setup "setup",
    }

    /// The words that an owner's complaint is read with: those of the word files among the sources, else the built-in ones, and
    /// the wordings that packs bring for their symptoms. It may name symptoms that these rules don't know.
    ///
    /// ```
    /// use halfsplit::rules::Rules;
    /// let parse = Rules::builtin()?.lexicon()?.read("No sound when I switch it on; bypass is fine.");
    /// assert_eq!(parse.symptoms[0].symptom, "silent");
    /// assert_eq!(parse.facts[0].finding.as_ref().unwrap().0, "bypass-sound");
    /// # Ok::<(), halfsplit::text::Complaints>(())
    /// ```
    ///
    /// # Errors
    /// When a pack's wording names an entry that no word file has.
    pub fn lexicon(&self) -> Result<Arc<Lexicon>, Complaints> {
        match &self.speech {
            Speech::Builtin => Lexicon::builtin(),
            Speech::Own(own) => own.lexicon(),
        }
    }

    /// Proves words and packs against each other: every symptom can be read, every symptom that words lead to is known, every
    /// finding that words amount to is an answer of a check, and every example of the word files is read as what it shows.
    /// Where the built-in packs are left out, names that only they have are not complained of.
    ///
    /// # Errors
    /// Every complaint, those of [`Rules::lexicon`] too.
    pub fn check_words(&self) -> Result<(), Complaints> {
        let lexicon = self.lexicon()?;
        let mut complaints = Complaints::default();
        let mut complain = |code, place: &Place, message: String, help: &str| {
            complaints.0.push(Complaint::at(code, place.clone(), message).help(help));
        };
        let names = lexicon.names();
        for symptom in &self.symptoms {
            if !names.iter().any(|(id, _)| *id == symptom.id) {
                let message = format!("no words lead to the symptom '{}'", symptom.id);
                complain(
                    "unread",
                    &symptom.place,
                    message,
                    "add 'words: […]' to it, or an entry under 'symptoms:' of a word file",
                );
            }
        }
        let whole = self.packs.iter().any(|p| p.id == "core");
        for (id, place) in names.iter().filter(|(id, _)| whole && self.find_symptom(id).is_err()) {
            complain(
                "unknown-name",
                place,
                format!("no pack has the symptom '{id}'"),
                "add it to a pack, or drop its words",
            );
        }
        for (check, answer, place) in lexicon.findings().filter(|_| whole) {
            if !self.find_check(check).is_ok_and(|id| self.check(id).answer(answer).is_ok()) {
                complain(
                    "unknown-name",
                    place,
                    format!("no check has the answer '{check}={answer}'"),
                    "write CHECK=ANSWER of a pack",
                );
            }
        }
        for (id, text, place) in lexicon.examples() {
            let parse = lexicon.read(text);
            if !parse.symptoms.iter().any(|h| h.symptom == id) {
                let read: Vec<&str> = parse.symptoms.iter().map(|h| h.symptom.as_str()).collect();
                let read = if read.is_empty() { "nothing".to_string() } else { read.join(", ") };
                complain(
                    "unread",
                    place,
                    format!("the example '{text}' of '{id}' is read as {read}"),
                    "mend its words, or the example",
                );
            }
        }
        complaints.or_ok(())
    }

    /// Every check with its id, symptoms that stand alone among them, in the order of the packs.
    pub fn checks(&self) -> impl ExactSizeIterator<Item = (CheckId, &Check)> {
        self.checks.iter().enumerate().map(|(i, x)| (CheckId::at(i), x))
    }

    /// The check of an id of this set.
    pub fn check(&self, id: CheckId) -> &Check {
        &self.checks[id.index()]
    }

    /// The id of the check of a name; the name of a symptom that stands alone is one too.
    ///
    /// # Errors
    /// When none has it; names the nearest.
    pub fn find_check(&self, name: &str) -> Result<CheckId, UnknownName> {
        match self.names.get(name) {
            Some(Item::Check(id)) => Ok(*id),
            Some(Item::Symptom(id)) if self.symptom(*id).alone(self) => Ok(self.symptom(*id).check),
            _ => Err(UnknownName {
                what: "check",
                name: name.chars().take(60).collect(),
                help: or_nearest(name, self.checks.iter().map(|x| x.id.as_str())),
            }),
        }
    }

    /// Every pack with its id, in the order loaded.
    pub fn packs(&self) -> impl ExactSizeIterator<Item = (PackId, &Pack)> {
        self.packs.iter().enumerate().map(|(i, x)| (PackId::at(i), x))
    }

    /// The pack of an id of this set.
    pub fn pack(&self, id: PackId) -> &Pack {
        &self.packs[id.index()]
    }

    /// The id of the pack of a name.
    ///
    /// # Errors
    /// When none has it; names the nearest.
    pub fn find_pack(&self, name: &str) -> Result<PackId, UnknownName> {
        self.packs.iter().position(|p| p.id == name).map(PackId::at).ok_or_else(|| UnknownName {
            what: "pack",
            name: name.chars().take(60).collect(),
            help: or_nearest(name, self.packs.iter().map(|p| p.id.as_str())),
        })
    }

    /// What a text id stands for, if it stands for anything: [`Rules::find`] without the search for what may have been meant, for
    /// whoever asks often and needs no words for a miss.
    ///
    /// ```
    /// use halfsplit::rules::{Item, Rules};
    /// let rules = Rules::builtin()?;
    /// assert!(matches!(rules.item("silent"), Some(Item::Symptom(_))));
    /// assert!(rules.item("silnt").is_none());
    /// # Ok::<(), halfsplit::text::Complaints>(())
    /// ```
    pub fn item(&self, name: &str) -> Option<Item> {
        self.names.get(name).copied()
    }

    /// What a text id stands for. A symptom that stands alone is a symptom here.
    ///
    /// # Errors
    /// When it stands for nothing; names the nearest.
    pub fn find(&self, name: &str) -> Result<Item, UnknownName> {
        self.item(name).ok_or_else(|| UnknownName {
            what: "item",
            name: name.chars().take(60).collect(),
            help: or_nearest(name, self.names.keys().map(String::as_str)),
        })
    }

    /// Every link with its id.
    pub fn links(&self) -> impl ExactSizeIterator<Item = (LinkId, &Link)> {
        self.links.iter().enumerate().map(|(i, x)| (LinkId::at(i), x))
    }

    /// The link of an id of this set.
    pub fn link(&self, id: LinkId) -> &Link {
        &self.links[id.index()]
    }

    /// The links that start at a cause, in the order written.
    pub fn links_from(&self, cause: Cause) -> impl ExactSizeIterator<Item = (LinkId, &Link)> {
        let ids = match cause {
            Cause::Fault(id) => &self.from_faults[id.index()],
            Cause::Condition(id) => &self.from_conditions[id.index()],
        };
        ids.iter().map(|id| (*id, self.link(*id)))
    }

    /// The links that end at an effect, in the order of the packs.
    pub fn links_to(&self, effect: Effect) -> impl ExactSizeIterator<Item = (LinkId, &Link)> {
        let ids = match effect {
            Effect::Condition(id) => &self.to_conditions[id.index()],
            Effect::Check(id) => &self.to_checks[id.index()],
        };
        ids.iter().map(|id| (*id, self.link(*id)))
    }

    /// Every condition, causes before effects.
    pub fn condition_order(&self) -> &[ConditionId] {
        &self.order
    }

    /// The remedies that put a fault right, in the order of the packs.
    pub fn remedies_of(&self, fault: FaultId) -> &[RemedyId] {
        &self.fixed_by[fault.index()]
    }

    /// The symptoms that are an answer of a check.
    pub fn symptoms_of(&self, check: CheckId, answer: usize) -> impl Iterator<Item = (SymptomId, &Symptom)> {
        self.symptoms().filter(move |(_, s)| s.check == check && s.answer == answer)
    }

    /// Whether an answer says that nothing comes out where another answer of the same check would show a running unit.
    pub fn shows_dead(&self, check: CheckId, answer: usize) -> bool {
        let count = self.check(check).answers.len();
        let named = self.symptoms_of(check, answer).any(|(_, s)| !s.shows_running);
        named && !self.shows_running(check, answer) && (0..count).any(|k| self.shows_running(check, k))
    }

    /// Whether an answer was heard from a unit that passes sound under power.
    pub fn shows_running(&self, check: CheckId, answer: usize) -> bool {
        self.symptoms_of(check, answer).any(|(_, s)| s.shows_running)
    }

    /// The text id of a cause.
    pub fn cause_name(&self, cause: Cause) -> &str {
        match cause {
            Cause::Fault(id) => &self.fault(id).id,
            Cause::Condition(id) => &self.condition(id).id,
        }
    }

    /// The text id of an effect.
    pub fn effect_name(&self, effect: Effect) -> &str {
        match effect {
            Effect::Condition(id) => &self.condition(id).id,
            Effect::Check(id) => &self.check(id).id,
        }
    }

    /// How much the set holds.
    pub fn counts(&self) -> Counts {
        Counts {
            packs: self.packs.len(),
            symptoms: self.symptoms.len(),
            faults: self.faults.len(),
            conditions: self.conditions.len(),
            checks: self.checks.iter().filter(|c| c.symptom.is_none()).count(),
            remedies: self.remedies.len(),
            links: self.links.len(),
        }
    }

    /// Whether the set is that of one unit, derived from its outline.
    pub fn is_of_unit(&self) -> bool {
        self.of_unit
    }

    /// The figures that later packs changed, in the order of the packs.
    pub fn amended(&self) -> &[Amended] {
        &self.amended
    }
}

impl Symptom {
    /// Whether it is an observable of its own, not the name of another check's answer.
    pub fn alone(&self, rules: &Rules) -> bool {
        rules.checks.get(self.check.index()).is_some_and(|c| c.id == self.id)
    }
}
