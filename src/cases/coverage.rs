//! What the checks at hand can't show on a board, what they can't tell apart, and what one more tool or test point would gain.
//!
//! Every fault that a unit of this history may have is solved for on its own and compared with the healthy board and with all others,
//! reading by reading and rule by rule. Absent: several faults at once, and what a check costs.

use crate::circuit::board::Board;
use crate::circuit::predict::CheckId;
use crate::job::{Circuit, Diagnosis, FaultOrigin, JobCard, NewCard};
use crate::rules::{self, History, Rules, Tool};
use crate::text::{Complaints, Source};
use serde::Serialize;
use std::rc::Rc;

/// Readings closer than this many of their own standard deviations are alike.
const ALIKE: f64 = 1.5;
/// Chances of an abnormal answer closer than this are alike.
const ALIKE_CHANCE: f64 = 0.4;
/// Ohms over range are as far off as this (natural logarithm).
const OVER_RANGE: f64 = 17.5;

/// Faults that no check at hand can tell apart.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct AlikeFaults {
    /// Their ids, the likeliest first.
    pub faults: Vec<String>,
    /// Share of all the board's faults, by prior.
    pub share: f64,
    /// Whether the same work puts all of them right, so that telling them apart would gain nothing.
    pub one_remedy: bool,
}

/// What one more tool or test point would gain.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Gain {
    /// Tool, or check id of the test point.
    pub id: String,
    /// `tool` or `test-point`.
    pub kind: String,
    /// Bits of doubt about the fault that it would remove, on average over the board's faults.
    pub bits: f64,
    /// Share of all faults that it would show for the first time.
    pub shows: f64,
}

/// What is covered on a board.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Coverage {
    /// The unit.
    pub board: String,
    /// Tools at hand.
    pub tools: Vec<String>,
    /// How many faults were looked at.
    pub faults: usize,
    /// Faults that no check at hand shows, the likeliest first.
    pub unseen: Vec<String>,
    /// Share of all faults, by prior, that no check at hand shows.
    pub unseen_share: f64,
    /// Groups of two and more that are shown but not told apart, the likeliest first.
    pub groups: Vec<AlikeFaults>,
    /// Bits of doubt that all checks at hand leave, on average.
    pub bits_left: f64,
    /// What would gain most, the best first; only what gains something.
    pub gains: Vec<Gain>,
}

/// One check with what every fault does to it.
struct Column {
    id: String,
    /// Tools it needs: one of these, if any.
    tools: Vec<Tool>,
    /// Whether it is among the checks that are usually taken.
    usual: bool,
    /// Reading (or chance of an abnormal answer) by fault, the healthy board first; none where it is not known.
    values: Vec<Option<f64>>,
    /// How close is alike, by fault.
    slack: Vec<f64>,
}

impl Column {
    fn parts(&self, a: usize, b: usize) -> bool {
        match (self.values[a], self.values[b]) {
            (Some(x), Some(y)) => (x - y).abs() > self.slack[a].max(self.slack[b]),
            (x, y) => x.is_some() != y.is_some(),
        }
    }

    fn at_hand(&self, tools: &[Tool]) -> bool {
        self.usual && self.doable(tools)
    }

    fn doable(&self, tools: &[Tool]) -> bool {
        self.tools.is_empty() || self.tools.iter().any(|t| tools.contains(t))
    }
}

/// Looks at every fault of a board.
///
/// # Errors
/// When the board has no operating point or the job of such a unit can't be weighed.
pub fn coverage(
    rules: &Rules,
    board: &Board,
    history: History,
    tools: &[Tool],
) -> Result<Coverage, Complaints> {
    let circuit = Rc::new(Circuit::new(board)?);
    let new = NewCard {
        unit: board.name().to_owned(),
        history: Some(history),
        build: Some(board.build()),
        blocks: circuit.blocks(rules),
        tools: Tool::ALL.to_vec(),
        ..NewCard::default()
    };
    let job = JobCard::read(&Source::new("coverage.yaml", new.text()))?;
    let diagnosis = Diagnosis::sharing(rules, job, Some(Rc::clone(&circuit)))?;
    let mut faults: Vec<(usize, f64)> = diagnosis
        .model
        .faults
        .iter()
        .enumerate()
        .filter(|(_, f)| matches!(f.origin, FaultOrigin::Board(_)))
        .map(|(i, f)| (i, f.prior))
        .collect();
    faults.sort_by(|a, b| b.1.total_cmp(&a.1).then(a.0.cmp(&b.0)));
    let columns = columns(&diagnosis, &circuit, &faults);
    let table = Table { total: faults.iter().map(|f| f.1).sum(), faults, columns };
    let (groups, unseen) = table.split(|c| c.at_hand(tools));
    let bits_left = table.bits(&groups, &unseen);
    let name = |i: &usize| diagnosis.model.faults[table.faults[*i - 1].0].id.clone();
    // An empty sum of floats is minus zero, and would be printed so.
    let share = |list: &[usize]| list.iter().map(|i| table.share(*i)).sum::<f64>() + 0.0;
    let one_remedy = |list: &[usize]| {
        let of = |i: &usize| diagnosis.model.faults[table.faults[*i - 1].0].remedies.first();
        list.windows(2).all(|w| of(&w[0]) == of(&w[1]))
    };
    let mut alike: Vec<AlikeFaults> = groups
        .iter()
        .filter(|g| g.len() > 1)
        .map(|g| AlikeFaults {
            faults: g.iter().map(name).collect(),
            share: share(g),
            one_remedy: one_remedy(g),
        })
        .collect();
    alike.sort_by(|a, b| b.share.total_cmp(&a.share).then_with(|| a.faults.cmp(&b.faults)));
    Ok(Coverage {
        board: board.name().to_owned(),
        tools: tools.iter().map(|t| t.name().to_owned()).collect(),
        faults: table.faults.len(),
        unseen_share: share(&unseen),
        unseen: unseen.iter().map(name).collect(),
        groups: alike,
        bits_left,
        gains: table.gains(tools, bits_left, share(&unseen)),
    })
}

/// Every check that a board and its rules have.
fn columns(diagnosis: &Diagnosis<'_>, circuit: &Circuit<'_>, faults: &[(usize, f64)]) -> Vec<Column> {
    let checks = circuit.checks();
    let names: Vec<&str> = faults.iter().map(|(i, _)| diagnosis.model.faults[*i].id.as_str()).collect();
    let sets = [None].into_iter().chain(names.iter().map(|n| Some(*n)));
    let read: Vec<_> = sets.map(|n| circuit.outline(n.as_slice(), &checks)).collect();
    let mut out: Vec<Column> = Vec::new();
    for check in &checks {
        let of = |i: usize| read[i].as_ref().and_then(|p| p.get(check));
        let place = |mean: f64| if mean.is_finite() { mean } else { OVER_RANGE };
        out.push(Column {
            id: check.to_string(),
            tools: match check {
                CheckId::Level(_) => vec![Tool::AudioProbe, Tool::Scope],
                _ => vec![Tool::Meter],
            },
            usual: diagnosis.is_usual(check),
            values: (0..read.len()).map(|i| of(i).map(|p| place(p.mean))).collect(),
            slack: (0..read.len())
                .map(|i| of(i).map_or(0.0, |p| ALIKE * slack_of(check, p.own_sd)))
                .collect(),
        });
    }
    let belief = &diagnosis.model.belief;
    let given: Vec<_> = [None]
        .into_iter()
        .chain(faults.iter().map(|(i, _)| Some(crate::belief::FaultId(*i))))
        .map(|f| belief.given(f.as_slice()))
        .collect();
    for (id, node) in &diagnosis.model.now {
        let entry: &rules::Check = diagnosis.rules.check(*id);
        let abnormal = |g| Some(1.0 - belief.expected_answers(g, *node).first().copied().unwrap_or(1.0));
        out.push(Column {
            id: entry.id.clone(),
            tools: entry.tools.clone(),
            usual: true,
            values: given.iter().map(abnormal).collect(),
            slack: vec![ALIKE_CHANCE; given.len()],
        });
    }
    out
}

/// By ear, levels closer than two listeners agree are alike.
fn slack_of(check: &CheckId, own_sd: f64) -> f64 {
    if matches!(check, CheckId::Level(_)) { own_sd.hypot(3.0) } else { own_sd }
}

struct Table {
    /// Index in the model and prior.
    faults: Vec<(usize, f64)>,
    total: f64,
    columns: Vec<Column>,
}

impl Table {
    /// Share of fault `i`, counted from 1; 0 is the healthy board.
    fn share(&self, i: usize) -> f64 {
        self.faults[i - 1].1 / self.total.max(f64::MIN_POSITIVE)
    }

    /// Groups of faults that are shown but not told apart, and faults that are not shown.
    fn split(&self, taken: impl Fn(&Column) -> bool) -> (Vec<Vec<usize>>, Vec<usize>) {
        let columns: Vec<&Column> = self.columns.iter().filter(|c| taken(c)).collect();
        let parts = |a: usize, b: usize| columns.iter().any(|c| c.parts(a, b));
        let (mut groups, mut unseen): (Vec<Vec<usize>>, Vec<usize>) = (Vec::new(), Vec::new());
        for i in 1..=self.faults.len() {
            if !parts(0, i) {
                unseen.push(i);
                continue;
            }
            match groups.iter_mut().find(|g| !parts(g[0], i)) {
                Some(group) => group.push(i),
                None => groups.push(vec![i]),
            }
        }
        (groups, unseen)
    }

    /// Bits of doubt within groups, on average.
    fn bits(&self, groups: &[Vec<usize>], unseen: &[usize]) -> f64 {
        let within = |list: &[usize]| {
            let sum: f64 = list.iter().map(|i| self.share(*i)).sum();
            list.iter()
                .map(|i| self.share(*i))
                .filter(|p| *p > 0.0)
                .map(|p| p * (sum / p).log2())
                .sum::<f64>()
        };
        groups.iter().map(|g| within(g)).sum::<f64>() + within(unseen)
    }

    fn gains(&self, tools: &[Tool], bits: f64, unseen: f64) -> Vec<Gain> {
        let mut out = Vec::new();
        let mut offer = |id: String, kind: &str, (groups, hidden): (Vec<Vec<usize>>, Vec<usize>)| {
            let left: f64 = hidden.iter().map(|i| self.share(*i)).sum();
            let gain = bits - self.bits(&groups, &hidden);
            if gain > 1e-3 || unseen - left > 1e-3 {
                out.push(Gain { id, kind: kind.into(), bits: gain, shows: (unseen - left).max(0.0) });
            }
        };
        for tool in Tool::ALL.iter().filter(|t| !tools.contains(t)) {
            let more: Vec<Tool> = tools.iter().chain([tool]).copied().collect();
            if self.columns.iter().any(|c| c.at_hand(&more) && !c.at_hand(tools)) {
                offer(tool.name().into(), "tool", self.split(|c| c.at_hand(&more)));
            }
        }
        for (n, column) in self.columns.iter().enumerate().filter(|(_, c)| !c.usual && c.doable(tools)) {
            let split = self.split(|c| c.at_hand(tools) || std::ptr::eq(c, &self.columns[n]));
            offer(column.id.clone(), "test-point", split);
        }
        out.sort_by(|a, b| b.bits.total_cmp(&a.bits).then_with(|| a.id.cmp(&b.id)));
        out
    }
}
