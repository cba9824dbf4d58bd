#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

use super::*;
use crate::text::Source;
use std::path::Path;

fn builtin() -> Library {
    Library::builtin().unwrap_or_else(|c| panic!("{}", c.render(false)))
}

#[test]
fn every_file_is_shipped() {
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    let mut found: Vec<String> = ["rules/parts", "rules/devices"]
        .iter()
        .flat_map(|dir| {
            std::fs::read_dir(root.join(dir)).unwrap().map(move |f| (dir, f.unwrap().file_name()))
        })
        .map(|(dir, name)| format!("{dir}/{}", name.to_string_lossy()))
        .filter(|name| name.ends_with(".yaml"))
        .collect();
    found.sort();
    let mut listed: Vec<String> = builtin::FILES.iter().map(|(n, _)| (*n).to_owned()).collect();
    listed.sort();
    assert_eq!(found, listed, "list each YAML file in src/rules/parts/builtin.rs");
}

#[test]
fn the_shipped_library_has_no_complaints() {
    let library = builtin();
    assert!(library.devices().count() >= 40);
    for (name, device) in library.devices() {
        assert!(!device.source.is_empty(), "{name} has no source");
        let kind = library.kind(&device.kind.value).unwrap();
        assert!(!kind.source.is_empty());
    }
    for name in library::SUPPLY_KINDS {
        assert!(library.kind(name).is_some());
    }
}

#[test]
fn shares_follow_the_handbook() {
    // MIL-HDBK-338B, section 7.8, in tests/data/failure_modes.yaml.
    let table: serde_yaml::Value =
        serde_yaml::from_str(include_str!("../../../tests/data/failure_modes.yaml")).unwrap();
    let mut compared = 0;
    for (name, kind) in builtin().kinds() {
        let Some(row) = &kind.handbook else { continue };
        let row = table["parts"][row.as_str()].as_mapping().unwrap_or_else(|| panic!("{name}: no row {row}"));
        for (mode, share) in row {
            let mode = mode.as_str().unwrap();
            let named = |(own, m): &(&crate::text::At<String>, &Mode)| {
                m.handbook.as_deref().unwrap_or(&own.value) == mode
            };
            let own: f64 = kind.modes.iter().filter(named).filter_map(|(_, m)| m.share).sum();
            let sections = if mode == "improper_output" { kind.sections } else { 0.0 };
            let share = share.as_f64().unwrap();
            assert!((own + sections - share).abs() < 0.0051, "{name} {mode}: {own} against {share}");
            compared += 1;
        }
    }
    assert!(compared >= 30, "only {compared} shares compared");
}

#[test]
fn a_user_adds_a_chip_by_yaml_alone() {
    let own = Source::new(
        "mine.yaml",
        "devices:\n  XY9:\n    says: a follower\n    source: from memory\n    kind: chip-linear\n    pins: {1: out, 2: in, 3: plus, 4: minus}\n    outputs: [1]\n    elements:\n      a: {kind: amplifier, nodes: [2, 1, 1, 3, 4]}\n",
    );
    let library = Library::with(&[own]).unwrap();
    assert_eq!(library.device("XY9").unwrap().elements.iter().count(), 1);
}

#[test]
fn slips_in_a_card_are_all_shown_with_places() {
    let own = Source::new(
        "mine.yaml",
        "devices:\n  XY9:\n    says: a follower\n    source: from memory\n    kind: chip-liner\n    pins: {1: out, 2: in}\n    elements:\n      a: {kind: resistr, nodes: [1, 2]}\n      b: {kind: resistor, nodes: [1, inn], with: {valu: 3}}\n      c: {kind: resistor, nodes: [1, 2], with: {value: $gain}}\n      d: {kind: diode, nodes: [1, 2]}\n    colour: red\n",
    );
    let complaints = Library::with(&[own]).unwrap_err();
    let text = complaints.to_string();
    for part in [
        "mine.yaml:5:11: unknown part kind 'chip-liner'; did you mean 'chip-linear'?",
        "unknown element kind 'resistr'; did you mean 'resistor'?",
        "inner node 'inn' is used only once",
        "unknown number 'valu'; did you mean 'value'?",
        "'resistor' needs 'value'",
        "unknown parameter 'gain'",
        "'diode' needs exactly one of two numbers",
        "unknown field 'colour'",
    ] {
        assert!(text.contains(part), "missing: {part}\n{text}");
    }
}

#[test]
fn look_alikes_differ_from_the_own_order() {
    for (name, device) in builtin().devices() {
        let Some((_, own)) = device.packages.iter().next() else { continue };
        for look in &device.look_alikes {
            let same = own.iter().zip(&look.order).all(|(a, b)| a.value == b.value);
            assert!(!same && own.len() == look.order.len(), "{name}: {}", look.example);
        }
    }
}

#[test]
fn pin_orders_of_the_data_sheets() {
    // semiconductors: pin orders read in data sheets (2N3904, 2N5088, BC547, BC549, MPSA18, J201, 2N5457, 2N7000, BS170, 7805).
    let library = builtin();
    let order = |name: &str| -> String {
        let device = library.device(name).unwrap();
        let (_, pins) = device.packages.iter().next().unwrap();
        pins.iter().map(|p| p.value.as_str()).collect::<Vec<_>>().join(" ")
    };
    for (name, pins) in [
        ("2N3904", "e b c"),
        ("2N5088", "e b c"),
        ("MPSA18", "e b c"),
        ("BC547", "c b e"),
        ("BC549C", "c b e"),
        ("J201", "d s g"),
        ("2N5457", "d s g"),
        ("2N7000", "s g d"),
        ("BS170", "d g s"),
        ("7805", "in gnd out"),
        ("78L05", "out gnd in"),
    ] {
        assert_eq!(order(name), pins, "{name}");
    }
    let tl072 = library.device("TL072").unwrap();
    let says: Vec<&str> = tl072.pins.iter().map(|(_, s)| s.as_str()).collect();
    assert_eq!(says[0], "output a");
    assert_eq!((says[3], says[7]), ("negative supply", "positive supply"));
}

#[test]
fn the_echo_chips_delay_law() {
    // PT2399 data sheet, Table 1, 28 rows; the law is a published least-squares fit to it.
    let table: serde_yaml::Value =
        serde_yaml::from_str(include_str!("../../../tests/data/echo_chip_delay.yaml")).unwrap();
    let library = builtin();
    let law = library.device("PT2399").unwrap().delay.as_ref().unwrap();
    let rows = table["rows"].as_sequence().unwrap();
    assert_eq!(rows.len(), 28);
    let worst = table["fit"]["worst_residual_ms"].as_f64().unwrap();
    for row in rows {
        let (kohm, mhz, ms) = (row[0].as_f64().unwrap(), row[1].as_f64().unwrap(), row[2].as_f64().unwrap());
        let delay = law.delay(crate::units::Ohms(kohm * 1e3));
        let allowed = if kohm > 25.0 { worst + 0.01 } else { 2.7 };
        assert!((delay.0 * 1e3 - ms).abs() <= allowed, "{kohm} k: {} against {ms}", delay.0 * 1e3);
        let by_clock = (law.cycles / (mhz * 1e6) + law.dead) * 1e3;
        assert!(
            (by_clock - ms).abs() <= table["fit"]["worst_clock_residual_ms"].as_f64().unwrap() + 0.01,
            "{mhz} MHz"
        );
        let clock = law.clock(crate::units::Seconds(ms * 1e-3));
        assert!((clock.0 / 1e6 / mhz - 1.0).abs() < 0.04, "{mhz} MHz: {}", clock.0 / 1e6);
    }
}
