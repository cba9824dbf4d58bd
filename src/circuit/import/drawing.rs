//! A drawing as its file has it, before anything is known of kinds and cards.

use crate::text::{Source, Span};
use std::collections::BTreeMap;
use std::sync::Arc;

/// Parts by net, and what else the file says.
#[derive(Clone, Debug)]
pub struct Drawing {
    /// The file.
    pub file: Arc<Source>,
    /// Title or name.
    pub title: String,
    /// Parts in the order of the file.
    pub parts: Vec<DrawnPart>,
    /// Supplies drawn as such.
    pub supplies: Vec<SupplyDrawn>,
    /// The net a tone is put in at, where a source of one is drawn.
    pub tone: Option<String>,
    /// What the file says of itself by name: `build`, `ground`, `in`, `out`, `tone`, `says`.
    pub given: BTreeMap<String, String>,
    /// Pairs of nets side by side, where the file names them.
    pub neighbours: Vec<[String; 2]>,
    /// What a bench person should know, as the file has it.
    pub remarks: Vec<String>,
    /// What was passed over or taken otherwise than it stands.
    pub notes: Vec<Note>,
}

/// A remark to whoever imports.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Note {
    /// Where in the file, if it is about one place.
    pub span: Option<Span>,
    /// A sentence without a full stop.
    pub says: String,
}

/// A supply drawn as a voltage source, a battery or a socket.
#[derive(Clone, Debug, PartialEq)]
pub struct SupplyDrawn {
    /// Its designator.
    pub id: String,
    /// Where it stands.
    pub span: Span,
    /// Net of its positive end.
    pub plus: String,
    /// Net of its negative end.
    pub minus: String,
    /// Volts as a text, where they are said.
    pub volts: Option<String>,
    /// `battery`, `adaptor` or `bench`, where it is said.
    pub source: Option<&'static str>,
    /// Inner resistance in ohms, where it is said.
    pub inner: Option<f64>,
}

/// What a part is called in the file.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum What {
    /// By a part kind of ours, or `capacitor` for one of several, or `npn`, `diode` and the like with the model in the value.
    Kind(&'static str),
    /// By the symbol of a library.
    Symbol(String),
    /// By its designator alone.
    Letters,
}

/// A part as drawn.
#[derive(Clone, Debug, PartialEq)]
pub struct DrawnPart {
    /// Designator.
    pub id: String,
    /// Where it stands.
    pub span: Span,
    /// What it is.
    pub what: What,
    /// Value or part number as written; may be empty.
    pub value: String,
    /// Words beside the value: kind, taper, turn, `role=…`.
    pub more: Vec<String>,
    /// Pins; without names they are in the usual order.
    pub pins: Vec<DrawnPin>,
}

/// A pin as drawn.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct DrawnPin {
    /// Its number or name; empty where only the order tells.
    pub number: String,
    /// The name of its function, where one is written.
    pub function: String,
    /// The net; nothing where it is left open.
    pub net: Option<String>,
}

impl DrawnPart {
    /// Whether its pins are told by their order alone.
    pub fn in_order(&self) -> bool {
        self.pins.iter().all(|p| p.number.is_empty() && p.function.is_empty())
    }

    /// The figure behind `name=` among its words.
    pub fn word(&self, name: &str) -> Option<&str> {
        self.more.iter().find_map(|w| w.split_once('=').filter(|(k, _)| *k == name).map(|(_, v)| v))
    }
}

impl Drawing {
    /// A drawing without anything in it.
    pub fn empty(source: &Source) -> Self {
        Self {
            file: Arc::new(source.clone()),
            title: String::new(),
            parts: Vec::new(),
            supplies: Vec::new(),
            tone: None,
            given: BTreeMap::new(),
            neighbours: Vec::new(),
            remarks: Vec::new(),
            notes: Vec::new(),
        }
    }

    pub(super) fn note(&mut self, span: Option<Span>, says: impl Into<String>) {
        self.notes.push(Note { span, says: says.into() });
    }
}
