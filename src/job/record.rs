//! The job as a record: what has been found and what each reading was taken for, what was tried, the time so far; and a good
//! unit's readings beside the bad one's.

use super::card::{Card, CardFinding, EndState, Work};
use super::diagnosis::Diagnosis;
use super::model::{Meaning, Retest};
use super::spots::{GoodUnit, beside_the_rest, healthy_at, why_kept};
use super::understand::unit_of;
use crate::circuit::predict::{CheckId, Observed};
use crate::rules;
use crate::text::Complaints;
use crate::units::{Minutes, Reading, Unit, reading, show};
use serde::Serialize;
use std::collections::BTreeMap;

/// Readings this many standard deviations apart are no longer put down to the spread of parts.
const APART: f64 = 2.0;

/// A finding on the record.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct RecordLine {
    /// Its number on the card.
    pub number: usize,
    /// When, RFC 3339.
    pub at: Option<String>,
    /// Check id as written.
    pub check: String,
    /// Answer as written.
    pub answer: String,
    /// The check's short name.
    pub says: String,
    /// What the answer was taken for: `4.36 V at VH`, `low`, `no change`. Nothing for a struck finding that can't be read.
    pub taken: Option<String>,
    /// What a healthy unit gives, where that is a reading.
    pub healthy: Option<String>,
    /// `normal`, `abnormal`, or `none` where it says neither.
    pub verdict: String,
    /// Minutes noted.
    pub minutes: Option<f64>,
    /// A remark that went with it.
    pub remark: Option<String>,
    /// When or why it was struck.
    pub struck: Option<String>,
}

/// A job as a record.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Record {
    /// What is on the bench.
    pub unit: String,
    /// `open`, `closed` or `out-of-scope`.
    pub state: String,
    /// The shop's number for the job.
    pub number: Option<String>,
    /// Whose it is.
    pub owner: Option<String>,
    /// Serial number.
    pub serial: Option<String>,
    /// When it came in.
    pub received: Option<String>,
    /// Its condition on arrival.
    pub condition: Option<String>,
    /// The complaint in the owner's words.
    pub words: Option<String>,
    /// What the complaint was taken for.
    pub symptoms: Vec<String>,
    /// Findings in order, with those struck.
    pub findings: Vec<RecordLine>,
    /// Numbers of the findings that are remedies tried.
    pub tried: Vec<usize>,
    /// Work done, in words.
    pub work: Vec<String>,
    /// Readings of a good unit, as `CHECK=ANSWER`.
    pub good: Vec<String>,
    /// Checks left out of this job.
    pub skipped: Vec<String>,
    /// What was not tested.
    pub not_tested: Vec<String>,
    /// Remarks.
    pub remarks: Vec<String>,
    /// Minutes noted on the card.
    pub minutes_noted: Option<f64>,
    /// Minutes that what was done usually takes, where nothing was noted.
    pub minutes_usual: f64,
    /// The outcome in words.
    pub outcome: Option<String>,
}

/// Minutes on a job: those of the outcome where it says so, else the sum of those noted with findings and work.
pub fn minutes_noted(card: &Card) -> Option<f64> {
    let whole = card.outcome.as_ref().and_then(|o| o.minutes);
    let noted =
        card.findings.iter().filter_map(|f| f.minutes).chain(card.work.iter().filter_map(|w| w.minutes));
    let noted: Vec<f64> = noted.collect();
    let minutes = whole.or_else(|| (!noted.is_empty()).then(|| noted.iter().sum()))?;
    (minutes.is_finite() && minutes > 0.0).then_some(minutes)
}

impl Record {
    /// What stands on a card, without a diagnosis: for a unit out of scope, or a card whose findings can't be understood.
    pub fn of_card(card: &Card) -> Self {
        let state = match (card.declined(), &card.outcome) {
            (_, Some(_)) => "closed",
            (Some(_), None) => "out-of-scope",
            (None, None) => "open",
        };
        let line = |(i, f): (usize, &CardFinding)| RecordLine {
            number: i + 1,
            at: f.at.clone(),
            check: f.check.value.clone(),
            answer: f.answer.value.clone(),
            says: f.check.value.clone(),
            taken: None,
            healthy: None,
            verdict: "none".into(),
            minutes: f.minutes,
            remark: f.remark.clone(),
            struck: f.struck.clone(),
        };
        let standing = |f: &&CardFinding| f.struck.is_none() && f.check.value.starts_with("try:");
        let tried = card.findings.iter().enumerate().filter(|(_, f)| standing(f)).map(|(i, _)| i + 1);
        let outcome = card.outcome.as_ref().map(|o| {
            let end = match o.end {
                EndState::Mended => "mended",
                EndState::Found => "found, not mended",
                EndState::NothingWrong => "nothing wrong with the unit",
                EndState::Unlisted => "something that the rules don't know",
                EndState::Declined => "out of scope",
                EndState::HandedOn => "handed on",
            };
            let faults: Vec<&str> = o.faults.iter().map(|f| f.value.as_str()).collect();
            let with = if faults.is_empty() { String::new() } else { format!(": {}", faults.join(", ")) };
            let did = o.did.as_ref().map(|d| format!("; {d}")).unwrap_or_default();
            format!("{end}{with}{did}")
        });
        Self {
            unit: card.unit.value.clone(),
            state: state.into(),
            number: card.number.clone(),
            owner: card.owner.clone(),
            serial: card.serial.clone(),
            received: card.received.clone(),
            condition: card.condition.clone(),
            words: card.complaint.as_ref().and_then(|c| c.words.clone()),
            symptoms: card.complaint.iter().flat_map(|c| &c.symptoms).map(|s| s.value.clone()).collect(),
            findings: card.findings.iter().enumerate().map(line).collect(),
            tried: tried.collect(),
            work: card.work.iter().map(work_line).collect(),
            good: card.good.iter().map(|g| format!("{}={}", g.check.value, g.answer.value)).collect(),
            skipped: card.skip.iter().map(|s| s.value.clone()).collect(),
            not_tested: card.not_tested.clone(),
            remarks: card.remarks.iter().map(|r| r.text.clone()).collect(),
            minutes_noted: minutes_noted(card),
            minutes_usual: 0.0,
            outcome,
        }
    }

    /// The record of a job.
    pub fn of(diagnosis: &Diagnosis<'_>) -> Self {
        let rules = diagnosis.rules;
        let mut out = Self::of_card(&diagnosis.job.card);
        let says = |id: &String| {
            rules.find_symptom(id).map_or_else(|_| id.clone(), |s| rules.symptom(s).says.clone())
        };
        out.symptoms = out.symptoms.iter().map(says).collect();
        let named = |id: &String| match rules.find_check(id) {
            Ok(check) => format!("{} ({id})", rules.check(check).says),
            Err(_) => id.clone(),
        };
        out.skipped = out.skipped.iter().map(named).collect();
        for line in &mut out.findings {
            let written = &diagnosis.job.card.findings[line.number - 1];
            let taken = diagnosis.taken(written, line.number);
            (line.says, line.taken, line.healthy, line.verdict) =
                (taken.says, taken.taken, taken.healthy, taken.verdict.into());
            if line.struck.is_none() {
                out.minutes_usual += line.minutes.unwrap_or(taken.minutes);
            }
        }
        out.minutes_usual += diagnosis.job.card.work.iter().filter_map(|w| w.minutes).sum::<f64>();
        out
    }
}

/// A piece of work with its minutes and parts.
fn work_line(work: &Work) -> String {
    let mut out = work.did.clone();
    if let Some(minutes) = work.minutes {
        out += &format!(", {}", show::minutes(Minutes(minutes)));
    }
    for part in &work.parts {
        let count = part.count.filter(|n| *n > 1).map(|n| format!("{n} x ")).unwrap_or_default();
        let price = part.price.as_ref().map(|p| format!(" at {}", p.value)).unwrap_or_default();
        out += &format!("; {count}{}{price}", part.part);
    }
    out
}

/// What a finding was taken for.
#[derive(Clone, Debug, PartialEq)]
pub struct TakenFor {
    /// The check's short name.
    pub says: String,
    /// What the answer means; nothing where it can't be read.
    pub taken: Option<String>,
    /// What a healthy unit gives, where that is a reading.
    pub healthy: Option<String>,
    /// `normal`, `abnormal` or `none`.
    pub verdict: &'static str,
    /// Minutes that it usually takes.
    pub minutes: f64,
    /// Why it weighs nothing, where that can be mended by another place for it.
    pub why_kept: Option<String>,
}

impl Diagnosis<'_> {
    /// What a finding of this card was taken for. `number` is its number on the card.
    pub fn taken(&self, written: &CardFinding, number: usize) -> TakenFor {
        let (id, answer) = (written.check.value.as_str(), written.answer.value.as_str());
        let found = self.model.findings.iter().find(|f| f.number == number).map(|f| f.meaning.clone());
        let alone = || super::understand::meaning(self.rules, self.circuit.as_deref(), written).ok();
        let mut meaning = found.or_else(alone);
        // Of several pins of a spot one speaks for all; what the others say by themselves is shown all the same.
        let mut spoken_for = "";
        if matches!(meaning, Some(Meaning::Kept))
            && let Some(by_itself @ Meaning::Answer { .. }) =
                alone().map(|m| beside_the_rest(self.rules, &self.job, written, m))
        {
            meaning = Some(by_itself);
            spoken_for = "; another reading there counts for it";
        }
        let mut out = TakenFor {
            says: id.into(),
            taken: None,
            healthy: None,
            verdict: "none",
            minutes: 0.0,
            why_kept: None,
        };
        let shown = |unit: Unit| reading::parse(answer, Some(unit)).map(|r| show::reading_in(&r, unit)).ok();
        match meaning {
            None => {}
            Some(Meaning::Wiring { net, .. }) => {
                out.says = format!("The wiring of {net}");
                let all = answer == "all";
                out.taken = Some(if all { "as drawn".into() } else { answer.to_string() });
                out.verdict = if all { "normal" } else { "abnormal" };
            }
            Some(Meaning::Answer { check, answer: k, .. }) => {
                let entry = self.rules.check(check);
                let word = entry.answers.get(k).cloned().unwrap_or_default();
                out.says = entry.says.clone();
                out.minutes = entry.minutes.get();
                out.verdict = if k == 0 { "normal" } else { "abnormal" };
                // A check of a spot is answered by a reading at one of its pins, too.
                let at_pin = id.parse::<CheckId>().ok().map(|c| c.unit());
                let unit = entry.reading.as_ref().map(|r| unit_of(r.unit)).or(at_pin);
                let value = unit.filter(|_| word != answer).and_then(shown);
                out.taken = Some(match value {
                    Some(value) => format!("{value}: {}{spoken_for}", word.replace('-', " ")),
                    None => word.replace('-', " "),
                });
                let on_record = id.parse::<CheckId>().ok().and_then(|c| healthy_at(self.rules, &c));
                out.healthy = entry.reading.as_ref().and_then(band_says).or(on_record);
            }
            Some(Meaning::Unsure { check }) => {
                if let Some(check) = check {
                    out.says = self.rules.check(check).says.clone();
                }
                out.taken = Some("could not be told".into());
            }
            Some(Meaning::Tried { remedy, retest }) => {
                let offer = self.offer(&remedy);
                (out.says, out.minutes) = (offer.text, offer.minutes);
                let (taken, verdict) = match retest {
                    Retest::Cured => ("the unit works since", "normal"),
                    Retest::NoChange => ("no change", "abnormal"),
                    Retest::Changed => ("better, not mended", "abnormal"),
                };
                (out.taken, out.verdict) = (Some(taken.into()), verdict);
            }
            Some(Meaning::Circuit { check, observed }) => {
                out.says = super::diagnosis::board_check_says(&check, self.board());
                out.minutes = self.board_step(&check, 1.0).minutes;
                let line = self.circuit.as_ref().and_then(|c| c.expected(&check));
                let inside = match &observed {
                    Observed::Heard(ear) => *ear == crate::circuit::predict::Ear::Expected,
                    Observed::Read(read) => {
                        line.as_ref().is_none_or(|l| check.is_within(read, l.low, l.high))
                    }
                };
                out.verdict = if inside { "normal" } else { "abnormal" };
                let value = match &observed {
                    Observed::Heard(_) => answer.to_owned(),
                    Observed::Read(read) => check.shows(read),
                };
                let by_pin = id.contains('.');
                out.taken = Some(if by_pin { format!("{value}, net {}", check.place()) } else { value });
                out.healthy = line.map(|l| l.band);
            }
            Some(Meaning::Kept) => {
                let place = id.parse::<CheckId>().ok();
                let unit = place.as_ref().map_or(Unit::Volts, CheckId::unit);
                let why = place.filter(|_| self.circuit.is_none()).and_then(|p| why_kept(self.rules, &p));
                out.why_kept.clone_from(&why);
                let why = why.map(|w| format!(" ({w})")).unwrap_or_default();
                out.taken = Some(format!(
                    "{}: kept, weighs nothing{why}",
                    shown(unit).unwrap_or_else(|| answer.to_owned())
                ));
            }
        }
        out
    }

    /// A good unit's readings beside this one's.
    ///
    /// # Errors
    /// A good reading that can't be read.
    pub fn compare(&self) -> Result<Comparison, Complaints> {
        let mut complaints = Complaints::default();
        let good = GoodUnit::of(self.rules, &self.job, &mut complaints);
        complaints.or_ok(())?;
        // One key a place, whichever pin it was called by.
        let key = |id: &str| match self.circuit.as_ref().map(|c| c.check(id)) {
            Some(Ok(check)) => check.to_string(),
            _ => id.to_owned(),
        };
        let card = &self.job.card;
        let mut rows: BTreeMap<String, (Vec<String>, Option<String>, usize)> = BTreeMap::new();
        let place = |id: &str, rows: &mut BTreeMap<String, (Vec<String>, Option<String>, usize)>| {
            let order = rows.len();
            rows.entry(key(id)).or_insert((Vec::new(), None, order));
            key(id)
        };
        for reading in &card.good {
            let at = place(&reading.check.value, &mut rows);
            if let Some(row) = rows.get_mut(&at) {
                row.0.push(reading.answer.value.clone());
            }
        }
        for (_, found) in card.standing() {
            let id = found.check.value.as_str();
            if unit_at(self, id).is_none() || found.answer.value.eq_ignore_ascii_case("unsure") {
                continue;
            }
            let at = place(id, &mut rows);
            if let Some(row) = rows.get_mut(&at) {
                row.1 = Some(found.answer.value.clone());
            }
        }
        let mut listed: Vec<_> = rows.into_iter().collect();
        listed.sort_by_key(|(_, row)| row.2);
        let lines =
            listed.into_iter().map(|(check, (goods, bad, _))| self.compared(&good, check, &goods, bad));
        Ok(Comparison { unit: card.unit.value.clone(), good: good_count(card), lines: lines.collect() })
    }

    fn compared(&self, good: &GoodUnit, check: String, goods: &[String], bad: Option<String>) -> CompareLine {
        let unit = unit_at(self, &check).unwrap_or(Unit::Volts);
        let spot = check.parse::<CheckId>().ok();
        let read = |text: &String| match spot.as_ref().map(|id| Observed::parse(id, text)) {
            Some(Ok(Observed::Read(read))) => Some(read),
            Some(_) => None,
            None => reading::parse(text, Some(unit)).ok(),
        };
        let figure = |r: Reading| spot.as_ref().map_or(r.middle(), |id| id.figure(&r));
        let texts = |list: &[String]| -> Option<String> {
            let mut shown: Vec<String> = list
                .iter()
                .map(|t| match (read(t), &spot) {
                    (Some(r), Some(id)) => id.shows(&r),
                    (Some(r), None) => show::reading_in(&r, unit),
                    (None, _) => t.clone(),
                })
                .collect();
            shown.dedup();
            (!shown.is_empty()).then(|| shown.join(", "))
        };
        let value = bad.as_ref().and_then(read).map(figure);
        let numbers: Vec<f64> = goods.iter().filter_map(read).map(figure).collect();
        let mean = (!numbers.is_empty()).then(|| numbers.iter().sum::<f64>() / numbers.len() as f64);
        // With a board the solver says how far two healthy units lie apart; without one the usual spread of parts does.
        let on_board = self.circuit.as_ref().and_then(|c| {
            let id = c.check(&check).ok()?;
            let p = c.predict(&[], std::slice::from_ref(&id))?.get(&id)?.clone();
            p.mean.is_finite().then_some((p.mean, p.sd, id))
        });
        let deviations = match (value.filter(|v| v.is_finite()), mean.filter(|m| m.is_finite()), on_board) {
            (Some(value), Some(_), Some((mean, sd, id))) => Some((id.scaled(value) - mean) / sd),
            (Some(value), Some(_), None) => {
                good.at(&check, unit).map(|(mean, sd)| (value - mean) / sd.max(1e-9))
            }
            _ => None,
        };
        let differs = match (deviations, mean, value) {
            (Some(z), _, _) => z.abs() >= APART,
            // Over range on one of them alone.
            (None, Some(mean), Some(value)) => mean.is_finite() != value.is_finite(),
            // By ear.
            (None, None, _) => !goods.is_empty() && bad.as_ref().is_some_and(|b| !goods.contains(b)),
            _ => false,
        };
        let says = match (self.rules.find_check(&check), check.parse::<CheckId>()) {
            (_, Ok(id)) => super::diagnosis::board_check_says(&id, None),
            (Ok(id), _) => self.rules.check(id).says.clone(),
            _ => check.clone(),
        };
        CompareLine {
            says,
            good: texts(goods),
            this: bad.as_ref().and_then(|b| texts(std::slice::from_ref(b))),
            deviations,
            differs,
            check,
        }
    }
}

/// The stretch of the normal answer; where it has several, from the lowest to the highest.
pub fn healthy_band(reading: &rules::Reading) -> Option<(f64, f64)> {
    let normal = reading.bands.iter().filter(|(answer, _)| *answer == 0);
    normal.fold(None, |all: Option<(f64, f64)>, (_, band)| {
        Some(all.map_or((band.low, band.high), |(low, high)| (low.min(band.low), high.max(band.high))))
    })
}

/// The same in words; nothing where anything is normal.
pub fn band_says(reading: &rules::Reading) -> Option<String> {
    let (low, high) = healthy_band(reading)?;
    let unit = unit_of(reading.unit);
    Some(match (low.is_finite(), high.is_finite()) {
        (true, true) => show::band(low, high, unit),
        (false, true) => format!("up to {}", show::value(high, unit)),
        (true, false) => format!("{} and more", show::value(low, unit)),
        (false, false) => return None,
    })
}

/// What a check reads, where it takes readings.
fn unit_at(diagnosis: &Diagnosis<'_>, id: &str) -> Option<Unit> {
    if let Ok(check) = id.parse::<CheckId>() {
        return Some(check.unit());
    }
    let check = diagnosis.rules.find_check(id).ok()?;
    diagnosis.rules.check(check).reading.as_ref().map(|r| unit_of(r.unit))
}

fn good_count(card: &Card) -> usize {
    card.good.len()
}

/// Readings of a good unit and of this one at one place.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct CompareLine {
    /// Check id.
    pub check: String,
    /// The check's short name.
    pub says: String,
    /// What the good unit read; nothing where it was not read.
    pub good: Option<String>,
    /// What this unit read last; nothing where it was not read.
    pub this: Option<String>,
    /// How far apart, in standard deviations of the difference of two healthy units.
    pub deviations: Option<f64>,
    /// Whether that is more than the spread of parts.
    pub differs: bool,
}

/// A good unit beside this one.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Comparison {
    /// What is on the bench.
    pub unit: String,
    /// How many readings of a good unit the card has.
    pub good: usize,
    /// Place by place, in the order of the card.
    pub lines: Vec<CompareLine>,
}
