#!/usr/bin/env python3
"""Golden values for the device circuits: runs the reference simulator (ngspice, `apt-get install ngspice`) on every
tests/data/circuits/devices/*.cir and on 120 random pairs of faults of board.cir, and writes devices.json and pairs.json beside them. The tests read
the JSON only.

    python3 tests/scripts/make_circuit_golden.py
"""
import itertools
import json
import pathlib
import random
import re
import subprocess
import tempfile

from board_netlist import decks, edited

# The big board does not converge at the tolerances the small circuits are run with.
TIGHT = "reltol=1e-7 abstol=1e-15 vntol=1e-10"
USUAL = "reltol=1e-5 abstol=1e-13 vntol=1e-7"
FREQUENCIES = [50.0, 1000.0, 12000.0]
FOLDER = pathlib.Path(__file__).resolve().parent.parent / "data" / "circuits"


def read_raw(path):
    """The plots of an ascii raw file, as dicts of vector name -> list of values."""
    plots, lines = [], path.read_text().splitlines()
    i = 0
    while i < len(lines):
        if not lines[i].startswith("Flags:"):
            i += 1
            continue
        complex_values = "complex" in lines[i]
        count = int(lines[i + 1].split(":")[1])
        points = int(lines[i + 2].split(":")[1])
        i = next(k for k in range(i, len(lines)) if lines[k].startswith("Variables:")) + 1
        names = [lines[i + k].split()[1] for k in range(count)]
        i = next(k for k in range(i, len(lines)) if lines[k].startswith("Values:")) + 1
        flat = [w for w in " ".join(lines[i : i + points * (count + 1) + points]).split() if w]
        plot, at = {n: [] for n in names}, 0
        for _ in range(points):
            at += 1  # the point's number
            for name in names:
                word = flat[at]
                at += 1
                plot[name].append([float(v) for v in word.split(",")] if complex_values else float(word))
        plots.append(plot)
    return plots


def run(text, frequencies, options=TIGHT):
    body = text.rsplit(".end", 1)[0]
    with tempfile.TemporaryDirectory() as folder:
        raw = pathlib.Path(folder) / "out.raw"
        deck = body + f".options {options} itl1=500 gmin=1e-12\n.control\nset filetype=ascii\nset appendwrite\noptran 1 1 1 0 0 0\nop\n"
        deck += f"write {raw}\n"
        for f in frequencies:
            deck += f"ac lin 1 {f} {f}\nwrite {raw}\n"
        deck += ".endc\n.end\n"
        file = pathlib.Path(folder) / "deck.cir"
        file.write_text(deck)
        subprocess.run(["ngspice", "-b", str(file)], capture_output=True, text=True, check=False)
        if not raw.exists():
            return None
        plots = read_raw(raw)
    if len(plots) != 1 + len(frequencies):
        return None  # no operating point without the short transient, which is none

    def is_node(name):
        return re.fullmatch(r"v\([a-z0-9]+\)", name) is not None
    dc = {n[2:-1]: v[0] for n, v in plots[0].items() if is_node(n)}
    ac = []
    for f, plot in zip(frequencies, plots[1:]):
        ac.append({"hertz": f, "volts": {n[2:-1]: v[0] for n, v in plot.items() if is_node(n)}})
    return {"dc": dc, "ac": ac}


def main():
    version = subprocess.run(["ngspice", "-v"], capture_output=True, text=True, check=False).stdout
    found = re.search(r"ngspice-\S+", version)
    circuits = {p.stem: run(p.read_text(), FREQUENCIES) for p in sorted((FOLDER / "devices").glob("*.cir"))}
    document = {"made_with": found.group(0) if found else "ngspice", "temperature_c": 27, "gmin": 1e-12, "circuits": circuits}
    (FOLDER / "devices.json").write_text(json.dumps(document, indent=1) + "\n")
    faults = json.loads((FOLDER / "ngspice_faults.json").read_text())["faults"]
    nets = json.loads((FOLDER / "ngspice_faults.json").read_text())["nodes"]
    pairs = [p for p in itertools.combinations(faults, 2) if p[0]["part"] != p[1]["part"]]
    cards, rest = decks()
    records = []
    for a, b in random.Random(20).sample(pairs, 130):
        edits = a["edits"] + b["edits"]
        found = run("\n".join(["board", *edited(cards, edits), *rest, ".end", ""]), [1000.0], USUAL)
        if found is None:
            print("the simulator finds no operating point for", a["id"], b["id"])
            continue
        dc = {n: float(f"{found['dc'][n]:.9g}") for n in nets}
        ac = {n: [float(f"{v:.9g}") for v in found["ac"][0]["volts"][n]] for n in nets}
        if len(records) == 120:
            break
        records.append({"id": a["id"] + "+" + b["id"], "edits": edits, "dc": dc, "ac_1khz": ac})
    lines = ",\n".join(json.dumps(r) for r in records)
    (FOLDER / "pairs.json").write_text(f'{{"made_with": "{document["made_with"]}", "pairs": [\n{lines}\n]}}\n')
    print(len(circuits), "circuits,", len(records), "pairs")


if __name__ == "__main__":
    main()
