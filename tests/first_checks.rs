//! What is proposed first, with the complaint alone: the trade's own order, as `tests/first_checks.yaml` has it.
#![allow(clippy::unwrap_used, clippy::expect_used)]

use halfsplit::job::{Diagnosis, JobCard};
use halfsplit::rules::Rules;
use halfsplit::text::{Source, decode, parse};
use serde::Deserialize;

#[derive(Deserialize)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
#[allow(dead_code)]
struct Situation {
    name: String,
    card: Situated,
    /// Checks of which at least one, or all, must be among the first three.
    #[serde(default)]
    within_first_three: Option<Wanted>,
    /// Checks that may come first.
    #[serde(default)]
    first: Vec<String>,
    why: String,
    source: String,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Wanted {
    #[serde(default)]
    all: Vec<String>,
    #[serde(default)]
    any: Vec<String>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Situated {
    history: String,
    build: String,
    #[serde(default)]
    tools: Vec<String>,
    #[serde(default)]
    blocks: Vec<String>,
    symptoms: Vec<String>,
}

/// The first three steps; a check is answered normal, a remedy changes nothing.
fn first_three(rules: &Rules, card: &Situated) -> Vec<String> {
    let mut text = format!(
        "unit: Anything\nhistory: {}\nbuild: {}\ncomplaint: {{symptoms: [{}]}}\ntools: [{}]\nblocks: [{}]\nfindings:\n",
        card.history,
        card.build,
        card.symptoms.join(", "),
        card.tools.join(", "),
        card.blocks.join(", ")
    );
    let mut out = Vec::new();
    for _ in 0..3 {
        let job = JobCard::read(&Source::new("situation.yaml", text.as_str())).unwrap();
        let proposal = Diagnosis::of(rules, job).unwrap().next(0).unwrap();
        let (id, answer) = match (proposal.check, proposal.remedy) {
            (Some(check), _) => (check.id, check.answers[0].clone()),
            (None, Some(remedy)) => (remedy.id, "no-change".into()),
            (None, None) => break,
        };
        text += &format!("  - {{check: \"{id}\", answer: \"{answer}\"}}\n");
        out.push(id);
    }
    out
}

#[test]
fn the_first_checks_are_those_of_an_experienced_hand() {
    let rules = Rules::builtin().unwrap();
    let file = include_str!("first_checks.yaml");
    let situations: Vec<Situation> =
        decode(&parse(&Source::new("first_checks.yaml", file)).unwrap()).unwrap();
    assert!(situations.len() >= 10, "all five symptoms, several histories");
    let mut wrong = Vec::new();
    for s in &situations {
        let first = first_three(rules, &s.card);
        let none = Wanted { all: Vec::new(), any: Vec::new() };
        let wanted = s.within_first_three.as_ref().unwrap_or(&none);
        let all = wanted.all.iter().all(|w| first.contains(w));
        let any = wanted.any.is_empty() || wanted.any.iter().any(|w| first.contains(w));
        let starts = s.first.is_empty() || first.first().is_some_and(|f| s.first.contains(f));
        if !(all && any && starts) {
            wrong.push(format!("{}: proposed {first:?}; {}", s.name, s.why));
        }
    }
    assert!(wrong.is_empty(), "{} of {}:\n{}", wrong.len(), situations.len(), wrong.join("\n"));
}
