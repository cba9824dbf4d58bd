//! Other values and devices on a board: `R4=47k`, `Q2=BC549C`, `VR1=30%`, `main=8V`.

use super::written::{BoardFile, Part};
use crate::rules::parts::{Device, Library};
use crate::text::{Complaint, Complaints, or_nearest};
use crate::units::notation;

/// Something put in place of what the file has.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Change {
    /// The part or supply.
    pub part: String,
    /// The new value, part number, turn, position or voltage.
    pub to: String,
}

/// Puts changes into a file.
///
/// # Errors
/// Every change that names nothing, or does not fit.
pub(super) fn make(file: &mut BoardFile, changes: &[Change], library: &Library) -> Result<(), Complaints> {
    let mut complaints = Complaints::default();
    for change in changes {
        if let Err(complaint) = one(file, change, library) {
            complaints.0.push(complaint);
        }
    }
    complaints.or_ok(())
}

fn one(file: &mut BoardFile, change: &Change, library: &Library) -> Result<(), Complaint> {
    let to = change.to.trim();
    if let Some(supply) = file.supply.iter_mut().find(|s| s.name.value == change.part) {
        notation::volts(to).map_err(|e| said(&e.to_string()))?;
        to.clone_into(&mut supply.volts.value);
        return Ok(());
    }
    let names: Vec<String> = file.parts.iter().map(|(n, _)| n.value.clone()).collect();
    let part = file.parts.0.iter_mut().find(|(n, _)| n.value == change.part).map(|(_, p)| p);
    let Some(part) = part else {
        let message = format!("there is no part '{}' on this board", change.part);
        return Err(Complaint::nowhere("unknown-name", message)
            .help(or_nearest(&change.part, names.iter().map(String::as_str))));
    };
    match (&part.device, &part.kind) {
        (Some(old), _) => {
            let old = old.value.clone();
            device(part, &change.part, &old, to, library)
        }
        (None, Some(kind)) => {
            let kind = kind.value.clone();
            value(part, &kind, to, library)
        }
        _ => Ok(()),
    }
}

fn said(text: &str) -> Complaint {
    let (message, help) = text.split_once("; ").unwrap_or((text, ""));
    Complaint::nowhere("bad-value", message).help(help)
}

fn device(part: &mut Part, id: &str, old: &str, to: &str, library: &Library) -> Result<(), Complaint> {
    let names = library.device_names();
    let found = names.iter().find(|n| n.eq_ignore_ascii_case(to)).copied();
    let Some(number) = found else {
        let message = format!("no card for device '{to}'");
        return Err(Complaint::nowhere("unknown-name", message).help(or_nearest(to, names)));
    };
    let pins = |d: &Device| -> Vec<String> {
        let mut all: Vec<String> = d.pins.iter().map(|(p, _)| p.value.clone()).collect();
        all.sort_unstable();
        all
    };
    if let (Some(was), Some(now)) = (library.device(old), library.device(number))
        && pins(was) != pins(now)
    {
        let list = |d: &Device| d.pins.iter().map(|(p, _)| p.value.as_str()).collect::<Vec<_>>().join(", ");
        let message = format!("{number} has the pins {}, and {id} is wired by {}", list(now), list(was));
        return Err(Complaint::nowhere("wrong-pins", message).help("put in a part of the same kind"));
    }
    if let Some(device) = &mut part.device {
        number.clone_into(&mut device.value);
    }
    // Figures measured on the old part are none of the new one's.
    part.with.clear();
    Ok(())
}

fn value(part: &mut Part, kind: &str, to: &str, library: &Library) -> Result<(), Complaint> {
    let Some(entry) = library.kind(kind) else { return Ok(()) };
    let span = part.kind.as_ref().map(|k| k.span).unwrap_or_default();
    let at = |text: &str| Some(crate::text::At { value: text.to_owned(), span });
    if entry.turn.is_some() && to.ends_with('%') {
        notation::share(to).map_err(|e| said(&e.to_string()))?;
        part.turn = at(to);
        return Ok(());
    }
    if !entry.positions.0.is_empty() {
        let names: Vec<&str> = entry.positions.iter().map(|(n, _)| n.value.as_str()).collect();
        if !names.contains(&to) {
            let message = format!("there is no position '{to}'");
            return Err(Complaint::nowhere("unknown-name", message).help(or_nearest(to, names)));
        }
        part.position = at(to);
        return Ok(());
    }
    let Some(rule) = &entry.value else {
        let message = format!("{} takes no value", entry.says);
        return Err(
            Complaint::nowhere("wrong-field", message).help("name a fault instead, such as its 'open'")
        );
    };
    let read = match rule.unit {
        crate::units::Unit::Ohms => notation::ohms(to).map(|m| m.value.0),
        crate::units::Unit::Farads => notation::farads(to).map(|m| m.value.0),
        _ => notation::henries(to).map(|h| h.0),
    };
    read.map_err(|e| said(&e.to_string()))?;
    part.value = at(to);
    Ok(())
}

/// What a swap of one three-legged device for another means for the holes: the order of the legs, where it differs.
pub fn legs_differ(library: &Library, old: &str, new: &str) -> Option<String> {
    let order = |number: &str| -> Option<(String, Vec<String>)> {
        let (package, legs) = library.device(number)?.packages.iter().next()?;
        Some((package.value.clone(), legs.iter().map(|l| l.value.clone()).collect()))
    };
    let ((old_package, old_legs), (new_package, new_legs)) = (order(old)?, order(new)?);
    if old_legs.len() != 3 || (old_legs == new_legs && old_package == new_package) {
        return None;
    }
    Some(format!(
        "its legs stand {} ({new_package}) where {old} has {} ({old_package}): bend them or turn the part",
        new_legs.join(", "),
        old_legs.join(", ")
    ))
}
