//! Readings at spots of a unit without a board, and readings of a good unit beside it.

use super::card::{CardFinding, JobCard};
use super::circuit::Circuit;
use super::model::{Meaning, Understood};
use super::understand::{accuracy, by_bands, unit_of};
use crate::belief::Outcome;
use crate::circuit::predict::{CheckId, Observed};
use crate::rules::{self, Reads, Rules, check_at};
use crate::text::{Complaint, Complaints};
use crate::units::{Reading, Unit, reading, show};
use std::collections::BTreeMap;

/// How far two healthy units of one kind lie apart at the same place, as a share of the reading, with a floor in its unit: resistors
/// of 5 % and transistors of one type (common practice, no source).
const APART: f64 = 0.10;
const APART_VOLTS: f64 = 0.05;
const APART_DECIBELS: f64 = 2.0;
/// A supply below this is one that fails, and no measure of what the unit is made for, volts.
const LEAST_SUPPLY: f64 = 4.0;
/// Volts over which a reading that is no longer healthy may lie, when it is weighed against the good unit's.
const ANYWHERE: f64 = 10.0;

/// What a reading at a spot means where there is no board: the answer of the check that speaks of such a spot, else nothing.
pub(super) fn at_spot(rules: &Rules, id: &CheckId, observed: &Observed) -> Meaning {
    let reads = match id {
        CheckId::Volts(_) => Reads::Volts,
        CheckId::Ohms(_) => Reads::Ohms,
        _ => return Meaning::Kept,
    };
    let Observed::Read(read) = observed else { return Meaning::Kept };
    let of_pack = check_at(id.place(), reads).and_then(|check| rules.find_check(check).ok());
    let weighed = match of_pack {
        Some(check) => by_bands(rules, check, read).map(|weighed| (check, weighed)),
        None => None,
    };
    let weighed = weighed.or_else(|| at_rest(rules, id, read));
    weighed.map_or(Meaning::Kept, |(check, (likelihood, answer))| Meaning::Answer {
        check,
        outcome: Outcome::Soft(likelihood),
        answer,
    })
}

/// What volts at a pin say of a spot of the outline, by what is on record for it: the check with its weighed answers.
fn at_rest(rules: &Rules, id: &CheckId, read: &Reading) -> Option<(rules::CheckId, (Vec<f64>, usize))> {
    let CheckId::Volts(place) = id else { return None };
    let (spot, pin) = rules.resting_at(place)?;
    let weighed =
        spot.weigh(pin.as_deref(), read.middle(), accuracy(read), rules.check(spot.check).answers.len())?;
    Some((spot.check, weighed))
}

/// A reading of volts at a place of the unit.
fn volts_at(found: &Understood) -> Option<(String, Reading)> {
    let CheckId::Volts(place) = found.check.parse().ok()? else { return None };
    Some((place, reading::parse(&found.answer, Some(Unit::Volts)).ok()?))
}

/// What pins say of a supply that nobody read: it is at least as high as the highest of them.
pub(super) fn supply_shown(rules: &Rules, findings: &mut Vec<Understood>) {
    let Some(supply) = rules.resting_supply() else { return };
    let read = |f: &Understood| matches!(f.meaning, Meaning::Answer { check, .. } if check == supply.check);
    let now = findings.last().map_or(0, |f| f.epoch);
    if findings.iter().any(|f| f.epoch == now && read(f)) {
        return;
    }
    let volts = findings.iter().filter(|f| f.epoch == now).filter_map(|f| Some((f, volts_at(f)?.1)));
    let Some((highest, reading)) = volts.max_by(|a, b| a.1.middle().total_cmp(&b.1.middle())) else { return };
    if reading.middle() < LEAST_SUPPLY {
        return;
    }
    let answers = rules.check(supply.check).answers.len();
    let Some(shares) = supply.at_least(reading.middle(), accuracy(&reading), answers) else { return };
    let meaning = Meaning::Answer { check: supply.check, outcome: Outcome::Soft(shares), answer: 0 };
    findings.push(Understood { meaning, ..highest.clone() });
}

/// Weighs readings at pins by the supply that was read, where it is not what such a unit usually runs on: half of 12 V is 6 V.
pub(super) fn by_supply(rules: &Rules, findings: &mut [Understood]) {
    let Some(of_supply) = rules.resting_supply() else { return };
    let is_supply =
        |place: &str| rules.resting_at(place).is_some_and(|(spot, _)| spot.check == of_supply.check);
    let supply =
        findings.iter().rev().filter_map(volts_at).find_map(|(place, read)| {
            Some(read.middle()).filter(|v| *v >= LEAST_SUPPLY && is_supply(&place))
        });
    let Some(supply) = supply else { return };
    for found in findings {
        let Some((place, read)) = volts_at(found) else { continue };
        let Some((spot, pin)) = rules.resting_at(&place).filter(|(s, _)| s.check != of_supply.check) else {
            continue;
        };
        let count = rules.check(spot.check).answers.len();
        if let Meaning::Answer { check, outcome, answer } = &mut found.meaning
            && *check == spot.check
            && let Some((shares, best)) = spot.weigh(
                pin.as_deref(),
                spot.as_usual(pin.as_deref(), read.middle(), supply),
                accuracy(&read),
                count,
            )
        {
            (*outcome, *answer) = (Outcome::Soft(shares), best);
        }
    }
}

/// What a reading means by itself, beside the good unit's readings and by the supply that was read.
pub(in crate::job) fn beside_the_rest(
    rules: &Rules,
    job: &JobCard,
    written: &CardFinding,
    meaning: Meaning,
) -> Meaning {
    let of = |finding: &CardFinding, meaning| Understood {
        number: 0,
        check: finding.check.value.clone(),
        answer: finding.answer.value.clone(),
        meaning,
        epoch: 0,
        node: None,
    };
    let mut all: Vec<Understood> = job.card.standing().map(|(_, f)| of(f, Meaning::Kept)).collect();
    all.push(of(written, meaning));
    by_supply(rules, &mut all);
    let Some(mut found) = all.pop() else { return Meaning::Kept };
    GoodUnit::of(rules, job, &mut Complaints::default()).beside(rules, &mut found);
    found.meaning
}

/// The healthy volts on record at a pin of a spot of the outline, as a band.
pub(in crate::job) fn healthy_at(rules: &Rules, id: &CheckId) -> Option<String> {
    let CheckId::Volts(place) = id else { return None };
    let (spot, pin) = rules.resting_at(place)?;
    let (low, high) = spot.healthy(pin.as_deref())?;
    Some(show::band(low, high, Unit::Volts))
}

/// Why a reading at a pin weighs nothing on a unit with an outline, and what to write instead.
pub(in crate::job) fn why_kept(rules: &Rules, id: &CheckId) -> Option<String> {
    let CheckId::Volts(place) = id else { return None };
    if rules.resting_spots().is_empty() {
        return None;
    }
    Some(match rules.resting_at(place) {
        Some((spot, _)) => {
            let pins: Vec<&str> = spot.pin_names().collect();
            match pins.as_slice() {
                [] => format!("no figure is on record for {}; a good unit's reading would be one", spot.spot),
                pins => format!("on record for {} are: {}", spot.spot, pins.join(", ")),
            }
        }
        None => {
            let part = place.split('.').next().unwrap_or(place);
            let with_pins = rules.resting_spots().iter().filter(|s| s.pin_names().next().is_some());
            let spots: Vec<&str> = with_pins.map(|s| s.spot.as_str()).collect();
            format!("this kind of unit has no spot {part}; name one, as volts:SPOT.PIN: {}", spots.join(", "))
        }
    })
}

/// Of several spots that one check speaks of, the worst counts: that one tells. Of one spot the last reading does.
pub(super) fn worst_counts(findings: &mut [Understood]) {
    let at = |f: &Understood| match f.meaning {
        Meaning::Answer { check, answer, .. } if f.check.contains(':') => Some((f.epoch, check, answer)),
        _ => None,
    };
    for i in 0..findings.len() {
        let Some((epoch, check, answer)) = at(&findings[i]) else { continue };
        let beaten = findings.iter().enumerate().any(|(j, other)| match at(other) {
            Some((e, c, a)) if j != i && e == epoch && c == check => {
                if other.check == findings[i].check {
                    j > i
                } else {
                    a > answer || (a == answer && j > i)
                }
            }
            _ => false,
        });
        if beaten {
            findings[i].meaning = Meaning::Kept;
        }
    }
}

/// Readings of a unit that works, by check id as written.
#[derive(Clone, Debug, Default)]
pub struct GoodUnit {
    readings: BTreeMap<String, Vec<Reading>>,
}

impl GoodUnit {
    /// The good readings on a card, with complaints of those that can't be read.
    pub fn of(rules: &Rules, job: &JobCard, complaints: &mut Complaints) -> Self {
        let mut readings: BTreeMap<String, Vec<Reading>> = BTreeMap::new();
        for good in &job.card.good {
            let id = good.check.value.as_str();
            let unit = match (id.parse::<CheckId>(), rules.find_check(id)) {
                (Ok(check), _) => Some(check.unit()),
                (Err(_), Ok(check)) => rules.check(check).reading.as_ref().map(|r| unit_of(r.unit)),
                _ => None,
            };
            let Some(unit) = unit else {
                let place = job.document.place(good.check.span);
                let message = format!("'{id}' under 'good' is no reading");
                let help = "write volts:SPOT, ohms:SPOT or a check that takes a reading";
                complaints.0.push(Complaint::at("unknown-name", place, message).help(help));
                continue;
            };
            match reading::parse(&good.answer.value, Some(unit)) {
                Ok(read) => readings.entry(id.to_owned()).or_default().push(read),
                Err(e) => {
                    // A level by ear is kept, and so is a rate of none; nothing can be reckoned with them.
                    let heard =
                        id.parse().is_ok_and(|c: CheckId| Observed::parse(&c, &good.answer.value).is_ok());
                    if !heard {
                        let place = job.document.place(good.answer.span);
                        complaints.0.push(Complaint::at("bad-reading", place, e.to_string()));
                    }
                }
            }
        }
        Self { readings }
    }

    /// Mean and spread at a check, in its unit: of several readings their own spread, else what parts make usual. Nothing where
    /// the good unit was not read or showed no number.
    pub fn at(&self, check: &str, unit: Unit) -> Option<(f64, f64)> {
        let values: Vec<f64> =
            self.readings.get(check)?.iter().map(Reading::middle).filter(|x| x.is_finite()).collect();
        let n = values.len() as f64;
        if values.is_empty() {
            return None;
        }
        let mean = values.iter().sum::<f64>() / n;
        let usual = match unit {
            Unit::Decibels => APART_DECIBELS,
            Unit::Volts => APART * mean.abs() + APART_VOLTS,
            _ => APART * mean.abs(),
        };
        if values.len() < 3 {
            return Some((mean, usual));
        }
        let variance = values.iter().map(|x| (x - mean).powi(2)).sum::<f64>() / (n - 1.0);
        Some((mean, variance.sqrt().max(0.2 * usual)))
    }

    /// Whether there are none.
    pub fn is_empty(&self) -> bool {
        self.readings.is_empty()
    }

    /// The readings on a board's checks.
    pub(super) fn on_board(&self, circuit: &Circuit<'_>) -> Vec<(CheckId, Observed)> {
        let of = |(id, reads): (&String, &Vec<Reading>)| {
            let check = circuit.check(id).ok();
            reads.iter().filter_map(|r| Some((check.clone()?, Observed::Read(*r)))).collect::<Vec<_>>()
        };
        self.readings.iter().flat_map(of).collect()
    }

    /// An answer by reading seen beside the good unit: healthy where both read alike, whatever the band says.
    pub(super) fn beside(&self, rules: &Rules, found: &mut Understood) {
        self.beside_at_rest(rules, found);
        let Meaning::Answer { check, outcome, answer } = &mut found.meaning else { return };
        let entry = rules.check(*check);
        let Some(bands) = &entry.reading else { return };
        let unit = unit_of(bands.unit);
        let read = reading::parse(&found.answer, Some(unit)).ok().map(|r| r.middle());
        let (Some((good, spread)), Some(value)) = (self.at(&found.check, unit), read) else { return };
        if !value.is_finite() {
            return;
        }
        let scale = if unit == Unit::Ohms { (10.0 * good.abs()).max(1.0) } else { ANYWHERE };
        let healthy = alike(value, good, spread, scale);
        // What is wrong, if it is: by the bands, or to the side on which it lies.
        let mut wrong = match outcome {
            Outcome::Soft(shares) => shares.clone(),
            Outcome::Answer(k) => (0..entry.answers.len()).map(|i| if i == *k { 1.0 } else { 0.0 }).collect(),
        };
        if let Some(first) = wrong.first_mut() {
            *first = 0.0;
        }
        let total: f64 = wrong.iter().sum();
        if total > 0.0 {
            wrong.iter_mut().for_each(|s| *s /= total);
        } else if let Some(k) = beyond(bands, value > good)
            && let Some(share) = wrong.get_mut(k)
        {
            *share = 1.0;
        } else {
            return;
        }
        wrong.iter_mut().for_each(|s| *s *= 1.0 - healthy);
        if let Some(first) = wrong.first_mut() {
            *first = healthy;
        }
        let best = wrong.iter().enumerate().fold((0, 0.0), |b, (k, p)| if *p > b.1 { (k, *p) } else { b });
        *answer = best.0;
        *outcome = Outcome::Soft(wrong);
    }

    /// The same for a reading at a pin of a spot of the outline, whether or not a figure is on record for the pin.
    fn beside_at_rest(&self, rules: &Rules, found: &mut Understood) {
        let Ok(CheckId::Volts(place)) = found.check.parse() else { return };
        let Some((spot, _)) = rules.resting_at(&place) else { return };
        match found.meaning {
            Meaning::Kept => {}
            Meaning::Answer { check, .. } if check == spot.check => {}
            _ => return,
        }
        let read = reading::parse(&found.answer, Some(Unit::Volts)).ok().map(|r| r.middle());
        let (Some((good, spread)), Some(value)) = (self.at(&found.check, Unit::Volts), read) else { return };
        if !value.is_finite() {
            return;
        }
        let healthy = alike(value, good, spread, ANYWHERE);
        let mut shares = vec![0.0; rules.check(spot.check).answers.len()];
        let off = spot.off(good, value, shares.len()).unwrap_or(0);
        if let Some(share) = shares.get_mut(off) {
            *share = 1.0 - healthy;
        }
        if let Some(share) = shares.first_mut() {
            *share = if off == 0 { 1.0 } else { healthy };
        }
        let answer = if healthy >= 0.5 { 0 } else { off };
        found.meaning = Meaning::Answer { check: spot.check, outcome: Outcome::Soft(shares), answer };
    }
}

/// The chance that a reading and the good unit's are of two healthy units, where one that is not lies anywhere in `scale`.
fn alike(value: f64, good: f64, spread: f64, scale: f64) -> f64 {
    let z = (value - good) / spread;
    let alike = (-0.5 * z * z).exp() / (spread * (2.0 * std::f64::consts::PI).sqrt());
    alike / (alike + 1.0 / scale)
}

/// The answer whose band comes next above the healthy one, or next below it.
fn beyond(bands: &rules::Reading, above: bool) -> Option<usize> {
    let at = bands.bands.iter().position(|(answer, _)| *answer == 0)?;
    let next = if above { at.checked_add(1) } else { at.checked_sub(1) };
    next.and_then(|i| bands.bands.get(i)).map(|(answer, _)| *answer)
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;
    use crate::job::Diagnosis;
    use crate::text::Source;

    const CARD: &str =
        "unit: A\nhistory: worked-before\ncomplaint: {symptoms: [silent]}\nblocks: [transistor]\n";

    fn collector(card: &str) -> Vec<(String, Option<usize>)> {
        let rules = Rules::builtin().unwrap();
        let job = JobCard::read(&Source::new("job.yaml", card)).unwrap();
        let diagnosis = Diagnosis::of(rules, job).unwrap();
        let answer = |f: &Understood| match f.meaning {
            Meaning::Answer { answer, .. } => Some(answer),
            _ => None,
        };
        let findings = diagnosis.model.findings.iter().filter(|f| f.number > 0);
        findings.map(|f| (f.check.clone(), answer(f))).collect()
    }

    #[test]
    fn a_spot_answers_the_check_that_speaks_of_it_and_the_worst_counts() {
        let card = format!(
            "{CARD}findings:\n  - {{check: \"volts:Q1.c\", answer: 4.4V}}\n  - {{check: \"volts:Q2.c\", answer: 8.8V}}\n  - {{check: \"volts:IC1.3\", answer: 4.4V}}\n"
        );
        let found = collector(&card);
        assert_eq!(found[0].1, None, "the other transistor tells more");
        assert!(found[1].1.is_some_and(|a| a > 0));
        assert_eq!(found[2].1, None, "kept: no rule speaks of that pin");
        // The same spot read again: the last counts.
        let again = format!("{card}  - {{check: \"volts:Q2.c\", answer: 4.6V}}\n");
        assert_eq!(collector(&again)[3].1, Some(0));
    }

    #[test]
    fn beside_a_good_unit_its_reading_is_the_healthy_one() {
        let find = |volts: &str| format!("findings:\n  - {{check: \"volts:Q1.c\", answer: {volts}}}\n");
        let good = "good:\n  - {check: \"volts:Q1.c\", answer: 6.9V}\n";
        // 6.8 V is high by the band, and healthy where the good unit reads 6.9 V; 4.5 V is the other way round.
        assert!(collector(&format!("{CARD}{}", find("6.8V")))[0].1.is_some_and(|a| a > 0));
        assert_eq!(collector(&format!("{CARD}{good}{}", find("6.8V")))[0].1, Some(0));
        assert_eq!(collector(&format!("{CARD}{}", find("4.5V")))[0].1, Some(0));
        assert!(collector(&format!("{CARD}{good}{}", find("4.5V")))[0].1.is_some_and(|a| a > 0));
    }

    #[test]
    fn several_good_units_have_a_spread_of_their_own() {
        let card = format!(
            "{CARD}good:\n{}",
            ["4.0V", "4.6V", "5.2V"]
                .map(|v| format!("  - {{check: \"volts:Q1.c\", answer: {v}}}\n"))
                .concat()
        );
        let job = JobCard::read(&Source::new("job.yaml", card)).unwrap();
        let mut complaints = Complaints::default();
        let good = GoodUnit::of(Rules::builtin().unwrap(), &job, &mut complaints);
        assert!(complaints.0.is_empty());
        let (mean, sd) = good.at("volts:Q1.c", Unit::Volts).unwrap();
        // Mean and standard deviation of 4.0, 4.6, 5.2: 4.6 and 0.6 by hand.
        assert!((mean - 4.6).abs() < 1e-9 && (sd - 0.6).abs() < 1e-9);
        assert!(good.at("volts:Q2.c", Unit::Volts).is_none());
    }

    #[test]
    fn a_pin_is_judged_by_the_supply_that_was_read() {
        let rules = Rules::builtin().unwrap();
        let answer = |supply: &str, volts: &str| {
            let card = format!(
                "unit: A\nhistory: worked-before\ncomplaint: {{symptoms: [silent]}}\noutline: op-amp-drive\nfindings:\n  - {{check: \"volts:V9\", answer: \"{supply}\"}}\n  - {{check: \"volts:IC1.1\", answer: \"{volts}\"}}\n"
            );
            let job = JobCard::read(&Source::new("job.yaml", card)).unwrap();
            let diagnosis = Diagnosis::of(rules, job).unwrap();
            let found = diagnosis.model.findings.iter().find(|f| f.number == 2).unwrap();
            match found.meaning {
                Meaning::Answer { answer, .. } => answer,
                _ => 99,
            }
        };
        assert_eq!(answer("9V", "4.5V"), 0);
        assert_eq!(answer("9V", "6.0V"), 1);
        assert_eq!(answer("12V", "6.0V"), 0);
        assert_eq!(answer("18V", "17.8V"), 2);
        // A supply that has broken down is no measure.
        assert_eq!(answer("1V", "0.5V"), 1);
    }

    #[test]
    fn volts_on_the_board_clear_the_adaptor() {
        let rules = Rules::builtin().unwrap();
        let dead = |findings: &str| {
            let card = format!(
                "unit: A\nhistory: worked-before\npower: adaptor\ncomplaint: {{symptoms: [silent]}}\noutline: op-amp-drive\n{findings}"
            );
            let job = JobCard::read(&Source::new("job.yaml", card)).unwrap();
            let diagnosis = Diagnosis::of(rules, job).unwrap();
            diagnosis.probability(diagnosis.model.fault("dead@adaptor").unwrap())
        };
        let before = dead("");
        assert!(dead("findings: [{check: \"volts:V9\", answer: 9.1V}]\n") < 0.3 * before);
        // Nobody read the supply, but a pin stands near it.
        assert!(dead("findings: [{check: \"volts:IC1.1\", answer: 8.6V}]\n") < 0.6 * before);
        assert!(dead("findings: [{check: \"volts:V9\", answer: 0.02V}]\n") > 2.0 * before);
    }
}
