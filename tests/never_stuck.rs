//! A job is never stuck: after any number of answers, contradictory ones too, and of remedies that change nothing, a card still takes the
//! next answer, is weighed, and has a next step.
//!
//! Jobs on the shipped boards and on stock outlines are played for thirty steps with answers drawn at random from those that the step takes;
//! readings are drawn around the healthy one, or are nothing at all. The gate plays a few; `HALFSPLIT_JOBS=200` plays so many, and prints the
//! slowest step.
#![allow(clippy::unwrap_used, clippy::panic, clippy::print_stdout)]

use halfsplit::cases::board_example;
use halfsplit::circuit::board::Board;
use halfsplit::job::{CheckStep, Diagnosis, JobCard, NewCard, NewFinding};
use halfsplit::rules::parts::Library;
use halfsplit::rules::{History, Rules, Tool};
use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::{RngCore, SeedableRng};
use std::time::{Duration, Instant};

const JOBS: u64 = 3;
const STEPS: usize = 30;
const BOARDS: [&str; 4] = ["tin-lantern", "rust-comb", "slow-lighthouse", "violet-stair"];
const OUTLINES: [&str; 4] = ["echo-delay", "fuzz", "filter-module", "any"];
const SYMPTOMS: [&str; 5] = ["silent", "hiss", "faint", "distorted", "intermittent"];

struct Dice(ChaCha8Rng);

impl Dice {
    fn below(&mut self, n: usize) -> usize {
        (self.0.next_u64() % n as u64) as usize
    }
    fn of<'a, T>(&mut self, list: &'a [T]) -> &'a T {
        &list[self.below(list.len())]
    }
    /// An answer to a check: a word where it has words, else a reading anywhere between nothing and far too much.
    fn answer(&mut self, check: &CheckStep) -> String {
        if !check.answers.is_empty() && self.below(10) > 0 {
            return self.of(&check.answers).clone();
        }
        let size = self.below(1_000) as f64 / 100.0;
        match check.id.split(':').next() {
            Some("volts") => format!("{size:.2}V"),
            Some("ohms") => format!("{:.0}", 10f64.powf(0.6 * size)),
            Some("amps") => format!("{size:.1}mA"),
            Some("level") => format!("{:.1}dB", 5.0 * size - 40.0),
            _ => "unsure".into(),
        }
    }
}

/// The card at its start, and the board it is about.
fn start(seed: u64, dice: &mut Dice, boards: &[Board]) -> (JobCard, Option<usize>) {
    let board = seed.is_multiple_of(2).then(|| dice.below(boards.len()));
    let new = NewCard {
        unit: format!("Unit {seed}"),
        history: Some(*dice.of(&[History::FreshBuild, History::WorkedBefore])),
        symptoms: vec![(*dice.of(&SYMPTOMS)).into()],
        board: board.map(|b| boards[b].name().to_owned()),
        outline: board.is_none().then(|| (*dice.of(&OUTLINES)).into()),
        tools: vec![Tool::Meter, Tool::AudioProbe, Tool::Iron, Tool::Spares],
        ..NewCard::default()
    };
    (new.job().unwrap(), board)
}

/// Plays a job; the slowest step.
fn play(seed: u64, boards: &[Board]) -> Duration {
    let rules = Rules::builtin().unwrap();
    let mut dice = Dice(ChaCha8Rng::seed_from_u64(seed));
    let (mut job, board) = start(seed, &mut dice, boards);
    let mut slowest = Duration::ZERO;
    for step in 0..STEPS {
        let began = Instant::now();
        let diagnosis = Diagnosis::on(rules, job.clone(), board.map(|b| &boards[b]))
            .unwrap_or_else(|e| panic!("job {seed}, step {step}: {e}\n{}", job.text()));
        let next =
            diagnosis.next(3).unwrap_or_else(|e| panic!("job {seed}, step {step}: {e}\n{}", job.text()));
        slowest = slowest.max(began.elapsed());
        let (check, answer) = match (next.check, next.remedy) {
            (Some(check), _) => {
                let answer = dice.answer(&check);
                (check.id, answer)
            }
            (None, Some(remedy)) => {
                (remedy.id, if dice.below(5) == 0 { "changed" } else { "no-change" }.to_owned())
            }
            (None, None) => {
                assert!(next.done.is_some(), "job {seed}, step {step}: neither a step nor a reason to stop");
                break;
            }
        };
        let new = NewFinding { at: None, check, answer, remark: None };
        job =
            job.with_finding(&new).unwrap_or_else(|e| panic!("job {seed}, step {step}: {e}\n{}", job.text()));
    }
    slowest
}

#[test]
fn any_thirty_answers_leave_a_job_that_goes_on() {
    let jobs = std::env::var("HALFSPLIT_JOBS").map_or(JOBS, |n| n.parse().unwrap());
    let library = Library::builtin().unwrap();
    let boards: Vec<Board> =
        BOARDS.iter().map(|name| Board::load(&board_example(name).unwrap(), &library).unwrap()).collect();
    let slowest = (0..jobs).map(|seed| (play(seed, &boards), seed)).max().unwrap();
    println!("{jobs} jobs; the slowest step took {:.2} s, in job {}", slowest.0.as_secs_f64(), slowest.1);
}
