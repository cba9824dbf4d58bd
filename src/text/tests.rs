//! What a reader sees for each kind of slip.
#![allow(clippy::unwrap_used)]

use super::*;
use serde::Deserialize;

#[derive(Debug, Deserialize, PartialEq)]
#[serde(deny_unknown_fields)]
#[allow(dead_code)]
struct Card {
    unit: At<String>,
    #[serde(default)]
    kind: Option<Kind>,
    #[serde(default)]
    parts: Named<Part>,
}

#[derive(Debug, Deserialize, PartialEq)]
#[serde(rename_all = "kebab-case")]
enum Kind {
    Board,
    JobCard,
}

#[derive(Debug, Deserialize, PartialEq)]
#[serde(deny_unknown_fields)]
struct Part {
    value: String,
    #[serde(default)]
    minutes: f64,
}

fn complaints(text: &str) -> String {
    match parse(&Source::new("card.yaml", text)).and_then(|d| decode::<Card>(&d)) {
        Ok(card) => format!("{card:?}"),
        Err(e) => e.to_string(),
    }
}

fn check(text: &str, expected: &str) {
    assert_eq!(complaints(text), expected, "for {text:?}");
}

#[test]
fn values_keep_their_places() {
    let doc =
        parse(&Source::new("card.yaml", "# größer\nunit: Lämpchen\nparts: {R1: {value: 4700}}\n")).unwrap();
    let card: Card = decode(&doc).unwrap();
    assert_eq!(card.unit.value, "Lämpchen");
    assert_eq!(&doc.file.text[card.unit.span.start..card.unit.span.end], "Lämpchen");
    let (key, part) = &card.parts.0[0];
    assert_eq!(doc.place(key.span).line_column(), (3, 9));
    assert_eq!(part.value, "4700", "a bare number is text where text is wanted");
}

#[test]
fn all_complaints_come_at_once() {
    check(
        "unit: A\nknd: board\nparts:\n  R1: {value: 1k, minutse: 2}\n  R2: {minutes: 1}\n  R3: {value: 1k, minutes: soon}\n",
        "card.yaml:2:1: unknown field 'knd'; did you mean 'kind'?\n\
         card.yaml:4:19: unknown field 'minutse'; did you mean 'minutes'?\n\
         card.yaml:5:3: 'value' is missing of 'R2'; add a line 'value: …' here\n\
         card.yaml:6:28: expected a number, found 'soon'",
    );
}

#[test]
fn hostile_yaml_is_refused_with_a_place() {
    check(
        "unit: A\nunit: B\nunit: C\n",
        "card.yaml:2:1: 'unit' is here a second time; the first is on line 1; keep one of the two, or give one another name\ncard.yaml:3:1: 'unit' is here a second time; the first is on line 1; keep one of the two, or give one another name",
    );
    check(
        "a: &x 1\n",
        "card.yaml:1:4: anchors are not used in these files; write the value out in full where it is needed",
    );
    check(
        "unit: !!str 1\n",
        "card.yaml:1:7: tags are not used in these files; remove the '!…' before the value",
    );
    check(
        "unit: A\n---\nunit: B\n",
        "card.yaml:2:1: a second document starts here; keep one document in a file; remove the '---' line",
    );
    check("unit: A\nkind: jobcard\n", "card.yaml:2:7: unknown value 'jobcard'; did you mean 'job-card'?");
    check("unit: [A]\n", "card.yaml:1:7: expected text, found a list");
    check("", "card.yaml:1:1: 'unit' is missing; add a line 'unit: …' here");
    check(
        "unit: A\nparts: {R1: {value: 1k, minutes: NaN}}\n",
        "card.yaml:2:34: expected a number, found 'NaN'",
    );
    let deep = format!("unit: {}", "[".repeat(5000));
    assert!(complaints(&deep).contains("nested more than 48 deep"), "{}", complaints(&deep));
    let tab = complaints("unit: A\n\tkind: board\n");
    assert!(tab.contains("indent with spaces"), "{tab}");
    assert!(complaints("unit: \"A\n").contains("not valid YAML"));
    let large = Source::from_bytes("big.yaml", vec![b'a'; MAX_BYTES + 1]).unwrap_err();
    assert!(large.to_string().contains("4194305 bytes"));
    let bad = Source::from_bytes("bad.yaml", b"unit: A\nx: \xff\n".to_vec()).unwrap_err();
    assert_eq!(bad.to_string(), "bad.yaml:2: not valid UTF-8 text; save the file with UTF-8 encoding");
}

#[test]
fn windows_line_ends_are_fine() {
    let doc = parse(&Source::new("card.yaml", "unit: A\r\nparts:\r\n  R1: {value: 1k}\r\n")).unwrap();
    let card: Card = decode(&doc).unwrap();
    assert_eq!(card.unit.value, "A");
}

#[test]
fn a_rendered_complaint_underlines_the_text() {
    let source = Source::new("card.yaml", "unit: A\nknd: board\n");
    let e = parse(&source).and_then(|d| decode::<Card>(&d)).unwrap_err();
    insta::assert_snapshot!(e.render(false), @r"
    error[unknown-name]: unknown field 'knd'
     --> card.yaml:2:1
      |
    2 | knd: board
      | ^^^
      |
    help: did you mean 'kind'?
    ");
}

#[test]
fn inline_texts_read_back_the_same() {
    for text in [
        "plain",
        "",
        "no",
        "4.7",
        "a: b",
        "- x",
        "tab\there",
        "\"q\"",
        "x #y",
        "it's",
        "e\u{301}",
        "\u{1b}[31m",
        "C:\\",
        "10:30",
        "~",
        "a\nb",
    ] {
        let yaml = format!("unit: {}\n", inline(text));
        let doc = parse(&Source::new("t", yaml.as_str())).unwrap();
        let card: Card = decode(&doc).unwrap();
        assert_eq!(card.unit.value, text, "through {yaml:?}");
    }
}

#[test]
fn a_tab_may_part_a_key_from_its_value_and_stays_in_texts() {
    let source =
        Source::new("card.yaml", "unit:\tTin ü\nmore:\t\t[a, {b:\tc}]\nsaid: \"a:\tb\"\nlines: |\n  x:\ty\n");
    let document = parse(&source).unwrap();
    let text = format!("{:?}", document.root);
    for part in ["\"Tin ü\"", "\"c\"", "\"a:\\tb\"", "x:\\ty"] {
        assert!(text.contains(part), "{part}: {text}");
    }
    let many = format!("a: [{}]\n", "{b:\tc}, ".repeat(100));
    assert!(parse(&Source::new("x", many)).unwrap_err().to_string().contains("put a space behind the ':'"));
}
