//! The job card: what is known of one unit, as a person may have written it.
//!
//! A card is a YAML file that belongs to its user. It is read with the place of every value; it is
//! changed only by adding to its text ([`JobCard::with_finding`] and its sisters), never by writing it
//! anew. Findings are numbered from 1 in the order they stand on the card; a struck one stays there,
//! crossed out.

use super::unit::CardOutline;
use crate::rules::{Build, History, Tool};
use crate::text::{
    At, Complaint, Complaints, Document, EditError, Named, Node, Source, Style, Value, append_item, decode,
    flow_map, flow_scalar, insert_entry, parse, set_entry,
};
use serde::{Deserialize, Serialize};

/// The version of the card format that this library writes. Older ones are read; newer ones are refused
/// and left untouched.
pub const CARD_VERSION: u32 = 1;

/// What the unit runs on.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Deserialize, Serialize)]
#[serde(rename_all = "kebab-case")]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub enum PowerSource {
    /// A battery inside.
    Battery,
    /// A low-voltage adaptor outside.
    Adaptor,
    /// The supply rails of a synth case, 15 V and less.
    ModuleSupply,
    /// A mains lead goes into the unit: out of scope.
    Mains,
    /// Valves or another supply over 50 V inside: out of scope.
    HighVoltage,
}

impl PowerSource {
    /// Each, with what it is for whoever is asked.
    pub const ALL: [(Self, &'static str); 5] = [
        (Self::Battery, "inside the unit"),
        (Self::Adaptor, "low voltage, from outside"),
        (Self::ModuleSupply, "the rails of a synth case, 15 V and less"),
        (Self::Mains, "a mains lead goes into the unit"),
        (Self::HighVoltage, "valves, or anything over 50 V inside"),
    ];

    /// Its word on a card and on the command line.
    pub const fn name(self) -> &'static str {
        match self {
            Self::Battery => "battery",
            Self::Adaptor => "adaptor",
            Self::ModuleSupply => "module-supply",
            Self::Mains => "mains",
            Self::HighVoltage => "high-voltage",
        }
    }

    /// Why a unit on this supply is declined, or `None` where it is in scope.
    pub fn declined(self) -> Option<&'static str> {
        match self {
            Self::Battery | Self::Adaptor | Self::ModuleSupply => None,
            Self::Mains => Some(
                "mains voltage inside the unit can kill, also for a while after the plug is out. Leave it closed and \
                 unplugged, and take it to a technician licensed for mains equipment where you live.",
            ),
            Self::HighVoltage => Some(
                "the high voltage inside (valve stages and the like) can kill, also for a while after it is switched \
                 off. Leave it closed and unplugged, and take it to a technician licensed for such equipment where you live.",
            ),
        }
    }
}

/// What the owner says is wrong.
#[derive(Clone, Debug, Default, PartialEq, Deserialize, Serialize)]
#[serde(deny_unknown_fields)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct OwnersComplaint {
    /// In the owner's own words.
    #[serde(default)]
    pub words: Option<String>,
    /// Ids of the symptoms that the words mean.
    #[serde(default)]
    pub symptoms: Vec<At<String>>,
    /// Where the words leave it open: of each list of symptoms at least one is meant.
    #[serde(default)]
    pub perhaps: Vec<Vec<At<String>>>,
}

/// One finding as it stands on the card.
#[derive(Clone, Debug, PartialEq, Deserialize, Serialize)]
#[serde(deny_unknown_fields)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct CardFinding {
    /// When, RFC 3339 (`2026-11-24T10:05:00Z`).
    #[serde(default)]
    pub at: Option<String>,
    /// Check id: a check or symptom of the rules, `volts:NET` and the like on a board, or `try:REMEDY`.
    pub check: At<String>,
    /// The answer as typed: one of the check's answers, a reading, or `unsure`.
    pub answer: At<String>,
    /// Minutes it took, where somebody noted them.
    #[serde(default, deserialize_with = "minutes")]
    pub minutes: Option<f64>,
    /// A free remark.
    #[serde(default)]
    pub remark: Option<String>,
    /// When (or why) it was struck; a struck finding counts for nothing.
    #[serde(default)]
    pub struck: Option<String>,
}

/// A reading of a unit of the same kind that works.
#[derive(Clone, Debug, PartialEq, Deserialize, Serialize)]
#[serde(deny_unknown_fields)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct GoodReading {
    /// When, RFC 3339.
    #[serde(default)]
    pub at: Option<String>,
    /// Check id, as in findings.
    pub check: At<String>,
    /// What was read.
    pub answer: At<String>,
    /// A free remark.
    #[serde(default)]
    pub remark: Option<String>,
}

/// One piece of work done.
#[derive(Clone, Debug, PartialEq, Deserialize, Serialize)]
#[serde(deny_unknown_fields)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Work {
    /// When, RFC 3339.
    #[serde(default)]
    pub at: Option<String>,
    /// What was done.
    pub did: String,
    /// Minutes it took.
    #[serde(default, deserialize_with = "minutes")]
    pub minutes: Option<f64>,
    /// Parts used, each with its price in the shop's currency.
    #[serde(default)]
    pub parts: Vec<PartUsed>,
}

/// A part on the bill.
#[derive(Clone, Debug, PartialEq, Deserialize, Serialize)]
#[serde(deny_unknown_fields)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct PartUsed {
    /// What it is.
    pub part: String,
    /// How many; 1 where it isn't said.
    #[serde(default)]
    pub count: Option<u32>,
    /// Price of one, `0.40`, in the shop's currency.
    #[serde(default)]
    pub price: Option<At<String>>,
}

/// A remark that is no finding.
#[derive(Clone, Debug, PartialEq, Deserialize, Serialize)]
#[serde(deny_unknown_fields)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Remark {
    /// When, RFC 3339.
    #[serde(default)]
    pub at: Option<String>,
    /// The remark.
    pub text: String,
}

/// Most minutes that anything on a card may have taken: a thousand hours.
const MOST_MINUTES: f64 = 60_000.0;

/// Minutes as somebody may have noted them.
fn minutes<'de, D: serde::Deserializer<'de>>(deserializer: D) -> Result<Option<f64>, D::Error> {
    match Option::<f64>::deserialize(deserializer)? {
        Some(m) if !(0.0..=MOST_MINUTES).contains(&m) => Err(serde::de::Error::custom(format!(
            "{m} are no minutes that work takes; write a number from 0 to {MOST_MINUTES}"
        ))),
        minutes => Ok(minutes),
    }
}

/// How the job ended.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Deserialize, Serialize)]
#[serde(rename_all = "kebab-case")]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub enum EndState {
    /// The fault was found and put right.
    Mended,
    /// The fault was found and left, at the owner's wish or for want of a part.
    Found,
    /// Nothing is wrong with the unit.
    NothingWrong,
    /// It was something the rules don't know.
    Unlisted,
    /// Out of scope.
    Declined,
    /// Given up or handed on.
    HandedOn,
}

/// The confirmed outcome.
#[derive(Clone, Debug, PartialEq, Deserialize, Serialize)]
#[serde(deny_unknown_fields)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Outcome {
    /// When, RFC 3339.
    #[serde(default)]
    pub at: Option<String>,
    /// How it ended.
    pub end: EndState,
    /// The faults that were there, by id.
    #[serde(default)]
    pub faults: Vec<At<String>>,
    /// What put it right, in words.
    #[serde(default)]
    pub did: Option<String>,
    /// Minutes on the job altogether, where noted.
    #[serde(default, deserialize_with = "minutes")]
    pub minutes: Option<f64>,
}

/// The card's fields as written.
#[derive(Clone, Debug, PartialEq, Deserialize, Serialize)]
#[serde(deny_unknown_fields)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Card {
    /// Version of the card format; 1 where it isn't said.
    #[serde(default)]
    pub halfsplit: Option<At<u32>>,
    /// What is on the bench.
    pub unit: At<String>,
    /// The shop's number for the job.
    #[serde(default)]
    pub number: Option<String>,
    /// Whose it is.
    #[serde(default)]
    pub owner: Option<String>,
    /// Serial number or other mark.
    #[serde(default)]
    pub serial: Option<String>,
    /// When it came in.
    #[serde(default)]
    pub received: Option<String>,
    /// Its condition on arrival.
    #[serde(default)]
    pub condition: Option<String>,
    /// What it has been through.
    pub history: At<History>,
    /// What was changed last, for `after-change`.
    #[serde(default)]
    pub changed: Option<String>,
    /// How it is built.
    #[serde(default)]
    pub build: Option<Build>,
    /// What it runs on.
    #[serde(default)]
    pub power: Option<At<PowerSource>>,
    /// What is wrong, as the owner tells it.
    #[serde(default)]
    pub complaint: Option<OwnersComplaint>,
    /// Path of the board file, relative to the card.
    #[serde(default)]
    pub board: Option<At<String>>,
    /// Blocks the unit has, by pack id; all of them where none is named.
    #[serde(default)]
    pub blocks: Vec<At<String>>,
    /// What kind of unit it is, and where it differs: an outline.
    #[serde(default)]
    pub outline: Option<CardOutline>,
    /// What the unit has or lacks: battery, adaptor, footswitch, light, usb, box.
    #[serde(default)]
    pub facts: Named<At<bool>>,
    /// What happened just before: ids of events.
    #[serde(default)]
    pub happened: Vec<At<String>>,
    /// Tools at hand; a meter where none is named.
    #[serde(default)]
    pub tools: Vec<Tool>,
    /// Checks that can't be done on this job (no such tool, not reachable), by id.
    #[serde(default)]
    pub skip: Vec<At<String>>,
    /// What was found, in order.
    #[serde(default)]
    pub findings: Vec<CardFinding>,
    /// Readings of a unit of the same kind that works.
    #[serde(default)]
    pub good: Vec<GoodReading>,
    /// What was done, in order.
    #[serde(default)]
    pub work: Vec<Work>,
    /// Remarks, in order.
    #[serde(default)]
    pub remarks: Vec<Remark>,
    /// What an hour of labour costs on this job, where it is not the shop's usual rate: `40.00`, in the shop's currency.
    #[serde(default)]
    pub labour: Option<At<String>>,
    /// What was not tested.
    #[serde(default, rename = "not-tested")]
    pub not_tested: Vec<String>,
    /// How it ended.
    #[serde(default)]
    pub outcome: Option<Outcome>,
}

impl Card {
    /// The tools at hand.
    pub fn tools(&self) -> Vec<Tool> {
        if self.tools.is_empty() { vec![Tool::Meter] } else { self.tools.clone() }
    }

    /// Names the outcome's end, for a job that is closed.
    pub fn closed(&self) -> Option<EndState> {
        self.outcome.as_ref().map(|o| o.end)
    }

    /// Findings that count, with their numbers.
    pub fn standing(&self) -> impl Iterator<Item = (usize, &CardFinding)> {
        self.findings.iter().enumerate().filter(|(_, f)| f.struck.is_none()).map(|(i, f)| (i + 1, f))
    }
}

/// A new finding to be put on a card.
#[derive(Clone, Debug, PartialEq)]
pub struct NewFinding {
    /// When, RFC 3339; left out where there is no clock.
    pub at: Option<String>,
    /// Check id.
    pub check: String,
    /// Answer as typed.
    pub answer: String,
    /// Free remark.
    pub remark: Option<String>,
}

impl NewFinding {
    /// The finding as an entry of the list.
    fn flow(&self, style: Style) -> String {
        let mut entries = Vec::new();
        entries.extend(self.at.as_ref().map(|at| ("at", style.scalar(at))));
        entries.push(("check", style.scalar(&self.check)));
        entries.push(("answer", style.scalar(&self.answer)));
        entries.extend(self.remark.as_ref().map(|remark| ("remark", style.scalar(remark))));
        style.map(entries)
    }
}

/// A card with the text that it was read from.
#[derive(Clone, Debug)]
pub struct JobCard {
    /// The card's fields.
    pub card: Card,
    /// The text, with places.
    pub document: Document,
}

impl JobCard {
    /// Reads a card.
    ///
    /// ```
    /// use halfsplit::{job::JobCard, text::Source};
    /// let text = "unit: Tin Lantern\nhistory: fresh-build\ncomplaint: {symptoms: [silent]}\n";
    /// let job = JobCard::read(&Source::new("tin-lantern.yaml", text))?;
    /// assert_eq!(job.card.unit.value, "Tin Lantern");
    /// # Ok::<(), halfsplit::text::Complaints>(())
    /// ```
    ///
    /// # Errors
    /// Every complaint about the card's form; a card of a newer version is refused before anything else.
    pub fn read(source: &Source) -> Result<Self, Complaints> {
        let document = parse(source)?;
        if let Some(node) = document.root.get("halfsplit")
            && let Value::Scalar(s) = &node.value
            && let Ok(version) = s.text.parse::<u32>()
            && version > CARD_VERSION
        {
            let message =
                format!("this card has format {version}; this halfsplit reads up to {CARD_VERSION}");
            let complaint = Complaint::at("newer-card", document.place(node.span), message);
            return Err(complaint.help("use a newer halfsplit; the card was left untouched").into());
        }
        let card: Card = decode(&document)?;
        Ok(Self { card, document })
    }

    pub(super) fn reread(&self, text: String) -> Result<Self, CardError> {
        Ok(Self::read(&Source::new(self.document.file.name.clone(), text))?)
    }

    /// The card's text.
    pub fn text(&self) -> &str {
        &self.document.file.text
    }

    /// How pieces are put into the text.
    pub(super) fn style(&self) -> Style {
        Style::of(self.text())
    }

    /// The card with one more finding.
    ///
    /// # Errors
    /// [`CardError`] when the text can't take it.
    pub fn with_finding(&self, new: &NewFinding) -> Result<Self, CardError> {
        self.reread(append_item(&self.document, "findings", &new.flow(self.style()))?)
    }

    /// The card with one more reading of a unit that works.
    ///
    /// # Errors
    /// [`CardError`] when the text can't take it.
    pub fn with_good(&self, new: &NewFinding) -> Result<Self, CardError> {
        self.reread(append_item(&self.document, "good", &new.flow(self.style()))?)
    }

    /// The card with finding `number` struck.
    ///
    /// # Errors
    /// [`CardError::NoFinding`], [`CardError::StruckAlready`], or when the text can't take it.
    pub fn with_struck(&self, number: usize, why: &str) -> Result<Self, CardError> {
        let count = self.card.findings.len();
        let finding = number.checked_sub(1).and_then(|i| self.card.findings.get(i));
        let Some(finding) = finding else { return Err(CardError::NoFinding { number, count }) };
        if finding.struck.is_some() {
            return Err(CardError::StruckAlready { number });
        }
        let style = self.style();
        let node = self.item("findings", number - 1).ok_or(CardError::NoFinding { number, count })?;
        self.reread(insert_entry(&self.document, node, "struck", &style.scalar(why))?)
    }

    /// The card with one more remark.
    ///
    /// # Errors
    /// [`CardError`] when the text can't take it.
    pub fn with_remark(&self, at: Option<&str>, text: &str) -> Result<Self, CardError> {
        let style = self.style();
        let mut entries = Vec::new();
        entries.extend(at.map(|at| ("at", style.scalar(at))));
        entries.push(("text", style.scalar(text)));
        self.reread(append_item(&self.document, "remarks", &style.map(entries))?)
    }

    /// The card with one more check that is left out of this job.
    ///
    /// # Errors
    /// [`CardError`] when the text can't take it.
    pub fn with_skipped(&self, check: &str) -> Result<Self, CardError> {
        self.reread(append_item(&self.document, "skip", &self.style().scalar(check))?)
    }

    /// The card with what feeds the unit.
    ///
    /// # Errors
    /// [`CardError`] when the text can't take it.
    pub fn with_power(&self, power: PowerSource) -> Result<Self, CardError> {
        self.reread(set_entry(&self.document, "power", &self.style().scalar(power.name()))?)
    }

    /// The card with a board; one that it names already stays as a remark.
    ///
    /// # Errors
    /// [`CardError`] when the text can't take it.
    pub fn with_board(&self, at: Option<&str>, path: &str) -> Result<Self, CardError> {
        let kept = match &self.card.board {
            Some(old) if old.value != path => {
                self.with_remark(at, &format!("earlier board, replaced: {}", old.value))?
            }
            _ => self.clone(),
        };
        kept.reread(set_entry(&kept.document, "board", &self.style().scalar(path))?)
    }

    /// The card with one more piece of work.
    ///
    /// # Errors
    /// [`CardError`] when the text can't take it.
    pub fn with_work(&self, at: Option<&str>, did: &str) -> Result<Self, CardError> {
        let style = self.style();
        let mut entries = Vec::new();
        entries.extend(at.map(|at| ("at", style.scalar(at))));
        entries.push(("did", style.scalar(did)));
        self.reread(append_item(&self.document, "work", &style.map(entries))?)
    }

    /// The card with its outcome. A second outcome replaces the first; the first stays as a remark.
    ///
    /// # Errors
    /// [`CardError`] when the text can't take it.
    pub fn with_outcome(
        &self,
        at: Option<&str>,
        end: EndState,
        faults: &[String],
        did: Option<&str>,
    ) -> Result<Self, CardError> {
        let style = self.style();
        let mut entries = Vec::new();
        entries.extend(at.map(|at| ("at", style.scalar(at))));
        let end = match serde_json::to_value(end) {
            Ok(serde_json::Value::String(s)) => s,
            _ => String::new(),
        };
        entries.push(("end", style.scalar(&end)));
        let faults: Vec<String> = faults.iter().map(|f| style.scalar(f)).collect();
        entries.push(("faults", format!("[{}]", faults.join(", "))));
        entries.extend(did.map(|did| ("did", style.scalar(did))));
        let value = style.map(entries);
        let kept = match self.document.root.get("outcome") {
            Some(node) if !node.is_null() => {
                let old = &self.text()[node.span.start..node.span.end];
                let old = old.split_whitespace().collect::<Vec<_>>().join(" ");
                self.with_remark(at, &format!("earlier outcome, replaced: {old}"))?
            }
            _ => self.clone(),
        };
        kept.reread(set_entry(&kept.document, "outcome", &value)?)
    }

    fn item(&self, key: &str, index: usize) -> Option<&Node> {
        match self.document.root.get(key).map(|n| &n.value) {
            Some(Value::List(items)) => items.get(index),
            _ => None,
        }
    }
}

/// Why a card could not be changed.
#[derive(Debug, thiserror::Error)]
pub enum CardError {
    /// The card's text can't take the addition.
    #[error(transparent)]
    Edit(#[from] EditError),
    /// The card as changed does not read.
    #[error(transparent)]
    Read(#[from] Complaints),
    /// No finding of that number.
    #[error("there is no finding {number}; the card has {count}")]
    NoFinding {
        /// The number asked for.
        number: usize,
        /// How many there are.
        count: usize,
    },
    /// The job is not closed.
    #[error("the job is open: it has no outcome yet; 'halfsplit close' records one")]
    NotClosed,
    /// It was struck before.
    #[error("finding {number} is struck already")]
    StruckAlready {
        /// Its number.
        number: usize,
    },
}

/// The text of a new card. Every value is written so that it reads back the same.
#[derive(Clone, Debug, Default)]
pub struct NewCard {
    /// What is on the bench.
    pub unit: String,
    /// When it was opened, RFC 3339.
    pub received: Option<String>,
    /// What it has been through.
    pub history: Option<History>,
    /// What was changed last.
    pub changed: Option<String>,
    /// How it is built.
    pub build: Option<Build>,
    /// What it runs on.
    pub power: Option<PowerSource>,
    /// The owner's words.
    pub words: Option<String>,
    /// Symptom ids.
    pub symptoms: Vec<String>,
    /// Lists of symptom ids of which one is meant.
    pub perhaps: Vec<Vec<String>>,
    /// Findings that the owner's words amount to.
    pub findings: Vec<NewFinding>,
    /// Board path.
    pub board: Option<String>,
    /// Blocks.
    pub blocks: Vec<String>,
    /// The kind of unit.
    pub outline: Option<String>,
    /// What the unit has or lacks.
    pub facts: Vec<(String, bool)>,
    /// What happened just before.
    pub happened: Vec<String>,
    /// Tools.
    pub tools: Vec<Tool>,
}

impl NewCard {
    /// The job on this card, for whoever keeps it in no file.
    ///
    /// ```
    /// use halfsplit::{job::{Diagnosis, NewCard}, rules::Rules};
    /// let card = NewCard { unit: "Rust Fuzz".into(), symptoms: vec!["silent".into()], outline: Some("fuzz".into()), ..NewCard::default() };
    /// let step = Diagnosis::of(Rules::builtin()?, card.job()?)?.next(0)?;
    /// assert_eq!(step.action, "check");
    /// # Ok::<(), halfsplit::text::Complaints>(())
    /// ```
    ///
    /// # Errors
    /// As [`JobCard::read`].
    pub fn job(&self) -> Result<JobCard, Complaints> {
        JobCard::read(&Source::new(self.unit.clone(), self.text()))
    }

    /// The YAML text, with a comment line for whoever opens it in an editor.
    pub fn text(&self) -> String {
        use crate::text::inline;
        let mut out = String::from("# A halfsplit job card: yours to edit; commands only add to it.\n");
        let mut line = |key: &str, value: String| out.push_str(&format!("{key}: {value}\n"));
        line("halfsplit", CARD_VERSION.to_string());
        line("unit", inline(&self.unit));
        if let Some(at) = &self.received {
            line("received", inline(at));
        }
        line("history", self.history.unwrap_or(History::FreshBuild).name().into());
        if let Some(changed) = &self.changed {
            line("changed", inline(changed));
        }
        if let Some(build) = self.build {
            line("build", build.name().into());
        }
        if let Some(power) = self.power {
            line("power", power.name().into());
        }
        if self.words.is_some() || !self.symptoms.is_empty() {
            let mut parts = Vec::new();
            parts.extend(self.words.as_ref().map(|w| ("words", flow_scalar(w))));
            parts.push(("symptoms", format!("[{}]", self.symptoms.join(", "))));
            if !self.perhaps.is_empty() {
                let lists: Vec<String> = self.perhaps.iter().map(|l| format!("[{}]", l.join(", "))).collect();
                parts.push(("perhaps", format!("[{}]", lists.join(", "))));
            }
            line("complaint", flow_map(parts));
        }
        if let Some(board) = &self.board {
            line("board", inline(board));
        }
        if !self.blocks.is_empty() {
            line("blocks", format!("[{}]", self.blocks.join(", ")));
        }
        if let Some(outline) = &self.outline {
            line("outline", inline(outline));
        }
        if !self.facts.is_empty() {
            let yes_no = |b: &bool| if *b { "true" } else { "false" };
            line("facts", flow_map(self.facts.iter().map(|(k, v)| (k.as_str(), yes_no(v).to_string()))));
        }
        if !self.happened.is_empty() {
            line("happened", format!("[{}]", self.happened.join(", ")));
        }
        if !self.tools.is_empty() {
            let names: Vec<&str> = self.tools.iter().map(|t| t.name()).collect();
            line("tools", format!("[{}]", names.join(", ")));
        }
        if self.findings.is_empty() {
            out.push_str("findings: []\n");
            return out;
        }
        out.push_str("findings:\n");
        for finding in &self.findings {
            out.push_str(&format!("  - {}\n", finding.flow(Style::Yaml)));
        }
        out
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;

    const HAND_WRITTEN: &str = "\
# my first echo
unit: Tin Lantern   # blue box
history: fresh-build
complaint:
  words: dead, but the LED lights
  symptoms: [silent]
findings:
  # first evening
  - {check: effect-sound, answer: silent}   # loud and clear: nothing
  - check: board-supply-volts
    answer: 8.9V
# to do: ask for the drawing
";

    fn card(text: &str) -> JobCard {
        JobCard::read(&Source::new("job.yaml", text)).unwrap()
    }

    #[test]
    fn commands_change_only_their_lines() {
        let new = NewFinding {
            at: Some("2026-11-24T10:05:00Z".into()),
            check: "volts:V5".into(),
            answer: "4,98 V".into(),
            remark: None,
        };
        let job = card(HAND_WRITTEN).with_finding(&new).unwrap().with_struck(2, "wrong range").unwrap();
        let job =
            job.with_outcome(None, EndState::Mended, &["C7:short".into()], Some("new C7, \"22u\"")).unwrap();
        insta::assert_snapshot!(job.text(), @r#"
        # my first echo
        unit: Tin Lantern   # blue box
        history: fresh-build
        complaint:
          words: dead, but the LED lights
          symptoms: [silent]
        findings:
          # first evening
          - {check: effect-sound, answer: silent}   # loud and clear: nothing
          - check: board-supply-volts
            answer: 8.9V
            struck: wrong range
          - {at: 2026-11-24T10:05:00Z, check: volts:V5, answer: "4,98 V"}
        # to do: ask for the drawing
        outcome: {end: mended, faults: [C7:short], did: "new C7, \"22u\""}
        "#);
        assert_eq!(job.card.standing().map(|(n, _)| n).collect::<Vec<_>>(), [1, 3]);
        assert_eq!(job.card.findings[2].answer.value, "4,98 V");
        assert!(matches!(job.with_struck(2, "x"), Err(CardError::StruckAlready { number: 2 })));
        assert!(matches!(job.with_struck(9, "x"), Err(CardError::NoFinding { number: 9, count: 3 })));
        let again = job.with_outcome(None, EndState::Found, &[], None).unwrap();
        assert!(again.card.remarks[0].text.contains("C7:short"), "nothing recorded is lost");
    }

    #[test]
    fn a_newer_card_is_refused() {
        let e = JobCard::read(&Source::new("job.yaml", "halfsplit: 9\nfuture: {}\n")).unwrap_err();
        assert_eq!(
            e.to_string(),
            "job.yaml:1:12: this card has format 9; this halfsplit reads up to 1; use a newer halfsplit; the card was left untouched"
        );
    }

    #[test]
    fn a_new_card_reads_back() {
        let new = NewCard {
            unit: "Tin: Lantern #2".into(),
            words: Some("\"squeals\", then\nstops".into()),
            symptoms: vec!["squeal".into()],
            history: Some(History::AfterChange),
            power: Some(PowerSource::ModuleSupply),
            tools: vec![Tool::Meter, Tool::AudioProbe],
            ..NewCard::default()
        };
        let job = card(&new.text());
        assert_eq!(job.card.unit.value, "Tin: Lantern #2");
        assert_eq!(job.card.complaint.unwrap().words.unwrap(), "\"squeals\", then\nstops");
        assert_eq!(job.card.power.unwrap().value, PowerSource::ModuleSupply);
    }
}
