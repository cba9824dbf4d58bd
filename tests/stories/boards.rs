//! Boards as people come by them: from a netlist, from a list, part by part; looked over, put on a job, ticked before the first power.

use super::run::Folder;

const FERN: &str = include_str!("../data/import/fern_bell.net");
const MOSS: &str = include_str!("../data/import/moss_horn.cir");

const LIST: &str = "# my booster, from the back of an envelope\nboard Thorn\nbuild breadboard\nsupply 9V V9 GND battery\nin IN\nout OUT\n\
    R1 1M IN GND\nC1 47n IN B\nR2 390k V9 B\nR3 68k B GND\nQ1 2N5088 c=C b=B e=E\nR4 4k7 V9 C\nR5 680R E GND\n\
    C2 1u C LUG film\nVR1 100kA GND OUT LUG 80%\nC3 47u V9 GND\n";

/// The first time: a netlist export, a board, a job, three pasted lines, the fault named.
#[test]
fn from_a_netlist_to_a_fault_named() {
    let folder = Folder::new();
    folder.put("fern_bell.net", FERN);
    let mut commands = 0;
    let mut run = |line: &[&str]| {
        commands += 1;
        folder.run(line).ends(0)
    };
    let made = run(&["board", "import", "fern_bell.net", "--build", "stripboard"]);
    assert!(
        made.out.contains("Made fern_bell-board.yaml")
            && made.out.contains("- output: OUT (by the name OUT)"),
        "{}",
        made.out
    );
    let checked = run(&["board", "check", "fern_bell-board.yaml"]);
    // The drawing leaves out half of its chip, and that is all there is to say.
    let told = checked.out.matches("\n- ").count();
    assert!(checked.out.contains("pins 5, 6 and 7 is not used") && told == 1, "{}", checked.out);
    assert!(
        checked.out.contains("Next: halfsplit open job.yaml --board fern_bell-board.yaml"),
        "{}",
        checked.out
    );
    run(&[
        "open",
        "job.yaml",
        "--unit",
        "Fern Bell",
        "--history",
        "fresh-build",
        "--power",
        "adaptor",
        "--complaint",
        "no sound",
        "--board",
        "fern_bell-board.yaml",
        "--tools",
        "meter,iron,spares",
    ]);
    // The lower resistor of the reference divider was never soldered: the reference sits at the supply.
    let paste = "+9V 8,73\nVREF = 8.7V\nU1 pin 1: 7.4\n";
    let noted = folder.run_with(paste, &["note", "job.yaml", "--readings", "-"]).ends(0);
    assert!(noted.out.contains("R2") && noted.out.contains("U1.1  7.40 V"), "{}", noted.out);
    commands += 1;
    let mut run = |line: &[&str]| {
        commands += 1;
        folder.run(line).ends(0)
    };
    let suspects = run(&["suspects", "job.yaml", "--json"]);
    let suspects: serde_json::Value = serde_json::from_str(&suspects.out).unwrap();
    assert_eq!(suspects["suspects"][0]["id"], "R2:open", "{suspects:#}");
    assert!(suspects["suspects"][0]["probability"].as_f64().unwrap() > 0.5, "{suspects:#}");
    run(&["close", "job.yaml", "--fault", "R2:open", "--did", "soldered R2"]);
    assert!(commands < 15, "{commands}");
}

#[test]
fn an_import_that_can_not_be_says_what_to_edit_and_writes_nothing() {
    let folder = Folder::new();
    folder.put("horn.cir", &MOSS.replace("2N5088", "2N50888"));
    let refused = folder.run(&["board", "import", "horn.cir", "--yes"]).ends(1);
    for words in ["no card for '2N50888'", "horn.cir:12:1", "did you mean '2N5088'?", "--leave-out"] {
        assert!(refused.err.contains(words), "{words}: {}", refused.err);
    }
    assert_eq!(folder.names(), ["horn.cir"]);
    // Without the part its stage has no transistor, and the board says where that hurts.
    let without = folder.run(&["board", "import", "horn.cir", "--yes", "--leave-out"]);
    assert!(
        without.out.contains("Not on the board") || without.err.contains("wants an edit"),
        "{} {}",
        without.out,
        without.err
    );
    let again = folder.run(&["board", "import", "horn.cir", "--yes", "--leave-out"]).ends(1);
    assert!(again.err.contains("horn-board.yaml"), "an existing file is left alone: {}", again.err);
}

#[test]
fn a_board_goes_out_as_a_netlist_and_comes_back() {
    let folder = Folder::new();
    folder.run(&["board", "export", "--example", "copper-kettle", "-o", "kettle.cir"]).ends(0);
    folder.run(&["board", "import", "kettle.cir", "-o", "kettle.yaml"]).ends(0);
    let sheet = |line: &[&str]| folder.run(line).ends(0).out;
    let first = sheet(&["sheet", "--example", "copper-kettle"]);
    assert_eq!(first, sheet(&["sheet", "kettle.yaml"]));
    assert!(folder.text("kettle.cir").contains(".subckt TL072"), "named chips are sub-circuits");
}

#[test]
fn a_list_becomes_a_board_and_its_slips_are_named_by_line() {
    let folder = Folder::new();
    folder.put("parts.txt", LIST);
    let made = folder.run(&["board", "new", "thorn.yaml", "--from", "parts.txt"]).ends(0);
    assert!(made.out.contains("Q1: 2N5088, c C, b B, e E") && made.out.contains("volts:C"), "{}", made.out);
    assert!(folder.text("thorn.yaml").contains("role: collector-load"), "{}", folder.text("thorn.yaml"));
    folder.put("wrong.txt", &LIST.replace("Q1 2N5088", "Q1 2N5O88").replace("C1 47n IN B", "C1 47n IN"));
    let refused = folder.run(&["board", "new", "other.yaml", "--from", "wrong.txt"]).ends(1);
    for words in
        ["wrong.txt:8", "'C1' has 1 nodes where the part has 2 pins", "wrong.txt:11", "no card for '2N5O88'"]
    {
        assert!(refused.err.contains(words), "{words}: {}", refused.err);
    }
    assert_eq!(folder.names(), ["parts.txt", "thorn.yaml", "wrong.txt"]);
}

#[test]
fn part_by_part_through_a_pipe_with_undo_and_a_stop_half_way() {
    let folder = Folder::new();
    let typed = "Thorn\nbreadboard\n\n\n\nR1 10k V9 M\nR2\n10k\nM GND\nQ9 2N9999\nR3 1k M GND\nundo\n";
    let first = folder.run_with(typed, &["board", "new", "thorn.yaml", "--plain"]).ends(0);
    assert!(first.out.contains("R2: resistor 10k, M to GND"), "{}", first.out);
    assert!(first.out.contains("Taken back: R3 1k M GND"), "{}", first.out);
    assert_eq!(folder.names(), ["thorn.parts"], "what was typed is kept, and no half board is made");
    let more = "C1 100n IN M\nR4 1M IN GND\nC2 100n M OUT\nR5 100k OUT GND\nlist\nnets\ndone\n";
    let second = folder.run_with(more, &["board", "new", "thorn.yaml", "--plain"]).ends(0);
    assert!(second.out.contains("Going on with 8 lines typed before"), "{}", second.out);
    assert!(second.out.contains("volts:M") && second.out.contains("Made thorn.yaml"), "{}", second.out);
    assert_eq!(folder.names(), ["thorn.yaml"]);
    folder.run(&["board", "check", "thorn.yaml"]).ends(0);
}

#[test]
fn ticks_on_the_wiring_go_on_the_card_and_weigh() {
    let folder = Folder::new();
    folder.put(
        "job.yaml",
        "unit: Lantern\nhistory: fresh-build\ncomplaint: {symptoms: [silent]}\nboard: lantern.yaml\ntools: [meter]\n",
    );
    folder.put("lantern.yaml", include_str!("../../cases/boards/tin_lantern.yaml"));
    let probability = |id: &str| -> f64 {
        let out = folder.run(&["why", "job.yaml", id, "--json"]).ends(0).out;
        let why: serde_json::Value = serde_json::from_str(&out).unwrap();
        why["probability"].as_f64().unwrap()
    };
    let (joint, other, bridge) = ("IC1.3:joint", "IC1.6:joint", "NA~VZ:bridge");
    let _ = bridge;
    let (before, before_other) = (probability(joint), probability(other));
    folder.run(&["note", "job.yaml", "wiring:PA=all"]).ends(0);
    assert!(probability(joint) < before / 5.0, "a net gone over clears its joints");
    let kept = probability(other);
    assert!(
        (kept - before_other).abs() < 0.3 * before_other,
        "and says little of other nets: {kept} {before_other}"
    );
    folder.run(&["note", "job.yaml", "wiring:NB=no IC1.6"]).ends(0);
    assert!(probability(other) > 0.4, "a pin that does not beep names its joint: {}", probability(other));
    folder.run(&["note", "job.yaml", "wiring:V5=touches V9"]).ends(0);
    assert!(probability("V5~V9:bridge") > 0.4, "{}", probability("V5~V9:bridge"));
    let refused = folder.run(&["note", "job.yaml", "wiring:PA=no IC1.6"]).ends(1);
    assert!(
        refused.err.contains("'IC1.6' is no pin on PA") && refused.err.contains("IC1.3"),
        "{}",
        refused.err
    );
}

#[test]
fn a_job_under_way_gets_its_board_and_keeps_what_was_found() {
    let folder = Folder::new();
    std::fs::create_dir(folder.path("bench")).unwrap();
    folder.put(
        "bench/job.yaml",
        "unit: Beacon\nhistory: fresh-build\nbuild: breadboard\ncomplaint: {symptoms: [silent]}\ntools: [meter]\nblocks: [transistor]\n",
    );
    folder.put("beacon.yaml", include_str!("../../cases/boards/pocket_beacon.yaml"));
    folder.run(&["note", "bench/job.yaml", "look-orientation=right", "collector-volts=8.9V"]).ends(0);
    let attached = folder.run(&["board", "attach", "bench/job.yaml", "beacon.yaml"]).ends(0);
    assert!(attached.out.contains("The 2 findings made before still count."), "{}", attached.out);
    let text = folder.text("bench/job.yaml");
    assert!(text.contains("board: \"../beacon.yaml\""), "as seen from the card's folder: {text}");
    let why = |id: &str| -> serde_json::Value {
        serde_json::from_str(&folder.run(&["why", "bench/job.yaml", id, "--json"]).ends(0).out).unwrap()
    };
    // The capacitor that was looked at is not turned.
    let turned = why("C2:turned");
    let weighed = turned["findings"].as_array().unwrap();
    let look = weighed.iter().find(|f| f["check"] == "look-orientation").unwrap();
    assert!(look["weight_db"].as_f64().unwrap() < -5.0, "{turned:#}");
    // What was measured before the board came still weighs.
    let bias = why("R2:open");
    let read = bias["findings"].as_array().unwrap().iter().find(|f| f["check"] == "collector-volts").unwrap();
    assert!(read["weight_db"].as_f64().unwrap() > 1.0, "{bias:#}");
    // Another board takes the first one's place; that there was one is not lost.
    folder.put("other.yaml", include_str!("../../cases/boards/pocket_beacon.yaml"));
    folder.run(&["board", "attach", "bench/job.yaml", "other.yaml"]).ends(0);
    assert!(folder.text("bench/job.yaml").contains("earlier board, replaced: ../beacon.yaml"));
}

#[test]
fn other_parts_are_tried_on_paper() {
    let folder = Folder::new();
    let swapped = folder.run(&["whatif", "--example", "pocket-beacon", "Q1=BC549C"]).ends(0);
    assert!(swapped.out.contains("Q1: BC549C instead of 2N5088; its legs stand c, b, e"), "{}", swapped.out);
    for (word, says) in
        [("R4=47kk", "47kk"), ("R44=47k", "did you mean 'R4'?"), ("Q1=2N7000", "has the pins d, g, s")]
    {
        let refused = folder.run(&["whatif", "--example", "pocket-beacon", word]).ends(1);
        assert!(refused.err.contains(says), "{word}: {}", refused.err);
    }
    let roles = folder.run(&["rules", "list", "--kind", "role"]).ends(0);
    assert!(roles.out.contains("collector-load"), "{}", roles.out);
    let by_role = folder.run(&["rules", "list", "--role", "coupling"]).ends(0);
    assert!(by_role.out.lines().count() > 2, "{}", by_role.out);
    let wrong = folder.run(&["rules", "list", "--role", "couplng"]).ends(1);
    assert!(wrong.err.contains("did you mean 'coupling'?"), "{}", wrong.err);
    let shown = folder.run(&["rules", "show", "PT2399"]).ends(0);
    assert!(
        shown.out.contains("What each pin reads when all is well") && shown.out.contains("half of pin 1"),
        "{}",
        shown.out
    );
}

#[test]
fn sheets_for_print_are_whole_pages() {
    let folder = Folder::new();
    for sheet in ["--blank", "--wiring"] {
        let name = format!("{}.html", &sheet[2..]);
        folder.run(&["sheet", "--example", "tin-lantern", sheet, "--format", "html", "-o", &name]).ends(0);
        let page = folder.text(&name);
        let (page, mark) = page.split_once("</html>\n").unwrap();
        assert!(page.starts_with("<!DOCTYPE html>\n<html lang=\"en\">"));
        assert!(mark.starts_with("<!-- Written by halfsplit ") && mark.lines().count() == 1, "{mark}");
        let page = format!("{page}</html>");
        for tag in ["table", "thead", "tbody", "main", "h1", "style", "title"] {
            let (open, close) =
                (page.matches(&format!("<{tag}")).count(), page.matches(&format!("</{tag}>")).count());
            // `<thead>` is no `<th`, but `<h1` and the like stand alone.
            assert_eq!(open, close, "{tag} in {name}");
        }
        assert!(!page.contains("http") && !page.contains("<script"), "nothing is fetched or run");
    }
    let refused = folder.run(&["sheet", "--example", "tin-lantern", "--format", "html"]).ends(2);
    assert!(refused.err.contains("--blank and --wiring"), "{}", refused.err);
}

#[test]
fn a_role_that_there_is_none_of_is_told_and_does_no_harm() {
    let folder = Folder::new();
    let board = include_str!("../../cases/boards/pocket_beacon.yaml");
    let line = board.lines().find(|l| l.contains("role:")).unwrap();
    let role = line.split("role: ").nth(1).unwrap().trim_end_matches('}');
    folder.put("board.yaml", &board.replacen(&format!("role: {role}"), "role: leftover", 1));
    for line in [&["board", "check", "board.yaml"][..], &["sheet", "board.yaml"]] {
        let ran = folder.run(line).ends(0);
        assert!(
            ran.err.contains("unknown role 'leftover'") && ran.err.contains("board.yaml:"),
            "{}",
            ran.err
        );
    }
    folder.run(&["open", "job.yaml", "--board", "board.yaml", "--complaint", "no sound", "--no-ask"]).ends(0);
    folder.run(&["next", "job.yaml"]).ends(0);
}
