//! Readings of what a board does by itself: their figures held to the reference simulator and to a closed form, and what they say of the
//! faults of a board.

use std::f64::consts::PI;
use std::rc::Rc;

use halfsplit::circuit::board::Board;
use halfsplit::circuit::heard::Listener;
use halfsplit::circuit::predict::{Bench, CheckId, Observed, Predictor};
use halfsplit::job::session::doubt;
use halfsplit::job::{Circuit, Diagnosis, JobCard, Record};
use halfsplit::rules::Rules;
use halfsplit::rules::parts::Library;
use halfsplit::text::Source;
use serde_json::Value;

use super::data;
use super::said::example;

fn predicted(predictor: &mut Predictor<'_>, faults: &[&str], id: &str) -> (f64, f64) {
    let check = predictor.check(id).unwrap();
    let all = predictor.predict(faults, std::slice::from_ref(&check)).unwrap();
    let reading = all.get(&check).unwrap();
    (check.unscaled(reading.mean), reading.own_sd)
}

fn seen(predictor: &Predictor<'_>, id: &str, answer: &str) -> (CheckId, Observed) {
    let check = predictor.check(id).unwrap();
    let observed = Observed::parse(&check, answer).unwrap();
    (check, observed)
}

#[test]
fn rates_and_swings_are_those_of_the_simulator() {
    let golden: Value = serde_json::from_str(&data("itself.json")).unwrap();
    let mut compared = 0;
    for of in golden["boards"].as_array().unwrap() {
        let name =
            of["board"].as_str().unwrap().trim_start_matches("cases/boards/").trim_end_matches(".yaml");
        let (board, net) = (example(&name.replace('_', "-")), of["net"].as_str().unwrap());
        let mut predictor = Predictor::new(&board, Bench::default()).unwrap();
        let read = of.as_object().unwrap().iter().filter(|(_, v)| v.is_object());
        for (fault, figures) in read {
            let faults: Vec<&str> = if fault == "healthy" { vec![] } else { vec![fault] };
            let figure = |key: &str| figures[key].as_f64().unwrap();
            let (hertz, _) = predicted(&mut predictor, &faults, &format!("hertz:{net}"));
            assert!((hertz / figure("hertz") - 1.0).abs() < 0.01, "{fault}: {hertz}");
            let (swing, _) = predicted(&mut predictor, &faults, &format!("swing:{net}"));
            let wanted = figure("most") - figure("least");
            assert!((swing / wanted - 1.0).abs() < 0.03, "{fault}: {swing} {wanted}");
            compared += 1;
        }
    }
    assert!(compared >= 2);
}

#[test]
fn the_noise_over_a_capacitor_is_k_t_over_c() {
    let text = "board: Dull Pebble\nsays: a resistor and a capacitor\nbuild: stripboard\nground: GND\n\
        supply: [{name: main, plus: V9, minus: GND, volts: 9V, source: battery}]\n\
        signal: {in: IN, out: OUT, tone: {freq: 1kHz, level: 100mV}}\npath: [V9, IN, OUT]\nparts:\n  \
        R1: {kind: resistor, value: 100k, nets: [IN, OUT]}\n  C1: {kind: film, value: 1n, nets: [OUT, GND]}\n  \
        R2: {kind: resistor, value: 10k, nets: [V9, GND]}\n";
    let board = Board::load(&Source::new("pebble.yaml", text), &Library::builtin().unwrap()).unwrap();
    let mut listener = Listener::new(&board).unwrap();
    let left = listener.left_at(&[], "OUT").unwrap().unwrap();
    // k T over C at 300.15 K, of which the band from 20 Hz to 20 kHz holds what lies between two angles. What a bench puts at either end
    // (a source of 1 k or less, a load of 1 M) moves the corner by a tenth at most, and with it the share by half a percent.
    let (thermal, corner) = (1.380_649e-23 * 300.15, 1.0 / (2.0 * PI * 100e3 * 1e-9));
    let share = 2.0 / PI * ((20e3 / corner).atan() - (20.0 / corner).atan());
    let wanted = (thermal / 1e-9 * share).sqrt();
    assert!((left / wanted - 1.0).abs() < 0.01, "{left} {wanted}");
    // A hundred times the capacitor: a tenth of the volts, of which more lie in the band's lower end.
    let corner = corner / 100.0;
    let share = 2.0 / PI * ((20e3 / corner).atan() - (20.0 / corner).atan());
    let larger = text.replace("value: 1n", "value: 100n");
    let board = Board::load(&Source::new("pebble.yaml", larger), &Library::builtin().unwrap()).unwrap();
    let left = Listener::new(&board).unwrap().left_at(&[], "OUT").unwrap().unwrap();
    let wanted = (thermal / 100e-9 * share).sqrt();
    assert!((left / wanted - 1.0).abs() < 0.05, "{left} {wanted}");
}

#[test]
fn a_rate_that_is_missing_points_at_what_stops_an_oscillator() {
    let board = example("slow-lighthouse");
    let mut p = Predictor::new(&board, Bench::default()).unwrap();
    let none = [seen(&p, "hertz:LC", "none")];
    let usual = [seen(&p, "hertz:LC", "4.1Hz")];
    let slow = [seen(&p, "hertz:Q1.c", "2.1Hz")];
    let mut gap = |fault: &str, findings: &[(CheckId, Observed)]| {
        p.log_likelihood(&[fault], findings).unwrap() - p.log_likelihood(&[], findings).unwrap()
    };
    for stops in ["C5:open", "C6:open", "Q1:open-b"] {
        assert!(gap(stops, &none) > 1.5 && gap(stops, &usual) < -2.0, "{stops}");
    }
    // What leaves the oscillator alone is neither here nor there.
    for findings in [&none, &usual, &slow] {
        assert!(gap("C9:open", findings).abs() < 0.1);
    }
    assert!(gap("R10:x10", &slow) > 2.0, "three times the resistance, half the rate");
    // Two faults: the one that stops it counts, the other is as if it were not there.
    let both = p.log_likelihood(&["C6:open", "R10:x10"], &none).unwrap();
    assert!((both - p.log_likelihood(&["C6:open"], &none).unwrap()).abs() < 0.3);
}

#[test]
fn spreads_are_what_parts_give_and_nothing_is_certain() {
    let board = example("slow-lighthouse");
    let mut p = Predictor::new(&board, Bench::default()).unwrap();
    // Capacitors of 10 % and resistors of 5 % in three sections, uniform: some 4 %; the transistor and the control come on top.
    let (hertz, sd) = predicted(&mut p, &[], "hertz:LC");
    assert!((3.9..4.3).contains(&hertz) && (0.03..0.2).contains(&sd), "{hertz} {sd}");
    let (swing, sd) = predicted(&mut p, &[], "swing:LC");
    assert!((7.5..8.5).contains(&swing) && (0.3..3.0).contains(&sd), "{swing} {sd}");
    // Ten times the rate is a slip of whoever counted, not the end of a fault that does all else.
    let odd = [seen(&p, "hertz:LC", "40Hz")];
    let none = p.log_likelihood(&[], &odd).unwrap();
    assert!(none > -8.0 && none < -4.0, "{none}");
}

#[test]
fn a_swing_is_two_ends_or_what_lies_between_them() {
    let check = CheckId::Swing("LC".into());
    let ends = Observed::parse(&check, "-2.1V..6.8V").unwrap();
    let Observed::Read(read) = ends else { panic!("{ends:?}") };
    assert!((check.figure(&read) - 8.9).abs() < 1e-9);
    let (volts, middle) = ends.middle_of_swing(&check).unwrap();
    let Observed::Read(middle) = middle else { panic!("{middle:?}") };
    assert_eq!(volts, CheckId::Volts("LC".into()));
    assert!((middle.middle() - 2.35).abs() < 1e-9);
    let one = Observed::parse(&check, "8.9V").unwrap();
    assert!(one.middle_of_swing(&check).is_none());
    for (id, answer, told) in [
        (check.clone(), "fast", "such as 2.1V..6.8V"),
        (check.clone(), "-3V", "peak to peak such as 4.7V"),
        (CheckId::Hertz("LC".into()), "often", "such as 2.4Hz"),
        (CheckId::Noise("OUT".into()), "much", "such as 800uV"),
        (CheckId::Noise("OUT".into()), "-1mV", "none where"),
        (CheckId::Hertz("LC".into()), "2V", "is in V"),
        (CheckId::Hertz("LC".into()), "OL", "none where nothing swings"),
    ] {
        let error = Observed::parse(&id, answer).unwrap_err().to_string();
        assert!(error.contains(told), "{answer}: {error}");
    }
}

#[test]
fn what_a_board_cannot_have_is_queried() {
    let board = example("slow-lighthouse");
    let circuit = Circuit::new(&board).unwrap();
    let job =
        JobCard::read(&Source::new("job.yaml", "unit: Slow Lighthouse\nhistory: worked-before\n")).unwrap();
    let asked = |check, answer| {
        doubt(Rules::builtin().unwrap(), Some(&circuit), &job.card, check, answer).map(|d| d.says)
    };
    for (check, answer, told) in [
        ("swing:LC", "0V..45V", "more than the board's supply gives (9.00 V)"),
        ("swing:LC", "40V..45V", "45.0 V is more"),
        ("noise:OUT", "9V", "a howl from rail to rail"),
        ("hertz:LC", "50Hz", "what the mains hums at"),
        ("hertz:LC", "900MHz", "don't reach that"),
        ("hertz:LC", "4100", "4.10 Hz would be healthy"),
    ] {
        let says = asked(check, answer).unwrap_or_else(|| panic!("{check}={answer} is not queried"));
        assert!(says.contains(told), "{check}={answer}: {says}");
    }
    for (check, answer) in [
        ("swing:LC", "0.1V..8.2V"),
        ("noise:OUT", "1.2mV"),
        ("noise:OUT", "none"),
        ("hertz:LC", "4.1Hz"),
        ("hertz:LC", "none"),
        ("hertz:OUT", "1.2kHz"),
    ] {
        assert_eq!(asked(check, answer), None, "{check}={answer}");
    }
}

#[test]
fn they_are_on_offer_where_a_job_is_about_them_and_are_weighed_wherever_noted() {
    let board = example("slow-lighthouse");
    let circuit = Rc::new(Circuit::new(&board).unwrap());
    let rules = Rules::builtin().unwrap();
    let weighed = |symptom: &str, findings: &str| {
        let card = format!(
            "unit: Slow Lighthouse\nhistory: fresh-build\npower: adaptor\ntools: [meter, scope, audio-probe, iron, spares]\n\
             complaint: {{symptoms: [{symptom}]}}\nfindings:\n{findings}"
        );
        let job = JobCard::read(&Source::new("job.yaml", card));
        Diagnosis::sharing(rules, job.unwrap(), Some(Rc::clone(&circuit))).unwrap()
    };
    let own = |d: &Diagnosis<'_>| {
        let next = d.next(200).unwrap();
        let ids = next.alternatives.iter().map(|a| a.id.clone()).chain(next.check.map(|c| c.id));
        ids.filter(|id| ["hertz:", "swing:", "noise:"].iter().any(|w| id.starts_with(w))).collect::<Vec<_>>()
    };
    let volts = "  - {check: \"volts:V9\", answer: 8.8V}\n";
    assert!(own(&weighed("silent", volts)).is_empty());
    let about = weighed("no-modulation", volts);
    assert!(own(&about).iter().any(|id| id == "hertz:GD" || id == "swing:GD"), "{:?}", own(&about));
    let step = about.board_step(&circuit.check("hertz:LC").unwrap(), 1.0);
    assert_eq!((step.says.as_str(), step.unit.as_deref()), ("Rate at LC", Some("Hz")));
    assert!(step.text.contains("against a watch") && step.needs == ["scope"], "{step:?}");
    assert!(step.healthy.unwrap().contains("Hz"));
    // Too fast a swing for a meter's figures: the scope alone will do.
    let step = about.board_step(&circuit.check("swing:LC").unwrap(), 1.0);
    assert!(!step.text.contains("Meter") && step.text.contains("Scope"), "{step:?}");
    // Noted on any job they count: the oscillator stands still, whatever the complaint.
    let p = |d: &Diagnosis<'_>| d.model.belief.fault(d.model.fault("C6:open").unwrap()).unwrap();
    let (without, with) = (
        weighed("silent", volts),
        weighed("silent", &format!("{volts}  - {{check: \"hertz:LC\", answer: none}}\n")),
    );
    assert!(p(&with) > 3.0 * p(&without), "{} {}", p(&with), p(&without));
    let record = Record::of(&with);
    let line = record.findings.iter().find(|l| l.check == "hertz:LC").unwrap();
    assert_eq!((line.taken.as_deref(), line.verdict.as_str()), (Some("none"), "abnormal"));
}
