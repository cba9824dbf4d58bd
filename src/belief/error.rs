use thiserror::Error;

/// What can be wrong with a graph, a finding, a list of set scores, or the evidence as a whole.
#[derive(Debug, Clone, PartialEq, Error)]
pub enum BeliefError {
    /// A number that must be a probability is not one.
    #[error("{what} is {value}, not a probability between 0 and 1")]
    NotAProbability {
        /// Which number.
        what: String,
        /// Its value.
        value: f64,
    },
    /// A distribution over a check's abnormal answers adds up to more than one.
    #[error("{what} adds up to {sum}, more than 1")]
    SumAboveOne {
        /// Which distribution.
        what: String,
        /// Its sum.
        sum: f64,
    },
    /// A vector has the wrong number of entries.
    #[error("{what} has {found} entries, {expected} needed")]
    WrongLength {
        /// Which vector.
        what: String,
        /// Entries found.
        found: usize,
        /// Entries needed.
        expected: usize,
    },
    /// An id that the graph does not have (or does not have yet).
    #[error("no {kind} {index} in the graph")]
    Unknown {
        /// `fault`, `condition` or `check`.
        kind: &'static str,
        /// The index asked for.
        index: usize,
    },
    /// The same cause is listed twice for one effect.
    #[error("{what} lists a cause twice")]
    RepeatedCause {
        /// The effect.
        what: String,
    },
    /// A check has two findings. The caller decides which one counts.
    #[error("check {0} has two findings")]
    RepeatedFinding(usize),
    /// A likelihood vector is negative, not finite, or zero throughout.
    #[error("likelihood of check {0} must be finite, not negative and not all zero")]
    BadLikelihood(usize),
    /// A scored set lists a fault that is not among the designated ones, or lists one twice.
    #[error("scored set {set} lists fault {fault} wrongly")]
    BadSet {
        /// Position of the set in the list.
        set: usize,
        /// Index of the fault.
        fault: usize,
    },
    /// A score or a computed cause of a scored set is not usable.
    #[error("scored set {set}: {what}")]
    BadScore {
        /// Position of the set in the list.
        set: usize,
        /// What is wrong.
        what: &'static str,
    },
    /// The findings have probability zero under the model.
    #[error("the findings cannot occur together under the model")]
    Impossible,
    /// The exact computation is beyond the limits, and the caller asked for no approximation.
    #[error("exact inference needs about 2^{log2_cost:.1} steps, more than the limit allows")]
    TooCostly {
        /// Base-2 logarithm of the estimated number of table entries to visit.
        log2_cost: f64,
    },
}
