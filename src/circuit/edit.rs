//! Edits: how a fault changes a network.
//!
//! A fault is a list of [`Edit`]s applied in order ([`apply`] shows their plain meaning on a copy of the network; the sweep solver
//! gets the same result without building the copy where it can). Opens and shorts are resistors, never removed nodes, so an edited
//! network stays solvable.
//!
//! Absent: which faults a board can have, and how likely they are.

use super::network::{ElementId, Network, NetworkError, Node, Noise, Parameter, Primitive, Terminal};

/// Resistance of an open joint or part, ohms (common practice, no source; the reference runs of the test data use the same).
pub const OPEN_OHMS: f64 = 1e11;
/// Resistance of a short, ohms (common practice, no source; the reference runs of the test data use the same).
pub const SHORT_OHMS: f64 = 1.0;

/// One change to a network.
#[derive(Debug, Clone, PartialEq)]
pub enum Edit {
    /// Gives a parameter another value.
    Set {
        /// The element.
        element: ElementId,
        /// Which of its numbers.
        parameter: Parameter,
        /// The new value, in the parameter's own unit and range.
        value: f64,
    },
    /// Puts a resistor in place of an element, between its first two terminals.
    Replace {
        /// The element.
        element: ElementId,
        /// The resistance, > 0, ohms.
        ohms: f64,
    },
    /// Takes an element out.
    Remove {
        /// The element.
        element: ElementId,
    },
    /// Adds a resistor between two nodes: a bridge, a short or a leak.
    Bridge {
        /// One node.
        a: Node,
        /// The other node.
        b: Node,
        /// The resistance, > 0, ohms.
        ohms: f64,
    },
    /// Moves terminals off their node to a new one, joined to the old by a resistor: an open or bad joint. All listed terminals must be on
    /// the same node (they are one pin).
    Lift {
        /// The terminals that make up the pin.
        terminals: Vec<Terminal>,
        /// Resistance of the joint, > 0, ohms.
        ohms: f64,
    },
    /// Exchanges two terminals of one element (a part turned round).
    Exchange {
        /// The element.
        element: ElementId,
        /// One terminal, from 0.
        first: usize,
        /// The other terminal, from 0.
        second: usize,
    },
    /// Puts terminals on other existing nodes, all at once (a chip turned round, pins permuted).
    Rewire {
        /// Each terminal and its new node.
        moves: Vec<(Terminal, Node)>,
    },
}

/// A fault set: edits in order. Empty means healthy.
pub type EditSet = Vec<Edit>;

/// Applies edits to a copy of the network. Elements keep their ids; added bridges and joints come after them.
///
/// A removed element becomes a capacitor of 0 F, which nothing flows through. What is removed or replaced stays so: later edits of its
/// values have nothing to act on and do nothing.
///
/// # Errors
/// An unknown element, terminal, node or parameter, or a value out of range.
///
/// ```
/// use halfsplit::circuit::edit::{Edit, apply};
/// use halfsplit::circuit::network::{Network, Node, Parameter, Primitive};
///
/// let mut net = Network::new();
/// let a = net.node("A");
/// let r1 = net.add("R1", Primitive::Resistor { a, b: Node::GROUND, ohms: 10e3 })?;
/// let misread = apply(&net, &[Edit::Set { element: r1, parameter: Parameter::Value, value: 100e3 }])?;
/// assert_eq!(misread.element(r1)?.primitive.parameter(Parameter::Value), Some(100e3));
/// # Ok::<(), halfsplit::circuit::network::NetworkError>(())
/// ```
pub fn apply(network: &Network, edits: &[Edit]) -> Result<Network, NetworkError> {
    let mut edited = network.clone();
    let mut gone = Vec::new();
    for edit in edits {
        match edit {
            Edit::Set { element, .. } | Edit::Replace { element, .. } | Edit::Remove { element }
                if gone.contains(element) =>
            {
                continue;
            }
            Edit::Replace { element, .. } | Edit::Remove { element } => gone.push(*element),
            _ => {}
        }
        apply_one(&mut edited, edit)?;
    }
    Ok(edited)
}

fn apply_one(network: &mut Network, edit: &Edit) -> Result<(), NetworkError> {
    match edit {
        Edit::Set { element, parameter, value } => set(network, *element, *parameter, *value),
        Edit::Replace { element, ohms } => {
            let (a, b) = first_two(network, *element)?;
            swap_in(network, *element, Primitive::Resistor { a, b, ohms: *ohms })
        }
        Edit::Remove { element } => {
            let (a, b) = first_two(network, *element)?;
            swap_in(network, *element, Primitive::Capacitor { a, b, farads: 0.0 })
        }
        Edit::Bridge { a, b, ohms } => {
            network.add(
                &format!("bridge#{}", network.element_count()),
                Primitive::Resistor { a: *a, b: *b, ohms: *ohms },
            )?;
            Ok(())
        }
        Edit::Lift { terminals, ohms } => lift(network, terminals, *ohms),
        Edit::Exchange { element, first, second } => {
            let (one, other) = (node_at(network, *element, *first)?, node_at(network, *element, *second)?);
            move_to(network, Terminal { element: *element, index: *first }, other)?;
            move_to(network, Terminal { element: *element, index: *second }, one)
        }
        Edit::Rewire { moves } => {
            moves.iter().try_for_each(|(terminal, node)| move_to(network, *terminal, *node))
        }
    }
}

fn set(network: &mut Network, id: ElementId, parameter: Parameter, value: f64) -> Result<(), NetworkError> {
    if parameter == Parameter::Noise {
        return network.set_noise(id, Noise { factor: value, ..network.noise_of(id) });
    }
    let element = network.element(id)?;
    let mut primitive = element.primitive.clone();
    let Some(slot) = primitive.parameter_mut(parameter) else {
        return Err(NetworkError::NoSuchParameter {
            element: element.name.clone(),
            parameter: parameter.name(),
        });
    };
    *slot = value;
    swap_in(network, id, primitive)
}

fn swap_in(network: &mut Network, id: ElementId, primitive: Primitive) -> Result<(), NetworkError> {
    network.check(&network.element(id)?.name, &primitive)?;
    network.element_mut(id)?.primitive = primitive;
    Ok(())
}

fn lift(network: &mut Network, terminals: &[Terminal], ohms: f64) -> Result<(), NetworkError> {
    let Some(first) = terminals.first() else {
        return Ok(());
    };
    let old = node_at(network, first.element, first.index)?;
    let name = format!("joint#{}", network.element_count());
    let joint = network.node(&name);
    for terminal in terminals {
        move_to(network, *terminal, joint)?;
    }
    network.add(&name, Primitive::Resistor { a: joint, b: old, ohms })?;
    Ok(())
}

fn first_two(network: &Network, element: ElementId) -> Result<(Node, Node), NetworkError> {
    Ok((node_at(network, element, 0)?, node_at(network, element, 1)?))
}

fn node_at(network: &Network, id: ElementId, index: usize) -> Result<Node, NetworkError> {
    let element = network.element(id)?;
    let terminals = element.primitive.terminals();
    let missing =
        || NetworkError::UnknownTerminal { element: element.name.clone(), index, terminals: terminals.len() };
    terminals.get(index).copied().ok_or_else(missing)
}

fn move_to(network: &mut Network, terminal: Terminal, node: Node) -> Result<(), NetworkError> {
    node_at(network, terminal.element, terminal.index)?;
    let name = network.element(terminal.element)?.name.clone();
    let mut primitive = network.element(terminal.element)?.primitive.clone();
    if let Some(slot) = primitive.terminal_mut(terminal.index) {
        *slot = node;
    }
    network.check(&name, &primitive)?;
    network.element_mut(terminal.element)?.primitive = primitive;
    Ok(())
}
