//! What was learned as a pack of amendments, plain text that a person can read and compare.

use super::change::{Change, Spot};
use super::gain::{Gain, Kept};
use crate::rules::{Cause, Effect, Item, Rules};
use crate::text::inline;
use std::collections::BTreeMap;
use std::fmt::Write;

/// The text of the pack: the changes that are kept. The same changes give the same text.
pub fn overlay(rules: &Rules, changes: &[Change], cards: u64, weight: f64, gain: &Gain) -> String {
    let after = gain.after();
    let mut out = format!(
        "# Learned from {cards} resolved cards; each authored figure counted as {weight} cases, a prior as enough to hold \
         {} occurrences.\n\
         # Judged on {} cases left out: log score {:.3} before, {:.3} after; Brier score {:.3} before, {:.3} after.\n",
        weight / 10.0,
        gain.cases,
        gain.before.log,
        after.log,
        gain.before.brier,
        after.brier
    );
    out += match gain.kept {
        Kept::Strengths => "# Priors stay as authored: those learned did worse.\n",
        Kept::Priors => "# Strengths and leaks stay as authored: those learned did worse.\n",
        Kept::All | Kept::Nothing => "",
    };
    let _ = write!(
        out,
        "pack: learned\n\
         title: Figures learned from resolved jobs\n\
         applies: always\n\
         about: What this bench has seen, where it differs noticeably from the authored figures.\n\
         source: {cards} resolved cards\n\
         amend:\n"
    );
    let changes: Vec<Change> = changes.iter().filter(|c| gain.kept.takes(c.spot)).cloned().collect();
    let tree = Tree::of(rules, &changes);
    for (kind, items) in &tree.0 {
        let _ = writeln!(out, "  {kind}:");
        for (item, groups) in items {
            let _ = writeln!(out, "    {item}:");
            for (group, lines) in groups {
                if group.is_empty() {
                    lines.iter().for_each(|l| out += &format!("      {l}\n"));
                    continue;
                }
                let _ = writeln!(out, "      {group}:");
                lines.iter().for_each(|l| out += &format!("        {l}\n"));
            }
        }
    }
    out
}

/// Kind, item (with its number, to keep the order of the rules), group, lines.
struct Tree(BTreeMap<&'static str, Vec<(String, Groups)>>);

/// Groups of an item, each with its lines.
type Groups = Vec<(&'static str, Vec<String>)>;

impl Tree {
    fn of(rules: &Rules, changes: &[Change]) -> Self {
        let mut tree: BTreeMap<Item, Groups> = BTreeMap::new();
        let mut i = 0;
        while i < changes.len() {
            let first = &changes[i];
            // The shares of one link, or the leaks of one check, stand together.
            let same = |c: &&Change| match (first.spot, c.spot) {
                (Spot::Share(a, _), Spot::Share(b, _)) => a == b,
                (Spot::CheckLeak(a, _), Spot::CheckLeak(b, _)) => a == b,
                _ => std::ptr::eq(first, *c),
            };
            let count = changes[i..].iter().take_while(same).count();
            let (item, group, line) = entry(rules, &changes[i..i + count]);
            let groups = tree.entry(item).or_default();
            match groups.iter_mut().find(|(g, _)| *g == group) {
                Some((_, lines)) => lines.push(line),
                None => groups.push((group, vec![line])),
            }
            i += count;
        }
        let mut out: BTreeMap<&'static str, Vec<_>> = BTreeMap::new();
        for (item, groups) in tree {
            let (kind, name) = match item {
                Item::Fault(id) => ("faults", &rules.fault(id).id),
                Item::Condition(id) => ("conditions", &rules.condition(id).id),
                Item::Check(id) => ("checks", &rules.check(id).id),
                Item::Remedy(id) => ("remedies", &rules.remedy(id).id),
                Item::Symptom(_) | Item::Caution(_) | Item::Setup(_) => continue,
            };
            out.entry(kind).or_default().push((inline(name), groups));
        }
        Self(out)
    }
}

/// Item, group and line of changes that stand together.
fn entry(rules: &Rules, changes: &[Change]) -> (Item, &'static str, String) {
    let one = &changes[0];
    let plain = |key: &str| format!("{key}: {}", figure(one));
    match one.spot {
        Spot::Prior(id, history) => (Item::Fault(id), "prior", plain(history.name())),
        Spot::Factor(id, build) => (Item::Fault(id), "build", plain(build.name())),
        Spot::ConditionLeak(id) => (Item::Condition(id), "", plain("leak")),
        Spot::CheckMinutes(id) => (Item::Check(id), "", plain("minutes")),
        Spot::RemedyMinutes(id) => (Item::Remedy(id), "", plain("minutes")),
        Spot::Success(id) => (Item::Remedy(id), "", plain("success")),
        Spot::CheckLeak(id, _) => {
            let answers = &rules.check(id).answers;
            (Item::Check(id), "", format!("leak: {}", shares(answers, changes, leak_answer)))
        }
        Spot::Share(id, _) => {
            let link = rules.link(id);
            let item = match link.from {
                Cause::Fault(f) => Item::Fault(f),
                Cause::Condition(c) => Item::Condition(c),
            };
            let to = inline(rules.effect_name(link.to));
            let line = match link.to {
                Effect::Condition(_) => format!("{to}: {{strength: {}}}", figure(one)),
                Effect::Check(c) => {
                    format!("{to}: {{answers: {}}}", shares(&rules.check(c).answers, changes, share_answer))
                }
            };
            (item, "leads-to", line)
        }
    }
}

fn leak_answer(spot: Spot) -> usize {
    if let Spot::CheckLeak(_, k) = spot { k } else { 0 }
}

fn share_answer(spot: Spot) -> usize {
    if let Spot::Share(_, k) = spot { k } else { 0 }
}

/// `{answer: figure, …}` of the shares of one table; rounded down together, so that they stay within one.
fn shares(answers: &[String], changes: &[Change], answer: fn(Spot) -> usize) -> String {
    let part = |c: &Change| format!("{}: {}", inline(&answers[answer(c.spot)]), figure(c));
    format!("{{{}}}", changes.iter().map(part).collect::<Vec<_>>().join(", "))
}

/// `{is: …, from: {…}}`.
fn figure(c: &Change) -> String {
    let mut from = format!("authored: {}, cases: {}, effective: {:.1}", number(c.was), c.cases, c.effective);
    if let Some([low, high]) = c.interval {
        let _ = write!(from, ", interval: [{}, {}]", number(low), number(high));
    }
    if let Some(note) = &c.note {
        let _ = write!(from, ", note: {}", crate::text::flow_scalar(note));
    }
    format!("{{is: {}, from: {{{from}}}}}", number(c.is))
}

/// Four significant digits, cut off rather than rounded (shares must not come to more than one), never 0 for what isn't.
pub(super) fn number(x: f64) -> String {
    if x == 0.0 || !x.is_finite() {
        return "0".into();
    }
    let digits = (3.0 - x.abs().log10().floor()).clamp(0.0, 12.0) as i32;
    let scale = 10f64.powi(digits);
    // A figure such as 0.29 that is a hair below its own decimal must not lose its last digit.
    let cut = ((x * scale + 1e-6).floor() / scale).max(1e-12);
    let text = format!("{cut:.*}", digits as usize);
    if text.contains('.') { text.trim_end_matches('0').trim_end_matches('.').into() } else { text }
}
