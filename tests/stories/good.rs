//! A good unit beside the bad one.

use super::pins::{JOB, OWN, bench, golden, own};
use super::run::Folder;
use super::terminal::{Seat, screen};

const GOOD: &str = "Q1: E 0.82, B 1.43, C 4.1\nIC1: 1 4.4, 3 4.3, 7 4.4\nV9 8.9\nV5 4.98\n";
const BAD: &str = "Q1: E 0.0, B 0.74, C 8.9\nIC1: 1 4.35, 3 4.25, 7 4.4\nVH 4.4\n";

#[test]
fn the_good_units_readings_stand_beside_this_ones() {
    for columns in [80, 44] {
        let folder = bench();
        folder.put("good.txt", GOOD).put("bad.txt", BAD);
        let said = own(&folder, &["compare", "job.yaml"]).ends(1);
        assert!(said.err.contains("no readings of a good unit"), "{}", said.err);
        let told = own(&folder, &["note", "job.yaml", "--good", "--readings", "good.txt"]).ends(0);
        assert!(told.out.contains("8 readings of a good unit"), "{}", told.out);
        own(&folder, &["note", "job.yaml", "--readings", "bad.txt"]).ends(0);
        let line = [&OWN[..], &["compare", "job.yaml"]].concat();
        let mut seat = Seat::at(&folder, &line, columns, "xterm");
        assert_eq!(seat.end(), 0, "{}", seat.all());
        golden("compare", columns, &screen(&seat.all()));
        let card = folder.text("job.yaml");
        assert!(card.starts_with(JOB) && card.contains("good:\n  - {at: "), "{card}");
    }
}

#[test]
fn where_the_board_file_errs_the_good_unit_is_believed() {
    let folder = bench();
    // The board file says 330k; both units were built with 680k, and are none the worse for it.
    let real = folder.text("boat.yaml").replace("value: 330k", "value: 680k");
    folder.put("real.yaml", &real);
    let page = own(&folder, &["sheet", "real.yaml", "--json"]).ends(0).out;
    let page: serde_json::Value = serde_json::from_str(&page).unwrap();
    let volts = |net: &str| {
        let all = page["parts"].as_array().unwrap().iter().flat_map(|p| p["lines"].as_array().unwrap());
        let id = format!("volts:{net}");
        all.into_iter().find(|l| l["check"] == id.as_str()).unwrap()["typical"].as_f64().unwrap()
    };
    let list = format!("Q1 E {:.3} B {:.3} C {:.2}\n", volts("E1"), volts("B1"), volts("C1N"));
    folder.put("pins.txt", &list);
    let suspicion = |folder: &Folder| -> f64 {
        let out = own(folder, &["suspects", "job.yaml", "--json"]).ends(0).out;
        let list: serde_json::Value = serde_json::from_str(&out).unwrap();
        let of = |s: &serde_json::Value| {
            s["faults"].to_string().contains("R4") || s["faults"].to_string().contains("R5")
        };
        list["suspects"]
            .as_array()
            .unwrap()
            .iter()
            .filter(|s| of(s))
            .filter_map(|s| s["probability"].as_f64())
            .sum()
    };
    own(&folder, &["note", "job.yaml", "--readings", "pins.txt"]).ends(0);
    let alone = suspicion(&folder);
    own(&folder, &["note", "job.yaml", "--good", "--readings", "pins.txt"]).ends(0);
    let beside = suspicion(&folder);
    assert!(alone > 0.2 && beside < alone / 4.0, "alone {alone}, beside the good unit {beside}");
}
