//! Many faults on one board, fast.
//!
//! A [`Sweep`] compiles the healthy board once. A fault that changes numbers only (a value, a capacitor gone, a bridge where the
//! pattern has room) is solved in place from the healthy point; one that changes connections (a lifted pin, exchanged terminals, a diode
//! gone) gets a compiled network of its own, kept for the next fault that changes the same connections. The result is that of
//! [`super::edit::apply`] followed by [`super::dc::Solver`], and a test holds the two together.
//!
//! Absent: threads, and any choice of which faults to look at.

use std::collections::BTreeMap;
use std::hash::{DefaultHasher, Hash, Hasher};

use num_complex::Complex64;
use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::{RngCore, SeedableRng};

use super::ac::{AcWork, Response, check_frequency};
use super::dc::{Options, Path, SolveError};
use super::edit::{Edit, apply};
use super::network::{ElementId, Network, NetworkError, Node, Noise, Parameter, Primitive, Terminal};
use super::newton::{Case, Extra, Failure, Work, compile, place};
use super::parameters::param_place;
use super::topology::{Seed, Topology, Unknown};

/// Compiled networks kept for faults that change connections, and the memory they may take; all go when there are more.
const KEPT: usize = 512;
const KEPT_BYTES: usize = 24 << 20;

/// Points found that are kept as starts; all go when there are more.
const STARTS: usize = 4096;

/// Edits whose points were hard to find that are kept as starts for sets that have them.
const HARD: usize = 32;

/// Two operating points that differ by more than this anywhere, volts, are not one.
const APART_VOLTS: f64 = 0.2;

/// A compiled network and where to start from.
#[derive(Debug, Clone)]
pub(crate) struct Compiled {
    pub network: Network,
    pub topology: Topology,
    pub start: Vec<f64>,
}

/// The readings of a board with one fault set in.
#[derive(Debug, Clone, PartialEq)]
pub struct Faulted {
    volts: Vec<f64>,
    delivered: Vec<f64>,
    response: Option<Response>,
    /// Newton steps taken.
    pub iterations: usize,
    /// What found the operating point.
    pub path: Path,
    /// Largest imbalance left, amps (or volts at a source).
    pub residual: f64,
}

impl Faulted {
    /// Voltage of a node of the healthy network, volts; NaN for others.
    pub fn volts(&self, node: Node) -> f64 {
        self.volts.get(node.index()).copied().unwrap_or(f64::NAN)
    }

    /// Current that the n-th independent voltage source (see [`Sweep::sources`]) delivers, amps.
    pub fn delivered(&self, source: usize) -> f64 {
        self.delivered.get(source).copied().unwrap_or(f64::NAN)
    }

    /// The small-signal response, if one was asked for.
    pub fn response(&self) -> Option<&Response> {
        self.response.as_ref()
    }
}

/// The case in hand: which compiled network, with what numbers.
#[derive(Debug, Clone, Default)]
pub(crate) struct State {
    pub active: usize,
    pub params: Vec<f64>,
    pub extras: Vec<Extra>,
    /// Tells this case from others: its connections and numbers.
    identity: u64,
    /// What faults multiply an element's noise with.
    pub noisier: Vec<(ElementId, f64)>,
    /// A fresh order that this case needed, with the extras' slots in it.
    pub order: Option<Box<(Topology, Vec<Extra>)>>,
    pub work: Work,
    pub ac: AcWork,
}

/// A board set up for many faults. See the [module page](self).
#[derive(Debug, Clone)]
pub struct Sweep {
    pub(crate) options: Options,
    /// The healthy board first, then those whose connections a fault changed.
    pub(crate) compiled: Vec<Compiled>,
    index: BTreeMap<Vec<u32>, usize>,
    sources: Vec<ElementId>,
    /// Points found, by the identity of their case: where to start when it is asked for again.
    found: BTreeMap<u64, Vec<f64>>,
    /// The first edits whose point was hard to find, with it: sets that have them and more start from there.
    hard: Vec<(Vec<Edit>, Vec<f64>)>,
    pub(crate) state: State,
}

/// A fault set sorted by what it asks of the solver.
#[derive(Default)]
struct Sorted {
    /// Edits that change connections, in order.
    structure: Vec<Edit>,
    /// Their identity, numbers apart.
    key: Vec<u32>,
    /// Resistances of the resistors these add, in order.
    added: Vec<f64>,
    /// (element, parameter, value).
    values: Vec<(ElementId, Parameter, f64)>,
    bridges: Vec<(Node, Node, f64)>,
    /// What multiplies an element's noise.
    noisier: Vec<(ElementId, f64)>,
}

impl Sweep {
    /// Compiles and solves the healthy board.
    ///
    /// # Errors
    /// As for [`super::dc::Solver::operating_point`]: a board that has no healthy point cannot be swept from it.
    pub fn new(network: &Network, options: Options) -> Result<Sweep, SolveError> {
        let solver = super::dc::Solver::new(network, options)?;
        let point = solver.operating_point()?;
        let is_source = |e: &super::network::Element| matches!(e.primitive, Primitive::VoltageSource { .. });
        let sources = network.elements().filter(|(_, e)| is_source(e)).map(|(id, _)| id).collect();
        let base = Compiled { network: network.clone(), topology: solver.topology, start: point.x };
        Ok(Sweep {
            options,
            compiled: vec![base],
            index: BTreeMap::new(),
            sources,
            found: BTreeMap::new(),
            hard: Vec::new(),
            state: State::default(),
        })
    }

    /// The healthy network.
    pub fn network(&self) -> &Network {
        &self.compiled[0].network
    }

    /// Voltage of a node of the healthy board, volts.
    pub(crate) fn healthy_volts(&self, node: Node) -> f64 {
        let start = &self.compiled[0].start;
        node.index().checked_sub(1).and_then(|i| start.get(i)).copied().unwrap_or(0.0)
    }

    /// The independent voltage sources, in the order [`Faulted::delivered`] counts them.
    pub fn sources(&self) -> &[ElementId] {
        &self.sources
    }

    /// Solves the board with these edits made, and its response at `hertz` if given.
    ///
    /// # Errors
    /// An edit the network does not allow, a bad frequency, or no operating point.
    pub fn solve(&mut self, edits: &[Edit], hertz: Option<f64>) -> Result<Faulted, SolveError> {
        hertz.map_or(Ok(()), check_frequency)?;
        let (iterations, path, residual) = self.find_point(edits)?;
        let response = match hertz {
            None => None,
            Some(hertz) => {
                self.find_response(hertz)?;
                let nodes = self.compiled[0].network.node_count();
                Some(Response { hertz, y: self.state.ac.y[..nodes - 1].to_vec() })
            }
        };
        Ok(Faulted {
            volts: self.volts_now(),
            delivered: self.delivered_now(),
            response,
            iterations,
            path,
            residual,
        })
    }

    /// Every fault set in turn: results in the same order.
    pub fn run(&mut self, sets: &[Vec<Edit>], hertz: Option<f64>) -> Vec<Result<Faulted, SolveError>> {
        sets.iter().map(|edits| self.solve(edits, hertz)).collect()
    }

    /// Other operating points of the healthy board than the usual one, found from so many starts drawn by a seed between two
    /// voltages: a flip-flop settles either way, and the usual point may be the one between where it never stays. Node volts, by
    /// node.
    pub(crate) fn other_points(
        &mut self,
        starts: usize,
        (low, high): (f64, f64),
        seed: u64,
    ) -> Vec<Vec<f64>> {
        let mut found: Vec<Vec<f64>> = Vec::new();
        if self.find_point(&[]).is_err() {
            return found;
        }
        let usual = self.volts_now();
        let nodes = usual.len();
        let mut rng = ChaCha8Rng::seed_from_u64(seed);
        for _ in 0..starts {
            if self.set_up(&[]).is_err() {
                break;
            }
            let Sweep { compiled, state, options, .. } = self;
            let compiled = &compiled[state.active];
            state.work.x.clear();
            state.work.x.extend_from_slice(&compiled.start);
            for x in &mut state.work.x[..nodes - 1] {
                let share = (rng.next_u32() >> 8) as f64 / f64::from(1u32 << 24);
                *x = low + (high - low) * share;
            }
            let case = Case { topology: &compiled.topology, params: &state.params, extras: &state.extras };
            let Ok(point) = case.solve(&mut state.work, options) else { continue };
            state.order = point.order;
            let volts = self.volts_now();
            let apart = |a: &[f64]| a.iter().zip(&volts).any(|(a, b)| (a - b).abs() > APART_VOLTS);
            if apart(&usual) && found.iter().all(|f| apart(f)) {
                found.push(volts);
            }
        }
        found
    }

    /// Sets up and solves one case; it stays in hand.
    pub(crate) fn find_point(&mut self, edits: &[Edit]) -> Result<(usize, Path, f64), SolveError> {
        self.find_point_fed(edits, &[])
    }

    /// The same with currents fed into nodes from outside, amps.
    pub(crate) fn find_point_fed(
        &mut self,
        edits: &[Edit],
        feed: &[(Node, f64)],
    ) -> Result<(usize, Path, f64), SolveError> {
        self.set_up(edits)?;
        let fed = feed.iter().filter(|(node, _)| !node.is_ground());
        let feed: Vec<(usize, f64)> = fed.map(|(node, amps)| (node.index() - 1, *amps)).collect();
        let part = |h: &&(Vec<Edit>, Vec<f64>)| h.0.iter().all(|e| edits.contains(e));
        let near = self.hard.iter().find(part).map_or_else(Vec::new, |h| h.1.clone());
        let found = self.find_point_from(&near, feed)?;
        if found.1 != Path::Direct && !self.hard.iter().any(|h| h.0 == edits) && self.hard.len() < HARD {
            self.hard.push((edits.to_vec(), self.point().to_vec()));
        }
        Ok(found)
    }

    /// Sets up and solves one case that differs little from one whose point is given; it stays in hand.
    pub(crate) fn find_point_near(&mut self, edits: &[Edit], point: &[f64]) -> Result<(), SolveError> {
        self.set_up(edits)?;
        self.find_point_from(point, Vec::new()).map(|_| ())
    }

    /// Solves the case in hand from its own point if that was found before, else from `near`, else from the healthy board's.
    fn find_point_from(
        &mut self,
        near: &[f64],
        feed: Vec<(usize, f64)>,
    ) -> Result<(usize, Path, f64), SolveError> {
        let Sweep { compiled, state, options, found, .. } = self;
        let nodes = compiled[0].network.node_count();
        let compiled = &compiled[state.active];
        let unknowns = compiled.start.len();
        let known = found.get(&state.identity).filter(|_| feed.is_empty());
        let near = known.map_or(near, Vec::as_slice);
        // Other connections have unknowns of their own behind the nodes of the healthy board.
        let same = if near.len() == unknowns { unknowns } else { near.len().min(nodes - 1) };
        state.work.x.clear();
        state.work.x.extend_from_slice(&near[..same]);
        state.work.x.extend_from_slice(&compiled.start[same..]);
        state.work.feed = feed;
        let case = Case { topology: &compiled.topology, params: &state.params, extras: &state.extras };
        let point = match case.solve(&mut state.work, options) {
            Ok(point) => point,
            Err(failed) => return Err(failed.explain(&compiled.network, &compiled.topology)),
        };
        state.order = point.order;
        if state.work.feed.is_empty() {
            if found.len() >= STARTS {
                found.clear();
            }
            found.insert(state.identity, state.work.x[..unknowns].to_vec());
        }
        Ok((point.iterations, point.path, point.residual))
    }

    /// The unknowns of the case in hand.
    pub(crate) fn point(&self) -> &[f64] {
        &self.state.work.x[..self.compiled[self.state.active].start.len()]
    }

    /// Solves the case in hand again with other numbers, starting from where it stands.
    pub(crate) fn find_point_again(&mut self) -> Result<(), SolveError> {
        let Sweep { compiled, state, options, .. } = self;
        let compiled = &compiled[state.active];
        let (topology, extras) =
            state.order.as_deref().map_or((&compiled.topology, &state.extras), |o| (&o.0, &o.1));
        let case = Case { topology, params: &state.params, extras };
        match case.solve(&mut state.work, options) {
            Ok(found) => {
                if found.order.is_some() {
                    state.order = found.order;
                }
                Ok(())
            }
            Err(failed) => Err(failed.explain(&compiled.network, &compiled.topology)),
        }
    }

    /// The response of the case in hand, into `state.ac.y`.
    pub(crate) fn find_response(&mut self, hertz: f64) -> Result<(), SolveError> {
        let Sweep { compiled, state, .. } = self;
        let compiled = &compiled[state.active];
        let State { params, extras, order, work, ac, .. } = state;
        let (topology, extras) = order.as_deref().map_or((&compiled.topology, &*extras), |o| (&o.0, &o.1));
        let case = Case { topology, params, extras };
        match case.response_surely(work, hertz, ac) {
            Ok(None) => Ok(()),
            Ok(Some(fresh)) => {
                *order = Some(Box::new(fresh));
                Ok(())
            }
            Err(Failure::Singular(unknown) | Failure::Iterations { worst: unknown, .. }) => {
                Err(SolveError::Singular { place: place(&compiled.network, topology, unknown).0 })
            }
        }
    }

    fn volts_now(&self) -> Vec<f64> {
        let nodes = self.compiled[0].network.node_count();
        std::iter::once(0.0).chain(self.state.work.x[..nodes - 1].iter().copied()).collect()
    }

    fn delivered_now(&self) -> Vec<f64> {
        let topology = &self.compiled[self.state.active].topology;
        let amps = |id: &ElementId| {
            topology.own_unknown.get(id.index()).map_or(0.0, |u| -self.state.work.x[*u as usize])
        };
        self.sources.iter().map(amps).collect()
    }

    /// Picks the compiled network for these edits and fills in its numbers.
    fn set_up(&mut self, edits: &[Edit]) -> Result<(), SolveError> {
        let mut sorted = self.sort(edits)?;
        self.state.order = None;
        self.state.active = self.compiled_for(&sorted)?;
        // A bridge that the pattern has no room for becomes an element of a compiled network of its own.
        let topology = &self.compiled[self.state.active].topology;
        let (roomy, tight): (Vec<_>, Vec<_>) = sorted.bridges.iter().copied().partition(|(a, b, _)| {
            let [a, b] = [a, b].map(|n| if n.is_ground() { topology.n } else { n.index() - 1 });
            topology.bridge_slots(a, b).is_some()
        });
        if !tight.is_empty() {
            for (a, b, ohms) in tight {
                sorted.key.extend([5, a.0, b.0]);
                sorted.added.push(ohms);
                sorted.structure.push(Edit::Bridge { a, b, ohms });
            }
            self.state.active = self.compiled_for(&sorted)?;
        }
        self.fill_in(&sorted, &roomy)
    }

    /// Puts the numbers of a fault set over those of its compiled network.
    fn fill_in(&mut self, sorted: &Sorted, bridges: &[(Node, Node, f64)]) -> Result<(), SolveError> {
        let Sweep { compiled, state, .. } = self;
        let elements = compiled[0].network.element_count();
        let Compiled { network, topology, .. } = &compiled[state.active];
        state.params.clear();
        state.params.extend_from_slice(&topology.params);
        for (number, ohms) in sorted.added.iter().enumerate() {
            state.params[topology.first_param[elements + number] as usize] = *ohms;
        }
        for (id, parameter, value) in &sorted.values {
            let primitive = &network.element(*id)?.primitive;
            if let Some(at) = param_place(primitive, *parameter) {
                state.params[topology.first_param[id.index()] as usize + at] = *value;
            }
        }
        state.noisier.clone_from(&sorted.noisier);
        state.extras.clear();
        for (a, b, ohms) in bridges {
            let [a, b] = [a, b].map(|n| if n.is_ground() { topology.n } else { n.index() - 1 });
            if let Some(slots) = topology.bridge_slots(a, b) {
                state.extras.push(Extra { slots, siemens: 1.0 / ohms });
            }
        }
        let mut hasher = DefaultHasher::new();
        sorted.key.hash(&mut hasher);
        state.params.iter().for_each(|p| p.to_bits().hash(&mut hasher));
        state.extras.iter().for_each(|e| (e.slots, e.siemens.to_bits()).hash(&mut hasher));
        state.identity = hasher.finish();
        Ok(())
    }

    fn sort(&self, edits: &[Edit]) -> Result<Sorted, NetworkError> {
        let network = self.network();
        let mut sorted = Sorted::default();
        let mut gone: Vec<ElementId> = Vec::new();
        for edit in edits {
            match edit {
                Edit::Set { element, .. } | Edit::Replace { element, .. } | Edit::Remove { element }
                    if gone.contains(element) =>
                {
                    continue;
                }
                Edit::Set { element, parameter, value } => {
                    self.sort_set(&mut sorted, edit, *element, *parameter, *value)?
                }
                Edit::Replace { element, ohms } => {
                    gone.push(*element);
                    match network.element(*element)?.primitive {
                        Primitive::Resistor { .. } => sorted.values.push((
                            *element,
                            Parameter::Value,
                            checked(network, *element, *ohms)?,
                        )),
                        _ => {
                            sorted.key.extend([1, element.0]);
                            sorted.key.extend(bits(*ohms));
                            sorted.structure.push(edit.clone());
                        }
                    }
                }
                Edit::Remove { element } => {
                    gone.push(*element);
                    match network.element(*element)?.primitive {
                        Primitive::Resistor { .. } => {
                            sorted.values.push((*element, Parameter::Value, f64::INFINITY))
                        }
                        Primitive::Capacitor { .. } => sorted.values.push((*element, Parameter::Value, 0.0)),
                        _ => {
                            sorted.key.extend([2, element.0]);
                            sorted.structure.push(edit.clone());
                        }
                    }
                }
                Edit::Bridge { a, b, ohms } => {
                    network.check("bridge", &Primitive::Resistor { a: *a, b: *b, ohms: *ohms })?;
                    sorted.bridges.push((*a, *b, *ohms));
                }
                Edit::Lift { terminals, ohms } => {
                    network.check(
                        "joint",
                        &Primitive::Resistor { a: Node::GROUND, b: Node::GROUND, ohms: *ohms },
                    )?;
                    if terminals.is_empty() {
                        continue;
                    }
                    sorted.key.push(3);
                    sorted.key.push(terminals.len() as u32);
                    terminals.iter().for_each(|t| sorted.key.extend([t.element.0, t.index as u32]));
                    sorted.added.push(*ohms);
                    sorted.structure.push(edit.clone());
                }
                Edit::Exchange { element, first, second } => {
                    sorted.key.extend([4, element.0, *first as u32, *second as u32]);
                    sorted.structure.push(edit.clone());
                }
                Edit::Rewire { moves } => {
                    sorted.key.push(6);
                    sorted.key.push(moves.len() as u32);
                    let code = |(t, n): &(Terminal, Node)| [t.element.0, t.index as u32, n.0];
                    sorted.key.extend(moves.iter().flat_map(code));
                    sorted.structure.push(edit.clone());
                }
            }
        }
        Ok(sorted)
    }

    fn sort_set(
        &self,
        sorted: &mut Sorted,
        edit: &Edit,
        id: ElementId,
        parameter: Parameter,
        value: f64,
    ) -> Result<(), NetworkError> {
        let element = self.network().element(id)?;
        if parameter == Parameter::Noise {
            // Checked as the plain road checks it; the solver has no use for it.
            let noise = self.network().noise_of(id);
            self.network().check_noise(id, &Noise { factor: value, ..noise })?;
            sorted.noisier.push((id, value));
            return Ok(());
        }
        let mut primitive = element.primitive.clone();
        let Some(slot) = primitive.parameter_mut(parameter) else {
            return Err(NetworkError::NoSuchParameter {
                element: element.name.clone(),
                parameter: parameter.name(),
            });
        };
        *slot = value;
        self.network().check(&element.name, &primitive)?;
        // A diode's inner node comes and goes with its series resistance.
        if matches!(primitive, Primitive::Diode { .. }) && parameter == Parameter::SeriesOhms {
            sorted.key.extend([7, id.0]);
            sorted.key.extend(bits(value));
            sorted.structure.push(edit.clone());
        } else {
            sorted.values.push((id, parameter, value));
        }
        Ok(())
    }

    /// The compiled network with these connections, from the store or made now.
    fn compiled_for(&mut self, sorted: &Sorted) -> Result<usize, SolveError> {
        if sorted.structure.is_empty() {
            return Ok(0);
        }
        if let Some(found) = self.index.get(&sorted.key) {
            return Ok(*found);
        }
        if self.compiled.len() > self.most_kept() {
            self.compiled.truncate(1);
            self.index.clear();
        }
        let network = apply(&self.compiled[0].network, &sorted.structure)?;
        let mut start = self.start_for(&network);
        let gmin = self.options.gmin;
        let seeded = |x: &[f64]| compile(&network, &Seed { x, params: &[], gmin });
        // Where no order survives the healthy point's voltages, zero has one.
        let topology = match seeded(&start) {
            Ok(topology) => topology,
            Err(_) => {
                start.fill(0.0);
                seeded(&start)?
            }
        };
        self.compiled.push(Compiled { network, topology, start });
        self.index.insert(sorted.key.clone(), self.compiled.len() - 1);
        Ok(self.compiled.len() - 1)
    }

    /// How many compiled networks are worth their memory: each has a table of its unknowns by its unknowns.
    fn most_kept(&self) -> usize {
        let n = self.compiled[0].topology.n + 1;
        (KEPT_BYTES / (2 * n * n)).clamp(4, KEPT)
    }

    /// The healthy point in the unknowns of an edited network; a lifted pin starts at the voltage of the net it left.
    fn start_for(&self, network: &Network) -> Vec<f64> {
        let base = &self.compiled[0];
        let unknowns = Topology::unknowns_of(network);
        let known = base.network.node_count();
        let volts = |node: Node| {
            if node.is_ground() { 0.0 } else { base.start.get(node.index() - 1).copied().unwrap_or(0.0) }
        };
        let joint = |node: Node| {
            let joined =
                network.elements().skip(base.network.element_count()).find_map(|(_, e)| match e.primitive {
                    Primitive::Resistor { a, b, .. } if a == node => Some(b),
                    _ => None,
                });
            joined.filter(|n| n.index() < known).map_or(0.0, volts)
        };
        let value = |unknown: &Unknown| match unknown {
            Unknown::Node(node) if node.index() < known => volts(*node),
            Unknown::Node(node) => joint(*node),
            Unknown::Inner(id) | Unknown::Branch(id) => {
                let own =
                    base.topology.own_unknown.get(id.index()).copied().unwrap_or(base.topology.n as u16);
                base.start[own as usize]
            }
        };
        unknowns.iter().map(value).chain([0.0]).collect()
    }
}

fn bits(value: f64) -> [u32; 2] {
    let bits = value.to_bits();
    [(bits >> 32) as u32, bits as u32]
}

fn checked(network: &Network, id: ElementId, ohms: f64) -> Result<f64, NetworkError> {
    network
        .check(&network.element(id)?.name, &Primitive::Resistor { a: Node::GROUND, b: Node::GROUND, ohms })?;
    Ok(ohms)
}

/// Solves every fault set on a board: readings in the same order as the sets. See [`Sweep`] to keep the board set up between calls.
///
/// # Errors
/// The outer error is that of the healthy board; each fault set has its own.
///
/// ```
/// use halfsplit::circuit::dc::Options;
/// use halfsplit::circuit::edit::Edit;
/// use halfsplit::circuit::network::{Network, Node, Parameter, Primitive};
/// use halfsplit::circuit::sweep::sweep;
///
/// let mut net = Network::new();
/// let (top, mid) = (net.node("TOP"), net.node("MID"));
/// net.add("V1", Primitive::VoltageSource { plus: top, minus: Node::GROUND, dc: 9.0, ac: 0.0 })?;
/// let r1 = net.add("R1", Primitive::Resistor { a: top, b: mid, ohms: 10e3 })?;
/// net.add("R2", Primitive::Resistor { a: mid, b: Node::GROUND, ohms: 10e3 })?;
/// let open = vec![Edit::Set { element: r1, parameter: Parameter::Value, value: 1e9 }];
/// let bridge = vec![Edit::Bridge { a: mid, b: Node::GROUND, ohms: 1.0 }];
/// let results = sweep(&net, Options::default(), &[vec![], open, bridge], None)?;
/// assert!((results[0].as_ref().unwrap().volts(mid) - 4.5).abs() < 1e-6);
/// assert!(results[1].as_ref().unwrap().volts(mid) < 1e-3);
/// assert!(results[2].as_ref().unwrap().volts(mid) < 1e-3);
/// # Ok::<(), Box<dyn std::error::Error>>(())
/// ```
pub fn sweep(
    network: &Network,
    options: Options,
    sets: &[Vec<Edit>],
    hertz: Option<f64>,
) -> Result<Vec<Result<Faulted, SolveError>>, SolveError> {
    Ok(Sweep::new(network, options)?.run(sets, hertz))
}

/// A response's node voltages as a plain list by node index, ground first.
pub fn response_by_node(response: &Response) -> Vec<Complex64> {
    std::iter::once(Complex64::default()).chain(response.y.iter().copied()).collect()
}
