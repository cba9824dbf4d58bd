#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

use super::play::Table;
use super::*;
use crate::cases::board_example;
use crate::circuit::predict::CheckId;
use crate::job::Terms;
use crate::plan::{Plain, Standing, Step};
use crate::rules::parts::Library;
use crate::rules::{History, Tool};

fn board(name: &str) -> Board {
    Board::load(&board_example(name).unwrap(), &Library::builtin().unwrap()).unwrap()
}

fn drill_of(games: usize, hands: &[Hand]) -> Drill {
    Drill {
        setting: Setting {
            history: History::FreshBuild,
            tools: vec![Tool::Meter, Tool::AudioProbe, Tool::Iron, Tool::Spares],
            terms: Terms::default(),
        },
        games,
        seed: 7,
        hidden: Hidden::Exactly(1),
        outside: false,
        hands: hands.to_vec(),
        noise: Noise::default(),
    }
}

#[test]
fn the_same_seed_plays_the_same_games_on_any_thread() {
    let (rules, board) = (Rules::builtin().unwrap(), board("pocket-beacon"));
    let drill = drill_of(3, &[Hand::Planner, Hand::HalfSplit, Hand::Checklist]);
    let first = games(rules, &board, &drill, &|| {}).unwrap();
    assert_eq!(first, games(rules, &board, &drill, &|| {}).unwrap());
    let other = games(rules, &board, &Drill { seed: 8, ..drill.clone() }, &|| {}).unwrap();
    assert_ne!(first, other);
    let report = report(&board, &drill, &first);
    assert_eq!(report.strategies.len(), 3);
    // A mended unit is a found one, and every game has ended.
    assert!(first.iter().flatten().all(|g| !g.end.is_empty() && (g.end != "cured" || g.found)));
    assert!(first.iter().flatten().filter(|g| g.end == "cured").count() >= 6);
}

#[test]
fn without_noise_a_unit_reads_what_is_predicted() {
    let (rules, board) = (Rules::builtin().unwrap(), board("bone-whistle"));
    let mut drill = drill_of(1, &[]);
    drill.noise = Noise { parts: 0.0, meter: 0.0, slip: 0.0 };
    let rig = rig(rules, &board, &drill).unwrap();
    for number in 0..4 {
        let unit = unit(&rig, &drill, number).unwrap();
        let fault = unit.faults[0].as_str();
        for check in rig.circuit.checks() {
            let predicted = rig.circuit.predict(&[fault], std::slice::from_ref(&check)).unwrap();
            let reading = predicted.get(&check).unwrap();
            let mean = match check {
                // Predicted midway between two meters, with half of what lies between in the last place but one; this unit is read
                // by the first of them.
                CheckId::Ohms(_) if reading.mean.is_finite() => {
                    let half = reading.loadings[reading.loadings.len() - 2];
                    let truth = rig.truth(&unit, &check).unwrap().max(0.05).ln().min(18.0);
                    let first = reading.mean + half.copysign(truth - reading.mean);
                    assert!(
                        (truth - first).abs() <= 1e-6,
                        "{fault} {check}: {truth} where {first} was predicted"
                    );
                    continue;
                }
                _ => reading.mean,
            };
            let truth = rig.truth(&unit, &check).unwrap();
            let (truth, slack) = match check {
                CheckId::Ohms(_) => (truth.max(0.05).ln(), 1e-6),
                CheckId::Level(_) => (truth.max(-100.0), 1e-6),
                _ => (truth, 1e-6 * (1.0 + mean.abs())),
            };
            let same = truth == mean || (truth - mean).abs() <= slack;
            assert!(same, "{fault} {check}: {truth} where {mean} was predicted");
        }
    }
}

#[test]
fn readings_do_not_depend_on_the_order_of_measuring() {
    let (rules, board) = (Rules::builtin().unwrap(), board("pocket-beacon"));
    let drill = drill_of(1, &[]);
    let rig = rig(rules, &board, &drill).unwrap();
    let unit = unit(&rig, &drill, 0).unwrap();
    let checks = rig.circuit.checks();
    let forth: Vec<_> = checks.iter().map(|c| rig.read(&unit, c, 0)).collect();
    let mut back: Vec<_> = checks.iter().rev().map(|c| rig.read(&unit, c, 0)).collect();
    back.reverse();
    assert_eq!(forth, back);
}

#[test]
fn no_strategy_takes_a_step_that_is_blocked() {
    let (rules, board) = (Rules::builtin().unwrap(), board("pocket-beacon"));
    let drill = drill_of(1, &[]);
    let rig = rig(rules, &board, &drill).unwrap();
    for number in 0..2 {
        let unit = unit(&rig, &drill, number).unwrap();
        let mut table = Table::new(&rig, &unit, &drill.setting).unwrap();
        let mut powered = 0;
        while table.game.end.is_empty() && table.game.steps.len() < 30 {
            let diagnosis = table.diagnosis().unwrap();
            let planning = diagnosis.planning(&drill.setting.terms).unwrap();
            let step = diagnosis.decide(&planning, &Plain::default()).step;
            let problem = &planning.problem;
            let (price, standing) = match &step {
                Step::Check(c) => (&problem.checks()[c.0].price, problem.checks()[c.0].standing),
                Step::Remedy(r) => (&problem.remedies()[r.0].price, problem.remedies()[r.0].standing),
                Step::Done(_) => break,
            };
            assert!(problem.may_power(price, &planning.state), "{:?}", planning.id(&diagnosis, &step));
            assert!(!matches!(standing, Standing::Taken | Standing::NeedsTool(_)));
            // The first power that a fresh build gets is a moment's.
            if price.power.is_powered() && powered == 0 && planning.problem.checks().iter().any(|c| c.gate) {
                assert_eq!(price.power, crate::plan::Power::Brief, "{:?}", planning.id(&diagnosis, &step));
            }
            powered += usize::from(price.power.is_powered());
            table.take(&diagnosis, &planning, &step).unwrap();
        }
    }
}

#[test]
fn a_short_on_the_supply_keeps_power_off() {
    let (rules, board) = (Rules::builtin().unwrap(), board("pocket-beacon"));
    let card = "unit: A\nhistory: fresh-build\ntools: [meter, audio-probe]\ncomplaint: {symptoms: [silent]}\n\
        findings:\n  - {check: supply-ohms, answer: short}\n";
    let job = JobCard::read(&Source::new("a.yaml", card)).unwrap();
    let diagnosis = Diagnosis::on_board(rules, job, &board).unwrap();
    let planning = diagnosis.planning(&Terms::default()).unwrap();
    assert!(planning.state.held);
    let step = diagnosis.decide(&planning, &Plain::default()).step;
    let power = match step {
        Step::Check(c) => planning.problem.checks()[c.0].price.power,
        Step::Remedy(r) => planning.problem.remedies()[r.0].price.power,
        Step::Done(_) => crate::plan::Power::Off,
    };
    assert!(!power.is_powered());
}

#[test]
fn money_can_count_instead_of_minutes() {
    use crate::plan::{Count, Tariff};
    let (rules, board) = (Rules::builtin().unwrap(), board("pocket-beacon"));
    let card = "unit: A\nhistory: worked-before\ntools: [meter]\ncomplaint: {symptoms: [silent]}\n";
    let job = JobCard::read(&Source::new("a.yaml", card)).unwrap();
    let diagnosis = Diagnosis::on_board(rules, job, &board).unwrap();
    let on = |count, money_per_hour| {
        let terms = Terms { tariff: Tariff { count, money_per_hour } };
        diagnosis.next_on(0, &terms).unwrap()
    };
    let (minutes, both) = (on(Count::Minutes, 0.0), on(Count::Both, 4_000.0));
    assert!(minutes.expected_minutes > 0.0 && both.expected_money > 0.0);
    // Where work costs nothing, no part is bought before everything free has been asked.
    assert_eq!(on(Count::Money, 0.0).action, "check");
}

#[test]
fn a_person_plays_by_typed_lines() {
    let (rules, board) = (Rules::builtin().unwrap(), board("pocket-beacon"));
    let mut drill = drill_of(1, &[]);
    drill.setting.history = History::WorkedBefore;
    let rig = rig(rules, &board, &drill).unwrap();
    let fault = board.faults().iter().find(|f| f.id == "C2:open").or(board.faults().first()).unwrap();
    let hidden = rig.unit(vec![fault.id.clone()], 4);
    let net = &board.nets()[0];
    let typed = format!("volts:{net}\nvolts:NOWHERE\nnext\ntry:{}\n", fault.id);
    let mut said = Vec::new();
    practise(&rig, &hidden, &drill.setting, &mut typed.as_bytes(), &mut said).unwrap();
    let said = String::from_utf8(said).unwrap();
    insta::assert_snapshot!(said);
    assert!(said.contains("= cured") && said.contains("You: found it"), "{said}");
    // Giving up finds nothing, whatever leads by then.
    let mut said = Vec::new();
    let typed = format!("suspects\nlevel:{net}\nstop\n");
    practise(&rig, &rig.unit(vec!["R1:open".into()], 3), &drill.setting, &mut typed.as_bytes(), &mut said)
        .unwrap();
    assert!(String::from_utf8(said).unwrap().contains("You: did not find it"));
    // Hanging up is no error; what it was is told.
    let mut said = Vec::new();
    practise(&rig, &hidden, &drill.setting, &mut "help\n".as_bytes(), &mut said).unwrap();
    assert!(String::from_utf8(said).unwrap().contains("You: did not find it"));
}

#[test]
fn figures_over_games() {
    // Nearest rank: of 1..10 the median is the 5th, the 90th percentile the 9th.
    let figures = Figures::of((1..=10).rev().map(f64::from).collect());
    assert_eq!((figures.mean, figures.median, figures.p90), (5.5, 5.0, 9.0));
    assert_eq!(Figures::of(Vec::new()), Figures::default());
}

#[test]
fn faults_that_read_alike_in_volts_are_parted_by_ohms_and_amps() {
    // A divider of two 10k at 9 V: R1 ten times too large and R2 ten times too small both leave 9·10/110 = 9·1/11 = 0.82 V at MID. The
    // current tells them apart: 82 µA and 0.82 mA.
    let text = "board: Half Moon\nbuild: breadboard\nground: GND\nsupply: [{name: main, plus: V9, minus: GND, volts: 9V, source: battery}]\n\
        parts:\n  R1: {kind: resistor, value: 10k, nets: [V9, MID]}\n  R2: {kind: resistor, value: 10k, nets: [MID, GND]}\n";
    let board = Board::load(&Source::new("half.yaml", text), &Library::builtin().unwrap()).unwrap();
    let rules = Rules::builtin().unwrap();
    let with =
        |tools: &[Tool]| crate::cases::coverage::coverage(rules, &board, History::FreshBuild, tools).unwrap();
    let (bare, meter) = (with(&[]), with(&[Tool::Meter]));
    let together = |c: &crate::cases::coverage::Coverage| {
        c.groups
            .iter()
            .any(|g| g.faults.contains(&"R1:x10".to_owned()) && g.faults.contains(&"R2:div10".to_owned()))
    };
    assert!(!together(&meter));
    assert!(meter.bits_left < bare.bits_left && meter.unseen_share <= bare.unseen_share);
    assert!(bare.gains.iter().any(|g| g.id == "meter" && g.kind == "tool" && g.bits > 1.0));
    assert!(meter.unseen.iter().all(|f| !f.starts_with("R1:x10")));
}

/// An over-range resistance reads as over range, whichever way the meter errs.
#[test]
fn an_over_range_reading_is_never_a_number() {
    let (rules, board) = (Rules::builtin().unwrap(), board("slow-lighthouse"));
    let mut drill = drill_of(1, &[]);
    drill.noise.slip = 0.0;
    let rig = rig(rules, &board, &drill).unwrap();
    let check: CheckId = "ohms:NB".parse().unwrap();
    for seed in 0..40 {
        let unit = rig.unit(Vec::new(), seed);
        assert_eq!(rig.truth(&unit, &check), Some(f64::INFINITY));
        assert_eq!(rig.read(&unit, &check, 0).unwrap(), "OL");
    }
}

/// What the unit is brought for is something that its faults bring about, and its parts alone do not keep it from working.
#[test]
fn a_unit_is_brought_for_what_its_faults_do() {
    let (rules, board) = (Rules::builtin().unwrap(), board("violet-stair"));
    let drill = drill_of(1, &[]);
    let rig = rig(rules, &board, &drill).unwrap();
    for number in 0..12 {
        let hidden = unit(&rig, &drill, number).unwrap();
        let mut sound = hidden.clone();
        sound.faults.clear();
        assert!(!rig.ails(&sound) && rig.ails(&hidden));
        let usual = rig.complaint(&sound);
        assert!(rig.complaint(&hidden).iter().any(|s| !usual.contains(s)), "{:?}", hidden.faults);
    }
}

/// With nothing else said all around the board is good; with faults outside, those of the rules are hidden too, and the board reads as a
/// healthy one.
#[test]
fn faults_outside_the_board_are_hidden_where_that_is_asked_for() {
    let (rules, board) = (Rules::builtin().unwrap(), board("pocket-beacon"));
    let drill = drill_of(1, &[]);
    let inside = rig(rules, &board, &drill).unwrap();
    assert!(inside.outside().is_empty());
    let model = Table::new(&inside, &unit(&inside, &drill, 0).unwrap(), &drill.setting).unwrap();
    let on_board = |f: &crate::job::ModelFault| f.part.is_some() || f.id == "unlisted";
    assert!(model.diagnosis().unwrap().model.faults.iter().all(on_board));

    let drill = Drill { outside: true, ..drill };
    let rig = rig(rules, &board, &drill).unwrap();
    let hidden = (0..20).map(|n| unit(&rig, &drill, n).unwrap());
    let mut outside: Vec<Unit> = hidden.filter(|u| rig.outside().contains_key(&u.faults[0])).collect();
    // Over half of what may be wrong with such a unit lies outside (priors of the rules and of the board's catalogue).
    assert!((5..20).contains(&outside.len()), "{}", outside.len());
    let ill = outside.first_mut().unwrap();
    let mut sound = ill.clone();
    sound.faults.clear();
    for check in rig.circuit.checks() {
        // But for rounding: a board that was solved before is solved from there.
        match (rig.truth(ill, &check), rig.truth(&sound, &check)) {
            (Some(a), Some(b)) if a.is_finite() => {
                assert!((a - b).abs() <= 1e-9 * a.abs(), "{check}: {a} {b}")
            }
            (a, b) => assert_eq!(a, b),
        }
    }
    assert_ne!(rig.complaint(ill), rig.complaint(&sound));
    let cures = ill.faults.iter().cloned().collect();
    assert!(!rig.mend(&mut ill.clone(), &cures, 0.0, 0));
    assert!(rig.mend(ill, &cures, 1.0, 0) && ill.faults.is_empty());
}

#[test]
fn as_many_faults_are_hidden_as_the_priors_give() {
    let (rules, board) = (Rules::builtin().unwrap(), board("copper-kettle"));
    let drill = Drill { hidden: Hidden::AsDrawn, ..drill_of(1, &[]) };
    let rig = rig(rules, &board, &drill).unwrap();
    let units: Vec<Unit> = (0..60).map(|n| unit(&rig, &drill, n).unwrap()).collect();
    let several = units.iter().filter(|u| u.faults.len() > 1).count();
    // Priors of faults that show add up to about 0.3: of units with any, about one in seven has two.
    assert!((2..20).contains(&several), "{several}");
    for unit in &units {
        assert!(unit.faults.iter().all(|f| rig.ails(&Unit { faults: vec![f.clone()], ..unit.clone() })));
    }
}

/// What leads is an answer when a remedy for it is tried, not while something cheap is tried beside it.
#[test]
fn an_answer_is_given_by_trying_its_remedy() {
    let (rules, board) = (Rules::builtin().unwrap(), board("pocket-beacon"));
    let drill = drill_of(1, &[]);
    let rig = rig(rules, &board, &drill).unwrap();
    let hidden = rig.unit(vec!["R1:open".into()], 3);
    let mut table = Table::new(&rig, &hidden, &drill.setting).unwrap();
    let diagnosis = table.diagnosis().unwrap();
    let (leaders, stated) = diagnosis.leader().unwrap();
    let remedy = |wanted: &dyn Fn(&crate::job::ModelFault) -> bool| {
        diagnosis.model.faults.iter().find(|f| wanted(f)).unwrap().remedies[0].clone()
    };
    let of_leader = remedy(&|f| f.id == leaders[0]);
    let beside = remedy(&|f| {
        f.remedies
            .first()
            .is_some_and(|r| leaders.iter().all(|l| !super::play::cures(&diagnosis, r).contains(l)))
    });
    for (remedy, answers) in [(&beside, 0), (&of_leader, 1)] {
        table.note(&diagnosis, &diagnosis.offer(remedy).id, Some(remedy), 1.0, 0.0).unwrap();
        assert_eq!(table.game.answers.len(), answers);
    }
    assert_eq!(table.game.answers, [Answer { faults: leaders, stated, right: true }]);
}
