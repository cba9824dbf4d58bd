//! A tree with places to typed values, through serde.

use super::complaint::{Complaint, Complaints};
use super::document::{Document, Node, Span, Value, unknown};
use super::nearest::or_nearest;
use serde::de::{self, DeserializeSeed, Deserializer, MapAccess, Visitor};
use serde::{Deserialize, Serialize, Serializer};
use std::cell::RefCell;
use std::fmt;
use std::marker::PhantomData;

const AT: &str = "$halfsplit::At";
const NAMED: &str = "$halfsplit::Named";

/// A value that remembers where it stood.
#[derive(Clone, Debug, Default, PartialEq, Eq, PartialOrd, Ord)]
pub struct At<T> {
    /// The value.
    pub value: T,
    /// Its span in the file it came from.
    pub span: Span,
}

impl<T> std::ops::Deref for At<T> {
    type Target = T;
    fn deref(&self) -> &T {
        &self.value
    }
}

impl<T: Serialize> Serialize for At<T> {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        self.value.serialize(serializer)
    }
}

/// A map in the order written, its keys with their spans. An entry that can't be read is left out
/// and complained of, so that the entries after it are still checked.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Named<T>(pub Vec<(At<String>, T)>);

impl<T> Default for Named<T> {
    fn default() -> Self {
        Self(Vec::new())
    }
}

impl<T> Named<T> {
    /// The entry of a name.
    pub fn get(&self, name: &str) -> Option<&T> {
        self.0.iter().find(|(k, _)| k.value == name).map(|(_, v)| v)
    }

    /// Entries in the order written.
    pub fn iter(&self) -> impl Iterator<Item = (&At<String>, &T)> {
        self.0.iter().map(|(k, v)| (k, v))
    }
}

impl<T: Serialize> Serialize for Named<T> {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.collect_map(self.0.iter().map(|(k, v)| (&k.value, v)))
    }
}

#[cfg(test)]
impl<T: schemars::JsonSchema> schemars::JsonSchema for At<T> {
    fn schema_name() -> std::borrow::Cow<'static, str> {
        T::schema_name()
    }
    fn inline_schema() -> bool {
        T::inline_schema()
    }
    fn json_schema(generator: &mut schemars::SchemaGenerator) -> schemars::Schema {
        T::json_schema(generator)
    }
}

#[cfg(test)]
impl<T: schemars::JsonSchema> schemars::JsonSchema for Named<T> {
    fn schema_name() -> std::borrow::Cow<'static, str> {
        format!("Map_of_{}", T::schema_name()).into()
    }
    fn inline_schema() -> bool {
        true
    }
    fn json_schema(generator: &mut schemars::SchemaGenerator) -> schemars::Schema {
        std::collections::BTreeMap::<String, T>::json_schema(generator)
    }
}

/// Decodes a whole document.
///
/// # Errors
/// Every complaint about it: unknown fields (all), wrong types, missing fields.
pub fn decode<T: de::DeserializeOwned>(document: &Document) -> Result<T, Complaints> {
    let (value, complaints) = decode_all(document);
    match value {
        Some(value) => complaints.or_ok(value),
        None => Err(complaints),
    }
}

/// Decodes as much as can be read: the value, if there is one, beside every complaint, so that the
/// caller can go on checking what was read.
pub fn decode_all<T: de::DeserializeOwned>(document: &Document) -> (Option<T>, Complaints) {
    let sink = Sink { document, complaints: RefCell::default() };
    let result = T::deserialize(Decoder { node: &document.root, sink: &sink });
    let value = match result {
        Ok(value) => Some(value),
        Err(e) => {
            sink.record(e, document.root.span);
            None
        }
    };
    let mut complaints = Complaints(sink.complaints.into_inner());
    complaints.sort();
    (value, complaints)
}

struct Sink<'de> {
    document: &'de Document,
    complaints: RefCell<Vec<Complaint>>,
}

impl Sink<'_> {
    /// Takes one more complaint; of more than are listed only the first, which says so.
    fn push(&self, complaint: Complaint) {
        let mut complaints = self.complaints.borrow_mut();
        match (complaints.len().cmp(&Complaints::MOST), &complaint.place) {
            (std::cmp::Ordering::Less, _) => complaints.push(complaint),
            (std::cmp::Ordering::Equal, Some(place)) => complaints.push(Complaint::and_more(place.clone())),
            _ => {}
        }
    }

    fn unknown_field(&self, key: &At<String>, fields: &'static [&'static str]) {
        if !self.is_full() {
            let place = self.document.place(key.span);
            self.push(unknown(place, "field", &key.value, fields.iter().copied()));
        }
    }

    /// Whether no more complaints are listed.
    fn is_full(&self) -> bool {
        self.complaints.borrow().len() > Complaints::MOST
    }

    fn record(&self, e: DecodeError, fallback: Span) {
        let place = self.document.place(e.span.unwrap_or(fallback));
        self.push(Complaint::at(e.code, place, e.message).help(e.help));
    }
}

/// A serde error with a place; the place is filled in by the innermost node that knows one.
#[derive(Debug)]
pub(super) struct DecodeError {
    code: &'static str,
    message: String,
    help: String,
    span: Option<Span>,
}

impl DecodeError {
    fn new(code: &'static str, message: String) -> Self {
        Self { code, message, help: String::new(), span: None }
    }

    fn or_span(mut self, span: Span) -> Self {
        self.span.get_or_insert(span);
        self
    }
}

impl fmt::Display for DecodeError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.message)
    }
}

impl std::error::Error for DecodeError {}

impl de::Error for DecodeError {
    fn custom<T: fmt::Display>(text: T) -> Self {
        let text = text.to_string();
        let (message, help) = match text.split_once("; ") {
            Some((message, help)) => (message.to_string(), help.to_string()),
            None => (text, String::new()),
        };
        Self { help, ..Self::new("bad-value", message) }
    }

    fn invalid_type(unexpected: de::Unexpected<'_>, expected: &dyn de::Expected) -> Self {
        Self::new("wrong-type", format!("expected {expected}, found {unexpected}"))
    }

    fn unknown_variant(variant: &str, expected: &'static [&'static str]) -> Self {
        let mut e = Self::new(
            "unknown-name",
            format!("unknown value '{}'", variant.chars().take(60).collect::<String>()),
        );
        e.help = or_nearest(variant, expected.iter().copied());
        e
    }

    fn missing_field(field: &'static str) -> Self {
        let mut e = Self::new("missing-field", format!("'{field}' is missing"));
        e.help = format!("add a line '{field}: …' here");
        e
    }
}

#[derive(Clone, Copy)]
struct Decoder<'de> {
    node: &'de Node,
    sink: &'de Sink<'de>,
}

impl<'de> Decoder<'de> {
    fn wrong(&self, expected: &str) -> DecodeError {
        let message = format!("expected {expected}, found {}", self.node.describe());
        DecodeError::new("wrong-type", message).or_span(self.node.span)
    }

    fn scalar(&self, expected: &str) -> Result<&'de str, DecodeError> {
        match &self.node.value {
            Value::Scalar(s) if !self.node.is_null() => Ok(&s.text),
            _ => Err(self.wrong(expected)),
        }
    }

    fn number(&self, expected: &str) -> Result<f64, DecodeError> {
        let text = self.scalar(expected)?;
        match text.parse::<f64>() {
            Ok(x) if x.is_finite() => Ok(x),
            _ => Err(self.wrong(expected)),
        }
    }

    fn integer(&self) -> Result<i64, DecodeError> {
        self.scalar("a whole number")?.parse().map_err(|_| self.wrong("a whole number"))
    }

    fn seq<V: Visitor<'de>>(self, items: &'de [Node], visitor: V) -> Result<V::Value, DecodeError> {
        let sink = self.sink;
        let nodes = items.iter().map(move |node| Decoder { node, sink });
        visitor.visit_seq(de::value::SeqDeserializer::new(nodes)).map_err(|e| e.or_span(self.node.span))
    }

    fn map<V: Visitor<'de>>(
        self,
        entries: &'de [(At<String>, Node)],
        fields: Option<&'static [&'static str]>,
        recover: bool,
        visitor: V,
    ) -> Result<V::Value, DecodeError> {
        let access = Entries { rest: entries, value: None, fields, recover, sink: self.sink };
        let head = Span {
            start: self.node.span.start,
            end: entries.first().map_or(self.node.span.end, |(k, _)| k.span.end),
        };
        visitor.visit_map(access).map_err(|e| e.or_span(head))
    }
}

impl<'de> de::IntoDeserializer<'de, DecodeError> for Decoder<'de> {
    type Deserializer = Self;
    fn into_deserializer(self) -> Self {
        self
    }
}

macro_rules! whole_numbers {
    ($($method:ident $visit:ident $type:ty),*) => {$(
        fn $method<V: Visitor<'de>>(self, visitor: V) -> Result<V::Value, DecodeError> {
            let value = <$type>::try_from(self.integer()?).map_err(|_| self.wrong("a smaller whole number, not negative"))?;
            visitor.$visit(value).map_err(|e: DecodeError| e.or_span(self.node.span))
        }
    )*};
}

impl<'de> Deserializer<'de> for Decoder<'de> {
    type Error = DecodeError;

    fn deserialize_any<V: Visitor<'de>>(self, visitor: V) -> Result<V::Value, DecodeError> {
        let span = self.node.span;
        match &self.node.value {
            Value::List(items) => self.seq(items, visitor),
            Value::Map(entries) => self.map(entries, None, false, visitor),
            Value::Scalar(_) if self.node.is_null() => visitor.visit_unit(),
            Value::Scalar(s) if s.plain => {
                match (s.text.as_str(), s.text.parse::<i64>(), s.text.parse::<f64>()) {
                    ("true", ..) => visitor.visit_bool(true),
                    ("false", ..) => visitor.visit_bool(false),
                    (_, Ok(i), _) => visitor.visit_i64(i),
                    (_, _, Ok(x)) if x.is_finite() => visitor.visit_f64(x),
                    _ => visitor.visit_borrowed_str(&s.text),
                }
            }
            Value::Scalar(s) => visitor.visit_borrowed_str(&s.text),
        }
        .map_err(|e: DecodeError| e.or_span(span))
    }

    fn deserialize_bool<V: Visitor<'de>>(self, visitor: V) -> Result<V::Value, DecodeError> {
        match self.scalar("true or false")? {
            "true" => visitor.visit_bool(true),
            "false" => visitor.visit_bool(false),
            _ => Err(self.wrong("true or false")),
        }
    }

    whole_numbers!(
        deserialize_i8 visit_i8 i8, deserialize_i16 visit_i16 i16, deserialize_i32 visit_i32 i32, deserialize_i64 visit_i64 i64,
        deserialize_u8 visit_u8 u8, deserialize_u16 visit_u16 u16, deserialize_u32 visit_u32 u32, deserialize_u64 visit_u64 u64
    );

    fn deserialize_f32<V: Visitor<'de>>(self, visitor: V) -> Result<V::Value, DecodeError> {
        self.deserialize_f64(visitor)
    }

    fn deserialize_f64<V: Visitor<'de>>(self, visitor: V) -> Result<V::Value, DecodeError> {
        visitor.visit_f64(self.number("a number")?).map_err(|e: DecodeError| e.or_span(self.node.span))
    }

    fn deserialize_char<V: Visitor<'de>>(self, visitor: V) -> Result<V::Value, DecodeError> {
        self.deserialize_str(visitor)
    }

    fn deserialize_str<V: Visitor<'de>>(self, visitor: V) -> Result<V::Value, DecodeError> {
        visitor.visit_borrowed_str(self.scalar("text")?).map_err(|e: DecodeError| e.or_span(self.node.span))
    }

    fn deserialize_string<V: Visitor<'de>>(self, visitor: V) -> Result<V::Value, DecodeError> {
        self.deserialize_str(visitor)
    }

    fn deserialize_bytes<V: Visitor<'de>>(self, visitor: V) -> Result<V::Value, DecodeError> {
        self.deserialize_str(visitor)
    }

    fn deserialize_byte_buf<V: Visitor<'de>>(self, visitor: V) -> Result<V::Value, DecodeError> {
        self.deserialize_str(visitor)
    }

    fn deserialize_option<V: Visitor<'de>>(self, visitor: V) -> Result<V::Value, DecodeError> {
        if self.node.is_null() { visitor.visit_none() } else { visitor.visit_some(self) }
    }

    fn deserialize_unit<V: Visitor<'de>>(self, visitor: V) -> Result<V::Value, DecodeError> {
        if self.node.is_null() { visitor.visit_unit() } else { Err(self.wrong("nothing")) }
    }

    fn deserialize_unit_struct<V: Visitor<'de>>(
        self,
        _: &'static str,
        visitor: V,
    ) -> Result<V::Value, DecodeError> {
        self.deserialize_unit(visitor)
    }

    fn deserialize_newtype_struct<V: Visitor<'de>>(
        self,
        name: &'static str,
        visitor: V,
    ) -> Result<V::Value, DecodeError> {
        if name != NAMED {
            return visitor.visit_newtype_struct(self);
        }
        match &self.node.value {
            Value::Map(entries) => self.map(entries, None, true, visitor),
            Value::Scalar(_) if self.node.is_null() => self.map(&[], None, true, visitor),
            _ => Err(self.wrong("a map of names")),
        }
    }

    fn deserialize_seq<V: Visitor<'de>>(self, visitor: V) -> Result<V::Value, DecodeError> {
        match &self.node.value {
            Value::List(items) => self.seq(items, visitor),
            Value::Scalar(_) if self.node.is_null() => self.seq(&[], visitor),
            _ => Err(self.wrong("a list ('[a, b]' or lines with '- ')")),
        }
    }

    fn deserialize_tuple<V: Visitor<'de>>(self, _: usize, visitor: V) -> Result<V::Value, DecodeError> {
        self.deserialize_seq(visitor)
    }

    fn deserialize_tuple_struct<V: Visitor<'de>>(
        self,
        _: &'static str,
        _: usize,
        visitor: V,
    ) -> Result<V::Value, DecodeError> {
        self.deserialize_seq(visitor)
    }

    fn deserialize_map<V: Visitor<'de>>(self, visitor: V) -> Result<V::Value, DecodeError> {
        match &self.node.value {
            Value::Map(entries) => self.map(entries, None, false, visitor),
            Value::Scalar(_) if self.node.is_null() => self.map(&[], None, false, visitor),
            _ => Err(self.wrong("a map of names")),
        }
    }

    fn deserialize_struct<V: Visitor<'de>>(
        self,
        name: &'static str,
        fields: &'static [&'static str],
        visitor: V,
    ) -> Result<V::Value, DecodeError> {
        if name == AT {
            return visitor.visit_map(AtAccess { decoder: self, step: 0 });
        }
        match &self.node.value {
            Value::Map(entries) => self.map(entries, Some(fields), false, visitor),
            _ => Err(self.wrong(&format!("a map with {}", list_of(fields)))),
        }
    }

    fn deserialize_enum<V: Visitor<'de>>(
        self,
        _: &'static str,
        variants: &'static [&'static str],
        visitor: V,
    ) -> Result<V::Value, DecodeError> {
        let span = self.node.span;
        match &self.node.value {
            Value::Scalar(s) if !self.node.is_null() => visitor
                .visit_enum(de::value::StrDeserializer::new(&s.text))
                .map_err(|e: DecodeError| e.or_span(span)),
            Value::Map(entries) if entries.len() == 1 => visitor.visit_enum(OneOf {
                key: &entries[0].0,
                value: Decoder { node: &entries[0].1, sink: self.sink },
            }),
            _ => Err(self.wrong(&format!("one of {}", list_of(variants)))),
        }
    }

    fn deserialize_identifier<V: Visitor<'de>>(self, visitor: V) -> Result<V::Value, DecodeError> {
        self.deserialize_str(visitor)
    }

    fn deserialize_ignored_any<V: Visitor<'de>>(self, visitor: V) -> Result<V::Value, DecodeError> {
        visitor.visit_unit()
    }
}

fn list_of(names: &[&str]) -> String {
    names.iter().map(|n| format!("'{n}'")).collect::<Vec<_>>().join(", ")
}

struct Entries<'de> {
    rest: &'de [(At<String>, Node)],
    value: Option<(&'de At<String>, &'de Node)>,
    fields: Option<&'static [&'static str]>,
    recover: bool,
    sink: &'de Sink<'de>,
}

impl<'de> MapAccess<'de> for Entries<'de> {
    type Error = DecodeError;

    fn next_key_seed<K: DeserializeSeed<'de>>(&mut self, seed: K) -> Result<Option<K::Value>, DecodeError> {
        while let Some(((key, value), rest)) = self.rest.split_first() {
            self.rest = rest;
            if let Some(fields) = self.fields
                && !fields.contains(&key.value.as_str())
            {
                self.sink.unknown_field(key, fields);
                continue;
            }
            self.value = Some((key, value));
            return seed.deserialize(KeyDecoder { key }).map(Some).map_err(|e| e.or_span(key.span));
        }
        Ok(None)
    }

    fn next_value_seed<V: DeserializeSeed<'de>>(&mut self, seed: V) -> Result<V::Value, DecodeError> {
        let Some((key, node)) = self.value.take() else {
            return Err(DecodeError::new("bad-value", "a value without a key".into()));
        };
        // A missing field of the value is best shown at the key that names it.
        let at = if node.is_null() { key.span } else { node.span };
        seed.deserialize(Decoder { node, sink: self.sink }).map_err(|e| {
            let e = match e.code {
                // Of the entry itself, that is; one missing deeper down keeps its own place.
                "missing-field" if self.recover && e.span.is_none_or(|s| s.start == node.span.start) => {
                    DecodeError {
                        span: Some(key.span),
                        message: format!("{} of '{}'", e.message, key.value),
                        ..e
                    }
                }
                _ => e.or_span(at),
            };
            if self.recover {
                self.sink.record(e, at);
                return DecodeError::new("recorded", String::new());
            }
            // Nothing after this is decoded; its fields are known or not all the same.
            let fields = self.fields.unwrap_or_default();
            if !fields.is_empty() {
                let rest = self.rest.iter().map(|(key, _)| key);
                rest.filter(|k| !fields.contains(&k.value.as_str()))
                    .for_each(|k| self.sink.unknown_field(k, fields));
            }
            e
        })
    }
}

struct KeyDecoder<'de> {
    key: &'de At<String>,
}

impl<'de> Deserializer<'de> for KeyDecoder<'de> {
    type Error = DecodeError;

    fn deserialize_any<V: Visitor<'de>>(self, visitor: V) -> Result<V::Value, DecodeError> {
        visitor.visit_borrowed_str(&self.key.value)
    }

    fn deserialize_struct<V: Visitor<'de>>(
        self,
        name: &'static str,
        _: &'static [&'static str],
        visitor: V,
    ) -> Result<V::Value, DecodeError> {
        if name != AT {
            return self.deserialize_any(visitor);
        }
        let span = self.key.span;
        let pairs = [
            ("start", KeyPart::Number(span.start)),
            ("end", KeyPart::Number(span.end)),
            ("value", KeyPart::Text(&self.key.value)),
        ];
        visitor.visit_map(de::value::MapDeserializer::new(pairs.into_iter()))
    }

    fn deserialize_enum<V: Visitor<'de>>(
        self,
        name: &'static str,
        variants: &'static [&'static str],
        visitor: V,
    ) -> Result<V::Value, DecodeError> {
        de::value::StrDeserializer::<DecodeError>::new(&self.key.value)
            .deserialize_enum(name, variants, visitor)
    }

    serde::forward_to_deserialize_any! {
        bool i8 i16 i32 i64 u8 u16 u32 u64 f32 f64 char str string bytes byte_buf option unit
        unit_struct newtype_struct seq tuple tuple_struct map identifier ignored_any
    }
}

enum KeyPart<'de> {
    Number(usize),
    Text(&'de str),
}

impl<'de> de::IntoDeserializer<'de, DecodeError> for KeyPart<'de> {
    type Deserializer = Self;
    fn into_deserializer(self) -> Self {
        self
    }
}

impl<'de> Deserializer<'de> for KeyPart<'de> {
    type Error = DecodeError;
    fn deserialize_any<V: Visitor<'de>>(self, visitor: V) -> Result<V::Value, DecodeError> {
        match self {
            Self::Number(n) => visitor.visit_u64(n as u64),
            Self::Text(t) => visitor.visit_borrowed_str(t),
        }
    }
    serde::forward_to_deserialize_any! {
        bool i8 i16 i32 i64 u8 u16 u32 u64 f32 f64 char str string bytes byte_buf option unit
        unit_struct newtype_struct seq tuple tuple_struct map struct enum identifier ignored_any
    }
}

struct AtAccess<'de> {
    decoder: Decoder<'de>,
    step: u8,
}

impl<'de> MapAccess<'de> for AtAccess<'de> {
    type Error = DecodeError;

    fn next_key_seed<K: DeserializeSeed<'de>>(&mut self, seed: K) -> Result<Option<K::Value>, DecodeError> {
        let name = match self.step {
            0 => "start",
            1 => "end",
            2 => "value",
            _ => return Ok(None),
        };
        self.step += 1;
        seed.deserialize(de::value::StrDeserializer::new(name)).map(Some)
    }

    fn next_value_seed<V: DeserializeSeed<'de>>(&mut self, seed: V) -> Result<V::Value, DecodeError> {
        let span = self.decoder.node.span;
        match self.step {
            1 => seed.deserialize(KeyPart::Number(span.start)),
            2 => seed.deserialize(KeyPart::Number(span.end)),
            _ => seed.deserialize(self.decoder).map_err(|e| e.or_span(span)),
        }
    }
}

struct OneOf<'de> {
    key: &'de At<String>,
    value: Decoder<'de>,
}

impl<'de> de::EnumAccess<'de> for OneOf<'de> {
    type Error = DecodeError;
    type Variant = Decoder<'de>;
    fn variant_seed<V: DeserializeSeed<'de>>(self, seed: V) -> Result<(V::Value, Decoder<'de>), DecodeError> {
        let variant = seed.deserialize(KeyDecoder { key: self.key }).map_err(|e| e.or_span(self.key.span))?;
        Ok((variant, self.value))
    }
}

impl<'de> de::VariantAccess<'de> for Decoder<'de> {
    type Error = DecodeError;
    fn unit_variant(self) -> Result<(), DecodeError> {
        if self.node.is_null() { Ok(()) } else { Err(self.wrong("nothing after this word")) }
    }
    fn newtype_variant_seed<T: DeserializeSeed<'de>>(self, seed: T) -> Result<T::Value, DecodeError> {
        seed.deserialize(self)
    }
    fn tuple_variant<V: Visitor<'de>>(self, _: usize, visitor: V) -> Result<V::Value, DecodeError> {
        self.deserialize_seq(visitor)
    }
    fn struct_variant<V: Visitor<'de>>(
        self,
        fields: &'static [&'static str],
        visitor: V,
    ) -> Result<V::Value, DecodeError> {
        self.deserialize_struct("", fields, visitor)
    }
}

impl<'de, T: Deserialize<'de>> Deserialize<'de> for At<T> {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        struct V<T>(PhantomData<T>);
        impl<'de, T: Deserialize<'de>> Visitor<'de> for V<T> {
            type Value = At<T>;
            fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                f.write_str("a value")
            }
            fn visit_map<A: MapAccess<'de>>(self, mut map: A) -> Result<At<T>, A::Error> {
                let (mut span, mut value) = (Span::default(), None);
                while let Some(key) = map.next_key::<String>()? {
                    match key.as_str() {
                        "start" => span.start = map.next_value()?,
                        "end" => span.end = map.next_value()?,
                        _ => value = Some(map.next_value()?),
                    }
                }
                value.map(|value| At { value, span }).ok_or_else(|| de::Error::custom("a value is missing"))
            }
        }
        deserializer.deserialize_struct(AT, &["start", "end", "value"], V(PhantomData))
    }
}

impl<'de, T: Deserialize<'de>> Deserialize<'de> for Named<T> {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        struct V<T>(PhantomData<T>);
        impl<'de, T: Deserialize<'de>> Visitor<'de> for V<T> {
            type Value = Named<T>;
            fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                f.write_str("a map of names")
            }
            fn visit_map<A: MapAccess<'de>>(self, mut map: A) -> Result<Named<T>, A::Error> {
                let mut entries = Vec::new();
                while let Some(key) = map.next_key::<At<String>>()? {
                    // An unreadable entry has been recorded by the decoder; go on with the next.
                    if let Ok(value) = map.next_value::<T>() {
                        entries.push((key, value));
                    }
                }
                Ok(Named(entries))
            }
        }
        deserializer.deserialize_newtype_struct(NAMED, V(PhantomData))
    }
}
