//! Units of the stock outlines, without a board: each fault of an outline, played by typical answers.
//!
//! A card is opened with the symptom that the fault most often brings about, and with the light, where the unit has one. What is proposed
//! is done: a check gets the likeliest answer of a unit that has this fault and no other, in view of all that was answered before; work
//! succeeds where it is for the fault. So a game holds no chance: it shows whether the way that a usual unit takes ends, and when.
//!
//! Of faults that differ by their spot alone one is played: the likeliest, of equally likely ones the middle one.
//! Absent: unusual answers, units with two faults, and faults of which an owner notices nothing.

use super::play::{MOST_STEPS, Played, cures};
use super::score::Figures;
use crate::belief::FaultId;
use crate::job::{Diagnosis, JobCard, NewCard, NewFinding, Planning, RemedyRef, Terms};
use crate::plan::{Plain, Step};
use crate::rules::places::UnitFacts;
use crate::rules::{CheckId, History, Rules, Tool};
use crate::text::{Complaint, Complaints, or_nearest};
use serde::Serialize;
use std::collections::BTreeMap;
use std::sync::atomic::{AtomicUsize, Ordering};

/// Minutes after which a game is broken off.
pub const MOST_MINUTES: f64 = 60.0;
/// Minutes within which a fault is put right in time.
pub const IN_TIME: f64 = 40.0;
/// A fault whose strongest symptom is rarer than this is not noticed, and nobody brings the unit.
const NOTICED: f64 = 0.1;

/// A fault of an outline that is to be played.
#[derive(Clone, Debug, PartialEq)]
pub struct OutlineFault {
    /// The outline.
    pub outline: String,
    /// The fault, `MODE@SPOT`.
    pub fault: String,
    /// The history in which it is likelier.
    pub history: History,
    /// Prior probability there, its siblings at other spots included.
    pub prior: f64,
}

/// A game on an outline, played to its end.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct OutlineGame {
    /// The outline.
    pub outline: String,
    /// The hidden fault.
    pub fault: String,
    /// What the unit has been through.
    pub history: String,
    /// Prior probability of the fault, its siblings at other spots included.
    pub prior: f64,
    /// The complaint.
    pub symptom: String,
    /// Check or `try:REMEDY`, what was found, minutes.
    pub steps: Vec<Played>,
    /// Minutes altogether.
    pub minutes: f64,
    /// Whether it was put right.
    pub mended: bool,
    /// Whether the first work tried put it right; nothing where none was tried. What is done and undone by hand, such as turning a
    /// knob of the test gear, is no work unless it is the cure.
    pub first_right: Option<bool>,
    /// Why it ended.
    pub end: String,
}

impl OutlineGame {
    /// Whether it was put right within 40 minutes.
    pub fn in_time(&self) -> bool {
        self.mended && self.minutes <= IN_TIME
    }
}

/// Games of one outline, or of all, summed up.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct OutlineScore {
    /// The outline, `all` for all of them.
    pub outline: String,
    /// Faults played.
    pub games: usize,
    /// Share that was put right within 40 minutes.
    pub in_time: f64,
    /// Share that was put right at all.
    pub mended: f64,
    /// Minutes a game; one that was not put right counts as long as it was played.
    pub minutes: Figures,
    /// Share whose first work tried was the right one.
    pub first_right: f64,
    /// Share that was put right within 40 minutes, each fault counted by how often it comes.
    pub often_in_time: f64,
    /// Mean minutes, each fault counted by how often it comes.
    pub often_minutes: f64,
}

impl OutlineScore {
    fn of(outline: &str, games: &[&OutlineGame]) -> Self {
        let count = games.len().max(1) as f64;
        let share = |is: fn(&OutlineGame) -> bool| games.iter().filter(|g| is(g)).count() as f64 / count;
        let whole: f64 = games.iter().map(|g| g.prior).sum::<f64>().max(f64::MIN_POSITIVE);
        let often = |x: fn(&OutlineGame) -> f64| games.iter().map(|g| g.prior * x(g)).sum::<f64>() / whole;
        Self {
            outline: outline.into(),
            games: games.len(),
            in_time: share(OutlineGame::in_time),
            mended: share(|g| g.mended),
            minutes: Figures::of(games.iter().map(|g| g.minutes).collect()),
            first_right: share(|g| g.first_right == Some(true)),
            often_in_time: often(|g| f64::from(u8::from(g.in_time()))),
            often_minutes: often(|g| g.minutes),
        }
    }
}

/// What came of the games on outlines.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct OutlineReport {
    /// Each outline, then all together where there are several.
    pub outlines: Vec<OutlineScore>,
    /// Every game.
    pub games: Vec<OutlineGame>,
}

impl OutlineReport {
    /// Sums games up.
    pub fn of(games: Vec<OutlineGame>) -> Self {
        let mut by: BTreeMap<&str, Vec<&OutlineGame>> = BTreeMap::new();
        for game in &games {
            by.entry(&game.outline).or_default().push(game);
        }
        let mut outlines: Vec<OutlineScore> = by.iter().map(|(o, g)| OutlineScore::of(o, g)).collect();
        if outlines.len() != 1 {
            outlines.push(OutlineScore::of("all", &games.iter().collect::<Vec<_>>()));
        }
        Self { outlines, games }
    }

    /// The table by fault, a line a game.
    pub fn table(&self) -> String {
        let mut out = String::from(
            "outline                 fault                                       complaint            minutes steps  mended  first work\n",
        );
        for g in &self.games {
            let mended = if g.mended { "yes" } else { "no" };
            let first = match g.first_right {
                Some(true) => "right",
                Some(false) => "wrong",
                None => "none",
            };
            out += &format!(
                "{:<23} {:<43} {:<20} {:>7.1} {:>5}  {mended:<6}  {first}\n",
                g.outline,
                g.fault,
                g.symptom,
                g.minutes,
                g.steps.len()
            );
        }
        out
    }
}

/// The outlines meant by a name, or by `all`.
///
/// # Errors
/// An outline that there is none of.
pub fn outlines(rules: &Rules, name: &str) -> Result<Vec<String>, Complaints> {
    let library = rules.library()?;
    let names = || library.outlines.keys().cloned();
    match name {
        "all" => Ok(names().collect()),
        _ if library.outlines.contains_key(name) => Ok(vec![name.to_owned()]),
        _ => {
            let help = or_nearest(name, library.outlines.keys().map(String::as_str).chain(["all"]));
            Err(Complaint::nowhere("unknown-name", format!("unknown outline '{name}'")).help(help).into())
        }
    }
}

/// The faults of an outline that are played, the likeliest first. With `most` so many of them, evenly from the likeliest to the rarest.
///
/// # Errors
/// An unknown outline.
pub fn outline_faults(
    rules: &Rules,
    outline: &str,
    most: Option<usize>,
) -> Result<Vec<OutlineFault>, Complaints> {
    // By mode, wherever it sits: what is likeliest, and all of it.
    type Mode = (String, usize);
    let mut modes: BTreeMap<Mode, Vec<OutlineFault>> = BTreeMap::new();
    for history in [History::FreshBuild, History::WorkedBefore] {
        let (unit, _) = rules.for_unit(&UnitFacts::new(outline, history))?;
        let mut found: BTreeMap<Mode, Vec<OutlineFault>> = BTreeMap::new();
        for (_, fault) in unit.faults() {
            let key = (fault.place.file.name.clone(), fault.place.span.start);
            found.entry(key).or_default().push(OutlineFault {
                outline: outline.into(),
                fault: fault.id.clone(),
                history,
                prior: fault.prior(history, None).get(),
            });
        }
        let whole = |list: &[OutlineFault]| list.iter().map(|f| f.prior).sum::<f64>();
        for (mode, list) in found {
            if modes.get(&mode).is_none_or(|have| whole(&list) > whole(have)) {
                modes.insert(mode, list);
            }
        }
    }
    let one = |list: Vec<OutlineFault>| {
        let prior = list.iter().map(|f| f.prior).sum();
        let best = list.iter().map(|f| f.prior).fold(0.0, f64::max);
        let alike: Vec<OutlineFault> = list.into_iter().filter(|f| f.prior >= best).collect();
        let middle = alike.len() / 2;
        alike.into_iter().nth(middle).map(|f| OutlineFault { prior, ..f })
    };
    let mut out: Vec<OutlineFault> = modes.into_values().filter_map(one).collect();
    out.sort_by(|a, b| b.prior.total_cmp(&a.prior).then_with(|| a.fault.cmp(&b.fault)));
    let (all, most) = (out.len(), most.unwrap_or(usize::MAX));
    if most >= all {
        return Ok(out);
    }
    let kept: Vec<usize> = (0..most).map(|i| (2 * i + 1) * all / (2 * most)).collect();
    let keep = |(i, f): (usize, OutlineFault)| kept.contains(&i).then_some(f);
    Ok(out.into_iter().enumerate().filter_map(keep).collect())
}

/// Plays faults on two threads; `tick` is called after each game. Faults that an owner would not notice are left out.
///
/// # Errors
/// As [`play_outline`]; the complaint of the first fault.
pub fn outline_games(
    rules: &Rules,
    faults: &[OutlineFault],
    tools: &[Tool],
    tick: &(dyn Fn() + Sync),
) -> Result<Vec<OutlineGame>, Complaints> {
    let next = AtomicUsize::new(0);
    let work = || {
        let mut out = Vec::new();
        loop {
            let number = next.fetch_add(1, Ordering::Relaxed);
            let Some(fault) = faults.get(number) else { return out };
            out.push((number, play_outline(rules, fault, tools)));
            tick();
        }
    };
    let (mut all, other) = std::thread::scope(|scope| {
        let other = scope.spawn(work);
        (work(), other.join())
    });
    all.extend(
        other.map_err(|_| Complaint::nowhere("engine", "a thread of the drill broke off".to_owned()))?,
    );
    all.sort_by_key(|(number, _)| *number);
    let games = all.into_iter().map(|(_, game)| game).collect::<Result<Vec<_>, _>>()?;
    Ok(games.into_iter().flatten().collect())
}

/// Plays one fault; `None` where an owner would notice nothing of it.
///
/// # Errors
/// When the job can't be weighed or planned.
pub fn play_outline(
    rules: &Rules,
    fault: &OutlineFault,
    tools: &[Tool],
) -> Result<Option<OutlineGame>, Complaints> {
    let mut card = NewCard {
        unit: format!("A {}", fault.outline),
        history: Some(fault.history),
        outline: Some(fault.outline.clone()),
        tools: tools.to_vec(),
        ..NewCard::default()
    };
    let sound = Diagnosis::of(rules, card.job()?)?;
    let Some(symptom) = complaint(&sound, &fault.fault)? else { return Ok(None) };
    card.symptoms = vec![symptom.clone()];
    let about = sound.rules.find_symptom(&symptom).ok().map(|s| sound.rules.symptom(s).check);
    // Whoever brings a unit has seen whether its light is on.
    if let Ok(light) = sound.rules.find_check("status-light")
        && about != Some(light)
    {
        let answer = typical(&Diagnosis::of(rules, card.job()?)?, &fault.fault, light)?;
        card.findings = vec![NewFinding { at: None, check: "status-light".into(), answer, remark: None }];
    }
    let mut job = card.job()?;
    let mut game = OutlineGame {
        outline: fault.outline.clone(),
        fault: fault.fault.clone(),
        history: fault.history.name().into(),
        prior: fault.prior,
        symptom,
        steps: Vec::new(),
        minutes: 0.0,
        mended: false,
        first_right: None,
        end: String::new(),
    };
    while game.end.is_empty() {
        let diagnosis = match Diagnosis::of(rules, job.clone()) {
            Ok(diagnosis) => diagnosis,
            // Too tangled a job ends a game, not the drill.
            Err(e) if !game.steps.is_empty() && e.0.iter().all(|c| c.code == "engine") => {
                game.end = "the findings could not be weighed".into();
                break;
            }
            Err(e) => return Err(e),
        };
        let planning = diagnosis.planning(&Terms::default())?;
        let decision = diagnosis.decide(&planning, &Plain::default());
        job = turn(&mut game, &diagnosis, &planning, &decision.step, job)?;
        if game.end.is_empty() && (game.minutes >= MOST_MINUTES || game.steps.len() >= MOST_STEPS) {
            game.end = "out of time".into();
        }
    }
    Ok(Some(game))
}

/// Takes a step and notes what comes of it on the card.
fn turn(
    game: &mut OutlineGame,
    diagnosis: &Diagnosis<'_>,
    planning: &Planning,
    step: &Step,
    job: JobCard,
) -> Result<JobCard, Complaints> {
    let (price, answer) = match step {
        Step::Check(ix) => (planning.problem.checks().get(ix.0).map(|c| &c.price), None),
        Step::Remedy(ix) => {
            let mends = planning.remedy(*ix).is_some_and(|r| mends(diagnosis, r, &game.fault));
            if mends || !planning.problem.remedies().get(ix.0).is_some_and(|r| r.by_hand) {
                game.first_right = game.first_right.or(Some(mends));
            }
            if mends {
                (game.mended, game.end) = (true, "put right".into());
            }
            let retest = if mends { "cured" } else { "no-change" };
            (planning.problem.remedies().get(ix.0).map(|r| &r.price), Some(retest.to_owned()))
        }
        Step::Done(stop) => {
            game.end = super::play::word(stop).into();
            return Ok(job);
        }
    };
    let (Some(price), Some(id)) = (price, planning.id(diagnosis, step)) else {
        game.end = "no such step".into();
        return Ok(job);
    };
    let answer = match answer {
        Some(answer) => answer,
        None => typical(diagnosis, &game.fault, find(diagnosis, &id)?)?,
    };
    let minutes = planning.problem.pay(price, &planning.state).0.minutes;
    game.minutes += minutes;
    let new = NewFinding { at: None, check: id.clone(), answer: answer.clone(), remark: None };
    game.steps.push(Played { id, answer, minutes });
    Ok(job.with_finding(&new).map_err(|e| Complaint::nowhere("card", e.to_string()))?)
}

fn find(diagnosis: &Diagnosis<'_>, check: &str) -> Result<CheckId, Complaints> {
    Ok(diagnosis.rules.find_check(check).map_err(|e| Complaint::nowhere("unknown-name", e.to_string()))?)
}

fn mends(diagnosis: &Diagnosis<'_>, remedy: &RemedyRef, fault: &str) -> bool {
    cures(diagnosis, remedy).contains(fault)
}

/// Chances of a check's answers in a unit with this fault and no other, in view of what was found.
fn chances(diagnosis: &Diagnosis<'_>, fault: &str, checks: &[CheckId]) -> Result<Vec<Vec<f64>>, Complaints> {
    let fault: FaultId = diagnosis.model.fault(fault).ok_or_else(|| {
        Complaint::nowhere("unknown-name", format!("the model of this unit lacks the fault '{fault}'"))
    })?;
    let given = diagnosis.model.belief.many_given().of(&[fault]);
    let of = |check: &CheckId| {
        let node = diagnosis.model.now.get(check);
        node.map_or_else(Vec::new, |node| diagnosis.model.belief.expected_answers(&given, *node))
    };
    Ok(checks.iter().map(of).collect())
}

/// The likeliest answer of a check.
fn typical(diagnosis: &Diagnosis<'_>, fault: &str, check: CheckId) -> Result<String, Complaints> {
    let chances = chances(diagnosis, fault, &[check])?.pop().unwrap_or_default();
    let best = (0..chances.len()).max_by(|a, b| chances[*a].total_cmp(&chances[*b]).then(b.cmp(a)));
    Ok(diagnosis.rules.check(check).answers[best.unwrap_or(0)].clone())
}

/// The symptom that a fault most often brings about; none where an owner would notice nothing.
fn complaint(diagnosis: &Diagnosis<'_>, fault: &str) -> Result<Option<String>, Complaints> {
    let symptoms: Vec<(&str, CheckId, usize)> =
        diagnosis.rules.symptoms().map(|(_, s)| (s.id.as_str(), s.check, s.answer)).collect();
    let checks: Vec<CheckId> = symptoms.iter().map(|s| s.1).collect();
    let mut best: Option<(f64, &str)> = None;
    for ((id, _, answer), chances) in symptoms.iter().zip(chances(diagnosis, fault, &checks)?) {
        let p = chances.get(*answer).copied().unwrap_or(0.0);
        if p >= NOTICED && best.is_none_or(|(most, _)| p > most) {
            best = Some((p, id));
        }
    }
    Ok(best.map(|(_, id)| id.to_owned()))
}
