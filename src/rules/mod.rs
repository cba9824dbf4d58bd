//! Packs: the written rules of faults, conditions, symptoms, checks and remedies.
//!
//! A pack is a YAML file on one block of electronics. [`written`] mirrors the file and knows no more
//! than its shape and the range of each figure; [`Rules`] is the proven set: all packs merged, every
//! name resolved to a small id, every answer vector closed to a sum of 1, the conditions free of
//! cycles, every fault shown by some check and put right by some remedy. Only [`Rules::load`] and
//! its siblings make one, and nothing else in the program sees anything less.
//!
//! - [`Rules::builtin`] is the set that ships; the build script lists the files, so that adding a
//!   pack is adding a file. [`Rules::with_builtin`] reads a user's packs after it.
//! - A later pack may link to anything, and under `amend:` change figures and add links of items
//!   that it does not own. That is also how what was learned from cases is written, each figure with
//!   the evidence it rests on ([`written::Evidence`]); see [`Rules::amended`].
//! - [`Rules::in_play`] narrows the set to one unit: priors of its history and build method, the
//!   conditions its faults can reach, the checks and links among them.
//! - [`Reading`] turns a value into an answer, or near the edge of a band into several.
//! - [`speech`] reads an owner's complaint by word files (`rules/words`); [`Rules::lexicon`] has them with the wordings that packs
//!   bring for symptoms of their own.
//! - [`Rules::show`] explains one item; [`Rules::list`] lists all; [`schemas`] are the JSON Schemas.
//!
//! What is absent: device cards and part kinds (they describe parts, not faults), and everything that
//! computes with probabilities (that is belief). No file is read here: callers hand in [`Source`]s.
//!
//! ```
//! use halfsplit::rules::{Effect, Rules};
//! use halfsplit::text::Source;
//!
//! let text = include_str!(concat!(env!("CARGO_MANIFEST_DIR"), "/tests/data/packs/lantern.yaml"));
//! let rules = Rules::load(&[Source::new("lantern.yaml", text)])?;
//! let silent = rules.symptom(rules.find_symptom("silent").unwrap());
//! let causes: Vec<&str> =
//!     rules.links_to(Effect::Check(silent.check)).map(|(_, link)| rules.cause_name(link.from)).collect();
//! assert_eq!(causes, ["supply-absent", "echo-path-dead"]);
//!
//! let slip = Rules::load(&[Source::new("slip.yaml", text.replacen("fixes: [regulator-turned]", "fixes: [regulator-trned]", 1))]);
//! let answer = slip.unwrap_err().to_string();
//! assert!(answer.starts_with("slip.yaml:8:3: no remedy fixes the fault 'regulator-turned'"));
//! assert!(answer.contains("slip.yaml:122:13: unknown fault 'regulator-trned'; did you mean 'regulator-turned'?"));
//! # Ok::<(), halfsplit::text::Complaints>(())
//! ```
//!
//! [`Source`]: crate::text::Source

mod amend;
mod bands;
mod builtin;
mod context;
mod figures;
mod ids;
mod link;
mod list;
mod load;
pub mod parts;
pub mod places;
mod proof;
mod resting;
mod scope;
mod set;
pub mod show;
pub mod show_part;
pub mod speech;
mod spots;
mod taking;
#[cfg(test)]
mod tests;
mod words;
pub mod written;

pub use bands::Accuracy;
pub use builtin::sources as builtin_sources;
pub use context::{Context, InPlay};
pub use figures::{Band, Factor, FigureError, Minutes, Money, Probability};
pub use ids::{
    Cause, CautionId, CheckId, ConditionId, Effect, FaultId, Item, LinkId, PackId, RemedyId, SetupId,
    Strength, SymptomId,
};
pub use list::{List, ListItem, schemas};
#[cfg(test)]
pub(crate) use list::{assert_output_schema, assert_schema};
pub use resting::RestingSpot;
pub use scope::{Danger, MOST_VOLTS, Scope, Sign};
pub use set::{
    Amended, Caution, Check, Condition, Counts, Fault, Link, Pack, Reading, Remedy, Rules, Setup, Symptom,
    UnknownName,
};
pub use spots::{Reads, check_at};
pub use taking::{Taking, Way, taking};
pub use words::{Applies, Build, History, Kind, Needs, Power, Tool, Unit, UnknownWord};
