//! From resolved cards to statistics.

use super::em::MENTION;
use super::frame::{Frame, Tables, packs};
use super::pattern::{Pattern, Seen, Statistics, WHOLE, complained};
use crate::belief::Outcome;
use crate::circuit::board::Board;
use crate::job::{
    Card, CardFinding, EndState, JobCard, Meaning, RemedyRef, Retest, meaning, stands_for, store,
};
use crate::rules::parts::Library;
use crate::rules::{CheckId, FaultId, RemedyId, Rules};
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::{AtomicUsize, Ordering};

/// A card that nothing was learned from.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub struct Skipped {
    /// The card's file.
    pub file: String,
    /// Why.
    pub reason: String,
}

/// Reads cards and counts, on so many threads; the result does not depend on how many. `tick` is called once a card. Cards
/// are not held: memory goes with the number of different patterns (some 500 bytes each), time with that of cards.
pub fn gather(
    rules: &Rules,
    files: &[PathBuf],
    threads: usize,
    tick: &(dyn Fn() + Sync),
) -> (Statistics, Vec<Skipped>) {
    /// Files taken at a time.
    const BATCH: usize = 64;
    let next = AtomicUsize::new(0);
    let work = || {
        let mut mine = Gatherer::new(rules);
        let mut skipped = Vec::new();
        loop {
            let start = next.fetch_add(BATCH, Ordering::Relaxed);
            let Some(batch) = files.get(start..files.len().min(start + BATCH)).filter(|b| !b.is_empty())
            else {
                return (mine.statistics, skipped);
            };
            for file in batch {
                if let Err(reason) = mine.file(file) {
                    skipped.push(Skipped { file: file.display().to_string(), reason });
                }
                tick();
            }
        }
    };
    let (statistics, mut skipped) = std::thread::scope(|scope| {
        let others: Vec<_> = (1..threads.max(1)).map(|_| scope.spawn(work)).collect();
        let (mut statistics, mut skipped) = work();
        for other in others {
            // A thread that panicked has lost its share: that must not pass for a result.
            let (more, names) = other.join().unwrap_or_else(|panic| std::panic::resume_unwind(panic));
            statistics.add(more);
            skipped.extend(names);
        }
        (statistics, skipped)
    });
    skipped.sort();
    (statistics, skipped)
}

struct Gatherer<'r> {
    rules: &'r Rules,
    boards: BTreeMap<PathBuf, Arc<Board>>,
    possible: Possible<'r>,
    statistics: Statistics,
}

impl<'r> Gatherer<'r> {
    fn new(rules: &'r Rules) -> Self {
        let (boards, possible) = (BTreeMap::new(), Possible::new(rules));
        Self { rules, boards, possible, statistics: Statistics::default() }
    }

    fn file(&mut self, file: &Path) -> Result<(), String> {
        let first = |text: String| text.lines().next().unwrap_or_default().to_string();
        let source = store::read(file).map_err(|e| first(e.to_string()))?;
        let job = JobCard::read(&source).map_err(|e| first(e.to_string()))?;
        let board = match &job.card.board {
            None => None,
            Some(named) => Some(self.board(&file.parent().unwrap_or(Path::new("")).join(&named.value))?),
        };
        let facts = facts(self.rules, &job.card, board.as_deref())?;
        self.possible.check(&facts)?;
        count(&mut self.statistics, facts);
        Ok(())
    }

    fn board(&mut self, path: &Path) -> Result<Arc<Board>, String> {
        if let Some(board) = self.boards.get(path) {
            return Ok(board.clone());
        }
        let broken = |e: String| format!("its board can't be read: {}", e.lines().next().unwrap_or_default());
        let source = store::read(path).map_err(|e| broken(e.to_string()))?;
        let library = Library::builtin().map_err(|e| broken(e.to_string()))?;
        let board = Arc::new(Board::load(&source, &library).map_err(|e| broken(e.to_string()))?);
        if self.boards.len() > 64 {
            self.boards.clear();
        }
        self.boards.insert(path.to_path_buf(), board.clone());
        Ok(board)
    }
}

/// Whether what cards tell can be, by the rules as they stand. Learning keeps a chance of 0 at 0, so what can't be under the
/// authored figures can't be under any learned ones.
pub struct Possible<'r> {
    rules: &'r Rules,
    tables: Tables,
    frames: BTreeMap<Vec<bool>, Frame>,
}

impl<'r> Possible<'r> {
    /// By these rules.
    pub fn new(rules: &'r Rules) -> Self {
        Self { rules, tables: Tables::authored(rules), frames: BTreeMap::new() }
    }

    /// Refuses facts of probability zero.
    ///
    /// # Errors
    /// The reason, with the first finding that can't be.
    pub fn check(&mut self, facts: &Facts) -> Result<(), String> {
        for pattern in &facts.patterns {
            let packs = packs(self.rules, pattern);
            if self.frames.len() > 256 {
                self.frames.clear();
            }
            let (rules, tables) = (self.rules, &self.tables);
            let frame = self
                .frames
                .entry(packs.clone())
                .or_insert_with(|| Frame::new(rules, tables, &packs, &|_| 0.01));
            if can_be(frame, pattern, MENTION) {
                continue;
            }
            let mut less = pattern.clone();
            while less.findings.pop().is_some() && !can_be(frame, &less, MENTION) {}
            let culprit = pattern.findings.get(less.findings.len());
            let named = culprit.map(|(check, _)| format!(", first of all '{}'", rules.check(*check).id));
            return Err(format!(
                "by the rules this can't be (probability zero): its outcome with its {}{}",
                if pattern.findings.is_empty() { "complaint" } else { "findings" },
                named.unwrap_or_default()
            ));
        }
        Ok(())
    }
}

fn can_be(frame: &Frame, pattern: &Pattern, mention: f64) -> bool {
    let seen = frame.witnessed(pattern, mention);
    let found = frame.graph.expectations(&seen.members, &seen.findings);
    found.is_ok_and(|f| f.log_likelihood > f64::NEG_INFINITY)
}

/// What one card tells.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Facts {
    /// The unit as it came in, and as it was after each remedy that had nothing to mend.
    pub patterns: Vec<Pattern>,
    /// Minutes noted by check.
    pub check_minutes: Vec<(CheckId, f64)>,
    /// Minutes noted by remedy.
    pub remedy_minutes: Vec<(RemedyId, f64)>,
    /// Remedies tried on the one fault there was, and whether they cured the unit.
    pub tries: Vec<(RemedyId, bool)>,
}

/// Adds what a card tells.
pub fn count(statistics: &mut Statistics, facts: Facts) {
    statistics.cards += 1;
    for pattern in facts.patterns {
        *statistics.patterns.entry(pattern).or_default() += 1;
    }
    for (id, minutes) in facts.check_minutes {
        statistics.check_times.entry(id).or_default().note(minutes);
    }
    for (id, minutes) in facts.remedy_minutes {
        statistics.remedy_times.entry(id).or_default().note(minutes);
    }
    for (id, cured) in facts.tries {
        let tries = statistics.tries.entry(id).or_default();
        tries.count += 1;
        tries.cured += u64::from(cured);
    }
}

/// What a card tells, or why it tells nothing.
///
/// # Errors
/// The reason, in words for a person: no outcome, faults not known, names that the rules don't know.
pub fn facts(rules: &Rules, card: &Card, board: Option<&Board>) -> Result<Facts, String> {
    let (faults, unlisted) = truth(rules, card, board)?;
    let mut blocks = Vec::new();
    for block in &card.blocks {
        blocks.push(rules.find_pack(&block.value).map_err(|e| e.to_string())?);
    }
    let in_play = Statistics::packs(rules, &blocks);
    for fault in &faults {
        let entry = rules.fault(*fault);
        if !in_play[entry.pack.index()] {
            return Err(format!("'{}' is not in play: its block is not among the card's blocks", entry.id));
        }
        if entry.prior(card.history.value, card.build).is_zero() {
            return Err(format!("'{}' can't occur in a unit of history {}", entry.id, card.history.value));
        }
    }
    let mut now = Pattern {
        history: card.history.value,
        build: card.build,
        blocks,
        tells_priors: board.is_none() && (unlisted || !faults.is_empty()),
        again: false,
        faults,
        unlisted,
        complaint: complaint(rules, card)?,
        findings: Vec::new(),
    };
    now.sort();
    let mut facts = Facts::default();
    let mut seen: BTreeMap<CheckId, Seen> = BTreeMap::new();
    let mut same = true;
    for (_, finding) in card.standing() {
        let Some(meaning) = understood(rules, finding, board.is_some())? else { continue };
        match meaning {
            Meaning::Answer { check, outcome, .. } => {
                facts.check_minutes.extend(minutes(finding).map(|m| (check, m)));
                if same && in_play[rules.check(check).pack.index()] {
                    seen.insert(check, seen_of(&outcome));
                }
            }
            Meaning::Unsure { .. } | Meaning::Kept | Meaning::Circuit { .. } | Meaning::Wiring { .. } => {}
            Meaning::Tried { remedy, retest } => {
                let RemedyRef::Rule(id) = remedy else {
                    same = false;
                    continue;
                };
                facts.remedy_minutes.extend(minutes(finding).map(|m| (id, m)));
                let fixes = |f: &FaultId| rules.remedy(id).fixes.contains(f);
                if same && now.faults.len() == 1 && !now.unlisted && now.faults.iter().all(fixes) {
                    facts.tries.push((id, retest == Retest::Cured));
                }
                let untouched = retest == Retest::NoChange && !now.faults.iter().any(fixes) && !now.unlisted;
                if same {
                    push(&mut facts.patterns, &mut now, &mut seen);
                }
                same &= untouched;
            }
        }
    }
    if same {
        push(&mut facts.patterns, &mut now, &mut seen);
    }
    Ok(facts)
}

/// Closes a pattern; what follows is the same unit looked at anew.
fn push(patterns: &mut Vec<Pattern>, now: &mut Pattern, seen: &mut BTreeMap<CheckId, Seen>) {
    now.findings = std::mem::take(seen).into_iter().collect();
    if patterns.is_empty() || !now.findings.is_empty() {
        patterns.push(now.clone());
    }
    (now.tells_priors, now.again) = (false, true);
    now.complaint = None;
}

fn minutes(finding: &CardFinding) -> Option<f64> {
    finding.minutes.filter(|m| m.is_finite() && *m > 0.0 && *m <= 10_000.0)
}

fn truth(rules: &Rules, card: &Card, board: Option<&Board>) -> Result<(Vec<FaultId>, bool), String> {
    let Some(outcome) = &card.outcome else { return Err("it is not resolved: no outcome".into()) };
    if card.declined().is_some() || outcome.end == EndState::Declined {
        return Err("it was declined as out of scope".into());
    }
    let mut faults = Vec::new();
    let mut unlisted = outcome.end == EndState::Unlisted;
    for named in &outcome.faults {
        let id = named.value.as_str();
        if id == "unlisted" {
            unlisted = true;
            continue;
        }
        match (rules.find_fault(id), board.and_then(|b| b.fault(id).map(|f| (b, f)))) {
            (Ok(fault), _) => faults.push(fault),
            (Err(_), Some((board, fault))) => {
                let blocks: Vec<_> =
                    card.blocks.iter().filter_map(|b| rules.find_pack(&b.value).ok()).collect();
                match stands_for(rules, &Statistics::packs(rules, &blocks), board, fault).as_slice() {
                    [one] => faults.push(*one),
                    [] => return Err(format!("no fault of the rules stands for the board's '{id}'")),
                    _ => return Err(format!("several faults of the rules stand for the board's '{id}'")),
                }
            }
            (Err(e), None) => return Err(format!("unknown fault '{id}'; {}", e.help)),
        }
    }
    match (outcome.end, faults.is_empty() && !unlisted) {
        (EndState::NothingWrong, true) | (_, false) => Ok((faults, unlisted)),
        _ => Err("its outcome names no fault".into()),
    }
}

/// The complaint's symptoms; `None` where nobody said, or the words were not understood.
fn complaint(rules: &Rules, card: &Card) -> Result<Option<Vec<(CheckId, u8)>>, String> {
    let Some(complaint) = &card.complaint else { return Ok(None) };
    if complaint.symptoms.is_empty() && complaint.words.is_some() {
        return Ok(None);
    }
    let mut out = Vec::new();
    for symptom in &complaint.symptoms {
        out.push(complained(rules, &symptom.value).map_err(|e| e.to_string())?);
    }
    Ok(Some(out))
}

/// What a finding means; `None` for readings on a board, which say nothing of the rules' figures.
fn understood(rules: &Rules, finding: &CardFinding, on_board: bool) -> Result<Option<Meaning>, String> {
    let check = finding.check.value.as_str();
    let of_board =
        check.split_once(':').is_some_and(|(w, _)| ["volts", "ohms", "level", "amps"].contains(&w));
    if of_board && on_board {
        return Ok(None);
    }
    if on_board
        && let Some(remedy) = check.strip_prefix("try:")
        && rules.find_remedy(remedy).is_err()
    {
        let retest = Retest::ALL.iter().find(|(word, _)| *word == finding.answer.value).map(|(_, r)| *r);
        return Ok(retest.map(|retest| Meaning::Tried { remedy: RemedyRef::Board(remedy.into()), retest }));
    }
    meaning(rules, None, finding).map(Some).map_err(|slip| format!("{}; {}", slip.message, slip.help))
}

fn seen_of(outcome: &Outcome) -> Seen {
    match outcome {
        Outcome::Answer(k) => Seen::Answer(*k as u8),
        Outcome::Soft(likelihood) => {
            let most = likelihood.iter().copied().fold(0.0, f64::max);
            let parts: Vec<u16> =
                likelihood.iter().map(|l| (l / most * f64::from(WHOLE)).round() as u16).collect();
            match parts.iter().filter(|p| **p > 0).count() {
                1 => Seen::Answer(parts.iter().position(|p| *p > 0).unwrap_or(0) as u8),
                _ => Seen::Soft(parts),
            }
        }
    }
}
