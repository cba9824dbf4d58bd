//! Eigenvalues of a small dense real matrix: balancing, reduction to Hessenberg form, and the double-shift QR iteration of Francis
//! (1961), as told in Golub and Van Loan, Matrix Computations, chapter 7.

use num_complex::Complex64;

/// A square matrix, row by row.
#[derive(Debug, Clone)]
pub(crate) struct Dense {
    pub n: usize,
    pub a: Vec<f64>,
}

impl Dense {
    pub fn new(n: usize) -> Dense {
        Dense { n, a: vec![0.0; n * n] }
    }

    pub fn at(&self, row: usize, col: usize) -> f64 {
        self.a[row * self.n + col]
    }

    pub fn set(&mut self, row: usize, col: usize, value: f64) {
        self.a[row * self.n + col] = value;
    }

    fn add(&mut self, row: usize, col: usize, value: f64) {
        self.a[row * self.n + col] += value;
    }

    /// Makes rows and columns alike in size by powers of two, which changes no eigenvalue and no digit.
    fn balance(&mut self) {
        let n = self.n;
        for _ in 0..100 {
            let mut done = true;
            for i in 0..n {
                let others = (0..n).filter(|j| *j != i);
                let (row, col) = others
                    .fold((0.0, 0.0), |(r, c), j| (r + f64::abs(self.at(i, j)), c + f64::abs(self.at(j, i))));
                if row == 0.0 || col == 0.0 {
                    continue;
                }
                let exponent = ((row / col).log2() / 2.0).round();
                let factor = exponent.exp2();
                if exponent != 0.0 && (col * factor + row / factor) < 0.95 * (col + row) {
                    done = false;
                    for j in 0..n {
                        self.a[i * n + j] /= factor;
                    }
                    for j in 0..n {
                        self.a[j * n + i] *= factor;
                    }
                }
            }
            if done {
                return;
            }
        }
    }

    /// Reduces to upper Hessenberg form by Householder reflections.
    fn hessenberg(&mut self) {
        let n = self.n;
        for k in 0..n.saturating_sub(2) {
            let norm = (k + 1..n).map(|i| self.at(i, k).powi(2)).sum::<f64>().sqrt();
            if norm == 0.0 {
                continue;
            }
            let mut v: Vec<f64> = (0..n).map(|i| if i > k { self.at(i, k) } else { 0.0 }).collect();
            v[k + 1] += if v[k + 1] >= 0.0 { norm } else { -norm };
            let length = v.iter().map(|x| x * x).sum::<f64>();
            for col in k..n {
                let dot = 2.0 / length * (k + 1..n).map(|i| v[i] * self.at(i, col)).sum::<f64>();
                (k + 1..n).for_each(|i| self.add(i, col, -dot * v[i]));
            }
            for row in 0..n {
                let dot = 2.0 / length * (k + 1..n).map(|j| v[j] * self.at(row, j)).sum::<f64>();
                (k + 1..n).for_each(|j| self.add(row, j, -dot * v[j]));
            }
            (k + 2..n).for_each(|i| self.set(i, k, 0.0));
        }
    }
}

/// All eigenvalues, those of a conjugate pair side by side; `None` where the iteration does not end (never seen on finite input).
pub(crate) fn eigenvalues(mut m: Dense) -> Option<Vec<Complex64>> {
    if m.a.iter().any(|v| !v.is_finite()) {
        return None;
    }
    m.balance();
    m.hessenberg();
    let mut out = Vec::with_capacity(m.n);
    let mut high = m.n;
    let mut rounds = 0;
    while high > 0 {
        let top = high - 1;
        let low = split(&m, top);
        if low == top {
            out.push(Complex64::new(m.at(top, top), 0.0));
            high -= 1;
            rounds = 0;
        } else if low + 1 == top {
            out.extend(pair(&m, low));
            high -= 2;
            rounds = 0;
        } else {
            rounds += 1;
            if rounds > 200 {
                return None;
            }
            francis(&mut m, low, top, rounds % 11 == 0);
        }
    }
    Some(out)
}

/// First row of the block that ends at `top` and hangs together; small subdiagonals on the way are taken for zero.
fn split(m: &Dense, top: usize) -> usize {
    let mut low = top;
    while low > 0 {
        let scale = m.at(low - 1, low - 1).abs() + m.at(low, low).abs();
        let below = m.at(low, low - 1).abs();
        if below <= f64::EPSILON * scale || below < 1e-300 {
            break;
        }
        low -= 1;
    }
    low
}

/// Eigenvalues of the two-by-two block at `i`.
fn pair(m: &Dense, i: usize) -> [Complex64; 2] {
    let (a, b, c, d) = (m.at(i, i), m.at(i, i + 1), m.at(i + 1, i), m.at(i + 1, i + 1));
    let half = 0.5 * (a - d);
    let inside = half * half + b * c;
    let middle = 0.5 * (a + d);
    if inside < 0.0 {
        let imaginary = (-inside).sqrt();
        return [Complex64::new(middle, imaginary), Complex64::new(middle, -imaginary)];
    }
    // The one farther from the middle first; the other by the product, which keeps its digits.
    let first = if half >= 0.0 { d + half + inside.sqrt() } else { d + half - inside.sqrt() };
    let second = if first - d == 0.0 { d } else { d - b * c / (first - d) };
    [Complex64::new(first, 0.0), Complex64::new(second, 0.0)]
}

/// One double-shift step on the rows `low..=top`.
fn francis(m: &mut Dense, low: usize, top: usize, odd: bool) {
    let (mut sum, mut product) = {
        let (a, b, c, d) = (m.at(top - 1, top - 1), m.at(top - 1, top), m.at(top, top - 1), m.at(top, top));
        (a + d, a * d - b * c)
    };
    if odd {
        // A shift out of the usual line, against going round in circles.
        let size = m.at(top, top - 1).abs() + m.at(top - 1, top.saturating_sub(2)).abs();
        (sum, product) = (1.5 * size, size * size);
    }
    let (a, b, c, d) = (m.at(low, low), m.at(low, low + 1), m.at(low + 1, low), m.at(low + 1, low + 1));
    let mut x = a * a + b * c - sum * a + product;
    let mut y = c * (a + d - sum);
    let mut z = c * m.at(low + 2, low + 1);
    for k in low..top {
        let three = k + 2 <= top;
        let norm = (x * x + y * y + if three { z * z } else { 0.0 }).sqrt();
        if norm > 0.0 {
            let head = x + if x >= 0.0 { norm } else { -norm };
            let v = [head, y, if three { z } else { 0.0 }];
            let length = v.iter().map(|e| e * e).sum::<f64>();
            let rows = if three { 3 } else { 2 };
            for col in k.saturating_sub(1).max(low)..=top {
                let dot = 2.0 / length * (0..rows).map(|i| v[i] * m.at(k + i, col)).sum::<f64>();
                (0..rows).for_each(|i| m.add(k + i, col, -dot * v[i]));
            }
            for row in low..=(k + 3).min(top) {
                let dot = 2.0 / length * (0..rows).map(|j| v[j] * m.at(row, k + j)).sum::<f64>();
                (0..rows).for_each(|j| m.add(row, k + j, -dot * v[j]));
            }
        }
        if k > low {
            // What the reflection was made to clear.
            m.set(k + 1, k - 1, 0.0);
            if three {
                m.set(k + 2, k - 1, 0.0);
            }
        }
        x = m.at(k + 1, k);
        y = if k + 2 <= top { m.at(k + 2, k) } else { 0.0 };
        z = if k + 3 <= top { m.at(k + 3, k) } else { 0.0 };
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;

    fn of(rows: &[&[f64]]) -> Vec<Complex64> {
        let mut m = Dense::new(rows.len());
        m.a = rows.iter().flat_map(|r| r.iter().copied()).collect();
        let mut found = eigenvalues(m).unwrap();
        found.sort_by(|a, b| a.re.total_cmp(&b.re).then(a.im.total_cmp(&b.im)));
        found
    }

    #[test]
    fn companion_matrices_give_the_roots_of_their_polynomials() {
        // (x - 1)(x - 2)(x - 3)(x - 4) = x^4 - 10 x^3 + 35 x^2 - 50 x + 24.
        let found = of(&[
            &[10.0, -35.0, 50.0, -24.0],
            &[1.0, 0.0, 0.0, 0.0],
            &[0.0, 1.0, 0.0, 0.0],
            &[0.0, 0.0, 1.0, 0.0],
        ]);
        for (found, want) in found.iter().zip([1.0, 2.0, 3.0, 4.0]) {
            assert!((found - want).norm() < 1e-10, "{found}");
        }
        // x^3 - 1: the cube roots of one.
        let found = of(&[&[0.0, 0.0, 1.0], &[1.0, 0.0, 0.0], &[0.0, 1.0, 0.0]]);
        assert!((found[2] - 1.0).norm() < 1e-12 && (found[0].im + 0.75f64.sqrt()).abs() < 1e-12, "{found:?}");
    }

    /// The second-difference matrix: 2 - 2 cos(k pi / (n + 1)).
    #[test]
    fn a_chain_has_its_known_frequencies() {
        let n = 24;
        let mut m = Dense::new(n);
        for i in 0..n {
            m.set(i, i, 2.0);
            if i + 1 < n {
                m.set(i, i + 1, -1.0);
                m.set(i + 1, i, -1.0);
            }
        }
        let mut found: Vec<f64> = eigenvalues(m).unwrap().iter().map(|z| z.re).collect();
        found.sort_by(f64::total_cmp);
        for (k, found) in found.iter().enumerate() {
            let angle = (k + 1) as f64 * std::f64::consts::PI / (n + 1) as f64;
            assert!((found - (2.0 - 2.0 * angle.cos())).abs() < 1e-12);
        }
    }

    #[test]
    fn sizes_far_apart_keep_their_digits() {
        let found = of(&[&[1e-8, 1e6, 0.0], &[-1e-14, 2e-8, 1e3], &[0.0, 0.0, 5.0]]);
        // The upper block: trace 3e-8, determinant 2e-16 + 1e-8; the imaginary part is close to 1e-4.
        assert!((found[2].re - 5.0).abs() < 1e-12);
        assert!((found[0].im.abs() - 1e-4).abs() < 1e-9, "{found:?}");
        assert!(of(&[]).is_empty());
    }
}
