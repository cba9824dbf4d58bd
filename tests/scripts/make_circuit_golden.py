#!/usr/bin/env python3
"""Golden values for the device circuits: runs the reference simulator (ngspice, `apt-get install ngspice`) on every
tests/data/circuits/devices/*.cir and writes tests/data/circuits/devices.json. The tests read the JSON only.

    python3 tests/scripts/make_circuit_golden.py
"""
import json
import pathlib
import re
import subprocess
import tempfile

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


def run(path):
    body = path.read_text().rsplit(".end", 1)[0]
    with tempfile.TemporaryDirectory() as folder:
        raw = pathlib.Path(folder) / "out.raw"
        deck = body + ".options reltol=1e-7 abstol=1e-15 vntol=1e-10 itl1=500 gmin=1e-12\n.control\nset filetype=ascii\nset appendwrite\noptran 1 1 1 0 0 0\nop\n"
        deck += f"write {raw}\n"
        for f in FREQUENCIES:
            deck += f"ac lin 1 {f} {f}\nwrite {raw}\n"
        deck += ".endc\n.end\n"
        file = pathlib.Path(folder) / "deck.cir"
        file.write_text(deck)
        done = subprocess.run(["ngspice", "-b", str(file)], capture_output=True, text=True, check=False)
        if not raw.exists():
            raise SystemExit(f"{path.name}: the simulator wrote nothing\n{done.stdout}\n{done.stderr}")
        plots = read_raw(raw)
    def is_node(name):
        return re.fullmatch(r"v\([a-z0-9]+\)", name) is not None
    dc = {n[2:-1]: v[0] for n, v in plots[0].items() if is_node(n)}
    ac = []
    for f, plot in zip(FREQUENCIES, plots[1:]):
        ac.append({"hertz": f, "volts": {n[2:-1]: v[0] for n, v in plot.items() if is_node(n)}})
    return {"dc": dc, "ac": ac}


def main():
    version = subprocess.run(["ngspice", "-v"], capture_output=True, text=True, check=False).stdout
    found = re.search(r"ngspice-\S+", version)
    circuits = {p.stem: run(p) for p in sorted((FOLDER / "devices").glob("*.cir"))}
    document = {"made_with": found.group(0) if found else "ngspice", "temperature_c": 27, "gmin": 1e-12, "circuits": circuits}
    (FOLDER / "devices.json").write_text(json.dumps(document, indent=1) + "\n")
    print(len(circuits), "circuits")


if __name__ == "__main__":
    main()
