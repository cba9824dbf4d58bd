//! From graph and findings to tables: only what the findings reach, and no more variables than it takes.
//!
//! A noisy-OR or noisy-MAX node with answers `k` is a signed sum of products, `sum_k a_k F_k`, each
//! `F_k = P(answer <= k)` a product over causes. An auxiliary variable with one state per term splits it into pairs
//! (Díez and Galán 2003). A finding of answer 0 has a single term, hence only unary factors, absorbed into the priors.
//! A fault with a single remaining link vanishes into its node's numbers; a condition seen by single terms only
//! vanishes too, into its node's weights. [`Style::Chain`] is the slower, sign-free twin: running maxima, one variable
//! per link, used where the signs cost too many digits.
//!
//! Absent here: the sums themselves ([`super::tree`]) and what a caller makes of them.

use super::graph::{Cause, Graph};
use super::nodes::{self, Node, Term};
use super::tree::{Layout, Pass, Plan, Tables};

/// How nodes with more than one term are split.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Style {
    /// Signed terms: the smallest tables.
    Signed,
    /// Running maxima: no negative numbers.
    Chain,
}

/// A check's finding as the compiler wants it.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Evidence<'a> {
    pub check: usize,
    pub likelihood: &'a [f64],
}

/// Where a fault went.
#[derive(Debug, Clone)]
enum Place {
    /// No finding reaches it: its prior stands.
    Unreached,
    /// Only unary factors: probability `p` now.
    Closed { p: f64 },
    /// One link left, folded into a node; the link's factor per term.
    Private { p: f64, node: usize, factors: Vec<f64> },
    /// A variable of the network with a unary table.
    Var { p: f64, var: usize, table: usize },
    /// Held from outside; its links as (node, factor per term).
    Held { links: Vec<(usize, Vec<f64>)> },
}

/// Where a condition went.
#[derive(Debug, Clone, Copy)]
enum Hidden {
    Unreached,
    Var(usize),
    /// Seen through single terms only, their product being `weight`; folded into its node.
    Folded {
        node: usize,
        weight: f64,
    },
}

/// A compiled network, to be run with different held faults, fixed faults and computed causes.
#[derive(Debug, Clone)]
pub(crate) struct Template {
    plan: Plan,
    tables: Tables,
    nodes: Vec<Node>,
    faults: Vec<Place>,
    conditions: Vec<Hidden>,
    /// Logarithm of the constant factors.
    constant: f64,
    node_of_check: Vec<(usize, usize)>,
}

/// What differs from run to run.
#[derive(Debug, Clone, Copy, Default)]
pub(crate) struct Setting<'a> {
    /// Held faults that are present; the other held ones are absent.
    pub present: &'a [usize],
    /// Free faults fixed at a value, the prior included in the total.
    pub fixed: &'a [(usize, bool)],
    /// Computed causes: check and cumulative distribution.
    pub computed: &'a [(usize, Vec<f64>)],
}

/// Result of a run.
#[derive(Debug, Clone)]
pub(crate) struct Outcome {
    /// Natural logarithm of the total.
    pub log_total: f64,
    /// Bound on the total's rounding error, in units of one operation's: the digits that signs have cost.
    pub condition: f64,
    marginals: Vec<Vec<f64>>,
}

/// Working state of [`Template::new`].
struct Links {
    /// Product of single-term factors per fault and per condition.
    fault_unary: Vec<f64>,
    condition_unary: Vec<f64>,
    /// Number of links into nodes with several terms.
    fault_links: Vec<usize>,
    condition_links: Vec<usize>,
}

impl Template {
    /// Compiles `evidence` for `graph`; faults in `held` get their value with each run, without prior.
    pub fn new(graph: &Graph, held: &[bool], evidence: &[Evidence], style: Style) -> Template {
        let reach = super::reach::Reach::of(graph, evidence.iter().map(|e| e.check));
        let terms: Vec<Vec<Term>> = evidence.iter().map(|e| nodes::terms(e.likelihood)).collect();
        let links = count_links(graph, &reach, evidence, &terms);
        let mut template = Template {
            plan: Plan::empty(),
            tables: Tables::default(),
            nodes: Vec::new(),
            faults: vec![Place::Unreached; graph.priors.len()],
            conditions: vec![Hidden::Unreached; graph.conditions.len()],
            constant: 0.0,
            node_of_check: Vec::new(),
        };
        let mut layout = Layout::default();
        template.place_faults(graph, held, &reach, &links, style, &mut layout);
        for c in reach.conditions() {
            template.place_condition(graph, c, &links, style, &mut layout);
        }
        for (e, terms) in evidence.iter().zip(terms) {
            template.place_finding(graph, e, terms, style, &mut layout);
        }
        template.plan = Plan::new(&layout);
        template
    }

    /// Table entries to visit per pass.
    pub fn cost(&self) -> f64 {
        self.plan.cost()
    }

    fn place_faults(
        &mut self,
        graph: &Graph,
        held: &[bool],
        reach: &super::reach::Reach,
        links: &Links,
        style: Style,
        layout: &mut Layout,
    ) {
        for f in reach.faults() {
            if held[f] {
                self.faults[f] = Place::Held { links: Vec::new() };
                continue;
            }
            let (prior, unary) = (graph.priors[f], links.fault_unary[f]);
            let total = 1.0 - prior * (1.0 - unary);
            self.constant += total.ln();
            let p = if total > 0.0 { prior * unary / total } else { 0.0 };
            self.faults[f] = match links.fault_links[f] {
                0 => Place::Closed { p },
                1 if style == Style::Signed => Place::Private { p, node: usize::MAX, factors: Vec::new() },
                _ => {
                    let var = layout.add_var(2);
                    let table = layout.add_table(vec![var]);
                    self.tables.push(&[1.0 - p, p]);
                    Place::Var { p, var, table }
                }
            };
        }
    }

    fn place_condition(&mut self, graph: &Graph, c: usize, links: &Links, style: Style, layout: &mut Layout) {
        let source = &graph.conditions[c];
        let node = self.nodes.len();
        let weight = links.condition_unary[c];
        let folds = style == Style::Signed && links.condition_links[c] == 0 && weight < 1.0 - 1e-6;
        let spreads: Vec<(Cause, [f64; 2])> =
            source.causes.iter().map(|(cause, w)| (*cause, [1.0 - w, 1.0])).collect();
        let base = vec![1.0, 1.0 - source.leak];
        if folds {
            self.conditions[c] = Hidden::Folded { node, weight };
            let terms = vec![Term { answer: 1, sign: weight }, Term { answer: 0, sign: 1.0 - weight }];
            self.nodes.push(Node::signed(base, terms));
            self.link(node, spreads.iter().map(|(c, s)| (*c, &s[..])), style, None, layout);
            return;
        }
        let var = layout.add_var(2);
        self.conditions[c] = Hidden::Var(var);
        if weight != 1.0 {
            layout.add_table(vec![var]);
            self.tables.push(&[1.0, weight]);
        }
        let terms = vec![Term { answer: 1, sign: 1.0 }, Term { answer: 0, sign: 1.0 }];
        self.nodes.push(match style {
            Style::Signed => Node::hidden(base, terms, var),
            Style::Chain => Node::chain(vec![1.0 - source.leak, 1.0]),
        });
        self.link(node, spreads.iter().map(|(c, s)| (*c, &s[..])), style, Some(var), layout);
    }

    fn place_finding(
        &mut self,
        graph: &Graph,
        evidence: &Evidence,
        terms: Vec<Term>,
        style: Style,
        layout: &mut Layout,
    ) {
        let source = &graph.checks[evidence.check];
        let node = self.nodes.len();
        self.node_of_check.push((evidence.check, node));
        let causes = source.causes.iter().map(|(c, s)| (*c, &s[..]));
        if terms.len() > 1 && style == Style::Chain {
            let var = layout.add_var(source.answers());
            layout.add_table(vec![var]);
            self.tables.push(evidence.likelihood);
            self.nodes.push(Node::chain(source.leak.clone()));
            self.link(node, causes, style, Some(var), layout);
        } else {
            let base = terms.iter().map(|t| source.leak[t.answer]).collect();
            self.nodes.push(Node::signed(base, terms));
            self.link(node, causes, Style::Signed, None, layout);
        }
    }

    /// Connects a node to its causes. `end` is the variable that a chain ends in.
    fn link<'a>(
        &mut self,
        node: usize,
        causes: impl Iterator<Item = (Cause, &'a [f64])>,
        style: Style,
        end: Option<usize>,
        layout: &mut Layout,
    ) {
        let answers: Vec<usize> = self.nodes[node].answers();
        let single = answers.len() == 1;
        let mut open: Vec<(usize, Vec<f64>)> = Vec::new();
        for (cause, spread) in causes {
            let factors: Vec<f64> = answers.iter().map(|k| spread[*k]).collect();
            match cause {
                Cause::Fault(f) => match &mut self.faults[f.0] {
                    Place::Held { links } => links.push((node, factors)),
                    Place::Var { var, .. } if !single => open.push((*var, factors)),
                    Place::Private { p, node: at, factors: own } if !single => {
                        let base = &mut self.nodes[node].base;
                        base.iter_mut().zip(&factors).for_each(|(b, q)| *b *= 1.0 - *p * (1.0 - q));
                        *at = node;
                        *own = factors;
                    }
                    // A single term is in the fault's unary factor already.
                    _ => {}
                },
                Cause::Condition(c) => {
                    if let (Hidden::Var(v), false) = (self.conditions[c.0], single) {
                        open.push((v, factors));
                    }
                }
            }
        }
        match style {
            _ if single => {}
            Style::Signed => self.nodes[node].connect_signed(&open, layout, &mut self.tables),
            Style::Chain => self.nodes[node].connect_chain(&open, end, layout, &mut self.tables),
        }
    }

    /// Runs the first pass, and the second where `marginals` are wanted. `None`: total not above zero.
    pub fn run(&self, setting: Setting, marginals: bool) -> Option<Outcome> {
        self.run_after(setting, marginals, &mut Pass::default())
    }

    /// The same after another run, whose pass is handed in and left as it stands then.
    pub fn run_after(&self, setting: Setting, marginals: bool, pass: &mut Pass) -> Option<Outcome> {
        let mut bases: Vec<Vec<f64>> = self.nodes.iter().map(|n| n.base.clone()).collect();
        let mut tables = self.tables.clone();
        let mut log = self.constant;
        let scale = |base: &mut Vec<f64>, factors: &[f64]| {
            base.iter_mut().zip(factors).for_each(|(b, q)| *b *= q);
        };
        for f in setting.present {
            if let Place::Held { links } = &self.faults[*f] {
                for (node, factors) in links {
                    scale(&mut bases[*node], factors);
                }
            }
        }
        for (check, cumulative) in setting.computed {
            if let Some((_, node)) = self.node_of_check.iter().find(|(c, _)| c == check) {
                let answers = self.nodes[*node].answers();
                let factors: Vec<f64> = answers.iter().map(|k| cumulative[*k]).collect();
                scale(&mut bases[*node], &factors);
            }
        }
        for (f, value) in setting.fixed {
            match &self.faults[*f] {
                Place::Closed { p } => log += if *value { p.ln() } else { (-p).ln_1p() },
                Place::Var { p, table, .. } => {
                    let slot = tables.get_mut(*table);
                    slot[0] = if *value { 0.0 } else { 1.0 - p };
                    slot[1] = if *value { *p } else { 0.0 };
                }
                Place::Private { p, node, factors } => {
                    // Replace the mixture over the fault by its one value.
                    let base = &mut bases[*node];
                    for (b, q) in base.iter_mut().zip(factors) {
                        let mixed = 1.0 - p * (1.0 - q);
                        let own = if *value { p * q } else { 1.0 - p };
                        *b *= if mixed > 0.0 { own / mixed } else { 0.0 };
                    }
                }
                Place::Unreached | Place::Held { .. } => {}
            }
        }
        if log == f64::NEG_INFINITY || log.is_nan() {
            return None;
        }
        for (node, base) in self.nodes.iter().zip(&bases) {
            log += node.fill(base, &mut tables)?;
        }
        let totals = self.plan.up(&tables, marginals, pass)?;
        Some(Outcome {
            log_total: log + totals.log_total,
            condition: totals.condition,
            marginals: if marginals { self.plan.down(pass) } else { Vec::new() },
        })
    }

    /// P(fault | ...) out of a run with marginals; `prior` for a fault that no finding reaches. Held faults: 0.
    pub fn fault(&self, outcome: &Outcome, f: usize, prior: f64) -> f64 {
        match &self.faults[f] {
            Place::Unreached => prior,
            Place::Closed { p } => *p,
            Place::Held { .. } => 0.0,
            Place::Var { var, .. } => outcome.marginals[*var][1].clamp(0.0, 1.0),
            Place::Private { p, node, factors } => {
                let Some(var) = self.nodes[*node].var else {
                    return *p;
                };
                let parts = outcome.marginals[var].iter().zip(factors);
                let sum: f64 = parts
                    .map(|(m, q)| {
                        let mixed = 1.0 - p * (1.0 - q);
                        if mixed > 0.0 { m * p * q / mixed } else { 0.0 }
                    })
                    .sum();
                sum.clamp(0.0, 1.0)
            }
        }
    }

    /// Whether a finding reaches a condition.
    pub fn reaches(&self, c: usize) -> bool {
        !matches!(self.conditions[c], Hidden::Unreached)
    }

    /// P(condition | ...) out of a run with marginals; `None` where no finding reaches it.
    pub fn condition(&self, outcome: &Outcome, c: usize) -> Option<f64> {
        match self.conditions[c] {
            Hidden::Unreached => None,
            Hidden::Var(v) => Some(outcome.marginals[v][1].clamp(0.0, 1.0)),
            Hidden::Folded { node, weight } => {
                let m = &outcome.marginals[self.nodes[node].var?];
                Some((m[0] - m[1] * weight / (1.0 - weight)).clamp(0.0, 1.0))
            }
        }
    }

    /// For each held fault a class: faults of one class act alike on every node. `None`: not held, or no effect.
    pub fn held_classes(&self) -> Vec<Option<usize>> {
        let mut seen: Vec<&[(usize, Vec<f64>)]> = Vec::new();
        let mut classes = Vec::with_capacity(self.faults.len());
        for place in &self.faults {
            let links = match place {
                Place::Held { links } if !links.is_empty() => links,
                _ => {
                    classes.push(None);
                    continue;
                }
            };
            let class = seen.iter().position(|s| *s == links.as_slice());
            classes.push(Some(class.unwrap_or_else(|| {
                seen.push(links);
                seen.len() - 1
            })));
        }
        classes
    }

    /// Whether the findings couple this fault to anything else (it is a variable or hangs on one).
    pub fn is_coupled(&self, f: usize) -> bool {
        matches!(self.faults[f], Place::Var { .. } | Place::Private { .. })
    }

    /// The probability of a fault that is not coupled to any other.
    pub fn alone(&self, f: usize, prior: f64) -> f64 {
        match &self.faults[f] {
            Place::Closed { p } => *p,
            _ => prior,
        }
    }
}

fn count_links(
    graph: &Graph,
    reach: &super::reach::Reach,
    evidence: &[Evidence],
    terms: &[Vec<Term>],
) -> Links {
    let mut links = Links {
        fault_unary: vec![1.0; graph.priors.len()],
        condition_unary: vec![1.0; graph.conditions.len()],
        fault_links: vec![0; graph.priors.len()],
        condition_links: vec![0; graph.conditions.len()],
    };
    for c in reach.conditions() {
        for (cause, _) in &graph.conditions[c].causes {
            match cause {
                Cause::Fault(f) => links.fault_links[f.0] += 1,
                Cause::Condition(c) => links.condition_links[c.0] += 1,
            }
        }
    }
    for (e, terms) in evidence.iter().zip(terms) {
        for (cause, spread) in &graph.checks[e.check].causes {
            let single = match terms[..] {
                [term] => Some(spread[term.answer]),
                _ => None,
            };
            match (cause, single) {
                (Cause::Fault(f), Some(q)) => links.fault_unary[f.0] *= q,
                (Cause::Condition(c), Some(q)) => links.condition_unary[c.0] *= q,
                (Cause::Fault(f), None) => links.fault_links[f.0] += 1,
                (Cause::Condition(c), None) => links.condition_links[c.0] += 1,
            }
        }
    }
    links
}
