#!/usr/bin/env python3
"""Golden values for noise: runs the reference simulator (ngspice, `apt-get install ngspice`) on every
tests/data/circuits/noise/*.cir and on board.cir, and writes noise.json beside them: density at five frequencies, 20 Hz to 20 kHz flat and
A-weighted, and each source's share of the power. The tests read the JSON only.

    python3 tests/scripts/make_noise_golden.py
"""
import json
import math
import pathlib
import re
import subprocess
import tempfile

FOLDER = pathlib.Path(__file__).resolve().parent.parent / "data" / "circuits"
AT = [20.0, 100.0, 1000.0, 10000.0, 20000.0]
STEPS = 500


def a_weighting(f):
    """IEC 61672, gain against 1 kHz."""
    def shape(f):
        return 12194.217**2 * f**4 / (
            (f**2 + 20.598997**2) * math.sqrt((f**2 + 107.65265**2) * (f**2 + 737.86223**2)) * (f**2 + 12194.217**2)
        )
    return shape(f) / shape(1000.0)


def run(deck, control):
    with tempfile.TemporaryDirectory() as folder:
        file = pathlib.Path(folder) / "deck.cir"
        body = re.sub(r"(?im)^\.end\s*$", "", deck)
        file.write_text(f"{body}\n.options reltol=1e-6 gmin=1e-12\n.control\nset numdgt=10\nset wr_singlescale\n{control}\nquit\n.endc\n.end\n")
        done = subprocess.run(["ngspice", "-b", str(file)], capture_output=True, text=True, check=False, cwd=folder)
        table = pathlib.Path(folder) / "s.txt"
        return done.stdout, table.read_text() if table.exists() else ""


def circuit(path):
    deck = path.read_text()
    control = f"noise v(out) vsig dec {STEPS} 20 20k 1\nsetplot noise1\nwrdata s.txt onoise_spectrum\nsetplot noise2\nprint all"
    out, table = run(deck, control)
    rows = [[float(w) for w in line.split()] for line in table.splitlines()]
    hertz, density = [r[0] for r in rows], [r[1] for r in rows]
    if not rows:
        raise SystemExit(f"{path.name}: {out}")

    def total(weight):
        pieces = zip(hertz, hertz[1:], density, density[1:])
        # Trapezoid in the logarithm of frequency.
        return math.sqrt(sum(
            0.5 * (weight(a)**2 * x * x * a + weight(b)**2 * y * y * b) * math.log(b / a) for a, b, x, y in pieces
        ))

    totals = {m[0]: float(m[1]) for m in re.findall(r"(?m)^\s*(onoise_total\S*)\s*=\s*(\S+)", out)}
    power = totals.pop("onoise_total") ** 2
    # A part's own total beside those of its sources would count it twice.
    parts = {k.removeprefix("onoise_total_"): v * v / power for k, v in totals.items()}
    shares = {k: v for k, v in parts.items() if not any(o.startswith(k + "_") for o in parts)}
    nearest = {f: min(range(len(hertz)), key=lambda i: abs(hertz[i] - f)) for f in AT}
    return {
        "density": {f"{hertz[i]:.10g}": density[i] for i in nearest.values()},
        "volts": total(lambda f: 1.0),
        "a_weighted": total(a_weighting),
        "shares": {k: float(f"{v:.6g}") for k, v in sorted(shares.items(), key=lambda x: -x[1]) if v > 1e-5},
        "left_out": 1.0 - sum(shares.values()),
    }


def main():
    version = subprocess.run(["ngspice", "-v"], capture_output=True, text=True, check=False).stdout
    found = re.search(r"ngspice-\S+", version)
    files = sorted((FOLDER / "noise").glob("*.cir")) + [FOLDER / "board.cir"]
    record = {"made_with": found.group(0) if found else "ngspice", "circuits": {p.stem: circuit(p) for p in files}}
    (FOLDER / "noise" / "noise.json").write_text(json.dumps(record, indent=1) + "\n")


if __name__ == "__main__":
    main()
