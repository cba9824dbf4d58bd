#!/usr/bin/env python3
"""Runs a general-purpose library (pyAgrum) and the belief engine's benchmark on the same networks in the same go and
prints milliseconds and ratios.

    pip install pyagrum
    python3 tests/bench/compare_belief.py [SECONDS_PER_MEASUREMENT]

The library gets each network as its own noisy-OR nodes, lazy propagation, all posteriors of faults as targets: all
posteriors from a fresh inference; one more answer on the standing one; the value of every unseen symptom as all
posteriors after one answer of each in turn. Each is the best of the repeats that fit the time, at
least one. The engine's figures are criterion's means. Networks where the library runs past LIMIT seconds or MEMORY bytes show
as "-"; each of the library's networks runs in a process of its own.
"""
import json
import pathlib
import resource
import subprocess
import sys
import time

ROOT = pathlib.Path(__file__).resolve().parents[2]
NAMES = ["local_20", "local_60", "local_120", "local_250", "local_120_obs24", "local_120_obs48",
         "global_20", "global_60", "global_120", "global_250", "global_120_obs24", "global_120_obs48"]
ROWS = ["posteriors", "one_more", "values"]
LIMIT = 60.0
MEMORY = 6 << 30


def network(name):
    import pyagrum as gum
    data = json.loads((ROOT / "tests/data/networks" / f"network_{name}.json").read_text())
    bn = gum.BayesNet()
    for node in data["nodes"]:
        if node["kind"] == "fault":
            bn.add(gum.LabelizedVariable(node["id"], "", 2))
            bn.cpt(node["id"])[:] = [1 - node["prior"], node["prior"]]
        else:
            bn.addNoisyORNet(gum.LabelizedVariable(node["id"], "", 2), node["leak"])
            for parent, weight in node["parents"]:
                bn.addWeightedArc(parent, node["id"], weight)
    return data, bn


def best(seconds, run):
    least, spent = float("inf"), 0.0
    while spent < seconds:
        start = time.perf_counter()
        run()
        took = time.perf_counter() - start
        least, spent = min(least, took), spent + took
    return least * 1e3


def library(name, seconds):
    import pyagrum as gum
    data, bn = network(name)
    faults = [n["id"] for n in data["nodes"] if n["kind"] == "fault"]
    unseen = [n["id"] for n in data["nodes"] if n["kind"] == "symptom" and n["id"] not in data["evidence"]]

    def posteriors(engine):
        engine.makeInference()
        return [engine.posterior(f)[1] for f in faults]

    def fresh():
        engine = gum.LazyPropagation(bn)
        engine.setEvidence(data["evidence"])
        for f in faults:
            engine.addTarget(f)
        return engine, posteriors(engine)

    out = {}

    def report(row, value):
        out[row] = value
        print(json.dumps(out), flush=True)

    report("posteriors", best(seconds, fresh))
    engine, _ = fresh()

    def one_more(symptom, state):
        engine.addEvidence(symptom, state)
        result = posteriors(engine)
        engine.eraseEvidence(symptom)
        return result

    def alone():
        engine.makeInference()
        one_more(unseen[0], 1)

    report("one_more", best(seconds, alone))
    if not name.startswith("global_120_obs"):
        report("values", best(seconds, lambda: [one_more(s, 1) for s in unseen]))


def main():
    if len(sys.argv) == 4 and sys.argv[1] == "--library":
        resource.setrlimit(resource.RLIMIT_AS, (MEMORY, MEMORY))
        library(sys.argv[2], float(sys.argv[3]))
        return
    seconds = float(sys.argv[1]) if len(sys.argv) > 1 else 1.0
    subprocess.run(["cargo", "bench", "--quiet", "--no-default-features", "--bench", "belief"], cwd=ROOT, check=True,
                   stdout=subprocess.DEVNULL)
    print("| ms | " + " | ".join(["network", "library", "engine", "ratio"]) + " |\n|---|---|---|---|---|")
    for name in NAMES:
        theirs = {}
        command = [sys.executable, __file__, "--library", name, str(seconds)]
        try:
            done = subprocess.run(command, capture_output=True, text=True, timeout=LIMIT)
            lines = done.stdout
        except subprocess.TimeoutExpired as late:
            lines = (late.stdout or b"").decode()
        for line in lines.splitlines():
            theirs = json.loads(line)
        for row in ROWS:
            path = ROOT / "target/criterion" / name / row / "new/estimates.json"
            if not path.exists():
                continue
            ours = json.loads(path.read_text())["mean"]["point_estimate"] / 1e6
            other = theirs.get(row)
            shown = f"{other:.3g}" if other else "-"
            ratio = f"{other / ours:.0f}" if other else "-"
            print(f"| {row} | {name} | {shown} | {ours:.3g} | {ratio} |", flush=True)


if __name__ == "__main__":
    main()
