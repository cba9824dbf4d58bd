//! Exact sums over products of small tables: a bucket tree, run in one pass (total) or two (all marginals).
//!
//! Knows nothing of faults and checks. A [`Layout`] lists variables (each with its number of states) and the scopes of
//! tables over them; a [`Plan`] is an elimination order (min-fill; ties by the size of the table made, then by index)
//! with its buckets. The tables' numbers come in with each run, so that one plan serves many. Entries may be negative;
//! sums are carried in [`Wide`] numbers, and the first pass also runs on absolute values, which tells how many digits
//! the signs have cost ([`Totals::condition`]). Messages are scaled by powers of two, so nothing underflows.

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

    fn start(&self, table: usize) -> usize {
        if table == 0 { 0 } else { self.ends[table - 1] }
    }

    pub fn get(&self, table: usize) -> &[f64] {
        &self.data[self.start(table)..self.ends[table]]
    }

    pub fn get_mut(&mut self, table: usize) -> &mut [f64] {
        let start = self.start(table);
        &mut self.data[start..self.ends[table]]
    }
}

/// One dimension of a bucket as an input sees it: number of states and the input's stride.
type Steps = Vec<(usize, usize)>;

#[derive(Debug, Clone)]
struct Bucket {
    /// Number of states per scope variable; the bucket's own variable is last (fastest).
    dims: Vec<usize>,
    var: usize,
    size: usize,
    /// Tables that fall into this bucket.
    tables: Vec<(usize, Steps)>,
    /// Buckets whose message comes here.
    children: Vec<(usize, Steps)>,
    is_root: bool,
}

/// An elimination order and its buckets.
#[derive(Debug, Clone)]
pub(crate) struct Plan {
    buckets: Vec<Bucket>,
    cost: f64,
    vars: usize,
}

/// What the first pass yields.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Totals {
    /// Natural logarithm of the total.
    pub log_total: f64,
    /// Sum of absolute values over sum of values: 1 means no cancellation, 1e6 six digits lost.
    pub condition: f64,
}

/// The state between the passes.
pub(crate) struct Pass {
    products: Vec<Vec<Wide>>,
    messages: Vec<Vec<Wide>>,
    pub totals: Totals,
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
        let mut buckets = Vec::with_capacity(n);
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
            buckets.push(Bucket {
                dims: scope.iter().map(|p| card(*p)).collect(),
                var: order[i],
                size: if size < 1e15 { size as usize } else { usize::MAX },
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

    /// First pass. `None` when the total is not above zero.
    pub fn up(&self, tables: &Tables) -> Option<Pass> {
        let mut products = Vec::with_capacity(self.vars);
        let mut messages: Vec<Vec<Wide>> = Vec::with_capacity(self.vars);
        let mut absolutes: Vec<Vec<f64>> = Vec::with_capacity(self.vars);
        let (mut log_total, mut log_absolute) = (0.0, 0.0);
        for bucket in &self.buckets {
            let mut product = vec![Wide::ONE; bucket.size];
            for (t, steps) in &bucket.tables {
                let data = tables.get(*t);
                walk(steps, |cell, at| product[cell] = product[cell].mul_narrow(data[at]));
            }
            let mut absolute: Vec<f64> = product.iter().map(|x| x.high.abs()).collect();
            products.push(product.clone());
            for (c, steps) in &bucket.children {
                let (wide, narrow) = (&messages[*c], &absolutes[*c]);
                walk(steps, |cell, at| {
                    product[cell] = product[cell].mul(wide[at]);
                    absolute[cell] *= narrow[at];
                });
            }
            let own = bucket.dims.last().copied().unwrap_or(1);
            let mut message: Vec<Wide> = product.chunks_exact(own).map(sum).collect();
            let mut size: Vec<f64> = absolute.chunks_exact(own).map(|c| c.iter().sum()).collect();
            if bucket.is_root {
                let (value, bound) = (message.first()?.high, size.first()?);
                if value <= 0.0 || value.is_nan() {
                    return None;
                }
                log_total += value.ln();
                log_absolute += bound.ln();
            } else {
                log_total += scale(&mut message)?;
                let top = size.iter().copied().fold(0.0, f64::max);
                let power = power_of_two(top);
                size.iter_mut().for_each(|x| *x *= power);
                log_absolute -= power.ln();
            }
            messages.push(message);
            absolutes.push(size);
        }
        Some(Pass {
            products,
            messages,
            totals: Totals { log_total, condition: (log_absolute - log_total).exp() },
        })
    }

    /// Second pass: the normalised marginal of every variable (entries of a signed variable may be negative).
    pub fn down(&self, pass: Pass) -> Vec<Vec<f64>> {
        let Pass { mut products, messages, .. } = pass;
        let mut marginals = vec![Vec::new(); self.vars];
        let mut from_above: Vec<Option<(Vec<Wide>, Steps)>> = vec![None; self.vars];
        for (i, bucket) in self.buckets.iter().enumerate().rev() {
            let mut product = std::mem::take(&mut products[i]);
            if let Some((data, steps)) = from_above[i].take() {
                walk(&steps, |cell, at| product[cell] = product[cell].mul(data[at]));
            }
            let k = bucket.children.len();
            // after[j]: product of the messages of children j+1.. ; before: everything else so far.
            let mut after: Vec<Vec<Wide>> = Vec::with_capacity(k);
            if k > 1 {
                let mut right = vec![Wide::ONE; bucket.size];
                for (c, steps) in bucket.children[1..].iter().rev() {
                    let data = &messages[*c];
                    walk(steps, |cell, at| right[cell] = right[cell].mul(data[at]));
                    after.push(right.clone());
                }
                after.reverse();
            }
            for (j, (c, steps)) in bucket.children.iter().enumerate() {
                let mut data = vec![Wide::ZERO; messages[*c].len()];
                match after.get(j) {
                    Some(right) => walk(steps, |cell, at| {
                        data[at] = data[at].add(product[cell].mul(right[cell]));
                    }),
                    None => walk(steps, |cell, at| data[at] = data[at].add(product[cell])),
                }
                scale(&mut data);
                let lower = &self.buckets[*c].dims;
                let mut stride = data.len();
                let mut below: Steps = Vec::with_capacity(lower.len());
                for (place, dim) in lower.iter().enumerate() {
                    if place + 1 == lower.len() {
                        below.push((*dim, 0));
                    } else {
                        stride /= dim;
                        below.push((*dim, stride));
                    }
                }
                from_above[*c] = Some((data, below));
                let message = &messages[*c];
                walk(steps, |cell, at| product[cell] = product[cell].mul(message[at]));
            }
            let own = bucket.dims.last().copied().unwrap_or(1);
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

/// Scales near a greatest absolute entry of one; returns the logarithm taken out, `None` when all is zero.
fn scale(data: &mut [Wide]) -> Option<f64> {
    let top = data.iter().fold(0.0f64, |a, x| a.max(x.high.abs()));
    if top <= 0.0 || !top.is_finite() {
        return None;
    }
    let power = power_of_two(top);
    data.iter_mut().for_each(|x| *x = x.scaled(power));
    Some(-power.ln())
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
