//! Sparse elimination with an order fixed once: the linear solver under everything else in this module.
//!
//! [`Plan::new`] picks pivots once (cheapest fill first among entries that are not small in their column) and writes down where every
//! update goes; [`Plan::factor`] then replays it on any matrix of the same pattern, real or complex, without searching or allocating.
//! Rows and columns that only hold constants are eliminated first, so that a Newton step redoes only the rest.
//!
//! Absent: pivoting on the fly. A matrix that the fixed order does not suit shows up as a failed step or a residual, and the caller makes a
//! new plan from the values at hand.

use std::ops::{AddAssign, Mul, Neg, Sub, SubAssign};

use num_complex::Complex64;

/// What the elimination needs of a number.
pub(crate) trait Scalar:
    Copy + Default + AddAssign + SubAssign + Mul<Output = Self> + Sub<Output = Self> + Neg<Output = Self>
{
    /// Size, for choosing pivots only; any norm will do.
    fn size(self) -> f64;
    /// 1 / self.
    fn inverse(self) -> Self;
}

impl Scalar for f64 {
    fn size(self) -> f64 {
        self.abs()
    }
    fn inverse(self) -> f64 {
        1.0 / self
    }
}

impl Scalar for Complex64 {
    fn size(self) -> f64 {
        self.re.abs() + self.im.abs()
    }
    fn inverse(self) -> Complex64 {
        self.conj() * (1.0 / self.norm_sqr())
    }
}

/// A pivot may be this much smaller than the largest entry left in its column.
const PIVOT_THRESHOLD: f64 = 1e-3;
/// In the constant part, pivots dearer than this (row length times column length) are left for the second part.
const CONSTANT_PART_COST: usize = 12;
const NONE: u16 = u16::MAX;

/// One matrix entry: row, column, value, and whether it changes from Newton step to Newton step.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Entry<T> {
    pub row: usize,
    pub col: usize,
    pub value: T,
    pub varies: bool,
}

/// One elimination step. Its slots lie side by side: the pivot, the rest of its row, the rest of its column.
#[derive(Debug, Clone, Copy)]
struct Step {
    pivot: u32,
    row_end: u32,
    col_end: u32,
    targets: u32,
}

/// A fixed elimination order for one pattern.
#[derive(Debug, Clone)]
pub(crate) struct Plan {
    n: usize,
    /// Steps before this one touch constant entries only.
    split: usize,
    steps: Vec<Step>,
    /// For a slot in a pivot row: the step at which its column is eliminated; in a pivot column: its row's step.
    other: Vec<u16>,
    /// Target slots of all updates, step by step, row by row.
    targets: Vec<u16>,
    step_row: Vec<u16>,
    step_col: Vec<u16>,
    slot_row: Vec<u16>,
    slot_col: Vec<u16>,
    slot_at: Vec<u16>,
}

/// The pattern and values while the order is being chosen.
struct Work<T> {
    n: usize,
    value: Vec<T>,
    filled: Vec<bool>,
    /// Columns of each row and rows of each column, still to be eliminated.
    rows: Vec<Vec<u16>>,
    cols: Vec<Vec<u16>>,
    row_done: Vec<bool>,
    col_done: Vec<bool>,
    row_varies: Vec<bool>,
    col_varies: Vec<bool>,
}

impl<T: Scalar> Work<T> {
    fn new(n: usize, entries: &[Entry<T>]) -> Work<T> {
        let mut work = Work {
            n,
            value: vec![T::default(); n * n],
            filled: vec![false; n * n],
            rows: vec![Vec::with_capacity(16); n],
            cols: vec![Vec::with_capacity(16); n],
            row_done: vec![false; n],
            col_done: vec![false; n],
            row_varies: vec![false; n],
            col_varies: vec![false; n],
        };
        for e in entries {
            work.fill(e.row, e.col);
            work.value[e.row * n + e.col] += e.value;
            work.row_varies[e.row] |= e.varies;
            work.col_varies[e.col] |= e.varies;
        }
        work
    }

    fn fill(&mut self, row: usize, col: usize) {
        let at = row * self.n + col;
        if !self.filled[at] {
            self.filled[at] = true;
            self.rows[row].push(col as u16);
            self.cols[col].push(row as u16);
        }
    }

    /// The cheapest acceptable pivot as (row, column, cost); ties go to the larger entry of its column, then to the lower column.
    fn choose(&self, constant_only: bool) -> Option<(usize, usize, usize)> {
        let mut best: Option<(usize, f64, usize, usize)> = None;
        for col in (0..self.n).filter(|c| !(self.col_done[*c] || constant_only && self.col_varies[*c])) {
            let sizes = self.cols[col].iter().map(|r| self.value[*r as usize * self.n + col].size());
            let largest = sizes.fold(0.0, f64::max);
            if largest <= 0.0 {
                continue;
            }
            for &row in &self.cols[col] {
                let row = row as usize;
                if constant_only && self.row_varies[row] {
                    continue;
                }
                let cost = (self.rows[row].len() - 1) * (self.cols[col].len() - 1);
                let share = self.value[row * self.n + col].size() / largest;
                let better = best.is_none_or(|(c, s, ..)| cost < c || (cost == c && share > s * 1.000001));
                if share >= PIVOT_THRESHOLD && better {
                    best = Some((cost, share, row, col));
                }
            }
        }
        best.map(|(cost, _, row, col)| (row, col, cost))
    }

    /// Eliminates with this pivot; returns the rest of its row and of its column.
    fn eliminate(&mut self, row: usize, col: usize) -> (Vec<u16>, Vec<u16>) {
        let n = self.n;
        self.row_done[row] = true;
        self.col_done[col] = true;
        let mut across = std::mem::take(&mut self.rows[row]);
        let mut down = std::mem::take(&mut self.cols[col]);
        across.retain(|c| *c as usize != col);
        down.retain(|r| *r as usize != row);
        for &c in &across {
            self.cols[c as usize].retain(|r| *r as usize != row);
        }
        for &r in &down {
            self.rows[r as usize].retain(|c| *c as usize != col);
        }
        let inverse = self.value[row * n + col].inverse();
        for &r in &down {
            let r = r as usize;
            let factor = self.value[r * n + col] * inverse;
            for &c in &across {
                let c = c as usize;
                self.fill(r, c);
                let change = factor * self.value[row * n + c];
                self.value[r * n + c] -= change;
            }
        }
        (across, down)
    }
}

impl Plan {
    /// Chooses the order from a matrix given entry by entry (entries of the same place add up; a zero keeps its place in the pattern).
    ///
    /// # Errors
    /// The lowest column that has no usable pivot left, when the matrix is singular; `n` itself when the pattern is too large.
    pub fn new<T: Scalar>(n: usize, entries: &[Entry<T>]) -> Result<Plan, usize> {
        if n >= 1500 {
            return Err(n);
        }
        let mut work = Work::new(n, entries);
        let mut chosen: Vec<(usize, usize, Vec<u16>, Vec<u16>)> = Vec::with_capacity(n);
        let mut split = 0;
        let mut constant_only = true;
        while chosen.len() < n {
            let pick = work
                .choose(constant_only)
                .filter(|(_, _, cost)| !constant_only || *cost <= CONSTANT_PART_COST);
            match pick {
                Some((row, col, _)) => {
                    let (across, down) = work.eliminate(row, col);
                    chosen.push((row, col, across, down));
                }
                None if constant_only => {
                    constant_only = false;
                    split = chosen.len();
                }
                None => return Err((0..n).find(|c| !work.col_done[*c]).unwrap_or(n)),
            }
        }
        if constant_only {
            split = n;
        }
        Plan::write_down(n, split, chosen)
    }

    fn write_down(
        n: usize,
        split: usize,
        mut chosen: Vec<(usize, usize, Vec<u16>, Vec<u16>)>,
    ) -> Result<Plan, usize> {
        let (mut row_step, mut col_step) = (vec![0u16; n], vec![0u16; n]);
        for (step, (row, col, ..)) in chosen.iter().enumerate() {
            row_step[*row] = step as u16;
            col_step[*col] = step as u16;
        }
        let mut plan = Plan {
            n,
            split,
            steps: Vec::with_capacity(n),
            other: Vec::new(),
            targets: Vec::new(),
            step_row: chosen.iter().map(|c| c.0 as u16).collect(),
            step_col: chosen.iter().map(|c| c.1 as u16).collect(),
            slot_row: Vec::new(),
            slot_col: Vec::new(),
            slot_at: vec![NONE; (n + 1) * (n + 1)],
        };
        for (row, col, across, down) in &mut chosen {
            across.sort_unstable_by_key(|c| col_step[*c as usize]);
            down.sort_unstable_by_key(|r| row_step[*r as usize]);
            plan.take_slot(*row, *col, 0);
            across.iter().for_each(|c| plan.take_slot(*row, *c as usize, col_step[*c as usize]));
            let row_end = plan.other.len() as u32;
            down.iter().for_each(|r| plan.take_slot(*r as usize, *col, row_step[*r as usize]));
            plan.steps.push(Step {
                pivot: row_end - across.len() as u32 - 1,
                row_end,
                col_end: plan.other.len() as u32,
                targets: 0,
            });
        }
        if plan.other.len() >= NONE as usize {
            return Err(n);
        }
        for (step, (_, _, across, down)) in chosen.iter().enumerate() {
            plan.steps[step].targets = plan.targets.len() as u32;
            for r in down {
                for c in across {
                    plan.targets.push(plan.slot_at[*r as usize * (n + 1) + *c as usize]);
                }
            }
        }
        Ok(plan)
    }

    fn take_slot(&mut self, row: usize, col: usize, other: u16) {
        self.slot_at[row * (self.n + 1) + col] = self.other.len() as u16;
        self.other.push(other);
        self.slot_row.push(row as u16);
        self.slot_col.push(col as u16);
    }

    /// Number of slots, the dummy slot for ground not counted (it is the one after the last).
    pub fn slots(&self) -> usize {
        self.other.len()
    }

    /// Where an entry is kept. Entries of ground (index `n`) go to the dummy slot; `None` if the pattern lacks the entry.
    pub fn slot(&self, row: usize, col: usize) -> Option<u16> {
        if row >= self.n || col >= self.n {
            return Some(self.other.len() as u16);
        }
        match self.slot_at[row * (self.n + 1) + col] {
            NONE => None,
            slot => Some(slot),
        }
    }

    /// Row and column of a slot; `None` for the dummy slot.
    pub fn place_of(&self, slot: u16) -> Option<(u16, u16)> {
        Some((*self.slot_row.get(slot as usize)?, *self.slot_col.get(slot as usize)?))
    }

    /// First slot of the part that varies; everything before it is constant.
    pub fn varying_from(&self) -> usize {
        self.steps.get(self.split).map_or(self.other.len(), |s| s.pivot as usize)
    }

    /// `out += A x`, with `values` not yet factored; `x` and `out` have at least `n` places.
    pub fn multiply_add<T: Scalar>(&self, values: &[T], x: &[T], out: &mut [T]) {
        for ((value, row), col) in values.iter().zip(&self.slot_row).zip(&self.slot_col) {
            out[*row as usize] += *value * x[*col as usize];
        }
    }

    /// `out += |A| |x|`, with `values` not yet factored.
    pub fn add_sizes(&self, values: &[f64], x: &[f64], out: &mut [f64]) {
        for ((value, row), col) in values.iter().zip(&self.slot_row).zip(&self.slot_col) {
            out[*row as usize] += (value * x[*col as usize]).abs();
        }
    }

    /// Factors the constant part in place.
    ///
    /// # Errors
    /// The column whose pivot vanished.
    pub fn factor_constant<T: Scalar>(&self, values: &mut [T]) -> Result<(), usize> {
        self.factor_steps(values, 0, self.split)
    }

    /// Factors the varying part in place, after [`Plan::factor_constant`].
    ///
    /// # Errors
    /// The column whose pivot vanished.
    pub fn factor_varying<T: Scalar>(&self, values: &mut [T]) -> Result<(), usize> {
        self.factor_steps(values, self.split, self.n)
    }

    /// Factors the whole matrix in place.
    ///
    /// # Errors
    /// The column whose pivot vanished.
    pub fn factor<T: Scalar>(&self, values: &mut [T]) -> Result<(), usize> {
        self.factor_steps(values, 0, self.n)
    }

    fn factor_steps<T: Scalar>(&self, values: &mut [T], from: usize, to: usize) -> Result<(), usize> {
        for (number, step) in self.steps.iter().enumerate().take(to).skip(from) {
            let (head, tail) = values.split_at_mut(step.col_end as usize);
            let start = step.col_end as usize;
            let (pivot, rest) = head[step.pivot as usize..].split_at_mut(1);
            let size = pivot[0].size();
            if !(size > 1e-30 && size < 1e30) {
                return Err(self.step_col[number] as usize);
            }
            let inverse = pivot[0].inverse();
            pivot[0] = inverse;
            let (across, down) = rest.split_at_mut((step.row_end - step.pivot - 1) as usize);
            if across.is_empty() {
                down.iter_mut().for_each(|l| *l = *l * inverse);
                continue;
            }
            let targets = &self.targets[step.targets as usize..][..across.len() * down.len()];
            for (l, targets) in down.iter_mut().zip(targets.chunks_exact(across.len())) {
                let factor = *l * inverse;
                *l = factor;
                for (u, target) in across.iter().zip(targets) {
                    tail[*target as usize - start] -= factor * *u;
                }
            }
        }
        Ok(())
    }

    /// Solves `A x = b` with factored `values`. `scratch` has at least `n` places; `x` is indexed by column, `b` by row.
    pub fn solve<T: Scalar>(&self, values: &[T], b: &[T], x: &mut [T], scratch: &mut [T]) {
        for (y, row) in scratch.iter_mut().zip(&self.step_row) {
            *y = b[*row as usize];
        }
        for (number, step) in self.steps.iter().enumerate() {
            let y = scratch[number];
            let range = step.row_end as usize..step.col_end as usize;
            for (l, row) in values[range.clone()].iter().zip(&self.other[range]) {
                scratch[*row as usize] -= *l * y;
            }
        }
        for (number, step) in self.steps.iter().enumerate().rev() {
            let range = step.pivot as usize + 1..step.row_end as usize;
            let mut y = scratch[number];
            for (u, col) in values[range.clone()].iter().zip(&self.other[range]) {
                y -= *u * scratch[*col as usize];
            }
            scratch[number] = y * values[step.pivot as usize];
        }
        for (value, col) in scratch.iter().zip(&self.step_col) {
            x[*col as usize] = *value;
        }
    }

    /// Solves `A^T y = c` with factored `values`: `c` is indexed by column, `y` by row.
    pub fn solve_transposed<T: Scalar>(&self, values: &[T], c: &[T], y: &mut [T], scratch: &mut [T]) {
        for (z, col) in scratch.iter_mut().zip(&self.step_col) {
            *z = c[*col as usize];
        }
        for (number, step) in self.steps.iter().enumerate() {
            let z = scratch[number] * values[step.pivot as usize];
            scratch[number] = z;
            let range = step.pivot as usize + 1..step.row_end as usize;
            for (u, col) in values[range.clone()].iter().zip(&self.other[range]) {
                scratch[*col as usize] -= *u * z;
            }
        }
        for (number, step) in self.steps.iter().enumerate().rev() {
            let range = step.row_end as usize..step.col_end as usize;
            let mut z = scratch[number];
            for (l, row) in values[range.clone()].iter().zip(&self.other[range]) {
                z -= *l * scratch[*row as usize];
            }
            scratch[number] = z;
        }
        for (value, row) in scratch.iter().zip(&self.step_row) {
            y[*row as usize] = *value;
        }
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;

    fn entry(row: usize, col: usize, value: f64) -> Entry<f64> {
        Entry { row, col, value, varies: row >= 3 }
    }

    fn matrix() -> Vec<Entry<f64>> {
        let dense = [
            [4.0, 1.0, 0.0, 0.0, 1.0],
            [1.0, 5.0, 2.0, 0.0, 0.0],
            [0.0, 2.0, 0.0, 1.0, 0.0],
            [0.0, 0.0, 1.0, 7.0, 2.0],
            [3.0, 0.0, 0.0, 2.0, 6.0],
        ];
        let mut entries = Vec::new();
        for (r, row) in dense.iter().enumerate() {
            for (c, v) in row.iter().enumerate().filter(|(_, v)| **v != 0.0) {
                entries.push(entry(r, c, *v));
            }
        }
        entries
    }

    #[test]
    fn solves_and_solves_transposed_to_machine_accuracy() {
        let entries = matrix();
        let plan = Plan::new(5, &entries).unwrap();
        let mut values = vec![0.0; plan.slots() + 1];
        for e in &entries {
            values[plan.slot(e.row, e.col).unwrap() as usize] += e.value;
        }
        let original = values.clone();
        plan.factor_constant(&mut values).unwrap();
        plan.factor_varying(&mut values).unwrap();
        let b = [1.0, -2.0, 3.0, 0.5, 2.0];
        let (mut x, mut y, mut scratch) = ([0.0; 5], [0.0; 5], [0.0; 5]);
        plan.solve(&values, &b, &mut x, &mut scratch);
        plan.solve_transposed(&values, &b, &mut y, &mut scratch);
        let mut ax = [0.0; 5];
        plan.multiply_add(&original[..plan.slots()], &x, &mut ax);
        let mut aty = [0.0; 5];
        for e in &entries {
            aty[e.col] += e.value * y[e.row];
        }
        for i in 0..5 {
            assert!((ax[i] - b[i]).abs() < 1e-13, "row {i}");
            assert!((aty[i] - b[i]).abs() < 1e-13, "column {i}");
        }
    }

    #[test]
    fn a_singular_matrix_names_a_column() {
        let entries = [entry(0, 0, 1.0), entry(0, 1, 1.0), entry(1, 0, 1.0), entry(1, 1, 1.0)];
        assert!(Plan::new(2, &entries).is_err());
    }
}
