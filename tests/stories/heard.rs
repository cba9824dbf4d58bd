//! Ten complaints on the screens that read them. The goldens were read by a person; whoever changes them reads them again.

use super::run::Folder;

/// Invented, as owners would write: two of them with denials, two with three symptoms and more.
const SAID: [(&str, &str); 10] = [
    (
        "denies-two-noises",
        "Way too much hiss, like rushing air. No hum and no buzz, I know the difference. LED is fine.",
    ),
    ("denies-silence", "Not dead, but the repeats are gone; dry guitar comes through and the light is on."),
    ("three-at-once", "Loud hum, no light, and the volume knob crackles."),
    ("four-at-once", "It is muffled and far too quiet, the echoes are distorted and the footswitch pops."),
    ("only-on-battery", "With the wall wart it buzzes like a razor, on a 9 V battery it's dead quiet."),
    ("slips-of-the-hand", "completly slient sinse i droped it, ligth is on"),
    (
        "second-language",
        "The knob of tone makes nothing. Also is a peep tone all the time, before it has worked.",
    ),
    ("one-of-several", "Channel 3 of the mixer is dead, the others work. Is it worth fixing?"),
    ("left-open", "I finished this kit last night and there is a strange noise in the background."),
    ("says-nothing", "It just doesn't work, sorry. My son needs it on Friday."),
];

fn golden(name: &str, shown: &str) {
    insta::with_settings!({ prepend_module_to_snapshot => false, snapshot_path => "screens", omit_expression => true }, {
        insta::assert_snapshot!(format!("heard-{name}"), shown);
    });
}

#[test]
fn open_says_what_it_read_from_which_words() {
    for (name, said) in SAID {
        let folder = Folder::new();
        let ran = folder.run(&["open", "job.yaml", "--no-ask", "--complaint", said]).ends(0);
        let card: Vec<String> =
            folder.text("job.yaml").lines().filter(|l| !l.contains("received")).map(timeless).collect();
        golden(name, &format!("{}{}\n{}\n", ran.out, ran.err, card.join("\n")));
    }
}

/// A line of a card without the time of day.
fn timeless(line: &str) -> String {
    match (line.find("{at: "), line.find(", check")) {
        (Some(from), Some(to)) if from < to => format!("{}{{at: (now){}", &line[..from], &line[to..]),
        _ => line.to_string(),
    }
}

#[test]
fn later_screens_say_it_again_in_short() {
    let folder = Folder::new();
    folder.run(&["open", "job.yaml", "--no-ask", "--complaint", SAID[0].1]).ends(0);
    for command in ["next", "suspects"] {
        let ran = folder.run(&[command, "job.yaml"]).ends(0);
        assert!(ran.out.contains("Read as: hiss (\"hiss\", \"rushing air\")."), "{}", ran.out);
        assert!(ran.out.contains("Said not to be there: hum, buzz."), "{}", ran.out);
        assert!(ran.out.contains("halfsplit note job.yaml hiss=no"), "{}", ran.out);
    }
    // One word puts a reading right, and it stays.
    let ran = folder.run(&["note", "job.yaml", "hiss=no", "whine=yes"]).ends(0);
    assert!(ran.out.contains("Read as: hiss"), "{}", ran.out);
    let card = folder.text("job.yaml");
    assert!(card.contains("symptoms: [hiss]") && card.contains("check: whine"), "{card}");
}

#[test]
fn the_bench_takes_a_correction_at_any_step() {
    let folder = Folder::new();
    folder.run(&["open", "job.yaml", "--no-ask", "--complaint", SAID[8].1]).ends(0);
    let ran = folder.run_with("hiss=yes\nhis=yes\nstop\n", &["bench", "job.yaml", "--plain"]).ends(0);
    assert!(ran.out.contains("Misread? Type SYMPTOM=no or SYMPTOM=yes at any step."), "{}", ran.out);
    assert!(ran.out.contains("hiss=yes") && ran.out.contains("did you mean 'hiss'?"), "{}", ran.out);
    assert!(folder.text("job.yaml").contains("check: hiss, answer: \"yes\""), "{}", folder.text("job.yaml"));
}

#[test]
fn open_asks_one_question_where_a_reading_is_open() {
    let folder = Folder::new();
    let said = format!("\n\n\n{}\nhum\n\n\n", SAID[8].1);
    let ran = folder.run_with(&said, &["open", "job.yaml", "--ask"]).ends(0);
    assert!(ran.err.contains("which of these is it? Enter leaves it open."), "{}", ran.err);
    let card = folder.text("job.yaml");
    assert!(card.contains("symptoms: [hum]") && !card.contains("perhaps"), "{card}");
}

#[test]
fn old_names_on_old_cards_still_count() {
    let folder = Folder::new();
    folder.put("old.yaml", "unit: X\nhistory: worked-before\ncomplaint: {symptoms: [dead-in-bypass]}\nfindings:\n  - {check: adaptor-trips, answer: \"no\"}\n");
    folder.run(&["next", "old.yaml"]).ends(0);
}

#[test]
fn an_author_can_try_a_sentence() {
    let folder = Folder::new();
    let ran = folder.run(&["rules", "read", SAID[4].1, "no hum"]).ends(0);
    golden("rules-read", &ran.out);
    let json = folder.run(&["rules", "read", "--json", "no hum"]).ends(0);
    let json: serde_json::Value = serde_json::from_str(&json.out).unwrap();
    assert_eq!(json["read"][0]["parse"]["denied"][0]["symptom"], "hum");
}

#[test]
fn the_summary_quotes_the_owner_and_says_it_in_our_words() {
    let folder = Folder::new();
    folder.run(&["open", "job.yaml", "--no-ask", "--complaint", SAID[8].1]).ends(0);
    let ran = folder.run(&["summary", "job.yaml", "--for", "customer", "--format", "text"]).ends(0);
    assert!(ran.out.contains(&format!("\"{}\"", SAID[8].1)[..40]), "{}", ran.out);
    let flat = ran.out.split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(
        flat.contains("In our words: perhaps it hisses, or it hums, or it buzzes, or it crackles"),
        "{flat}"
    );
    folder.run(&["open", "other.yaml", "--no-ask", "--complaint", SAID[0].1]).ends(0);
    let ran = folder.run(&["summary", "other.yaml", "--for", "bench", "--format", "text"]).ends(0);
    assert!(ran.out.contains("Read as        hiss from \"hiss\", \"rushing air\""), "{}", ran.out);
}
