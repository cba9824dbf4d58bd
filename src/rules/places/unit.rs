//! The spots of one unit: an outline with the card's facts and the card's own lines applied.

use super::library::Library;
use super::words::{Branch, Path, Role, Wet};
use super::written::{self, Spot};
use crate::rules::words::{Build, History};
use crate::text::{Complaint, Complaints, Named, or_nearest};
use std::collections::{BTreeMap, BTreeSet};

/// What is known of a unit before any complaint is heard.
#[derive(Clone, Debug, PartialEq)]
pub struct UnitFacts {
    /// The kind of unit: an outline's id.
    pub outline: String,
    /// Its frame, where it is not the outline's usual one: a distortion may stand in a rack.
    pub frame: Option<String>,
    /// What it has been through.
    pub history: History,
    /// How it is built, where that is known: a build method, or `factory`.
    pub build: Option<String>,
    /// Facts denied (`false`) or stated (`true`), by name: battery, adaptor, footswitch, light, usb, box.
    pub facts: BTreeMap<String, bool>,
    /// What happened just before: ids of events.
    pub happened: Vec<String>,
    /// Spots that the unit does not have.
    pub without: BTreeSet<String>,
    /// Spots whose kind is known, or that the outline lacks.
    pub with: BTreeMap<String, String>,
    /// Whether the frame alone counts, its own spots standing in a board file.
    pub frame_only: bool,
}

impl UnitFacts {
    /// A unit of which no more than its kind and history is known.
    pub fn new(outline: impl Into<String>, history: History) -> Self {
        Self {
            outline: outline.into(),
            frame: None,
            history,
            build: None,
            facts: BTreeMap::new(),
            happened: Vec::new(),
            without: BTreeSet::new(),
            with: BTreeMap::new(),
            frame_only: false,
        }
    }

    /// The build method, where it is one that a user builds by.
    pub fn build_method(&self) -> Option<Build> {
        self.build.as_deref().and_then(|b| b.parse().ok())
    }
}

/// Which part of the unit a spot belongs to.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Region {
    /// The frame's, ahead of the unit's own.
    Head,
    /// The unit's own.
    Own,
    /// The frame's, behind the unit's own.
    Tail,
}

/// A spot of one unit.
#[derive(Clone, Debug)]
pub struct SpotIn {
    /// Its id, as the card names it.
    pub id: String,
    /// Kinds that may stand there, with their chances; the first is the usual one.
    pub kinds: Vec<(String, f64)>,
    /// Usual number of them.
    pub count: f64,
    /// The part of the unit.
    pub region: Region,
    /// Its path.
    pub path: Path,
    /// Its branch.
    pub branch: Branch,
    /// What it does as a control.
    pub role: Option<Role>,
    /// Position along the signal, for a spot on it.
    pub order: Option<usize>,
    /// Spots fed by it, by index; empty for all.
    pub feeds: Vec<usize>,
    /// Spots acted on, by index.
    pub acts_on: Vec<usize>,
    /// Its siblings' name.
    pub with: Option<String>,
}

/// The spots of one unit, in order.
#[derive(Clone, Debug)]
pub struct Unit {
    /// Its facts.
    pub facts: UnitFacts,
    /// What such a unit is called.
    pub says: String,
    /// Its frame.
    pub frame: String,
    /// Its spots.
    pub spots: Vec<SpotIn>,
    /// What its wet branch carries.
    pub wet: Option<Wet>,
    /// Resting volts on record.
    pub rest: Vec<written::Rest>,
    /// Volts of its supply, plus first.
    pub volts: Vec<f64>,
}

impl Unit {
    /// The spot of a name.
    pub fn spot(&self, id: &str) -> Option<usize> {
        self.spots.iter().position(|s| s.id == id)
    }
}

impl Library {
    /// The spots of a unit.
    ///
    /// # Errors
    /// An unknown outline, event or kind of place; each with the nearest name.
    pub fn unit(&self, facts: &UnitFacts) -> Result<Unit, Complaints> {
        let mut complaints = Complaints::default();
        let outline = self.outlines.get(&facts.outline).ok_or_else(|| {
            let help = or_nearest(&facts.outline, self.outlines.keys().map(String::as_str));
            Complaint::nowhere("unknown-name", format!("unknown outline '{}'", facts.outline)).help(help)
        })?;
        let named = facts.frame.as_ref().unwrap_or(&outline.frame.value);
        let frame = self.frames.get(named).ok_or_else(|| {
            let help = or_nearest(named, self.frames.keys().map(String::as_str));
            Complaint::nowhere("unknown-name", format!("unknown frame '{named}'")).help(help)
        })?;
        for event in &facts.happened {
            if self.happened.happened.get(event).is_none() {
                let names = self.happened.happened.iter().map(|(k, _)| k.value.as_str());
                let help = or_nearest(event, names);
                complaints
                    .0
                    .push(Complaint::nowhere("unknown-name", format!("unknown event '{event}'")).help(help));
            }
        }
        let mut builder = Builder { library: self, facts, spots: Vec::new(), refs: Vec::new() };
        let own = (!facts.frame_only).then_some(&outline.spots);
        let empty = written::Spots::default();
        let own = own.unwrap_or(&empty);
        builder.add(&frame.spots.supply, Path::Supply, Region::Head);
        builder.add(&own.supply, Path::Supply, Region::Own);
        builder.add(&frame.spots.head, Path::Signal, Region::Head);
        builder.add(&own.head, Path::Signal, Region::Own);
        builder.add(&own.signal, Path::Signal, Region::Own);
        builder.extra();
        builder.add(&own.tail, Path::Signal, Region::Own);
        builder.add(&frame.spots.signal, Path::Signal, Region::Tail);
        builder.add(&frame.spots.tail, Path::Signal, Region::Tail);
        builder.add(&own.control, Path::Control, Region::Own);
        builder.add(&frame.spots.control, Path::Control, Region::Tail);
        builder.add(&own.everywhere, Path::Everywhere, Region::Own);
        builder.add(&frame.spots.everywhere, Path::Everywhere, Region::Tail);
        let Builder { mut spots, refs, .. } = builder;
        let mut order = 0;
        for spot in &mut spots {
            if spot.path == Path::Signal {
                spot.order = Some(order);
                order += 1;
            }
        }
        for (i, (feeds, acts)) in refs.into_iter().enumerate() {
            let find = |names: Vec<String>| -> Vec<usize> {
                names.iter().filter_map(|n| spots.iter().position(|s| s.id == *n)).collect()
            };
            let (feeds, acts) = (find(feeds), find(acts));
            spots[i].feeds = feeds;
            spots[i].acts_on = acts;
        }
        let volts = if outline.volts.0.is_empty() || facts.frame.is_some() {
            &frame.volts.0
        } else {
            &outline.volts.0
        };
        let volts = volts.iter().filter_map(|v| v.value.trim_end_matches(['V', ' ']).parse().ok()).collect();
        let rest = frame.rest.iter().chain(&outline.rest).cloned().collect();
        complaints.or_ok(Unit {
            facts: facts.clone(),
            says: outline.says.value.clone(),
            frame: frame.frame.value.clone(),
            spots,
            wet: outline.wet.as_ref().map(|w| w.value),
            rest,
            volts,
        })
    }
}

struct Builder<'l> {
    library: &'l Library,
    facts: &'l UnitFacts,
    spots: Vec<SpotIn>,
    /// Names of the spots that each feeds and acts on.
    refs: Vec<(Vec<String>, Vec<String>)>,
}

impl Builder<'_> {
    fn add(&mut self, spots: &Named<Spot>, path: Path, region: Region) {
        for (key, spot) in spots.iter() {
            if self.spots.iter().any(|s| s.id == key.value) || self.facts.without.contains(&key.value) {
                continue;
            }
            let fact = spot.needs.as_ref().and_then(|n| self.facts.facts.get(&n.value)).copied();
            if fact == Some(false) {
                continue;
            }
            let kinds = self.kinds_of(&key.value, spot, fact == Some(true));
            if kinds.is_empty() {
                continue;
            }
            self.spots.push(SpotIn {
                id: key.value.clone(),
                kinds,
                count: spot.count.unwrap_or(1.0),
                region,
                path,
                branch: spot.branch.as_ref().map_or(Branch::Main, |b| b.value),
                role: spot.role.as_ref().map(|r| r.value),
                order: None,
                feeds: Vec::new(),
                acts_on: Vec::new(),
                with: spot.with.as_ref().map(|w| w.value.clone()),
            });
            let names = |list: &[crate::text::At<String>]| list.iter().map(|n| n.value.clone()).collect();
            self.refs.push((names(&spot.feeds), names(&spot.acts_on)));
        }
    }

    /// Spots that the card names and the outline lacks: on the signal path, behind the others.
    fn extra(&mut self) {
        for (id, kind) in &self.facts.with {
            let Some(entry) = self.library.kinds.get(kind) else { continue };
            if self.spots.iter().any(|s| s.id == *id) || entry.path == Path::Outside {
                continue;
            }
            if self.library.spot_is_known(&self.facts.outline, id) {
                continue;
            }
            self.spots.push(SpotIn {
                id: id.clone(),
                kinds: vec![(kind.clone(), 1.0)],
                count: 1.0,
                region: Region::Own,
                path: entry.path,
                branch: Branch::Main,
                role: None,
                order: None,
                feeds: Vec::new(),
                acts_on: Vec::new(),
                with: None,
            });
            self.refs.push((Vec::new(), Vec::new()));
        }
    }

    fn kinds_of(&self, id: &str, spot: &Spot, stated: bool) -> Vec<(String, f64)> {
        if let Some(kind) = self.facts.with.get(id) {
            return vec![(kind.clone(), 1.0)];
        }
        let build = self.facts.build.as_deref().unwrap_or_default();
        if let Some(instead) = spot.instead.get(build) {
            return instead.iter().map(|k| (k.value.clone(), 1.0)).collect();
        }
        let share = spot.share.as_ref().map_or(1.0, |s| s.get());
        let others: f64 = spot.or.iter().map(|(_, s)| s.get()).sum();
        let whole = share + others;
        // A spot that the card says is there is there, whichever kind it is.
        let scale = if stated && whole > 0.0 { 1.0 / whole } else { 1.0 };
        std::iter::once((spot.is.value.clone(), share * scale))
            .chain(spot.or.iter().map(|(k, s)| (k.value.clone(), s.get() * scale)))
            .filter(|(k, s)| *s > 0.0 && self.library.kinds.contains_key(k))
            .collect()
    }
}

impl Library {
    /// Whether an outline or its frame has a spot.
    fn spot_is_known(&self, outline: &str, spot: &str) -> bool {
        let Some(outline) = self.outlines.get(outline) else { return false };
        let frame = self.frames.get(&outline.frame.value).map(|f| &f.spots);
        frame.into_iter().chain(std::iter::once(&outline.spots)).any(|s| {
            [&s.supply, &s.head, &s.signal, &s.tail, &s.control, &s.everywhere]
                .iter()
                .any(|n| n.get(spot).is_some())
        })
    }
}
