//! Every kind, shape and card at hand, by name.

use super::builtin;
use super::check;
use super::written::{DelayLaw, Device, Drawn, Kind, PartFile, Reads, Role, Shape};
use crate::text::{At, Complaint, Complaints, Named, Place, Source, decode_all, parse};
use crate::units::{Hertz, Ohms, Seconds};
use std::collections::BTreeMap;
use std::sync::Arc;

/// Kinds that the board loader asks for by name: open joints, bridges between neighbours, legs in other holes.
pub const SUPPLY_KINDS: [&str; 3] = ["joint", "bridge", "look-alike"];

/// Kinds, shapes and device cards by name. Built once, then only read.
#[derive(Clone, Debug, Default)]
pub struct Library {
    shapes: BTreeMap<String, Shape>,
    kinds: BTreeMap<String, Kind>,
    devices: BTreeMap<String, Device>,
    roles: BTreeMap<String, Role>,
    /// The file that each role stands in.
    role_files: BTreeMap<String, String>,
    drawn: BTreeMap<String, Drawn>,
    /// Other numbers to the card's own.
    aliases: BTreeMap<String, String>,
    /// File and line of each kind and device card, by name.
    written_at: BTreeMap<String, String>,
}

/// One decoded file beside its source, for messages.
pub(super) struct Read {
    pub(super) file: Arc<Source>,
    pub(super) written: PartFile,
}

impl Read {
    pub(super) fn place(&self, span: crate::text::Span) -> Place {
        Place { file: self.file.clone(), span }
    }
}

impl Library {
    /// The library that ships with the program.
    ///
    /// # Errors
    /// None in a released build; a test holds the built-in files to that.
    pub fn builtin() -> Result<Self, Complaints> {
        Self::with(&[])
    }

    /// The shipped library and more files. A name of the shipped library may be given again: the later card wins, so that a shop
    /// can hold its own figures for a part.
    ///
    /// # Errors
    /// Every complaint about every file.
    pub fn with(more: &[Source]) -> Result<Self, Complaints> {
        let shipped = builtin::FILES.iter().map(|(name, text)| Source::new(*name, *text)).collect::<Vec<_>>();
        Self::load(&shipped, more)
    }

    /// A library of `base` files, whose names must be unique, and of `more` files, which may replace them.
    ///
    /// # Errors
    /// Every complaint about every file.
    pub fn load(base: &[Source], more: &[Source]) -> Result<Self, Complaints> {
        let mut complaints = Complaints::default();
        let mut read = |sources: &[Source]| -> Vec<Read> {
            sources.iter().filter_map(|source| read_one(source, &mut complaints)).collect()
        };
        let (base, more) = (read(base), read(more));
        let mut library = Self::default();
        library.take_all(&base, &mut complaints);
        let mut replacements = Self::default();
        replacements.take_all(&more, &mut complaints);
        library.shapes.extend(replacements.shapes);
        library.kinds.extend(replacements.kinds);
        library.devices.extend(replacements.devices);
        library.roles.extend(replacements.roles);
        library.role_files.extend(replacements.role_files);
        library.drawn.extend(replacements.drawn);
        library.aliases.extend(replacements.aliases);
        library.written_at.extend(replacements.written_at);
        for file in base.iter().chain(&more) {
            check::file(file, &library, &mut complaints);
        }
        complaints.or_ok(library)
    }

    fn take_all(&mut self, files: &[Read], complaints: &mut Complaints) {
        for file in files {
            take(&mut self.shapes, &file.written.shapes, file, "shape", complaints);
            take(&mut self.kinds, &file.written.kinds, file, "kind", complaints);
            take(&mut self.devices, &file.written.devices, file, "device", complaints);
            take(&mut self.roles, &file.written.roles, file, "role", complaints);
            take(&mut self.drawn, &file.written.drawn, file, "drawn kind", complaints);
            let names = file.written.kinds.iter().map(|(n, _)| n);
            for name in names.chain(file.written.devices.iter().map(|(n, _)| n)) {
                let place = file.place(name.span);
                let at = format!("{}:{}", place.file.name, place.line_column().0);
                self.written_at.insert(name.value.clone(), at);
            }
            for (name, _) in file.written.roles.iter() {
                self.role_files.insert(name.value.clone(), file.file.name.clone());
            }
            for (name, device) in file.written.devices.iter() {
                for also in &device.also {
                    self.aliases.insert(also.value.clone(), name.value.clone());
                }
            }
        }
    }

    /// A shape.
    pub fn shape(&self, name: &str) -> Option<&Shape> {
        self.shapes.get(name)
    }

    /// A part kind.
    pub fn kind(&self, name: &str) -> Option<&Kind> {
        self.kinds.get(name)
    }

    /// A device card by its number or another number of the same part.
    pub fn device(&self, number: &str) -> Option<&Device> {
        let own = self.aliases.get(number).map_or(number, String::as_str);
        self.devices.get(number).or_else(|| self.devices.get(own))
    }

    /// The number that a card stands under, by any number of its part.
    pub fn device_number<'a>(&'a self, number: &'a str) -> &'a str {
        if self.devices.contains_key(number) {
            number
        } else {
            self.aliases.get(number).map_or(number, String::as_str)
        }
    }

    /// File and line where a kind or device card is written, such as `rules/devices/op_amps.yaml:12`.
    pub fn written_at(&self, name: &str) -> Option<&str> {
        self.written_at.get(name).map(String::as_str)
    }

    /// What a healthy pin of a device reads, in words: by the card, else by its kind, there by the pin's name or by what it is.
    pub fn reads(&self, number: &str, pin: &str) -> Option<&Reads> {
        let device = self.device(number)?;
        if let Some(own) = device.reads.get(pin) {
            return Some(own);
        }
        let kind = self.kind(&device.kind.value)?;
        let among = |pins: &[At<String>]| pins.iter().any(|p| p.value == pin);
        let class = match () {
            () if device.supply.first().is_some_and(|p| p.value == pin) => "high",
            () if device.supply.get(1).is_some_and(|p| p.value == pin) => "low",
            () if among(&device.outputs) => "output",
            () if among(&device.inputs) => "input",
            () => "",
        };
        kind.reads.get(pin).or_else(|| kind.reads.get(class))
    }

    /// What a part with a role is.
    pub fn role(&self, name: &str) -> Option<&Role> {
        self.roles.get(name)
    }

    /// The file that a role stands in; empty for one that is not known.
    pub fn role_file(&self, name: &str) -> &str {
        self.role_files.get(name).map_or("", String::as_str)
    }

    /// All roles by name.
    pub fn roles(&self) -> impl Iterator<Item = (&str, &Role)> {
        self.roles.iter().map(|(k, v)| (k.as_str(), v))
    }

    /// How drawings made elsewhere write the kinds, by kind.
    pub fn drawn(&self) -> impl Iterator<Item = (&str, &Drawn)> {
        self.drawn.iter().map(|(k, v)| (k.as_str(), v))
    }

    /// All shapes by name.
    pub fn shapes(&self) -> impl Iterator<Item = (&str, &Shape)> {
        self.shapes.iter().map(|(k, v)| (k.as_str(), v))
    }

    /// All kinds by name.
    pub fn kinds(&self) -> impl Iterator<Item = (&str, &Kind)> {
        self.kinds.iter().map(|(k, v)| (k.as_str(), v))
    }

    /// All device cards by number.
    pub fn devices(&self) -> impl Iterator<Item = (&str, &Device)> {
        self.devices.iter().map(|(k, v)| (k.as_str(), v))
    }

    /// Every number a device may be called by, aliases included, sorted.
    pub fn device_names(&self) -> Vec<&str> {
        let mut all: Vec<&str> = self.devices.keys().chain(self.aliases.keys()).map(String::as_str).collect();
        all.sort_unstable();
        all.dedup();
        all
    }
}

fn read_one(source: &Source, complaints: &mut Complaints) -> Option<Read> {
    let document = match parse(source) {
        Ok(document) => document,
        Err(found) => {
            complaints.0.extend(found.0);
            return None;
        }
    };
    let (written, found) = decode_all(&document);
    complaints.0.extend(found.0);
    written.map(|written| Read { file: Arc::new(source.clone()), written })
}

fn take<T: Clone>(
    into: &mut BTreeMap<String, T>,
    from: &Named<T>,
    file: &Read,
    what: &str,
    complaints: &mut Complaints,
) {
    for (name, item) in from.iter() {
        let At { value, span } = name;
        if into.insert(value.clone(), item.clone()).is_some() {
            let message = format!("{what} '{value}' is here a second time");
            complaints.0.push(
                Complaint::at("duplicate-name", file.place(*span), message).help("keep one of the two"),
            );
        }
    }
}

impl DelayLaw {
    /// Delay for a resistance from the timing pin to ground.
    pub fn delay(&self, at_pin: Ohms) -> Seconds {
        Seconds(self.per_ohm * at_pin.0 + self.least)
    }

    /// Clock that belongs to a delay.
    pub fn clock(&self, delay: Seconds) -> Hertz {
        Hertz(self.cycles / (delay.0 - self.dead))
    }
}
