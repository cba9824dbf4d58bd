//! What resolved cards say about a bench: what fails, how long it takes, whether the rules' probabilities can be believed,
//! which cases surprised them, which checks never mattered.
//!
//! Cards are read one by one and not held. At most [`JUDGED`] of them, spread evenly, are judged by the rules: that is what
//! takes time. Cards with a board are counted but not judged: their readings say nothing to the rules alone.

mod draw;
mod page;

use super::learn::{JUDGED, Judge, Pattern, Standing, beta_quantile, facts, spread};
use crate::job::{Card, EndState, JobCard, store};
use crate::rules::{CheckId, FaultId, Rules};
use serde::Serialize;
use std::collections::BTreeMap;
use std::path::PathBuf;

/// True faults that stood below this at the end surprised the rules.
const SURPRISE: f64 = 0.05;
/// A check that was done so often without ever deciding anything is named.
const OFTEN: u64 = 5;
/// Longest list of surprises.
const LISTED: usize = 50;
/// Probabilities below this are not counted: nearly all faults stand there in every case.
const COUNTED: f64 = 0.001;
/// Faults that a tally names at most.
const NAMED: usize = 10;

/// How often a fault was found.
#[derive(Clone, Debug, Default, PartialEq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct FaultCount {
    /// Fault id.
    pub id: String,
    /// What is wrong then; empty for a fault of a board.
    pub says: String,
    /// How often.
    pub count: u64,
}

/// How often each fault was found in one kind of job.
#[derive(Clone, Debug, Default, PartialEq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Tally {
    /// Unit, history or block.
    pub name: String,
    /// Jobs.
    pub jobs: u64,
    /// The commonest faults; at most ten.
    pub faults: Vec<FaultCount>,
}

/// Minutes on jobs where they were noted.
#[derive(Clone, Debug, Default, PartialEq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct JobMinutes {
    /// Jobs with times.
    pub jobs: u64,
    /// Mean.
    pub mean: f64,
    /// Median.
    pub median: f64,
    /// Nine jobs in ten took no longer.
    pub p90: f64,
    /// Width of a bar of `bars`.
    pub bar: f64,
    /// Jobs by minutes: from 0 up, each bar as wide as `bar`; the last holds all longer ones too.
    pub bars: Vec<u64>,
}

/// One bar of the reliability table.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Reliability {
    /// Lower end of the stretch of probabilities.
    pub low: f64,
    /// Upper end.
    pub high: f64,
    /// Probabilities given that lie in it.
    pub count: u64,
    /// Their mean.
    pub said: f64,
    /// Share of them where the fault was there.
    pub was: f64,
    /// Central 90 % of what that share may be (Beta posterior with Jeffreys' prior).
    pub interval: [f64; 2],
}

/// A case that the rules did not see coming.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Surprising {
    /// The card's file.
    pub case: String,
    /// What was true.
    pub truth: Vec<String>,
    /// Probability of it at the end; of several faults, of the least probable.
    pub probability: f64,
    /// What led instead.
    pub leader: String,
    /// What put it right, as the card says.
    pub did: Option<String>,
}

/// A check that never changed who led.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct IdleCheck {
    /// Check id.
    pub check: String,
    /// What it is.
    pub says: String,
    /// How often it was done in the cases judged.
    pub done: u64,
    /// Minutes it takes.
    pub minutes: f64,
}

/// A card left out.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct LeftOut {
    /// The card's file.
    pub file: String,
    /// Why.
    pub reason: String,
}

/// The report.
#[derive(Clone, Debug, Default, PartialEq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct BenchReport {
    /// Resolved cards.
    pub cards: u64,
    /// Cards left out, with the reason.
    pub left_out: Vec<LeftOut>,
    /// What fails, over all.
    pub faults: Vec<FaultCount>,
    /// What fails, by unit, the most frequent first.
    pub units: Vec<Tally>,
    /// What fails, by history.
    pub histories: Vec<Tally>,
    /// What fails, by block.
    pub blocks: Vec<Tally>,
    /// Minutes on a job.
    pub minutes: JobMinutes,
    /// Minutes on a job, by history.
    pub minutes_by_history: Vec<(String, JobMinutes)>,
    /// Cases judged by the rules.
    pub judged: u64,
    /// Cases that the rules hold impossible, by file; they are not judged.
    pub impossible: Vec<String>,
    /// Reliability of the probabilities at the end of a job, in tenths; probabilities below 0.1 % are left out.
    pub calibration: Vec<Reliability>,
    /// Cases that surprised the rules, the most surprising first: where a rule may be missing.
    pub surprising: Vec<Surprising>,
    /// Checks done at least five times in the cases judged that never changed who led.
    pub idle: Vec<IdleCheck>,
}

#[derive(Default)]
struct Names(BTreeMap<String, (u64, BTreeMap<String, u64>)>);

impl Names {
    fn add(&mut self, name: &str, truth: &[String]) {
        let entry = self.0.entry(name.into()).or_default();
        entry.0 += 1;
        truth.iter().for_each(|f| *entry.1.entry(f.clone()).or_default() += 1);
    }

    fn tallies(self, rules: &Rules) -> Vec<Tally> {
        let one = |(name, (jobs, faults)): (String, (u64, BTreeMap<String, u64>))| {
            let says =
                |id: &str| rules.find_fault(id).map_or_else(|_| other(id), |f| rules.fault(f).says.clone());
            let count = |(id, count): (String, u64)| FaultCount { says: says(&id), id, count };
            let mut faults: Vec<_> = faults.into_iter().map(count).collect();
            faults.sort_by(|a, b| b.count.cmp(&a.count).then_with(|| a.id.cmp(&b.id)));
            faults.truncate(NAMED);
            Tally { name, jobs, faults }
        };
        let mut all: Vec<Tally> = self.0.into_iter().map(one).collect();
        all.sort_by(|a, b| b.jobs.cmp(&a.jobs).then_with(|| a.name.cmp(&b.name)));
        all
    }
}

fn other(id: &str) -> String {
    match id {
        "unlisted" => "Something the rules don't know".into(),
        NOTHING => "Nothing wrong with the unit".into(),
        // The parts of a board have names of their own, not of the rules.
        _ => format!("On the unit's own board: {id}"),
    }
}

/// How a job is counted whose unit was sound.
const NOTHING: &str = "nothing-wrong";

/// A case to be judged.
struct Told {
    file: String,
    truth: Vec<String>,
    did: Option<String>,
    pattern: Pattern,
}

/// Reports on cards, judging on so many threads. `tick` is called once a card. Cost: reading, and some 50 ms a case judged.
pub fn report(rules: &Rules, files: &[PathBuf], threads: usize, tick: &dyn Fn()) -> BenchReport {
    let mut out = BenchReport::default();
    let [mut all, mut units, mut histories, mut blocks] = [(); 4].map(|()| Names::default());
    let mut minutes: BTreeMap<String, Vec<f64>> = BTreeMap::new();
    let every = files.len().div_ceil(JUDGED).max(1);
    let mut told = Vec::new();
    for (number, file) in files.iter().enumerate() {
        tick();
        let name = file.display().to_string();
        let job = match resolved(file) {
            Ok(job) => job,
            Err(reason) => {
                out.left_out.push(LeftOut { file: name, reason });
                continue;
            }
        };
        out.cards += 1;
        let (card, truth) = (&job.card, truth(&job.card));
        all.add("", &truth);
        units.add(&card.unit.value, &truth);
        histories.add(card.history.value.name(), &truth);
        card.blocks.iter().for_each(|b| blocks.add(&b.value, &truth));
        if let Some(m) = minutes_of(card) {
            minutes.entry(card.history.value.name().into()).or_default().push(m);
        }
        let first = |f: super::learn::Facts| f.patterns.into_iter().next();
        if number.is_multiple_of(every)
            && card.board.is_none()
            && let Some(pattern) = facts(rules, card, None).ok().and_then(first)
        {
            let did = card.outcome.as_ref().and_then(|o| o.did.clone());
            told.push(Told { file: name, truth, did, pattern });
        }
    }
    out.faults = all.tallies(rules).into_iter().next().map(|t| t.faults).unwrap_or_default();
    (out.units, out.histories, out.blocks) =
        (units.tallies(rules), histories.tallies(rules), blocks.tallies(rules));
    out.minutes = JobMinutes::of(minutes.values().flatten().copied().collect());
    out.minutes_by_history = minutes.into_iter().map(|(name, m)| (name, JobMinutes::of(m))).collect();
    out.judge(rules, &told, threads);
    out
}

fn resolved(file: &std::path::Path) -> Result<JobCard, String> {
    let first = |e: String| e.lines().next().unwrap_or_default().to_string();
    let source = store::read(file).map_err(|e| first(e.to_string()))?;
    let job = JobCard::read(&source).map_err(|e| first(e.to_string()))?;
    match &job.card.outcome {
        None => Err("it is not resolved: no outcome".into()),
        Some(o) if o.end == EndState::Declined => Err("it was declined as out of scope".into()),
        Some(o) if o.faults.is_empty() && o.end == EndState::HandedOn => {
            Err("its outcome names no fault".into())
        }
        Some(_) => Ok(job),
    }
}

fn truth(card: &Card) -> Vec<String> {
    let Some(outcome) = &card.outcome else { return Vec::new() };
    let named: Vec<String> = outcome.faults.iter().map(|f| f.value.clone()).collect();
    match (named.is_empty(), outcome.end) {
        (true, EndState::Unlisted) => vec!["unlisted".into()],
        (true, EndState::NothingWrong) => vec![NOTHING.into()],
        _ => named,
    }
}

/// Minutes on a job: those of the outcome, else those noted on findings and work.
fn minutes_of(card: &Card) -> Option<f64> {
    let noted =
        card.findings.iter().filter_map(|f| f.minutes).chain(card.work.iter().filter_map(|w| w.minutes));
    let total: f64 = noted.filter(|m| m.is_finite() && *m >= 0.0).sum();
    card.outcome.as_ref().and_then(|o| o.minutes).or(Some(total)).filter(|m| m.is_finite() && *m > 0.0)
}

impl JobMinutes {
    fn of(mut minutes: Vec<f64>) -> Self {
        if minutes.is_empty() {
            return Self::default();
        }
        minutes.sort_by(f64::total_cmp);
        let n = minutes.len();
        // Nearest rank.
        let at = |share: f64| minutes[((n as f64 * share).ceil() as usize).clamp(1, n) - 1];
        let (median, p90) = (at(0.5), at(0.9));
        let bar = [1.0, 2.0, 5.0, 10.0, 15.0, 30.0, 60.0, 120.0, 240.0, 480.0];
        let bar = bar.into_iter().find(|b| p90 / b <= 8.0).unwrap_or(960.0);
        let last = (minutes[n - 1] / bar).floor().min(11.0) as usize;
        let mut bars = vec![0; last + 1];
        minutes.iter().for_each(|m| bars[((m / bar) as usize).min(last)] += 1);
        Self { jobs: n as u64, mean: minutes.iter().sum::<f64>() / n as f64, median, p90, bar, bars }
    }
}

impl BenchReport {
    fn judge(&mut self, rules: &Rules, told: &[Told], threads: usize) {
        let judge = Judge::new(rules);
        let mut bins = [(0u64, 0.0, 0u64); 10];
        let mut checks: BTreeMap<CheckId, (u64, bool)> = BTreeMap::new();
        for (told, judged) in told.iter().zip(spread(told, threads, &|t: &Told| judge.standing(&t.pattern))) {
            let Some((standing, without)) = judged else {
                self.impossible.push(told.file.clone());
                continue;
            };
            self.judged += 1;
            for (fault, p) in standing.faults.iter().filter(|(_, p)| *p >= COUNTED) {
                let there = fault.map_or(told.pattern.unlisted, |f| told.pattern.faults.contains(&f));
                let bin = &mut bins[((p * 10.0) as usize).min(9)];
                (bin.0, bin.1, bin.2) = (bin.0 + 1, bin.1 + p, bin.2 + u64::from(there));
            }
            for ((check, _), leader) in told.pattern.findings.iter().zip(without) {
                let entry = checks.entry(*check).or_default();
                (entry.0, entry.1) = (entry.0 + 1, entry.1 || leader != standing.leader);
            }
            self.surprising.extend(surprise(rules, told, &standing));
        }
        self.calibration = bins.iter().enumerate().map(|(i, bin)| reliability(i, *bin)).collect();
        self.surprising
            .sort_by(|a, b| a.probability.total_cmp(&b.probability).then_with(|| a.case.cmp(&b.case)));
        self.surprising.truncate(LISTED);
        for (id, (done, _)) in checks.into_iter().filter(|(_, (done, told))| *done >= OFTEN && !told) {
            let check = rules.check(id);
            let (says, minutes) = (check.says.clone(), check.minutes.get());
            self.idle.push(IdleCheck { check: check.id.clone(), says, done, minutes });
        }
        self.idle.sort_by(|a, b| b.done.cmp(&a.done).then_with(|| a.check.cmp(&b.check)));
    }
}

fn surprise(rules: &Rules, told: &Told, standing: &Standing) -> Option<Surprising> {
    let named = |f: FaultId| rules.fault(f).id.clone();
    (standing.truth < SURPRISE).then(|| Surprising {
        case: told.file.clone(),
        truth: told.truth.clone(),
        probability: standing.truth,
        leader: standing.leader.map_or_else(|| "unlisted".into(), named),
        did: told.did.clone(),
    })
}

fn reliability(tenth: usize, (count, said, was): (u64, f64, u64)) -> Reliability {
    let (n, k) = (count as f64, was as f64);
    let end = |p: f64| if count == 0 { p } else { beta_quantile(k + 0.5, n - k + 0.5, p) };
    Reliability {
        low: tenth as f64 / 10.0,
        high: (tenth + 1) as f64 / 10.0,
        count,
        said: said / n.max(1.0),
        was: k / n.max(1.0),
        interval: [end(0.05), end(0.95)],
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;

    #[test]
    fn the_committed_schema_says_what_the_type_says() {
        crate::rules::assert_output_schema::<BenchReport>("cases-report");
    }

    /// Jeffreys' interval of 8 in 10 by scipy.stats.beta.ppf([0.05, 0.95], 8.5, 2.5).
    #[test]
    fn shares_have_their_interval() {
        let bin = reliability(7, (10, 7.5, 8));
        assert_eq!((bin.low, bin.high, bin.said, bin.was), (0.7, 0.8, 0.75, 0.8));
        let [low, high] = bin.interval;
        assert!((low - 0.547_504).abs() < 1e-5 && (high - 0.939_786).abs() < 1e-5, "{bin:?}");
    }

    #[test]
    fn times_are_counted_in_bars() {
        let minutes = JobMinutes::of(vec![12.0, 7.0, 31.0, 44.0, 18.0]);
        assert_eq!((minutes.jobs, minutes.median, minutes.p90, minutes.bar), (5, 18.0, 44.0, 10.0));
        assert_eq!(minutes.bars, [1, 2, 0, 1, 1]);
        assert_eq!(JobMinutes::of(Vec::new()), JobMinutes::default());
    }

    #[test]
    fn names_on_cards_stay_text_in_every_format() {
        let unit = "<script>alert(1)</script> *Lamp* | pipe \u{1b}[31m".to_string();
        let tally = Tally { name: unit, jobs: 2, faults: Vec::new() };
        let report = BenchReport { cards: 2, units: vec![tally], ..BenchReport::default() };
        let html = report.html();
        assert!(!html.contains("<script>") && html.contains("&lt;script&gt;"));
        assert!(report.markdown().contains("\\<script\\>") && report.markdown().contains("\\| pipe"));
        assert!(!report.text().contains('\u{1b}'));
        assert!(report.text().lines().all(|l| l.chars().count() <= 80), "{}", report.text());
    }
}
