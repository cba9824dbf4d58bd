//! The board file.

use super::fit::{Fitted, FittedPart};
use super::guess::{Plan, TONE};
use crate::circuit::board::Board;
use crate::circuit::dc::{Options, Solver};
use crate::rules::parts::Library;
use crate::text::{Source, flow_map, flow_scalar, inline};
use crate::units::notation;
use std::collections::BTreeMap;
use std::fmt::Write;

/// Volts between a capacitor's ends that tell its direction.
const DIRECTION: f64 = 0.1;
/// Up to here a capacitor without a voltage across it is taken as one without direction, farads.
const UNDIRECTED: f64 = 4.8e-6;

/// The text of a board file, and what was worked out on the way: roles from the circuit, and the direction of capacitors drawn without
/// one from the healthy voltages. The text is a board file also where something is missing in it; reading it says what.
pub fn board_text(fitted: &Fitted, plan: &Plan, library: &Library) -> (String, Vec<String>) {
    let mut parts = fitted.parts.clone();
    let mut told = leads_nowhere(&mut parts, plan);
    let load = |parts: &[FittedPart]| {
        let text = text(fitted, parts, plan, false);
        Board::load(&Source::new("board", text), library).ok()
    };
    if let Some(board) = load(&parts) {
        told.extend(directions(&mut parts, &board));
        if let Some(board) = load(&parts) {
            told.extend(roles(&mut parts, &board));
        }
    }
    (text(fitted, &parts, plan, true), told)
}

/// Takes out parts with an end that leads nowhere else: what hung there was not in the drawing.
fn leads_nowhere(parts: &mut Vec<FittedPart>, plan: &Plan) -> Vec<String> {
    let mut told = Vec::new();
    let fixed: Vec<&str> = [&plan.ground, &plan.input, &plan.output]
        .into_iter()
        .flatten()
        .map(|p| p.net.as_str())
        .chain(plan.supplies.iter().flat_map(|s| [s.plus.as_str(), s.minus.as_str()]))
        .collect();
    loop {
        let mut count: BTreeMap<String, usize> = BTreeMap::new();
        for (_, net) in parts.iter().flat_map(|p| &p.nets) {
            *count.entry(net.clone()).or_default() += 1;
        }
        let lone = |p: &FittedPart| {
            let net = p.nets.iter().map(|(_, n)| n).find(|n| count[*n] == 1 && !fixed.contains(&n.as_str()));
            net.filter(|_| p.device.is_none() && p.nets.len() == 2).cloned()
        };
        let Some((at, net)) = parts.iter().enumerate().find_map(|(i, p)| Some((i, lone(p)?))) else {
            return told;
        };
        told.push(format!(
            "{} is left out: its end at {net} leads to nothing else in the drawing",
            parts[at].id
        ));
        parts.remove(at);
    }
}

fn directions(parts: &mut [FittedPart], board: &Board) -> Vec<String> {
    let mut told = Vec::new();
    let point = Solver::new(board.network(), Options::default()).ok().and_then(|s| s.operating_point().ok());
    let Some(point) = point else { return told };
    let volts = |net: &str| board.node(net).map(|n| point.volts(n));
    for part in parts.iter_mut().filter(|p| p.guessed_polar) {
        let [(_, a), (_, b)] = &part.nets[..] else { continue };
        let (Some(va), Some(vb)) = (volts(a), volts(b)) else { continue };
        let farads = part.value.as_deref().and_then(|v| notation::farads_value(v).ok()).map_or(0.0, |c| c.0);
        if (va - vb).abs() < DIRECTION && farads < UNDIRECTED {
            part.kind = Some("film".into());
            part.nets = vec![("1".into(), a.clone()), ("2".into(), b.clone())];
            told.push(format!("{} has no direct voltage across it; taken as a film capacitor", part.id));
        } else {
            let (plus, minus) = if va >= vb { (a.clone(), b.clone()) } else { (b.clone(), a.clone()) };
            told.push(match (va - vb).abs() < DIRECTION {
                true => format!(
                    "{} is taken as an electrolytic, plus at {plus}: nothing tells its direction",
                    part.id
                ),
                false => format!(
                    "{} is taken as an electrolytic, plus at {plus}, which is the higher end",
                    part.id
                ),
            });
            part.nets = vec![("plus".into(), plus), ("minus".into(), minus)];
        }
    }
    told
}

fn roles(parts: &mut [FittedPart], board: &Board) -> Vec<String> {
    let mut told = Vec::new();
    for part in parts.iter_mut() {
        let Some(found) = board.parts().iter().find(|p| p.id == part.id) else { continue };
        if part.role.is_none() {
            part.role.clone_from(&found.role);
        }
        // Small capacitors straight across a rail are ceramic.
        if part.guessed_kind
            && part.role.as_deref() == Some("rail-decoupling")
            && part.kind.as_deref() == Some("film")
        {
            part.kind = Some("ceramic".into());
            told.push(format!("{} is taken as ceramic: it lies across a rail", part.id));
        }
    }
    told
}

fn text(fitted: &Fitted, parts: &[FittedPart], plan: &Plan, remarks: bool) -> String {
    let mut out = String::new();
    let _ = writeln!(out, "board: {}", inline(&plan.name));
    if !plan.says.is_empty() {
        let _ = writeln!(out, "says: {}", inline(&plan.says));
    }
    let _ = writeln!(out, "build: {}", plan.build.map_or("pcb", |b| b.name()));
    let why =
        |sure: bool, why: &str| if sure || !remarks { String::new() } else { format!("   # guessed: {why}") };
    if let Some(ground) = &plan.ground {
        let _ = writeln!(out, "ground: {}{}", inline(&ground.net), why(ground.sure, &ground.why));
    }
    out.push_str("supply:");
    if plan.supplies.is_empty() {
        out.push_str(" []");
    }
    out.push('\n');
    for s in &plan.supplies {
        let mut entries = vec![
            ("name", flow_scalar(&s.name)),
            ("plus", flow_scalar(&s.plus)),
            ("minus", flow_scalar(&s.minus)),
            ("volts", flow_scalar(&s.volts)),
            ("source", flow_scalar(&s.source)),
        ];
        entries.extend(s.inner.as_ref().map(|r| ("inner", flow_scalar(r))));
        let line = flow_map(entries);
        let _ = writeln!(out, "  - {line}{}", why(s.sure, &s.why));
    }
    if let (Some(input), Some(output)) = (&plan.input, &plan.output) {
        let (freq, level) = plan.tone.clone().unwrap_or((TONE.0.into(), TONE.1.into()));
        let tone = flow_map([("freq", flow_scalar(&freq)), ("level", flow_scalar(&level))]);
        let mut entries =
            vec![("in", flow_scalar(&input.net)), ("out", flow_scalar(&output.net)), ("tone", tone)];
        let plain = |k: &str, v: &str| if k == "direct" { v.to_owned() } else { flow_scalar(v) };
        entries.extend(plan.ends.iter().map(|(k, v)| (*k, plain(k, v))));
        let line = flow_map(entries);
        let mut said = Vec::new();
        for (word, pick) in [("in", input), ("out", output)] {
            if !pick.sure {
                said.push(format!("{word} {}", pick.why));
            }
        }
        let _ = writeln!(out, "signal: {line}{}", why(said.is_empty(), &said.join("; ")));
    }
    if !plan.path.is_empty() {
        let nets: Vec<String> = plan.path.iter().map(|n| flow_scalar(n)).collect();
        let _ = writeln!(out, "path: [{}]", nets.join(", "));
    }
    out.push_str("parts:\n");
    for part in parts {
        let _ = write!(out, "  {}: {}", flow_scalar(&part.id), part_map(part));
        if remarks && !part.remarks.is_empty() {
            let _ = write!(out, "   # {}", part.remarks.join("; ").replace(['\n', '\r'], " "));
        }
        out.push('\n');
    }
    if parts.is_empty() {
        out.truncate(out.len() - 1);
        out.push_str(" {}\n");
    }
    if !plan.neighbours.is_empty() {
        let pairs: Vec<String> = plan
            .neighbours
            .iter()
            .map(|[a, b]| format!("[{}, {}]", flow_scalar(a), flow_scalar(b)))
            .collect();
        let _ = writeln!(out, "neighbours: [{}]", pairs.join(", "));
    }
    if !plan.notes.is_empty() {
        let notes: Vec<String> = plan.notes.iter().map(|n| flow_scalar(n)).collect();
        let _ = writeln!(out, "notes: [{}]", notes.join(", "));
    }
    if remarks {
        for (id, why) in &fitted.left_out {
            let _ = writeln!(out, "# {id} is not here: {}", why.replace(['\n', '\r'], " "));
        }
    }
    out
}

/// `{kind: resistor, value: 4k7, nets: [A, B]}`.
fn part_map(part: &FittedPart) -> String {
    let mut entries: Vec<(&str, String)> = Vec::new();
    let mut put = |key: &'static str, value: &Option<String>| {
        entries.extend(value.as_ref().map(|v| (key, flow_scalar(v))));
    };
    put("kind", &part.kind);
    put("device", &part.device);
    put("value", &part.value);
    put("tolerance", &part.tolerance);
    put("taper", &part.taper);
    let names: Vec<&str> = part.nets.iter().map(|(p, _)| p.as_str()).collect();
    let plain = part.device.is_none() && names == ["1", "2"] && part.kind.as_deref() != Some("toggle");
    let nets = match plain {
        true => format!("[{}]", part.nets.iter().map(|(_, n)| flow_scalar(n)).collect::<Vec<_>>().join(", ")),
        false => flow_map(part.nets.iter().map(|(p, n)| (p.as_str(), flow_scalar(n)))),
    };
    entries.push(("nets", nets));
    let share = |t: &String| t.strip_suffix('%').is_some_and(|n| n.parse::<f64>().is_ok());
    entries.extend(part.turn.as_ref().map(|t| ("turn", if share(t) { t.clone() } else { flow_scalar(t) })));
    let mut put = |key: &'static str, value: &Option<String>| {
        entries.extend(value.as_ref().map(|v| (key, flow_scalar(v))));
    };
    put("position", &part.position);
    put("role", &part.role);
    if !part.with.is_empty() {
        entries.push(("with", flow_map(part.with.iter().map(|(k, v)| (k.as_str(), v.clone())))));
    }
    flow_map(entries)
}
