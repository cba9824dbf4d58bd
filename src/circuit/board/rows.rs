//! Rows of a breadboard and strips of a stripboard: which leg sits where, held against the nets.

use super::resolve::Notes;
use super::written::BoardFile;
use super::{Board, Part};
use crate::text::{At, or_nearest};
use std::collections::{BTreeMap, BTreeSet};

/// A leg that sits where it should not, or legs of one net that nothing joins.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Misplaced {
    /// The leg, such as `C5+`; the net, where its rows are not joined.
    pub what: String,
    /// The row it sits in.
    pub row: String,
    /// What is wrong, a sentence without a full stop.
    pub says: String,
}

/// A row as the file has it, names looked up.
#[derive(Clone, Debug, PartialEq)]
pub struct Row {
    /// Its name.
    pub name: String,
    /// The legs in it.
    pub legs: Vec<Leg>,
    /// Rows that wires lead to.
    pub wires: Vec<String>,
}

/// A leg in a row.
#[derive(Clone, Debug, PartialEq)]
pub struct Leg {
    /// As people call it.
    pub called: String,
    /// The nets it may be on: one, or both of a part whose end is not said.
    pub nets: Vec<String>,
    /// The part; none for a lead that comes in from outside.
    pub part: Option<String>,
}

/// The rows of a file; complains of names that mean nothing.
pub(super) fn rows(file: &BoardFile, board: &Board, notes: &mut Notes) -> Vec<Row> {
    let names: Vec<&str> = file.rows.iter().map(|(n, _)| n.value.as_str()).collect();
    let mut out = Vec::new();
    for (name, items) in file.rows.iter() {
        let mut row = Row { name: name.value.clone(), legs: Vec::new(), wires: Vec::new() };
        for item in items {
            match wire(item) {
                Some(to) if names.contains(&to) => row.wires.push(to.to_owned()),
                Some(to) => {
                    let help = or_nearest(to, names.iter().copied());
                    notes.say(
                        "unknown-name",
                        item.span,
                        format!("there is no row '{to}' for the wire"),
                        help,
                    );
                }
                None => match leg(board, &item.value) {
                    Some(leg) => row.legs.push(leg),
                    None => {
                        let all = legs_of(board);
                        let near = or_nearest(&item.value, all.iter().map(String::as_str));
                        let help = format!(
                            "{near}; legs are written R1.1, C3+, Q1.b, leads by their net, wires as 'wire 12'"
                        );
                        notes.say(
                            "unknown-name",
                            item.span,
                            format!("'{}' is no leg of this board", item.value),
                            help,
                        );
                    }
                },
            }
        }
        out.push(row);
    }
    out
}

fn wire(item: &At<String>) -> Option<&str> {
    item.value.trim().strip_prefix("wire ").map(str::trim).filter(|t| !t.is_empty())
}

/// Every way to call a leg of a board, for the nearest of them.
fn legs_of(board: &Board) -> Vec<String> {
    let parts = board.parts.iter().flat_map(|p| p.pins.iter().map(move |pin| p.called(pin)));
    parts.chain(board.nets.iter().cloned()).collect()
}

fn leg(board: &Board, text: &str) -> Option<Leg> {
    let text = text.trim();
    if let Some((part, pin)) = board.find_pin(text) {
        let nets = vec![pin.net.clone().unwrap_or_else(|| format!("{} open", part.called(pin)))];
        return Some(Leg { called: text.to_owned(), nets, part: Some(part.id.clone()) });
    }
    if let Some(part) = board.parts.iter().find(|p| p.id == text && p.pins.len() == 2) {
        let nets = part.pins.iter().filter_map(|p| p.net.clone()).collect();
        return Some(Leg { called: text.to_owned(), nets, part: Some(part.id.clone()) });
    }
    let net = (text == board.ground || board.nets.iter().any(|n| n == text)).then(|| text.to_owned())?;
    Some(Leg { called: format!("the lead {net}"), nets: vec![net], part: None })
}

/// Rows that hang together by wires, by name of a row in each.
fn groups(rows: &[Row]) -> Vec<Vec<usize>> {
    let mut group: Vec<usize> = (0..rows.len()).collect();
    for (i, row) in rows.iter().enumerate() {
        for wire in &row.wires {
            let Some(j) = rows.iter().position(|r| r.name == *wire) else { continue };
            let (a, b) = (group[i], group[j]);
            group.iter_mut().filter(|g| **g == a.max(b)).for_each(|g| *g = a.min(b));
        }
    }
    let heads: BTreeSet<usize> = group.iter().copied().collect();
    heads.into_iter().map(|h| (0..rows.len()).filter(|i| group[*i] == h).collect()).collect()
}

/// The net that most legs of a group are on; the first in the file where several are alike.
fn net_of(rows: &[Row], group: &[usize]) -> Option<String> {
    let legs = || group.iter().flat_map(|i| &rows[*i].legs);
    let mut votes: Vec<(String, usize)> = Vec::new();
    for leg in legs() {
        // A part without a named end speaks for both of its nets, weakly.
        let weight = if leg.nets.len() == 1 { 2 } else { 1 };
        for net in &leg.nets {
            match votes.iter_mut().find(|(n, _)| n == net) {
                Some((_, v)) => *v += weight,
                None => votes.push((net.clone(), weight)),
            }
        }
    }
    let most = votes.iter().map(|(_, v)| *v).max()?;
    votes.into_iter().find(|(_, v)| *v == most).map(|(n, _)| n)
}

/// What sits wrong.
pub(super) fn misplaced(rows: &[Row]) -> Vec<Misplaced> {
    let groups = groups(rows);
    let nets: Vec<Option<String>> = groups.iter().map(|g| net_of(rows, g)).collect();
    let name = |group: &[usize]| {
        let names: Vec<&str> = group.iter().map(|i| rows[*i].name.as_str()).collect();
        format!("{} {}", if names.len() == 1 { "row" } else { "rows" }, names.join(" and "))
    };
    let mut out = Vec::new();
    for (group, net) in groups.iter().zip(&nets) {
        let Some(net) = net else { continue };
        for i in group {
            for leg in rows[*i].legs.iter().filter(|l| !l.nets.contains(net)) {
                let wanted = leg.nets.join(" or ");
                let home =
                    groups.iter().zip(&nets).find(|(_, n)| n.as_ref().is_some_and(|n| leg.nets.contains(n)));
                let home = home.map_or(String::new(), |(g, _)| format!(", which is {}", name(g)));
                out.push(Misplaced {
                    what: leg.called.clone(),
                    row: rows[*i].name.clone(),
                    says: format!(
                        "{} sits in row {} among legs of {net}; it belongs to {wanted}{home}",
                        leg.called, rows[*i].name
                    ),
                });
            }
        }
    }
    let mut by_net: BTreeMap<&str, Vec<&Vec<usize>>> = BTreeMap::new();
    for (group, net) in groups.iter().zip(&nets) {
        if let Some(net) = net {
            by_net.entry(net).or_default().push(group);
        }
    }
    for (net, groups) in by_net.into_iter().filter(|(_, g)| g.len() > 1) {
        let names: Vec<String> = groups.iter().map(|g| name(g)).collect();
        out.push(Misplaced {
            what: net.to_owned(),
            row: rows[groups[0][0]].name.clone(),
            says: format!("{net} is in {}, and no wire joins them", names.join(" and ")),
        });
    }
    out
}

/// Nets of rows that lie side by side: numbers that follow each other, letters behind them the same.
pub(super) fn side_by_side(rows: &[Row]) -> Vec<[String; 2]> {
    let groups = groups(rows);
    let net = |i: usize| groups.iter().find(|g| g.contains(&i)).and_then(|g| net_of(rows, g));
    let split = |name: &str| -> Option<(u32, String)> {
        let digits: String = name.chars().take_while(char::is_ascii_digit).collect();
        Some((digits.parse().ok()?, name[digits.len()..].to_owned()))
    };
    let mut out: Vec<[String; 2]> = Vec::new();
    for (i, row) in rows.iter().enumerate() {
        let Some((number, side)) = split(&row.name) else { continue };
        let next = rows.iter().position(|r| split(&r.name) == Some((number + 1, side.clone())));
        if let (Some(a), Some(b)) = (net(i), next.and_then(net))
            && a != b
            && !out.contains(&[a.clone(), b.clone()])
        {
            out.push([a, b]);
        }
    }
    out
}

impl Board {
    /// Rows of the file with the legs in each; empty where it gives none.
    pub fn rows(&self) -> &[Row] {
        &self.rows
    }

    /// Legs that sit in a row of another net, and rows of one net that no wire joins.
    pub fn misplaced(&self) -> Vec<Misplaced> {
        misplaced(&self.rows)
    }

    /// The rows that a net is in.
    pub fn rows_of(&self, net: &str) -> Vec<&str> {
        let groups = groups(&self.rows);
        let of_net = groups.iter().filter(|g| net_of(&self.rows, g).as_deref() == Some(net));
        of_net.flatten().map(|i| self.rows[*i].name.as_str()).collect()
    }

    /// The part and pin of a name such as `IC1.3`, `Q2.c`, `D1.k`, `C3+`.
    pub fn find_pin(&self, name: &str) -> Option<(&Part, &super::Pin)> {
        let (part, pin) = match name.strip_suffix(['+', '-']) {
            Some(part) => (part, if name.ends_with('+') { "plus" } else { "minus" }),
            None => name.rsplit_once('.')?,
        };
        let part = self.parts.iter().find(|p| p.id == part)?;
        let short = |p: &str| match pin {
            "a" => p == "anode",
            "k" => p == "cathode",
            "+" => p == "plus",
            "-" => p == "minus",
            _ => p.eq_ignore_ascii_case(pin),
        };
        part.pins
            .iter()
            .find(|p| p.name == pin)
            .or_else(|| part.pins.iter().find(|p| short(&p.name)))
            .map(|p| (part, p))
    }
}
