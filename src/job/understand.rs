//! What the words on a card mean: checks, answers, readings, remedies.

use super::card::{CardFinding, JobCard};
use super::circuit::Circuit;
use super::model::{Meaning, RemedyRef, Retest, Understood};
use super::spots::{GoodUnit, at_spot, by_supply, supply_shown, worst_counts};
use crate::belief::Outcome;
use crate::circuit::board::Spot;
use crate::circuit::predict::{CheckId, Observed};
use crate::circuit::wiring::Ticked;
use crate::rules::{self, Accuracy, Applies, Item, Rules};
use crate::text::{Complaint, Complaints, Span, or_nearest};
use crate::units::{self, reading};
use std::collections::BTreeSet;

/// Relative accuracy taken for a reading of a handheld meter (common practice, no source).
const METER_ACCURACY: f64 = 0.01;

/// Which packs are in play, by their index: those of the card's blocks, else of the board's, else all; complains of blocks that
/// are none.
pub(super) fn packs_in_play(
    rules: &Rules,
    circuit: Option<&Circuit<'_>>,
    job: &JobCard,
    complaints: &mut Complaints,
) -> Vec<bool> {
    let blocks = &job.card.blocks;
    let with_block =
        || rules.packs().filter(|(_, p)| p.applies == Applies::WithBlock).map(|(_, p)| p.id.as_str());
    for block in blocks {
        if full(complaints, job, block.span) {
            break;
        }
        if !rules.packs().any(|(_, p)| p.id == block.value) {
            let message = format!("unknown block '{}'", block.value);
            let place = job.document.place(block.span);
            complaints.0.push(
                Complaint::at("unknown-name", place, message).help(or_nearest(&block.value, with_block())),
            );
        }
    }
    let named: Vec<String> = match circuit {
        Some(circuit) if blocks.is_empty() => circuit.blocks(rules),
        _ => blocks.iter().map(|b| b.value.clone()).collect(),
    };
    rules
        .packs()
        // A board says itself what it has; a unit of which nothing is said may have anything.
        .map(|(_, p)| {
            p.applies == Applies::Always || (circuit.is_none() && named.is_empty()) || named.contains(&p.id)
        })
        .collect()
}

/// Complains of checks left out that are none.
pub(super) fn check_names(
    rules: &Rules,
    circuit: Option<&Circuit<'_>>,
    job: &JobCard,
    complaints: &mut Complaints,
) {
    for skipped in &job.card.skip {
        if full(complaints, job, skipped.span) {
            return;
        }
        if let Err(e) = rules.find_check(&skipped.value)
            && circuit.is_none_or(|c| c.check(&skipped.value).is_err())
            && !skipped.value.starts_with("try:")
        {
            let place = job.document.place(skipped.span);
            complaints.0.push(
                Complaint::at("unknown-name", place, format!("unknown check '{}'", skipped.value))
                    .help(e.help),
            );
        }
    }
}

/// The complaint's symptoms and the findings that count, understood; complains of those that mean nothing.
pub(super) fn understand(
    rules: &Rules,
    circuit: Option<&Circuit<'_>>,
    job: &JobCard,
    complaints: &mut Complaints,
) -> Vec<Understood> {
    let mut out = Vec::new();
    let mut said = BTreeSet::new();
    for symptom in job.card.complaint.iter().flat_map(|c| &c.symptoms) {
        if full(complaints, job, symptom.span) {
            return out;
        }
        if !said.insert(symptom.value.as_str()) {
            continue;
        }
        match rules.find_symptom(&symptom.value) {
            Ok(id) => {
                let s = rules.symptom(id);
                out.push(Understood {
                    number: 0,
                    check: symptom.value.clone(),
                    answer: rules.check(s.check).answers[s.answer].clone(),
                    meaning: Meaning::Answer {
                        check: s.check,
                        outcome: Outcome::Answer(s.answer),
                        answer: s.answer,
                    },
                    epoch: 0,
                    node: None,
                });
            }
            // Something that a unit of this outline does not show counts for nothing, and stays on the card.
            Err(_) if rules.knows_symptom_elsewhere(&symptom.value) => out.push(Understood {
                number: 0,
                check: symptom.value.clone(),
                answer: "yes".into(),
                meaning: Meaning::Unsure { check: None },
                epoch: 0,
                node: None,
            }),
            Err(e) => {
                let place = job.document.place(symptom.span);
                let message = format!("unknown symptom '{}'", symptom.value);
                complaints.0.push(Complaint::at("unknown-name", place, message).help(e.help));
            }
        }
    }
    let good = GoodUnit::of(rules, job, complaints);
    let mut epoch = 0;
    for (number, finding) in job.card.standing() {
        if full(complaints, job, finding.check.span) {
            return out;
        }
        match meaning(rules, circuit, finding) {
            Ok(meaning) => {
                if matches!(meaning, Meaning::Tried { .. }) {
                    epoch += 1;
                }
                let found = Understood {
                    number,
                    check: finding.check.value.clone(),
                    answer: finding.answer.value.clone(),
                    meaning,
                    epoch,
                    node: None,
                };
                out.push(found);
            }
            Err(slip) => {
                let place = job.document.place(slip.span);
                complaints.0.push(Complaint::at(slip.code, place, slip.message).help(slip.help));
            }
        }
    }
    if circuit.is_none() {
        by_supply(rules, &mut out);
    }
    for found in out.iter_mut().filter(|f| f.number > 0) {
        good.beside(rules, found);
    }
    worst_counts(&mut out);
    if circuit.is_none() {
        supply_shown(rules, &mut out);
    }
    out
}

/// Answers of which the owner means one.
pub(super) type OneOf = Vec<(rules::CheckId, usize)>;

/// What the complaint leaves open: of each list at least one answer holds. A finding on one of the symptoms settles it: what it
/// denies falls out of the list, and a list of which one is found says no more. Complains of symptoms that are none.
pub(super) fn perhaps(
    rules: &Rules,
    job: &JobCard,
    found: &[Understood],
    complaints: &mut Complaints,
) -> Vec<OneOf> {
    let said = |check: rules::CheckId| {
        found.iter().rev().find_map(|f| match &f.meaning {
            Meaning::Answer { check: c, outcome, .. } if *c == check => Some(outcome.clone()),
            _ => None,
        })
    };
    let mut out = Vec::new();
    for list in job.card.complaint.iter().flat_map(|c| &c.perhaps) {
        let mut one_of = OneOf::new();
        let mut settled = false;
        for symptom in list {
            match rules.find_symptom(&symptom.value) {
                Ok(id) => {
                    let s = rules.symptom(id);
                    match said(s.check) {
                        None => one_of.push((s.check, s.answer)),
                        Some(Outcome::Answer(k)) => settled |= k == s.answer,
                        Some(Outcome::Soft(shares)) => {
                            settled |= shares.get(s.answer).is_some_and(|p| *p > 0.0)
                        }
                    }
                }
                Err(_) if rules.knows_symptom_elsewhere(&symptom.value) => {}
                Err(e) => {
                    let place = job.document.place(symptom.span);
                    let message = format!("unknown symptom '{}'", symptom.value);
                    complaints.0.push(Complaint::at("unknown-name", place, message).help(e.help));
                }
            }
        }
        if !settled && !one_of.is_empty() {
            out.push(one_of);
        }
    }
    out
}

/// Whether there are more complaints than are listed, which is then said.
fn full(complaints: &mut Complaints, job: &JobCard, span: Span) -> bool {
    let full = complaints.is_full();
    if full && complaints.0.last().is_none_or(|c| c.code != "too-many") {
        complaints.0.push(Complaint::and_more(job.document.place(span)));
    }
    full
}

/// Why a check and answer mean nothing.
#[derive(Clone, Debug)]
pub struct Slip {
    /// Kind of slip.
    pub code: &'static str,
    /// What is wrong.
    pub message: String,
    /// What to write instead.
    pub help: String,
    /// Where on the card.
    pub span: Span,
}

/// What a finding means.
///
/// # Errors
/// What is wrong with its check or answer.
pub fn meaning(rules: &Rules, circuit: Option<&Circuit<'_>>, finding: &CardFinding) -> Result<Meaning, Slip> {
    let (check, answer) = (finding.check.value.as_str(), finding.answer.value.as_str());
    let slip = |code, span, message: String, help: String| Slip { code, message, help, span };
    let unsure = answer.eq_ignore_ascii_case("unsure");
    if let Some(name) = check.strip_prefix("try:") {
        let remedy = match (rules.find_remedy(name), circuit.and_then(|c| c.fix_of(name))) {
            (Ok(id), _) => RemedyRef::Rule(id),
            (_, Some(fix)) => RemedyRef::Board(fix),
            (Err(e), None) => {
                return Err(slip(
                    "unknown-name",
                    finding.check.span,
                    format!("unknown remedy '{name}'"),
                    e.help,
                ));
            }
        };
        if unsure {
            return Ok(Meaning::Unsure { check: None });
        }
        let retest = Retest::ALL.iter().find(|(word, _)| *word == answer).map(|(_, r)| *r);
        let retest = retest.ok_or_else(|| {
            let words = Retest::ALL.map(|(w, _)| w);
            slip(
                "unknown-name",
                finding.answer.span,
                format!("unknown answer '{answer}' to a remedy tried"),
                or_nearest(answer, words),
            )
        })?;
        return Ok(Meaning::Tried { remedy, retest });
    }
    if let Some(net) = check.strip_prefix("wiring:") {
        return on_wiring(circuit, finding, net, unsure);
    }
    if check.split_once(':').is_some_and(|(w, _)| CheckId::WORDS.contains(&w)) {
        return on_circuit(rules, circuit, finding, unsure);
    }
    if let Some(Item::Symptom(id)) = rules.item(check) {
        let symptom = rules.symptom(id);
        if !symptom.alone(rules) {
            return alias(rules, symptom, finding);
        }
    }
    let id = rules
        .find_check(check)
        .map_err(|e| slip("unknown-name", finding.check.span, format!("unknown check '{check}'"), e.help))?;
    if unsure {
        return Ok(Meaning::Unsure { check: Some(id) });
    }
    let entry = rules.check(id);
    if let Some(k) = entry.answers.iter().position(|a| a == answer) {
        return Ok(Meaning::Answer { check: id, outcome: Outcome::Answer(k), answer: k });
    }
    let Some(bands) = &entry.reading else {
        let message = format!("'{check}' has no answer '{answer}'");
        let help = or_nearest(answer, entry.answers.iter().map(String::as_str).chain(["unsure"]));
        return Err(slip("unknown-name", finding.answer.span, message, help));
    };
    let unit = unit_of(bands.unit);
    let read = reading::parse(answer, Some(unit)).map_err(|e| {
        let words = entry.answers.join(", ");
        slip(
            "bad-reading",
            finding.answer.span,
            e.to_string(),
            format!("or one of the answers: {words}, unsure"),
        )
    })?;
    let Some((likelihood, best)) = by_bands(rules, id, &read) else {
        let message = format!("'{answer}' falls under no answer of '{check}'");
        let help = format!("write one of {}, or unsure", entry.answers.join(", "));
        return Err(slip("bad-reading", finding.answer.span, message, help));
    };
    Ok(Meaning::Answer { check: id, outcome: Outcome::Soft(likelihood), answer: best })
}

/// What a reading leaves open of a check's answers, and the likeliest; nothing where it lies under none of them.
pub(super) fn by_bands(
    rules: &Rules,
    check: rules::CheckId,
    read: &units::Reading,
) -> Option<(Vec<f64>, usize)> {
    let entry = rules.check(check);
    let bands = entry.reading.as_ref()?;
    let value = match read.shown {
        units::Shown::Overload => f64::INFINITY,
        _ => read.middle(),
    };
    let likelihood = bands.likelihood(value, accuracy(read), entry.answers.len())?;
    let best =
        likelihood.iter().enumerate().fold((0, 0.0), |best, (k, p)| if *p > best.1 { (k, *p) } else { best });
    (best.1 > 0.0).then_some((likelihood, best.0))
}

/// How far a reading may be off.
pub(super) fn accuracy(read: &units::Reading) -> Accuracy {
    let slack = if read.vague { 0.05 } else { METER_ACCURACY };
    Accuracy { relative: slack, absolute: read.resolution }
}

/// A reading at a spot: on the board where there is one.
fn on_circuit(
    rules: &Rules,
    circuit: Option<&Circuit<'_>>,
    finding: &CardFinding,
    unsure: bool,
) -> Result<Meaning, Slip> {
    let (check, answer) = (&finding.check, &finding.answer);
    let observed = |id: &CheckId| {
        Observed::parse(id, &answer.value).map_err(|e| {
            let text = e.to_string();
            let (message, help) = text.split_once("; ").unwrap_or((&text, ""));
            Slip { code: "bad-reading", message: message.into(), help: help.into(), span: answer.span }
        })
    };
    let parsed = check.value.parse::<CheckId>().ok();
    let Some(circuit) = circuit else {
        let Some(id) = parsed.filter(|id| CheckId::is_place(id.place())) else {
            return Err(Slip {
                code: "unknown-name",
                message: format!("'{}' names no place", check.value),
                help: "write a pin such as volts:Q1.c, or a name of letters, digits, +, - and _".into(),
                span: check.span,
            });
        };
        return match unsure {
            true => Ok(Meaning::Unsure { check: None }),
            false => observed(&id).map(|seen| at_spot(rules, &id, &seen)),
        };
    };
    // A pin on ground, or on nothing: there is no net to read, but what was read there is kept.
    if let Some(id) = parsed.filter(|id| !matches!(id, CheckId::Amps(_) | CheckId::Level(_)))
        && let Ok(Spot::Ground(Some(_)) | Spot::Free(..)) = circuit.board().spot(id.place())
    {
        return if unsure {
            Ok(Meaning::Unsure { check: None })
        } else {
            observed(&id).map(|_| Meaning::Kept)
        };
    }
    let id = circuit.check(&check.value).map_err(|e| Slip {
        code: "unknown-name",
        message: e.message,
        help: e.help,
        span: check.span,
    })?;
    if unsure {
        return Ok(Meaning::Unsure { check: None });
    }
    let observed = observed(&id)?;
    Ok(Meaning::Circuit { check: id, observed })
}

/// What was ticked on a net of the board.
fn on_wiring(
    circuit: Option<&Circuit<'_>>,
    finding: &CardFinding,
    net: &str,
    unsure: bool,
) -> Result<Meaning, Slip> {
    let slip = |code, span, message: String, help: String| Slip { code, message, help, span };
    let Some(circuit) = circuit else {
        return Err(slip(
            "no-board",
            finding.check.span,
            format!("'{}' is about a net of a board, and the card names no board", finding.check.value),
            "put the board on the job with 'halfsplit board attach JOB BOARD'".into(),
        ));
    };
    let board = circuit.board();
    let all = || std::iter::once(board.ground()).chain(board.nets().iter().map(String::as_str));
    let by_pin = board.find_pin(net).and_then(|(_, pin)| pin.net.as_deref());
    let Some(net) = all().find(|n| *n == net).or(by_pin) else {
        let help = or_nearest(net, all());
        return Err(slip(
            "unknown-name",
            finding.check.span,
            format!("there is no net '{net}' on the board"),
            help,
        ));
    };
    if unsure {
        return Ok(Meaning::Unsure { check: None });
    }
    let ticked = Ticked::parse(board, net, &finding.answer.value)
        .map_err(|(message, help)| slip("bad-reading", finding.answer.span, message, help))?;
    Ok(Meaning::Wiring { net: net.to_owned(), ticked })
}

fn alias(rules: &Rules, symptom: &rules::Symptom, finding: &CardFinding) -> Result<Meaning, Slip> {
    let count = rules.check(symptom.check).answers.len();
    let outcome = match finding.answer.value.as_str() {
        "yes" => Outcome::Answer(symptom.answer),
        "no" => Outcome::Soft((0..count).map(|k| if k == symptom.answer { 0.0 } else { 1.0 }).collect()),
        "unsure" => return Ok(Meaning::Unsure { check: Some(symptom.check) }),
        other => {
            return Err(Slip {
                code: "unknown-name",
                message: format!("'{}' has no answer '{other}'", symptom.id),
                help: "write yes, no or unsure".into(),
                span: finding.answer.span,
            });
        }
    };
    let answer = if matches!(outcome, Outcome::Answer(_)) { symptom.answer } else { 0 };
    Ok(Meaning::Answer { check: symptom.check, outcome, answer })
}

/// The quantity's unit of a unit of the rules.
pub fn unit_of(unit: rules::Unit) -> units::Unit {
    match unit {
        rules::Unit::Volt => units::Unit::Volts,
        rules::Unit::Ohm => units::Unit::Ohms,
        rules::Unit::Ampere => units::Unit::Amps,
        rules::Unit::Hertz => units::Unit::Hertz,
        rules::Unit::Decibel => units::Unit::Decibels,
        rules::Unit::Second => units::Unit::Seconds,
    }
}
