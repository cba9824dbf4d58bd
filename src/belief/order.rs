//! Elimination order: min-fill on bit rows, ties by the size of the table made, then by index.

/// The order in which to sum variables out.
pub(crate) fn min_fill(cards: &[usize], scopes: &[Vec<usize>]) -> Vec<usize> {
    let n = cards.len();
    let mut rows = Rows::new(n);
    for scope in scopes {
        for (i, a) in scope.iter().enumerate() {
            for b in &scope[i + 1..] {
                rows.join(*a, *b);
            }
        }
    }
    let logs: Vec<f64> = cards.iter().map(|c| (*c as f64).log2()).collect();
    let mut score: Vec<(usize, f64)> = (0..n).map(|v| rows.score(v, &logs)).collect();
    let mut open: Vec<usize> = (0..n).collect();
    let mut order = Vec::with_capacity(n);
    while let Some(place) = least(&open, &score) {
        let v = open.remove(place);
        order.push(v);
        for d in rows.eliminate(v) {
            score[d] = rows.score(d, &logs);
        }
    }
    order
}

fn least(open: &[usize], score: &[(usize, f64)]) -> Option<usize> {
    (0..open.len()).min_by(|a, b| {
        let (x, y) = (&score[open[*a]], &score[open[*b]]);
        x.0.cmp(&y.0).then(x.1.total_cmp(&y.1))
    })
}

/// Neighbours as rows of bits.
struct Rows {
    words: usize,
    bits: Vec<u64>,
}

impl Rows {
    fn new(n: usize) -> Rows {
        let words = n.div_ceil(64).max(1);
        Rows { words, bits: vec![0; words * n] }
    }

    fn row(&self, v: usize) -> &[u64] {
        &self.bits[v * self.words..(v + 1) * self.words]
    }

    fn join(&mut self, a: usize, b: usize) {
        if a != b {
            self.bits[a * self.words + b / 64] |= 1 << (b % 64);
            self.bits[b * self.words + a / 64] |= 1 << (a % 64);
        }
    }

    /// Edges that eliminating `v` would add (each counted twice), and the size of its table.
    fn score(&self, v: usize, logs: &[f64]) -> (usize, f64) {
        let mine = self.row(v);
        let (mut fill, mut size) = (0, 0.0);
        for a in ones(mine) {
            size += logs[a];
            let missing: u32 = mine.iter().zip(self.row(a)).map(|(m, r)| (m & !r).count_ones()).sum();
            fill += missing as usize - 1;
        }
        (fill, size)
    }

    /// Joins the neighbours of `v`, takes `v` out, returns the variables whose score may have changed.
    fn eliminate(&mut self, v: usize) -> Vec<usize> {
        let mine = self.row(v).to_vec();
        let around: Vec<usize> = ones(&mine).collect();
        let mut dirty = mine.clone();
        for a in &around {
            let row = a * self.words;
            self.bits[row + v / 64] &= !(1 << (v % 64));
        }
        for (i, a) in around.iter().enumerate() {
            for b in &around[i + 1..] {
                if self.bits[a * self.words + b / 64] >> (b % 64) & 1 == 0 {
                    self.join(*a, *b);
                    let both = self.row(*a).iter().zip(self.row(*b)).map(|(x, y)| x & y);
                    dirty.iter_mut().zip(both).for_each(|(d, x)| *d |= x);
                }
            }
        }
        self.bits[v * self.words..(v + 1) * self.words].fill(0);
        ones(&dirty).collect()
    }
}

fn ones(row: &[u64]) -> impl Iterator<Item = usize> + '_ {
    row.iter().enumerate().flat_map(|(w, word)| {
        let mut rest = *word;
        std::iter::from_fn(move || {
            if rest == 0 {
                return None;
            }
            let bit = rest.trailing_zeros() as usize;
            rest &= rest - 1;
            Some(w * 64 + bit)
        })
    })
}
