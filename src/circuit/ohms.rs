//! Resistance between two nodes with the power off, as a meter reads it.
//!
//! The board is what is left of it without power: supply and bench gear are unplugged, capacitors have settled, and every source inside
//! a chip's model is dead (an unpowered amplifier drives nothing). Junctions stay, so whether they conduct is up to the meter's own test
//! voltage: [`Meter`] is a voltage behind a range resistor, and a meter of 0.3 V sees resistors only where one of 1 V or more sees
//! junctions too. A reading is therefore not symmetrical in its leads.
//!
//! Absent: charge left in capacitors, and the meter's accuracy.

use super::dc::{Options, SolveError};
use super::edit::Edit;
use super::network::{ElementId, Law, Network, Node, Parameter, Place, Primitive};
use super::sweep::Sweep;
use super::tolerance::{Reading, Spread, Varied};

/// Resistance of the meter's two leads together, ohms (common practice, no source).
pub const LEADS_OHMS: f64 = 0.2;

/// An ohmmeter: `open_volts` behind a resistor that is `source` times the full scale of the range in use: at 1, half of the voltage is
/// across a part that reads full scale.
#[derive(Debug, Clone, PartialEq)]
pub struct Meter {
    /// Voltage between the leads when they touch nothing, > 0, volts.
    pub open_volts: f64,
    /// Resistance of the source as a share of full scale, > 0.
    pub source: f64,
    /// Full scale of each range, ascending, ohms.
    pub ranges: Vec<f64>,
}

/// Full scales of a usual digital meter, ohms (common practice, no source).
const USUAL_RANGES: [f64; 6] = [200.0, 2e3, 20e3, 200e3, 2e6, 20e6];

impl Meter {
    /// A meter whose ohms ranges stay below 0.3 V, which does not turn silicon junctions on (Lessons In Electric Circuits, Vol. III, "Meter
    /// check of a diode"). Range resistors: common practice, no source.
    pub fn low_voltage() -> Meter {
        Meter { open_volts: 0.3, source: 1.0, ranges: USUAL_RANGES.to_vec() }
    }

    /// A meter that turns single junctions on, like many cheap ones: 1.5 V between open leads (common practice, no source).
    pub fn ordinary() -> Meter {
        Meter { open_volts: 1.5, source: 1.0, ranges: USUAL_RANGES.to_vec() }
    }

    /// The strongest of the meters that are meant to leave junctions alone: most of 0.45 V is across the part, and a silicon junction
    /// begins to carry microamps (common practice, no source).
    pub fn firm() -> Meter {
        Meter { open_volts: 0.45, source: 0.02, ranges: USUAL_RANGES.to_vec() }
    }
}

/// What the meter shows.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Ohms {
    /// The reading, ohms; infinite for overload (`OL`).
    pub ohms: f64,
    /// Full scale of the range it was taken in, ohms.
    pub range: f64,
    /// Voltage across the leads during the reading, volts.
    pub test_volts: f64,
}

impl Ohms {
    /// Whether the meter shows overload.
    pub fn is_overload(self) -> bool {
        self.ohms.is_infinite()
    }
}

/// A board with the power off, ready for ohms readings with any faults in.
///
/// ```
/// use halfsplit::circuit::dc::Options;
/// use halfsplit::circuit::network::{Network, Node, Place, Primitive};
/// use halfsplit::circuit::ohms::{Meter, PowerOff};
///
/// let mut net = Network::new();
/// let (top, mid) = (net.node("TOP"), net.node("MID"));
/// net.add_at("V1", Primitive::VoltageSource { plus: top, minus: Node::GROUND, dc: 9.0, ac: 0.0 }, Place::Supply)?;
/// net.add("R1", Primitive::Resistor { a: top, b: mid, ohms: 10e3 })?;
/// net.add("R2", Primitive::Resistor { a: mid, b: Node::GROUND, ohms: 4.7e3 })?;
/// let mut off = PowerOff::new(&net, Options::default(), Meter::ordinary())?;
/// assert!((off.ohms(&[], mid, Node::GROUND)?.ohms - 4.7e3).abs() < 1.0);
/// assert!((off.ohms(&[], top, Node::GROUND)?.ohms - 14.7e3).abs() < 1.0);
/// # Ok::<(), Box<dyn std::error::Error>>(())
/// ```
#[derive(Debug, Clone)]
pub struct PowerOff {
    sweep: Sweep,
    meter: Meter,
    dead: Vec<bool>,
    red: Node,
    black: Node,
    range_resistor: ElementId,
}

impl PowerOff {
    /// Takes the power off a network and sets the meter up.
    ///
    /// # Errors
    /// A meter without ranges or voltage, or a network that cannot be solved without its sources.
    pub fn new(network: &Network, options: Options, meter: Meter) -> Result<PowerOff, SolveError> {
        let (mut off, dead) = without_power(network)?;
        let (source, red, black) = (off.node("meter#source"), off.node("meter#red"), off.node("meter#black"));
        off.add(
            "meter#volts",
            Primitive::VoltageSource { plus: source, minus: black, dc: meter.open_volts, ac: 0.0 },
        )?;
        let range = meter.ranges.first().copied().unwrap_or(0.0);
        let range_resistor =
            off.add("meter#range", Primitive::Resistor { a: source, b: red, ohms: range })?;
        let sweep = Sweep::new(&off, options)?;
        Ok(PowerOff { sweep, meter, dead, red, black, range_resistor })
    }

    /// Reads the resistance between two nodes, red lead on `plus`, with these edits made.
    ///
    /// The range is the lowest that the reading fits, as an autoranging meter ends up in.
    ///
    /// # Errors
    /// As for [`Sweep::solve`].
    pub fn ohms(&mut self, edits: &[Edit], plus: Node, minus: Node) -> Result<Ohms, SolveError> {
        let mut last = Ohms { ohms: f64::INFINITY, range: 0.0, test_volts: self.meter.open_volts };
        for range in self.meter.ranges.clone() {
            let source = range * self.meter.source;
            let edits = self.with_meter(edits, plus, minus, source);
            let point = self.sweep.solve(&edits, None)?;
            let test_volts = point.volts(self.red) - point.volts(self.black);
            let ohms = source * test_volts / (self.meter.open_volts - test_volts);
            if ohms <= range && ohms.is_finite() {
                return Ok(Ohms { ohms, range, test_volts });
            }
            last = Ohms { ohms: f64::INFINITY, range, test_volts };
        }
        Ok(last)
    }

    /// A reading with its linearised spread: mean and standard deviation in ohms (infinite mean and no spread at overload), and loadings as
    /// in [`Spread`].
    ///
    /// # Errors
    /// As for [`Sweep::spread`].
    pub fn spread(
        &mut self,
        edits: &[Edit],
        plus: Node,
        minus: Node,
        varied: &[Varied],
    ) -> Result<Spread, SolveError> {
        let reading = self.ohms(edits, plus, minus)?;
        let source = reading.range * self.meter.source;
        let edits = self.with_meter(edits, plus, minus, source);
        let volts = Reading::Volts { plus: self.red, minus: self.black, meter_ohms: None };
        let mut spread = self.sweep.spread(&edits, None, &[volts], varied)?;
        // ohms = source v / (open - v), so its slope with v is source * open / (open - v)^2.
        let slope = if reading.is_overload() {
            0.0
        } else {
            source * self.meter.open_volts / (self.meter.open_volts - reading.test_volts).powi(2)
        };
        spread.mean.iter_mut().for_each(|m| *m = reading.ohms);
        spread.sd.iter_mut().chain(spread.loadings.iter_mut()).for_each(|l| *l *= slope);
        Ok(spread)
    }

    /// The fault's edits, less those that set values of dead sources, and the meter's leads put on.
    fn with_meter(&self, edits: &[Edit], plus: Node, minus: Node, source: f64) -> Vec<Edit> {
        let is_dead = |id: &ElementId| self.dead.get(id.index()).copied().unwrap_or(false);
        let lead = |a: Node, b: Node| Edit::Bridge { a, b, ohms: 0.5 * LEADS_OHMS };
        let live = edits.iter().filter(|e| !matches!(e, Edit::Set { element, .. } if is_dead(element)));
        let set = Edit::Set { element: self.range_resistor, parameter: Parameter::Value, value: source };
        live.cloned().chain([lead(self.red, plus), lead(self.black, minus), set]).collect()
    }
}

/// The network with its power off, and which elements went dead. Ids and terminals stay as they were.
fn without_power(network: &Network) -> Result<(Network, Vec<bool>), SolveError> {
    let mut off = network.clone();
    let mut dead = Vec::with_capacity(network.element_count());
    for (id, element) in network.elements() {
        let [a, b] = match element.primitive.terminals().get(..2) {
            Some(&[a, b]) => [a, b],
            _ => [Node::GROUND; 2],
        };
        let open = Primitive::CurrentSource { from: a, to: b, dc: 0.0, ac: 0.0 };
        let quiet = match &element.primitive {
            Primitive::VoltageSource { .. } | Primitive::CurrentSource { .. } => Some(open),
            Primitive::ControlledVoltage { law, .. } | Primitive::ControlledCurrent { law, .. } => {
                Some(Primitive::ControlledCurrent { from: a, to: b, law: silent(law) })
            }
            _ if element.place != Place::Board => Some(Primitive::Capacitor { a, b, farads: 0.0 }),
            _ => None,
        };
        dead.push(quiet.is_some());
        if let Some(quiet) = quiet {
            off.element_mut(id)?.primitive = quiet;
        }
    }
    Ok((off, dead))
}

/// A law with the same terminals and nothing to say.
fn silent(law: &Law) -> Law {
    let mut law = law.clone();
    let corners = std::mem::take(&mut law.ramps).into_iter().flat_map(|r| r.controls);
    law.controls.extend(corners);
    law.controls.iter_mut().for_each(|c| c.gain = 0.0);
    law.offset = 0.0;
    law
}
