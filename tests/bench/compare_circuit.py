#!/usr/bin/env python3
"""The fault sweeps side by side with the reference simulator, in one go on one machine.

    python3 tests/bench/compare_circuit.py [--pairs N] [--samples N]

Needs ngspice and cargo. One ngspice process solves the same board with the same faults, DC and 1 kHz; `--pairs N` and `--samples N` (default
400 each) time that many pairs and tolerance samples in it and scale up, since all of them take it minutes. The simulator runs before and after
the benchmark and the faster of its runs counts, so a busy machine does not flatter the comparison.
"""
import argparse
import itertools
import json
import pathlib
import random
import subprocess
import sys
import tempfile
import time

ROOT = pathlib.Path(__file__).resolve().parent.parent.parent
sys.path.insert(0, str(ROOT / "tests" / "scripts"))

from board_netlist import DATA, decks, edited  # noqa: E402

TARGET = ROOT / "target" / "criterion"


def simulate(sets):
    """Seconds that one ngspice process needs for all these edit sets."""
    cards, rest = decks()
    with tempfile.TemporaryDirectory() as folder:
        folder = pathlib.Path(folder)
        control = ["* all faults", ".control", "set noaskquit", "optran 1 1 1 0 0 0"]
        for i, edits in enumerate(sets):
            deck = folder / f"d{i}.cir"
            deck.write_text("\n".join(["board", *edited(cards, edits), *rest, ".end", ""]))
            control += [f"source {deck}", "op", "ac lin 1 1000 1000", "destroy all", "remcirc"]
        control += ["quit", ".endc", ".end", ""]
        script = folder / "all.cir"
        script.write_text("\n".join(control))
        start = time.perf_counter()
        subprocess.run(["ngspice", "-b", str(script)], capture_output=True, check=False)
        return time.perf_counter() - start


def ours():
    """Criterion's mean seconds by benchmark name."""
    command = ["cargo", "bench", "--bench", "circuit", "--", "--warm-up-time", "1", "--measurement-time", "3"]
    subprocess.run(command, cwd=ROOT, check=True, capture_output=True)
    times = {}
    for path in TARGET.glob("**/new/estimates.json"):
        name = json.loads((path.parent / "benchmark.json").read_text())["full_id"]
        times[name] = json.loads(path.read_text())["mean"]["point_estimate"] * 1e-9
    return times


def main():
    parser = argparse.ArgumentParser()
    parser.add_argument("--pairs", type=int, default=400)
    parser.add_argument("--samples", type=int, default=400)
    options = parser.parse_args()
    faults = json.loads((DATA / "ngspice_faults.json").read_text())["faults"]
    singles = [f["edits"] for f in faults]
    pairs = [a["edits"] + b["edits"] for a, b in itertools.combinations(faults, 2) if a["part"] != b["part"]]
    dice = random.Random(1)
    some_pairs = dice.sample(pairs, options.pairs)
    values = {line.split()[0]: line.split()[3] for line in decks()[0] if line[0] in "R"}
    numbers = {part: float(v.replace("meg", "e6").replace("k", "e3")) for part, v in values.items()}

    def sample():
        return [["value", p, v * (1 + 0.05 * dice.uniform(-1, 1))] for p, v in numbers.items()] + dice.choice(singles)

    some_samples = [sample() for _ in range(options.samples)]
    work = [
        ("167 single faults", singles, len(singles), "167 single faults, DC and 1 kHz, board compiled anew"),
        (f"{len(pairs)} pairs", some_pairs, len(pairs), f"large/{len(pairs)} pairs, DC and 1 kHz"),
        ("200 samples x 167 faults", some_samples, 33400, "large/200 samples of each of 167 faults, DC and 1 kHz"),
    ]
    before = [simulate(sets) for _, sets, _, _ in work]
    times = ours()
    after = [simulate(sets) for _, sets, _, _ in work]
    print(f"{'':28}{'ngspice':>12}{'halfsplit':>12}{'ratio':>8}")
    for (name, sets, whole, bench), b, a in zip(work, before, after):
        reference = min(a, b) * whole / len(sets)
        match = next(t for n, t in times.items() if n.replace("_", "/") == bench.replace("_", "/"))
        print(f"{name:28}{reference:11.3f}s{match:11.4f}s{reference / match:7.0f}x")


if __name__ == "__main__":
    main()
