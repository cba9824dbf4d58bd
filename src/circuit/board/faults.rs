//! What can be wrong with a board: one fault for each part and mode, each joint, each pair of neighbours.

use super::expand::{Goes, To, Tweak};
use super::resolve::LINK_OHMS;
use super::{Board, Part, Pin};
use crate::circuit::edit::{Edit, EditSet, OPEN_OHMS, SHORT_OHMS};
use crate::circuit::network::{ElementId, Node, Parameter};
use crate::rules::History;
use crate::rules::parts::{ByHistory, Device, EditRule, Kind, Library, Mode, Remedy};
use crate::text::{Named, or_nearest};
use crate::units::{Minutes, Money, Probability};
use std::collections::BTreeMap;
use thiserror::Error;

/// What puts a fault right.
#[derive(Clone, Debug, PartialEq, serde::Serialize)]
pub struct Fix {
    /// What to do.
    pub says: String,
    /// Bench minutes, the unit open.
    pub minutes: Minutes,
    /// Parts money.
    pub money: Money,
}

/// One thing that can be wrong with a board.
#[derive(Clone, Debug)]
pub struct Fault {
    /// `PART:MODE`, `PART.PIN:joint` or `NETA~NETB:bridge`.
    pub id: String,
    /// Designator of the part, or `NETA~NETB`.
    pub part: String,
    /// The mode, behind the colon.
    pub mode: String,
    /// A plain sentence without a full stop.
    pub says: String,
    /// What puts it right.
    pub fix: Fix,
    /// What it does to the network.
    pub edits: EditSet,
    /// Where it may be more or less of the same (a leak of so many ohms, an input that drifts either way): what it may do, with the
    /// chance of each; empty where `edits` says all.
    pub grades: Vec<(f64, EditSet)>,
    /// Whether it leaves a part as no card describes it (a chip without one of its supplies, legs in other holes): how far its
    /// readings go from the healthy ones is then known roughly only.
    pub vague: bool,
    priors: ByHistory,
}

/// Three points that stand for a normal spread, in standard deviations, and their weights (Gauss-Hermite).
const GRADES: [(f64, f64); 3] = [(0.0, 2.0 / 3.0), (-1.732_050_8, 1.0 / 6.0), (1.732_050_8, 1.0 / 6.0)];

impl Fault {
    /// Prior probability for a unit of that history; the board's build method is already in it.
    pub fn prior(&self, history: History) -> Probability {
        let p = match history {
            History::FreshBuild => self.priors.fresh_build,
            History::WorkedBefore => self.priors.worked_before,
            History::AfterChange => self.priors.after_change,
        };
        Probability::new(p.clamp(0.0, 0.5)).unwrap_or_default()
    }
}

/// Why a set of faults can't be put in.
#[derive(Clone, Debug, PartialEq, Eq, Error)]
pub enum FaultSetError {
    /// No fault of that id.
    #[error("there is no fault '{id}' on this board; {help}")]
    Unknown {
        /// The id asked for.
        id: String,
        /// Nearest valid ids.
        help: String,
    },
}

impl Board {
    /// The edits of several faults at once: pins moved first, then numbers, parts, joints and bridges, so that the order in which the
    /// faults are named does not matter.
    ///
    /// # Errors
    /// [`FaultSetError::Unknown`] for an id that is not in the catalogue.
    pub fn edits(&self, ids: &[&str]) -> Result<EditSet, FaultSetError> {
        let mut wanted: Vec<(&str, &EditSet)> = Vec::new();
        for id in ids {
            let (bare, grade) = id.split_once('@').unwrap_or((id, ""));
            let found = self.fault(bare).ok_or_else(|| FaultSetError::Unknown {
                id: (*id).to_owned(),
                help: or_nearest(id, self.faults.iter().map(|f| f.id.as_str())),
            })?;
            let graded = grade.parse().ok().and_then(|g: usize| found.grades.get(g));
            wanted.push((found.id.as_str(), graded.map_or(&found.edits, |g| &g.1)));
        }
        wanted.sort_by(|a, b| a.0.cmp(b.0));
        wanted.dedup_by(|a, b| a.0 == b.0);
        let mut edits: EditSet = wanted.iter().flat_map(|f| f.1.iter().cloned()).collect();
        edits.sort_by_key(rank);
        Ok(edits)
    }

    /// Every way in which these faults may be there, with its chance: ids as [`Board::edits`] takes them. One way with the ids
    /// as they are where none of them has grades.
    pub(crate) fn graded(&self, ids: &[&str]) -> Vec<(f64, Vec<String>)> {
        let mut ways: Vec<(f64, Vec<String>)> = vec![(1.0, Vec::new())];
        for id in ids {
            let grades = self.fault(id).map_or(&[][..], |f| &f.grades);
            if grades.is_empty() {
                ways.iter_mut().for_each(|w| w.1.push((*id).to_owned()));
                continue;
            }
            let more = |w: &(f64, Vec<String>)| -> Vec<(f64, Vec<String>)> {
                let with = |(g, (p, _)): (usize, &(f64, EditSet))| {
                    let mut set = w.1.clone();
                    set.push(format!("{id}@{g}"));
                    (w.0 * p, set)
                };
                grades.iter().enumerate().map(with).collect()
            };
            ways = ways.iter().flat_map(more).collect();
        }
        ways
    }
}

fn rank(edit: &Edit) -> u8 {
    match edit {
        Edit::Rewire { .. } | Edit::Exchange { .. } => 0,
        Edit::Set { .. } => 1,
        Edit::Replace { .. } | Edit::Remove { .. } => 2,
        Edit::Lift { .. } => 3,
        Edit::Bridge { .. } => 4,
    }
}

/// The whole catalogue, sorted by id, without faults that change nothing.
pub(super) fn catalogue(board: &Board, library: &Library) -> Vec<Fault> {
    let mut maker = Maker { board, library, found: BTreeMap::new() };
    for part in &board.parts {
        let Some(kind) = library.kind(&part.kind) else { continue };
        let device = part.device.as_deref().and_then(|d| library.device(d));
        maker.modes(part, kind, device, &kind.modes);
        if let Some(device) = device {
            maker.modes(part, kind, Some(device), &device.modes);
            maker.sections(part, kind, device);
            maker.joints(part);
            maker.orders(part, device);
            maker.neighbouring_pins(part, device);
        }
    }
    for [a, b] in board.neighbours.iter().chain(&super::rows::side_by_side(&board.rows)) {
        maker.bridge(a, b);
    }
    let vague = |f: &Fault| is_vague(board, library, f);
    maker.found.into_values().map(|f| Fault { vague: vague(&f), ..f }).collect()
}

fn is_vague(board: &Board, library: &Library, fault: &Fault) -> bool {
    let part = board.parts.iter().find(|p| p.id == fault.part);
    let Some(device) = part.and_then(|p| p.device.as_deref()).and_then(|d| library.device(d)) else {
        return false;
    };
    let chip = !device.supply.is_empty();
    let at_supply = || {
        let pin = fault.id.split_once('.').and_then(|(_, rest)| rest.split_once(':'));
        pin.is_some_and(|(pin, _)| device.supply.iter().any(|s| s.value == pin))
    };
    match fault.mode.as_str() {
        "turned" => device.pins.0.len() > 2,
        "dead" => chip,
        "joint" => chip && at_supply(),
        mode => mode.starts_with("pins-"),
    }
}

struct Maker<'a> {
    board: &'a Board,
    library: &'a Library,
    found: BTreeMap<String, Fault>,
}

/// A part's section by name and its ports with where they go.
type Ports<'a> = [(&'a str, Goes)];

impl Maker<'_> {
    fn modes(&mut self, part: &Part, kind: &Kind, device: Option<&Device>, modes: &Named<Mode>) {
        for (name, mode) in modes.iter() {
            let target = Target { part, device, section: "", ports: &[] };
            if let Some(edits) = target.graded(&mode.edits, self.library) {
                let priors = self.priors(kind.fails, mode.share.unwrap_or(0.0), mode);
                self.add(&part.id, &part.id, &name.value, &part.label, mode, &kind.remedy, priors, edits);
            }
        }
    }

    /// The sections of a chip (each amplifier of a dual) share what their kind leaves for them.
    fn sections(&mut self, part: &Part, kind: &Kind, device: &Device) {
        let sections: Vec<_> = device
            .elements
            .iter()
            .filter(|(name, _)| part.recipe.elements.get(&name.value).is_some())
            .filter_map(|(name, e)| self.library.shape(&e.kind.value).map(|s| (name, e, s)))
            .filter(|(_, _, s)| !s.modes.0.is_empty())
            .collect();
        let each = kind.sections / sections.len().max(1) as f64;
        // Named as in the card, also where the board uses one of several.
        let of_card = device
            .elements
            .iter()
            .filter_map(|(_, e)| self.library.shape(&e.kind.value))
            .filter(|s| !s.modes.0.is_empty())
            .count();
        for (name, element, shape) in &sections {
            let go = |n: &str| match device.pins.iter().position(|(p, _)| p.value == n) {
                Some(i) => Goes::Pin(i),
                None => Goes::Inner(n.to_owned()),
            };
            let ports: Vec<(&str, Goes)> = shape
                .ports
                .iter()
                .zip(&element.nodes)
                .map(|(p, n)| (p.value.as_str(), go(&n.value)))
                .collect();
            for (mode_name, mode) in shape.modes.iter() {
                let target = Target { part, device: Some(device), section: &name.value, ports: &ports };
                let Some(edits) = target.graded(&mode.edits, self.library) else { continue };
                let priors = self.priors(kind.fails, mode.share.unwrap_or(0.0) * each, mode);
                let (id, says) = match of_card {
                    1 => (mode_name.value.clone(), part.id.clone()),
                    _ => (
                        format!("{}-{}", mode_name.value, name.value),
                        format!("section {} of {}", name.value, part.id),
                    ),
                };
                self.add(&part.id, &says, &id, &part.label, mode, &kind.remedy, priors, edits);
            }
        }
    }

    fn joints(&mut self, part: &Part) {
        let Some(kind) = self.library.kind("joint") else { return };
        if part.pins.len() < 3 {
            return;
        }
        for pin in part.pins.iter().filter(|p| p.net.is_some() && !p.terminals.is_empty()) {
            let owner = format!("{}.{}", part.id, pin.name);
            let says = format!("pin {} of {}", pin.name, part.id);
            for (name, mode) in kind.modes.iter() {
                let edits = self.open_pin(part, pin);
                let priors = self.priors(kind.fails, mode.share.unwrap_or(0.0), mode);
                self.add(&owner, &says, &name.value, "", mode, &kind.remedy, priors, edits);
                if let Some(fault) = self.found.get_mut(&format!("{owner}:{}", name.value)) {
                    fault.part = part.id.clone();
                }
            }
        }
    }

    /// An open pin; the open input of a chip drifts to either supply or hangs where the chip's own leakage takes it.
    fn open_pin(&self, part: &Part, pin: &Pin) -> Vec<(f64, EditSet)> {
        let lifted = vec![Edit::Lift { terminals: pin.terminals.clone(), ohms: OPEN_OHMS }];
        let device = part.device.as_deref().and_then(|d| self.library.device(d));
        let is = |list: &[crate::text::At<String>]| list.iter().any(|p| p.value == pin.name);
        let supply = match device {
            Some(d) if is(&d.inputs) && d.supply.len() == 2 => &d.supply[..],
            _ => return vec![(1.0, lifted)],
        };
        let end = |name: &str| part.pins.iter().find(|p| p.name == name).map(|p| p.node);
        let drifts = supply.iter().filter_map(|s| end(&s.value)).filter(|n| *n != pin.node).map(|node| {
            let moves = pin.terminals.iter().map(|t| (*t, node)).collect();
            vec![Edit::Rewire { moves }]
        });
        let all: Vec<EditSet> = [lifted].into_iter().chain(drifts).collect();
        let each = 1.0 / all.len() as f64;
        all.into_iter().map(|edits| (each, edits)).collect()
    }

    /// Three-legged parts turned round, or with the legs of a look-alike.
    fn orders(&mut self, part: &Part, device: &Device) {
        let Some(kind) = self.library.kind("look-alike") else { return };
        let Some((_, own)) = device.packages.iter().next() else { return };
        if own.len() != 3 {
            return;
        }
        let own: Vec<&str> = own.iter().map(|p| p.value.as_str()).collect();
        let reversed: Vec<&str> = own.iter().rev().copied().collect();
        let mut orders = vec![("turned", reversed.clone(), None)];
        for look in &device.look_alikes {
            let order: Vec<&str> = look.order.iter().map(|p| p.value.as_str()).collect();
            if order == reversed {
                orders[0].2 = Some(look.example.as_str());
            } else {
                orders.push(("pins", order, Some(look.example.as_str())));
            }
        }
        for (name, order, example) in orders {
            let Some(mode) = kind.modes.get(name) else { continue };
            let Some(edits) = reordered(part, &own, &order) else { continue };
            let id = if name == "turned" { "turned".to_owned() } else { format!("pins-{}", order.join("")) };
            let example = example.map_or(String::new(), |e| format!(", as {e} has them"));
            let stands = format!("{} where {} belong{example}", order.join(", "), own.join(", "));
            let priors = self.priors(kind.fails, 0.0, mode);
            let edits = vec![(1.0, edits)];
            self.add(&part.id, &part.id, &id, &stands, mode, &kind.remedy, priors, edits);
        }
    }

    fn neighbouring_pins(&mut self, part: &Part, device: &Device) {
        let Some((package, order)) = device.packages.iter().next() else { return };
        let half = if package.value.starts_with("DIP") { order.len() / 2 } else { order.len() };
        for (i, pair) in order.windows(2).enumerate() {
            if i + 1 == half {
                continue;
            }
            let net = |name: &str| part.pins.iter().find(|p| p.name == name).and_then(|p| p.net.clone());
            if let (Some(a), Some(b)) = (net(&pair[0].value), net(&pair[1].value)) {
                self.bridge(&a, &b);
            }
        }
    }

    fn bridge(&mut self, one: &str, other: &str) {
        let Some(kind) = self.library.kind("bridge") else { return };
        let (a, b) = if one <= other { (one, other) } else { (other, one) };
        let nodes = self.board.node(a).zip(self.board.node(b)).filter(|(x, y)| x != y);
        let Some((na, nb)) = nodes else { return };
        let owner = format!("{a}~{b}");
        for (name, mode) in kind.modes.iter() {
            if self.found.contains_key(&format!("{owner}:{}", name.value)) {
                continue;
            }
            let edits = vec![(1.0, vec![Edit::Bridge { a: na, b: nb, ohms: SHORT_OHMS }])];
            let priors = self.priors(kind.fails, mode.share.unwrap_or(0.0), mode);
            self.add(
                &owner,
                &format!("nets {a} and {b}"),
                &name.value,
                "",
                mode,
                &kind.remedy,
                priors,
                edits,
            );
        }
    }

    fn priors(&self, fails: ByHistory, share: f64, mode: &Mode) -> ByHistory {
        let factor = mode.builds.get(self.board.build.name()).copied().unwrap_or(1.0);
        ByHistory {
            fresh_build: fails.fresh_build * share + mode.prior.fresh_build * factor,
            worked_before: fails.worked_before * share + mode.prior.worked_before * factor,
            after_change: fails.after_change * share + mode.prior.after_change * factor,
        }
    }

    #[allow(clippy::too_many_arguments)] // one row of the catalogue, column by column
    fn add(
        &mut self,
        owner: &str,
        said: &str,
        mode_name: &str,
        value: &str,
        mode: &Mode,
        usual: &Remedy,
        priors: ByHistory,
        mut grades: Vec<(f64, EditSet)>,
    ) {
        let edits = grades.first().map(|g| g.1.clone()).unwrap_or_default();
        if grades.len() < 2 {
            grades.clear();
        }
        let id = format!("{owner}:{mode_name}");
        let words = |text: &str| text.replace("{part}", said).replace("{value}", value);
        let remedy = mode.remedy.as_ref().unwrap_or(usual);
        let fix = Fix { says: words(&remedy.says), minutes: remedy.minutes, money: remedy.money };
        let fault = Fault {
            id: id.clone(),
            part: owner.to_owned(),
            mode: mode_name.to_owned(),
            says: words(&mode.says),
            fix,
            edits,
            grades,
            vague: false,
            priors,
        };
        self.found.insert(id, fault);
    }
}

/// The part, or the section of it, that a mode is worded for.
struct Target<'a> {
    part: &'a Part,
    device: Option<&'a Device>,
    section: &'a str,
    ports: &'a Ports<'a>,
}

impl Target<'_> {
    fn pin(&self, name: &str) -> Option<&Pin> {
        match self.ports.iter().find(|(p, _)| *p == name) {
            Some((_, Goes::Pin(i))) => self.part.pins.get(*i),
            Some(_) => None,
            None => self.part.pins.iter().find(|p| p.name == name),
        }
    }

    /// What a mode may do, the usual first, with the chance of each; `None` where it would change nothing on this board.
    fn graded(&self, rules: &[EditRule], library: &Library) -> Option<Vec<(f64, EditSet)>> {
        let grades = if rules.iter().any(is_graded) { &GRADES[..] } else { &[(0.0, 1.0)] };
        grades.iter().map(|(at, chance)| Some((*chance, self.edits(rules, *at, library)?))).collect()
    }

    /// Edits of a mode, its spread figures at so many standard deviations; `None` where it would change nothing on this board.
    fn edits(&self, rules: &[EditRule], at: f64, library: &Library) -> Option<EditSet> {
        let mut edits = Vec::new();
        for rule in rules {
            edits.extend(self.edit(rule, at, library)?);
        }
        (!edits.is_empty()).then_some(edits)
    }

    fn edit(&self, rule: &EditRule, deviations: f64, library: &Library) -> Option<EditSet> {
        let lift = |at: &str, ohms: f64| -> Option<EditSet> {
            let pin = self.pin(at).filter(|p| p.net.is_some() && !p.terminals.is_empty())?;
            Some(vec![Edit::Lift { terminals: pin.terminals.clone(), ohms }])
        };
        let join = |a: &str, b: &str, ohms: f64| -> Option<EditSet> {
            let (a, b) = (self.pin(a)?.node, self.pin(b)?.node);
            (a != b).then(|| vec![Edit::Bridge { a, b, ohms }])
        };
        let tweak = |tweak: Tweak| {
            self.part.recipe.edits(library, &self.part.elements, &tweak).ok().filter(|e| !e.is_empty())
        };
        let number = |name: &str, to: To| {
            // Ten times nothing is nothing.
            let link = self.part.recipe.parameters.get("value").is_some_and(|v| *v <= LINK_OHMS);
            if link && self.part.kind == "resistor" {
                return None;
            }
            tweak(Tweak::Parameter { path: self.section.to_owned(), name: name.to_owned(), to })
        };
        match rule {
            EditRule::Open(at) => lift(&at.value, OPEN_OHMS),
            EditRule::Series { at, ohms } => lift(&at.value, ohms.at(deviations)),
            EditRule::Short([a, b]) => join(&a.value, &b.value, SHORT_OHMS),
            EditRule::Leak { between: [a, b], ohms } => join(&a.value, &b.value, ohms.at(deviations)),
            EditRule::Scale { of, by } => number(&of.value, To::Times(by.at(deviations))),
            EditRule::Set { of, to } => number(&of.value, To::Value(*to)),
            EditRule::Remove(name) => self.remove(&name.value, library),
            EditRule::Noisier(by) => self.noisier(*by, library),
            EditRule::Exchange([a, b]) => moves(&[
                (self.pin(&a.value)?, self.pin(&b.value)?.node),
                (self.pin(&b.value)?, self.pin(&a.value)?.node),
            ]),
            EditRule::Turn => self.turn(),
            EditRule::ContactsOpen => tweak(Tweak::Contacts { closed: false }),
            EditRule::ContactsClosed => tweak(Tweak::Contacts { closed: true }),
            EditRule::OutputsOpen => {
                let outputs = self.device.map(|d| d.outputs.iter().collect::<Vec<_>>()).unwrap_or_default();
                let lifted: EditSet =
                    outputs.iter().filter_map(|o| lift(&o.value, OPEN_OHMS)).flatten().collect();
                (!lifted.is_empty()).then_some(lifted)
            }
        }
    }

    fn remove(&self, name: &str, library: &Library) -> Option<EditSet> {
        let path = if self.section.is_empty() { name.to_owned() } else { format!("{}.{name}", self.section) };
        let blanks = self.part.recipe.blanks(library, None).ok()?;
        let i = blanks.iter().position(|b| b.name == path)?;
        Some(vec![Edit::Remove { element: *self.part.elements.get(i)? }])
    }

    /// Every element of the part or section that makes noise makes so much more.
    fn noisier(&self, by: f64, library: &Library) -> Option<EditSet> {
        let blanks = self.part.recipe.blanks(library, None).ok()?;
        let inside = |name: &str| {
            self.section.is_empty() || name.strip_prefix(self.section).is_some_and(|r| r.starts_with('.'))
        };
        let noisy = blanks.iter().zip(&self.part.elements).filter(|(b, _)| inside(&b.name) && b.has_noise());
        let set = |element: ElementId| Edit::Set { element, parameter: Parameter::Noise, value: by };
        let edits: EditSet = noisy.map(|(_, element)| set(*element)).collect();
        (!edits.is_empty()).then_some(edits)
    }

    /// End for end; a dual-in-line chip by half a turn in its socket.
    fn turn(&self) -> Option<EditSet> {
        let (package, order) = self.device?.packages.iter().next()?;
        let own: Vec<&str> = order.iter().map(|p| p.value.as_str()).collect();
        let mut turned = own.clone();
        match package.value.starts_with("DIP") {
            true => turned.rotate_left(own.len() / 2),
            false => turned.reverse(),
        }
        reordered(self.part, &own, &turned)
    }
}

/// Whether what a rule does may be more or less of the same.
fn is_graded(rule: &EditRule) -> bool {
    match rule {
        EditRule::Series { ohms: p, .. } | EditRule::Leak { ohms: p, .. } | EditRule::Scale { by: p, .. } => {
            p.spread.is_some()
        }
        _ => false,
    }
}

/// A part whose pins `stand` in the holes made for `own`, hole by hole.
fn reordered(part: &Part, own: &[&str], stand: &[&str]) -> Option<EditSet> {
    let pin = |name: &str| part.pins.iter().find(|p| p.name == name);
    let mut all = Vec::new();
    for (hole, leg) in own.iter().zip(stand) {
        all.push((pin(leg)?, pin(hole)?.node));
    }
    moves(&all)
}

fn moves(all: &[(&Pin, Node)]) -> Option<EditSet> {
    let moves: Vec<_> = all
        .iter()
        .filter(|(pin, node)| pin.node != *node)
        .flat_map(|(pin, node)| pin.terminals.iter().map(move |t| (*t, *node)))
        .collect();
    (!moves.is_empty()).then(|| vec![Edit::Rewire { moves }])
}
