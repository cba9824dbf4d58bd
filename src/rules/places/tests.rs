#![allow(clippy::unwrap_used)]
use super::*;
use crate::rules::{Cause, Effect, History, Link, Rules, Strength};

#[test]
fn every_shipped_outline_gives_rules() {
    let library = Library::builtin().unwrap();
    let counts = library.prove().unwrap();
    assert!(counts.outlines >= 20 && counts.places >= 100 && counts.modes >= 500, "{counts}");
    for id in library.outlines.keys() {
        for history in History::ALL {
            let (rules, _) = rules_for(&library, &UnitFacts::new(id.clone(), *history)).unwrap();
            // Whatever can be proposed or suspected can be named.
            let unnamed: Vec<&str> = (rules.checks().filter(|(i, c)| rules.find_check(&c.id) != Ok(*i)))
                .map(|(_, c)| c.id.as_str())
                .chain(
                    rules
                        .faults()
                        .filter(|(i, f)| rules.find_fault(&f.id) != Ok(*i))
                        .map(|(_, f)| f.id.as_str()),
                )
                .collect();
            assert!(unnamed.is_empty(), "{id}: {unnamed:?}");
            let expected: f64 = rules.faults().map(|(_, f)| f.prior.fresh_build.get()).sum();
            // A unit that is brought in has about one fault; a fresh build may well have two.
            assert!((0.6..1.8).contains(&expected), "{id} {history}: {expected:.2} faults expected");
        }
    }
}

fn unit(outline: &str, change: impl Fn(&mut UnitFacts)) -> Rules {
    let mut facts = UnitFacts::new(outline, History::WorkedBefore);
    change(&mut facts);
    rules_for(&Library::builtin().unwrap(), &facts).unwrap().0
}

fn strength(rules: &Rules, fault: &str, check: &str) -> f64 {
    let fault = rules.find_fault(fault).unwrap();
    let check = rules.find_check(check).unwrap();
    // Along the strongest way through one condition.
    rules
        .links_from(Cause::Fault(fault))
        .map(|(_, link)| match link.to {
            Effect::Check(c) if c == check => link.strength.total(),
            Effect::Check(_) => 0.0,
            Effect::Condition(c) => {
                let on = rules.links_from(Cause::Condition(c)).filter(|(_, l)| l.to == Effect::Check(check));
                link.strength.total() * on.map(|(_, l)| l.strength.total()).fold(0.0, f64::max)
            }
        })
        .fold(0.0, f64::max)
}

#[test]
fn what_is_seen_is_believed() {
    let rules = unit("fuzz", |_| {});
    // A look at all wiring sees a wire wherever it goes.
    assert!(strength(&rules, "wires-broken@Q1", "look@wires") > 0.3);
    assert!(strength(&rules, "wires-broken@Q1", "look@Q1") > 0.3);
    assert_eq!(strength(&rules, "wires-broken@Q1", "look@Q2"), 0.0);
    // Whatever is said of a look, or of a part on the meter, something there makes it likelier than nothing does.
    let mut answers = 0;
    for outline in ["fuzz", "op-amp-drive", "echo-delay", "filter-module", "any"] {
        let rules = unit(outline, |_| {});
        for (id, check) in rules.checks() {
            let family = check.id.as_str().split('@').next().unwrap();
            if !["look", "part", "path-ohms"].contains(&family) {
                continue;
            }
            for (answer, word) in check.answers.iter().enumerate().skip(1) {
                let share = |l: &Link| match &l.strength {
                    Strength::Graded(shares) => shares[answer].get(),
                    Strength::Plain(_) => 0.0,
                };
                let most = rules.links_to(Effect::Check(id)).map(|(_, l)| share(l)).fold(0.0, f64::max);
                assert!(most > 1.1 * check.leak[answer].get(), "{outline}: {}={word}: {most}", check.id);
                answers += 1;
            }
        }
    }
    assert!(answers > 1000, "{answers}");
}

#[test]
fn what_is_ahead_of_the_probe_is_heard_and_what_is_behind_is_not() {
    let rules = unit("fuzz", |_| {});
    assert!(strength(&rules, "shorted@Q1", "listen@Q1") > 0.5);
    assert!(strength(&rules, "shorted@Q1", "listen@Q2") > 0.5);
    assert_eq!(strength(&rules, "shorted@Q2", "listen@Q1"), 0.0);
    assert!(strength(&rules, "shorted@Q2", "effect-sound") > 0.5);
}

#[test]
fn the_echo_branch_dies_alone() {
    let rules = unit("echo-delay", |_| {});
    let dead = "no-output@5V-regulator";
    assert!(strength(&rules, dead, "echoes") > 0.5);
    assert!(strength(&rules, dead, "dry-sound") < 0.05);
    assert!(strength(&rules, dead, "fed@5V-regulator") > 0.5);
}

#[test]
fn facts_of_the_card_take_spots_away() {
    let battery = unit("fuzz", |f| {
        f.facts.insert("adaptor".into(), false);
    });
    assert!(battery.find_fault("dead@adaptor").is_err() && battery.find_fault("flat@battery").is_ok());
    let module = unit("vca-module", |_| {});
    assert!(module.find_check("bypass-sound").is_err() && module.find_check("switching").is_err());
    let without = unit("fuzz", |f| {
        f.without.insert("Q2".into());
    });
    assert!(without.find_check("listen@Q2").is_err());
    let with = unit("fuzz", |f| {
        f.with.insert("Q3".into(), "jfet-stage".into());
    });
    assert!(with.find_check("listen@Q3").is_ok());
}

#[test]
fn a_swap_relieves_what_it_replaces() {
    let rules = unit("fuzz", |_| {});
    let same = |fault: &str| strength(&rules, fault, "other-leads");
    assert_eq!(same("open@in-lead"), 0.0);
    assert!(same("shorted@Q1") > 0.8);
}

#[test]
fn what_happened_before_counts() {
    let prior = |happened: &[&str]| {
        let rules = unit("op-amp-drive", |f| f.happened = happened.iter().map(|h| h.to_string()).collect());
        rules.fault(rules.find_fault("shorted-across@guard").unwrap()).prior.worked_before.get()
    };
    assert!(prior(&["reversed-supply"]) > 5.0 * prior(&[]));
    let mut facts = UnitFacts::new("fuzz", History::WorkedBefore);
    facts.happened = vec!["droped".into()];
    let slip = rules_for(&Library::builtin().unwrap(), &facts).unwrap_err().to_string();
    assert!(slip.contains("unknown event 'droped'") && slip.contains("did you mean 'dropped'?"), "{slip}");
}
