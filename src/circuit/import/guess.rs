//! What no netlist says: ground, supply, the signal's ends. Each guess with its reason and the other candidates.

use super::drawing::Drawing;
use super::fit::{Fitted, FittedPart};
use crate::rules::Build;
use crate::rules::parts::Library;
use crate::units::{Ohms, notation, show};
use std::collections::BTreeMap;

/// A net picked, and why.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Pick {
    /// The net.
    pub net: String,
    /// What it was picked by, a clause.
    pub why: String,
    /// Other nets that it might be.
    pub others: Vec<String>,
    /// Whether the file itself says so, so that nobody need be asked.
    pub sure: bool,
}

/// A supply.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct SupplyPlan {
    /// Its name, as in `amps:NAME`.
    pub name: String,
    /// Net of its positive end.
    pub plus: String,
    /// Net of its negative end.
    pub minus: String,
    /// Volts, such as `9V`.
    pub volts: String,
    /// `battery`, `adaptor` or `bench`.
    pub source: String,
    /// Inner resistance, where it is not the usual one.
    pub inner: Option<String>,
    /// What it was picked by.
    pub why: String,
    /// Whether the file itself says so.
    pub sure: bool,
}

/// What a board file needs beside its parts.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Plan {
    /// Name of the unit.
    pub name: String,
    /// What it does, in a line; may be empty.
    pub says: String,
    /// How it is built.
    pub build: Option<Build>,
    /// Ground.
    pub ground: Option<Pick>,
    /// Supplies.
    pub supplies: Vec<SupplyPlan>,
    /// Where the sound goes in.
    pub input: Option<Pick>,
    /// Where it comes out.
    pub output: Option<Pick>,
    /// Frequency and level of the tone, where the file gives them.
    pub tone: Option<(String, String)>,
    /// Inner resistance of the tone's source, the load, and whether the source passes direct current, where the file says.
    pub ends: Vec<(&'static str, String)>,
    /// Pairs of nets side by side.
    pub neighbours: Vec<[String; 2]>,
    /// Nets in the order a bench person goes along, where the file gives one.
    pub path: Vec<String>,
    /// What a bench person should know.
    pub notes: Vec<String>,
}

/// Frequency and level of the tone where nothing says otherwise.
pub(super) const TONE: (&str, &str) = ("1kHz", "50mV");

impl Plan {
    /// Guesses what the drawing does not say.
    pub fn of(drawing: &Drawing, fitted: &Fitted, library: &Library) -> Self {
        let given = |key: &str| drawing.given.get(key).cloned();
        let uses = Uses::of(fitted, library);
        let mut plan = Self {
            name: given("name")
                .or_else(|| Some(drawing.title.clone()).filter(|t| !t.is_empty()))
                .unwrap_or_default(),
            says: given("says").unwrap_or_default(),
            build: given("build").and_then(|b| Build::ALL.iter().copied().find(|x| x.name() == b)),
            ..Self::default()
        };
        // A long title is a name and a remark on it.
        let cut = plan.name.find([':', ',', '(', ';']).filter(|at| plan.name.len() > 40 && *at >= 3);
        if let Some(at) = cut.filter(|_| given("name").is_none()) {
            let says = plan.name[at..]
                .trim_start_matches([':', ',', '(', ';', ' '])
                .trim_end_matches(')')
                .to_owned();
            plan.name.truncate(at);
            if plan.says.is_empty() {
                plan.says = says;
            }
        }
        plan.name =
            plan.name.chars().filter(|c| !c.is_control()).take(60).collect::<String>().trim().to_owned();
        if plan.name.is_empty() {
            let file = drawing.file.name.rsplit(['/', '\\']).next().unwrap_or("board");
            plan.name = file.split('.').next().unwrap_or("board").to_owned();
        }
        plan.ground = plan.find_ground(drawing, fitted, &uses);
        let ground = plan.ground.as_ref().map(|g| g.net.clone()).unwrap_or_default();
        plan.supplies = supplies(drawing, fitted, &uses, &ground);
        let rails: Vec<String> =
            plan.supplies.iter().flat_map(|s| [s.plus.clone(), s.minus.clone()]).chain([ground]).collect();
        plan.input = end(drawing, fitted, &uses, &rails, true);
        plan.output = end(drawing, fitted, &uses, &rails, false)
            .filter(|o| plan.input.as_ref().is_none_or(|i| i.net != o.net));
        plan.tone = given("tone").and_then(|t| t.split_once(' ').map(|(f, l)| (f.to_owned(), l.to_owned())));
        let ends = ["source", "load", "direct"].into_iter();
        plan.ends = ends.filter_map(|k| Some((k, given(k)?))).filter(|(k, v)| !is_usual(k, v)).collect();
        plan.neighbours = drawing.neighbours.clone();
        plan.path =
            given("path").map(|p| p.split_whitespace().map(str::to_owned).collect()).unwrap_or_default();
        plan.notes = drawing.remarks.clone();
        plan
    }

    fn find_ground(&self, drawing: &Drawing, fitted: &Fitted, uses: &Uses<'_>) -> Option<Pick> {
        let named = |net: &str| {
            let upper = net.to_uppercase();
            ["GND", "0", "GROUND", "AGND", "GNDA", "GNDREF", "EARTH", "COM", "0V", "DGND", "GNDD"]
                .iter()
                .position(|n| upper == *n)
        };
        if let Some(net) = drawing.given.get("ground") {
            return Some(Pick {
                net: net.clone(),
                why: "the file says so".into(),
                others: Vec::new(),
                sure: true,
            });
        }
        let mut by_name: Vec<(usize, &str)> = uses.nets().filter_map(|n| Some((named(n)?, n))).collect();
        by_name.sort_unstable();
        if let Some((rank, net)) = by_name.first() {
            let spice = fitted.net("0") == Some(net);
            let why = if spice { "node 0 of the netlist".into() } else { "by its name".into() };
            let others = by_name.iter().skip(1).map(|(_, n)| (*n).to_owned()).collect();
            return Some(Pick { net: (*net).to_owned(), why, others, sure: spice || *rank == 0 });
        }
        let mut by_pins: Vec<(usize, &str)> = uses.nets().map(|n| (uses.count(n), n)).collect();
        by_pins.sort_by(|a, b| b.0.cmp(&a.0).then(a.1.cmp(b.1)));
        let (count, net) = by_pins.first()?;
        let others = by_pins.iter().skip(1).take(3).map(|(_, n)| (*n).to_owned()).collect();
        Some(Pick {
            net: (*net).to_owned(),
            why: format!("it has the most pins, {count}"),
            others,
            sure: false,
        })
    }

    /// Guesses that a person should look at: what, the net picked, why.
    pub fn open(&self) -> Vec<(&'static str, &str, &str)> {
        let mut all = Vec::new();
        let picks = [("ground", &self.ground), ("input", &self.input), ("output", &self.output)];
        for (what, pick) in picks {
            if let Some(p) = pick.as_ref().filter(|p| !p.sure) {
                all.push((what, p.net.as_str(), p.why.as_str()));
            }
        }
        for s in self.supplies.iter().filter(|s| !s.sure) {
            let ground = self.ground.as_ref().is_some_and(|g| g.net == s.plus);
            all.push(("supply", if ground { s.minus.as_str() } else { s.plus.as_str() }, s.why.as_str()));
        }
        all
    }
}

/// Whether a figure of the signal's ends is what a board file without it has.
fn is_usual(key: &str, value: &str) -> bool {
    matches!((key, value), ("source", "1k") | ("load", "1M") | ("direct", "false"))
}

/// What hangs on each net.
struct Uses<'a> {
    on: BTreeMap<&'a str, Vec<(&'a FittedPart, &'a str)>>,
    library: &'a Library,
}

impl<'a> Uses<'a> {
    fn of(fitted: &'a Fitted, library: &'a Library) -> Self {
        let mut on: BTreeMap<&str, Vec<(&FittedPart, &str)>> = BTreeMap::new();
        for part in &fitted.parts {
            for (pin, net) in &part.nets {
                on.entry(net).or_default().push((part, pin));
            }
        }
        Self { on, library }
    }

    fn nets(&self) -> impl Iterator<Item = &'a str> {
        self.on.keys().copied()
    }

    fn count(&self, net: &str) -> usize {
        self.on.get(net).map_or(0, Vec::len)
    }

    fn at(&self, net: &str) -> &[(&'a FittedPart, &'a str)] {
        self.on.get(net).map_or(&[], Vec::as_slice)
    }

    fn is_kind(&self, part: &FittedPart, kinds: &[&str]) -> bool {
        let kind = part
            .kind
            .as_deref()
            .or_else(|| Some(self.library.device(part.device.as_deref()?)?.kind.value.as_str()));
        kind.is_some_and(|k| kinds.contains(&k))
    }

    /// The net at the other end of a part with two.
    fn across(&self, part: &FittedPart, net: &str) -> Option<&'a str> {
        let part = self.on.values().flatten().find(|(p, _)| p.id == part.id)?.0;
        match part.nets.as_slice() {
            [(_, a), (_, b)] if a == net => Some(b),
            [(_, a), (_, b)] if b == net => Some(a),
            _ => None,
        }
    }

    /// Whether a net is at the positive supply pin of a chip, or the negative one.
    fn supplies_chip(&self, net: &str, which: usize) -> bool {
        self.at(net).iter().any(|(part, pin)| {
            let device = part.device.as_deref().and_then(|d| self.library.device(d));
            device.and_then(|d| d.supply.get(which)).is_some_and(|p| p.value == *pin)
        })
    }
}

const CAPACITORS: [&str; 4] = ["film", "ceramic", "electrolytic", "tantalum"];

fn supplies(drawing: &Drawing, fitted: &Fitted, uses: &Uses<'_>, ground: &str) -> Vec<SupplyPlan> {
    let mut out: Vec<SupplyPlan> = Vec::new();
    for (i, drawn) in drawing.supplies.iter().enumerate() {
        let net = |n: &str| {
            fitted
                .net(n)
                .map_or_else(|| if n == "0" { ground.to_owned() } else { n.to_owned() }, str::to_owned)
        };
        let (mut plus, mut minus) = (net(&drawn.plus), net(&drawn.minus));
        // A socket's pins are not told apart by polarity: what is not ground is plus.
        if drawn.source == Some("adaptor") && plus == ground {
            std::mem::swap(&mut plus, &mut minus);
        }
        if plus == minus
            || uses.count(&plus) + usize::from(plus == ground) == 0
            || uses.count(&minus) + usize::from(minus == ground) == 0
        {
            continue;
        }
        if out.iter().any(|s| s.plus == plus && s.minus == minus) {
            continue;
        }
        let name = name_of(&drawn.id, i, &out, fitted);
        let (volts, said) = match &drawn.volts {
            Some(v) if notation::volts(v).is_ok() => (v.clone(), true),
            _ => (volts_by_name(&plus).unwrap_or_else(|| "9V".into()), false),
        };
        let usual =
            drawn.source.and_then(|k| uses.library.kind(k)?.parameters.get("inner").map(|p| p.typical));
        let inner = drawn.inner.filter(|r| Some(*r) != usual).map(|r| show::ohms_code(Ohms(r)));
        out.push(SupplyPlan {
            name,
            plus,
            minus,
            volts,
            inner,
            source: drawn.source.unwrap_or("adaptor").to_owned(),
            why: format!("{} of the drawing", drawn.id),
            sure: said,
        });
    }
    if !out.is_empty() {
        return out;
    }
    if let Some(line) = drawing.given.get("supply") {
        out.extend(supply_line(line, ground));
        return out;
    }
    out.extend(by_nets(fitted, uses, ground));
    out
}

/// `main V9 GND 9V battery`, as this program's own files have it.
fn supply_line(line: &str, ground: &str) -> Option<SupplyPlan> {
    let words: Vec<&str> = line.split_whitespace().collect();
    let [name, plus, rest @ ..] = words.as_slice() else { return None };
    let volts = rest.iter().find(|w| notation::volts(w).is_ok() && w.to_uppercase().contains('V'))?;
    let source = ["battery", "adaptor", "bench"].into_iter().find(|s| rest.contains(s)).unwrap_or("adaptor");
    let minus = rest.iter().find(|w| *w != volts && **w != source).copied().unwrap_or(ground);
    Some(SupplyPlan {
        name: (*name).to_owned(),
        plus: (*plus).to_owned(),
        minus: minus.to_owned(),
        volts: (*volts).to_owned(),
        source: source.to_owned(),
        inner: None,
        why: "the file says so".into(),
        sure: true,
    })
}

fn name_of(drawn: &str, i: usize, so_far: &[SupplyPlan], fitted: &Fitted) -> String {
    let first = if i == 0 { "main" } else { drawn };
    let free = |n: &str| !so_far.iter().any(|s| s.name == n) && !fitted.parts.iter().any(|p| p.id == n);
    let more = (2..).map(|k| format!("supply{k}"));
    std::iter::once(first.to_owned())
        .filter(|n| n.chars().all(|c| c.is_alphanumeric()))
        .chain(more)
        .find(|n| free(n))
        .unwrap_or_default()
}

/// Volts in a net's name: `+9V`, `V12`, `VCC_5V`, `9V1`; nothing where there are none.
fn volts_by_name(net: &str) -> Option<String> {
    let upper = net.to_uppercase();
    let at = upper.find('V')?;
    let digits = |text: &str| text.chars().take_while(char::is_ascii_digit).collect::<String>();
    let before: String = upper[..at]
        .chars()
        .rev()
        .take_while(char::is_ascii_digit)
        .collect::<String>()
        .chars()
        .rev()
        .collect();
    let behind = digits(&upper[at + 1..]);
    let number = match (before.is_empty(), behind.is_empty()) {
        (false, false) => format!("{before}.{behind}"),
        (false, true) => before,
        (true, false) => behind,
        _ => return None,
    };
    let volts: f64 = number.parse().ok()?;
    (1.0..=50.0).contains(&volts).then(|| format!("{volts}V"))
}

/// Supplies where none is drawn: nets by their names, and what feeds chips and loads.
fn by_nets(fitted: &Fitted, uses: &Uses<'_>, ground: &str) -> Vec<SupplyPlan> {
    let upper = |n: &str| n.to_uppercase();
    let regulated =
        |net: &str| uses.at(net).iter().any(|(p, pin)| uses.is_kind(p, &["regulator"]) && *pin == "out");
    let positive = |net: &str| {
        let n = upper(net);
        let named = ["VCC", "VDD", "V+", "+V", "VIN", "BAT", "BAT+", "B+", "VBAT", "SUPPLY", "PWR", "DC"]
            .contains(&n.as_str());
        let volts = !n.starts_with('-') && volts_by_name(net).is_some();
        net != ground && !regulated(net) && (named || volts || uses.supplies_chip(net, 0))
    };
    let negative = |net: &str| {
        let n = upper(net);
        let named = ["VEE", "V-", "-V", "VNEG", "VSS"].contains(&n.as_str())
            || n.starts_with('-') && volts_by_name(net).is_some();
        net != ground && named && !uses.at(net).iter().any(|(p, _)| uses.is_kind(p, &["chip-mos"]))
    };
    let mut out = Vec::new();
    let mut candidates: Vec<&str> = uses.nets().filter(|n| positive(n)).collect();
    // What a guard diode or a small resistor feeds is fed by what stands before it.
    let fed = |net: &str| {
        uses.at(net).iter().find_map(|(part, pin)| {
            let guard = uses.is_kind(part, &["diode"]) && *pin == "cathode";
            let small = part.kind.as_deref() == Some("resistor")
                && part
                    .value
                    .as_deref()
                    .and_then(|v| notation::ohms_value(v).ok())
                    .is_some_and(|r| r.0 <= 470.0);
            let before = uses.across(part, net)?;
            let again = candidates.contains(&before) || uses.count(before) <= 3;
            (before != ground && ((guard && again) || (small && candidates.contains(&before))))
                .then(|| before.to_owned())
        })
    };
    let mut tops: Vec<String> = Vec::new();
    for net in &candidates {
        let mut top = (*net).to_owned();
        for _ in 0..4 {
            match fed(&top) {
                Some(before) => top = before,
                None => break,
            }
        }
        if !tops.contains(&top) {
            tops.push(top);
        }
    }
    if tops.is_empty() {
        // The net with the most resistors that is not ground, where collectors and dividers hang.
        let most = uses
            .nets()
            .filter(|n| *n != ground)
            .max_by_key(|n| uses.at(n).iter().filter(|(p, _)| p.kind.as_deref() == Some("resistor")).count());
        tops.extend(most.map(str::to_owned));
    }
    candidates.clear();
    for (i, plus) in tops.iter().enumerate() {
        let volts = volts_by_name(plus);
        let why = match &volts {
            Some(_) => format!("by the name {plus}"),
            None => format!("{plus} feeds the rest; 9 V is only the usual value"),
        };
        out.push(SupplyPlan {
            name: name_of("supply2", i, &out, fitted),
            plus: plus.clone(),
            minus: ground.to_owned(),
            volts: volts.unwrap_or_else(|| "9V".into()),
            source: "adaptor".into(),
            inner: None,
            why,
            sure: false,
        });
    }
    for minus in uses.nets().filter(|n| negative(n)) {
        let volts =
            volts_by_name(minus.trim_start_matches('-')).or_else(|| out.first().map(|s| s.volts.clone()));
        out.push(SupplyPlan {
            name: name_of("minus", out.len(), &out, fitted),
            plus: ground.to_owned(),
            minus: minus.to_owned(),
            volts: volts.unwrap_or_else(|| "9V".into()),
            source: "adaptor".into(),
            inner: None,
            why: format!("by the name {minus}"),
            sure: false,
        });
    }
    out
}

/// The net where the sound goes in, or comes out.
fn end(drawing: &Drawing, fitted: &Fitted, uses: &Uses<'_>, rails: &[String], input: bool) -> Option<Pick> {
    let key = if input { "in" } else { "out" };
    let given = drawing.given.get(key).cloned().map(|n| fitted.net(&n).map_or(n.clone(), str::to_owned));
    if let Some(net) = given {
        return Some(Pick { net, why: "the file says so".into(), others: Vec::new(), sure: true });
    }
    if input && let Some(tone) = drawing.tone.as_deref().and_then(|t| fitted.net(t)) {
        return Some(Pick {
            net: tone.to_owned(),
            why: "the netlist puts a tone in there".into(),
            others: Vec::new(),
            sure: true,
        });
    }
    let word = if input { "IN" } else { "OUT" };
    let mut found: Vec<(u8, String, String)> = Vec::new();
    for net in uses.nets().filter(|n| !rails.iter().any(|r| r == n)) {
        let upper = net.to_uppercase();
        let whole = upper == word || upper == format!("{word}PUT");
        let parts = upper
            .split(['_', '-', '/'])
            .any(|p| p == word || p == format!("{word}PUT") || p == format!("{word}1"));
        if whole {
            found.push((100, net.to_owned(), format!("by the name {net}")));
        } else if parts {
            found.push((80, net.to_owned(), format!("by the name {net}")));
        }
        if let Some((score, why)) = by_place(net, uses, rails, input) {
            found.push((score, net.to_owned(), why));
        }
    }
    for (says, net) in &fitted.ends {
        let upper = says.to_uppercase();
        if upper.split(|c: char| !c.is_alphanumeric()).any(|w| w.starts_with(word)) && !rails.contains(net) {
            found.push((90, net.clone(), format!("at {}", says.trim())));
        }
    }
    found.sort_by(|a, b| b.0.cmp(&a.0).then(a.1.cmp(&b.1)));
    let (_, net, why) = found.first()?.clone();
    let mut others: Vec<String> = Vec::new();
    for (_, other, _) in found.into_iter().skip(1) {
        if other != net && !others.contains(&other) && others.len() < 4 {
            others.push(other);
        }
    }
    Some(Pick { net, why, others, sure: false })
}

fn by_place(net: &str, uses: &Uses<'_>, rails: &[String], input: bool) -> Option<(u8, String)> {
    let on = uses.at(net);
    let is_rail = |n: &str| rails.iter().any(|r| r == n);
    let resistor = |(p, _): &(&FittedPart, &str)| {
        p.kind.as_deref() == Some("resistor") && uses.across(p, net).is_some_and(is_rail)
    };
    let caps: Vec<&(&FittedPart, &str)> =
        on.iter().filter(|(p, _)| p.kind.as_deref().is_some_and(|k| CAPACITORS.contains(&k))).collect();
    let wiper = on.iter().any(|(p, pin)| p.kind.as_deref() == Some("pot") && *pin == "2");
    let rest = on.iter().filter(|u| !resistor(u)).count();
    if !input && wiper && rest == 1 {
        return Some((40, "the wiper of a control that leads nowhere else".into()));
    }
    let [(cap, _)] = caps[..] else { return None };
    let beyond = uses.across(cap, net).filter(|n| !is_rail(n))?;
    if rest != 1 {
        return None;
    }
    let at = |kinds: &[&str], pins: &[&str]| {
        uses.at(beyond).iter().any(|(p, pin)| uses.is_kind(p, kinds) && pins.contains(pin))
    };
    let inputs = |pins: &str| {
        uses.at(beyond).iter().any(|(p, pin)| {
            let d = p.device.as_deref().and_then(|d| uses.library.device(d));
            d.is_some_and(|d| {
                if pins == "in" {
                    d.inputs.iter().any(|i| i.value == *pin)
                } else {
                    d.outputs.iter().any(|o| o.value == *pin)
                }
            })
        })
    };
    let driven = inputs("out")
        || at(&["transistor-bipolar"], &["c", "e"])
        || at(&["transistor-field-effect", "transistor-mos"], &["d", "s"]);
    match (input, driven) {
        (true, false) if inputs("in") => {
            Some((30, format!("behind {} comes an input and nothing else hangs there", cap.id)))
        }
        (false, true) => {
            Some((30, format!("{} takes the signal off a stage to it and nothing else hangs there", cap.id)))
        }
        _ => None,
    }
}
