//! The list of everything in the rules, and the schemas that are compiled in.

use super::ids::PackId;
use super::set::Rules;
use serde::Serialize;

/// One line of `rules list`. Kinds: symptom, fault, condition, check, remedy, device, part-kind, role.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct ListItem {
    /// Text id.
    pub id: String,
    /// Kind, as a word.
    pub kind: &'static str,
    /// The pack, or the file, that it stands in.
    pub pack: String,
    /// What it says.
    pub says: String,
}

/// What `rules list` shows: `{"items": […]}`.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct List {
    /// By kind, then in the order of the packs; devices and part kinds by name.
    pub items: Vec<ListItem>,
}

impl Rules {
    /// Symptoms, faults, conditions, checks and remedies, in this order, each in the order of the
    /// packs. What boards are made of is listed by [`super::parts::Library::list`]. A symptom that stands alone is listed as a symptom only.
    pub fn list(&self) -> List {
        let item = |kind, id: &str, pack: PackId, says: &str| ListItem {
            id: id.into(),
            kind,
            pack: self.pack(pack).id.clone(),
            says: says.into(),
        };
        let mut items = Vec::new();
        items.extend(self.symptoms.iter().map(|x| item("symptom", &x.id, x.pack, &x.says)));
        items.extend(self.faults.iter().map(|x| item("fault", &x.id, x.pack, &x.says)));
        items.extend(self.conditions.iter().map(|x| item("condition", &x.id, x.pack, &x.says)));
        let checks = self.checks.iter().filter(|c| c.symptom.is_none());
        items.extend(checks.map(|x| item("check", &x.id, x.pack, &x.says)));
        items.extend(self.remedies.iter().map(|x| item("remedy", &x.id, x.pack, &x.says)));
        List { items }
    }
}

/// Path and text of every schema under `rules/schemas`, listed by the build script.
const SCHEMAS: &[(&str, &str)] = include!(concat!(env!("OUT_DIR"), "/schemas.rs"));

/// Name and text of every JSON Schema that ships, by name: `pack`, and one for each JSON document
/// that a command prints.
///
/// ```
/// let (_, text) = halfsplit::rules::schemas().find(|(name, _)| *name == "pack").unwrap();
/// assert!(text.contains("\"faults\""));
/// ```
pub fn schemas() -> impl Iterator<Item = (&'static str, &'static str)> {
    SCHEMAS.iter().filter_map(|(path, text)| {
        let name = path.rsplit('/').next()?.strip_suffix(".schema.json")?;
        Some((name, *text))
    })
}

#[cfg(test)]
pub(crate) use tests::{assert_output_schema, assert_schema};

#[cfg(test)]
mod tests {
    use schemars::generate::SchemaSettings;
    use serde_json::{Value, json};

    /// Compares the committed schema of a file that people write with what its type says now; `UPDATE_SCHEMAS=1`
    /// rewrites the committed one instead. Text may stand without quotes even where it looks like a number or a truth
    /// value, as the reader has it.
    pub(crate) fn assert_schema<T: schemars::JsonSchema>(name: &str) {
        let mut schema = generate::<T>(SchemaSettings::draft2020_12());
        unquote(&mut schema);
        compare(name, schema);
    }

    /// The same for a document that a command prints: what is always printed is required.
    pub(crate) fn assert_output_schema<T: schemars::JsonSchema>(name: &str) {
        compare(name, generate::<T>(SchemaSettings::draft2020_12().for_serialize()));
    }

    fn generate<T: schemars::JsonSchema>(settings: SchemaSettings) -> Value {
        let schema = settings.into_generator().into_root_schema_for::<T>();
        let mut schema = serde_json::to_value(schema).unwrap_or_default();
        without_code(&mut schema);
        schema
    }

    /// Descriptions without the code that their doc comments test: it says nothing to whoever reads a schema.
    fn without_code(schema: &mut Value) {
        match schema {
            Value::Array(items) => items.iter_mut().for_each(without_code),
            Value::Object(fields) => {
                if let Some(Value::String(text)) = fields.get_mut("description")
                    && let Some((words, _)) = text.split_once("```")
                {
                    *text = words.trim_end().to_owned();
                }
                fields.values_mut().for_each(without_code);
            }
            _ => {}
        }
    }

    fn unquote(schema: &mut Value) {
        match schema {
            Value::Array(items) => items.iter_mut().for_each(unquote),
            Value::Object(fields) => {
                fields.values_mut().for_each(unquote);
                let fixed = ["enum", "const", "pattern", "format"].iter().any(|k| fields.contains_key(*k));
                match fields.get_mut("type") {
                    Some(kind) if !fixed && kind == "string" => {
                        *kind = json!(["string", "number", "boolean"])
                    }
                    Some(Value::Array(kinds)) if !fixed && kinds.contains(&json!("string")) => {
                        let more = ["number", "boolean"].map(|k| json!(k));
                        let new: Vec<Value> = more.into_iter().filter(|k| !kinds.contains(k)).collect();
                        kinds.extend(new);
                    }
                    _ => {}
                }
            }
            _ => {}
        }
    }

    fn compare(name: &str, schema: Value) {
        // Back to a schema, which knows a better order of keys than the alphabet's.
        let schema = schemars::Schema::try_from(schema).ok();
        let text = serde_json::to_string_pretty(&schema).unwrap_or_default() + "\n";
        let path = format!("{}/rules/schemas/{name}.schema.json", env!("CARGO_MANIFEST_DIR"));
        if std::env::var_os("UPDATE_SCHEMAS").is_some() {
            assert!(std::fs::write(&path, &text).is_ok(), "can't write {path}");
        }
        let committed = std::fs::read_to_string(&path).unwrap_or_default();
        assert!(committed == text, "{name}.schema.json is out of date: run the tests with UPDATE_SCHEMAS=1");
    }
}
