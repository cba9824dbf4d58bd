//! Outlines and places in words.

use super::Library;
use super::library::Kind;
use super::unit::{Region, UnitFacts};
use super::words::Path;
use crate::rules::list::ListItem;
use crate::rules::{History, UnknownName};
use crate::text::or_nearest;
use serde::Serialize;

/// One outline or kind of place, explained.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct PlaceSheet {
    /// Its id.
    pub id: String,
    /// `outline` or `place`.
    pub kind: &'static str,
    /// What it is.
    pub says: String,
    /// Its lines: spots in order, or modes with what they do.
    pub lines: Vec<PlaceLine>,
}

/// A spot of an outline, or a mode of a place.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct PlaceLine {
    /// The spot's or mode's id.
    pub id: String,
    /// Where it belongs: a path of the outline, or how common the mode is.
    pub at: String,
    /// What it is or does.
    pub says: String,
}

impl PlaceSheet {
    /// The sheet as text, lines of at most `width` columns but for long words.
    pub fn text(&self, width: usize) -> String {
        let mut out = format!("{} ({}): {}\n", self.id, self.kind, self.says);
        let mut at = "";
        let wide = self.lines.iter().map(|l| l.id.chars().count()).max().unwrap_or(0);
        for line in &self.lines {
            if self.kind == "outline" && line.at != at {
                at = &line.at;
                out += &format!("\n{at}\n");
            }
            let head = format!("  {:<wide$}  ", line.id);
            let says = match self.kind {
                "outline" => line.says.clone(),
                _ => format!("{}; {}", line.says, line.at),
            };
            out += &head;
            let mut used = head.chars().count();
            let indent = used;
            for (i, word) in says.split(' ').enumerate() {
                let long = word.chars().count();
                if i > 0 && used + 1 + long > width.max(indent + 20) {
                    out += &format!("\n{}", " ".repeat(indent));
                    used = indent;
                } else if i > 0 {
                    out.push(' ');
                    used += 1;
                }
                out += word;
                used += long;
            }
            out.push('\n');
        }
        out
    }
}

impl Library {
    /// Outlines and kinds of place, by name.
    pub fn list(&self) -> Vec<ListItem> {
        let outlines = self.outlines.iter().map(|(id, o)| ListItem {
            id: id.clone(),
            kind: "outline",
            pack: o.frame.value.clone(),
            says: o.says.value.clone(),
        });
        let places = self.kinds.values().map(|k| ListItem {
            id: k.id.clone(),
            kind: "place",
            pack: k.place.file.name.rsplit('/').next().unwrap_or_default().trim_end_matches(".yaml").into(),
            says: k.name.clone(),
        });
        outlines.chain(places).collect()
    }

    /// Explains an outline or a kind of place.
    ///
    /// # Errors
    /// When neither has that name; names the nearest.
    pub fn show(&self, id: &str) -> Result<PlaceSheet, UnknownName> {
        if let Some(outline) = self.outlines.get(id)
            && let Ok(unit) = self.unit(&UnitFacts::new(id, History::WorkedBefore))
        {
            let lines = unit.spots.iter().map(|s| {
                let path = match (s.path, s.region) {
                    (Path::Supply, _) => "supply, in the order current flows",
                    (Path::Signal, _) => "signal, from source to end",
                    (Path::Control, _) => "control",
                    (_, Region::Own | Region::Head | Region::Tail) => "anywhere",
                };
                let kinds: Vec<String> = s
                    .kinds
                    .iter()
                    .map(|(k, share)| {
                        let name = self.kinds.get(k).map_or(k.as_str(), |k| k.name.as_str());
                        if *share < 0.995 {
                            format!("{name} ({:.0} %)", share * 100.0)
                        } else {
                            name.to_string()
                        }
                    })
                    .collect();
                let mut says = kinds.join(", or ");
                let names = |ids: &[usize]| {
                    ids.iter().map(|i| unit.spots[*i].id.as_str()).collect::<Vec<_>>().join(", ")
                };
                if !s.feeds.is_empty() {
                    says += &format!("; feeds {}", names(&s.feeds));
                }
                if !s.acts_on.is_empty() {
                    says += &format!("; acts on {}", names(&s.acts_on));
                }
                PlaceLine { id: s.id.clone(), at: path.into(), says }
            });
            let says = format!("{}. {}", outline.says.value, outline.about.value.trim());
            return Ok(PlaceSheet { id: id.into(), kind: "outline", says, lines: lines.collect() });
        }
        match self.kinds.get(id) {
            Some(kind) => Ok(sheet(kind)),
            None => Err(UnknownName {
                what: "item",
                name: id.chars().take(60).collect(),
                help: or_nearest(id, self.outlines.keys().chain(self.kinds.keys()).map(String::as_str)),
            }),
        }
    }
}

fn sheet(kind: &Kind) -> PlaceSheet {
    let lines = kind.modes.iter().map(|m| {
        let does: Vec<&str> = m.does.iter().map(|d| d.name()).collect();
        let mut says = m.says.clone();
        if !does.is_empty() {
            says += &format!(": {}", does.join(" or "));
        }
        if !m.when.is_empty() {
            let when: Vec<&str> = m.when.iter().map(|w| w.name()).collect();
            says += &format!(", when {}", when.join(" or "));
        }
        says += &format!(". {}", m.why);
        let share = |rate: f64, share: f64| rate * share / 10.0;
        let at = format!(
            "{:.2} % of faulty fresh builds, {:.2} % of units that worked; {} ({} min)",
            share(kind.rate.0, m.share.0),
            share(kind.rate.1, m.share.1),
            m.work,
            m.minutes.get()
        );
        PlaceLine { id: m.id.clone(), at, says }
    });
    PlaceSheet { id: kind.id.clone(), kind: "place", says: kind.name.clone(), lines: lines.collect() }
}
