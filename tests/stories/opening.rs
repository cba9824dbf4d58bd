//! `open`: with flags, by asking, and for units that are out of scope.

use super::run::Folder;

#[test]
fn without_a_terminal_nothing_is_asked() {
    let folder = Folder::new();
    let ran =
        folder.run(&["open", "job.yaml", "--power", "battery", "--complaint", "no sound at all"]).ends(0);
    assert!(ran.out.starts_with("Read from the complaint\n  silent "), "{}", ran.out);
    assert!(ran.out.ends_with("\nOpened job.yaml. Next: halfsplit next job.yaml\n"), "{}", ran.out);
    assert!(ran.err.is_empty(), "{}", ran.err);
    let unsaid = folder.run(&["open", "unsaid.yaml", "--complaint", "no sound at all"]).ends(0);
    assert!(unsaid.err.contains("doesn't say what feeds the unit"), "{}", unsaid.err);
    let card = folder.text("job.yaml");
    let again = folder.run(&["open", "job.yaml"]).ends(1);
    assert!(again.err.contains("there is a file already"), "{}", again.err);
    assert_eq!(folder.text("job.yaml"), card);
}

#[test]
fn only_what_the_flags_leave_open_is_asked() {
    let folder = Folder::new();
    let line = [
        "open",
        "job.yaml",
        "--ask",
        "--history",
        "worked-before",
        "--block",
        "transistor",
        "--tools",
        "meter",
    ];
    let ran = folder.run_with("battery\nit hisses\n", &line).ends(0);
    assert!(ran.err.contains("What powers it?") && ran.err.contains("What is heard"), "{}", ran.err);
    for not_asked in ["Has it ever worked?", "Which tools", "blocks", "changed", "How is it built"] {
        assert!(!ran.err.contains(not_asked), "{}", ran.err);
    }
    assert!(folder.text("job.yaml").contains("symptoms: [hiss"), "{}", folder.text("job.yaml"));
}

#[test]
fn slips_are_asked_again_and_enter_skips() {
    let folder = Folder::new();
    let ran = folder.run_with("perhaps\nyes\nbatery\n1\n\n\n\n", &["open", "job.yaml", "--ask"]).ends(0);
    assert!(ran.err.contains("'perhaps' is none of them"), "{}", ran.err);
    assert!(ran.err.contains("did you mean 'battery'?"), "{}", ran.err);
    assert!(ran.err.contains("No symptom was recognised"), "{}", ran.err);
    let card = folder.text("job.yaml");
    assert!(card.contains("history: worked-before") && card.contains("power: battery"), "{card}");
    assert!(!card.contains("tools") && !card.contains("blocks") && !card.contains("complaint"), "{card}");
}

#[test]
fn mains_and_valve_volts_end_with_the_reason_and_a_card() {
    for power in ["mains", "high-voltage"] {
        for ask in [true, false] {
            let folder = Folder::new();
            let ran = match ask {
                true => {
                    folder.run_with(&format!("no\n{power}\nnever asked\n"), &["open", "job.yaml", "--ask"])
                }
                false => folder.run(&["open", "job.yaml", "--power", power]),
            };
            let ran = ran.ends(1);
            assert!(
                ran.err.contains("out of scope") && ran.err.contains("technician licensed"),
                "{}",
                ran.err
            );
            assert!(!ran.err.contains("What is heard"), "{}", ran.err);
            assert!(folder.text("job.yaml").contains(&format!("power: {power}")));
            let bench = folder.run_with("1\n", &["bench", "job.yaml"]).ends(1);
            assert!(bench.err.contains("out of scope"), "{}", bench.err);
            assert!(!folder.text("job.yaml").contains("check:"));
        }
    }
}

#[test]
fn a_folder_that_is_not_there_is_the_systems_fault() {
    let folder = Folder::new();
    let ran = folder.run(&["open", "nowhere/job.yaml"]).ends(3);
    assert!(ran.err.contains("the folder is not there"), "{}", ran.err);
}
