//! Exact sums over products of small tables: a bucket tree, calibrated in two passes.
//!
//! Knows nothing of faults and checks. A [`Network`] is a list of variables (each with its number of states) and
//! non-negative tables over some of them. [`Plan`] is an elimination order (min-fill, ties by table size, then by
//! index) with its buckets; [`Plan::calibrate`] runs the two passes. Messages are scaled to a greatest entry of one
//! and the scale kept as a logarithm, so nothing underflows.

/// A table over `vars`; the last variable runs fastest.
#[derive(Debug, Clone)]
pub(crate) struct Table {
    pub vars: Vec<usize>,
    pub data: Vec<f64>,
}

/// Variables by number of states, and tables over them.
#[derive(Debug, Clone, Default)]
pub(crate) struct Network {
    pub cards: Vec<usize>,
    pub tables: Vec<Table>,
}

impl Network {
    pub fn add_var(&mut self, card: usize) -> usize {
        self.cards.push(card);
        self.cards.len() - 1
    }

    pub fn add_table(&mut self, vars: Vec<usize>, data: Vec<f64>) {
        self.tables.push(Table { vars, data });
    }
}

/// One bucket: the variable summed out and the others it meets, in elimination order.
#[derive(Debug, Clone)]
struct Bucket {
    /// Scope, latest-eliminated first, the bucket's own variable last (fastest).
    scope: Vec<usize>,
    size: usize,
    tables: Vec<usize>,
    children: Vec<usize>,
    parent: Option<usize>,
}

/// An elimination order and its buckets.
#[derive(Debug, Clone)]
pub(crate) struct Plan {
    buckets: Vec<Bucket>,
    log2_cost: f64,
}

/// The result: the logarithm of the total and the normalised marginal of each variable.
#[derive(Debug, Clone)]
pub(crate) struct Calibrated {
    pub log_total: f64,
    pub marginals: Vec<Vec<f64>>,
}

impl Plan {
    /// Orders the variables and lays out the buckets.
    pub fn new(network: &Network) -> Plan {
        let order = min_fill(network);
        let n = network.cards.len();
        let mut position = vec![0usize; n];
        for (i, v) in order.iter().enumerate() {
            position[*v] = i;
        }
        let mut buckets: Vec<Bucket> = order
            .iter()
            .map(|v| Bucket {
                scope: vec![*v],
                size: 0,
                tables: Vec::new(),
                children: Vec::new(),
                parent: None,
            })
            .collect();
        for (t, table) in network.tables.iter().enumerate() {
            if let Some(first) = table.vars.iter().map(|v| position[*v]).min() {
                buckets[first].tables.push(t);
                for v in &table.vars {
                    if !buckets[first].scope.contains(v) {
                        buckets[first].scope.push(*v);
                    }
                }
            }
        }
        let mut cost = 0.0f64;
        for i in 0..buckets.len() {
            buckets[i].scope.sort_unstable_by_key(|v| std::cmp::Reverse(position[*v]));
            let size = buckets[i].scope.iter().map(|v| network.cards[*v] as f64).product::<f64>();
            cost += size;
            buckets[i].size = if size < 1e18 { size as usize } else { usize::MAX };
            let rest: Vec<usize> = buckets[i].scope[..buckets[i].scope.len() - 1].to_vec();
            if let Some(next) = rest.last() {
                let parent = position[*next];
                buckets[i].parent = Some(parent);
                buckets[parent].children.push(i);
                for v in rest {
                    if !buckets[parent].scope.contains(&v) {
                        buckets[parent].scope.push(v);
                    }
                }
            }
        }
        Plan { buckets, log2_cost: cost.max(1.0).log2() }
    }

    /// Base-2 logarithm of the table entries over all buckets.
    pub fn log2_cost(&self) -> f64 {
        self.log2_cost
    }

    /// Both passes. `None` when the total is zero.
    pub fn calibrate(&self, network: &Network) -> Option<Calibrated> {
        let cards = &network.cards;
        let n = self.buckets.len();
        let mut log_total = 0.0;
        for table in &network.tables {
            if table.vars.is_empty() {
                let factor = table.data.first().copied().unwrap_or(1.0);
                if factor <= 0.0 {
                    return None;
                }
                log_total += factor.ln();
            }
        }
        let mut up: Vec<Table> = Vec::with_capacity(n);
        for bucket in &self.buckets {
            let mut product = vec![1.0; bucket.size];
            for t in &bucket.tables {
                multiply(&mut product, &bucket.scope, cards, &network.tables[*t]);
            }
            for c in &bucket.children {
                multiply(&mut product, &bucket.scope, cards, &up[*c]);
            }
            let own = bucket.scope.last().map_or(1, |v| cards[*v]);
            let mut message: Vec<f64> = product.chunks(own).map(|c| c.iter().sum()).collect();
            log_total += scale(&mut message)?;
            up.push(Table { vars: bucket.scope[..bucket.scope.len() - 1].to_vec(), data: message });
        }
        let mut marginals: Vec<Vec<f64>> = cards.iter().map(|c| vec![1.0; *c]).collect();
        let mut down: Vec<Option<Table>> = vec![None; n];
        for (i, bucket) in self.buckets.iter().enumerate().rev() {
            let mut base = vec![1.0; bucket.size];
            for t in &bucket.tables {
                multiply(&mut base, &bucket.scope, cards, &network.tables[*t]);
            }
            if let Some(table) = &down[i] {
                multiply(&mut base, &bucket.scope, cards, table);
            }
            for (k, child) in bucket.children.iter().enumerate() {
                let mut product = base.clone();
                for (j, other) in bucket.children.iter().enumerate() {
                    if j != k {
                        multiply(&mut product, &bucket.scope, cards, &up[*other]);
                    }
                }
                let mut data = sum_onto(&product, &bucket.scope, cards, &up[*child].vars);
                scale(&mut data)?;
                down[*child] = Some(Table { vars: up[*child].vars.clone(), data });
            }
            for child in &bucket.children {
                multiply(&mut base, &bucket.scope, cards, &up[*child]);
            }
            if let Some(own) = bucket.scope.last() {
                let mut marginal = vec![0.0; cards[*own]];
                for chunk in base.chunks(cards[*own]) {
                    for (m, x) in marginal.iter_mut().zip(chunk) {
                        *m += x;
                    }
                }
                let sum: f64 = marginal.iter().sum();
                if sum <= 0.0 {
                    return None;
                }
                marginal.iter_mut().for_each(|m| *m /= sum);
                marginals[*own] = marginal;
            }
        }
        Some(Calibrated { log_total, marginals })
    }
}

/// Scales to a greatest entry of one; returns the logarithm taken out, `None` when all is zero.
fn scale(data: &mut [f64]) -> Option<f64> {
    let top = data.iter().copied().fold(0.0f64, f64::max);
    if top <= 0.0 || !top.is_finite() {
        return None;
    }
    data.iter_mut().for_each(|x| *x /= top);
    Some(top.ln())
}

/// Strides of `vars` seen from `scope` (zero where a scope variable is absent).
fn strides(scope: &[usize], cards: &[usize], vars: &[usize]) -> Vec<usize> {
    let mut out = vec![0; scope.len()];
    let mut stride = 1;
    for v in vars.iter().rev() {
        if let Some(place) = scope.iter().position(|s| s == v) {
            out[place] = stride;
        }
        stride *= cards[*v];
    }
    out
}

/// Walks the scope's cells in order and hands out (cell, offset into the strided table).
fn walk(scope: &[usize], cards: &[usize], strides: &[usize], mut visit: impl FnMut(usize, usize)) {
    let mut digits = vec![0usize; scope.len()];
    let size: usize = scope.iter().map(|v| cards[*v]).product();
    let mut offset = 0;
    for cell in 0..size {
        visit(cell, offset);
        for place in (0..scope.len()).rev() {
            digits[place] += 1;
            offset += strides[place];
            if digits[place] < cards[scope[place]] {
                break;
            }
            offset -= strides[place] * digits[place];
            digits[place] = 0;
        }
    }
}

fn multiply(product: &mut [f64], scope: &[usize], cards: &[usize], table: &Table) {
    let steps = strides(scope, cards, &table.vars);
    walk(scope, cards, &steps, |cell, offset| {
        product[cell] *= table.data[offset];
    });
}

fn sum_onto(product: &[f64], scope: &[usize], cards: &[usize], vars: &[usize]) -> Vec<f64> {
    let steps = strides(scope, cards, vars);
    let mut out = vec![0.0; vars.iter().map(|v| cards[*v]).product()];
    walk(scope, cards, &steps, |cell, offset| {
        out[offset] += product[cell];
    });
    out
}

/// Min-fill order; ties by the size of the table made, then by index.
fn min_fill(network: &Network) -> Vec<usize> {
    let n = network.cards.len();
    let mut neighbours: Vec<std::collections::BTreeSet<usize>> = vec![Default::default(); n];
    for table in &network.tables {
        for a in &table.vars {
            for b in &table.vars {
                if a != b {
                    neighbours[*a].insert(*b);
                }
            }
        }
    }
    let weigh = |v: usize, neighbours: &[std::collections::BTreeSet<usize>]| -> (usize, f64) {
        let around: Vec<usize> = neighbours[v].iter().copied().collect();
        let mut fill = 0;
        for (i, a) in around.iter().enumerate() {
            fill += around[i + 1..].iter().filter(|b| !neighbours[*a].contains(b)).count();
        }
        let size = around.iter().map(|a| (network.cards[*a] as f64).log2()).sum();
        (fill, size)
    };
    let mut score: Vec<(usize, f64)> = (0..n).map(|v| weigh(v, &neighbours)).collect();
    let mut open: Vec<usize> = (0..n).collect();
    let mut order = Vec::with_capacity(n);
    while let Some(place) = (0..open.len()).min_by(|a, b| {
        let (x, y) = (&score[open[*a]], &score[open[*b]]);
        x.0.cmp(&y.0).then(x.1.total_cmp(&y.1))
    }) {
        let v = open.remove(place);
        order.push(v);
        let around: Vec<usize> = std::mem::take(&mut neighbours[v]).into_iter().collect();
        let mut dirty: std::collections::BTreeSet<usize> = around.iter().copied().collect();
        for a in &around {
            neighbours[*a].remove(&v);
        }
        for (i, a) in around.iter().enumerate() {
            for b in &around[i + 1..] {
                if neighbours[*a].insert(*b) {
                    neighbours[*b].insert(*a);
                    dirty.extend(neighbours[*a].intersection(&neighbours[*b]).copied());
                }
            }
        }
        for d in dirty {
            score[d] = weigh(d, &neighbours);
        }
    }
    order
}
