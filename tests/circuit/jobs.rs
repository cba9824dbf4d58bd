//! Jobs from the complaint to the mended unit, one for each way in which a unit makes a noise of its own: hiss, a howl, motorboating, a
//! sweep that hardly moves, an echo chip that hangs. Each is played by the planner on a simulated unit; and each shows what the board's
//! own figures decide, by leaving them out.

use halfsplit::cases::drill::{self, Drill, Game, Hand, Hidden, Noise, Setting};
use halfsplit::circuit::board::Board;
use halfsplit::circuit::predict::{Bench, Predictor};
use halfsplit::job::Terms;
use halfsplit::rules::parts::Library;
use halfsplit::rules::{History, Rules, Tool};
use halfsplit::text::Source;

use super::data;
use super::said::{authored, example, heron, stands};

/// One trouble: the board, the cause that is hidden, the complaint, and the reading that tells most of it.
struct Trouble {
    board: Board,
    cause: &'static str,
    symptom: &'static str,
    reading: Option<&'static str>,
    history: History,
    power: &'static str,
}

fn gull() -> Board {
    let source = Source::new("harbour_gull.yaml", data("harbour_gull.yaml"));
    Board::load(&source, &Library::builtin().unwrap()).unwrap()
}

fn troubles() -> Vec<Trouble> {
    let of = |board, cause, symptom, reading| Trouble {
        board,
        cause,
        symptom,
        reading,
        history: History::FreshBuild,
        power: "adaptor",
    };
    let old = |trouble| Trouble { history: History::WorkedBefore, power: "battery", ..trouble };
    vec![
        of(heron(), "R7:x100", "hiss", Some("noise:OUT")),
        of(example("tin-lantern"), "R11:open", "squeal", Some("hertz:OUT")),
        old(of(gull(), "C8:dried", "motorboating", Some("hertz:OUT"))),
        of(example("slow-lighthouse"), "R11:x10", "weak-modulation", Some("swing:G")),
        of(example("tin-lantern"), "R8:div10", "latch-up", None),
    ]
}

/// A card with the complaint, and with what the reading shows with the cause in.
fn card(trouble: &Trouble, read: bool) -> String {
    let mut text = format!(
        "unit: {}\nhistory: {}\npower: {}\ntools: [meter, audio-probe, scope, iron, spares]\ncomplaint: {{symptoms: [{}]}}\n",
        trouble.board.name(),
        trouble.history.name(),
        trouble.power,
        trouble.symptom,
    );
    if let (true, Some(id)) = (read, trouble.reading) {
        let mut predictor = Predictor::new(&trouble.board, Bench::default()).unwrap();
        let check = predictor.check(id).unwrap();
        let with = predictor.predict(&[trouble.cause], std::slice::from_ref(&check)).unwrap();
        let figure = check.unscaled(with.get(&check).unwrap().mean);
        text += &format!(
            "findings:\n  - {{check: \"{check}\", answer: \"{figure:.7}{}\"}}\n",
            check.unit().symbol()
        );
    }
    text
}

#[test]
fn the_boards_own_figures_decide_where_rules_alone_do_not() {
    let (rules, without) = (Rules::builtin().unwrap(), authored());
    for trouble in troubles() {
        let at = |rules, read| stands(rules, &trouble.board, &card(&trouble, read), trouble.cause);
        let [plain, told, read] = [at(&without, false), at(rules, false), at(rules, true)];
        let says = format!("{}: by rules {plain:?}, by the board {told:?}, and read {read:?}", trouble.cause);
        match trouble.reading {
            // Its place on the list by the complaint alone, and its probability by the reading besides.
            Some(_) => {
                assert!(told.0 < plain.0 && told.1 > 4.0 * plain.1, "{says}");
                assert!(read.0 <= told.0 && read.1 > 2.0 * told.1, "{says}");
            }
            // The rules know of this one as well; the board clears those that don't hang by the drawing, and not the hanging itself.
            None => {
                assert!(told.0 < plain.0, "{says}");
                let itself = stands(rules, &trouble.board, &card(&trouble, false), "IC2:latched");
                assert!(itself.0 <= 3, "{itself:?}");
            }
        }
    }
}

fn played(trouble: &Trouble) -> Game {
    let drill = Drill {
        setting: Setting {
            history: trouble.history,
            tools: vec![Tool::Meter, Tool::AudioProbe, Tool::Scope, Tool::Iron, Tool::Spares],
            terms: Terms::default(),
        },
        games: 1,
        seed: 1,
        hidden: Hidden::Exactly(1),
        outside: false,
        hands: vec![Hand::Planner],
        noise: Noise::default(),
    };
    let rig = drill::rig(Rules::builtin().unwrap(), &trouble.board, &drill).unwrap();
    // Owners' words are drawn: the first owner who tells of it.
    let unit = (0..40)
        .map(|seed| rig.unit(vec![trouble.cause.to_owned()], seed))
        .find(|unit| rig.complaint(unit).iter().any(|s| s == trouble.symptom))
        .unwrap_or_else(|| panic!("{}: nobody says {}", trouble.cause, trouble.symptom));
    drill::play(&rig, &unit, Hand::Planner, &drill.setting).unwrap()
}

#[test]
fn each_job_goes_from_its_complaint_to_the_mended_unit() {
    for trouble in troubles() {
        let game = played(&trouble);
        let steps: Vec<String> = game.steps.iter().map(|s| format!("{}={}", s.id, s.answer)).collect();
        assert!(game.found && game.end == "cured", "{}: {} {steps:?}", trouble.cause, game.end);
    }
}
