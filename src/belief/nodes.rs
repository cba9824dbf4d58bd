//! One noisy-OR or noisy-MAX node inside a compiled network.

use super::tree::{Layout, Tables};

/// One product of the signed sum: `sign * P(answer <= this)`.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Term {
    pub answer: usize,
    pub sign: f64,
}

/// `sum_k l_k P(k)` as `sum_k (l_k - l_{k+1}) P(<= k)`, terms of weight zero dropped.
pub(crate) fn terms(likelihood: &[f64]) -> Vec<Term> {
    let mut out = Vec::with_capacity(2);
    for (answer, l) in likelihood.iter().enumerate() {
        let sign = l - likelihood.get(answer + 1).copied().unwrap_or(0.0);
        if sign != 0.0 {
            out.push(Term { answer, sign });
        }
    }
    out
}

#[derive(Debug, Clone)]
enum Shape {
    /// Auxiliary variable with one state per term; unary table at this place (none when there is a single term).
    Signed { table: Option<usize> },
    /// As `Signed` with the hidden condition's variable in the same table.
    Hidden { condition: usize, table: usize },
    /// Running maximum; the first table, and the first cause's density where there is a cause.
    Chain { table: usize, first: Option<Vec<f64>> },
}

/// A node: what its leak and folded causes contribute to each term, and its tables.
#[derive(Debug, Clone)]
pub(crate) struct Node {
    /// Product of P(answer <= term's answer) over leak and folded causes, by term.
    pub base: Vec<f64>,
    /// The auxiliary variable of a signed node.
    pub var: Option<usize>,
    terms: Vec<Term>,
    shape: Shape,
}

impl Node {
    /// A finding, or a condition summed out: weights are the terms' signs.
    pub fn signed(base: Vec<f64>, terms: Vec<Term>) -> Node {
        Node { base, var: None, terms, shape: Shape::Signed { table: None } }
    }

    /// A condition that stays a variable.
    pub fn hidden(base: Vec<f64>, terms: Vec<Term>, condition: usize) -> Node {
        Node { base, var: None, terms, shape: Shape::Hidden { condition, table: 0 } }
    }

    /// A node as a chain; `base` by answer.
    pub fn chain(base: Vec<f64>) -> Node {
        let terms = (0..base.len()).map(|answer| Term { answer, sign: 0.0 }).collect();
        Node { base, var: None, terms, shape: Shape::Chain { table: 0, first: None } }
    }

    /// The answer of each term.
    pub fn answers(&self) -> Vec<usize> {
        self.terms.iter().map(|t| t.answer).collect()
    }

    /// Adds the auxiliary variable and its pairs with the open causes (variable, factor per term).
    pub fn connect_signed(&mut self, open: &[(usize, Vec<f64>)], layout: &mut Layout, tables: &mut Tables) {
        let var = layout.add_var(self.terms.len());
        self.var = Some(var);
        match &mut self.shape {
            Shape::Hidden { condition, table } => {
                *table = layout.add_table(vec![var, *condition]);
                tables.push(&[0.0; 4]);
            }
            Shape::Signed { table } => {
                *table = Some(layout.add_table(vec![var]));
                tables.push(&vec![0.0; self.terms.len()]);
            }
            Shape::Chain { .. } => {}
        }
        for (cause, factors) in open {
            layout.add_table(vec![var, *cause]);
            let pairs: Vec<f64> = factors.iter().flat_map(|q| [1.0, *q]).collect();
            tables.push(&pairs);
        }
    }

    /// Adds the running maxima, the last of which is `end`.
    pub fn connect_chain(
        &mut self,
        open: &[(usize, Vec<f64>)],
        end: Option<usize>,
        layout: &mut Layout,
        tables: &mut Tables,
    ) {
        let m = self.base.len();
        let mut last = None;
        for (i, (cause, spread)) in open.iter().enumerate() {
            let here = match end {
                Some(v) if i + 1 == open.len() => v,
                _ => layout.add_var(m),
            };
            let one = density(spread);
            match last {
                None => {
                    let table = layout.add_table(vec![*cause, here]);
                    tables.push(&vec![0.0; 2 * m]);
                    self.shape = Shape::Chain { table, first: Some(one) };
                }
                Some(before) => {
                    layout.add_table(vec![*cause, before, here]);
                    let mut data = Vec::with_capacity(2 * m * m);
                    let unit = |k: usize| -> Vec<f64> { (0..m).map(|j| f64::from(j == k)).collect() };
                    (0..m).for_each(|k| data.extend(unit(k)));
                    (0..m).for_each(|k| data.extend(join(&unit(k), &one)));
                    tables.push(&data);
                }
            }
            last = Some(here);
        }
        if let (None, Some(end)) = (last, end) {
            let table = layout.add_table(vec![end]);
            tables.push(&vec![0.0; m]);
            self.shape = Shape::Chain { table, first: None };
        }
    }

    /// Writes the numbers of this run into the node's table; returns the logarithm of its constant factor, `None` when
    /// that is zero.
    pub fn fill(&self, base: &[f64], tables: &mut Tables) -> Option<f64> {
        match &self.shape {
            Shape::Signed { table: None } => {
                let factor = self.terms.first()?.sign * base.first()?;
                return (factor > 0.0).then(|| factor.ln());
            }
            Shape::Signed { table: Some(table) } => {
                let slot = tables.get_mut(*table);
                for ((s, t), b) in slot.iter_mut().zip(&self.terms).zip(base) {
                    *s = t.sign * b;
                }
            }
            // Rows: the term "anything" (only with the condition present), the term "absent".
            Shape::Hidden { table, .. } => {
                let slot = tables.get_mut(*table);
                slot.copy_from_slice(&[0.0, base[0], base[1], -base[1]]);
            }
            Shape::Chain { table, first } => {
                let start = density(base);
                let slot = tables.get_mut(*table);
                let m = start.len();
                slot[..m].copy_from_slice(&start);
                if let Some(one) = first {
                    slot[m..].copy_from_slice(&join(&start, one));
                }
            }
        }
        Some(0.0)
    }
}

/// P(<= k) to P(= k).
fn density(cumulative: &[f64]) -> Vec<f64> {
    let mut last = 0.0;
    let step = |c: &f64| {
        let d = (c - last).max(0.0);
        last = *c;
        d
    };
    cumulative.iter().map(step).collect()
}

/// Distribution of the greater of two independent answers.
fn join(a: &[f64], b: &[f64]) -> Vec<f64> {
    let mut out = vec![0.0; a.len()];
    for (i, x) in a.iter().enumerate() {
        for (j, y) in b.iter().enumerate() {
            out[i.max(j)] += x * y;
        }
    }
    out
}
