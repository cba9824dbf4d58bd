//! The drill's games with readings of another simulator: the solver that makes the planner's predictions is not to be its only judge.
//!
//! For two boards, units with one fault each are drawn, and volts, amps and levels of each unit, with its fault in and its own parts, come
//! from ngspice (stored under tests/data/games, made by tests/scripts/make_games.py). Each game is played twice, once with the drill's own
//! readings and once with those. Ohms with the power off are the drill's own in both: a resistance range is no analysis of ngspice.
//!
//! With `HALFSPLIT_DECKS=FOLDER` the test writes the units as SPICE decks instead, for that script.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, clippy::print_stdout)]

#[path = "support/spice.rs"]
mod spice;

use halfsplit::cases::board_example;
use halfsplit::cases::drill::{self, Drill, Figures, Game, Hand, Hidden, Known, Noise, Rig, Setting, Unit};
use halfsplit::circuit::board::Board;
use halfsplit::circuit::dc::{Options, Solver};
use halfsplit::circuit::network::Node;
use halfsplit::circuit::predict::{Bench, CheckId};
use halfsplit::job::Terms;
use halfsplit::rules::parts::Library;
use halfsplit::rules::{History, Rules, Tool};
use serde::Deserialize;
use std::collections::BTreeMap;
use std::fmt::Write;
use std::path::Path;
use std::rc::Rc;

/// Units of each board whose readings are compared.
const UNITS: usize = 24;
/// How many of them are played, the first by number: a game takes about a second.
const PLAYED: usize = 20;
/// Share of readings on which the two simulators must agree.
const AGREE: f64 = 0.95;
/// Share of games in which the fault must be found on the other simulator's readings.
const FOUND: f64 = 0.95;
/// How far the mean minutes may be apart, as a share of those on the drill's own readings.
const MINUTES: f64 = 0.25;

/// tests/data/games/BOARD.json.
#[derive(Deserialize)]
struct Stored {
    made_with: String,
    seed: u64,
    units: BTreeMap<usize, StoredUnit>,
    /// Units for which the simulator finds no operating point.
    left_out: Vec<usize>,
}

#[derive(Deserialize)]
struct StoredUnit {
    faults: Vec<String>,
    values: BTreeMap<String, f64>,
}

fn drill() -> Drill {
    Drill {
        setting: Setting {
            history: History::FreshBuild,
            tools: vec![Tool::Meter, Tool::AudioProbe, Tool::Iron, Tool::Spares],
            terms: Terms::default(),
        },
        games: UNITS,
        seed: 1,
        hidden: Hidden::Exactly(1),
        outside: false,
        hands: vec![Hand::Planner],
        noise: Noise::default(),
    }
}

/// The deck of a unit: its lines, one meter a net (`alter`ed to its resistance when it is read), what is to be read where, and our own
/// operating point as the simulator's first guess: it leaves that as soon as its own equations say otherwise.
fn deck(rig: &Rig<'_>, number: usize, unit: &Unit) -> String {
    let board = rig.board();
    let network = rig.network(unit).unwrap();
    let mut out = format!("{} unit {number}\n", board.name());
    let meter = Bench::default().meter_ohms;
    unit.faults.iter().for_each(|fault| writeln!(out, "*fault {fault}").unwrap());
    writeln!(out, "*meter {meter:e}").unwrap();
    if let Some(signal) = board.signal() {
        writeln!(out, "*tone {:e}", signal.tone.0).unwrap();
    }
    let mut meters = String::new();
    for check in rig.circuit.checks() {
        let node = || board.node(check.place()).unwrap();
        match &check {
            // Those of what the board does by itself take a solution in time, and are the drill's own as well.
            CheckId::Ohms(_) | CheckId::Hertz(_) | CheckId::Swing(_) | CheckId::Noise(_) => {}
            CheckId::Volts(_) if node() == Node::GROUND => {}
            CheckId::Volts(_) => {
                let at = spice::node(node());
                writeln!(out, "*volts {check} {at} rm{at}").unwrap();
                writeln!(meters, "rm{at} {at} 0 1e15").unwrap();
            }
            CheckId::Level(_) => writeln!(out, "*level {check} {}", spice::node(node())).unwrap(),
            CheckId::Amps(name) => {
                let supply = board.supplies().iter().find(|s| s.name == *name).unwrap();
                writeln!(out, "*amps {check} {}", spice::source(supply.element)).unwrap();
            }
        }
    }
    let point = Solver::new(&network, Options::default()).unwrap().operating_point().unwrap();
    for at in network.nodes().filter(|n| !n.is_ground()) {
        writeln!(meters, ".nodeset v({})={:.4}", spice::node(at), point.volts(at)).unwrap();
    }
    out + &spice::lines(&network) + &meters + ".end\n"
}

/// Whether two readings agree: within 1 mV and 0.1 % of volts, 2 uA and 0.1 % of amps, all well under a handheld meter's error; within 0.1 dB
/// of a level, where neither is as good as dead (-90 dB).
fn agree(check: &CheckId, ours: f64, theirs: f64) -> bool {
    let apart = (ours - theirs).abs();
    match check {
        CheckId::Volts(_) => apart <= 1e-3 + 1e-3 * ours.abs(),
        CheckId::Amps(_) => apart <= 2e-6 + 1e-3 * ours.abs(),
        CheckId::Level(_) => apart <= 0.1 || (ours < -90.0 && theirs < -90.0),
        CheckId::Ohms(_) | CheckId::Hertz(_) | CheckId::Swing(_) | CheckId::Noise(_) => ours == theirs,
    }
}

fn figures(name: &str, games: &[Game]) -> (f64, f64) {
    let of = |f: fn(&Game) -> f64| Figures::of(games.iter().map(f).collect());
    let found = games.iter().filter(|g| g.found).count() as f64 / games.len() as f64;
    let (minutes, steps) = (of(|g| g.minutes), of(|g| g.steps.len() as f64));
    println!(
        "  {name:<20} found {:.1} %, minutes mean {:.2} median {:.2} p90 {:.2}, steps {:.2}",
        found * 100.0,
        minutes.mean,
        minutes.median,
        minutes.p90,
        steps.mean
    );
    (found, minutes.mean)
}

/// A unit with its stored readings; what the two simulators don't agree on is printed and counted.
fn known(rig: &Rig<'_>, unit: &Unit, stored: &StoredUnit, misfits: &mut usize) -> Unit {
    let values: BTreeMap<CheckId, f64> =
        stored.values.iter().map(|(id, value)| (id.parse().unwrap(), *value)).collect();
    for (check, theirs) in &values {
        let ours = rig.truth(unit, check).unwrap();
        if !agree(check, ours, *theirs) {
            *misfits += 1;
            println!("  {}: {check} is {ours:.6} by the drill, {theirs:.6} stored", unit.faults.join(" "));
        }
    }
    Unit { known: Some(Rc::new(Known::from([(unit.faults.clone(), values)]))), ..unit.clone() }
}

fn compare(name: &str) {
    let (rules, drill) = (Rules::builtin().unwrap(), drill());
    let board = Board::load(&board_example(name).unwrap(), &Library::builtin().unwrap()).unwrap();
    let rig = drill::rig(rules, &board, &drill).unwrap();
    if let Some(folder) = std::env::var_os("HALFSPLIT_DECKS") {
        for number in 0..UNITS {
            let unit = drill::unit(&rig, &drill, number).unwrap();
            let file = Path::new(&folder).join(format!("{name}-{number}.cir"));
            std::fs::write(file, deck(&rig, number, &unit)).unwrap();
        }
        return;
    }
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join(format!("tests/data/games/{name}.json"));
    let stored: Stored = serde_json::from_str(&std::fs::read_to_string(path).unwrap()).unwrap();
    assert_eq!(stored.seed, drill.seed);
    assert_eq!(stored.units.len() + stored.left_out.len(), UNITS);
    let (mut ours, mut theirs, mut misfits) = (Vec::new(), Vec::new(), 0);
    println!("{name}, {} units, {PLAYED} played, readings of {}:", stored.units.len(), stored.made_with);
    for (number, with) in &stored.units {
        let unit = drill::unit(&rig, &drill, *number).unwrap();
        let again = "the units drawn have changed: run tests/scripts/make_games.py";
        assert_eq!(unit.faults, with.faults, "{name} unit {number}: {again}");
        let other = known(&rig, &unit, with, &mut misfits);
        if ours.len() == PLAYED {
            continue;
        }
        ours.push(drill::play(&rig, &unit, Hand::Planner, &drill.setting).unwrap());
        theirs.push(drill::play(&rig, &other, Hand::Planner, &drill.setting).unwrap());
    }
    let readings: usize = stored.units.values().map(|u| u.values.len()).sum();
    println!("  {misfits} of {readings} readings differ");
    let (_, minutes) = figures("the drill's own", &ours);
    let (found, other_minutes) = figures("stored readings", &theirs);
    assert!(misfits as f64 <= (1.0 - AGREE) * readings as f64, "{misfits} of {readings} readings differ");
    assert!(found >= FOUND, "{name}: found {found} on the stored readings");
    assert!(
        (other_minutes - minutes).abs() <= MINUTES * minutes,
        "{name}: {other_minutes} minutes, {minutes} on the drill's own readings"
    );
}

#[test]
fn pocket_beacon_is_found_on_another_simulators_readings() {
    compare("pocket-beacon");
}

#[test]
fn tin_lantern_is_found_on_another_simulators_readings() {
    compare("tin-lantern");
}
