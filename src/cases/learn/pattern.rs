//! What learning needs of resolved cards, and no more: how often each pattern of faults and answers was seen.
//!
//! A pattern holds ids of the rules only: no names, words, numbers or dates of a job. All counts are integers, so that
//! statistics of several shops add up to the same whatever the order and grouping, to the last bit; and as the patterns are
//! all that learning looks at, learning from added statistics is learning from all the cards at once.

use crate::rules::{Build, CheckId, FaultId, History, PackId, RemedyId, Rules, UnknownName};
use crate::text::{Complaint, Complaints};
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;

/// Parts of one in a soft likelihood.
pub const WHOLE: u16 = 1000;

/// What was seen on a check.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Seen {
    /// This answer.
    Answer(u8),
    /// A reading near a border: likelihood by answer, in thousandths.
    Soft(Vec<u16>),
}

/// One unit in one state: its context, what was wrong with it, what was seen.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub struct Pattern {
    /// What it has been through.
    pub history: History,
    /// How it is built, where that is known.
    pub build: Option<Build>,
    /// Its blocks, sorted; none named means any.
    pub blocks: Vec<PackId>,
    /// Whether it tells how common its faults are: once a unit, and not where a board brings its own faults.
    pub tells_priors: bool,
    /// Whether this is a unit looked at again, after a remedy that mended nothing.
    pub again: bool,
    /// The faults of the rules that were there, sorted.
    pub faults: Vec<FaultId>,
    /// Whether something was there that the rules don't know.
    pub unlisted: bool,
    /// The answers that the owner complained of, sorted; `None` where nobody said.
    pub complaint: Option<Vec<(CheckId, u8)>>,
    /// Findings by check, sorted.
    pub findings: Vec<(CheckId, Seen)>,
}

/// Times noted for one check or remedy.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Times {
    /// How many.
    pub count: u64,
    /// Their sum in hundredths of a minute.
    pub hundredths: u64,
    /// The sum of their squares.
    pub squares: u64,
}

impl Times {
    fn add(&mut self, other: Self) {
        self.count += other.count;
        self.hundredths += other.hundredths;
        self.squares += other.squares;
    }

    /// Adds one time, in minutes from 0 to 10,000.
    pub fn note(&mut self, minutes: f64) {
        let hundredths = (minutes * 100.0).round() as u64;
        self.add(Self { count: 1, hundredths, squares: hundredths * hundredths });
    }
}

/// Remedies tried on a fault that they put right.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Tries {
    /// How many.
    pub count: u64,
    /// How many cured the unit.
    pub cured: u64,
}

/// The sufficient statistics of a pile of resolved cards.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Statistics {
    /// Cards counted.
    pub cards: u64,
    /// How often each pattern was seen.
    pub patterns: BTreeMap<Pattern, u64>,
    /// Times by check.
    pub check_times: BTreeMap<CheckId, Times>,
    /// Times by remedy.
    pub remedy_times: BTreeMap<RemedyId, Times>,
    /// Successes by remedy.
    pub tries: BTreeMap<RemedyId, Tries>,
}

impl Statistics {
    /// Adds those of another pile, learned under the same rules. Order and grouping of additions make no difference.
    pub fn add(&mut self, other: Self) {
        self.cards += other.cards;
        for (pattern, count) in other.patterns {
            *self.patterns.entry(pattern).or_default() += count;
        }
        for (id, t) in other.check_times {
            let sum = self.check_times.entry(id).or_default();
            sum.add(t);
        }
        for (id, t) in other.remedy_times {
            let sum = self.remedy_times.entry(id).or_default();
            sum.add(t);
        }
        for (id, t) in other.tries {
            let sum = self.tries.entry(id).or_default();
            (sum.count, sum.cured) = (sum.count + t.count, sum.cured + t.cured);
        }
    }

    /// Whether a pack is in play, by its index, for a unit with these blocks.
    pub fn packs(rules: &Rules, blocks: &[PackId]) -> Vec<bool> {
        let applies =
            |p: &crate::rules::Pack| p.applies == crate::rules::Applies::Always || blocks.is_empty();
        rules.packs().map(|(id, p)| applies(p) || blocks.contains(&id)).collect()
    }
}

#[derive(Serialize, Deserialize)]
#[serde(untagged)]
enum SeenText {
    Answer(String),
    Soft(Vec<u16>),
}

#[derive(Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct PatternText {
    count: u64,
    history: History,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    build: Option<Build>,
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    blocks: Vec<String>,
    tells_priors: bool,
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    again: bool,
    faults: Vec<String>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    complaint: Option<Vec<String>>,
    findings: BTreeMap<String, SeenText>,
}

#[derive(Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct StatisticsText {
    /// Version of the format.
    halfsplit_statistics: u32,
    cards: u64,
    check_times: BTreeMap<String, Times>,
    remedy_times: BTreeMap<String, Times>,
    tries: BTreeMap<String, Tries>,
    patterns: Vec<PatternText>,
}

/// Version of the statistics' format.
const VERSION: u32 = 1;

impl Statistics {
    /// The statistics as JSON, one pattern a line, the same text for the same statistics.
    ///
    /// # Errors
    /// When the sink refuses.
    pub fn write(&self, rules: &Rules, sink: &mut dyn std::io::Write) -> std::io::Result<()> {
        let json = |v: &serde_json::Value| v.to_string();
        let value = |r: serde_json::Result<serde_json::Value>| r.map_err(std::io::Error::other);
        writeln!(sink, "{{\n\"halfsplit_statistics\": {VERSION},\n\"cards\": {},", self.cards)?;
        let check = |id: &CheckId| rules.check(*id).id.clone();
        let remedy = |id: &RemedyId| rules.remedy(*id).id.clone();
        let times: BTreeMap<_, _> = self.check_times.iter().map(|(id, t)| (check(id), t)).collect();
        writeln!(sink, "\"check_times\": {},", json(&value(serde_json::to_value(times))?))?;
        let times: BTreeMap<_, _> = self.remedy_times.iter().map(|(id, t)| (remedy(id), t)).collect();
        writeln!(sink, "\"remedy_times\": {},", json(&value(serde_json::to_value(times))?))?;
        let tries: BTreeMap<_, _> = self.tries.iter().map(|(id, t)| (remedy(id), t)).collect();
        writeln!(sink, "\"tries\": {},", json(&value(serde_json::to_value(tries))?))?;
        write!(sink, "\"patterns\": [")?;
        for (i, (pattern, count)) in self.patterns.iter().enumerate() {
            sink.write_all(if i == 0 { b"\n" } else { b",\n" })?;
            serde_json::to_writer(&mut *sink, &pattern.text(rules, *count)).map_err(std::io::Error::other)?;
        }
        writeln!(sink, "\n]\n}}")
    }

    /// Reads statistics back.
    ///
    /// # Errors
    /// Text that isn't statistics of this version; names that the rules don't know (they were taken under other rules).
    pub fn read(rules: &Rules, name: &str, text: &str) -> Result<Self, Complaints> {
        let refuse = |message: String, help: &str| -> Complaints {
            Complaint::nowhere("statistics", format!("{name}: {message}")).help(help).into()
        };
        let read: StatisticsText = serde_json::from_str(text).map_err(|e| {
            refuse(
                format!("these are no statistics: {e}"),
                "write a file made with 'cases learn --stats FILE'",
            )
        })?;
        if read.halfsplit_statistics != VERSION {
            let message = format!("format {} of statistics is not known", read.halfsplit_statistics);
            return Err(refuse(message, "take them again with this halfsplit"));
        }
        let mut out = Self { cards: read.cards, ..Self::default() };
        let other = "take them again under these rules, or load the packs they were taken under with --rules";
        let foreign = |e: UnknownName| refuse(e.to_string(), other);
        for (id, t) in read.check_times {
            out.check_times.insert(rules.find_check(&id).map_err(foreign)?, t);
        }
        for (id, t) in read.remedy_times {
            out.remedy_times.insert(rules.find_remedy(&id).map_err(foreign)?, t);
        }
        for (id, t) in read.tries {
            out.tries.insert(rules.find_remedy(&id).map_err(foreign)?, t);
        }
        for text in read.patterns {
            let count = text.count;
            let pattern = Pattern::of(text, rules).map_err(|m| refuse(m, other))?;
            *out.patterns.entry(pattern).or_default() += count;
        }
        Ok(out)
    }
}

/// The check and answer that a symptom is.
///
/// # Errors
/// When no symptom has the name.
pub fn complained(rules: &Rules, symptom: &str) -> Result<(CheckId, u8), UnknownName> {
    let symptom = rules.symptom(rules.find_symptom(symptom)?);
    Ok((symptom.check, symptom.answer as u8))
}

impl Pattern {
    fn text(&self, rules: &Rules, count: u64) -> PatternText {
        let seen = |(id, seen): &(CheckId, Seen)| {
            let check = rules.check(*id);
            let text = match seen {
                Seen::Answer(k) => SeenText::Answer(check.answers[usize::from(*k)].clone()),
                Seen::Soft(parts) => SeenText::Soft(parts.clone()),
            };
            (check.id.clone(), text)
        };
        let symptom = |(check, k): &(CheckId, u8)| {
            let named = rules.symptoms_of(*check, usize::from(*k)).next();
            named.map(|(_, s)| s.id.clone()).unwrap_or_default()
        };
        let mut faults: Vec<String> = self.faults.iter().map(|f| rules.fault(*f).id.clone()).collect();
        faults.extend(self.unlisted.then(|| "unlisted".to_string()));
        PatternText {
            count,
            history: self.history,
            build: self.build,
            blocks: self.blocks.iter().map(|b| rules.pack(*b).id.clone()).collect(),
            tells_priors: self.tells_priors,
            again: self.again,
            faults,
            complaint: self.complaint.as_ref().map(|c| c.iter().map(symptom).collect()),
            findings: self.findings.iter().map(seen).collect(),
        }
    }

    fn of(text: PatternText, rules: &Rules) -> Result<Self, String> {
        let say = |e: UnknownName| e.to_string();
        let mut faults = Vec::new();
        let mut unlisted = false;
        for id in &text.faults {
            match id.as_str() {
                "unlisted" => unlisted = true,
                id => faults.push(rules.find_fault(id).map_err(say)?),
            }
        }
        let mut findings = Vec::new();
        for (id, seen) in text.findings {
            let check = rules.find_check(&id).map_err(say)?;
            let count = rules.check(check).answers.len();
            let seen = match seen {
                SeenText::Answer(name) => Seen::Answer(rules.check(check).answer(&name).map_err(say)? as u8),
                SeenText::Soft(parts) if parts.len() == count && parts.iter().any(|p| *p > 0) => {
                    Seen::Soft(parts)
                }
                SeenText::Soft(_) => return Err(format!("'{id}' has {count} answers")),
            };
            findings.push((check, seen));
        }
        let blocks =
            text.blocks.iter().map(|b| rules.find_pack(b)).collect::<Result<Vec<_>, _>>().map_err(say)?;
        let complaint = match text.complaint {
            Some(ids) => {
                let found: Result<Vec<_>, _> = ids.iter().map(|s| complained(rules, s)).collect();
                Some(found.map_err(say)?)
            }
            None => None,
        };
        let mut pattern = Self {
            history: text.history,
            build: text.build,
            blocks,
            tells_priors: text.tells_priors,
            again: text.again,
            faults,
            unlisted,
            complaint,
            findings,
        };
        pattern.sort();
        Ok(pattern)
    }

    /// Brings the lists into their order.
    pub fn sort(&mut self) {
        self.blocks.sort_unstable();
        self.blocks.dedup();
        self.faults.sort_unstable();
        self.faults.dedup();
        if let Some(c) = &mut self.complaint {
            c.sort_unstable();
            c.dedup();
        }
        self.findings.sort();
    }
}
