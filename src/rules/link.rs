//! Links as written to links between items.

use super::figures::Probability;
use super::ids::{Cause, ConditionId, Effect, FaultId, PackId, Strength};
use super::load::{File, Loader, Written};
use super::set::Link;
use super::written;
use crate::text::{At, Named};

/// One share of a link: the answer (1 for conditions), the figure, and which of the figures
/// written it is.
pub(super) type Share = (usize, Probability, usize);

/// Builds the links of all faults and conditions.
pub(super) fn links(loader: &mut Loader, all: &Written<'_>) {
    for (i, e) in all.faults.iter().enumerate() {
        let source = loader.rules.faults[i].source.clone();
        of_cause(loader, e.file, e.pack, Cause::Fault(FaultId::at(i)), &source, &e.item.leads_to);
    }
    for (i, e) in all.conditions.iter().enumerate() {
        let source = loader.rules.conditions[i].source.clone();
        of_cause(loader, e.file, e.pack, Cause::Condition(ConditionId::at(i)), &source, &e.item.leads_to);
    }
}

fn of_cause(
    loader: &mut Loader,
    file: &File,
    pack: PackId,
    from: Cause,
    source: &str,
    links: &Named<written::Link>,
) {
    let first = loader.rules.links.len();
    for (key, link) in links.iter() {
        let why = loader.wording(file, &link.why);
        let source = link.source.as_ref().map_or(source.to_string(), |s| loader.wording(file, s));
        let Some((to, alias)) = loader.effect(file, key) else {
            loader.cut_causes.insert(from);
            continue;
        };
        let answers = link.answers.as_ref().map(|a| a.0.as_slice());
        let Some(shares) = shares(loader, file, key, link.strength.as_ref(), answers, (to, alias)) else {
            loader.cut_causes.insert(from);
            loader.cut_effects.insert(to);
            continue;
        };
        if loader.rules.links[first..].iter().any(|l| l.to == to) {
            let message =
                format!("a second link from '{}' to '{}'", loader.rules_name(from), loader.effect_name(to));
            let help = "write one link; 'answers: {…}' names several answers of a check";
            loader.complain("duplicate-link", file.place(key.span), message, help);
            continue;
        }
        let strength = graded(loader, file, key, to, &shares);
        loader.rules.links.push(Link { from, to, strength, why, source, pack, place: file.place(key.span) });
    }
}

/// The strength from its shares; complains if they exceed 1.
pub(super) fn graded(
    loader: &mut Loader,
    file: &File,
    key: &At<String>,
    to: Effect,
    shares: &[Share],
) -> Strength {
    match to {
        Effect::Condition(_) => Strength::Plain(shares.first().map_or(Probability::ZERO, |s| s.1)),
        Effect::Check(id) => {
            let mut all = vec![Probability::ZERO; loader.rules.check(id).answers.len().max(2)];
            for (answer, p, _) in shares {
                all[*answer] = *p;
            }
            loader.close_shares(file, key.span, &mut all);
            Strength::Graded(all)
        }
    }
}

/// The shares that a link states, or nothing after a complaint.
pub(super) fn shares(
    loader: &mut Loader,
    file: &File,
    key: &At<String>,
    strength: Option<&At<Probability>>,
    answers: Option<&[(At<String>, At<Probability>)]>,
    (to, alias): (Effect, Option<usize>),
) -> Option<Vec<Share>> {
    let known = match to {
        Effect::Check(id) => loader.rules.check(id).answers.clone(),
        Effect::Condition(_) => Vec::new(),
    };
    let plain = matches!(to, Effect::Condition(_)) || alias.is_some() || known.len() == 2;
    let place = file.place(key.span);
    let figures: Vec<&At<Probability>> = match (strength, answers) {
        (Some(s), None) if plain => vec![s],
        (None, Some(list)) if alias.is_none() && !known.is_empty() => list.iter().map(|(_, p)| p).collect(),
        (Some(_), Some(_)) => {
            let message = format!("the link to '{}' has both 'strength' and 'answers'", key.value);
            loader.complain("link-shape", place, message, "keep one of the two");
            return None;
        }
        _ => {
            let named: Vec<_> = known.iter().skip(1).map(|a| format!("{a}: …")).collect();
            let (message, help) = match plain {
                true => (
                    format!("the link to '{}' needs a strength", key.value),
                    "write 'strength: …'".to_string(),
                ),
                false => (
                    format!("the link to '{}' needs a share for each answer that it brings about", key.value),
                    format!("write 'answers: {{{}}}'", named.join(", ")),
                ),
            };
            loader.complain("link-shape", place, message, help);
            return None;
        }
    };
    for p in &figures {
        if p.is_zero() {
            loader.out_of_range(
                file,
                p.span,
                "a strength of 0 is out of range".into(),
                "leave the link or the answer out",
            );
        }
    }
    let Some(list) = answers else {
        return Some(vec![(alias.unwrap_or(1), figures.first()?.value, 0)]);
    };
    let mut out = Vec::new();
    for (i, (name, p)) in list.iter().enumerate() {
        match known.iter().position(|a| *a == name.value) {
            Some(0) => loader.normal_answer(file, name),
            Some(a) => out.push((a, p.value, i)),
            None => loader.unknown_answer(file, name, &key.value, &known),
        }
    }
    if list.is_empty() {
        loader.complain(
            "link-shape",
            place,
            format!("the link to '{}' names no answer", key.value),
            "name at least one",
        );
    }
    Some(out).filter(|o| !o.is_empty())
}

impl Loader {
    pub(super) fn rules_name(&self, cause: Cause) -> String {
        self.rules.cause_name(cause).to_string()
    }

    pub(super) fn effect_name(&self, effect: Effect) -> String {
        self.rules.effect_name(effect).to_string()
    }
}
