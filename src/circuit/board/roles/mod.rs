//! What each part does, worked out from how the parts hang together: a divider with a reservoir is a reference, a capacitor between
//! stages is a coupling, a diode from the supply is a guard.
//!
//! A pure function of nets, kinds and values. It says why it thinks so, and says nothing where it is not sure: a part without a role
//! is still a part. Roles that a board file gives are left as they are.

mod chips;
mod rails;
mod stages;
#[cfg(test)]
mod tests;
mod view;

use super::{Board, Part};
use crate::rules::parts::Library;
use std::collections::BTreeMap;
use std::rc::Rc;
use view::View;

/// A role worked out.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Inferred {
    /// The role, as under `role:`.
    pub role: &'static str,
    /// What it was seen by, a clause.
    pub why: String,
}

/// Roles by designator, for the parts whose place in the circuit gives them away.
pub(super) struct Roles<'a> {
    view: Rc<View<'a>>,
    found: BTreeMap<usize, Inferred>,
}

impl Roles<'_> {
    /// Gives a part a role, unless it has one.
    fn give(&mut self, part: usize, role: &'static str, why: impl Into<String>) {
        self.found.entry(part).or_insert_with(|| Inferred { role, why: why.into() });
    }

    fn has(&self, part: usize) -> bool {
        self.found.contains_key(&part)
    }
}

/// Works the roles of a board's parts out, by designator.
///
/// ```
/// use halfsplit::circuit::board::{Board, infer_roles};
/// use halfsplit::rules::parts::Library;
/// use halfsplit::text::Source;
/// let library = Library::builtin()?;
/// let text = "board: Half Moon\nbuild: pcb\nground: GND\nsupply: [{name: main, plus: V9, minus: GND, volts: 9V, source: battery}]\nparts:\n  R1: {kind: resistor, value: 10k, nets: [V9, MID]}\n  R2: {kind: resistor, value: 10k, nets: [MID, GND]}\n  C1: {kind: electrolytic, value: 47u, nets: [MID, GND]}\n";
/// let roles = infer_roles(&Board::load(&Source::new("half.yaml", text), &library)?, &library);
/// assert_eq!((roles["R1"].role, roles["C1"].role), ("reference-divider", "reference-reservoir"));
/// # Ok::<(), halfsplit::text::Complaints>(())
/// ```
pub fn infer(board: &Board, library: &Library) -> BTreeMap<String, Inferred> {
    let mut roles = Roles { view: Rc::new(View::of(board, library)), found: BTreeMap::new() };
    roles.supply();
    roles.chips();
    roles.transistors();
    roles.capacitors();
    roles.mix();
    roles.resistors();
    roles.diodes();
    roles.controls();
    let id = |i: usize| board.parts()[i].id.clone();
    roles.found.into_iter().map(|(i, r)| (id(i), r)).collect()
}

/// Fills in the roles that the file left out.
pub(super) fn fill(board: &mut Board, library: &Library) {
    if board.parts.iter().all(|p| p.role.is_some()) {
        return;
    }
    let mut inferred = infer(board, library);
    for part in &mut board.parts {
        if part.role.is_none() {
            fill_one(part, inferred.remove(&part.id));
        }
    }
}

fn fill_one(part: &mut Part, inferred: Option<Inferred>) {
    if let Some(Inferred { role, why }) = inferred {
        part.role = Some(role.to_owned());
        part.role_why = Some(why);
    }
}
