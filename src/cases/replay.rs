//! Resolved cards played again: where did the true fault stand after each finding?

use crate::circuit::board::Board;
use crate::job::{Circuit, Diagnosis, EndState, JobCard, Meaning};
use crate::rules::Rules;
use crate::text::Complaints;
use serde::Serialize;
use std::rc::Rc;

/// A resolved job with its board, where it has one.
#[derive(Debug)]
pub struct Case {
    /// Its name.
    pub name: String,
    /// The card.
    pub job: JobCard,
    /// The board that the card names.
    pub board: Option<Board>,
}

/// How a replay ends.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub enum End {
    /// A listed fault leads.
    Found,
    /// The way out leads: something that the rules don't know.
    Unlisted,
    /// Nothing is wrong with the unit.
    NothingWrong,
    /// Out of scope.
    Declined,
}

/// Where the truth stood after one finding.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct FindingReplay {
    /// Check id; `complaint` for the state before the first finding.
    pub id: String,
    /// Answer as written.
    pub answer: String,
    /// Rank of the true fault, 1 the first; of several the one that stands lowest.
    pub rank_of_true: usize,
    /// Its probability.
    pub probability_of_true: f64,
}

/// One case.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct CaseReplay {
    /// The case's name.
    pub case: String,
    /// Whether it ended right.
    pub right: bool,
    /// Minutes that its findings took.
    pub minutes: f64,
    /// The findings in order.
    pub findings: Vec<FindingReplay>,
    /// How the replay ended.
    pub end: End,
    /// What was true.
    pub truth: Vec<String>,
    /// Who leads at the end.
    pub leader: String,
}

/// All cases.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Replay {
    /// The cases in the order given.
    pub cases: Vec<CaseReplay>,
    /// How many ended right.
    pub right: usize,
    /// How many did not.
    pub wrong: usize,
}

/// Plays resolved cards again. Cards without an outcome are left out.
///
/// # Errors
/// The complaints about the first card that the rules don't understand.
pub fn replay(rules: &Rules, resolved: &[Case]) -> Result<Replay, Complaints> {
    let mut cases = Vec::new();
    for case in resolved.iter().filter(|c| c.job.card.outcome.is_some()) {
        cases.push(one(rules, case)?);
    }
    let right = cases.iter().filter(|c| c.right).count();
    Ok(Replay { wrong: cases.len() - right, right, cases })
}

/// The names that compete for the first place, with their probabilities, the likeliest first.
fn ranking(diagnosis: &Diagnosis<'_>) -> Result<Vec<(Vec<String>, f64)>, Complaints> {
    let suspects = diagnosis.suspects()?;
    let mut out: Vec<(Vec<String>, f64)> =
        suspects.suspects.into_iter().map(|s| (s.faults, s.probability)).collect();
    out.push((vec!["unlisted".into()], suspects.unlisted));
    out.push((vec!["none".into()], suspects.none));
    out.sort_by(|a, b| b.1.total_cmp(&a.1).then_with(|| a.0.cmp(&b.0)));
    Ok(out)
}

/// Rank and probability of the true fault that stands lowest.
fn standing(ranking: &[(Vec<String>, f64)], truth: &[String]) -> (usize, f64) {
    let place = |name: &String| {
        let found = ranking.iter().enumerate().find(|(_, (names, _))| names.contains(name));
        found.map_or((ranking.len() + 1, 0.0), |(i, (_, p))| (i + 1, *p))
    };
    truth.iter().map(place).max_by_key(|p| p.0).unwrap_or((0, 0.0))
}

fn one(rules: &Rules, case: &Case) -> Result<CaseReplay, Complaints> {
    let Case { name, job, board } = case;
    let outcome = job.card.outcome.as_ref();
    let mut truth: Vec<String> =
        outcome.map(|o| o.faults.iter().map(|f| f.value.clone()).collect()).unwrap_or_default();
    let end = outcome.map(|o| o.end);
    match end {
        Some(EndState::NothingWrong) if truth.is_empty() => truth.push("none".into()),
        Some(EndState::Unlisted) if truth.is_empty() => truth.push("unlisted".into()),
        _ => {}
    }
    if job.card.declined().is_some() {
        let right = end == Some(EndState::Declined);
        return Ok(CaseReplay {
            case: name.clone(),
            right,
            minutes: 0.0,
            findings: Vec::new(),
            end: End::Declined,
            truth,
            leader: "declined".into(),
        });
    }
    let circuit = board.as_ref().map(Circuit::new).transpose()?.map(Rc::new);
    let mut findings = Vec::new();
    let mut last = Vec::new();
    let mut minutes = 0.0;
    for count in 0..=job.card.findings.len() {
        if count > 0 && job.card.findings[count - 1].struck.is_some() {
            continue;
        }
        let mut part = job.clone();
        part.card.findings.truncate(count);
        let diagnosis = Diagnosis::sharing(rules, part, circuit.clone())?;
        last = ranking(&diagnosis)?;
        let (rank_of_true, probability_of_true) = standing(&last, &truth);
        let finding = count.checked_sub(1).map(|i| &job.card.findings[i]);
        minutes += finding.map_or(0.0, |f| f.minutes.unwrap_or_else(|| usual_minutes(&diagnosis)));
        findings.push(FindingReplay {
            id: finding.map_or("complaint", |f| f.check.value.as_str()).into(),
            answer: finding.map_or("", |f| f.answer.value.as_str()).into(),
            rank_of_true,
            probability_of_true,
        });
    }
    let leader = last.first().map(|l| l.0.clone()).unwrap_or_default();
    let (rank, _) = standing(&last, &truth);
    let leads = match leader.first().map(String::as_str) {
        Some("none") => End::NothingWrong,
        Some("unlisted") => End::Unlisted,
        _ => End::Found,
    };
    let right = !truth.is_empty() && rank <= truth.len();
    Ok(CaseReplay {
        case: name.clone(),
        right,
        minutes,
        findings,
        end: leads,
        truth,
        leader: leader.join(" or "),
    })
}

/// Minutes that a reading on a board usually takes (common practice, no source).
const CIRCUIT_MINUTES: f64 = 1.0;

/// Minutes that the last finding usually takes.
fn usual_minutes(diagnosis: &Diagnosis<'_>) -> f64 {
    match diagnosis.model.findings.last().map(|f| &f.meaning) {
        Some(Meaning::Answer { check, .. } | Meaning::Unsure { check: Some(check) }) => {
            diagnosis.rules.check(*check).minutes.get()
        }
        Some(Meaning::Tried { remedy, .. }) => diagnosis.offer(remedy).minutes,
        Some(Meaning::Circuit { check, .. }) => diagnosis.board_step(check, CIRCUIT_MINUTES).minutes,
        _ => 0.0,
    }
}
