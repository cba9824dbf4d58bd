//! Ids inside the program: small copyable indices, one type a kind. Text ids live at the edge only.

use serde::{Serialize, Serializer};

macro_rules! ids {
    ($($(#[$meta:meta])* $name:ident),+ $(,)?) => {$(
        $(#[$meta])*
        ///
        /// Valid only for the [`Rules`](super::Rules) it came from; numbers run from 0 in the order
        /// of the packs and of the items in them.
        #[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
        pub struct $name(u32);

        impl $name {
            /// The id of the item at a position.
            pub(crate) const fn at(index: usize) -> Self {
                // A set holds far fewer than 2^32 items: its text is bounded.
                Self(index as u32)
            }

            /// Position among the items of its kind.
            pub const fn index(self) -> usize {
                self.0 as usize
            }
        }
    )+};
}

ids! {
    /// A pack.
    PackId,
    /// A fault.
    FaultId,
    /// A condition.
    ConditionId,
    /// A check, or a symptom that stands alone.
    CheckId,
    /// A symptom.
    SymptomId,
    /// A remedy.
    RemedyId,
    /// A caution.
    CautionId,
    /// A preparation.
    SetupId,
    /// A link from a cause to an effect.
    LinkId,
}

/// What a text id stands for.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Item {
    /// A symptom.
    Symptom(SymptomId),
    /// A fault.
    Fault(FaultId),
    /// A condition.
    Condition(ConditionId),
    /// A check.
    Check(CheckId),
    /// A remedy.
    Remedy(RemedyId),
    /// A caution.
    Caution(CautionId),
    /// A preparation.
    Setup(SetupId),
}

impl Item {
    /// The kind, as a word: `symptom`, `fault`, `condition`, `check`, `remedy`, `caution`, `setup`.
    pub const fn kind(self) -> &'static str {
        match self {
            Self::Symptom(_) => "symptom",
            Self::Fault(_) => "fault",
            Self::Condition(_) => "condition",
            Self::Check(_) => "check",
            Self::Remedy(_) => "remedy",
            Self::Caution(_) => "caution",
            Self::Setup(_) => "setup",
        }
    }
}

/// What a link starts from.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Cause {
    /// A fault.
    Fault(FaultId),
    /// A condition.
    Condition(ConditionId),
}

/// What a link leads to.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Effect {
    /// A condition.
    Condition(ConditionId),
    /// A check (or a symptom that stands alone).
    Check(CheckId),
}

/// The strength of a link.
#[derive(Clone, Debug, PartialEq)]
pub enum Strength {
    /// Chance of bringing a condition about.
    Plain(super::Probability),
    /// Chance of each answer of a check; the normal answer stands first and holds the rest, so the
    /// sum is 1.
    Graded(Vec<super::Probability>),
}

impl Strength {
    /// Chance that the cause alone shows at all: of the condition, or of any abnormal answer.
    pub fn total(&self) -> f64 {
        match self {
            Self::Plain(p) => p.get(),
            Self::Graded(shares) => shares.iter().skip(1).map(|p| p.get()).sum::<f64>().min(1.0),
        }
    }
}

impl Serialize for Strength {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        match self {
            Self::Plain(p) => p.serialize(serializer),
            Self::Graded(shares) => shares.serialize(serializer),
        }
    }
}
