//! Packs: the written rules of faults, conditions, symptoms, checks and remedies.

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
mod proof;
mod set;
pub mod show;
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
#[cfg(test)]
pub(crate) use list::assert_schema;
pub use list::{List, ListItem, schemas};
pub use set::{
    Amended, Caution, Check, Condition, Counts, Fault, Link, Pack, Reading, Remedy, Rules, Setup, Symptom,
    UnknownName,
};
pub use words::{Applies, Build, History, Kind, Power, Tool, Unit, UnknownWord};
