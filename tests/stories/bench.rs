//! `bench` through a pipe: a conversation in plain lines.

use super::run::{Folder, first_step};

const CARD: &str = "unit: Tin Lantern\nhistory: fresh-build\nbuild: stripboard\npower: battery\ncomplaint: {symptoms: [silent]}\n\
    blocks: [transistor]\ntools: [meter, iron, spares]\n";

#[test]
fn a_conversation_in_a_pipe_is_on_the_card_line_by_line() {
    let folder = Folder::new();
    folder.put("job.yaml", CARD);
    let first = &first_step(CARD).1[0];
    let ran = folder
        .run_with(
            &format!("{first}\nunsure\n# smells warm\nback\nlater\nno tool\nstop\n"),
            &["bench", "job.yaml"],
        )
        .ends(0);
    let text = folder.text("job.yaml");
    assert!(text.starts_with(CARD), "{text}");
    assert_eq!(text.matches("check:").count(), 2);
    assert!(text.contains("answer: unsure, struck: "), "{text}");
    assert!(text.contains("text: smells warm"), "{text}");
    assert!(text.contains("skip:\n  - "), "{text}");
    assert!(ran.out.contains("Noted 1: ") && ran.out.contains("Struck 2: "), "{}", ran.out);
    assert!(
        ran.out.ends_with("Everything is on the card. Go on with: halfsplit bench job.yaml\n"),
        "{}",
        ran.out
    );
    assert_eq!(folder.names(), ["job.yaml"], "nothing else is left");
    let again = folder.run_with("", &["bench", "job.yaml"]).ends(0);
    assert!(again.out.contains("Resumed with 1 finding."), "{}", again.out);
    assert_eq!(folder.text("job.yaml"), text);
}

#[test]
fn an_example_can_be_tried_and_nothing_is_saved() {
    let folder = Folder::new();
    let ran = folder.run_with("1\nstop\n", &["bench", "--example", "silent-build"]).ends(0);
    assert!(ran.out.contains("nothing was saved"), "{}", ran.out);
    assert_eq!(folder.names(), Vec::<String>::new());
}

#[test]
fn without_a_card_bench_asks_and_makes_one() {
    let folder = Folder::new();
    let answers = "Tin Lantern\nno\nbattery\n2\nno sound at all\nfuzz\n1,7,8\nstop\n";
    let ran = folder.run_with(answers, &["bench"]).ends(0);
    let text = folder.text("tin-lantern.yaml");
    for line in
        ["unit: Tin Lantern", "history: fresh-build", "build: stripboard", "power: battery", "outline: fuzz"]
    {
        assert!(text.contains(line), "{text}");
    }
    assert!(text.contains("tools: [meter, iron, spares]") && text.contains("symptoms: [silent"), "{text}");
    assert!(ran.out.contains("The card is tin-lantern.yaml."), "{}", ran.out);
    folder.run_with(answers, &["bench"]).ends(0);
    assert_eq!(folder.names(), ["tin-lantern-2.yaml", "tin-lantern.yaml"], "an old card is left alone");
}

#[test]
fn a_second_bench_is_told_who_holds_the_card() {
    let folder = Folder::new();
    folder.put("job.yaml", CARD);
    let mut first = folder.command(&["bench", "job.yaml"]).spawn().unwrap();
    while !folder.path(".job.yaml.lock").exists() || folder.text(".job.yaml.lock").is_empty() {
        std::thread::sleep(std::time::Duration::from_millis(10));
    }
    let second = folder.run_with("stop\n", &["bench", "job.yaml"]).ends(3);
    assert!(
        second.err.contains(&format!("another halfsplit (process {} since ", first.id())),
        "{}",
        second.err
    );
    drop(first.stdin.take());
    assert!(first.wait().unwrap().success());
    assert_eq!(folder.text("job.yaml"), CARD);
    assert_eq!(folder.names(), ["job.yaml"]);
}

#[test]
fn a_change_from_an_editor_is_kept_beside_the_answer() {
    use std::io::{BufRead, BufReader, Write};
    let folder = Folder::new();
    folder.put("job.yaml", CARD);
    let mut child = folder.command(&["bench", "job.yaml"]).spawn().unwrap();
    let mut out = BufReader::new(child.stdout.take().unwrap());
    let mut seen = String::new();
    while !seen.contains("\nIn a word: ") && !seen.contains("\nA reading in ") && !seen.contains("\n1 ") {
        assert!(out.read_line(&mut seen).unwrap() > 0, "{seen}");
    }
    folder.put("job.yaml", &format!("# seen by Ida\n{CARD}"));
    let mut stdin = child.stdin.take().unwrap();
    stdin.write_all(b"unsure\nstop\n").unwrap();
    drop(stdin);
    std::io::copy(&mut out, &mut std::io::sink()).unwrap();
    assert!(child.wait().unwrap().success());
    let text = folder.text("job.yaml");
    assert!(text.starts_with("# seen by Ida\n") && text.contains("answer: unsure"), "{text}");
}
