//! Loading, amending, what is in play, readings, schemas.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

use super::*;
use crate::text::{Complaints, Source, parse};

const LANTERN: &str = include_str!("../../tests/data/packs/lantern.yaml");

fn lantern() -> Source {
    Source::new("lantern.yaml", LANTERN)
}

fn with(more: &str) -> Result<Rules, Complaints> {
    Rules::load(&[lantern(), Source::new("more.yaml", more)])
}

fn head(applies: &str) -> String {
    format!(
        "pack: more\ntitle: More\napplies: {applies}\nabout: More of it.\nsource: common practice, no source\n"
    )
}

#[test]
fn the_committed_schemas_say_what_the_types_say() {
    list::assert_schema::<written::Pack>("pack");
    list::assert_schema::<super::speech::written::WordFile>("words");
    list::assert_output_schema::<List>("rules-list");
    list::assert_output_schema::<show::Sheet>("rules-show");
}

#[test]
fn the_shipped_packs_are_without_complaint() {
    if let Err(complaints) = Rules::builtin() {
        panic!("{}", complaints.render(false));
    }
}

#[test]
fn every_pack_on_disk_is_compiled_in() {
    let folder = concat!(env!("CARGO_MANIFEST_DIR"), "/rules/packs");
    let mut names: Vec<String> = std::fs::read_dir(folder)
        .unwrap()
        .map(|e| e.unwrap().file_name().to_string_lossy().into_owned())
        .filter(|n| n.ends_with(".yaml"))
        .map(|n| format!("rules/packs/{n}"))
        .collect();
    names.sort();
    let built: Vec<String> = builtin_sources().into_iter().map(|s| s.name).collect();
    assert_eq!(names, built);
}

/// The tree and `serde_yaml` see the same names and texts in every shipped file.
#[test]
fn both_yaml_parsers_agree_on_every_shipped_file() {
    for source in builtin_sources().into_iter().chain([lantern()]) {
        let ours = parse(&source).unwrap().root;
        let theirs: serde_yaml::Value = serde_yaml::from_str(&source.text).unwrap();
        same(&ours, &theirs, &source.name);
    }
}

fn same(ours: &crate::text::Node, theirs: &serde_yaml::Value, at: &str) {
    use crate::text::Value as Ours;
    use serde_yaml::Value as Theirs;
    match (&ours.value, theirs) {
        (Ours::Map(a), Theirs::Mapping(b)) => {
            assert_eq!(a.len(), b.len(), "at {at}");
            for ((key, value), (k, v)) in a.iter().zip(b) {
                let at = format!("{at}.{}", key.value);
                let k = serde_yaml::to_string(k).unwrap();
                assert_eq!(key.value, k.trim_end().trim_matches(['"', '\'']), "at {at}");
                same(value, v, &at);
            }
        }
        (Ours::List(a), Theirs::Sequence(b)) => {
            assert_eq!(a.len(), b.len(), "at {at}");
            a.iter().zip(b).enumerate().for_each(|(i, (a, b))| same(a, b, &format!("{at}[{i}]")));
        }
        (Ours::Scalar(_), Theirs::Null) => assert!(ours.is_null(), "at {at}"),
        (Ours::Scalar(a), Theirs::String(b)) => assert_eq!(&a.text, b, "at {at}"),
        (Ours::Scalar(a), Theirs::Bool(b)) => assert_eq!(a.text, b.to_string(), "at {at}"),
        (Ours::Scalar(a), Theirs::Number(b)) => {
            assert_eq!(a.text.parse::<f64>().unwrap(), b.as_f64().unwrap(), "at {at}");
        }
        (a, b) => panic!("{a:?} is not {b:?} at {at}"),
    }
}

#[test]
fn links_resolve_aliases_and_grades() {
    let rules = with(&head("always")).unwrap();
    let absent = rules.find_condition("supply-absent").unwrap();
    let sound = rules.find_check("effect-sound").unwrap();
    let (_, link) =
        rules.links_from(Cause::Condition(absent)).find(|(_, l)| l.to == Effect::Check(sound)).unwrap();
    let Strength::Graded(shares) = &link.strength else { panic!("{link:?}") };
    let shares: Vec<f64> = shares.iter().map(|p| p.get()).collect();
    assert!((shares[0] - 0.03).abs() < 1e-12, "{shares:?}");
    assert_eq!(&shares[1..], [0.0, 0.97], "silent is the third answer of effect-sound");
    let hiss = rules.check(rules.find_check("hiss").unwrap());
    assert_eq!(
        (hiss.kind, hiss.power, hiss.answers.as_slice()),
        (Kind::Ask, Power::Any, &["no".to_string(), "yes".into()][..])
    );
    assert_eq!(hiss.leak[1].get(), 0.02);
    let order: Vec<&str> = rules.condition_order().iter().map(|c| rules.condition(*c).id.as_str()).collect();
    assert_eq!(order, ["supply-absent", "logic-rail-wrong", "echo-path-dead"]);
    assert!(rules.find_check("silent").is_err(), "an alias is no check");
    assert!(matches!(rules.find("silent"), Ok(Item::Symptom(_))));
    let e = rules.find_fault("regulator-turnt").unwrap_err();
    assert_eq!(e.to_string(), "no fault is called 'regulator-turnt'; did you mean 'regulator-turned'?");
}

#[test]
fn priors_follow_history_and_build_and_stay_below_one() {
    let rules = with(&format!(
        "{}amend: {{faults: {{regulator-turned: {{prior: {{fresh-build: 40%}}, build: {{breadboard: 100}}}}}}}}\n",
        head("always")
    ))
    .unwrap();
    let fault = rules.fault(rules.find_fault("regulator-turned").unwrap());
    assert_eq!(fault.prior(History::FreshBuild, Some(Build::Breadboard)).get(), Fault::MAX_PRIOR);
    assert_eq!(fault.prior(History::FreshBuild, None).get(), 0.4);
    assert_eq!(fault.prior(History::WorkedBefore, Some(Build::Stripboard)).get(), 0.0001);
}

#[test]
fn amendments_change_what_they_name_and_say_where_it_comes_from() {
    let rules = with(&format!(
        "{}{}",
        head("always"),
        "amend:
  faults:
    regulator-turned:
      prior:
        fresh-build: {is: 1.9%, from: {authored: 1.2%, cases: 14, effective: 9.5, interval: [0.8%, 3.6%]}}
      leads-to:
        look-regulator: {strength: 0.9}
        hiss: {strength: 0.1, why: A reversed regulator may rattle}
  conditions:
    logic-rail-wrong:
      leak: 0.1%
      leads-to:
        logic-rail-volts: {answers: {low: 0.25}}
  checks:
    logic-rail-volts: {minutes: 2, leak: {missing: 0.5%}}
    hiss: {leak: {yes: 3%}}
  remedies:
    refit-lead: {minutes: 6, success: 0.9, money: 0.10, fixes: [leaky-coupling]}
"
    ))
    .unwrap();
    let id = rules.find_fault("regulator-turned").unwrap();
    assert_eq!(rules.fault(id).prior.fresh_build.get(), 0.019);
    assert_eq!(rules.fault(id).prior.after_change.get(), 0.004, "not named, so unchanged");
    assert_eq!(rules.links_from(Cause::Fault(id)).count(), 3, "one link was added");
    let rail = rules.find_condition("logic-rail-wrong").unwrap();
    assert_eq!(rules.condition(rail).leak.get(), 0.001);
    let volts = rules.find_check("logic-rail-volts").unwrap();
    let (_, link) = rules.links_to(Effect::Check(volts)).next().unwrap();
    let Strength::Graded(shares) = &link.strength else { panic!("{link:?}") };
    let shares: Vec<f64> = shares.iter().map(|p| p.get()).collect();
    assert_eq!(&shares[1..], [0.25, 0.65], "missing keeps its share");
    assert!((shares[0] - 0.1).abs() < 1e-12);
    assert_eq!(
        rules.check(volts).leak.iter().map(|p| p.get()).collect::<Vec<_>>(),
        [1.0 - 0.015, 0.01, 0.005]
    );
    assert_eq!(rules.check(rules.find_check("hiss").unwrap()).leak[1].get(), 0.03);
    assert_eq!(rules.remedies_of(rules.find_fault("leaky-coupling").unwrap()).len(), 2);
    let first = &rules.amended()[0];
    assert_eq!((first.figure.as_str(), first.was, first.is), ("prior fresh-build", 0.012, 0.019));
    assert_eq!(first.from.as_ref().unwrap().cases, Some(14));
    let page = rules.show("regulator-turned").unwrap().text();
    assert!(page.contains("authored 1.2%, 14 cases, worth 9.5, 90 % interval 0.8 % to 3.6 %."), "{page}");
}

#[test]
fn only_what_applies_is_in_play() {
    let more = format!(
        "{}{}",
        head("with-block"),
        "faults:
  lfo-dead:
    says: The oscillator stands still
    plain: A part had failed
    prior: {fresh-build: 1%, worked-before: 0%, after-change: 1%}
    build: {breadboard: 1, stripboard: 1, pcb: 1, point-to-point: 1}
    leads-to:
      look-regulator: {strength: 0.2, why: Made up}
      echo-path-dead: {strength: 0.2, why: Made up}
remedies:
  wake: {says: Wake it, fixes: [lfo-dead], minutes: 1, money: 0, tools: [], power: off, success: 0.5}
"
    );
    let rules = with(&more).unwrap();
    let play = |history, blocks| {
        let context = Context { history, build: None, blocks };
        let play = rules.in_play(&context);
        (
            play.faults().count(),
            play.conditions().count(),
            play.links_to(Effect::Check(rules.find_check("look-regulator").unwrap())).count(),
        )
    };
    let (lantern, more) = (rules.find_pack("lantern").unwrap(), rules.find_pack("more").unwrap());
    assert_eq!(play(History::FreshBuild, vec![]), (4, 3, 2), "no block named: all in play");
    assert_eq!(play(History::FreshBuild, vec![more]), (4, 3, 2));
    assert_eq!(play(History::FreshBuild, vec![lantern]), (3, 3, 1), "its block is not there");
    assert_eq!(play(History::WorkedBefore, vec![more]), (3, 3, 1), "a prior of 0 is out of play");
}

#[test]
fn readings_become_answers() {
    let rules = with(&head("always")).unwrap();
    let check = rules.check(rules.find_check("logic-rail-volts").unwrap());
    let reading = check.reading.as_ref().unwrap();
    let says = |x: f64| reading.answer(x).map(|a| check.answers[a].as_str());
    assert_eq!(
        [says(5.0), says(4.75), says(4.7), says(1.0), says(0.0), says(-9.0)],
        [Some("right"), Some("right"), Some("low"), Some("low"), Some("missing"), Some("missing")]
    );
    assert_eq!(says(7.0), None, "above every band");
    assert_eq!(says(f64::INFINITY), None);
    assert_eq!(says(f64::NAN), None);
    let meter = Accuracy { relative: 0.005, absolute: 0.02 };
    let soft = reading.likelihood(1.01, meter, 3).unwrap();
    // 1.01 V, limits 0.02505 V: 0.98495 to 1.03505; 0.01505 of 0.0501 lies below 1 V.
    assert!((soft[2] - 0.015_05 / 0.0501).abs() < 1e-9 && soft[0] == 0.0, "{soft:?}");
    assert!((soft.iter().sum::<f64>() - 1.0).abs() < 1e-12);
    assert_eq!(reading.likelihood(3.0, meter, 3).unwrap(), [0.0, 1.0, 0.0]);
    assert_eq!(reading.likelihood(7.0, meter, 3), None);
}

#[test]
fn figures_read_as_the_trade_writes_them() {
    let p = |t: &str| t.parse::<Probability>().map(Probability::get).ok();
    assert_eq!(
        [p("1.2%"), p("1.2 %"), p("0.012"), p("1"), p("100%"), p("0")],
        [Some(0.012), Some(0.012), Some(0.012), Some(1.0), Some(1.0), Some(0.0)]
    );
    assert_eq!(
        [p("-0.1"), p("1.01"), p("101%"), p("NaN"), p("inf"), p("1e400"), p(""), p("%"), p("1,2%")],
        [None; 9]
    );
    let m = |t: &str| t.parse::<Money>().map(Money::hundredths).ok();
    assert_eq!(
        [m("0.40"), m("3"), m("0.4"), m("12.05"), m("3.")],
        [Some(40), Some(300), Some(40), Some(1205), Some(300)]
    );
    assert_eq!([m("-1"), m(".5"), m("0.405"), m("1e3"), m("99999999"), m("£3"), m("")], [None; 7]);
    let b = |t: &str| t.parse::<Band>().map(|b| (b.low, b.high)).ok();
    assert_eq!(b("4.75..5.25"), Some((4.75, 5.25)));
    assert_eq!(b("..-0.5"), Some((f64::NEG_INFINITY, -0.5)));
    assert_eq!(b("12.."), Some((12.0, f64::INFINITY)));
    assert_eq!([b("5..4"), b("5..5"), b("5"), b("a..b"), b("NaN..1")], [None; 5]);
}

#[test]
fn a_page_on_a_fault_reads_like_a_handbook() {
    let rules = Rules::load(&[lantern()]).unwrap();
    insta::assert_snapshot!(rules.show("regulator-turned").unwrap().text());
    insta::assert_snapshot!(rules.show("logic-rail-volts").unwrap().text());
}

#[test]
fn every_page_fits_eighty_columns() {
    let sources: Vec<Source> = builtin_sources().into_iter().chain([lantern()]).collect();
    for rules in [Rules::load(&[lantern()]), Rules::load(&sources[..sources.len() - 1])] {
        let rules = rules.unwrap();
        for item in rules.list().items {
            let page = rules.show(&item.id).unwrap().text();
            assert!(page.contains(&item.id));
            for line in page.lines() {
                assert!(line.chars().count() <= 80 || !line.trim().contains(' '), "{}: {line}", item.id);
            }
        }
    }
}
