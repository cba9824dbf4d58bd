//! Netlists brought in, against the reference simulator on the same netlists; boards written out, and read back.

use halfsplit::circuit::board::Board;
use halfsplit::circuit::dc::Options;
use halfsplit::circuit::edit::Edit;
use halfsplit::circuit::import::{self, Fitted, Plan, board_text, spice_deck};
use halfsplit::circuit::predict::{Bench, CheckId, Predictor};
use halfsplit::circuit::sheet::sheet;
use halfsplit::circuit::sweep::Sweep;
use halfsplit::rules::parts::Library;
use halfsplit::text::Source;
use serde_json::Value;
use std::path::PathBuf;

/// Beside three standard deviations of the prediction, volts: the simulator's models are not this program's cards.
const VOLTS: f64 = 0.03;
/// The same for a current, as a share, and for a level, dB.
const AMPS: f64 = 0.1;
const LEVEL: f64 = 1.0;
/// Below this in either simulator a level is what leaks into a rail through the supply's inner resistance, which the netlists have not.
const DEAD: f64 = -20.0;

fn folder() -> PathBuf {
    PathBuf::from(concat!(env!("CARGO_MANIFEST_DIR"), "/tests/data/import"))
}

fn read(name: &str) -> String {
    std::fs::read_to_string(folder().join(name)).unwrap()
}

fn json(name: &str) -> Value {
    serde_json::from_str(&read(name)).unwrap()
}

/// A netlist as a board, without an edit.
fn imported(name: &str, library: &Library) -> (Board, Fitted) {
    let source = Source::new(name, read(name));
    let drawing = import::read(&source, None, library).unwrap_or_else(|c| panic!("{}", c.render(false)));
    let fitted = Fitted::of(&drawing, library);
    assert!(fitted.complaints.0.is_empty(), "{}", fitted.complaints.render(false));
    let plan = Plan::of(&drawing, &fitted, library);
    let (text, _) = board_text(&fitted, &plan, library);
    let board = Board::load(&Source::new(name, text.as_str()), library)
        .unwrap_or_else(|c| panic!("{}\n{text}", c.render(false)));
    (board, fitted)
}

/// The board's net of a net as drawn; SPICE does not tell case.
fn net<'b>(board: &'b Board, fitted: &Fitted, drawn: &str) -> &'b str {
    let wanted = fitted.net(drawn).unwrap_or(drawn);
    let all = || board.nets().iter().map(String::as_str).chain([board.ground()]);
    all()
        .find(|n| *n == wanted)
        .or_else(|| all().find(|n| n.eq_ignore_ascii_case(wanted)))
        .unwrap_or_else(|| panic!("no net {wanted} on {}: {:?}", board.name(), board.nets()))
}

#[test]
fn ten_netlists_read_as_the_reference_simulator_has_them() {
    let library = Library::builtin().unwrap();
    let stored = json("readings.json");
    let mut names: Vec<String> = std::fs::read_dir(folder())
        .unwrap()
        .map(|f| f.unwrap().file_name().into_string().unwrap())
        .filter(|n| n.ends_with(".cir") || n.ends_with(".net"))
        .collect();
    names.sort();
    assert_eq!(names.len(), 10);
    let (mut volts, mut amps, mut levels, mut off) = (0, 0, 0, Vec::new());
    for name in &names {
        let (board, fitted) = imported(name, &library);
        let theirs = &stored[name.split('.').next().unwrap()];
        let mut predictor = Predictor::new(&board, Bench::default()).unwrap();
        let checks = predictor.checks().to_vec();
        let ours = predictor.predict(&[], &checks).unwrap();
        for (drawn, value) in theirs["volts"].as_object().unwrap() {
            let at = net(&board, &fitted, drawn);
            if at == board.ground() {
                continue;
            }
            let p = ours.get(&CheckId::Volts(at.to_owned())).unwrap();
            let apart = (p.mean - value.as_f64().unwrap()).abs();
            volts += 1;
            if apart > 3.0 * p.sd + VOLTS {
                off.push(format!("{name} volts:{at} {:.3} ± {:.3}, theirs {value}", p.mean, p.sd));
            }
        }
        for (drawn, value) in theirs["level"].as_object().unwrap() {
            let at = net(&board, &fitted, drawn);
            let (Some(p), theirs) = (ours.get(&CheckId::Level(at.to_owned())), value.as_f64().unwrap())
            else {
                continue;
            };
            if p.mean < DEAD && theirs < DEAD {
                continue;
            }
            levels += 1;
            if (p.mean - theirs).abs() > 3.0 * p.sd + LEVEL {
                off.push(format!("{name} level:{at} {:.2} ± {:.2}, theirs {theirs}", p.mean, p.sd));
            }
        }
        let total: f64 = theirs["amps"].as_object().unwrap().values().map(|v| v.as_f64().unwrap()).sum();
        let drawn: Vec<_> =
            board.supplies().iter().map(|s| ours.get(&CheckId::Amps(s.name.clone())).unwrap()).collect();
        let (mean, sd): (f64, f64) = (drawn.iter().map(|p| p.mean).sum(), drawn.iter().map(|p| p.sd).sum());
        amps += 1;
        if (mean - total).abs() > 3.0 * sd + AMPS * total.abs() {
            off.push(format!("{name} amps {mean:.5} ± {sd:.5}, theirs {total:.5}"));
        }
    }
    assert!(volts > 90 && amps == 10 && levels > 60, "{volts} volts, {amps} amps, {levels} levels");
    assert!(off.is_empty(), "{} of {}:\n{}", off.len(), volts + amps + levels, off.join("\n"));
}

fn shipped(library: &Library) -> Vec<Board> {
    let folder = concat!(env!("CARGO_MANIFEST_DIR"), "/cases/boards");
    let mut files: Vec<_> = std::fs::read_dir(folder).unwrap().map(|f| f.unwrap().path()).collect();
    files.sort();
    let load = |path: &PathBuf| {
        let text = std::fs::read_to_string(path).unwrap();
        Board::load(&Source::new(path.display().to_string(), text), library).unwrap()
    };
    files.iter().map(load).collect()
}

/// Boards written as netlists and read back are the same boards: parts, values, roles, and every healthy reading.
#[test]
fn a_board_comes_back_from_its_own_netlist() {
    let library = Library::builtin().unwrap();
    for board in shipped(&library) {
        let deck = spice_deck(&board, &library).unwrap();
        let source = Source::new("deck.cir", deck.as_str());
        let drawing = import::read(&source, None, &library).unwrap_or_else(|c| panic!("{}", c.render(false)));
        let fitted = Fitted::of(&drawing, &library);
        assert!(fitted.complaints.0.is_empty(), "{}", fitted.complaints.render(false));
        let plan = Plan::of(&drawing, &fitted, &library);
        assert!(plan.open().is_empty(), "{:?}", plan.open());
        let (text, told) = board_text(&fitted, &plan, &library);
        assert!(told.is_empty(), "{told:?}");
        let back = Board::load(&Source::new("back.yaml", text.as_str()), &library)
            .unwrap_or_else(|c| panic!("{}\n{text}", c.render(false)));
        for (a, b) in board.parts().iter().zip(back.parts()) {
            assert_eq!(
                (&a.id, &a.kind, &a.device, &a.role, a.turn),
                (&b.id, &b.kind, &b.device, &b.role, b.turn)
            );
            let nets = |p: &halfsplit::circuit::board::Part| {
                p.pins.iter().map(|q| (q.name.clone(), q.net.clone())).collect::<Vec<_>>()
            };
            assert_eq!(nets(a), nets(b), "{}", a.id);
        }
        assert_eq!(board.parts().len(), back.parts().len());
        assert_eq!(
            (board.nets(), board.build(), board.neighbours()),
            (back.nets(), back.build(), back.neighbours())
        );
        let (before, after) =
            (sheet(&board, &Bench::default()).unwrap(), sheet(&back, &Bench::default()).unwrap());
        for (a, b) in before.parts.iter().zip(&after.parts) {
            for (x, y) in a.lines.iter().zip(&b.lines) {
                assert_eq!((&x.check, &x.text, &x.band), (&y.check, &y.text, &y.band), "{}", board.name());
            }
        }
    }
}

/// The written netlists, run by the reference simulator, against our own operating point and response.
#[test]
fn written_netlists_run_as_the_boards_solve() {
    let library = Library::builtin().unwrap();
    let stored = json("exported.json");
    let mut boards = shipped(&library);
    let mut names: Vec<String> = std::fs::read_dir(folder())
        .unwrap()
        .map(|f| f.unwrap().file_name().into_string().unwrap())
        .filter(|n| n.ends_with(".net"))
        .collect();
    names.sort();
    boards.extend(names.iter().map(|n| imported(n, &library).0));
    let (mut compared, mut off) = (0, Vec::new());
    let left_out = stored["left_out"].as_array().unwrap();
    assert!(left_out.len() <= 4, "boards that the simulator finds no operating point of: {left_out:?}");
    for board in boards.iter().filter(|b| !left_out.iter().any(|l| l == b.name())) {
        let theirs = &stored[board.name()];
        // A netlist's capacitors are ideal; ours without what electrolytics leak.
        let leaks: Vec<Edit> = board
            .network()
            .elements()
            .filter(|(_, e)| e.name.ends_with(".leak"))
            .map(|(element, _)| Edit::Remove { element })
            .collect();
        let mut sweep = Sweep::new(board.network(), Options::default()).unwrap();
        let point = sweep.solve(&leaks, None).unwrap();
        for (at, value) in
            theirs["volts"].as_object().unwrap_or_else(|| panic!("no values of {}", board.name()))
        {
            let name = board.nets().iter().find(|n| n.eq_ignore_ascii_case(at)).unwrap();
            let (ours, value) = (point.volts(board.node(name).unwrap()), value.as_f64().unwrap());
            compared += 1;
            if (ours - value).abs() > 2e-3 + 1e-3 * value.abs() {
                off.push(format!("{} volts:{name} {ours:.4}, theirs {value}", board.name()));
            }
        }
    }
    assert!(compared > 80, "{compared}");
    assert!(off.is_empty(), "{}", off.join("\n"));
}
