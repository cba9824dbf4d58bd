//! What the rest of an unfinished job may take.
//!
//! The possible outcomes are the fault sets of the leading suspects (none, each, each two of them), weighed by the
//! posterior; a set with the fault that no rule knows stands apart as *outside*. Each set costs the minutes
//! and parts of its usual remedies, and the minutes to find it. The planner says how long a mended unit takes in the mean;
//! what of that is not mending is finding. It is shared out by how much there is to learn: a set of share `s` takes
//! `log2(1/s)` bits to single out, so finding it takes that part of the mean. The range printed runs from the 10th to the
//! 90th percentile over the sets. What a remedy itself may take more or less is not in it.

use super::model::{Amount, Estimate, Possibility, Span};
use super::money;
use super::shop::Shop;
use super::words;
use crate::belief::{Cause, FaultId};
use crate::job::{Diagnosis, FALLBACK_MINUTES, FaultOrigin, RemedyOffer, RemedyRef};

/// Suspects reckoned with.
const SUSPECTS: usize = 10;
/// Sets below this share are left out.
const LEAST_SHARE: f64 = 0.005;

struct Set {
    faults: Vec<FaultId>,
    weight: f64,
}

/// The estimate; `expected` are the planner's mean minutes to a mended unit. Nothing where nothing is suspected.
pub fn of(diagnosis: &Diagnosis<'_>, shop: &Shop, expected: f64) -> Option<Estimate> {
    let sets = weighed(diagnosis);
    let unlisted = diagnosis.model.unlisted();
    let outside: f64 = sets.iter().filter(|s| s.faults.contains(&unlisted)).map(|s| s.weight).sum();
    let mut inside: Vec<Set> = sets
        .into_iter()
        .filter(|s| !s.faults.contains(&unlisted) && s.weight >= LEAST_SHARE * (1.0 - outside))
        .collect();
    let total: f64 = inside.iter().map(|s| s.weight).sum();
    if total <= 0.0 {
        return None;
    }
    inside.iter_mut().for_each(|s| s.weight /= total);
    let mean = ((expected - outside * FALLBACK_MINUTES) / (1.0 - outside).max(1e-6)).max(0.0);
    let mut possibilities: Vec<Possibility> = inside.iter().map(|s| bare(diagnosis, shop, s)).collect();
    share_out_finding(&mut possibilities, mean);
    for p in &mut possibilities {
        p.cost = cost(shop, p.find + p.mend, p.parts);
    }
    possibilities.sort_by(|a, b| b.share.total_cmp(&a.share).then_with(|| a.faults.cmp(&b.faults)));
    Some(summed(shop, possibilities, outside))
}

fn summed(shop: &Shop, possibilities: Vec<Possibility>, outside: f64) -> Estimate {
    let times: Vec<(f64, f64)> = possibilities.iter().map(|p| (p.find + p.mend, p.share)).collect();
    let costs: Vec<(f64, f64)> = possibilities.iter().map(|p| (p.cost as f64, p.share)).collect();
    let mean = |list: &[(f64, f64)]| list.iter().map(|(x, w)| x * w).sum::<f64>();
    let amount = |minor: f64| {
        let minor = minor.round() as i64;
        Amount { minor, shown: shop.amount(minor) }
    };
    let span = |minutes: f64| words::span(shop, minutes);
    let (cost_low, cost_high) = (percentile(&costs, 0.1), percentile(&costs, 0.9));
    let (time_low, time_high): (Span, Span) = (span(percentile(&times, 0.1)), span(percentile(&times, 0.9)));
    Estimate {
        time: span(mean(&times)),
        single: cost_low == cost_high && time_low.shown == time_high.shown,
        time_low,
        time_high,
        cost: amount(mean(&costs)),
        cost_low: amount(cost_low),
        cost_high: amount(cost_high),
        with_labour: shop.hourly().is_some(),
        tax: shop.tax_label(),
        outside: words::chance(shop, outside),
        possibilities,
    }
}

/// The least value whose share, with all below it, reaches `q`.
pub(super) fn percentile(list: &[(f64, f64)], q: f64) -> f64 {
    let mut list = list.to_vec();
    list.sort_by(|a, b| a.0.total_cmp(&b.0));
    let mut sum = 0.0;
    for (value, weight) in &list {
        sum += weight;
        if sum >= q - 1e-12 {
            return *value;
        }
    }
    list.last().map_or(0.0, |l| l.0)
}

fn share_out_finding(possibilities: &mut [Possibility], mean: f64) {
    let mending: f64 = possibilities.iter().map(|p| p.share * p.mend).sum();
    let finding = (mean - mending).max(0.0);
    let bits = |share: f64| if share > 0.0 { -share.log2() } else { 0.0 };
    let entropy: f64 = possibilities.iter().map(|p| p.share * bits(p.share)).sum();
    for p in possibilities {
        p.find = if entropy > 0.05 { finding * bits(p.share) / entropy } else { finding };
    }
}

/// Price of minutes and parts with tax; of the parts alone where the shop has no rate.
pub(super) fn cost(shop: &Shop, minutes: f64, parts: i64) -> i64 {
    let labour = shop.hourly().map_or(0, |h| money::labour(money::billed(shop, minutes), h));
    money::taxed(shop, labour.saturating_add(parts)).total
}

fn bare(diagnosis: &Diagnosis<'_>, shop: &Shop, set: &Set) -> Possibility {
    let faults = || set.faults.iter().map(|f| &diagnosis.model.faults[f.0]);
    let mut remedies: Vec<&RemedyRef> = faults().filter_map(|f| f.remedies.first()).collect();
    remedies.sort_unstable();
    remedies.dedup();
    let offers: Vec<RemedyOffer> = remedies.iter().map(|r| diagnosis.offer(r)).collect();
    let hundredths = |offer: &RemedyOffer| (offer.money * 100.0).round() as i64;
    let plain: Vec<&str> = faults().map(|f| f.plain.as_str()).collect();
    Possibility {
        faults: set.faults.iter().map(|f| diagnosis.model.faults[f.0].id.clone()).collect(),
        plain: if plain.is_empty() { "Nothing is wrong with the unit".into() } else { plain.join("; and: ") },
        share: set.weight,
        find: 0.0,
        mend: offers.iter().map(|o| o.minutes).sum(),
        parts: offers.iter().map(|o| shop.from_hundredths(hundredths(o))).sum(),
        cost: 0,
    }
}

/// The sets of the leading suspects with their posterior weights, which sum to 1.
fn weighed(diagnosis: &Diagnosis<'_>) -> Vec<Set> {
    let model = &diagnosis.model;
    let mut list: Vec<(FaultId, f64)> = (0..model.faults.len())
        .map(FaultId)
        .map(|f| (f, model.there_now(f)))
        .filter(|(f, p)| *p > 1e-4 && (*p > model.faults[f.0].prior * 1.05 || *p > 0.3))
        .collect();
    list.sort_by(|a, b| {
        b.1.total_cmp(&a.1).then_with(|| model.faults[a.0.0].id.cmp(&model.faults[b.0.0].id))
    });
    list.truncate(SUSPECTS);
    if !list.iter().any(|(f, _)| model.faults[f.0].origin == FaultOrigin::Unlisted) {
        list.push((model.unlisted(), 0.0));
    }
    let faults: Vec<FaultId> = list.into_iter().map(|(f, _)| f).collect();
    let mut members: Vec<Vec<FaultId>> = vec![Vec::new()];
    for (i, a) in faults.iter().enumerate() {
        members.push(vec![*a]);
        members.extend(faults[i + 1..].iter().map(|b| vec![*a.min(b), *a.max(b)]));
    }
    let mut out: Vec<Set> = Vec::new();
    let mut best = f64::NEG_INFINITY;
    for set in members {
        let given = model.belief.given(&set);
        // What the circuit's readings say of a set is in the exact weight alone, which takes a propagation.
        let exact = diagnosis.circuit.as_ref().and_then(|_| model.belief.probability_of(&set).ok());
        let weight = exact.map_or_else(
            || {
                set.iter().map(|f| model.faults[f.0].prior).map(|p| (p / (1.0 - p)).ln()).sum::<f64>()
                    + given.log_likelihood
            },
            f64::ln,
        );
        if weight.is_nan() || weight == f64::NEG_INFINITY {
            continue;
        }
        best = best.max(weight);
        let there = |f: &FaultId| match model.present[f.0] {
            Cause::Fault(_) => true,
            Cause::Condition(c) => given.conditions.get(c.0).is_none_or(|p| *p > 0.5),
        };
        out.push(Set { faults: set.into_iter().filter(there).collect(), weight });
    }
    out.iter_mut().for_each(|s| s.weight = (s.weight - best).exp());
    let total: f64 = out.iter().map(|s| s.weight).sum();
    out.iter_mut().for_each(|s| s.weight /= total);
    merged(out)
}

/// Sets that leave the same faults to mend are one.
fn merged(mut sets: Vec<Set>) -> Vec<Set> {
    sets.sort_by(|a, b| a.faults.cmp(&b.faults));
    let mut out: Vec<Set> = Vec::new();
    for set in sets {
        match out.last_mut() {
            Some(last) if last.faults == set.faults => last.weight += set.weight,
            _ => out.push(set),
        }
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Worked by hand: shares 0.5, 0.3, 0.2 at 10, 20, 90: the 10th percentile is 10, the 90th 90, the median 10.
    #[test]
    fn percentiles_of_a_small_list() {
        let list = [(20.0, 0.3), (10.0, 0.5), (90.0, 0.2)];
        assert_eq!(percentile(&list, 0.1), 10.0);
        assert_eq!(percentile(&list, 0.5), 10.0);
        assert_eq!(percentile(&list, 0.8), 20.0);
        assert_eq!(percentile(&list, 0.9), 90.0);
    }

    /// Worked by hand: halves and two quarters hold 1, 2, 2 bits, 1.5 in the mean; 30 minutes of finding are shared out
    /// as 20, 40, 40, whose mean is 30 again.
    #[test]
    fn finding_is_shared_out_by_bits() {
        let one = |share: f64, mend: f64| Possibility {
            faults: Vec::new(),
            plain: String::new(),
            share,
            find: 0.0,
            mend,
            parts: 0,
            cost: 0,
        };
        let mut list = [one(0.5, 10.0), one(0.25, 10.0), one(0.25, 10.0)];
        share_out_finding(&mut list, 40.0);
        assert_eq!(list.each_ref().map(|p| p.find), [20.0, 40.0, 40.0]);
    }
}
