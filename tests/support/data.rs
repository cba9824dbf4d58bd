//! Reads tests/data/diagnosis.
#![allow(dead_code)]

use std::path::PathBuf;

use serde_yaml::Value;

pub fn diagnosis(file: &str) -> Value {
    let path = PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("tests/data/diagnosis").join(file);
    let text = std::fs::read_to_string(&path).unwrap_or_else(|e| panic!("{}: {e}", path.display()));
    serde_yaml::from_str(&text).unwrap_or_else(|e| panic!("{}: {e}", path.display()))
}

pub fn list(v: &Value) -> &Vec<Value> {
    v.as_sequence().unwrap_or_else(|| panic!("a list, not {v:?}"))
}

pub fn num(v: &Value) -> f64 {
    v.as_f64().unwrap_or_else(|| panic!("a number, not {v:?}"))
}

pub fn int(v: &Value) -> usize {
    v.as_u64().unwrap_or_else(|| panic!("a whole number, not {v:?}")) as usize
}

pub fn text(v: &Value) -> &str {
    v.as_str().unwrap_or_else(|| panic!("text, not {v:?}"))
}

pub fn nums(v: &Value) -> Vec<f64> {
    list(v).iter().map(num).collect()
}

/// Half a unit of the last of `digits` decimals, and a hair.
#[track_caller]
pub fn near(got: f64, expected: f64, digits: i32, what: &str) {
    let slack = 0.5000001 * 10f64.powi(-digits) + 1e-12 * expected.abs();
    assert!((got - expected).abs() <= slack, "{what}: {got} not {expected}");
}
