//! What the words on a card mean: checks, answers, readings, remedies.

use super::card::{CardFinding, JobCard};
use super::circuit::Circuit;
use super::model::{Meaning, RemedyRef, Retest, Understood};
use crate::belief::Outcome;
use crate::circuit::predict::Observed;
use crate::rules::{self, Accuracy, Applies, Rules};
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
        .map(|(_, p)| p.applies == Applies::Always || named.is_empty() || named.contains(&p.id))
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
            Err(e) => {
                let place = job.document.place(symptom.span);
                let message = format!("unknown symptom '{}'", symptom.value);
                complaints.0.push(Complaint::at("unknown-name", place, message).help(e.help));
            }
        }
    }
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
                out.push(Understood {
                    number,
                    check: finding.check.value.clone(),
                    answer: finding.answer.value.clone(),
                    meaning,
                    epoch,
                    node: None,
                });
            }
            Err(slip) => {
                let place = job.document.place(slip.span);
                complaints.0.push(Complaint::at(slip.code, place, slip.message).help(slip.help));
            }
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
    if check.split_once(':').is_some_and(|(w, _)| ["volts", "ohms", "level", "amps"].contains(&w)) {
        return on_circuit(circuit, finding, unsure);
    }
    if let Ok(id) = rules.find_symptom(check) {
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
    if let Ok(k) = entry.answer(answer) {
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
    let value = match read.shown {
        units::Shown::Overload => f64::INFINITY,
        _ => read.middle(),
    };
    let slack = if read.vague { 0.05 } else { METER_ACCURACY };
    let accuracy = Accuracy { relative: slack, absolute: read.resolution };
    let likelihood = bands
        .likelihood(value, accuracy, entry.answers.len())
        .unwrap_or_else(|| vec![0.0; entry.answers.len()]);
    let best =
        likelihood.iter().enumerate().fold((0, 0.0), |best, (k, p)| if *p > best.1 { (k, *p) } else { best });
    if best.1 <= 0.0 {
        let message = format!("'{answer}' falls under no answer of '{check}'");
        let help = format!("write one of {}, or unsure", entry.answers.join(", "));
        return Err(slip("bad-reading", finding.answer.span, message, help));
    }
    Ok(Meaning::Answer { check: id, outcome: Outcome::Soft(likelihood), answer: best.0 })
}

fn on_circuit(circuit: Option<&Circuit<'_>>, finding: &CardFinding, unsure: bool) -> Result<Meaning, Slip> {
    let (check, answer) = (&finding.check, &finding.answer);
    let Some(circuit) = circuit else {
        return Err(Slip {
            code: "no-board",
            message: format!("'{}' is a reading on a board, and the card names no board", check.value),
            help: "add a line 'board: FILE' to the card, or use a check of the rules".into(),
            span: check.span,
        });
    };
    let id = circuit.check(&check.value).map_err(|e| Slip {
        code: "unknown-name",
        message: e.message,
        help: e.help,
        span: check.span,
    })?;
    if unsure {
        return Ok(Meaning::Unsure { check: None });
    }
    let observed = Observed::parse(&id, &answer.value).map_err(|e| {
        let text = e.to_string();
        let (message, help) = text.split_once("; ").unwrap_or((&text, ""));
        Slip { code: "bad-reading", message: message.into(), help: help.into(), span: answer.span }
    })?;
    Ok(Meaning::Circuit { check: id, observed })
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
