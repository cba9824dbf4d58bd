//! Numbers of twice the width of `f64`: the sum of two, about 31 decimal digits.
//!
//! Splitting a noisy-OR with signs subtracts nearly equal numbers; with ten abnormal findings that costs more digits
//! than an `f64` has. Algorithms: Dekker 1971 (product by splitting), Knuth (two-sum). No fused multiply-add, so the
//! result is the same on every machine.

/// An unevaluated sum `high + low` with `|low|` at most half a unit in the last place of `high`.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Wide {
    pub high: f64,
    pub low: f64,
}

impl Wide {
    pub const ZERO: Wide = Wide { high: 0.0, low: 0.0 };
    pub const ONE: Wide = Wide { high: 1.0, low: 0.0 };

    #[inline]
    pub fn add(self, other: Wide) -> Wide {
        let (s, e) = two_sum(self.high, other.high);
        let (t, f) = two_sum(self.low, other.low);
        let (s, e) = quick_two_sum(s, e + t);
        let (high, low) = quick_two_sum(s, e + f);
        Wide { high, low }
    }

    #[inline]
    pub fn mul(self, other: Wide) -> Wide {
        let (p, e) = two_product(self.high, other.high);
        let (high, low) = quick_two_sum(p, e + (self.high * other.low + self.low * other.high));
        Wide { high, low }
    }

    #[inline]
    pub fn mul_narrow(self, other: f64) -> Wide {
        let (p, e) = two_product(self.high, other);
        let (high, low) = quick_two_sum(p, e + self.low * other);
        Wide { high, low }
    }

    /// Times a power of two, exact.
    #[inline]
    pub fn scaled(self, power: f64) -> Wide {
        Wide { high: self.high * power, low: self.low * power }
    }

    /// Quotient as `f64`.
    pub fn over(self, other: Wide) -> f64 {
        let q = self.high / other.high;
        let rest = self.add(other.mul_narrow(-q));
        q + rest.high / other.high
    }
}

#[inline]
fn two_sum(a: f64, b: f64) -> (f64, f64) {
    let s = a + b;
    let v = s - a;
    (s, (a - (s - v)) + (b - v))
}

#[inline]
fn quick_two_sum(a: f64, b: f64) -> (f64, f64) {
    let s = a + b;
    (s, b - (s - a))
}

#[inline]
fn split(a: f64) -> (f64, f64) {
    let t = 134_217_729.0 * a;
    let high = t - (t - a);
    (high, a - high)
}

#[inline]
fn two_product(a: f64, b: f64) -> (f64, f64) {
    let p = a * b;
    let (ah, al) = split(a);
    let (bh, bl) = split(b);
    (p, ((ah * bh - p) + ah * bl + al * bh) + al * bl)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn wide(high: f64) -> Wide {
        Wide { high, low: 0.0 }
    }

    #[test]
    fn keeps_what_a_single_width_loses() {
        let tiny = wide(1e-25);
        let sum = Wide::ONE.add(tiny).add(wide(-1.0));
        assert!((sum.high / 1e-25 - 1.0).abs() < 1e-6);
        let third = Wide { high: 1.0 / 3.0, low: 1.0 / 3.0 * 2f64.powi(-54) };
        let one = third.mul_narrow(3.0).add(wide(-1.0));
        assert!(one.high.abs() < 1e-31);
        assert!((wide(1.0).over(wide(3.0)) - 1.0 / 3.0).abs() < 1e-16);
    }
}
