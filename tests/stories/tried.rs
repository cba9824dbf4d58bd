//! Remedies that did not help: however many were tried, a job goes on, and none of them is proposed a second time.

use super::run::Folder;
use serde_json::Value;
use std::time::{Duration, Instant};

/// A job as it came about by following the proposals of an earlier version, which refused the next true answer and would not even
/// close the card once it was written (found by a hostile test of the built tool, November 2026).
const CARD: &str = "unit: P
history: fresh-build
complaint: {symptoms: [silent]}
tools: [meter, audio-probe, iron, spares, tone-source]
findings:
  - {check: bypass-sound, answer: silent}
  - {check: switch-path, answer: wrong-place}
  - {check: chain-without-unit, answer: noisy}
  - {check: other-instrument, answer: unsure}
  - {check: other-amplifier, answer: better}
  - {check: look-burn, answer: unsure}
  - {check: look-orientation, answer: right}
  - {check: look-bridges, answer: bridge}
  - {check: supply-ohms, answer: low}
  - {check: look-switch, answer: turned}
  - {check: only-on-battery, answer: \"no\"}
  - {check: plugs-seen, answer: unsure}
  - {check: adaptor-volts, answer: missing}
  - {check: finger-heat, answer: hot}
  - {check: status-light, answer: dim}
  - {check: try:rewire-footswitch, answer: no-change}
  - {check: effect-sound, answer: silent}
  - {check: noise-in-bypass, answer: bypass-too}
  - {check: try:clear-rail-bridge, answer: no-change}
  - {check: effect-sound, answer: silent}
  - {check: try:see-to-amplifier, answer: no-change}
  - {check: effect-sound, answer: silent}
  - {check: try:see-to-amplifier, answer: no-change}
  - {check: effect-sound, answer: silent}
  - {check: regulator-input-volts, answer: low}
  - {check: chips-out-ohms, answer: unsure}
  - {check: guard-diode-test, answer: unsure}
  - {check: box-clearance, answer: touches}
";

#[test]
fn failed_remedies_lock_no_job() {
    let rules = halfsplit::rules::Rules::builtin().unwrap();
    let remedies: Vec<String> = rules.remedies().map(|(_, r)| format!("try:{}=no-change", r.id)).collect();
    let folder = Folder::new();
    // Far apart in the packs, and other ones each time.
    for start in 0..3 {
        folder.put("job.yaml", CARD);
        folder.run(&["note", "job.yaml", "try:insulate-board=no-change"]).ends(0);
        for i in 0..8 {
            let remedy = &remedies[(start * 7 + i * 19) % remedies.len()];
            let begun = Instant::now();
            folder.run(&["note", "job.yaml", remedy, "effect-sound=silent"]).ends(0);
            assert!(begun.elapsed() < Duration::from_secs(30), "{remedy} took {:?}", begun.elapsed());
        }
        folder.run(&["next", "job.yaml"]).ends(0);
        folder.run(&["suspects", "job.yaml"]).ends(0);
        folder.run_with("stop\n", &["bench", "job.yaml"]).ends(0);
        folder.run(&["close", "job.yaml", "--handed-on"]).ends(0);
    }
}

#[test]
fn what_did_not_help_is_not_proposed_again() {
    let folder = Folder::new();
    folder.put("job.yaml", CARD);
    let mut tried = vec![
        "try:rewire-footswitch".to_string(),
        "try:clear-rail-bridge".to_string(),
        "try:see-to-amplifier".to_string(),
    ];
    for _ in 0..16 {
        let ran = folder.run(&["next", "job.yaml", "--json"]).ends(0);
        let next: Value = serde_json::from_str(&ran.out).unwrap();
        match next["action"].as_str() {
            Some("remedy") => {
                let id = next["remedy"]["id"].as_str().unwrap().to_string();
                assert!(!tried.contains(&id), "{id} is proposed again");
                folder.run(&["note", "job.yaml", &format!("{id}=no-change"), "effect-sound=silent"]).ends(0);
                tried.push(id);
            }
            Some("check") => {
                let id = next["check"]["id"].as_str().unwrap();
                folder.run(&["note", "job.yaml", &format!("{id}=unsure")]).ends(0);
            }
            _ => break,
        }
    }
    assert!(tried.len() > 3, "no remedy was proposed at all");
}
