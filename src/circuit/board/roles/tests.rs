#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

use super::super::Board;
use super::super::tests::own_sources;
use super::infer;
use crate::rules::parts::Library;
use crate::text::Source;
use std::fmt::Write;

/// A board file without its roles.
fn bare(text: &str) -> String {
    let mut out = String::new();
    for line in text.lines() {
        let cut = line.find(", role: ").map(|at| {
            let end = line[at + 2..].find([',', '}']).map_or(line.len(), |e| at + 2 + e);
            format!("{}{}", &line[..at], &line[end..])
        });
        out.push_str(&cut.unwrap_or_else(|| line.to_owned()));
        out.push('\n');
    }
    out
}

/// What people wrote beside what is worked out, board by board: a person reads this golden and says whether each is right.
#[test]
fn roles_worked_out_beside_those_written() {
    let library = Library::builtin().unwrap();
    let (mut same, mut other, mut none, mut page) = (0, 0, 0, String::new());
    for (name, text) in own_sources() {
        let written = Board::load(&Source::new(name.as_str(), text.as_str()), &library).unwrap();
        let stripped = Board::load(&Source::new(name.as_str(), bare(&text)), &library).unwrap();
        let inferred = infer(&stripped, &library);
        writeln!(page, "{name}").unwrap();
        for part in written.parts() {
            let Some(role) = part.role.as_deref() else { continue };
            match inferred.get(&part.id) {
                Some(i) if i.role == role => same += 1,
                Some(i) => {
                    other += 1;
                    writeln!(page, "  {}: written {role}, worked out {}: {}", part.id, i.role, i.why)
                        .unwrap();
                }
                None => {
                    none += 1;
                    writeln!(page, "  {}: written {role}, not worked out", part.id).unwrap();
                }
            }
        }
    }
    writeln!(page, "{same} the same, {other} others, {none} not worked out").unwrap();
    insta::assert_snapshot!(page);
}

fn role_of(parts: &str, signal: &str, part: &str) -> Option<String> {
    let text = format!(
        "board: Thorn\nbuild: pcb\nground: GND\nsupply: [{{name: main, plus: VIN, minus: GND, volts: 9V, source: battery}}]\n{signal}parts:\n{parts}"
    );
    let board = Board::load(&Source::new("thorn.yaml", text), &Library::builtin().unwrap())
        .unwrap_or_else(|c| panic!("{}", c.render(false)));
    board.parts().iter().find(|p| p.id == part).unwrap().role.clone()
}

#[test]
fn a_role_is_seen_by_the_place_in_the_circuit_and_not_by_the_name() {
    let stage = "  D9: {device: 1N5817, nets: {anode: VIN, cathode: X1}}\n  K1: {kind: electrolytic, value: 47u, nets: [X1, GND]}\n  A1: {kind: resistor, value: 470k, nets: [X1, X2]}\n  A2: {kind: resistor, value: 100k, nets: [X2, GND]}\n  A3: {kind: resistor, value: 4k7, nets: [X1, X3]}\n  A4: {kind: resistor, value: 1k, nets: [X4, GND]}\n  K2: {kind: film, value: 100n, nets: [X5, X2]}\n  A5: {kind: resistor, value: 1M, nets: [X5, GND]}\n  T1: {device: BC547B, nets: {c: X3, b: X2, e: X4}}\n  K3: {kind: film, value: 1u, nets: [X3, X6]}\n  A6: {kind: resistor, value: 100k, nets: [X6, GND]}\n";
    let signal = "signal: {in: X5, out: X6, tone: {freq: 1kHz, level: 20mV}}\n";
    for (part, role) in [
        ("D9", "polarity-guard"),
        ("K1", "rail-reservoir"),
        ("A1", "base-bias"),
        ("A2", "base-divider-lower"),
        ("A3", "collector-load"),
        ("A4", "emitter-resistor"),
        ("K2", "input-coupling"),
        ("A5", "pull-down"),
        ("T1", "gain-transistor"),
        ("K3", "output-coupling"),
        ("A6", "pull-down"),
    ] {
        assert_eq!(role_of(stage, signal, part).as_deref(), Some(role), "{part}");
    }
    // Without a named input the same capacitor parts two stages.
    assert_eq!(role_of(stage, "", "K2"), Some("coupling".into()));
    // A divider at a base is that stage's bias, with or without a capacitor; one with a reservoir alone is a reference.
    let divider = "  A1: {kind: resistor, value: 10k, nets: [VIN, M]}\n  A2: {kind: resistor, value: 10k, nets: [M, GND]}\n  K1: {kind: electrolytic, value: 10u, nets: [M, GND]}\n";
    assert_eq!(role_of(divider, "", "A1"), Some("reference-divider".into()));
    assert_eq!(role_of(divider, "", "K1"), Some("reference-reservoir".into()));
    let base = format!(
        "{divider}  T1: {{device: BC547B, nets: {{c: VIN, b: M, e: E}}}}\n  A3: {{kind: resistor, value: 4k7, nets: [E, GND]}}\n"
    );
    assert_eq!(role_of(&base, "", "A2"), Some("base-divider-lower".into()));
}

#[test]
fn a_wrong_role_is_answered_with_the_nearest() {
    let text = "board: Thorn\nbuild: pcb\nground: GND\nsupply: [{name: main, plus: V9, minus: GND, volts: 9V, source: battery}]\nparts:\n  R1: {kind: resistor, value: 10k, nets: [V9, GND], role: colector-load}\n";
    // It is told, and the board is taken: what the part does is worked out.
    let board = Board::load(&Source::new("thorn.yaml", text), &Library::builtin().unwrap()).unwrap();
    let told = board.doubts().0[0].to_string();
    assert!(told.contains("thorn.yaml:6:") && told.contains("did you mean 'collector-load'?"), "{told}");
}

#[test]
fn every_role_that_a_rule_names_is_in_the_list() {
    let library = Library::builtin().unwrap();
    let rules = crate::rules::Rules::builtin().unwrap();
    let mut named = 0;
    for (_, fault) in rules.faults() {
        let Some((role, _)) = &fault.board else { continue };
        named += 1;
        assert!(role.starts_with("any") || library.role(role).is_some(), "{}: role '{role}'", fault.id);
    }
    assert!(named > 20);
}
