//! From graph and findings to tables: only what the findings reach, normal answers as unary factors, and every
//! noisy-OR or noisy-MAX as a chain of running maxima, so that all tables are small and non-negative.

use super::graph::{Cause, Graph};
use super::tree::Network;

/// A finding as the compiler wants it: check, likelihood over answers, and one more (computed) cause or none.
#[derive(Debug, Clone)]
pub(crate) struct Evidence<'a> {
    pub check: usize,
    pub likelihood: &'a [f64],
    pub computed: Option<&'a [f64]>,
}

/// Tables plus where each fault and condition went.
#[derive(Debug, Clone)]
pub(crate) struct Compiled {
    pub network: Network,
    /// Variable of each fault; `None` when no finding reaches it or it is fixed.
    pub fault_var: Vec<Option<usize>>,
    /// Variable of each condition; `None` when no finding reaches it.
    pub condition_var: Vec<Option<usize>>,
}

/// Compiles. `fixed[f]` holds a fault at a value and leaves its prior out.
pub(crate) fn compile(graph: &Graph, fixed: &[Option<bool>], evidence: &[Evidence]) -> Compiled {
    let mut need_fault = vec![false; graph.priors.len()];
    let mut need_condition = vec![false; graph.conditions.len()];
    let mut mark = |cause: &Cause, conditions: &mut Vec<bool>| match cause {
        Cause::Fault(f) => need_fault[f.0] = true,
        Cause::Condition(c) => conditions[c.0] = true,
    };
    for e in evidence {
        for (cause, _) in &graph.checks[e.check].causes {
            mark(cause, &mut need_condition);
        }
    }
    for c in (0..graph.conditions.len()).rev() {
        if need_condition[c] {
            for (cause, _) in &graph.conditions[c].causes {
                mark(cause, &mut need_condition);
            }
        }
    }
    let mut network = Network::default();
    let mut fault_var = vec![None; graph.priors.len()];
    for f in 0..graph.priors.len() {
        if need_fault[f] && fixed[f].is_none() {
            let v = network.add_var(2);
            network.add_table(vec![v], vec![1.0 - graph.priors[f], graph.priors[f]]);
            fault_var[f] = Some(v);
        }
    }
    let mut condition_var = vec![None; graph.conditions.len()];
    for c in 0..graph.conditions.len() {
        if !need_condition[c] {
            continue;
        }
        let v = network.add_var(2);
        condition_var[c] = Some(v);
        let node = &graph.conditions[c];
        let links: Vec<(Cause, [f64; 2])> =
            node.causes.iter().map(|(cause, w)| (*cause, [1.0 - w, 1.0])).collect();
        let links = live_links(links.iter().map(|(c, l)| (*c, &l[..])), fixed, &fault_var, &condition_var);
        chain(&mut network, &[1.0 - node.leak, 1.0], links, Some(v));
    }
    for e in evidence {
        let node = &graph.checks[e.check];
        let mut base = node.leak.clone();
        if let Some(computed) = e.computed {
            base.iter_mut().zip(computed).for_each(|(b, c)| *b *= c);
        }
        let links =
            live_links(node.causes.iter().map(|(c, l)| (*c, &l[..])), fixed, &fault_var, &condition_var);
        observe(&mut network, &base, links, e.likelihood);
    }
    Compiled { network, fault_var, condition_var }
}

/// A link to an effect: the cause's variable (`None`: always active) and its cumulative distribution.
type Link<'a> = (Option<usize>, &'a [f64]);

fn live_links<'a>(
    causes: impl Iterator<Item = (Cause, &'a [f64])>,
    fixed: &[Option<bool>],
    fault_var: &[Option<usize>],
    condition_var: &[Option<usize>],
) -> Vec<Link<'a>> {
    causes
        .filter_map(|(cause, spread)| match cause {
            Cause::Fault(f) => match fixed[f.0] {
                Some(false) => None,
                Some(true) => Some((None, spread)),
                None => Some((fault_var[f.0], spread)),
            },
            Cause::Condition(c) => Some((condition_var[c.0], spread)),
        })
        .collect()
}

/// Splits a cumulative base into the part from fixed causes and the links that are still open.
fn settle<'a>(base: &[f64], links: Vec<Link<'a>>) -> (Vec<f64>, Vec<(usize, &'a [f64])>) {
    let mut base = base.to_vec();
    let mut open = Vec::with_capacity(links.len());
    for (var, spread) in links {
        match var {
            Some(v) => open.push((v, spread)),
            None => base.iter_mut().zip(spread).for_each(|(b, s)| *b *= s),
        }
    }
    (base, open)
}

/// P(max <= k) to P(max = k).
fn density(cumulative: &[f64]) -> Vec<f64> {
    let mut last = 0.0;
    cumulative
        .iter()
        .map(|c| {
            let d = (c - last).max(0.0);
            last = *c;
            d
        })
        .collect()
}

/// Running maximum: adds a variable per link, the last one being `end` (or a new one), and returns it.
fn chain(network: &mut Network, base: &[f64], links: Vec<Link>, end: Option<usize>) -> usize {
    let m = base.len();
    let (base, open) = settle(base, links);
    let start = density(&base);
    let mut last: Option<usize> = None;
    let count = open.len();
    if count == 0 {
        let v = end.unwrap_or_else(|| network.add_var(m));
        network.add_table(vec![v], start);
        return v;
    }
    for (i, (cause, spread)) in open.into_iter().enumerate() {
        let here = match end {
            Some(v) if i + 1 == count => v,
            _ => network.add_var(m),
        };
        let one = density(spread);
        match last {
            None => {
                let mut data = start.clone();
                data.extend(join(&start, &one));
                network.add_table(vec![cause, here], data);
            }
            Some(before) => {
                let mut data = Vec::with_capacity(2 * m * m);
                for k in 0..m {
                    let mut at = vec![0.0; m];
                    at[k] = 1.0;
                    data.extend(at);
                }
                for k in 0..m {
                    let mut at = vec![0.0; m];
                    at[k] = 1.0;
                    data.extend(join(&at, &one));
                }
                network.add_table(vec![cause, before, here], data);
            }
        }
        last = Some(here);
    }
    last.unwrap_or(0)
}

/// Distribution of the greater of two independent answers.
fn join(a: &[f64], b: &[f64]) -> Vec<f64> {
    let mut out = vec![0.0; a.len()];
    for (i, x) in a.iter().enumerate() {
        for (j, y) in b.iter().enumerate() {
            out[i.max(j)] += x * y;
        }
    }
    out
}

/// Puts a finding in: one product for answer 0, else a chain ending in the likelihood.
fn observe(network: &mut Network, base: &[f64], links: Vec<Link>, likelihood: &[f64]) {
    if likelihood[1..].iter().all(|x| *x == 0.0) {
        let (base, open) = settle(base, links);
        network.add_table(Vec::new(), vec![likelihood[0] * base[0]]);
        for (cause, spread) in open {
            network.add_table(vec![cause], vec![1.0, spread[0]]);
        }
        return;
    }
    let end = chain(network, base, links, None);
    network.add_table(vec![end], likelihood.to_vec());
}
