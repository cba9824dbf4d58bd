//! What a reading may show, for the planner: bins along its scale, and how likely each is under each fault set.
//!
//! In: what each set would read, with its weight. Absent: the solver that says so, and what a reading costs.

use crate::circuit::predict::Predicted;

/// A reading has at most this many bins.
const BINS: usize = 6;
/// Places to cut bins at that are looked at, of each sort.
const CUTS: usize = 14;
/// A cut is made when it adds this much information, in nats.
const WORTH_A_CUT: f64 = 0.004;
/// Chance that a reading is a slip of the probe and lands anywhere.
pub(super) const SLIP: f64 = 0.02;
/// Where an over-range reading lies on its scale: far above all others (of ohms, the logarithm counts).
const OVER: f64 = 40.0;

/// Outcomes of a reading: bins along its scale, cut where that tells the fault sets apart best; the probability of each bin
/// under each set. Sets whose reading is not known spread over all bins.
pub(super) fn bins(
    reads: &[(f64, Option<Predicted>)],
    usual: &Predicted,
    earlier: Option<f64>,
) -> (usize, Vec<f64>) {
    let place = |x: f64| if x.is_finite() { x } else { OVER };
    let known: Vec<Bell> = reads
        .iter()
        .filter_map(|(weight, p)| p.as_ref().map(|p| (*weight, p)))
        .map(|(weight, p)| Bell { weight, mean: place(p.mean), sd: p.sd.max(1e-9) })
        .collect();
    let edges = edges(&known, place(usual.mean));
    let count = edges.len() + 1;
    let seen = earlier.map(|x| edges.iter().filter(|e| **e < place(x)).count());
    let mut likelihood = Vec::with_capacity(reads.len() * count);
    for (_, read) in reads {
        let Some(p) = read else {
            likelihood.extend(std::iter::repeat_n(1.0 / count as f64, count));
            continue;
        };
        let bell = Bell { weight: 1.0, mean: place(p.mean), sd: p.sd.max(1e-9) };
        let (mut last, mut row) = (0.0, Vec::with_capacity(count));
        for k in 0..count {
            let upto = edges.get(k).map_or(1.0, |e| bell.below(*e));
            row.push(SLIP / count as f64 + (1.0 - SLIP) * (upto - last).max(0.0));
            last = upto;
        }
        likelihood.extend(again(&row, seen, SLIP / count as f64));
    }
    (count, likelihood)
}

/// What one fault set would read, with the set's weight.
struct Bell {
    weight: f64,
    mean: f64,
    sd: f64,
}

impl Bell {
    /// Chance of a reading below an edge: logistic for the normal distribution, within 0.01 everywhere (Bowling et al. 2009).
    fn below(&self, edge: f64) -> f64 {
        1.0 / (1.0 + (-1.702 * (edge - self.mean) / self.sd).exp())
    }
}

/// Where to cut a reading's scale, in order: each cut is the one among the candidates that adds most information about the
/// fault sets, as long as one adds any worth having.
fn edges(bells: &[Bell], usual: f64) -> Vec<f64> {
    let candidates = candidates(bells, usual);
    // Chance of a reading below each candidate under each set; cumulative chances at the cuts made so far bound the bins.
    let below: Vec<Vec<f64>> =
        candidates.iter().map(|e| bells.iter().map(|b| b.below(*e)).collect()).collect();
    let (nought, one) = (vec![0.0; bells.len()], vec![1.0; bells.len()]);
    let share = |from: &[f64], to: &[f64]| {
        let mass = |(b, (f, t)): (&Bell, (&f64, &f64))| (b.weight, (t - f).max(0.0));
        let cells = || bells.iter().zip(from.iter().zip(to)).map(mass);
        let whole: f64 = cells().map(|(w, p)| w * p).sum();
        cells().filter(|(_, p)| *p > 1e-12).map(|(w, p)| w * p * (p / whole).ln()).sum::<f64>()
    };
    let mut cuts: Vec<usize> = Vec::new();
    while cuts.len() < BINS - 1 {
        let gain = |c: usize| {
            let after = cuts.iter().position(|k| *k > c);
            let at = after.unwrap_or(cuts.len());
            let from = if at == 0 { &nought } else { &below[cuts[at - 1]] };
            let to = after.map_or(&one, |a| &below[cuts[a]]);
            share(from, &below[c]) + share(&below[c], to) - share(from, to)
        };
        let open = (0..candidates.len()).filter(|c| !cuts.contains(c)).map(|c| (gain(c), c));
        let Some((gain, best)) = open.max_by(|a, b| a.0.total_cmp(&b.0).then(b.1.cmp(&a.1))) else { break };
        if gain < WORTH_A_CUT {
            break;
        }
        cuts.push(best);
        cuts.sort_unstable();
    }
    cuts.into_iter().map(|c| candidates[c]).collect()
}

/// Places to cut at, each half-way between neighbouring readings: where the gap is widest for their spreads, and where each
/// further share of the weight is passed.
fn candidates(bells: &[Bell], usual: f64) -> Vec<f64> {
    let least = bells.iter().map(|b| b.sd).fold(1.0, f64::min);
    let healthy = Bell { weight: 0.0, mean: usual, sd: least };
    let mut sorted: Vec<&Bell> = bells.iter().chain([&healthy]).collect();
    sorted.sort_by(|a, b| a.mean.total_cmp(&b.mean).then(a.sd.total_cmp(&b.sd)));
    let total: f64 = bells.iter().map(|b| b.weight).sum();
    let (mut gaps, mut out, mut passed) = (Vec::new(), Vec::new(), 0.0);
    for pair in sorted.windows(2) {
        let before = (passed * CUTS as f64 / total) as usize;
        passed += pair[0].weight;
        let (gap, middle) = (pair[1].mean - pair[0].mean, (pair[0].mean + pair[1].mean) / 2.0);
        if gap > 0.0 {
            gaps.push((gap / (pair[0].sd + pair[1].sd), middle));
            if (passed * CUTS as f64 / total) as usize > before {
                out.push(middle);
            }
        }
    }
    gaps.sort_by(|a, b| b.0.total_cmp(&a.0).then(a.1.total_cmp(&b.1)));
    out.extend(gaps.into_iter().take(CUTS).map(|g| g.1));
    out.sort_by(f64::total_cmp);
    out.dedup();
    out
}

/// Outcomes of a reading that was taken before and showed `seen`: it shows the same again, unless that was a slip of the probe;
/// `slip` is the chance of that outcome by a slip, which `row` includes.
pub(super) fn again(row: &[f64], seen: Option<usize>, slip: f64) -> Vec<f64> {
    let Some(seen) = seen.filter(|k| *k < row.len()) else { return row.to_vec() };
    let slipped = (slip / row[seen].max(1e-12)).min(1.0);
    let same = |k: usize| if k == seen { 1.0 - slipped } else { 0.0 };
    row.iter().enumerate().map(|(k, p)| slipped * p + same(k)).collect()
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]

    use super::{Bell, bins, edges};
    use crate::circuit::predict::Predicted;
    use std::sync::Arc;

    fn reads(mean: f64, sd: f64) -> Option<Predicted> {
        Some(Predicted { mean, sd, own_sd: sd, loadings: Arc::new(Vec::new()) })
    }

    #[test]
    fn a_cut_falls_between_readings_that_are_apart_and_none_where_all_are_alike() {
        let usual = reads(4.5, 0.1).unwrap();
        let apart = [(0.5, reads(4.5, 0.1)), (0.5, reads(0.0, 0.1))];
        let (count, rows) = bins(&apart, &usual, None);
        assert_eq!(count, 2);
        // The slip of the probe is left: 2 % shared by both.
        assert!((rows[1] - 0.99).abs() < 1e-6 && (rows[2] - 0.99).abs() < 1e-6, "{rows:?}");
        let alike = [(0.5, reads(4.5, 0.1)), (0.5, reads(4.5, 0.1))];
        assert_eq!(bins(&alike, &usual, None), (1, vec![1.0, 1.0]));
    }

    #[test]
    fn readings_that_overlap_tell_something() {
        // A row of stages, each a little lower than the last: no gap is wider than the spread.
        let bells: Vec<Bell> =
            (0..12).map(|i| Bell { weight: 1.0 / 12.0, mean: f64::from(i) * 0.3, sd: 0.3 }).collect();
        let cuts = edges(&bells, 0.0);
        assert!(
            cuts.len() >= 2 && cuts.is_sorted() && cuts.iter().all(|c| (0.0..3.3).contains(c)),
            "{cuts:?}"
        );
    }

    #[test]
    fn every_row_is_a_distribution_and_over_range_is_an_outcome() {
        let usual = reads(9.0, 0.1).unwrap();
        let sets = [(0.4, reads(f64::INFINITY, 0.1)), (0.3, reads(9.0, 0.1)), (0.3, None)];
        for earlier in [None, Some(9.0), Some(f64::INFINITY)] {
            let (count, rows) = bins(&sets, &usual, earlier);
            assert_eq!((count, rows.len()), (2, 6));
            rows.chunks(count)
                .for_each(|row| assert!((row.iter().sum::<f64>() - 1.0).abs() < 1e-9, "{row:?}"));
        }
        // Shown again, unless the first was a slip.
        let (_, again) = bins(&sets[..2], &usual, Some(f64::INFINITY));
        assert!(again[1] > 0.98, "{again:?}");
    }
}
