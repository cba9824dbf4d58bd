//! A network written as a SPICE deck, one line an element: what `tests/games.rs` hands to the reference simulator.
//!
//! Node n of the network is `n<index>`, ground is 0; element e is `<letter>e<index>`. Capacitors of 0 F (parts taken out) are left out.

use halfsplit::circuit::network::{Control, DiodeModel, ElementId, Law, Network, Node, Polarity, Primitive};

/// A node's name in the deck.
pub fn node(node: Node) -> String {
    if node.is_ground() { "0".into() } else { format!("n{}", node.index()) }
}

/// A voltage source's name in the deck.
pub fn source(element: ElementId) -> String {
    format!("ve{}", element.index())
}

/// The deck's element and model lines.
pub fn lines(network: &Network) -> String {
    network.elements().map(|(id, element)| line(id, &element.primitive)).collect()
}

fn line(id: ElementId, primitive: &Primitive) -> String {
    let e = format!("e{}", id.index());
    match primitive {
        Primitive::Resistor { a, b, ohms } => format!("r{e} {} {} {ohms:e}\n", node(*a), node(*b)),
        Primitive::Capacitor { farads: 0.0, .. } => String::new(),
        Primitive::Capacitor { a, b, farads } => format!("c{e} {} {} {farads:e}\n", node(*a), node(*b)),
        Primitive::Inductor { a, b, henries } => format!("l{e} {} {} {henries:e}\n", node(*a), node(*b)),
        Primitive::VoltageSource { plus, minus, dc, ac } => {
            format!("{} {} {} dc {dc:e} ac {ac:e}\n", source(id), node(*plus), node(*minus))
        }
        Primitive::CurrentSource { from, to, dc, ac } => {
            format!("i{e} {} {} dc {dc:e} ac {ac:e}\n", node(*from), node(*to))
        }
        Primitive::ControlledVoltage { plus, minus, law: l } => {
            format!("b{e} {} {} v={}\n", node(*plus), node(*minus), law(l))
        }
        Primitive::ControlledCurrent { from, to, law: l } => {
            format!("b{e} {} {} i={}\n", node(*from), node(*to), law(l))
        }
        Primitive::Diode { anode, cathode, model } => {
            format!("d{e} {} {} m{e}\n.model m{e} d({})\n", node(*anode), node(*cathode), diode(model))
        }
        Primitive::Bjt { collector, base, emitter, polarity, model } => {
            let early = if model.vaf.is_finite() { format!(" vaf={:e}", model.vaf) } else { String::new() };
            format!(
                "q{e} {} {} {} m{e}\n.model m{e} {}(is={:e} bf={:e} br={:e}{early})\n",
                node(*collector),
                node(*base),
                node(*emitter),
                of(*polarity, "npn", "pnp"),
                model.is,
                model.bf,
                model.br
            )
        }
        Primitive::Jfet { drain, gate, source, polarity, model } => format!(
            "j{e} {} {} {} m{e}\n.model m{e} {}(vto={:e} beta={:e} lambda={:e} is={:e})\n",
            node(*drain),
            node(*gate),
            node(*source),
            of(*polarity, "njf", "pjf"),
            model.vto,
            model.beta,
            model.lambda,
            model.is
        ),
        // The simulator gives a threshold the sign of the device; its own body junctions are made to carry nothing, as the board's parts
        // bring their body diode along.
        Primitive::Mosfet { drain, gate, source, polarity, model } => format!(
            "m{e} {} {} {} {} m{e}\n.model m{e} {}(level=1 vto={:e} kp={:e} lambda={:e} is=1e-30)\n",
            node(*drain),
            node(*gate),
            node(*source),
            node(*source),
            of(*polarity, "nmos", "pmos"),
            polarity.sign() * model.vto,
            model.kp,
            model.lambda
        ),
    }
}

fn of(polarity: Polarity, n: &'static str, p: &'static str) -> &'static str {
    match polarity {
        Polarity::N => n,
        Polarity::P => p,
    }
}

fn diode(model: &DiodeModel) -> String {
    let forward = format!("is={:e} n={:e} rs={:e}", model.is, model.ideality, model.series_ohms);
    match model.breakdown {
        Some(b) => format!("{forward} bv={:e} ibv={:e} nbv={:e}", b.volts, b.amps, b.ideality),
        None => forward,
    }
}

/// `offset + controls + scale * softpos(...)` of a controlled source.
fn law(law: &Law) -> String {
    let mut out = sum(law.offset, &law.controls);
    for ramp in &law.ramps {
        let x = sum(ramp.offset, &ramp.controls);
        out += &format!("+({:e})*0.5*(({x})+sqrt(({x})*({x})+{:e}))", ramp.scale, ramp.roundness);
    }
    out
}

fn sum(offset: f64, controls: &[Control]) -> String {
    let mut out = format!("({offset:e})");
    for c in controls {
        for (at, gain) in [(c.plus, c.gain), (c.minus, -c.gain)] {
            if !at.is_ground() {
                out += &format!("+({gain:e})*v({})", node(at));
            }
        }
    }
    out
}
