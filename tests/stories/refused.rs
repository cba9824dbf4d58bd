//! High voltage is refused wherever it shows, and a reading that can't be is queried before it is written.

use super::run::Folder;

const CARD: &str = "unit: Tin Lantern\nhistory: fresh-build\npower: battery\ncomplaint: {words: no sound, symptoms: [silent]}\n\
    tools: [meter]\n";

#[test]
fn open_refuses_what_the_words_give_away_and_keeps_the_card() {
    for (field, words) in [
        ("--complaint", "ECC83 tube preamp 250V, no sound"),
        ("--complaint", "mains transformer hums"),
        ("--complaint", "HT fuse blows, 400 V"),
        ("--unit", "Tube preamp 250V"),
        ("--changed", "new output transformer"),
        ("--complaint", "12AX7, no sound"),
        ("--complaint", "vacuum tube buffer, no sound"),
        ("--complaint", "there are three hundred volts inside and no sound"),
        ("--not-tested", "the 250 V plate supply"),
    ] {
        let folder = Folder::new();
        let line = ["open", "job.yaml", "--history", "after-change", "--symptom", "hum", field, words];
        let ran = folder.run(&line).ends(1);
        assert!(
            ran.err.contains("out of scope") && ran.err.contains("technician licensed"),
            "{words}: {}",
            ran.err
        );
        assert!(folder.text("job.yaml").contains(words), "the refusal is on record");
        for line in [
            &["next", "job.yaml"][..],
            &["suspects", "job.yaml"],
            &["why", "job.yaml", "unlisted"],
            &["note", "job.yaml", "effect-sound=silent"],
            &["bench", "job.yaml"],
        ] {
            let ran = folder.run_with("1\n1\n1\n", line).ends(1);
            assert!(ran.err.contains("out of scope"), "{line:?}: {}", ran.err);
            assert!(
                !ran.out.contains("Measure") && !ran.out.contains("halfsplit note"),
                "{line:?}: {}",
                ran.out
            );
        }
        let paper = folder.run(&["summary", "job.yaml"]).ends(0);
        assert!(paper.out.contains("licensed"), "{}", paper.out);
        folder.run(&["close", "job.yaml"]).ends(0);
        assert!(folder.text("job.yaml").contains("end: declined"));
    }
}

#[test]
fn a_remark_that_gives_it_away_is_kept_and_ends_the_job() {
    let folder = Folder::new();
    folder.put("job.yaml", CARD);
    let ran = folder.run(&["note", "job.yaml", "effect-sound=silent", "--remark", "240 V mains"]).ends(1);
    assert!(ran.err.contains("'240 V'") && ran.err.contains("strike finding 1"), "{}", ran.err);
    assert!(folder.text("job.yaml").contains("remark: 240 V mains"));
    folder.run(&["strike", "job.yaml", "1"]).ends(0);
    let ran = folder.run_with("# the HT is 300V\nstop\n", &["bench", "job.yaml"]).ends(0);
    assert!(ran.out.contains("The remark is on the card"), "{}", ran.out);
    let ran = folder.run_with("stop\n", &["bench", "job.yaml"]).ends(1);
    assert!(ran.err.contains("out of scope"), "{}", ran.err);
}

#[test]
fn a_reading_that_cannot_be_is_queried_before_it_is_written() {
    let folder = Folder::new();
    folder.put("job.yaml", CARD).put("board.yaml", include_str!("../../cases/boards/pocket_beacon.yaml"));
    folder.put("drawn.yaml", &format!("{CARD}board: board.yaml\n"));
    for (card, finding, words) in [
        ("drawn.yaml", "volts:V9=320V", "take your hands and leads off"),
        ("drawn.yaml", "volts:V9=230", "more than any unit for this bench has"),
        ("drawn.yaml", "volts:V9=45", "did you mean 'volts:V9=4.5V'?"),
        ("drawn.yaml", "volts:V9=4.7k", "did you mean 'volts:V9=4.7V'?"),
        ("job.yaml", "supply-ohms=4.7", "did you mean 'supply-ohms=4.7k'?"),
        ("job.yaml", "collector-volts=4.7k", "did you mean 'collector-volts=4.7V'?"),
        ("job.yaml", "collector-volts=320V", "more than any unit"),
        ("job.yaml", "supply-ohms=-20", "no ohms below zero"),
    ] {
        let before = folder.text(card);
        let ran = folder.run(&["note", card, "effect-sound=silent", finding]).ends(1);
        assert!(ran.err.contains(words) && ran.err.contains("--sure"), "{finding}: {}", ran.err);
        assert_eq!(folder.text(card), before, "{finding}: nothing was written");
    }
    folder.run(&["note", "job.yaml", "supply-ohms=4.7", "--sure"]).ends(0);
    assert!(folder.text("job.yaml").contains("answer: \"4.7\""), "{}", folder.text("job.yaml"));
    folder.run(&["note", "job.yaml", "supply-ohms=4.7k"]).ends(0);
    // What the meter really shows is on the card, and the job is over until it is struck.
    let ran = folder.run(&["note", "drawn.yaml", "volts:V9=320V", "--sure"]).ends(1);
    assert!(ran.err.contains("out of scope") && ran.err.contains("halfsplit strike JOB 1"), "{}", ran.err);
    assert!(folder.text("drawn.yaml").contains("answer: 320V"));
    folder.run(&["next", "drawn.yaml"]).ends(1);
    folder.run(&["strike", "drawn.yaml", "1", "--why", "it was 3.20"]).ends(0);
    folder.run(&["next", "drawn.yaml"]).ends(0);
    // So with what a good one shows.
    folder.run(&["note", "drawn.yaml", "--good", "volts:V9=320V"]).ends(1);
    folder.run(&["note", "drawn.yaml", "--good", "volts:V9=320V", "--sure"]);
    assert!(folder.text("drawn.yaml").contains("good:"));
    let ran = folder.run(&["next", "drawn.yaml"]).ends(1);
    assert!(ran.err.contains("the card's good reading 1"), "{}", ran.err);
}

#[test]
fn boards_of_high_voltage_are_refused_by_sum_and_by_word() {
    let folder = Folder::new();
    let board = include_str!("../../cases/boards/pocket_beacon.yaml");
    let supply = board.lines().find(|l| l.starts_with("supply:")).unwrap();
    let with = |more: &str| board.replace(supply, more);
    let stack = "supply: [{name: a, plus: V9, minus: GND, volts: 40V, source: battery}, {name: b, plus: X, minus: V9, volts: 40V, source: battery}]";
    let parts = "  RX: {kind: resistor, value: 10k, nets: [X, GND]}\n";
    let and = |text: &str, part: &str| text.replacen("parts:\n", &format!("parts:\n{part}"), 1);
    folder.put("stack.yaml", &and(&with(stack), parts));
    folder.put("word.yaml", &board.replacen("board: ", "board: Valve ", 1));
    for file in ["stack.yaml", "word.yaml"] {
        let ran = folder.run(&["sheet", file]).ends(1);
        assert!(ran.err.contains("licensed technician"), "{file}: {}", ran.err);
    }
    // Both polarities of a synth case are no more than it has.
    let case = "supply: [{name: a, plus: V9, minus: GND, volts: 15V, source: bench}, {name: b, plus: GND, minus: X, volts: 15V, source: bench}]";
    folder.put("case.yaml", &and(&with(case), parts));
    folder.run(&["sheet", "case.yaml"]).ends(0);
    let clash = "supply: [{name: main, plus: V9, minus: GND, volts: 9V, source: battery}, {name: aux, plus: V9, minus: GND, volts: 5V, source: adaptor}]";
    folder.put("clash.yaml", &with(clash));
    let ran = folder.run(&["sheet", "clash.yaml"]).ends(1);
    assert!(
        ran.err.contains("'aux' puts 5V between V9 and GND, but other supplies hold 9.00 V there"),
        "{}",
        ran.err
    );
    let chip = "  IC1: {device: TL072, nets: {1: O, 2: O, 3: V9, 4: V9, 5: GND, 6: Q, 7: Q, 8: GND}}\n";
    folder.put("chip.yaml", &and(board, chip));
    let ran = folder.run(&["sheet", "chip.yaml"]).ends(1);
    assert!(ran.err.contains("'IC1' is fed the wrong way round"), "{}", ran.err);
    folder.put("link.yaml", &and(board, "  R9: {kind: resistor, value: 0R, nets: [V9, GND]}\n"));
    let ran = folder.run(&["sheet", "link.yaml"]).ends(1);
    assert!(ran.err.contains("the supply 'main' is shorted in the drawing"), "{}", ran.err);
}

#[test]
fn bench_asks_what_feeds_the_unit_before_power_comes_on() {
    let folder = Folder::new();
    let card = "unit: Tin Lantern\nhistory: worked-before\ncomplaint: {symptoms: [hiss]}\ntools: [meter]\nfindings:\n- {check: bypass-sound, answer: normal}\n";
    folder.put("job.yaml", card);
    let asked =
        folder.run_with("perhaps\n# seen: a cold joint\nbattery\nstop\n", &["bench", "job.yaml"]).ends(0);
    assert!(asked.out.contains("Before power comes on: what feeds the unit?"), "{}", asked.out);
    assert!(asked.out.contains("Please give one of battery, adaptor"), "{}", asked.out);
    let text = folder.text("job.yaml");
    assert!(text.contains("power: battery") && text.contains("seen: a cold joint"), "{text}");
    let again = folder.run_with("stop\n", &["bench", "job.yaml"]).ends(0);
    assert!(!again.out.contains("what feeds the unit"), "{}", again.out);
    folder.put("job.yaml", card);
    let unsure = folder.run_with("unsure\nstop\n", &["bench", "job.yaml"]).ends(0);
    assert!(unsure.out.contains("Find out before power comes on"), "{}", unsure.out);
    folder.put("job.yaml", card);
    let mains = folder.run_with("mains\n1\n1\n", &["bench", "job.yaml"]).ends(1);
    assert!(mains.err.contains("out of scope"), "{}", mains.err);
    let text = folder.text("job.yaml");
    assert!(text.contains("power: mains") && text.matches("check:").count() == 1, "{text}");
}
