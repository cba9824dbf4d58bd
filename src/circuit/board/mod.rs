//! Boards: a circuit as a file, checked, turned into a network, with the list of what can be wrong with it.
//!
//! [`Board::load`] reads a file, looks every part up in a [`Library`], complains of everything at once, and builds the healthy
//! [`Network`], the spreads of its parts and the fault catalogue. It does no I/O: the text comes in as a [`Source`].
//!
//! Absent: solving ([`super::predict`]), and judging which check is worth its time.
//!
//! ```
//! use halfsplit::circuit::board::Board;
//! use halfsplit::rules::parts::Library;
//! use halfsplit::text::Source;
//!
//! let text = "board: Half Moon\nbuild: breadboard\nground: GND\nsupply: [{name: main, plus: V9, minus: GND, volts: 9V, source: battery}]\nparts:\n  R1: {kind: resistor, value: 10k, nets: [V9, MID]}\n  R2: {kind: resistor, value: 10k, nets: [MID, GND]}\n";
//! let board = Board::load(&Source::new("half.yaml", text), &Library::builtin()?)?;
//! assert_eq!(board.nets(), ["V9", "MID"]);
//! assert!(board.fault("R1:x10").is_some());
//! # Ok::<(), halfsplit::text::Complaints>(())
//! ```

mod build;
mod changes;
mod checks;
mod expand;
mod faults;
mod pins;
mod potential;
mod resolve;
mod roles;
mod rows;
#[cfg(test)]
pub(crate) mod tests;
pub mod written;

pub use changes::{Change, legs_differ};
pub use faults::{Fault, FaultSetError, Fix};
pub use pins::{PlaceError, Spot};
pub use roles::{Inferred, infer as infer_roles};
pub use rows::{Leg, Misplaced, Row};

use super::network::{ElementId, Network, Node, Terminal};
use super::tolerance::Varied;
use crate::rules::Build;
use crate::rules::parts::{DelayLaw, Library};
use crate::text::{Complaints, Source};
use crate::units::{Hertz, Minutes, Volts};

/// A pin of a part on the board.
#[derive(Clone, Debug, PartialEq)]
pub struct Pin {
    /// Its name on the card: `1`, `b`, `anode`.
    pub name: String,
    /// What it is, from the part's card: `output a`, `wiper`.
    pub says: String,
    /// The net it is on; `None` where it is left unconnected.
    pub net: Option<String>,
    /// Its node in the network.
    pub node: Node,
    /// The terminals of the part's elements that make it up.
    pub terminals: Vec<Terminal>,
    /// Whether it is an output by the part's card.
    pub output: bool,
}

/// A part on the board.
#[derive(Clone, Debug)]
pub struct Part {
    /// Designator, such as `R3`.
    pub id: String,
    /// Its part kind.
    pub kind: String,
    /// Its part number, if it has a card.
    pub device: Option<String>,
    /// Value or part number as written.
    pub label: String,
    /// What it does on this board, as the file says or as its place in the circuit gives away.
    pub role: Option<String>,
    /// What the role was seen by, where the file does not give it.
    pub role_why: Option<String>,
    /// Tolerance as the file gives it, where it does.
    pub tolerance: Option<String>,
    /// Figures of this one part that the file gives.
    pub with: Vec<(String, f64)>,
    /// How a control's resistance runs with its turn.
    pub taper: Option<written::Taper>,
    /// Where a control stands, 0 to 1.
    pub turn: Option<f64>,
    /// Where a switch stands.
    pub position: Option<String>,
    /// Pins in the card's order.
    pub pins: Vec<Pin>,
    /// Its elements, in the card's order.
    pub elements: Vec<ElementId>,
    /// Its delay law, for echo chips.
    pub delay: Option<DelayLaw>,
    recipe: expand::Recipe,
}

impl Part {
    /// A pin as people call it: `IC1.3`, `C3+`, the designator alone where either end will do.
    pub fn called(&self, pin: &Pin) -> String {
        match pin.name.as_str() {
            "plus" => format!("{}+", self.id),
            "minus" => format!("{}-", self.id),
            _ if self.device.is_none() && self.pins.len() == 2 => self.id.clone(),
            name => format!("{}.{name}", self.id),
        }
    }

    /// How a control or a switch stands, for people; `None` for other parts.
    pub fn stands(&self) -> Option<String> {
        if self.recipe.wiper.is_some() {
            let turn = self.turn.map_or(50.0, |t| t * 100.0);
            return Some(format!(
                "{} ({}) at {turn:.0} %",
                self.role.as_deref().unwrap_or("control"),
                self.id
            ));
        }
        let position = self.position.as_ref()?;
        Some(format!("{} ({}) in position {position}", self.role.as_deref().unwrap_or("switch"), self.id))
    }
}

/// A supply of the board.
#[derive(Clone, Debug, PartialEq)]
pub struct SupplyLine {
    /// Its name, as in `amps:NAME`.
    pub name: String,
    /// Open-circuit voltage.
    pub volts: Volts,
    /// Net of its positive end.
    pub plus: String,
    /// Net of its negative end.
    pub minus: String,
    /// The voltage source in the network.
    pub element: ElementId,
}

/// The way of the signal.
#[derive(Clone, Debug, PartialEq)]
pub struct SignalLine {
    /// Net the tone is put in at.
    pub input: String,
    /// Net the sound comes out at.
    pub output: String,
    /// Frequency of the tone.
    pub tone: Hertz,
    /// Open-circuit level of the tone.
    pub level: Volts,
    /// Nodes between which direct current of the tone source is blocked; none where the file says that it passes it.
    pub blocked: Option<[Node; 2]>,
}

/// A board, checked and ready to be solved.
#[derive(Clone, Debug)]
pub struct Board {
    name: String,
    says: String,
    build: Build,
    ground: String,
    nets: Vec<String>,
    supplies: Vec<SupplyLine>,
    signal: Option<SignalLine>,
    parts: Vec<Part>,
    network: Network,
    varied: Vec<Varied>,
    neighbours: Vec<[String; 2]>,
    faults: Vec<Fault>,
    rows: Vec<Row>,
    path: Vec<String>,
    opening: Minutes,
    notes: Vec<String>,
    doubts: Complaints,
}

impl Board {
    /// Reads and checks a board file.
    ///
    /// # Errors
    /// Every complaint about it, with places. The code `mains` means that the tool declines the unit.
    pub fn load(source: &Source, library: &Library) -> Result<Self, Complaints> {
        build::load(source, library, &[])
    }

    /// Reads a board with other values or devices put in, as it would be after the change.
    ///
    /// # Errors
    /// As [`Board::load`]; a change that names no part, or puts in what does not fit.
    pub fn load_changed(source: &Source, library: &Library, changes: &[Change]) -> Result<Self, Complaints> {
        build::load(source, library, changes)
    }

    /// The unit's name.
    pub fn name(&self) -> &str {
        &self.name
    }

    /// What it does, in a line; may be empty.
    pub fn says(&self) -> &str {
        &self.says
    }

    /// How it is put together.
    pub fn build(&self) -> Build {
        self.build
    }

    /// The ground net.
    pub fn ground(&self) -> &str {
        &self.ground
    }

    /// All nets but ground: those of the file's `path` first, then in the order of the parts.
    pub fn nets(&self) -> &[String] {
        &self.nets
    }

    /// Supplies in the order of the file.
    pub fn supplies(&self) -> &[SupplyLine] {
        &self.supplies
    }

    /// The way of the signal, if the board has one.
    pub fn signal(&self) -> Option<&SignalLine> {
        self.signal.as_ref()
    }

    /// Parts in the order of the file, supplies first.
    pub fn parts(&self) -> &[Part] {
        &self.parts
    }

    /// The healthy network, meters and faults apart.
    pub fn network(&self) -> &Network {
        &self.network
    }

    /// Node of a net.
    pub fn node(&self, net: &str) -> Option<Node> {
        self.network.find_node(net)
    }

    /// What spreads from one healthy board to the next: tolerances and device figures.
    pub fn varied(&self) -> &[Varied] {
        &self.varied
    }

    /// What can be wrong with it, in order of id.
    pub fn faults(&self) -> &[Fault] {
        &self.faults
    }

    /// Pairs of nets whose copper, strips or rows the file says lie side by side.
    pub fn neighbours(&self) -> &[[String; 2]] {
        &self.neighbours
    }

    /// The file's own order of nets; those not in it come after.
    pub fn path(&self) -> &[String] {
        &self.path
    }

    /// The fault of an id.
    pub fn fault(&self, id: &str) -> Option<&Fault> {
        self.faults.binary_search_by(|f| f.id.as_str().cmp(id)).ok().map(|i| &self.faults[i])
    }

    /// Pins on a net, for people: `IC1.3, R4, C3+`, at most five.
    pub fn at(&self, net: &str) -> String {
        let mut pins = self.pins_on(net);
        let more = pins.len() > 5;
        pins.truncate(5);
        if more { format!("{}, …", pins.join(", ")) } else { pins.join(", ") }
    }

    /// All pins on a net as people call them, `IC1.3`, `R4`, `C3+`; chips and transistors, the easiest to find, first.
    pub fn pins_on(&self, net: &str) -> Vec<String> {
        let on = |part: &Part| -> Vec<String> {
            part.pins.iter().filter(|p| p.net.as_deref() == Some(net)).map(|pin| part.called(pin)).collect()
        };
        let mut pins: Vec<String> = self.parts.iter().flat_map(on).collect();
        pins.sort_by_key(|p| {
            !(p.starts_with("IC") || p.starts_with('Q') || p.starts_with('J') || p.starts_with('U'))
        });
        pins
    }

    /// Minutes for opening the unit.
    pub fn opening(&self) -> Minutes {
        self.opening
    }

    /// What is odd in the file and does no harm: roles that there are none of.
    pub fn doubts(&self) -> &Complaints {
        &self.doubts
    }

    /// What a bench person should know.
    pub fn notes(&self) -> &[String] {
        &self.notes
    }
}
