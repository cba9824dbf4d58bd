//! Whatever is fed to the loader, it answers with rules or with complaints, never with a panic.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

use halfsplit::rules::{Context, History, Rules};
use halfsplit::text::{MAX_BYTES, Source};
use proptest::prelude::*;

const LANTERN: &str = include_str!("data/packs/lantern.yaml");

/// Loads, renders what is complained of, and uses what is accepted.
fn survive(text: &str) -> Option<String> {
    match Rules::load(&[Source::new("hostile.yaml", text)]) {
        Ok(rules) => {
            for history in History::ALL {
                let play = rules.in_play(&Context { history: *history, build: None, blocks: Vec::new() });
                let links: usize =
                    play.checks().map(|c| play.links_to(halfsplit::rules::Effect::Check(c)).count()).sum();
                assert!(links <= rules.counts().links);
            }
            for item in rules.list().items {
                assert!(!rules.show(&item.id).unwrap().text().is_empty());
            }
            None
        }
        Err(complaints) => {
            assert!(!complaints.0.is_empty(), "refused without a word");
            assert!(complaints.0.iter().all(|c| !c.message.is_empty()));
            let text = complaints.render(false);
            assert!(!text.trim().is_empty());
            Some(text)
        }
    }
}

fn refused(text: &str, expected: &str) {
    let answer = survive(text).unwrap_or_else(|| panic!("accepted: {}", &text[..text.len().min(200)]));
    assert!(answer.contains(expected), "{answer}");
}

#[test]
fn bombs_and_floods_are_refused_at_once() {
    refused("a: &a [x]\nb: &b [*a, *a]\nc: [*b, *b]\n", "anchors are not used");
    refused(&"[".repeat(100_000), "nested more than");
    refused(&format!("pack: {}", "{a: ".repeat(5_000)), "nested more than");
    refused(&"a: b\n".repeat(10 * 1024 * 1024 / 5), "bytes");
    assert!(Source::from_bytes("big.yaml", vec![b'x'; 10 * 1024 * 1024]).is_err());
    const { assert!(10 * 1024 * 1024 > MAX_BYTES) };
    refused("--- !!binary x\n", "tags are not used");
    refused("", "'pack' is missing");
    refused("- a\n- b\n", "expected a map");
    refused("just words\n", "expected a map");
    refused("\u{0}\u{1}\u{2}", "error");
    refused("pack: \u{202e}evil\u{1b}[31m\n", "error");
}

#[test]
fn bytes_that_are_no_text_are_refused_with_their_line() {
    let mut bytes = LANTERN.as_bytes().to_vec();
    bytes[40] = 0xff;
    let e = Source::from_bytes("latin.yaml", bytes).unwrap_err().to_string();
    assert!(e.contains("latin.yaml:2") && e.contains("UTF-8"), "{e}");
}

#[test]
fn windows_line_ends_change_nothing_and_tabs_are_named() {
    assert_eq!(survive(&LANTERN.replace('\n', "\r\n")), None);
    refused(&LANTERN.replacen("    says", "\tsays", 1), "spaces");
}

#[test]
fn figures_that_are_no_figures_are_refused() {
    for (figure, word) in [
        ("NaN", "NaN"),
        (".nan", ".nan"),
        ("inf", "inf"),
        ("1e999", "1e999"),
        ("-1%", "-1%"),
        ("0x10", "0x10"),
        ("[1]", "a list"),
        ("{a: 1}", "a map"),
        ("~", "nothing"),
        ("true", "true"),
        ("\"\"", "''"),
    ] {
        refused(&LANTERN.replacen("fresh-build: 1.2%", &format!("fresh-build: {figure}"), 1), word);
        refused(&LANTERN.replacen("strength: 0.95", &format!("strength: {figure}"), 1), "error");
        refused(&LANTERN.replacen("minutes: 8", &format!("minutes: {figure}"), 1), "error");
        refused(&LANTERN.replacen("money: 0.40", &format!("money: {figure}"), 1), "error");
        refused(
            &LANTERN.replacen("leak: 1%", "x", 0).replacen("low: 1%", &format!("low: {figure}"), 1),
            "error",
        );
    }
}

#[test]
fn a_long_chain_of_conditions_does_not_exhaust_the_stack() {
    let mut text = String::from(
        "pack: chain\ntitle: A chain\napplies: always\nabout: Long.\nsource: made up\nconditions:\n",
    );
    for i in 0..20_000 {
        text.push_str(&format!("  c{i}: {{says: s, leads-to: {{c{}: {{strength: 0.5, why: w}}}}}}\n", i + 1));
    }
    text.push_str("  c20000: {says: s, leads-to: {c0: {strength: 0.5, why: w}}}\n");
    refused(&text, "in a circle");
}

/// Damage to a good pack: cut, doubled, swapped or overwritten pieces, at character boundaries.
fn damaged() -> impl Strategy<Value = String> {
    let piece = prop_oneof![
        Just(String::new()),
        Just(": ".to_string()),
        Just("\n".to_string()),
        Just("  ".to_string()),
        Just("{".to_string()),
        Just("]".to_string()),
        Just("- ".to_string()),
        Just("'".to_string()),
        Just("&a ".to_string()),
        Just("hiss".to_string()),
        Just("supply-absent".to_string()),
        Just("9e99".to_string()),
        Just("~".to_string()),
        "\\PC{0,6}",
    ];
    let damage = (0..LANTERN.len(), 0usize..40, piece);
    proptest::collection::vec(damage, 1..5).prop_map(|damages| {
        let mut text = LANTERN.to_string();
        for (at, cut, piece) in damages {
            let floor = |text: &str, at: usize| {
                (0..=at.min(text.len())).rev().find(|i| text.is_char_boundary(*i)).unwrap()
            };
            let from = floor(&text, at);
            let to = floor(&text, from + cut).max(from);
            text.replace_range(from..to, &piece);
        }
        text
    })
}

/// Whole lines moved, doubled or dropped: mostly still YAML, so that the deeper checks are reached.
fn shuffled() -> impl Strategy<Value = String> {
    let lines = LANTERN.lines().count();
    proptest::collection::vec((0..lines, 0..lines, 0u8..3), 1..6).prop_map(|moves| {
        let mut lines: Vec<&str> = LANTERN.lines().collect();
        for (from, to, how) in moves {
            if lines.is_empty() {
                break;
            }
            let (from, to) = (from % lines.len(), to % lines.len());
            match how {
                0 => lines.swap(from, to),
                1 => lines.insert(to, lines[from]),
                _ => drop(lines.remove(from)),
            }
        }
        lines.join("\n")
    })
}

/// Every scalar word of a pack may be replaced by any other: wrong kinds, wrong names, cycles.
fn crossed() -> impl Strategy<Value = String> {
    let words: Vec<&str> = LANTERN
        .split(|c: char| !(c.is_ascii_alphanumeric() || "-.%".contains(c)))
        .filter(|w| w.len() > 1)
        .collect();
    let many = words.len();
    proptest::collection::vec((0..many, 0..many), 1..8).prop_map(move |swaps| {
        let mut text = LANTERN.to_string();
        for (a, b) in swaps {
            text = text.replacen(words[a], words[b], 1 + a % 3);
        }
        text
    })
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 300, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn random_text_never_panics(text in "\\PC{0,200}") {
        survive(&text);
    }

    #[test]
    fn random_lines_of_yaml_never_panic(text in "([ ]{0,4}[a-z-]{0,8}(: |:|- )?[\\[\\]{}'\"a-z0-9.%, ]{0,12}\n){0,20}") {
        survive(&text);
    }

    #[test]
    fn a_damaged_pack_never_panics(text in damaged()) {
        survive(&text);
    }

    #[test]
    fn a_shuffled_pack_never_panics(text in shuffled()) {
        survive(&text);
    }

    #[test]
    fn a_pack_with_words_crossed_never_panics(text in crossed()) {
        survive(&text);
    }

    #[test]
    fn same_input_same_answer(text in shuffled()) {
        let once = Rules::load(&[Source::new("a.yaml", text.as_str())]).map(|r| format!("{:?}", r.list())).map_err(|e| e.render(false));
        let again = Rules::load(&[Source::new("a.yaml", text.as_str())]).map(|r| format!("{:?}", r.list())).map_err(|e| e.render(false));
        prop_assert_eq!(once, again);
    }
}
