//! Exact sums over products of small tables: a bucket tree, run in one pass (total) or two (all marginals).
//!
//! Knows nothing of faults and checks. A [`Layout`] lists variables (each with its number of states) and the scopes of
//! tables over them; a [`Plan`] is an elimination order (min-fill; ties by the size of the table made, then by index)
//! with its buckets. The tables' numbers come in with each run, so that one plan serves many. Entries may be negative;
//! sums are carried in [`Wide`] numbers, and the first pass also carries a bound on the rounding errors so far, which tells
//! how many digits the signs have cost ([`Totals::condition`]). Messages are scaled by powers of two, so nothing underflows.

use std::ops::Range;

use super::wide::Wide;

/// Variables by number of states, and the scopes of the tables over them (last variable fastest).
#[derive(Debug, Clone, Default)]
pub(crate) struct Layout {
    pub cards: Vec<usize>,
    pub scopes: Vec<Vec<usize>>,
}

impl Layout {
    pub fn add_var(&mut self, card: usize) -> usize {
        self.cards.push(card);
        self.cards.len() - 1
    }

    /// Declares a table; returns its place. The scope has at least one variable.
    pub fn add_table(&mut self, scope: Vec<usize>) -> usize {
        self.scopes.push(scope);
        self.scopes.len() - 1
    }
}

/// The numbers of the tables, in one run of memory.
#[derive(Debug, Clone, Default)]
pub(crate) struct Tables {
    data: Vec<f64>,
    ends: Vec<usize>,
}

impl Tables {
    /// Adds the numbers of the next table.
    pub fn push(&mut self, numbers: &[f64]) {
        self.data.extend_from_slice(numbers);
        self.ends.push(self.data.len());
    }

    fn range(&self, table: usize) -> Range<usize> {
        let start = if table == 0 { 0 } else { self.ends[table - 1] };
        start..self.ends[table]
    }

    pub fn get(&self, table: usize) -> &[f64] {
        &self.data[self.range(table)]
    }

    pub fn get_mut(&mut self, table: usize) -> &mut [f64] {
        let range = self.range(table);
        &mut self.data[range]
    }
}

/// One dimension of a bucket as an input sees it: number of states and the input's stride.
type Steps = Vec<(usize, usize)>;

#[derive(Debug, Clone)]
struct Bucket {
    /// Number of states per scope variable; the bucket's own variable is last (fastest).
    dims: Vec<usize>,
    var: usize,
    /// Tables that fall into this bucket.
    tables: Vec<(usize, Steps)>,
    /// Buckets whose message comes here.
    children: Vec<(usize, Steps)>,
    is_root: bool,
    /// Where this bucket's product and its message stand in the runs of memory that hold them all.
    product: Range<usize>,
    message: Range<usize>,
}

/// An elimination order and its buckets.
#[derive(Debug, Clone)]
pub(crate) struct Plan {
    buckets: Vec<Bucket>,
    cost: f64,
    vars: usize,
}

/// What the first pass yields.
#[derive(Debug, Clone, Copy, Default)]
pub(crate) struct Totals {
    /// Natural logarithm of the total.
    pub log_total: f64,
    /// Bound on the relative rounding error of the total, to first order, in units of one operation's relative error:
    /// about the number of operations in a row where nothing cancels, 1e6 times that where six digits are lost. A running
    /// error analysis (Higham 2002, section 3.3): factors count as they are, not by the sum of their absolute terms.
    pub condition: f64,
}

/// The first pass as it stands: what the second works on, and what the next first pass need not do again.
#[derive(Debug, Clone, Default)]
pub(crate) struct Pass {
    /// The tables' numbers it was made for; none before the first.
    data: Vec<f64>,
    /// Product of each bucket's own tables; empty when only totals are wanted.
    products: Vec<Wide>,
    messages: Vec<Wide>,
    errors: Vec<f64>,
    /// What each bucket adds to the total.
    totals: Vec<Totals>,
    /// Buckets that the tables at hand change.
    changed: Vec<bool>,
}

impl Plan {
    /// A plan for no variables.
    pub fn empty() -> Plan {
        Plan { buckets: Vec::new(), cost: 0.0, vars: 0 }
    }

    /// Orders the variables and lays out the buckets.
    pub fn new(layout: &Layout) -> Plan {
        let order = super::order::min_fill(&layout.cards, &layout.scopes);
        let n = layout.cards.len();
        let mut position = vec![0usize; n];
        for (i, v) in order.iter().enumerate() {
            position[*v] = i;
        }
        // Scopes as positions, so that sorting puts the latest-eliminated first.
        let mut scopes: Vec<Vec<usize>> = (0..n).map(|i| vec![i]).collect();
        let mut tables: Vec<Vec<usize>> = vec![Vec::new(); n];
        for (t, scope) in layout.scopes.iter().enumerate() {
            if let Some(first) = scope.iter().map(|v| position[*v]).min() {
                tables[first].push(t);
                scopes[first].extend(scope.iter().map(|v| position[*v]));
            }
        }
        let mut children: Vec<Vec<usize>> = vec![Vec::new(); n];
        let mut is_root = vec![false; n];
        for i in 0..n {
            let mut scope = std::mem::take(&mut scopes[i]);
            scope.sort_unstable_by(|a, b| b.cmp(a));
            scope.dedup();
            match scope.len() {
                0 | 1 => is_root[i] = true,
                len => {
                    let parent = scope[len - 2];
                    children[parent].push(i);
                    scopes[parent].extend_from_slice(&scope[..len - 1]);
                }
            }
            scopes[i] = scope;
        }
        let card = |p: usize| layout.cards[order[p]];
        let mut cost = 0.0;
        let mut buckets: Vec<Bucket> = Vec::with_capacity(n);
        let (mut product_end, mut message_end) = (0usize, 0usize);
        for i in 0..n {
            let scope = &scopes[i];
            let size: f64 = scope.iter().map(|p| card(*p) as f64).product();
            cost += size;
            let steps = |vars: &[usize]| -> Steps {
                let mut out: Steps = scope.iter().map(|p| (card(*p), 0)).collect();
                let mut stride = 1;
                for p in vars.iter().rev() {
                    if let Some(place) = scope.iter().position(|s| s == p) {
                        out[place].1 = stride;
                    }
                    stride = stride.saturating_mul(card(*p));
                }
                out
            };
            let size = if size < 1e15 { size as usize } else { usize::MAX };
            let product = product_end..product_end.saturating_add(size);
            let message = message_end..message_end.saturating_add(size / card(i));
            (product_end, message_end) = (product.end, message.end);
            buckets.push(Bucket {
                dims: scope.iter().map(|p| card(*p)).collect(),
                var: order[i],
                product,
                message,
                tables: tables[i]
                    .iter()
                    .map(|t| {
                        let vars: Vec<usize> = layout.scopes[*t].iter().map(|v| position[*v]).collect();
                        (*t, steps(&vars))
                    })
                    .collect(),
                children: children[i]
                    .iter()
                    .map(|c| (*c, steps(&scopes[*c][..scopes[*c].len() - 1])))
                    .collect(),
                is_root: is_root[i],
            });
        }
        Plan { buckets, cost, vars: n }
    }

    /// Table entries over all buckets: the measure of work.
    pub fn cost(&self) -> f64 {
        self.cost
    }

    /// First pass; `keep` when a second is to follow. Buckets that the tables leave as they were in the pass handed in are not made
    /// again. `None` when the total is not above zero.
    pub fn up(&self, tables: &Tables, keep: bool, pass: &mut Pass) -> Option<Totals> {
        let last = self.buckets.last();
        let (cells, kept) = (last.map_or(0, |b| b.message.end), last.map_or(0, |b| b.product.end));
        let again = pass.data.len() == tables.data.len()
            && pass.totals.len() == self.buckets.len()
            && (!keep || pass.products.len() == kept);
        if !again {
            *pass = Pass::default();
            pass.messages.resize(cells, Wide::ZERO);
            pass.errors.resize(cells, 0.0);
            pass.products.resize(if keep { kept } else { 0 }, Wide::ONE);
            pass.totals.resize(self.buckets.len(), Totals::default());
        }
        pass.changed.clear();
        for bucket in &self.buckets {
            let own = || bucket.tables.iter().any(|(t, _)| tables.get(*t) != &pass.data[tables.range(*t)]);
            let below = || bucket.children.iter().any(|(c, _)| pass.changed[*c]);
            let changed = !again || own() || below();
            pass.changed.push(changed);
        }
        let done = self.up_changed(tables, pass);
        pass.data.clone_from(&tables.data);
        if done.is_none() {
            pass.data.clear();
        }
        done?;
        let sum = |part: fn(&Totals) -> f64| pass.totals.iter().map(part).sum();
        Some(Totals { log_total: sum(|t| t.log_total), condition: sum(|t| t.condition) })
    }

    fn up_changed(&self, tables: &Tables, pass: &mut Pass) -> Option<()> {
        let Pass { products, messages, errors, totals, changed, .. } = pass;
        let (mut product, mut error): (Vec<Wide>, Vec<f64>) = (Vec::new(), Vec::new());
        for (place, bucket) in self.buckets.iter().enumerate().filter(|(i, _)| changed[*i]) {
            product.clear();
            product.resize(bucket.product.len(), Wide::ONE);
            for (t, steps) in &bucket.tables {
                let data = tables.get(*t);
                walk(steps, |cell, at| product[cell] = product[cell].mul_narrow(data[at]));
            }
            if !products.is_empty() {
                products[bucket.product.clone()].copy_from_slice(&product);
            }
            error.clear();
            error.extend(product.iter().map(|x| x.high.abs() * bucket.tables.len() as f64));
            for (c, steps) in &bucket.children {
                let range = self.buckets[*c].message.clone();
                let (factor, own) = (&messages[range.clone()], &errors[range]);
                walk(steps, |cell, at| {
                    let before = product[cell].high.abs();
                    product[cell] = product[cell].mul(factor[at]);
                    error[cell] =
                        error[cell] * factor[at].high.abs() + before * own[at] + product[cell].high.abs();
                });
            }
            let own = bucket.dims.last().copied().unwrap_or(1);
            let message = &mut messages[bucket.message.clone()];
            let bounds = &mut errors[bucket.message.clone()];
            for (m, chunk) in message.iter_mut().zip(product.chunks_exact(own)) {
                *m = sum(chunk);
            }
            for ((b, chunk), m) in bounds.iter_mut().zip(error.chunks_exact(own)).zip(message.iter()) {
                *b = chunk.iter().sum::<f64>() + m.high.abs();
            }
            if bucket.is_root {
                let (value, bound) = (message.first()?.high, bounds.first()?);
                if value <= 0.0 || value.is_nan() {
                    return None;
                }
                totals[place] = Totals { log_total: value.ln(), condition: bound / value };
            } else {
                let (log, power) = scale(message)?;
                totals[place].log_total = log;
                bounds.iter_mut().for_each(|x| *x *= power);
            }
        }
        Some(())
    }

    /// Second pass: the normalised marginal of every variable (entries of a signed variable may be negative).
    pub fn down(&self, pass: &Pass) -> Vec<Vec<f64>> {
        let Pass { products, messages, .. } = pass;
        let mut product: Vec<Wide> = Vec::new();
        let mut marginals = vec![Vec::new(); self.vars];
        let mut from_above = vec![Wide::ZERO; messages.len()];
        let (mut after, mut ends): (Vec<Wide>, Vec<usize>) = (Vec::new(), Vec::new());
        for bucket in self.buckets.iter().rev() {
            product.clear();
            product.extend_from_slice(&products[bucket.product.clone()]);
            let own = bucket.dims.last().copied().unwrap_or(1);
            if !bucket.is_root {
                let above = &from_above[bucket.message.clone()];
                for (chunk, x) in product.chunks_exact_mut(own).zip(above) {
                    chunk.iter_mut().for_each(|p| *p = p.mul(*x));
                }
            }
            // Products of the messages of all later children, last child first; `product` gathers the earlier ones.
            let size = product.len();
            after.clear();
            ends.clear();
            for (c, steps) in bucket.children.iter().skip(1).rev() {
                let start = after.len();
                match start {
                    0 => after.resize(size, Wide::ONE),
                    _ => after.extend_from_within(start - size..),
                }
                let (data, right) = (&messages[self.buckets[*c].message.clone()], &mut after[start..]);
                walk(steps, |cell, at| right[cell] = right[cell].mul(data[at]));
                ends.push(after.len());
            }
            for (c, steps) in &bucket.children {
                let range = self.buckets[*c].message.clone();
                let data = &mut from_above[range.clone()];
                match ends.pop() {
                    Some(end) => {
                        let right = &after[end - size..end];
                        walk(steps, |cell, at| {
                            data[at] = data[at].add(product[cell].mul(right[cell]));
                        });
                    }
                    None => walk(steps, |cell, at| data[at] = data[at].add(product[cell])),
                }
                scale(data);
                let message = &messages[range];
                walk(steps, |cell, at| product[cell] = product[cell].mul(message[at]));
            }
            let mut marginal = vec![Wide::ZERO; own];
            for chunk in product.chunks_exact(own) {
                for (m, x) in marginal.iter_mut().zip(chunk) {
                    *m = m.add(*x);
                }
            }
            let total = sum(&marginal);
            marginals[bucket.var] = marginal.iter().map(|m| m.over(total)).collect();
        }
        marginals
    }
}

fn sum(cells: &[Wide]) -> Wide {
    cells.iter().fold(Wide::ZERO, |a, b| a.add(*b))
}

/// The power of two that brings `x` near one (1 for zero or what is not finite).
fn power_of_two(x: f64) -> f64 {
    if x > 0.0 && x.is_finite() { (-x.log2().floor()).clamp(-1000.0, 1000.0).exp2() } else { 1.0 }
}

/// Scales near a greatest absolute entry of one; returns the logarithm taken out and the factor, `None` when all is zero.
fn scale(data: &mut [Wide]) -> Option<(f64, f64)> {
    let top = data.iter().fold(0.0f64, |a, x| a.max(x.high.abs()));
    if top <= 0.0 || !top.is_finite() {
        return None;
    }
    let power = power_of_two(top);
    data.iter_mut().for_each(|x| *x = x.scaled(power));
    Some((-power.ln(), power))
}

/// Walks the cells in order and hands out (cell, offset into the strided input).
#[inline]
fn walk(steps: &[(usize, usize)], mut visit: impl FnMut(usize, usize)) {
    let mut digits = [0usize; 64];
    let Some(((inner, inner_stride), outer)) = steps.split_last() else {
        visit(0, 0);
        return;
    };
    let (mut cell, mut offset) = (0, 0);
    'all: loop {
        let mut at = offset;
        for _ in 0..*inner {
            visit(cell, at);
            cell += 1;
            at += inner_stride;
        }
        for place in (0..outer.len()).rev() {
            let (dim, stride) = outer[place];
            digits[place] += 1;
            offset += stride;
            if digits[place] < dim {
                continue 'all;
            }
            offset -= stride * dim;
            digits[place] = 0;
        }
        return;
    }
}
