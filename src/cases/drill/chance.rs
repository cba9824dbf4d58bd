//! Draws that depend on a seed and a label alone, so that a unit reads alike in whatever order it is measured.

/// A number in (0, 1) for a seed and a label: FNV-1a (Fowler, Noll and Vo) spread by the finaliser of SplitMix64 (Steele, Lea and Flood
/// 2014).
pub fn even(seed: u64, label: &str) -> f64 {
    let mut x = seed ^ 0xcbf2_9ce4_8422_2325;
    for byte in label.bytes() {
        x = (x ^ u64::from(byte)).wrapping_mul(0x100_0000_01b3);
    }
    ((mix(x) >> 11) as f64 + 0.5) / (1u64 << 53) as f64
}

/// A standard normal number for a seed and a label (Box and Muller 1958).
pub fn normal(seed: u64, label: &str) -> f64 {
    let (a, b) = (even(seed, label), even(mix(seed), label));
    (-2.0 * a.ln()).sqrt() * (std::f64::consts::TAU * b).cos()
}

/// Place in a list of weights for a number in (0, 1).
pub fn pick(weights: impl Iterator<Item = f64> + Clone, at: f64) -> Option<usize> {
    let total: f64 = weights.clone().sum();
    let mut left = at * total;
    let mut last = None;
    for (i, w) in weights.enumerate().filter(|(_, w)| *w > 0.0) {
        last = Some(i);
        left -= w;
        if left <= 0.0 {
            break;
        }
    }
    last
}

/// Another seed for each number.
pub fn mix(seed: u64) -> u64 {
    let mut x = seed.wrapping_add(0x9e37_79b9_7f4a_7c15);
    x = (x ^ x >> 30).wrapping_mul(0xbf58_476d_1ce4_e5b9);
    x = (x ^ x >> 27).wrapping_mul(0x94d0_49bb_1331_11eb);
    x ^ x >> 31
}
