//! Rule packs: loaded or complained about, with every complaint in one breath.

use super::grow::{Grower, run};
use halfsplit::rules::Rules;
use halfsplit::text::Source;

const LANTERN: &str = include_str!("../data/packs/lantern.yaml");
const WORDS: [&str; 18] = [
    "faults:",
    "checks:",
    "leads-to:",
    "\n",
    "    ",
    "- ",
    "{",
    "}",
    "[",
    "]",
    ": ",
    "1.5",
    "-3%",
    "\"..\"",
    "NaN",
    "silent",
    "yes",
    "regulator-turned",
];

#[test]
fn packs() {
    run("pack", Grower::new("pack", &[LANTERN], &WORDS), |bytes| {
        let Ok(source) = Source::from_bytes("pack.yaml", bytes.to_vec()) else { return false };
        match Rules::load(&[source]) {
            Ok(rules) => rules.faults().len() + rules.checks().len() > 0,
            Err(complaints) => {
                assert!(!complaints.0.is_empty());
                assert!(!complaints.render(false).is_empty());
                false
            }
        }
    });
}
