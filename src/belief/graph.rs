//! The causal graph: faults, hidden conditions, checks with ordered answers.

use super::BeliefError;

/// Index of a fault in its [`Graph`], in order of addition.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct FaultId(pub usize);

/// Index of a hidden condition in its [`Graph`], in order of addition.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct ConditionId(pub usize);

/// Index of a check in its [`Graph`], in order of addition.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct CheckId(pub usize);

/// What can bring about a condition or an abnormal answer.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Cause {
    /// A fault.
    Fault(FaultId),
    /// A hidden condition.
    Condition(ConditionId),
}

impl From<FaultId> for Cause {
    fn from(id: FaultId) -> Self {
        Cause::Fault(id)
    }
}

impl From<ConditionId> for Cause {
    fn from(id: ConditionId) -> Self {
        Cause::Condition(id)
    }
}

/// A hidden binary node: noisy-OR of its causes and a leak.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Condition {
    pub leak: f64,
    pub causes: Vec<(Cause, f64)>,
}

/// An observable with ordered answers: noisy-MAX of its causes and a leak.
/// Distributions are stored cumulative: entry `k` is P(answer of this cause alone <= k); the last is 1.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Check {
    pub leak: Vec<f64>,
    pub causes: Vec<(Cause, Vec<f64>)>,
}

impl Check {
    pub fn answers(&self) -> usize {
        self.leak.len()
    }
}

/// Faults, conditions and checks with the links between them.
///
/// Nodes are added causes first, so the graph cannot have a cycle. Strengths are *net*: the chance that this
/// cause alone brings the effect about, leak excluded (see [`net_strength`] for the other convention).
///
/// ```
/// use halfsplit::belief::Graph;
/// let mut graph = Graph::new();
/// let regulator = graph.add_fault(0.02)?;
/// let rail_missing = graph.add_condition(0.0, &[(regulator.into(), 0.95)])?;
/// // Three answers: normal, faint, silent. The rail's loss makes silence in 90 %, a faint sound in 8 %.
/// let sound = graph.add_check(&[0.01, 0.001], &[(rail_missing.into(), vec![0.08, 0.9])])?;
/// assert_eq!(graph.answers(sound), Some(3));
/// # Ok::<(), halfsplit::belief::BeliefError>(())
/// ```
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Graph {
    pub(crate) priors: Vec<f64>,
    pub(crate) conditions: Vec<Condition>,
    pub(crate) checks: Vec<Check>,
}

impl Graph {
    /// An empty graph.
    pub fn new() -> Self {
        Self::default()
    }

    /// Adds a fault with its prior probability (0 to 1; both ends are allowed).
    ///
    /// # Errors
    /// [`BeliefError::NotAProbability`].
    pub fn add_fault(&mut self, prior: f64) -> Result<FaultId, BeliefError> {
        let id = FaultId(self.priors.len());
        probability(prior, || format!("prior of fault {}", id.0))?;
        self.priors.push(prior);
        Ok(id)
    }

    /// Replaces a fault's prior (another history or build method).
    ///
    /// # Errors
    /// [`BeliefError::Unknown`], [`BeliefError::NotAProbability`].
    pub fn set_prior(&mut self, fault: FaultId, prior: f64) -> Result<(), BeliefError> {
        probability(prior, || format!("prior of fault {}", fault.0))?;
        match self.priors.get_mut(fault.0) {
            Some(slot) => *slot = prior,
            None => return Err(unknown("fault", fault.0)),
        }
        Ok(())
    }

    /// Adds a hidden condition: P(absent | causes) = (1 - leak) * product over active causes of (1 - strength).
    ///
    /// # Errors
    /// A cause that isn't in the graph yet or is listed twice; a leak or strength that is no probability.
    pub fn add_condition(&mut self, leak: f64, causes: &[(Cause, f64)]) -> Result<ConditionId, BeliefError> {
        let id = ConditionId(self.conditions.len());
        let name = || format!("condition {}", id.0);
        probability(leak, || format!("leak of {}", name()))?;
        for (_, strength) in causes {
            probability(*strength, || format!("strength at {}", name()))?;
        }
        self.check_causes(causes.iter().map(|c| c.0), name)?;
        self.conditions.push(Condition { leak, causes: causes.to_vec() });
        Ok(id)
    }

    /// Adds a check with `leak.len() + 1` ordered answers, answer 0 being the normal one.
    ///
    /// `leak` and each cause carry P(answer 1), P(answer 2), ... ; what is left belongs to answer 0. The check
    /// shows the greatest of the answers that its active causes and the leak bring about (noisy-MAX).
    ///
    /// # Errors
    /// An empty leak vector, vectors of unequal length, entries that are no probabilities or add up to more than
    /// one, a cause that isn't in the graph yet or is listed twice.
    pub fn add_check(&mut self, leak: &[f64], causes: &[(Cause, Vec<f64>)]) -> Result<CheckId, BeliefError> {
        let id = CheckId(self.checks.len());
        let name = || format!("check {}", id.0);
        if leak.is_empty() {
            return Err(BeliefError::WrongLength {
                what: format!("leak of {}", name()),
                found: 0,
                expected: 1,
            });
        }
        self.check_causes(causes.iter().map(|c| c.0), name)?;
        let mut stored = Vec::with_capacity(causes.len());
        for (cause, spread) in causes {
            if spread.len() != leak.len() {
                return Err(BeliefError::WrongLength {
                    what: format!("distribution at {}", name()),
                    found: spread.len(),
                    expected: leak.len(),
                });
            }
            stored.push((*cause, cumulative(spread, || format!("distribution at {}", name()))?));
        }
        self.checks.push(Check { leak: cumulative(leak, || format!("leak of {}", name()))?, causes: stored });
        Ok(id)
    }

    /// Adds a check with two answers, normal and abnormal: the noisy-OR case of [`Graph::add_check`].
    ///
    /// # Errors
    /// As [`Graph::add_check`].
    pub fn add_yes_no_check(&mut self, leak: f64, causes: &[(Cause, f64)]) -> Result<CheckId, BeliefError> {
        let causes: Vec<(Cause, Vec<f64>)> = causes.iter().map(|(c, w)| (*c, vec![*w])).collect();
        self.add_check(&[leak], &causes)
    }

    /// Replaces the leak and the strengths of a condition, in the order of its causes.
    ///
    /// # Errors
    /// [`BeliefError::Unknown`], [`BeliefError::NotAProbability`]; [`BeliefError::WrongLength`] for another number of causes.
    pub fn set_condition(
        &mut self,
        id: ConditionId,
        leak: f64,
        strengths: &[f64],
    ) -> Result<(), BeliefError> {
        let what = || format!("strengths of condition {}", id.0);
        for value in strengths.iter().chain([&leak]) {
            probability(*value, what)?;
        }
        let node = self.conditions.get_mut(id.0).ok_or_else(|| unknown("condition", id.0))?;
        let (found, expected) = (strengths.len(), node.causes.len());
        if found != expected {
            return Err(BeliefError::WrongLength { what: what(), found, expected });
        }
        node.leak = leak;
        node.causes.iter_mut().zip(strengths).for_each(|(cause, w)| cause.1 = *w);
        Ok(())
    }

    /// Replaces what one cause of a check brings about: `place` 0 is the leak, else 1 + the cause's position; `spread` as in
    /// [`Graph::add_check`].
    ///
    /// # Errors
    /// [`BeliefError::Unknown`], and as [`Graph::add_check`].
    pub fn set_spread(&mut self, id: CheckId, place: usize, spread: &[f64]) -> Result<(), BeliefError> {
        let what = || format!("distribution at check {}", id.0);
        let node = self.checks.get_mut(id.0).ok_or_else(|| unknown("check", id.0))?;
        let (found, expected) = (spread.len(), node.leak.len() - 1);
        if found != expected {
            return Err(BeliefError::WrongLength { what: what(), found, expected });
        }
        let slot = match place {
            0 => &mut node.leak,
            i => &mut node.causes.get_mut(i - 1).ok_or_else(|| unknown("cause", i))?.1,
        };
        *slot = cumulative(spread, what)?;
        Ok(())
    }

    /// How many faults there are.
    pub fn fault_count(&self) -> usize {
        self.priors.len()
    }

    /// How many hidden conditions there are.
    pub fn condition_count(&self) -> usize {
        self.conditions.len()
    }

    /// How many checks there are.
    pub fn check_count(&self) -> usize {
        self.checks.len()
    }

    /// A fault's prior, or `None` for an id of another graph.
    pub fn prior(&self, fault: FaultId) -> Option<f64> {
        self.priors.get(fault.0).copied()
    }

    /// How many answers a check has, or `None` for an id of another graph.
    pub fn answers(&self, check: CheckId) -> Option<usize> {
        self.checks.get(check.0).map(Check::answers)
    }

    /// All faults in order.
    pub fn faults(&self) -> impl Iterator<Item = FaultId> + use<> {
        (0..self.priors.len()).map(FaultId)
    }

    /// All checks in order.
    pub fn checks(&self) -> impl Iterator<Item = CheckId> + use<> {
        (0..self.checks.len()).map(CheckId)
    }

    fn check_causes(
        &self,
        causes: impl Iterator<Item = Cause>,
        name: impl Fn() -> String,
    ) -> Result<(), BeliefError> {
        let mut seen: Vec<Cause> = causes.collect();
        for cause in &seen {
            match *cause {
                Cause::Fault(f) if f.0 >= self.priors.len() => return Err(unknown("fault", f.0)),
                Cause::Condition(c) if c.0 >= self.conditions.len() => {
                    return Err(unknown("condition", c.0));
                }
                _ => {}
            }
        }
        seen.sort_unstable();
        if seen.windows(2).any(|w| w[0] == w[1]) {
            return Err(BeliefError::RepeatedCause { what: name() });
        }
        Ok(())
    }
}

/// Turns a *compound* strength (chance of the effect when only this cause is present, leak included; Henrion 1987)
/// into the *net* one that [`Graph`] wants: `1 - (1 - compound) / (1 - leak)`. Never below 0.
///
/// ```
/// use halfsplit::belief::net_strength;
/// assert!((net_strength(0.28, 0.1) - 0.2).abs() < 1e-12);
/// ```
pub fn net_strength(compound: f64, leak: f64) -> f64 {
    if leak >= 1.0 {
        return 0.0;
    }
    (1.0 - (1.0 - compound) / (1.0 - leak)).clamp(0.0, 1.0)
}

pub(crate) fn unknown(kind: &'static str, index: usize) -> BeliefError {
    BeliefError::Unknown { kind, index }
}

fn probability(value: f64, what: impl Fn() -> String) -> Result<(), BeliefError> {
    if (0.0..=1.0).contains(&value) {
        Ok(())
    } else {
        Err(BeliefError::NotAProbability { what: what(), value })
    }
}

/// From P(answer 1..) to P(answer <= 0..), whose last entry is exactly 1.
fn cumulative(spread: &[f64], what: impl Fn() -> String) -> Result<Vec<f64>, BeliefError> {
    for value in spread {
        probability(*value, &what)?;
    }
    let sum: f64 = spread.iter().sum();
    if sum > 1.0 + 1e-12 {
        return Err(BeliefError::SumAboveOne { what: what(), sum });
    }
    let mut out = vec![1.0; spread.len() + 1];
    for k in (0..spread.len()).rev() {
        out[k] = (out[k + 1] - spread[k]).max(0.0);
    }
    Ok(out)
}
