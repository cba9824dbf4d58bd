//! A device card or part kind explained, and the list of all: what boards are made of, for reading or as JSON.
//!
//! Absent: the sub-circuits. They are numbers for the solver, and stand in the card's file.

use super::list::ListItem;
use super::parts::{ByHistory, Library, Mode, Parameter, Remedy};
use super::show::{Named, Page, Sheet, percent, sentence};
use crate::text;
use serde::Serialize;
use std::collections::BTreeMap;

const HISTORIES: [&str; 3] = ["fresh-build", "worked-before", "after-change"];

/// What is particular to a device or part kind.
#[derive(Clone, Debug, Default, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct PartFace {
    /// Its part kind; its own id where it is one.
    pub part_kind: String,
    /// Other numbers of the same part.
    pub also: Vec<String>,
    /// Pins, or terminals, each with what it is.
    pub pins: Vec<Named>,
    /// Order of the pins by package.
    pub packages: BTreeMap<String, Vec<String>>,
    /// Limits by name, in base units.
    pub limits: BTreeMap<String, String>,
    /// Parameters with the spread of nearly all specimens, in base units.
    pub parameters: Vec<ParameterRow>,
    /// Probability that one such part has failed by itself, by history.
    pub fails: BTreeMap<&'static str, f64>,
    /// Ways of failing, and of being fitted wrongly.
    pub modes: Vec<ModeRow>,
    /// Putting in another.
    pub replacing: Option<Replacing>,
    /// What each healthy pin reads, in words, and where that comes from.
    pub reads: Vec<ReadsRow>,
    /// What a bench person should know.
    pub notes: Vec<String>,
}

/// What a healthy pin reads.
#[derive(Clone, Debug, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct ReadsRow {
    /// The pin.
    pub pin: String,
    /// In words.
    pub says: String,
    /// Where that comes from.
    pub source: String,
}

/// A parameter.
#[derive(Clone, Debug, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct ParameterRow {
    /// Its name.
    pub id: String,
    /// The usual value.
    pub typical: f64,
    /// Lowest of nearly all; nothing where no spread is given.
    pub low: Option<f64>,
    /// Highest of nearly all.
    pub high: Option<f64>,
}

/// A way of failing.
#[derive(Clone, Debug, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct ModeRow {
    /// Its name, the part of a fault's id behind the colon.
    pub id: String,
    /// What is wrong, with `{part}` for the part.
    pub says: String,
    /// Share among the ways the part fails by itself, 0 to 1; nothing for slips of the builder.
    pub share: Option<f64>,
}

/// Putting in another.
#[derive(Clone, Debug, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Replacing {
    /// What to do.
    pub says: String,
    /// Bench minutes.
    pub minutes: f64,
    /// Parts money, in plain currency units.
    pub money: f64,
}

impl Library {
    /// Device cards, then part kinds, then roles, each by name. Other numbers of the same part are not listed.
    pub fn list(&self) -> Vec<ListItem> {
        let item = |kind, id: &str, says: &str| ListItem {
            id: id.into(),
            kind,
            pack: self.file_of(id).into(),
            says: says.into(),
        };
        let devices = self.devices().map(|(id, d)| item("device", id, &d.says));
        let kinds = self.kinds().map(|(id, k)| item("part-kind", id, &k.says));
        let roles = self.roles().map(|(id, r)| ListItem {
            id: id.into(),
            kind: "role",
            pack: self.role_file(id).into(),
            says: r.says.clone(),
        });
        devices.chain(kinds).chain(roles).collect()
    }

    /// A device, by any number of its part, or a part kind, explained; nothing where neither has that name.
    ///
    /// ```
    /// let library = halfsplit::rules::parts::Library::builtin()?;
    /// let sheet = library.show("TL082").unwrap();
    /// assert_eq!((sheet.id.as_str(), sheet.kind), ("TL072", "device"));
    /// # Ok::<(), halfsplit::text::Complaints>(())
    /// ```
    pub fn show(&self, name: &str) -> Option<Sheet> {
        let part = if let Some(device) = self.device(name) {
            let orders = device.packages.iter();
            PartFace {
                part_kind: device.kind.value.clone(),
                also: device.also.iter().map(|a| a.value.clone()).collect(),
                pins: named(&device.pins),
                packages: orders
                    .map(|(p, order)| (p.value.clone(), order.iter().map(|o| o.value.clone()).collect()))
                    .collect(),
                limits: device.limits.iter().map(|(k, v)| (k.clone(), v.value.clone())).collect(),
                parameters: parameters(&device.parameters),
                modes: modes(&device.modes),
                notes: device.notes.clone(),
                reads: device
                    .pins
                    .iter()
                    .filter_map(|(p, _)| {
                        let r = self.reads(name, &p.value)?;
                        Some(ReadsRow {
                            pin: p.value.clone(),
                            says: r.says.clone(),
                            source: r.source.clone(),
                        })
                    })
                    .collect(),
                ..self.kind_face(&device.kind.value)
            }
        } else {
            self.kind(name)?;
            self.kind_face(name)
        };
        let (id, kind, says, source) = match self.device(name) {
            Some(d) => (self.device_number(name), "device", &d.says, &d.source),
            None => self.kind(name).map(|k| (name, "part-kind", &k.says, &k.source))?,
        };
        Some(Sheet {
            id: id.into(),
            kind,
            pack: self.file_of(id).into(),
            written_at: self.written_at(id).unwrap_or_default().into(),
            says: says.clone(),
            source: source.clone(),
            part: Some(part),
            ..Sheet::default()
        })
    }

    /// What a kind says of itself; empty for a name that is none.
    fn kind_face(&self, name: &str) -> PartFace {
        let Some(kind) = self.kind(name) else { return PartFace::default() };
        PartFace {
            part_kind: name.into(),
            pins: named(&kind.terminals),
            parameters: parameters(&kind.parameters),
            fails: by_history(&kind.fails),
            modes: modes(&kind.modes),
            replacing: Some(replacing(&kind.remedy)),
            reads: kind
                .reads
                .iter()
                .map(|(p, r)| ReadsRow {
                    pin: p.value.clone(),
                    says: r.says.clone(),
                    source: r.source.clone(),
                })
                .collect(),
            ..PartFace::default()
        }
    }

    fn file_of(&self, id: &str) -> &str {
        self.written_at(id).and_then(|at| at.rsplit_once(':')).map_or("", |(file, _)| file)
    }
}

fn named(from: &text::Named<String>) -> Vec<Named> {
    from.iter().map(|(id, says)| Named { id: id.value.clone(), says: says.clone() }).collect()
}

fn parameters(from: &text::Named<Parameter>) -> Vec<ParameterRow> {
    let row = |id: &str, p: &Parameter| ParameterRow {
        id: id.into(),
        typical: p.typical,
        low: p.spread.map(|s| s.0),
        high: p.spread.map(|s| s.1),
    };
    from.iter().map(|(id, p)| row(&id.value, p)).collect()
}

fn modes(from: &text::Named<Mode>) -> Vec<ModeRow> {
    from.iter()
        .map(|(id, m)| ModeRow { id: id.value.clone(), says: m.says.clone(), share: m.share })
        .collect()
}

fn by_history(p: &ByHistory) -> BTreeMap<&'static str, f64> {
    HISTORIES.into_iter().zip([p.fresh_build, p.worked_before, p.after_change]).collect()
}

fn replacing(r: &Remedy) -> Replacing {
    Replacing { says: r.says.clone(), minutes: r.minutes.0, money: r.money.0 as f64 / 100.0 }
}

/// A sentence about any such part: the places for its name and value say so.
fn unfilled(says: &str) -> String {
    says.replace(" ({value})", "")
        .replace("a new {value}", "a new one")
        .replace("{value}", "value")
        .replace("{part}", "the part")
}

/// A figure in base units, small and large ones with their power of ten.
fn figure(x: f64) -> String {
    if x != 0.0 && !(1e-3..1e6).contains(&x.abs()) { format!("{x:e}") } else { x.to_string() }
}

impl PartFace {
    /// The part's sections of the page.
    pub(super) fn put(&self, page: &mut Page) {
        let lists = |title: &str, rows: Vec<String>, page: &mut Page| {
            if !rows.is_empty() {
                page.title(title);
                rows.iter().for_each(|row| page.put(2, 6, row));
            }
        };
        if !self.also.is_empty() {
            page.put(0, 4, &format!("The same part under other numbers: {}.", self.also.join(", ")));
        }
        let pins = self.pins.iter().map(|p| format!("{}: {}", p.id, p.says)).collect();
        lists("Pins", pins, page);
        let orders = self.packages.iter().map(|(p, order)| format!("{p}: {}", order.join(" "))).collect();
        lists("Order of the pins", orders, page);
        // Pins of one and the same sentence stand together.
        let mut reads: Vec<(Vec<&str>, &ReadsRow)> = Vec::new();
        for row in &self.reads {
            match reads.iter_mut().find(|(_, r)| r.says == row.says && r.source == row.source) {
                Some((pins, _)) => pins.push(&row.pin),
                None => reads.push((vec![&row.pin], row)),
            }
        }
        let reads =
            reads.iter().map(|(pins, r)| format!("{}: {} ({})", pins.join(", "), r.says, r.source)).collect();
        lists("What each pin reads when all is well", reads, page);
        let limits = self.limits.iter().map(|(k, v)| format!("{k}: {v}")).collect();
        lists("Limits, in base units", limits, page);
        let span = |p: &ParameterRow| match (p.low, p.high) {
            (Some(low), Some(high)) => {
                format!(
                    "{}: {}, nearly all from {} to {}",
                    p.id,
                    figure(p.typical),
                    figure(low),
                    figure(high)
                )
            }
            _ => format!("{}: {}", p.id, figure(p.typical)),
        };
        lists("Parameters, in base units", self.parameters.iter().map(span).collect(), page);
        let fails = HISTORIES.iter().filter_map(|h| Some((h, self.fails.get(h)?))).filter(|(_, p)| **p > 0.0);
        lists(
            "How often one has failed",
            fails.map(|(h, p)| format!("{h}: {}", percent(*p))).collect(),
            page,
        );
        let mode = |m: &ModeRow| match m.share {
            Some(share) => format!("{}: {} ({} of failures)", m.id, unfilled(&m.says), percent(share)),
            None => format!("{}: {}", m.id, unfilled(&m.says)),
        };
        lists("What can be wrong with it", self.modes.iter().map(mode).collect(), page);
        let replacing = |r: &Replacing| {
            format!("{} {} min, parts {:.2}.", sentence(&unfilled(&r.says)), r.minutes, r.money)
        };
        lists("Putting in another", self.replacing.iter().map(replacing).collect(), page);
        lists("Worth knowing", self.notes.iter().map(|n| sentence(n)).collect(), page);
    }
}
