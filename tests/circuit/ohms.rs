//! Ohms with the power off: published parallel circuits, and junctions that conduct only for a meter that can turn them on.

use halfsplit::circuit::dc::Options;
use halfsplit::circuit::edit::Edit;
use halfsplit::circuit::network::{DiodeModel, Network, Node, Parameter, Place, Primitive};
use halfsplit::circuit::ohms::{LEADS_OHMS, Meter, PowerOff};
use halfsplit::circuit::tolerance::Varied;

use super::{data, netlist};

fn resistor(a: Node, b: Node, ohms: f64) -> Primitive {
    Primitive::Resistor { a, b, ohms }
}

/// Lessons In Electric Circuits, Vol. I: three resistors of 90, 45 and 180 ohm in parallel are 25.714 ohm; with the second open, 60 ohm.
#[test]
fn parallel_resistors_read_as_published_with_the_supply_out() {
    let mut net = Network::new();
    let a = net.node("a");
    net.add_at(
        "V1",
        Primitive::VoltageSource { plus: a, minus: Node::GROUND, dc: 9.0, ac: 0.0 },
        Place::Supply,
    )
    .unwrap();
    net.add("R1", resistor(a, Node::GROUND, 90.0)).unwrap();
    let r2 = net.add("R2", resistor(a, Node::GROUND, 45.0)).unwrap();
    net.add("R3", resistor(a, Node::GROUND, 180.0)).unwrap();
    net.add_at("RLOAD", resistor(a, Node::GROUND, 10.0), Place::Bench).unwrap();
    let mut off = PowerOff::new(&net, Options::default(), Meter::ordinary()).unwrap();
    let healthy = off.ohms(&[], a, Node::GROUND).unwrap();
    assert!((healthy.ohms - LEADS_OHMS - 25.714).abs() < 0.0005, "{healthy:?}");
    let open = off.ohms(&[Edit::Remove { element: r2 }], a, Node::GROUND).unwrap();
    assert!((open.ohms - LEADS_OHMS - 60.0).abs() < 0.0005, "{open:?}");
    let spread = off.spread(&[], a, Node::GROUND, &[Varied::value(r2, 0.1)]).unwrap();
    // R = 1/(g1+g2+g3), so dR/R2 = (R/R2)^2; uniform +-10 % has a standard deviation of R2 * 0.1/sqrt(3).
    let want = (25.714f64 / 45.0).powi(2) * 45.0 * 0.1 / 3f64.sqrt();
    assert!((spread.sd[0] - want).abs() < 1e-3 * want, "{spread:?}, not {want}");
}

fn with_diode() -> (Network, Node) {
    let mut net = Network::new();
    let a = net.node("a");
    net.add("R1", resistor(a, Node::GROUND, 100e3)).unwrap();
    let model = DiodeModel { is: 2.5e-9, ideality: 1.75, series_ohms: 0.6, breakdown: None };
    net.add("D1", Primitive::Diode { anode: a, cathode: Node::GROUND, model }).unwrap();
    net.add("C1", Primitive::Capacitor { a, b: net.find_node("a").unwrap(), farads: 1e-6 }).unwrap();
    (net, a)
}

/// Lessons In Electric Circuits, Vol. III, "Meter check of a diode": below 0.3 V the ohms range does not turn silicon on, so a resistor beside a
/// junction can be read in circuit; other meters turn it on in one direction.
#[test]
fn a_junction_hides_a_resistor_from_the_meter_that_turns_it_on() {
    let (net, a) = with_diode();
    let mut low = PowerOff::new(&net, Options::default(), Meter::low_voltage()).unwrap();
    let mut ordinary = PowerOff::new(&net, Options::default(), Meter::ordinary()).unwrap();
    let (forward, reverse) =
        (low.ohms(&[], a, Node::GROUND).unwrap(), low.ohms(&[], Node::GROUND, a).unwrap());
    assert!((forward.ohms / 100e3 - 1.0).abs() < 0.08, "{forward:?}");
    assert!((reverse.ohms / 100e3 - 1.0).abs() < 0.02, "{reverse:?}");
    let hidden = ordinary.ohms(&[], a, Node::GROUND).unwrap();
    assert!(hidden.ohms < 20e3 && hidden.test_volts < 0.7, "{hidden:?}");
    let seen = ordinary.ohms(&[], Node::GROUND, a).unwrap();
    assert!((seen.ohms / 100e3 - 1.0).abs() < 0.02, "{seen:?}");
}

#[test]
fn a_node_on_capacitors_only_reads_overload() {
    let mut net = Network::new();
    let (a, b) = (net.node("a"), net.node("b"));
    net.add("C1", Primitive::Capacitor { a, b, farads: 1e-6 }).unwrap();
    net.add("R1", resistor(b, Node::GROUND, 1e3)).unwrap();
    let mut off = PowerOff::new(&net, Options::default(), Meter::ordinary()).unwrap();
    assert!(off.ohms(&[], a, Node::GROUND).unwrap().is_overload());
    let leaky = off.ohms(&[Edit::Bridge { a, b, ohms: 10e3 }], a, Node::GROUND).unwrap();
    assert!((leaky.ohms - 11e3 - LEADS_OHMS).abs() < 0.1, "{leaky:?}");
}

/// On the reference board: what the netlist's resistors make of the easy nets, the 0.3 V meter being blind to junctions, and a
/// shorted rail that stands out from the healthy reading.
#[test]
fn the_reference_board_reads_its_resistors() {
    let net = netlist::read(&data("board.cir"));
    let mut off = PowerOff::new(&net, Options::default(), Meter::low_voltage()).unwrap();
    let node = |n: &str| net.find_node(n).unwrap();
    // R12 alone reaches the emitter (R13 ends in a capacitor); R21 reaches the source through nothing else.
    let emitter = off.ohms(&[], node("q1e"), Node::GROUND).unwrap();
    assert!((emitter.ohms / 2200.2 - 1.0).abs() < 1e-3, "{emitter:?}");
    let healthy = off.ohms(&[], node("vcc"), Node::GROUND).unwrap();
    let c1_short = [Edit::Bridge { a: node("vcc"), b: Node::GROUND, ohms: 1.0 }];
    let shorted = off.ohms(&c1_short, node("vcc"), Node::GROUND).unwrap();
    assert!(healthy.ohms > 1e3 && shorted.ohms < 1.5, "{healthy:?} {shorted:?}");
    // A gain or a supply voltage has no say with the power off.
    let gain =
        Edit::Set { element: net.find_element("VBAT").unwrap(), parameter: Parameter::Value, value: 3.0 };
    assert_eq!(off.ohms(&[gain], node("vcc"), Node::GROUND).unwrap(), healthy);
}
