//! What an owner says of a board with faults in, and what it does to the list of suspects: jobs with the rules as they are, and with
//! the words left out that let the board tell it.

use std::rc::Rc;

use halfsplit::belief::FaultId;
use halfsplit::circuit::board::Board;
use halfsplit::circuit::heard::{Heard, Listener};
use halfsplit::circuit::said::{Said, Word, said};
use halfsplit::job::{Circuit, Diagnosis, JobCard, Model};
use halfsplit::rules::Rules;
use halfsplit::rules::parts::Library;
use halfsplit::text::Source;

use super::data;

pub(super) fn heron() -> Board {
    let source = Source::new("hushed_heron.yaml", data("hushed_heron.yaml"));
    Board::load(&source, &Library::builtin().unwrap()).unwrap()
}

pub(super) fn example(name: &str) -> Board {
    Board::load(&halfsplit::cases::board_example(name).unwrap(), &Library::builtin().unwrap()).unwrap()
}

/// The rules as shipped, without what ties them to what a board gives by itself.
pub(super) fn authored() -> Rules {
    let folder = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("rules/packs");
    let mut files: Vec<_> = std::fs::read_dir(folder).unwrap().map(|f| f.unwrap().path()).collect();
    files.sort();
    let is_word = |line: &&str| Word::ALL.iter().any(|(word, _)| line.trim() == format!("board: {word}"));
    let mut left_out = 0;
    let sources: Vec<Source> = files
        .iter()
        .map(|path| {
            let text = std::fs::read_to_string(path).unwrap();
            left_out += text.lines().filter(is_word).count();
            let kept: Vec<&str> = text.lines().filter(|line| !is_word(line)).collect();
            Source::new(path.file_name().unwrap().to_str().unwrap(), kept.join("\n") + "\n")
        })
        .collect();
    assert!(left_out >= Word::ALL.len(), "{left_out}");
    Rules::load(&sources).unwrap()
}

/// Place of a fault on the list of suspects, from 1, and its probability.
pub(super) fn stands(rules: &Rules, board: &Board, card: &str, fault: &str) -> (usize, f64) {
    let job = JobCard::read(&Source::new("job.yaml", card)).unwrap();
    let diagnosis = Diagnosis::on_board(rules, job, board).unwrap();
    place(&diagnosis.model, fault)
}

pub(super) fn place(model: &Model, fault: &str) -> (usize, f64) {
    let of = |f: FaultId| model.belief.fault(f).unwrap();
    let p = of(model.fault(fault).unwrap());
    let ahead = (0..model.faults.len()).filter(|i| of(FaultId(*i)) > p).count();
    (ahead + 1, p)
}

/// Faults that stop the tremolo's oscillator, since its chain or its amplifier is broken.
const STOPS: [&str; 5] = ["C5:open", "C6:open", "C7:open", "C6:short", "Q1:open-b"];

fn heard(board: &Board, faults: &[&str]) -> Heard {
    Listener::new(board).unwrap().hear(faults).unwrap().clone()
}

fn says(board: &Board, fault: &str) -> Said {
    said(board, &[fault], &heard(board, &[]), &heard(board, &[fault])).unwrap()
}

#[test]
fn of_a_healthy_board_nothing_is_said() {
    for board in [heron(), example("slow-lighthouse"), example("tin-lantern"), example("copper-kettle")] {
        let usual = heard(&board, &[]);
        let none = said(&board, &[], &usual, &usual).unwrap();
        for (name, word) in Word::ALL {
            if let Some(chances) = none.chances(word) {
                assert!(chances.iter().sum::<f64>() < 0.08, "{} {name}: {chances:?}", board.name());
            }
        }
        assert_eq!(none.modulation.is_some(), board.name() == "Slow Lighthouse");
        assert_eq!(none.hangs.is_some(), board.name() == "Tin Lantern");
    }
}

#[test]
fn an_echo_chip_hangs_without_the_resistor_before_its_control() {
    let board = example("tin-lantern");
    // With 2k2 shorted the control alone is left, and at its short end that is nothing.
    assert!(says(&board, "R8:short").hangs.unwrap() > 0.8);
    assert!(says(&board, "R8:x10").hangs.unwrap() < 0.05);
    // A chip that did not start hangs, whatever its pin sees.
    assert!(says(&board, "IC2:latched").hangs.unwrap() > 0.8);
    // A timing pin without contact sees no resistance at all: its clock stands, which is no hanging.
    assert!(says(&board, "IC2.6:joint").hangs.unwrap() < 0.05);
    // Open feedback over a filter's amplifier leaves it to howl, which is no hiss.
    let howls = says(&board, "R11:open");
    assert!(howls.squeal > 0.5 && howls.hiss < 0.1, "{howls:?}");
}

#[test]
fn listening_briefly_tells_the_same() {
    for (board, faults) in
        [(heron(), ["R7:x100", "C4:open"]), (example("tin-lantern"), ["R8:x10", "C5:open"])]
    {
        let (mut at_length, mut brief) =
            (Listener::new(&board).unwrap(), Listener::new(&board).unwrap().brief());
        let usual = (at_length.hear(&[]).unwrap().clone(), brief.hear(&[]).unwrap().clone());
        for fault in faults {
            let long = said(&board, &[fault], &usual.0, at_length.hear(&[fault]).unwrap()).unwrap();
            let short = said(&board, &[fault], &usual.1, brief.hear(&[fault]).unwrap()).unwrap();
            for (name, word) in Word::ALL {
                let pair = (long.chances(word), short.chances(word));
                if let (Some(a), Some(b)) = &pair {
                    assert!(a.iter().zip(b).all(|(a, b)| (a - b).abs() < 0.05), "{fault} {name}: {pair:?}");
                }
            }
        }
    }
}

#[test]
fn the_hiss_of_a_preamp_is_that_of_the_resistor_ahead_of_it() {
    let board = heron();
    let usual = heard(&board, &[]).residual.unwrap();
    let loud = heard(&board, &["R7:x100"]).residual.unwrap();
    // 1 k has 4.07 nV per root hertz, 100 k ten times that, and the amplifier's 0.7 pA in 100 k gives more still.
    assert!(
        (15.0..25.0).contains(&(loud.weighted_dbv() - usual.weighted_dbv())),
        "{}",
        loud.weighted_dbv() - usual.weighted_dbv()
    );
    assert!(says(&board, "R7:x100").hiss > 0.6, "{:?}", says(&board, "R7:x100"));
    assert!(
        says(&board, "C4:open").hiss < 0.2,
        "a missing treble cut lets through 2 dB: {:?}",
        says(&board, "C4:open")
    );
}

#[test]
fn the_board_finds_the_hissing_resistor_that_rules_do_not() {
    let (board, card) = (
        heron(),
        "unit: Hushed Heron\nhistory: fresh-build\nbuild: stripboard\npower: battery\ncomplaint: {symptoms: [hiss]}\nfindings:\n  \
         - {at: \"2026-03-09T18:02:00Z\", check: effect-sound, answer: normal, minutes: 1.0}\n  \
         - {at: \"2026-03-09T18:03:00Z\", check: too-loud, answer: \"no\", minutes: 0.5}\n",
    );
    let with = stands(Rules::builtin().unwrap(), &board, card, "R7:x100");
    let without = stands(&authored(), &board, card, "R7:x100");
    assert!(with.1 > 5.0 * without.1, "{with:?} {without:?}");
    assert!(with.0 * 3 < without.0, "{with:?} {without:?}");
}

#[test]
fn the_board_finds_what_stops_its_oscillator() {
    let board = example("slow-lighthouse");
    let card = "unit: Slow Lighthouse\nhistory: fresh-build\nbuild: pcb\npower: adaptor\ncomplaint: {symptoms: [no-modulation]}\n";
    let without_words = authored();
    let circuit = Rc::new(Circuit::new(&board).unwrap());
    // The sum over what leaves the chain of the oscillator open or shorted, and the place of one of them.
    let [with, without] = [Rules::builtin().unwrap(), &without_words].map(|rules| {
        let job = JobCard::read(&Source::new("job.yaml", card)).unwrap();
        let diagnosis = Diagnosis::sharing(rules, job, Some(Rc::clone(&circuit))).unwrap();
        let model = &diagnosis.model;
        let all: f64 = STOPS.iter().map(|id| model.belief.fault(model.fault(id).unwrap()).unwrap()).sum();
        (all, place(model, "C6:open").0)
    });
    assert!(with.0 > 2.0 * without.0, "{with:?} {without:?}");
    assert!(with.1 < without.1, "{with:?} {without:?}");
    for id in STOPS {
        assert!(heard(&board, &[id]).hertz().is_none(), "{id}");
        assert!(circuit.said(id).unwrap().modulation.unwrap()[1] > 0.9, "{id}");
    }
    // A coupling capacitor of the sound leaves the oscillator alone.
    assert!(circuit.said("C9:open").unwrap().modulation.unwrap()[1] < 0.1);
}
