//! The shipped rules against a general-purpose library: every fault's probability as pyAgrum has it, for findings drawn
//! from the rules' own networks (tests/data/rules/golden.json, made by tests/scripts/make_rules_golden.py); and as plain
//! enumeration has it, where a check has few ancestors.
//!
//! The networks follow from the rules, so they are not stored, only their hashes. `EXPORT_DIR=DIR cargo test --test
//! rules_golden export` writes them; the script does that by itself.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, clippy::print_stdout)]

use std::collections::{BTreeMap, HashMap};
use std::path::PathBuf;
use std::sync::Arc;

use halfsplit::belief::{Belief, CheckId, FaultId, Finding, Graph, NetworkExport, NodeExport};
use halfsplit::job::{JobCard, Model};
use halfsplit::rules::Rules;
use halfsplit::text::Source;
use serde_json::{Value, json};

/// The jobs: blocks (none: all of them), history, build.
const JOBS: [(&str, &str, &str, &str); 6] = [
    ("transistor", "transistor", "fresh-build", "stripboard"),
    ("opamp", "opamp", "worked-before", "pcb"),
    ("echo-chip", "echo-chip", "fresh-build", "breadboard"),
    ("lfo", "lfo", "after-change", "stripboard"),
    ("opamp-and-echo-chip", "opamp, echo-chip", "worked-before", "point-to-point"),
    ("every-block", "", "fresh-build", "stripboard"),
];

const REMAKE: &str = "run python3 tests/scripts/make_rules_golden.py";

struct Network {
    name: &'static str,
    model: Model,
    graph: Arc<Graph>,
    /// Id of each check and its answers, by the engine's index.
    checks: BTreeMap<usize, (String, Vec<String>)>,
    /// Symptoms in play: id, the check's name in the network, the answer.
    symptoms: Vec<(String, String, usize)>,
}

fn networks() -> Vec<Network> {
    let rules = Rules::builtin().unwrap();
    let network = |(name, blocks, history, build)| {
        let text = format!("unit: Bench\nhistory: {history}\nbuild: {build}\nblocks: [{blocks}]\n");
        let job = JobCard::read(&Source::new("job.yaml", text)).unwrap();
        let model = Model::of(rules, &job, None).unwrap();
        let named = model.now.iter().map(|(id, node)| {
            let check = rules.check(*id);
            (node.0, (check.id.clone(), check.answers.clone()))
        });
        let checks = named.collect();
        let symptom = |s: &halfsplit::rules::Symptom| {
            model.now.get(&s.check).map(|node| (s.id.clone(), format!("x{}", node.0), s.answer))
        };
        let symptoms = rules.symptoms().filter_map(|(_, s)| symptom(s)).collect();
        Network { name, graph: model.belief.graph().clone(), checks, symptoms, model }
    };
    JOBS.into_iter().map(network).collect()
}

/// FNV-1a, 64 bits (Fowler, Noll and Vo).
fn hash(text: &str) -> String {
    let step = |h: u64, b: u8| (h ^ u64::from(b)).wrapping_mul(0x100_0000_01b3);
    format!("{:016x}", text.bytes().fold(0xcbf2_9ce4_8422_2325, step))
}

impl Network {
    fn finding(&self, check: &str, answer: &str) -> Finding {
        let (node, (_, answers)) = self.checks.iter().find(|(_, c)| c.0 == check).unwrap();
        Finding::answer(CheckId(*node), answers.iter().position(|a| a == answer).unwrap())
    }

    /// The network with the names of its faults and checks.
    fn export(&self) -> (String, String) {
        let network = self.graph.export().to_json();
        let head = json!({
            "name": self.name,
            "faults": self.model.faults.iter().map(|f| &f.id).collect::<Vec<_>>(),
            "symptoms": self.symptoms,
            "checks": self.checks.iter().map(|(i, c)| (format!("x{i}"), c)).collect::<BTreeMap<_, _>>(),
        });
        let hash = hash(&format!("{head}\n{network}"));
        (hash.clone(), format!("{{\"hash\":\"{hash}\",\"head\":{head},\n\"network\":{network}}}\n"))
    }
}

#[test]
fn the_hash_is_the_published_one() {
    // Fowler, Noll and Vo's own test vectors: the empty text, "a", "foobar".
    let of = ["", "a", "foobar"].map(hash);
    assert_eq!(of, ["cbf29ce484222325", "af63dc4c8601ec8c", "85944171f73967e8"]);
}

#[test]
fn export() {
    let folder = std::env::var_os("EXPORT_DIR").map(PathBuf::from);
    for network in networks() {
        let (_, text) = network.export();
        let parsed: Value = serde_json::from_str(&text).unwrap();
        let nodes = parsed["network"]["nodes"].as_array().unwrap().len();
        let graph = &network.graph;
        assert_eq!(nodes, graph.fault_count() + graph.condition_count() + graph.check_count());
        assert_eq!(network.checks.len(), graph.check_count());
        if let Some(folder) = &folder {
            std::fs::write(folder.join(format!("{}.json", network.name)), text).unwrap();
        }
    }
}

#[test]
fn every_fault_is_as_probable_as_the_library_says() {
    let path = PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("tests/data/rules/golden.json");
    let text = std::fs::read_to_string(path).unwrap_or_else(|e| panic!("no golden file ({e}): {REMAKE}"));
    let golden: Value = serde_json::from_str(&text).unwrap();
    let (mut sets, mut graded, mut several, mut worst) = (0, 0, 0, 0f64);
    for network in networks() {
        let known = golden["networks"].as_array().unwrap().iter().find(|n| n["name"] == network.name);
        let known = known.unwrap_or_else(|| panic!("{} is not in the golden file: {REMAKE}", network.name));
        let (hash, _) = network.export();
        assert!(
            known["hash"] == hash.as_str(),
            "rules changed since the golden file was made ({}): {REMAKE}",
            network.name
        );
        for case in known["cases"].as_array().unwrap() {
            let found = case["findings"].as_object().unwrap();
            let findings: Vec<Finding> = found
                .iter()
                .map(|(check, answer)| network.finding(check, answer.as_str().unwrap()))
                .collect();
            sets += 1;
            several += usize::from(findings.len() > 2);
            graded += usize::from(findings.iter().any(|f| network.graph.answers(f.check) > Some(2)));
            let belief = Belief::new(network.graph.clone(), &findings).unwrap();
            assert_eq!(belief.posterior().error, 0.0, "{}: not exact for {found:?}", network.name);
            let expected = case["posteriors"].as_array().unwrap();
            assert_eq!(expected.len(), network.graph.fault_count());
            for (f, expected) in expected.iter().enumerate() {
                // Null: no finding reaches the fault, so its prior stands.
                let expected = expected.as_f64().or(network.graph.prior(FaultId(f))).unwrap();
                let off = (belief.fault(FaultId(f)).unwrap() - expected).abs();
                let id = &network.model.faults[f].id;
                assert!(off < TOLERANCE, "{}, {found:?}: {id} is off by {off:e}", network.name);
                worst = worst.max(off);
            }
            let log = case["log_evidence"].as_f64().unwrap();
            let off = (belief.posterior().log_evidence - log).abs();
            assert!(off < TOLERANCE, "{}, {found:?}: evidence is off by {off:e}", network.name);
        }
    }
    assert!(
        sets >= 50 && graded >= 20 && several >= 20,
        "{sets} sets, {graded} graded, {several} of several"
    );
    println!("{sets} sets, greatest difference {worst:.1e}");
}

/// Twelve digits are stored.
const TOLERANCE: f64 = 1e-9;

/// Ancestors of a check, itself the last, causes first; `None` where there are more than `most`.
fn ancestry<'a>(network: &'a NetworkExport, check: &str, most: usize) -> Option<Vec<&'a NodeExport>> {
    let mut wanted = vec![check];
    let mut out = Vec::new();
    for node in network.nodes.iter().rev().filter(|n| !n.name.starts_with('x') || n.name == check) {
        if wanted.contains(&node.name.as_str()) {
            wanted.extend(node.causes.iter().map(|c| c.node.as_str()));
            out.push(node);
        }
    }
    out.reverse();
    (out.len() <= most + 1).then_some(out)
}

/// For each answer of the last node: its probability, and jointly with each of the others.
fn enumerate(nodes: &[&NodeExport]) -> Vec<(f64, Vec<f64>)> {
    let (check, hidden) = nodes.split_last().unwrap();
    let place: HashMap<&str, usize> = hidden.iter().enumerate().map(|(i, n)| (n.name.as_str(), i)).collect();
    // P(answer <= k) of a list of P(answer 1), ...
    let cumulative = |spread: &[f64]| -> Vec<f64> {
        (0..=spread.len()).map(|k| 1.0 - spread[k..].iter().sum::<f64>()).collect()
    };
    type Links = Vec<(usize, Vec<f64>)>;
    let table: Vec<(Vec<f64>, Links)> = nodes
        .iter()
        .map(|n| {
            let links = n.causes.iter().map(|c| (place[c.node.as_str()], cumulative(&c.spread)));
            (cumulative(&n.leak), links.collect())
        })
        .collect();
    let below = |node: usize, k: usize, state: usize| -> f64 {
        let (leak, links) = &table[node];
        links.iter().filter(|(c, _)| state >> c & 1 == 1).fold(leak[k], |p, (_, spread)| p * spread[k])
    };
    let mut out = vec![(0.0, vec![0.0; hidden.len()]); check.states];
    for state in 0..1usize << hidden.len() {
        let weight = (0..hidden.len()).fold(1.0, |weight, i| {
            let off = below(i, 0, state);
            weight * if state >> i & 1 == 1 { 1.0 - off } else { off }
        });
        let mut last = 0.0;
        for (k, (mass, with)) in out.iter_mut().enumerate() {
            let upto = below(hidden.len(), k, state);
            let weight = weight * (upto - last);
            last = upto;
            *mass += weight;
            let on = with.iter_mut().enumerate().filter(|(i, _)| state >> i & 1 == 1);
            on.for_each(|(_, w)| *w += weight);
        }
    }
    out
}

/// One finding, every answer, on every check of the shipped rules that has at most 13 faults and conditions behind it.
#[test]
fn enumeration_agrees_where_it_is_feasible() {
    let mut done = 0;
    for network in networks() {
        let export = network.graph.export();
        for (node, (id, _)) in &network.checks {
            let Some(nodes) = ancestry(&export, &format!("x{node}"), 13) else { continue };
            for (k, (mass, with)) in enumerate(&nodes).into_iter().enumerate() {
                if mass <= 0.0 {
                    continue;
                }
                let belief =
                    Belief::new(network.graph.clone(), &[Finding::answer(CheckId(*node), k)]).unwrap();
                for (n, with) in nodes.iter().zip(with).filter(|(n, _)| n.name.starts_with('f')) {
                    let fault = FaultId(n.name[1..].parse().unwrap());
                    let off = (belief.fault(fault).unwrap() - with / mass).abs();
                    assert!(off < 1e-9, "{}: {} off by {off:e} for {id}={k}", network.name, n.name);
                }
                done += 1;
            }
        }
    }
    assert!(done > 100, "only {done} findings were compared");
    println!("{done} findings");
}
