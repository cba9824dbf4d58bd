//! Deliberately broken packs: each is answered with the right complaint at the right line.
//!
//! A comment `# <- code, code` in a pack marks the line where complaints of these codes must stand,
//! and no others may. The whole answer is kept beside the pack in a `.txt` file;
//! `UPDATE_GOLDEN=1` rewrites it.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

use halfsplit::rules::Rules;
use halfsplit::text::{Complaints, Source};
use std::fs;
use std::path::PathBuf;

fn folder() -> PathBuf {
    PathBuf::from(concat!(env!("CARGO_MANIFEST_DIR"), "/tests/broken-packs"))
}

fn packs() -> Vec<String> {
    let mut names: Vec<String> = fs::read_dir(folder())
        .unwrap()
        .map(|e| e.unwrap().file_name().to_string_lossy().into_owned())
        .filter_map(|n| n.strip_suffix(".yaml").map(String::from))
        .collect();
    names.sort();
    names
}

fn load(name: &str) -> (String, Complaints) {
    let base = fs::read_to_string(folder().join("../data/packs/lantern.yaml")).unwrap();
    let text = fs::read_to_string(folder().join(format!("{name}.yaml"))).unwrap();
    let sources = [Source::new("lantern.yaml", base), Source::new(format!("{name}.yaml"), text.as_str())];
    match Rules::load(&sources) {
        Ok(_) => panic!("{name} is accepted"),
        Err(complaints) => (text, complaints),
    }
}

#[test]
fn there_are_enough_of_them() {
    assert!(packs().len() >= 20, "{}", packs().len());
}

#[test]
fn each_complaint_stands_at_the_line_marked_for_it() {
    let mut wrong = Vec::new();
    for name in packs() {
        let (text, complaints) = load(&name);
        let mut marked: Vec<(usize, String)> = Vec::new();
        for (i, line) in text.lines().enumerate() {
            if let Some((_, codes)) = line.split_once("# <- ") {
                marked.extend(codes.split(", ").map(|c| (i + 1, c.trim().to_string())));
            }
        }
        let mut found: Vec<(usize, String)> = complaints
            .0
            .iter()
            .map(|c| (c.place.as_ref().unwrap().line_column().0, c.code.to_string()))
            .collect();
        marked.sort();
        found.sort();
        if marked != found {
            wrong.push(format!("{name}: marked {marked:?}, found {found:?}"));
        }
    }
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}

#[test]
fn the_answers_are_as_recorded() {
    let mut wrong = Vec::new();
    for name in packs() {
        let answer = load(&name).1.render(false);
        let path = folder().join(format!("{name}.txt"));
        if std::env::var_os("UPDATE_GOLDEN").is_some() {
            fs::write(&path, &answer).unwrap();
        }
        if fs::read_to_string(&path).unwrap_or_default() != answer {
            wrong.push(format!("{name}:\n{answer}"));
        }
    }
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}
