//! The network: nodes, named elements, and the primitives every device card is stated in.
//!
//! A [`Network`] is plain data. It is built once per board, checked as it is built (each `add` validates values and nodes), and never
//! solved in place: the solvers read it, and faults are [`super::edit::Edit`]s applied beside it.
//!
//! Absent: node voltages, solver state, tolerances (see [`super::tolerance`]), anything that knows what a "part" is. By convention the
//! elements a part expands to are called `PART` or `PART.inner`, so that messages and [`Network::elements_of`] can find them.

use std::collections::BTreeMap;

use thiserror::Error;

pub use super::primitive::{
    BjtModel, Breakdown, Control, DiodeModel, JfetModel, Law, MosfetModel, Parameter, Polarity, Primitive,
    Ramp,
};

/// What is wrong with a network under construction.
#[derive(Debug, Clone, PartialEq, Error)]
pub enum NetworkError {
    /// A value is out of its range, e.g. a resistor of 0 ohm.
    #[error("element {element}: {parameter} is {value}, but {rule}")]
    BadValue {
        /// Name of the element.
        element: String,
        /// The value's name, in the words of [`Parameter`].
        parameter: &'static str,
        /// The value as given.
        value: f64,
        /// What it must be.
        rule: &'static str,
    },
    /// Two elements share a name.
    #[error("element {element} is in the network twice")]
    DuplicateElement {
        /// The name.
        element: String,
    },
    /// A node id that this network did not hand out.
    #[error("element {element} names node {index}, but the network has only {nodes} nodes")]
    UnknownNode {
        /// Name of the element.
        element: String,
        /// The node's index.
        index: usize,
        /// Nodes in the network, ground included.
        nodes: usize,
    },
    /// An element id that this network did not hand out.
    #[error("there is no element number {index} in this network")]
    UnknownElement {
        /// The element's index.
        index: usize,
    },
    /// A terminal number that the element does not have.
    #[error("element {element} has {terminals} terminals, so there is no terminal {index}")]
    UnknownTerminal {
        /// Name of the element.
        element: String,
        /// The number asked for, counted from 0.
        index: usize,
        /// How many it has.
        terminals: usize,
    },
    /// A parameter that the element does not have, e.g. the current gain of a resistor.
    #[error("element {element} has no parameter called {parameter}")]
    NoSuchParameter {
        /// Name of the element.
        element: String,
        /// The parameter's name.
        parameter: &'static str,
    },
}

/// A node of a network: an index handed out by [`Network::node`]. Ground is node 0 of every network.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Node(pub(crate) u32);

impl Node {
    /// The reference node. Its voltage is 0 V by definition.
    pub const GROUND: Node = Node(0);

    /// Position of this node in the network's node list; ground is 0.
    pub fn index(self) -> usize {
        self.0 as usize
    }

    /// Whether this is the reference node.
    pub fn is_ground(self) -> bool {
        self.0 == 0
    }
}

/// An element of a network: an index handed out by [`Network::add`].
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct ElementId(pub(crate) u32);

impl ElementId {
    /// Position of this element in the network's element list.
    pub fn index(self) -> usize {
        self.0 as usize
    }
}

/// One terminal of one element, counted from 0 in the order of [`Primitive::terminals`].
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Terminal {
    /// The element.
    pub element: ElementId,
    /// The terminal's number.
    pub index: usize,
}

/// Where an element lives, which decides what is taken off before an ohms check.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Default)]
pub enum Place {
    /// On the board: always there.
    #[default]
    Board,
    /// The battery or adaptor with its inner resistance: out of the socket for ohms checks.
    Supply,
    /// Bench gear other than the supply (tone source, load): unplugged for ohms checks too.
    Bench,
}

/// The noise of one element beside what physics gives every resistor (thermal) and junction (shot).
///
/// A flat `density` with a corner: power density `density^2 * (1 + corner / f)`.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Noise {
    /// A model's figment: no thermal or shot noise of its own.
    pub silent: bool,
    /// A source of its own: amps per root hertz across the first two terminals, of a voltage source volts per root hertz in
    /// series; 0 for none.
    pub density: f64,
    /// Where the 1/f part equals the flat part, hertz: of `density`, else of a diode's or a base's shot noise or a channel's
    /// thermal noise.
    pub corner: f64,
    /// Resistance in series with a bipolar transistor's base, ohms, for its thermal noise alone.
    pub base_ohms: f64,
    /// Excess noise of a resistor: volts rms in one decade of frequency for each volt across it.
    pub excess: f64,
    /// A steady tone that a source carries besides: hertz and volts or amps rms; 0 Hz for none.
    pub tone: [f64; 2],
    /// What a fault multiplies it with, as an amplitude; the thermal noise of resistances stays.
    pub factor: f64,
}

impl Default for Noise {
    fn default() -> Noise {
        Noise {
            silent: false,
            density: 0.0,
            corner: 0.0,
            base_ohms: 0.0,
            excess: 0.0,
            tone: [0.0; 2],
            factor: 1.0,
        }
    }
}

impl Noise {
    /// What makes no noise.
    pub const SILENT: Noise = Noise {
        silent: true,
        density: 0.0,
        corner: 0.0,
        base_ohms: 0.0,
        excess: 0.0,
        tone: [0.0; 2],
        factor: 1.0,
    };
}

/// A named primitive in a network.
#[derive(Debug, Clone, PartialEq)]
pub struct Element {
    /// Its name, unique in the network; `PART` or `PART.inner`.
    pub name: String,
    /// What it is and where it is connected.
    pub primitive: Primitive,
    /// Whether it stays when the power is off.
    pub place: Place,
}

/// Nodes and elements. See the [module page](self).
///
/// ```
/// use halfsplit::circuit::network::{Network, Node, Primitive};
///
/// let mut net = Network::new();
/// let top = net.node("TOP");
/// let mid = net.node("MID");
/// net.add("V1", Primitive::VoltageSource { plus: top, minus: Node::GROUND, dc: 9.0, ac: 0.0 })?;
/// net.add("R1", Primitive::Resistor { a: top, b: mid, ohms: 10e3 })?;
/// net.add("R2", Primitive::Resistor { a: mid, b: Node::GROUND, ohms: 10e3 })?;
/// assert_eq!(net.node_name(mid), "MID");
/// assert!(net.add("R3", Primitive::Resistor { a: top, b: mid, ohms: 0.0 }).is_err());
/// # Ok::<(), halfsplit::circuit::network::NetworkError>(())
/// ```
#[derive(Debug, Clone, PartialEq)]
pub struct Network {
    node_names: Vec<String>,
    node_ids: BTreeMap<String, Node>,
    elements: Vec<Element>,
    element_ids: BTreeMap<String, ElementId>,
    /// Noise of those elements that have any besides thermal and shot noise.
    noise: BTreeMap<ElementId, Noise>,
}

impl Default for Network {
    fn default() -> Self {
        Network::new()
    }
}

impl Network {
    /// An empty network whose ground is called `0`.
    pub fn new() -> Network {
        Network::with_ground("0")
    }

    /// An empty network whose ground has a name of its own, e.g. `GND`.
    pub fn with_ground(name: &str) -> Network {
        Network {
            node_names: vec![name.to_owned()],
            node_ids: BTreeMap::from([(name.to_owned(), Node::GROUND)]),
            elements: Vec::new(),
            element_ids: BTreeMap::new(),
            noise: BTreeMap::new(),
        }
    }

    /// The node of that name, made if it is new.
    pub fn node(&mut self, name: &str) -> Node {
        if let Some(node) = self.node_ids.get(name) {
            return *node;
        }
        let node = Node(self.node_names.len() as u32);
        self.node_names.push(name.to_owned());
        self.node_ids.insert(name.to_owned(), node);
        node
    }

    /// The node of that name, if there is one.
    pub fn find_node(&self, name: &str) -> Option<Node> {
        self.node_ids.get(name).copied()
    }

    /// A node's name; `?` for a node of another network.
    pub fn node_name(&self, node: Node) -> &str {
        self.node_names.get(node.index()).map_or("?", String::as_str)
    }

    /// Number of nodes, ground included.
    pub fn node_count(&self) -> usize {
        self.node_names.len()
    }

    /// All nodes, ground first.
    pub fn nodes(&self) -> impl Iterator<Item = Node> {
        (0..self.node_names.len() as u32).map(Node)
    }

    /// Adds an element of the board.
    ///
    /// # Errors
    /// A value out of range, an unknown node or a name in use: see [`NetworkError`].
    pub fn add(&mut self, name: &str, primitive: Primitive) -> Result<ElementId, NetworkError> {
        self.add_at(name, primitive, Place::Board)
    }

    /// Adds an element and says where it lives.
    ///
    /// # Errors
    /// As for [`Network::add`].
    pub fn add_at(
        &mut self,
        name: &str,
        primitive: Primitive,
        place: Place,
    ) -> Result<ElementId, NetworkError> {
        if self.element_ids.contains_key(name) {
            return Err(NetworkError::DuplicateElement { element: name.to_owned() });
        }
        self.check(name, &primitive)?;
        let id = ElementId(self.elements.len() as u32);
        self.elements.push(Element { name: name.to_owned(), primitive, place });
        self.element_ids.insert(name.to_owned(), id);
        Ok(id)
    }

    /// Checks that a primitive would be accepted under that name.
    pub(crate) fn check(&self, name: &str, primitive: &Primitive) -> Result<(), NetworkError> {
        let nodes = self.node_names.len();
        if let Some(node) = primitive.terminals().into_iter().find(|n| n.index() >= nodes) {
            return Err(NetworkError::UnknownNode { element: name.to_owned(), index: node.index(), nodes });
        }
        match primitive.fault_in_values() {
            None => Ok(()),
            Some((parameter, value, rule)) => {
                Err(NetworkError::BadValue { element: name.to_owned(), parameter, value, rule })
            }
        }
    }

    /// An element.
    ///
    /// # Errors
    /// [`NetworkError::UnknownElement`] for an id of another network.
    pub fn element(&self, id: ElementId) -> Result<&Element, NetworkError> {
        self.elements.get(id.index()).ok_or(NetworkError::UnknownElement { index: id.index() })
    }

    pub(crate) fn element_mut(&mut self, id: ElementId) -> Result<&mut Element, NetworkError> {
        self.elements.get_mut(id.index()).ok_or(NetworkError::UnknownElement { index: id.index() })
    }

    /// Noise of an element beside thermal and shot noise.
    pub fn noise_of(&self, id: ElementId) -> Noise {
        self.noise.get(&id).copied().unwrap_or_default()
    }

    /// Gives an element noise.
    ///
    /// # Errors
    /// An element of another network, or a figure that is negative or not finite.
    pub fn set_noise(&mut self, id: ElementId, noise: Noise) -> Result<(), NetworkError> {
        self.check_noise(id, &noise)?;
        self.noise.insert(id, noise);
        Ok(())
    }

    /// Checks that an element would take that noise.
    pub(crate) fn check_noise(&self, id: ElementId, noise: &Noise) -> Result<(), NetworkError> {
        let figures = [
            ("noise density", noise.density),
            ("noise corner", noise.corner),
            ("base resistance", noise.base_ohms),
            ("excess noise", noise.excess),
            ("hertz of a tone", noise.tone[0]),
            ("strength of a tone", noise.tone[1]),
            ("noise factor", noise.factor),
        ];
        let element = self.element(id)?;
        match figures.into_iter().find(|(_, v)| !(v.is_finite() && *v >= 0.0)) {
            None => Ok(()),
            Some((parameter, value)) => {
                let rule = "it must be finite and not below 0";
                Err(NetworkError::BadValue { element: element.name.clone(), parameter, value, rule })
            }
        }
    }

    /// The element of that name, if there is one.
    pub fn find_element(&self, name: &str) -> Option<ElementId> {
        self.element_ids.get(name).copied()
    }

    /// All elements with their ids, in the order they were added.
    pub fn elements(&self) -> impl Iterator<Item = (ElementId, &Element)> {
        self.elements.iter().enumerate().map(|(i, e)| (ElementId(i as u32), e))
    }

    /// Number of elements.
    pub fn element_count(&self) -> usize {
        self.elements.len()
    }

    /// The elements a part expanded to: the one called `part` and those called `part.something`, in the order they were added.
    pub fn elements_of<'a>(&'a self, part: &'a str) -> impl Iterator<Item = ElementId> + 'a {
        let mine = move |name: &str| {
            name.strip_prefix(part).is_some_and(|rest| rest.is_empty() || rest.starts_with('.'))
        };
        self.elements().filter(move |(_, e)| mine(&e.name)).map(|(id, _)| id)
    }

    /// Those terminals of a part's elements that sit on one node. Where two pins of a chip share a net this cannot part them; whoever
    /// expands the chip then has to keep each pin's own list of terminals.
    pub fn terminals_on(&self, part: &str, node: Node) -> Vec<Terminal> {
        let of = |element: ElementId| {
            self.elements.get(element.index()).map(|e| e.primitive.terminals()).unwrap_or_default()
        };
        self.elements_of(part)
            .flat_map(|element| {
                of(element).into_iter().enumerate().map(move |(index, n)| (Terminal { element, index }, n))
            })
            .filter(|(_, n)| *n == node)
            .map(|(t, _)| t)
            .collect()
    }
}
