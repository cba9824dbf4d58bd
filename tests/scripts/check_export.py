#!/usr/bin/env python3
"""What a general-purpose library makes of an exported graph: full tables out of the noisy-MAX parameters, exact
propagation by pyAgrum.

    pip install pyagrum
    python3 tests/scripts/check_export.py

reads tests/data/networks/graded.json and writes golden_graded.json beside it: for each case the findings (an answer, or
a likelihood per answer), P(findings), and the posterior of every node without a finding.
"""
import itertools
import json
import pathlib

import pyagrum as gum

DATA = pathlib.Path(__file__).resolve().parents[1] / "data/networks"

CASES = [
    {},
    {"x0": 1, "x1": 2, "x2": 0},
    {"x1": 1, "x2": 3, "x4": 0, "x5": 2, "x7": 1},
    {"x0": 1, "x1": 2, "x2": 3, "x3": 1, "x4": 2, "x5": 3, "x6": 1, "x7": 2},
    {"x0": 0, "x1": 0, "x2": 0, "x3": 0, "x4": 0, "x5": 0, "x6": 0, "x7": 1},
    {"x1": [0.1, 0.8, 0.3], "x2": [0.0, 0.2, 1.0, 0.4], "x3": 1, "x6": [0.7, 0.2]},
    {"x5": [1.0, 0.0, 0.5, 0.0], "x4": 2, "x0": 0},
]


def build(nodes):
    net = gum.BayesNet()
    for node in nodes:
        net.add(gum.LabelizedVariable(node["name"], "", node["states"]))
    for node in nodes:
        name, states = node["name"], node["states"]
        for cause in node["causes"]:
            net.addArc(cause["node"], name)

        def cumulative(spread):
            rest, out = 1 - sum(spread), []
            for p in [0] + spread:
                rest += p
                out.append(rest)
            return out
        leak = cumulative(node["leak"])
        causes = [(c["node"], cumulative(c["spread"])) for c in node["causes"]]
        for on in itertools.product((0, 1), repeat=len(causes)):
            upto = list(leak)
            for active, (_, spread) in zip(on, causes):
                if active:
                    upto = [a * b for a, b in zip(upto, spread)]
            row = [upto[0]] + [upto[k] - upto[k - 1] for k in range(1, states)]
            net.cpt(name)[{c: active for active, (c, _) in zip(on, causes)}] = row
    return net


def main():
    nodes = json.loads((DATA / "graded.json").read_text())["nodes"]
    net = build(nodes)
    cases = []
    for findings in CASES:
        engine = gum.LazyPropagation(net)
        engine.setEvidence(findings)
        engine.makeInference()
        posteriors = {}
        for node in nodes:
            if node["name"] not in findings:
                posteriors[node["name"]] = [float(f"{x:.12g}") for x in engine.posterior(node["name"]).tolist()]
        probability = engine.evidenceProbability() if findings else 1.0
        cases.append({"findings": findings, "evidence_probability": float(f"{probability:.12g}"),
                      "posteriors": posteriors})
    out = {"by": f"pyAgrum {gum.__version__}, full tables, lazy propagation", "cases": cases}
    (DATA / "golden_graded.json").write_text(json.dumps(out, indent=1) + "\n")


if __name__ == "__main__":
    main()
