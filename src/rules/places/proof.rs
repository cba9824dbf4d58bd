//! What holds of every outline: each fault shows, is told by a check, and can be put right.

use super::{Library, UnitFacts, rules_for};
use crate::rules::ids::{Cause, CheckId, Effect};
use crate::rules::{History, Rules};
use crate::text::{Complaint, Complaints};
use std::collections::{BTreeMap, BTreeSet};

/// How much a library holds.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, serde::Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
#[non_exhaustive]
pub struct LibraryCounts {
    /// Kinds of place.
    pub places: usize,
    /// Ways they can be wrong.
    pub modes: usize,
    /// Outlines of units.
    pub outlines: usize,
    /// Checks, one a family.
    pub checks: usize,
    /// Symptoms.
    pub symptoms: usize,
}

impl std::fmt::Display for LibraryCounts {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        let Self { places, modes, outlines, checks, symptoms } = self;
        write!(
            f,
            "{outlines} outlines, {places} places, {modes} modes, {checks} kinds of check, {symptoms} symptoms"
        )
    }
}

impl Library {
    /// How much it holds.
    pub fn counts(&self) -> LibraryCounts {
        LibraryCounts {
            places: self.kinds.len(),
            modes: self.kinds.values().map(|k| k.modes.len()).sum(),
            outlines: self.outlines.len(),
            checks: self.checks.iter().map(|(_, c)| c.families.0.len()).sum(),
            symptoms: self.checks.iter().map(|(_, c)| c.symptoms.0.len()).sum(),
        }
    }

    /// Proves every outline: it can be made into rules for each history, and each of its faults reaches a symptom, is told by a
    /// check that is no symptom, and is put right by some work. A kind of place that no outline has, an outline without words
    /// and a mode that nothing shows anywhere are complained of.
    ///
    /// # Errors
    /// Every complaint, each where the mode, the kind or the outline stands.
    pub fn prove(&self) -> Result<LibraryCounts, Complaints> {
        let mut complaints = Complaints::default();
        // A mode is at fault if it fails in an outline; each is complained of once.
        let mut said: BTreeSet<(String, &'static str)> = BTreeSet::new();
        let mut used: BTreeSet<&str> = BTreeSet::new();
        for id in self.outlines.keys() {
            for history in History::ALL {
                match rules_for(self, &UnitFacts::new(id.clone(), *history)) {
                    Err(more) => complaints.0.extend(more.0),
                    Ok((rules, unit)) => {
                        unshown(&rules, id, &mut said, &mut complaints);
                        for spot in &unit.spots {
                            used.extend(
                                spot.kinds
                                    .iter()
                                    .filter_map(|(k, _)| self.kinds.get_key_value(k))
                                    .map(|(k, _)| k.as_str()),
                            );
                        }
                    }
                }
            }
        }
        let instead = self.frames.values().map(|f| &f.spots).chain(self.outlines.values().map(|o| &o.spots));
        for spots in instead {
            let all =
                [&spots.supply, &spots.head, &spots.signal, &spots.tail, &spots.control, &spots.everywhere];
            for (_, spot) in all.iter().flat_map(|s| s.iter()) {
                let names = spot.instead.iter().flat_map(|(_, list)| list.iter());
                used.extend(
                    names.filter_map(|k| self.kinds.get_key_value(&k.value)).map(|(k, _)| k.as_str()),
                );
            }
        }
        for (id, kind) in &self.kinds {
            if !used.contains(id.as_str()) {
                let message = format!("no outline has the kind of place '{id}'");
                complaints.0.push(
                    Complaint::at("unused", kind.place.clone(), message)
                        .help("name it in an outline, or take it out"),
                );
            }
        }
        complaints.sort();
        complaints.or_ok(self.counts())
    }
}

/// Whether an effect is no more than that something is wrong there.
fn is_wrong(rules: &Rules, effect: Effect) -> bool {
    matches!(effect, Effect::Condition(c) if rules.condition(c).id.starts_with("itself@") || rules.condition(c).id.starts_with("around@"))
}

fn unshown(
    rules: &Rules,
    outline: &str,
    said: &mut BTreeSet<(String, &'static str)>,
    complaints: &mut Complaints,
) {
    let symptoms: BTreeSet<CheckId> = rules.symptoms().map(|(_, s)| s.check).collect();
    let mut of_condition: BTreeMap<usize, (bool, bool)> = BTreeMap::new();
    let shows = |cause: Cause| {
        let mut shown = (false, false);
        for (_, link) in rules.links_from(cause) {
            if let Effect::Check(check) = link.to {
                shown.0 |= symptoms.contains(&check);
                shown.1 |= rules.check(check).symptom.is_none();
            }
        }
        shown
    };
    for (id, _) in rules.conditions() {
        of_condition.insert(id.index(), shows(Cause::Condition(id)));
    }
    for (id, fault) in rules.faults() {
        let mut shown = shows(Cause::Fault(id));
        for (_, link) in rules.links_from(Cause::Fault(id)) {
            if let Effect::Condition(c) = link.to {
                let (symptom, check) = of_condition[&c.index()];
                shown.0 |= symptom;
                shown.1 |= check;
            }
        }
        let place = &fault.place;
        let mut complain = |code: &'static str, what: String, help: &str| {
            let key = format!("{}:{}", place.file.name, place.span.start);
            if said.insert((key, code)) {
                complaints.0.push(Complaint::at(code, place.clone(), what).help(help));
            }
        };
        let name = &fault.id;
        // What does nothing is never noticed: a guard that guards no more.
        let harmless = rules
            .links_from(Cause::Fault(id))
            .all(|(_, l)| matches!(l.to, Effect::Check(_)) || is_wrong(rules, l.to));
        if !shown.0 && !harmless {
            complain(
                "no-symptom",
                format!("'{name}' of the outline '{outline}' reaches no symptom"),
                "give the mode an effect that an owner notices",
            );
        }
        if !shown.1 {
            complain(
                "no-check",
                format!("no check tells '{name}' of the outline '{outline}'"),
                "give the mode an effect or a mark that a check rests on",
            );
        }
        if rules.remedies_of(id).is_empty() {
            complain(
                "no-remedy",
                format!("nothing puts '{name}' of the outline '{outline}' right"),
                "describe its kind of work under 'work' in the checks",
            );
        }
    }
}
