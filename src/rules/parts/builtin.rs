//! The shipped part files. A test fails when a file under `rules/parts` or `rules/devices` is missing from this list.

macro_rules! shipped {
    ($($path:literal),* $(,)?) => {
        &[$(($path, include_str!(concat!(env!("CARGO_MANIFEST_DIR"), "/", $path)))),*]
    };
}

/// Name and text of each shipped file, in order.
pub(super) const FILES: &[(&str, &str)] = shipped![
    "rules/parts/active.yaml",
    "rules/parts/drawn.yaml",
    "rules/parts/passive.yaml",
    "rules/parts/roles.yaml",
    "rules/parts/wiring.yaml",
    "rules/devices/bipolars.yaml",
    "rules/devices/chips.yaml",
    "rules/devices/diodes.yaml",
    "rules/devices/fets.yaml",
    "rules/devices/leds.yaml",
    "rules/devices/op_amps.yaml",
    "rules/devices/shapes.yaml",
    "rules/devices/supplies.yaml",
];
