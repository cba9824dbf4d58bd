//! Job cards: a change is right, or refused without loss.

use super::grow::{Grower, run};
use halfsplit::job::{Card, CardFinding, EndState, JobCard, NewFinding};
use halfsplit::text::Source;

const SEEDS: [&str; 4] = [
    "# keep\nunit: Tin Lantern\nhistory: fresh-build\nfindings:\n  # one\n  - {check: a, answer: b}   # two\n\n  - check: c\n    answer: d\n    remark: |\n      lines\n      # no comment\ntools: [meter]\n",
    "unit: A\r\nhistory: after-change\r\nfindings: []   # none\r\ncomplaint:\r\n  words: 'it''s dead'\r\n  symptoms: [silent]\r\n",
    "{unit: A, history: worked-before, findings: [{check: a, answer: \"x, y\"}, {check: b, answer: 4.7k}], outcome: {end: found}}",
    "findings: [\n  {check: a, answer: b},  # c\n]\nunit: >-\n  folded\n  name\nhistory: fresh-build\noutcome:\n  end: mended\n  faults: [x]\n",
];
const WORDS: [&str; 24] = [
    "findings:",
    "\n",
    "  ",
    "\t",
    "- ",
    "{",
    "}",
    "[",
    "]",
    ", ",
    ": ",
    " # c",
    "\"",
    "'",
    "|",
    ">",
    "~",
    "\u{feff}",
    "\r\n",
    "---\n",
    "...\n",
    "? ",
    "ü",
    "remarks: ",
];

/// All but the places: what the card says.
fn says(card: &Card) -> serde_json::Value {
    serde_json::to_value(card).unwrap()
}

fn finding(f: &CardFinding) -> (&str, &str, bool) {
    (&f.check.value, &f.answer.value, f.struck.is_some())
}

/// Every comment of the old text stands in the new one.
fn comments_stay(old: &str, new: &str) {
    // A lone carriage return ends a line too (YAML 1.2.2, 5.4).
    for comment in old.split(['\n', '\r']).map(str::trim).filter(|l| l.starts_with('#')) {
        // Such a line may also be the end of a quoted text that runs over lines; what follows its quote moves on rightly.
        let comment = comment.split(['"', '\'']).next().unwrap_or_default();
        assert!(new.contains(comment), "{comment:?} is gone:\n{old}\n=>\n{new}");
    }
}

fn one(bytes: &[u8]) -> bool {
    let Ok(source) = Source::from_bytes("job.yaml", bytes.to_vec()) else { return false };
    let Ok(job) = JobCard::read(&source) else { return false };
    let new = NewFinding {
        at: Some("2026-11-24T10:00:00Z".into()),
        check: "volts:V5".into(),
        answer: "4,98 V, \"steady\" # ?".into(),
        remark: None,
    };
    if let Ok(more) = job.with_finding(&new) {
        let (old, now) = (&job.card.findings, &more.card.findings);
        assert_eq!(now.len(), old.len() + 1);
        assert!(old.iter().zip(now).all(|(a, b)| finding(a) == finding(b)));
        assert_eq!(now[old.len()].answer.value, new.answer);
        comments_stay(job.text(), more.text());
        let mut less = more.card.clone();
        less.findings.pop();
        assert_eq!(says(&less), says(&job.card), "nothing else reads differently");
    }
    for number in 1..=job.card.findings.len().min(3) {
        if let Ok(struck) = job.with_struck(number, "2026: wrong, \"range\"") {
            assert!(struck.card.findings[number - 1].struck.is_some());
            comments_stay(job.text(), struck.text());
            let mut back = struck.card.clone();
            back.findings[number - 1].struck = None;
            assert_eq!(says(&back), says(&job.card));
        }
    }
    if let Ok(more) = job.with_remark(None, "x: [y] #") {
        assert_eq!(more.card.remarks.last().unwrap().text, "x: [y] #");
    }
    if let Ok(more) = job.with_skipped("try:x") {
        assert_eq!(more.card.skip.len(), job.card.skip.len() + 1);
    }
    if let Ok(closed) = job.with_outcome(None, EndState::Mended, &["a~b:bridge".into()], Some("did, it")) {
        let outcome = closed.card.outcome.as_ref().unwrap();
        assert_eq!((outcome.end, outcome.did.as_deref()), (EndState::Mended, Some("did, it")));
        assert_eq!(
            closed.card.findings,
            job.card
                .findings
                .clone()
                .into_iter()
                .zip(&closed.card.findings)
                .map(|(mut f, g)| {
                    // Places may have moved with an outcome that stood before them.
                    (f.check.span, f.answer.span) = (g.check.span, g.answer.span);
                    f
                })
                .collect::<Vec<_>>()
        );
    }
    true
}

#[test]
fn job_cards() {
    run("card", Grower::new("card", &SEEDS, &WORDS), one);
}
