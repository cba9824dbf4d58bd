//! From what a card says of a unit to the rules of that unit.

use super::card::{Card, JobCard, PowerSource};
use crate::rules::Rules;
use crate::rules::places::{Library, Unit, UnitFacts};
use crate::text::{At, Complaint, Complaints, Named, Node, Value};
use serde::de::{self, Deserializer, MapAccess, Visitor, value};
use serde::{Deserialize, Serialize, Serializer};
use std::collections::BTreeMap;
use std::fmt;

/// What a card says of its unit's outline: a kind of unit, and where this one differs.
#[derive(Clone, Debug, Default, PartialEq, Deserialize, Serialize)]
#[serde(deny_unknown_fields)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct OutlineLines {
    /// The kind of unit: an outline's id (`halfsplit rules list outline`).
    pub kind: At<String>,
    /// Its frame, where it is not the kind's usual one: pedal, module or desk.
    #[serde(default)]
    pub frame: Option<At<String>>,
    /// Spots that this unit does not have.
    #[serde(default)]
    pub without: Vec<At<String>>,
    /// Spots with the kind of place that stands there; a spot that the outline lacks joins its signal path.
    #[serde(default)]
    pub with: Named<At<String>>,
}

/// The outline as written: `outline: echo-delay`, or with lines of its own.
#[derive(Clone, Debug, PartialEq)]
pub struct CardOutline(pub OutlineLines);

impl Serialize for CardOutline {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        self.0.serialize(serializer)
    }
}

impl<'de> Deserialize<'de> for CardOutline {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        struct V;
        impl<'de> Visitor<'de> for V {
            type Value = CardOutline;
            fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                f.write_str("a kind of unit, or a map with 'kind', 'without' and 'with'")
            }
            fn visit_str<E: de::Error>(self, text: &str) -> Result<CardOutline, E> {
                let kind = At { value: text.to_string(), span: Default::default() };
                Ok(CardOutline(OutlineLines { kind, ..OutlineLines::default() }))
            }
            fn visit_map<A: MapAccess<'de>>(self, map: A) -> Result<CardOutline, A::Error> {
                OutlineLines::deserialize(value::MapAccessDeserializer::new(map)).map(CardOutline)
            }
        }
        deserializer.deserialize_any(V)
    }
}

#[cfg(test)]
impl schemars::JsonSchema for CardOutline {
    fn schema_name() -> std::borrow::Cow<'static, str> {
        "CardOutline".into()
    }
    fn json_schema(generator: &mut schemars::SchemaGenerator) -> schemars::Schema {
        let lines = generator.subschema_for::<OutlineLines>();
        schemars::json_schema!({"description": "A kind of unit, or a map with 'kind', 'without' and 'with'.",
            "anyOf": [{"type": "string"}, lines]})
    }
}

/// Facts that a card may state of its unit.
pub const FACTS: [&str; 6] = ["battery", "adaptor", "footswitch", "light", "usb", "box"];

impl Card {
    /// What the card says of its unit, where it names an outline.
    pub fn unit_facts(&self) -> Option<UnitFacts> {
        let outline = &self.outline.as_ref()?.0;
        let mut facts = UnitFacts::new(outline.kind.value.clone(), self.history.value);
        facts.frame = outline.frame.as_ref().map(|f| f.value.clone());
        facts.build = self.build.map(|b| b.name().to_string());
        facts.without = outline.without.iter().map(|s| s.value.clone()).collect();
        facts.with = outline.with.iter().map(|(k, v)| (k.value.clone(), v.value.clone())).collect();
        facts.happened = self.happened.iter().map(|h| h.value.clone()).collect();
        let mut known: BTreeMap<String, bool> = BTreeMap::new();
        // What feeds the unit says what it does not run on.
        match self.power.as_ref().map(|p| p.value) {
            Some(PowerSource::Battery) => known.extend([("battery".into(), true), ("adaptor".into(), false)]),
            Some(PowerSource::Adaptor) => known.extend([("adaptor".into(), true), ("battery".into(), false)]),
            Some(PowerSource::ModuleSupply) => {
                known.extend([("battery".into(), false), ("adaptor".into(), false)])
            }
            _ => {}
        }
        known.extend(self.facts.iter().map(|(k, v)| (k.value.clone(), v.value)));
        facts.facts = known;
        facts.frame_only = self.board.is_some();
        Some(facts)
    }
}

/// The kind of unit that some words name: the outline with the longest name in them, else one for a unit that nobody can name.
///
/// ```
/// use halfsplit::{job::outline_of, rules::places::Library};
/// let library = Library::builtin()?;
/// assert_eq!(outline_of(&library, &["my old echo pedal lost its repeats"], None), "echo-delay");
/// assert_eq!(outline_of(&library, &["it is dead"], None), "any");
/// # Ok::<(), halfsplit::text::Complaints>(())
/// ```
pub fn outline_of(library: &Library, texts: &[&str], power: Option<PowerSource>) -> String {
    let flat = |t: &str| {
        let words: String =
            t.to_lowercase().chars().map(|c| if c.is_alphanumeric() { c } else { ' ' }).collect();
        format!(" {} ", words.split_whitespace().collect::<Vec<_>>().join(" "))
    };
    let texts: Vec<String> = texts.iter().map(|t| flat(t)).collect();
    let mut best: Option<(usize, &str)> = None;
    for (id, outline) in &library.outlines {
        for word in &outline.words {
            let word = flat(&word.value);
            let plural = format!("{}s ", word.trim_end());
            let named = texts.iter().any(|t| t.contains(&word) || t.contains(&plural));
            if named && best.is_none_or(|(long, _)| word.len() > long) {
                best = Some((word.len(), id));
            }
        }
    }
    let module = power == Some(PowerSource::ModuleSupply);
    match best {
        // A pedal's outline fits no rack.
        Some((_, id)) if !module || library.outlines.get(id).is_some_and(|o| o.frame.value == "module") => {
            id.to_string()
        }
        _ if module => "any-module".into(),
        _ => "any".into(),
    }
}

/// The rules of a card's unit: those of its outline, where it names one.
///
/// # Errors
/// An unknown outline, spot, event or fact, each at its place on the card.
pub fn unit_rules<'r>(rules: &'r Rules, job: &JobCard) -> Result<(&'r Rules, Option<&'r Unit>), Complaints> {
    if rules.is_of_unit() {
        return Ok((rules, None));
    }
    let Some(facts) = job.card.unit_facts() else { return Ok((rules, None)) };
    let mut complaints = Complaints::default();
    for (name, _) in job.card.facts.iter() {
        if !FACTS.contains(&name.value.as_str()) {
            let place = job.document.place(name.span);
            let help = crate::text::or_nearest(&name.value, FACTS);
            complaints.0.push(
                Complaint::at("unknown-name", place, format!("unknown fact '{}'", name.value)).help(help),
            );
        }
    }
    complaints.or_ok(())?;
    match rules.for_unit(&facts) {
        Ok((rules, unit)) => Ok((rules, Some(unit))),
        Err(mut complaints) => {
            for complaint in &mut complaints.0 {
                let named = |n: &&Node| complaint.message.contains(&format!("'{}'", text_of(n)));
                let node = nodes(&job.document.root, &["outline", "happened"]).into_iter().find(|n| named(n));
                if complaint.place.is_none() {
                    let node = node.or(job.document.root.get("outline"));
                    complaint.place = node.map(|n| job.document.place(n.span));
                }
            }
            Err(complaints)
        }
    }
}

fn text_of(node: &Node) -> &str {
    match &node.value {
        Value::Scalar(s) => &s.text,
        _ => "",
    }
}

/// The scalars below some keys of a card.
fn nodes<'a>(root: &'a Node, keys: &[&str]) -> Vec<&'a Node> {
    let mut stack: Vec<&Node> = keys.iter().filter_map(|k| root.get(k)).collect();
    let mut out = Vec::new();
    while let Some(node) = stack.pop() {
        match &node.value {
            Value::List(items) => stack.extend(items),
            Value::Map(entries) => stack.extend(entries.iter().map(|(_, v)| v)),
            _ => out.push(node),
        }
    }
    out
}
