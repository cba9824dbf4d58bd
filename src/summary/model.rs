//! The summary as data: what every format and every reader gets its words and figures from.
//!
//! Each figure stands beside the text that is printed for it, so that a template prints and never reckons. Texts from
//! the card are as the card has them; making them harmless is the renderer's work.

use super::pictures::Pictures;
use serde::Serialize;

/// How the job stands.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub enum Status {
    /// Not finished.
    Interim,
    /// Found and put right.
    Mended,
    /// Found and left.
    Found,
    /// Nothing wrong with the unit.
    NothingWrong,
    /// Something that the rules don't know.
    Unlisted,
    /// Out of scope.
    Declined,
    /// Given up or handed on.
    HandedOn,
}

/// A moment.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Moment {
    /// As written on the card.
    pub at: String,
    /// As the shop writes dates, day only.
    pub day: String,
    /// The same with the time of day, where the card has one.
    pub shown: String,
    /// The time of day alone, such as `10:05`; empty where the card has none.
    pub clock: String,
}

/// A probability, 0 to 1.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Chance {
    /// The number.
    pub p: f64,
    /// In percent, as printed.
    pub shown: String,
    /// Its word of the table in [`super::certainty`].
    pub word: String,
}

/// A weight in decibels.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Weight {
    /// The number.
    pub db: f64,
    /// As printed, with its sign.
    pub shown: String,
}

/// A time span.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Span {
    /// Minutes.
    pub minutes: f64,
    /// As printed.
    pub shown: String,
}

/// An amount of money.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Amount {
    /// Minor units.
    pub minor: i64,
    /// As printed.
    pub shown: String,
}

/// The shop's head and terms.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct ShopFace {
    /// Its name.
    pub name: Option<String>,
    /// Its address, by line.
    pub address: Vec<String>,
    /// How to reach it, by line.
    pub contact: Vec<String>,
    /// Terms, by paragraph.
    pub terms: Vec<String>,
}

/// What is on the bench.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct UnitFace {
    /// Its name.
    pub name: String,
    /// The shop's number for the job.
    pub number: Option<String>,
    /// Whose it is.
    pub owner: Option<String>,
    /// Serial number or other mark.
    pub serial: Option<String>,
    /// When it came in.
    pub received: Option<Moment>,
    /// When the job was closed.
    pub finished: Option<Moment>,
    /// What it has been through, in a phrase.
    pub history: String,
    /// What was changed last.
    pub changed: Option<String>,
    /// How it is built, in a phrase.
    pub build: Option<String>,
    /// What it runs on, in a phrase.
    pub power: Option<String>,
    /// Condition on arrival.
    pub condition: Option<String>,
    /// The board's file.
    pub board: Option<String>,
    /// Its blocks, by title.
    pub blocks: Vec<String>,
    /// Tools at hand.
    pub tools: Vec<String>,
}

/// The complaint.
#[derive(Clone, Debug, Default, PartialEq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct ComplaintFace {
    /// In the owner's words.
    pub words: Option<String>,
    /// The symptoms they were taken for.
    pub symptoms: Vec<String>,
    /// From which of the words each symptom was read, and what was left.
    pub read: Option<String>,
}

/// A fault in the summary.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct FaultFace {
    /// Its id.
    pub id: String,
    /// What was wrong, for a customer.
    pub plain: String,
    /// The same in bench words.
    pub says: String,
    /// Its probability by the findings; nothing for a fault that the rules don't know.
    pub chance: Option<Chance>,
    /// Its usual remedy.
    pub remedy: Option<RemedyFace>,
}

/// A remedy in the summary.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct RemedyFace {
    /// What is done.
    pub text: String,
    /// Usual minutes.
    pub minutes: Span,
    /// Usual cost of parts, before tax.
    pub parts: Amount,
}

/// A finding that speaks for the result.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Reason {
    /// Its number on the card; 0 for a symptom of the complaint.
    pub number: usize,
    /// What was checked.
    pub says: String,
    /// What was found, in words or as the reading.
    pub found: String,
    /// What is healthy.
    pub expected: Option<String>,
    /// Weight for the leading fault.
    pub weight: Weight,
    /// How the fault brings it about, by link.
    pub because: Vec<String>,
}

/// What was found and how sure it is.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct ResultFace {
    /// The result in a sentence.
    pub headline: String,
    /// Faults found; in an interim summary the leading suspects.
    pub faults: Vec<FaultFace>,
    /// How sure we are, in a sentence.
    pub sure: Option<String>,
    /// Whether a repair has shown it.
    pub confirmed: bool,
    /// What speaks for it, the weightiest first.
    pub because: Vec<Reason>,
    /// Probability that it is something the rules don't know.
    pub unlisted: Option<Chance>,
    /// Probability that nothing is wrong.
    pub none: Option<Chance>,
}

/// A piece of work, or a remedy tried.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct WorkFace {
    /// When.
    pub at: Option<Moment>,
    /// What was done.
    pub did: String,
    /// What came of it.
    pub result: Option<String>,
    /// Minutes it took.
    pub minutes: Option<Span>,
}

/// A line of the bill.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct BillLine {
    /// What it is for.
    pub what: String,
    /// How many, for parts.
    pub count: Option<u32>,
    /// Price of one; nothing where the card has none.
    pub each: Option<Amount>,
    /// Price of the line; nothing where the card has none.
    pub price: Option<Amount>,
}

/// What is to be paid.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Bill {
    /// Bench time recorded.
    pub time: Option<Span>,
    /// Bench time billed.
    pub billed: Option<Span>,
    /// Price of an hour.
    pub hourly: Option<Amount>,
    /// Price of the bench time.
    pub labour: Option<Amount>,
    /// Parts, a line each.
    pub parts: Vec<BillLine>,
    /// Sum of all lines that have a price.
    pub sum: Option<Amount>,
    /// The tax's name and rate.
    pub tax_label: Option<String>,
    /// Whether the sum contains the tax.
    pub tax_included: bool,
    /// The tax.
    pub tax: Option<Amount>,
    /// What is to be paid.
    pub total: Option<Amount>,
    /// Parts on the card without a price.
    pub unpriced: usize,
}

/// A cause that the estimate reckons with.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Possibility {
    /// Its faults, by id; none for a healthy unit.
    pub faults: Vec<String>,
    /// In a customer's words.
    pub plain: String,
    /// Its share among the causes reckoned with, 0 to 1.
    pub share: f64,
    /// Minutes to find it.
    pub find: f64,
    /// Minutes to put it right.
    pub mend: f64,
    /// Cost of parts in minor units.
    pub parts: i64,
    /// Everything with tax in minor units, where the shop has a rate; else the parts with tax.
    pub cost: i64,
}

/// What the rest of the job may take. See [`super::estimate`] for how it is reckoned.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Estimate {
    /// Mean bench time.
    pub time: Span,
    /// Its 10th percentile.
    pub time_low: Span,
    /// Its 90th percentile.
    pub time_high: Span,
    /// Mean cost with tax; parts alone where the shop has no rate.
    pub cost: Amount,
    /// Its 10th percentile.
    pub cost_low: Amount,
    /// Its 90th percentile.
    pub cost_high: Amount,
    /// Whether bench time is in the cost.
    pub with_labour: bool,
    /// The tax in it, by name and rate.
    pub tax: Option<String>,
    /// Whether all possibilities cost nearly the same, so that there is no range.
    pub single: bool,
    /// Probability that it is none of the causes reckoned with.
    pub outside: Chance,
    /// The causes reckoned with, the likeliest first.
    pub possibilities: Vec<Possibility>,
}

/// The next step.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct NextFace {
    /// `check`, `remedy` or `done`.
    pub action: String,
    /// Its id.
    pub id: Option<String>,
    /// What it is, in short.
    pub says: String,
    /// The same as a sentence for the customer.
    pub plain: String,
    /// How it is done.
    pub text: Option<String>,
    /// Why this one.
    pub why: Vec<String>,
    /// Minutes to a mended unit.
    pub expected: Span,
}

/// What a reading or answer is held against.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Expected {
    /// In words.
    pub words: Option<String>,
    /// The healthy band as printed.
    pub band: Option<String>,
    /// Its lower end, in the base unit; nothing where it is open.
    pub low: Option<f64>,
    /// Its upper end.
    pub high: Option<f64>,
    /// Where it comes from: `rules`, or `board` for what a board's solution predicts.
    pub from: &'static str,
}

/// What an entry of the timeline is.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub enum EntryKind {
    /// The unit came in.
    Received,
    /// A symptom of the complaint.
    Symptom,
    /// A finding.
    Finding,
    /// A remedy tried.
    Try,
    /// A finding that was struck.
    Struck,
    /// Work done.
    Work,
    /// A remark.
    Remark,
    /// The outcome.
    Outcome,
}

/// Something that happened, on the bench copy.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Entry {
    /// What it is.
    pub kind: EntryKind,
    /// When.
    pub at: Option<Moment>,
    /// The finding's number on the card.
    pub number: Option<usize>,
    /// The check's id.
    pub check: Option<String>,
    /// What was checked, done or said.
    pub says: String,
    /// The answer as written.
    pub answer: Option<String>,
    /// The answer that a reading stands for.
    pub class: Option<String>,
    /// What is healthy.
    pub expected: Option<Expected>,
    /// `as expected`, `not as expected`, `near the border`, `could not tell`, or what came of a remedy.
    pub verdict: Option<String>,
    /// Weight for each of the [`Summary::columns`]; nothing where it has none.
    pub weights: Vec<Option<Weight>>,
    /// Minutes it took.
    pub minutes: Option<Span>,
    /// Remark beside it.
    pub remark: Option<String>,
    /// When or why it was struck.
    pub struck: Option<String>,
    /// Whether a later finding on the same check replaced it.
    pub replaced: bool,
}

/// A leading suspect that has a column in the bench tables.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Column {
    /// Its letter.
    pub letter: String,
    /// Its id.
    pub id: String,
    /// What would be wrong.
    pub says: String,
}

/// A suspect on the bench copy.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct SuspectRow {
    /// Ids of its faults.
    pub faults: Vec<String>,
    /// What would be wrong.
    pub says: String,
    /// The part it sits in.
    pub part: Option<String>,
    /// Probability before any finding.
    pub prior: Chance,
    /// Probability now.
    pub chance: Chance,
    /// Weight of all findings together.
    pub weight: Weight,
    /// The usual remedy.
    pub remedy: Option<RemedyFace>,
    /// The remedy's id.
    pub remedy_id: Option<String>,
    /// Cautions of the remedy.
    pub cautions: Vec<String>,
}

/// A suspect that was ruled out.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct RuledOut {
    /// Its id.
    pub id: String,
    /// What would have been wrong.
    pub says: String,
    /// The same for a customer.
    pub plain: String,
    /// Its probability where it stood highest.
    pub highest: Chance,
    /// Its probability now.
    pub now: Chance,
    /// The finding that took most from it.
    pub by: usize,
    /// That finding in words.
    pub by_says: String,
    /// What it took, given the findings before it.
    pub weight: Weight,
}

/// How well the findings fit.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct SurpriseFace {
    /// Conflict in bits.
    pub bits: f64,
    /// As printed.
    pub shown: String,
    /// What that means.
    pub says: String,
    /// The finding to take again, in words.
    pub worst: Option<String>,
}

/// What made the summary.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Versions {
    /// The tool.
    pub tool: String,
    /// The rules: how much they hold, and a fingerprint.
    pub rules: String,
    /// Packs in play, by id.
    pub packs: Vec<String>,
    /// The board file.
    pub board: Option<String>,
    /// Format of the card.
    pub card: u32,
}

/// A word and what it means.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Gloss {
    /// The word.
    pub word: String,
    /// What it means.
    pub means: String,
}

/// A fault summary. [`Summary::of`](super::Summary::of) makes one, [`render`](super::render) puts it on paper.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Summary {
    /// Language of the text, as in the `lang` attribute.
    pub language: &'static str,
    /// How the job stands.
    pub status: Status,
    /// The same in words.
    pub status_says: &'static str,
    /// When the summary was made, where that was told.
    pub made: Option<Moment>,
    /// The shop.
    pub shop: ShopFace,
    /// The unit.
    pub unit: UnitFace,
    /// The complaint.
    pub complaint: ComplaintFace,
    /// What was found.
    pub result: ResultFace,
    /// What was done.
    pub work: Vec<WorkFace>,
    /// What is proposed: remedies of the faults that are still there.
    pub proposed: Vec<String>,
    /// What is to be paid.
    pub bill: Option<Bill>,
    /// What the rest may cost.
    pub estimate: Option<Estimate>,
    /// The next step.
    pub next: Option<NextFace>,
    /// What was not tested.
    pub not_tested: Vec<String>,
    /// Advice to the customer.
    pub care: Vec<String>,
    /// Words explained.
    pub glossary: Vec<Gloss>,
    /// Everything in order of time.
    pub timeline: Vec<Entry>,
    /// Leading suspects with a column of weights.
    pub columns: Vec<Column>,
    /// Suspects.
    pub suspects: Vec<SuspectRow>,
    /// Suspects ruled out.
    pub ruled_out: Vec<RuledOut>,
    /// How well the findings fit.
    pub surprise: Option<SurpriseFace>,
    /// Cautions for whoever goes on.
    pub cautions: Vec<String>,
    /// What made it.
    pub versions: Versions,
    /// The pictures' figures.
    pub pictures: Pictures,
}
