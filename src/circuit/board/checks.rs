//! What is wrong with a board's drawing, before anything is solved.

use super::Part;
use super::resolve::{Notes, Resolved};
use super::written::BoardFile;
use crate::circuit::network::{Network, Node, Place, Primitive};
use crate::text::{At, Span, or_nearest};
use std::collections::{BTreeMap, BTreeSet};

/// Above this a resistor is no path that would hold an input's voltage, ohms.
const PATH_OHMS: f64 = 1e8;
/// Below this a path between the ends of a supply is a short, ohms.
const SHORT_OHMS: f64 = 1.0;

/// Checks that need only the nets as written.
pub(super) fn of_file(file: &BoardFile, parts: &[Resolved<'_>], notes: &mut Notes) {
    if file.supply.is_empty() {
        notes.say(
            "no-supply",
            file.board.span,
            "the board has no supply".into(),
            "add a line under 'supply'",
        );
    }
    let mut uses: BTreeMap<&str, (usize, Span, &str)> = BTreeMap::new();
    let pinned = parts.iter().flat_map(|r| r.nets.iter().flatten().map(move |n| (n, r.id.as_str())));
    let ends = file.signal.iter().flat_map(|s| [&s.r#in, &s.out]).map(|n| (n, "signal"));
    for (net, by) in pinned.chain(ends) {
        uses.entry(&net.value).or_insert((0, net.span, by)).0 += 1;
        bad_name(net, notes);
    }
    let known: Vec<&str> = uses.iter().filter(|(_, u)| u.0 > 1).map(|(n, _)| *n).collect();
    for (net, (count, span, by)) in &uses {
        if *count == 1 && *net != file.ground.value && !at_optional_pin(net, parts) {
            let near = or_nearest(net, known.iter().copied());
            let help = format!("{near}; where a pin is left free, write nc for its net");
            notes.say("lone-net", *span, format!("net '{net}' has one connection only, at {by}"), help);
        }
    }
    if !uses.contains_key(file.ground.value.as_str()) {
        let help = or_nearest(&file.ground.value, known.iter().copied());
        notes.say(
            "no-ground",
            file.ground.span,
            format!("nothing is connected to ground '{}'", file.ground.value),
            help,
        );
    }
    let named = file.neighbours.iter().flatten().chain(&file.path);
    for net in named.filter(|n| !uses.contains_key(n.value.as_str())) {
        let help = or_nearest(&net.value, uses.keys().copied());
        notes.say("unknown-name", net.span, format!("there is no net '{}'", net.value), help);
    }
    for r in parts.iter().filter(|r| r.nets.len() > 1) {
        let mut nets = r.nets.iter().flatten().map(|n| n.value.as_str());
        let Some(first) = nets.next() else { continue };
        if r.nets.iter().all(Option::is_some) && nets.all(|n| n == first) {
            let code = if r.supply { "supply-short" } else { "both-ends" };
            notes.say(code, r.span, format!("every end of '{}' is on net '{first}'", r.id), "check its nets");
        }
    }
}

/// A pin that may be left open may also have a net of its own, to be measured at.
fn at_optional_pin(net: &str, parts: &[Resolved<'_>]) -> bool {
    parts.iter().any(|r| {
        let optional = |pin: &str| match r.device {
            Some((_, d)) => d.optional.iter().any(|o| o.value == pin),
            None => !r.kind.positions.0.is_empty(),
        };
        let mut on = r.recipe.pins.iter().zip(&r.nets);
        on.any(|(pin, n)| n.as_ref().is_some_and(|n| n.value == net) && optional(pin))
    })
}

fn bad_name(net: &At<String>, notes: &mut Notes) {
    let fit = net.value.chars().all(|c| c.is_alphanumeric() || "+-_/".contains(c))
        && (1..=24).contains(&net.value.len());
    if !fit {
        let help = "use letters, digits, +, - and _, 24 at most";
        notes.say("bad-name", net.span, format!("'{}' can't be the name of a net", net.value), help);
    }
}

/// Checks that need the network.
pub(super) fn of_network(resolved: &[Resolved<'_>], parts: &[Part], network: &Network, notes: &mut Notes) {
    let direct = Joined::of(network, |p, place| place == Place::Supply || conducts(p));
    let any = Joined::of(network, |_, _| true);
    let hard = Joined::of(network, |p, place| place == Place::Board && is_short(p));
    fights(resolved, parts, &hard, notes);
    for (r, part) in resolved.iter().zip(parts) {
        floating(r, part, &direct, notes);
        let away = part.pins.iter().filter(|p| p.net.is_some()).all(|p| !any.same(p.node, Node::GROUND));
        if away {
            notes.say("island", r.span, format!("'{}' has no path to ground", r.id), "check its nets");
        }
        let ends: Vec<Node> = part.pins.iter().map(|p| p.node).collect();
        if let (true, [plus, minus]) = (r.supply, ends.as_slice())
            && hard.same(*plus, *minus)
        {
            let help = "some link, switch or coil joins its ends";
            notes.say(
                "supply-short",
                r.span,
                format!("the supply '{}' is shorted in the drawing", r.id),
                help,
            );
        }
    }
}

/// Supplies of different volts on the same two nets.
fn fights(resolved: &[Resolved<'_>], parts: &[Part], hard: &Joined, notes: &mut Notes) {
    let supplies: Vec<(&Resolved<'_>, &Part)> =
        resolved.iter().zip(parts).filter(|(r, _)| r.supply).collect();
    let volts = |r: &Resolved<'_>| r.recipe.parameters.get("volts").copied().unwrap_or(0.0);
    // Supplies on the same two nets only, whichever way round: a long list is no quadratic one.
    let mut on: BTreeMap<(usize, usize), Vec<usize>> = BTreeMap::new();
    for (i, (_, part)) in supplies.iter().enumerate() {
        if let [p, q, ..] = part.pins.as_slice() {
            let (p, q) = (hard.root(p.node.index()), hard.root(q.node.index()));
            on.entry((p.min(q), p.max(q))).or_default().push(i);
        }
    }
    for group in on.values() {
        // The first of them is what the others are held against.
        let Some(((a, at), others)) = group.split_first().map(|(i, rest)| (&supplies[*i], rest)) else {
            continue;
        };
        for i in others {
            let (b, bt) = &supplies[*i];
            let same = |x: usize, y: usize| hard.same(at.pins[x].node, bt.pins[y].node);
            let alike = same(0, 0) && same(1, 1) && (volts(a) - volts(b)).abs() < 0.05 * volts(a);
            if !alike {
                let message = format!("the supplies '{}' and '{}' work against each other", a.id, b.id);
                let help = "they are on the same two nets with different volts; give each nets of its own";
                notes.say("supply-fight", b.span, message, help);
            }
        }
    }
}

fn floating(r: &Resolved<'_>, part: &Part, direct: &Joined, notes: &mut Notes) {
    let inputs: Vec<&str> = match r.device {
        Some((_, d)) => d.inputs.iter().map(|p| p.value.as_str()).collect(),
        None => r.kind.inputs.iter().map(|p| p.value.as_str()).collect(),
    };
    for pin in part.pins.iter().filter(|p| inputs.contains(&p.name.as_str())) {
        let Some(net) = &pin.net else { continue };
        if !direct.same(pin.node, Node::GROUND) {
            let message = format!(
                "input {} of '{}' floats: net '{net}' has no direct path to anything",
                pin.name, r.id
            );
            notes.say("floating-input", r.span, message, "a resistor to a bias or to ground is missing");
        }
    }
}

/// Whether direct current can pass between the first two terminals without the part's own input being driven.
fn conducts(p: &Primitive) -> bool {
    match p {
        // A bias current needs a path; it is none.
        Primitive::Capacitor { .. } | Primitive::CurrentSource { .. } => false,
        Primitive::Resistor { ohms, .. } => *ohms < PATH_OHMS,
        _ => true,
    }
}

fn is_short(p: &Primitive) -> bool {
    match p {
        Primitive::Resistor { ohms, .. } => *ohms < SHORT_OHMS,
        Primitive::Inductor { .. } => true,
        _ => false,
    }
}

/// Nodes that hang together.
struct Joined {
    group: Vec<usize>,
}

impl Joined {
    fn of(network: &Network, takes: impl Fn(&Primitive, Place) -> bool) -> Self {
        let mut joined = Self { group: (0..network.node_count()).collect() };
        for (_, element) in network.elements().filter(|(_, e)| takes(&e.primitive, e.place)) {
            // A chip's output stage is part of the board for this purpose, a tone source is not.
            if element.name.starts_with("tone.") || element.name.starts_with("load.") {
                continue;
            }
            for (a, b) in paths(&element.primitive) {
                joined.join(a.index(), b.index());
            }
        }
        joined
    }

    fn root(&self, mut i: usize) -> usize {
        while self.group[i] != i {
            i = self.group[i];
        }
        i
    }

    fn join(&mut self, a: usize, b: usize) {
        let (a, b) = (self.root(a), self.root(b));
        self.group[a.max(b)] = a.min(b);
    }

    fn same(&self, a: Node, b: Node) -> bool {
        self.root(a.index()) == self.root(b.index())
    }
}

/// Pairs of terminals that current flows between.
fn paths(p: &Primitive) -> BTreeSet<(Node, Node)> {
    let pairs = match p {
        Primitive::Bjt { collector, emitter, .. } => vec![(*collector, *emitter)],
        Primitive::Jfet { drain, source, .. } | Primitive::Mosfet { drain, source, .. } => {
            vec![(*drain, *source)]
        }
        Primitive::ControlledCurrent { .. } => Vec::new(),
        other => {
            let t = other.terminals();
            t.first().zip(t.get(1)).map(|(a, b)| (*a, *b)).into_iter().collect()
        }
    };
    pairs.into_iter().collect()
}
