//! Everything on the card in order of time, each finding beside what is healthy and what it weighs.

use super::build::{Parts, retest_says};
use super::model::{Entry, EntryKind, Expected, Weight};
use super::words;
use crate::belief::Outcome;
use crate::circuit::predict::{self, Ear, Observed};
use crate::job::{self, CardFinding, EndState, Meaning, band_says, board_check_says, healthy_band};
use crate::rules::Check;

/// A likelihood above this for more than one answer leaves a reading open.
const OPEN: f64 = 0.15;

/// The timeline. Entries of one list of the card keep its order; an entry without a time stays behind the one before it
/// in its list.
pub(super) fn of(parts: &Parts<'_, '_>) -> Vec<Entry> {
    let card = &parts.diagnosis.job.card;
    let mut lists: Vec<Vec<Entry>> = vec![arrival(parts)];
    let findings = card.findings.iter().enumerate().map(|(i, f)| finding(parts, i + 1, f));
    lists.push(findings.collect());
    lists.push(card.work.iter().map(|w| work(parts, w)).collect());
    lists.push(
        card.remarks
            .iter()
            .map(|r| Entry { says: r.text.clone(), ..blank(parts, EntryKind::Remark, r.at.as_deref()) })
            .collect(),
    );
    lists.push(outcome(parts).into_iter().collect());
    let mut keyed: Vec<(Option<i128>, usize, Entry)> = Vec::new();
    for (order, list) in lists.into_iter().enumerate() {
        let mut last = None;
        for entry in list {
            let at = entry.at.as_ref().and_then(|at| instant(&at.at));
            // Times that run backwards within a list don't turn it round.
            last = match (last, at) {
                (Some(a), Some(b)) => Some(std::cmp::max::<i128>(a, b)),
                (a, b) => b.or(a),
            };
            let key = if order == 0 { Some(i128::MIN) } else { last };
            keyed.push((key, order, entry));
        }
    }
    // Without any time the order of the lists is that of the card.
    keyed.sort_by_key(|(key, order, entry)| match entry.kind {
        EntryKind::Outcome => (true, Some(i128::MAX), *order),
        _ => (key.is_none(), *key, *order),
    });
    keyed.into_iter().map(|(_, _, e)| e).collect()
}

/// Nanoseconds of a moment; a date or a local time counts as UTC.
fn instant(at: &str) -> Option<i128> {
    if let Ok(t) = at.parse::<jiff::Timestamp>() {
        return Some(t.as_nanosecond());
    }
    let local = at.parse::<jiff::civil::DateTime>().ok();
    let local = local.or_else(|| at.parse::<jiff::civil::Date>().ok().map(|d| d.at(0, 0, 0, 0)))?;
    jiff::tz::TimeZone::UTC.to_timestamp(local).ok().map(|t| t.as_nanosecond())
}

fn blank(parts: &Parts<'_, '_>, kind: EntryKind, at: Option<&str>) -> Entry {
    Entry {
        kind,
        at: at.map(|at| words::moment(parts.shop, at)),
        number: None,
        check: None,
        says: String::new(),
        answer: None,
        class: None,
        expected: None,
        verdict: None,
        weights: Vec::new(),
        minutes: None,
        remark: None,
        struck: None,
        replaced: false,
    }
}

fn arrival(parts: &Parts<'_, '_>) -> Vec<Entry> {
    let card = &parts.diagnosis.job.card;
    let mut out = Vec::new();
    if let Some(received) = &card.received {
        let says = match &card.condition {
            Some(condition) => format!("Received. Condition on arrival: {condition}"),
            None => "Received".into(),
        };
        out.push(Entry { says, ..blank(parts, EntryKind::Received, Some(received)) });
    }
    for found in parts.diagnosis.model.findings.iter().filter(|f| f.number == 0) {
        let Ok(id) = parts.diagnosis.rules.find_symptom(&found.check) else { continue };
        out.push(Entry {
            number: Some(0),
            check: Some(found.check.clone()),
            says: parts.diagnosis.rules.symptom(id).says.clone(),
            answer: Some("as the owner says".into()),
            weights: weights(parts, 0, &found.check),
            replaced: found.node.is_none(),
            ..blank(parts, EntryKind::Symptom, None)
        });
    }
    out
}

fn finding(parts: &Parts<'_, '_>, number: usize, written: &CardFinding) -> Entry {
    // Findings stand in order of their number.
    let all = &parts.diagnosis.model.findings;
    let found = all.binary_search_by_key(&number, |f| f.number).ok().map(|i| &all[i]);
    // A struck finding may be struck because it can't be read.
    let meaning = found
        .map(|f| f.meaning.clone())
        .or_else(|| job::meaning(parts.diagnosis.rules, parts.diagnosis.circuit.as_deref(), written).ok());
    let rules = parts.diagnosis.rules;
    let kind = match (&written.struck, &meaning) {
        (Some(_), _) => EntryKind::Struck,
        (None, Some(Meaning::Tried { .. })) => EntryKind::Try,
        (None, _) => EntryKind::Finding,
    };
    let mut entry = Entry {
        number: Some(number),
        check: Some(written.check.value.clone()),
        says: written.check.value.clone(),
        answer: Some(written.answer.value.clone()),
        weights: if written.struck.is_none() {
            weights(parts, number, &written.check.value)
        } else {
            Vec::new()
        },
        minutes: written.minutes.map(|m| words::span(parts.shop, m)),
        remark: written.remark.clone(),
        struck: written.struck.clone(),
        replaced: found.is_some_and(|f| f.node.is_none() && matches!(f.meaning, Meaning::Answer { .. })),
        ..blank(parts, kind, written.at.as_deref())
    };
    match &meaning {
        Some(Meaning::Answer { check, outcome, answer }) => {
            let check = rules.check(*check);
            entry.says = check.says.clone();
            entry.class = (check.answers.get(*answer) != Some(&written.answer.value)
                && (check.reading.is_some() || written.check.value.contains(':')))
            .then(|| check.answers[*answer].clone());
            entry.expected = Some(expected(check));
            entry.verdict = Some(verdict(outcome, *answer).into());
        }
        Some(Meaning::Unsure { check: Some(check) }) => {
            let check = rules.check(*check);
            entry.says = check.says.clone();
            entry.expected = Some(expected(check));
            entry.verdict = Some("could not tell".into());
        }
        Some(Meaning::Tried { remedy, retest }) => {
            entry.says = parts.diagnosis.offer(remedy).text;
            entry.verdict = Some(retest_says(*retest).into());
        }
        Some(Meaning::Unsure { check: None }) => {
            if let Some(Ok(id)) = written.check.value.strip_prefix("try:").map(|name| rules.find_remedy(name))
            {
                entry.says = rules.remedy(id).says.clone();
            }
            entry.verdict = Some("could not tell".into());
        }
        Some(Meaning::Wiring { net, ticked }) => {
            entry.says = format!("The wiring of {net}, pin by pin");
            let right = ticked.missing.is_empty() && ticked.touching.is_empty();
            entry.verdict = Some(if right { "as drawn" } else { "not as drawn" }.into());
        }
        Some(Meaning::Circuit { check, observed }) => on_board(parts, &mut entry, check, observed),
        Some(Meaning::Kept) => entry.verdict = Some("kept, weighs nothing".into()),
        None => {}
    }
    entry
}

/// A reading on the board: what the solver says of a healthy one, and whether it lies there.
fn on_board(parts: &Parts<'_, '_>, entry: &mut Entry, check: &predict::CheckId, observed: &Observed) {
    entry.says = board_check_says(check, None);
    let line = parts.diagnosis.circuit.as_ref().and_then(|c| c.expected(check));
    let good = match observed {
        Observed::Heard(ear) => *ear == Ear::Expected,
        Observed::Read(reading) => {
            let (low, high) = line.as_ref().map_or((None, None), |l| (l.low, l.high));
            check.is_within(reading, low, high)
        }
    };
    entry.verdict = Some(if good { "as expected" } else { "not as expected" }.into());
    entry.expected = line.map(|l| Expected {
        words: (!l.at.is_empty()).then(|| format!("at {}", l.at)),
        band: Some(l.band),
        low: l.low,
        high: l.high,
        from: "board",
    });
}

fn verdict(outcome: &Outcome, answer: usize) -> &'static str {
    if let Outcome::Soft(shares) = outcome {
        let total: f64 = shares.iter().sum();
        if shares[..].iter().filter(|s| **s > OPEN * total).count() > 1 && answer_is_reading(shares) {
            return "near the border";
        }
    }
    if answer == 0 { "as expected" } else { "not as expected" }
}

/// Shares of a reading sum to one; those of an excluded answer are whole.
fn answer_is_reading(shares: &[f64]) -> bool {
    (shares.iter().sum::<f64>() - 1.0).abs() < 1e-6
}

/// What a check shows on a healthy unit, by the rules.
fn expected(check: &Check) -> Expected {
    let band = check.reading.as_ref().and_then(healthy_band);
    let finite = |x: f64| x.is_finite().then_some(x);
    Expected {
        words: check.healthy.clone(),
        band: check.reading.as_ref().and_then(band_says),
        low: band.and_then(|(low, _)| finite(low)),
        high: band.and_then(|(_, high)| finite(high)),
        from: "rules",
    }
}

fn weights(parts: &Parts<'_, '_>, number: usize, check: &str) -> Vec<Option<Weight>> {
    let of = |why: &job::Why| {
        let found = why.findings.iter().find(|f| f.number == number && f.check == check)?;
        found.weight_db.is_finite().then(|| words::weight(parts.shop, found.weight_db))
    };
    parts.whys.iter().map(of).collect()
}

fn work(parts: &Parts<'_, '_>, work: &job::Work) -> Entry {
    Entry {
        says: work.did.clone(),
        minutes: work.minutes.map(|m| words::span(parts.shop, m)),
        ..blank(parts, EntryKind::Work, work.at.as_deref())
    }
}

fn outcome(parts: &Parts<'_, '_>) -> Option<Entry> {
    let outcome = parts.diagnosis.job.card.outcome.as_ref()?;
    let faults: Vec<&str> = outcome.faults.iter().map(|f| f.value.as_str()).collect();
    let mut says = match outcome.end {
        EndState::Mended => "Mended",
        EndState::Found => "Found, not put right",
        EndState::NothingWrong => "Nothing wrong",
        EndState::Unlisted => "A cause outside the list",
        EndState::Declined => "Declined",
        EndState::HandedOn => "Handed on",
    }
    .to_string();
    if !faults.is_empty() {
        says += &format!(": {}", faults.join(", "));
    }
    if let Some(did) = &outcome.did {
        says += &format!(". {did}");
    }
    Some(Entry {
        says,
        minutes: outcome.minutes.map(|m| words::span(parts.shop, m)),
        ..blank(parts, EntryKind::Outcome, outcome.at.as_deref())
    })
}

/// The entry of a finding; for a symptom of the complaint its id tells which.
pub(super) fn entry_of<'t>(timeline: &'t [Entry], number: usize, check: &str) -> Option<&'t Entry> {
    timeline.iter().find(|e| e.number == Some(number) && (number > 0 || e.check.as_deref() == Some(check)))
}

/// A finding in words: what was found, with the answer that a reading stands for.
pub(super) fn found(entry: &Entry) -> String {
    let answer = words::spaced(entry.answer.as_deref().unwrap_or_default());
    match (&entry.class, &entry.verdict, entry.kind) {
        (_, Some(verdict), EntryKind::Try) => verdict.clone(),
        (Some(class), _, _) => format!("{answer} ({class})"),
        _ => answer,
    }
}

/// A finding as a phrase for the list of what was ruled out.
pub(super) fn name_of(timeline: &[Entry], number: usize) -> String {
    if number == 0 {
        return "the complaint".into();
    }
    match entry_of(timeline, number, "") {
        Some(entry) => format!("{}: {}", entry.says, found(entry)),
        None => format!("finding {number}"),
    }
}
