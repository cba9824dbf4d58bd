#!/usr/bin/env python3
"""Golden values for oscillators and waves: runs the reference simulator (ngspice, `apt-get install ngspice`) on
tests/data/circuits/time/*.cir and writes time.json beside them: frequency and swings of what oscillates, 64 samples of what is driven.
Gear's method is used throughout: the trapezoidal rule chatters at the jumps of the triangle LFO. The tests read the JSON only.

    python3 tests/scripts/make_time_golden.py
"""
import json
import pathlib
import re
import subprocess
import tempfile

FOLDER = pathlib.Path(__file__).resolve().parent.parent / "data" / "circuits" / "time"
# name: nodes, step, end; oscillators are judged over their second half.
OSCILLATORS = {
    "phase_lfo": ("c b p1 p2 e", 2e-4, 8.0),
    "triangle_lfo": ("sq tri p1", 1e-4, 4.0),
    "led_lfo": ("c b f l", 2e-4, 10.0),
    "boost": ("c2 c1 vcc b1 out", 2e-5, 1.5),
    "boost_22u": ("c2 c1 vcc b1 out", 2e-5, 3.0),
    "boost_100u": ("c2 c1 vcc b1 out", 1e-4, 3.0),
    "wien": ("out p n f", 1e-6, 0.4),
    "multivibrator": ("c1 c2 b1 b2", 5e-5, 10.0),
}
# name: nodes, step, first sample, last sample.
WAVES = {
    "fuzz": ("x c b", 1e-6, 0.398, 0.399),
    "rectifier": ("out b", 2e-5, 0.0, 0.2),
    "power_on": ("vcc vb o out", 5e-5, 0.0, 1.5),
}


def run(name, nodes, step, end):
    deck = re.sub(r"(?im)^\.end\s*$", "", (FOLDER / f"{name}.cir").read_text())
    vectors = " ".join(f"v({n})" for n in nodes.split())
    with tempfile.TemporaryDirectory() as folder:
        file = pathlib.Path(folder) / "deck.cir"
        file.write_text(
            f"{deck}\n.options method=gear maxord=2 reltol=1e-5 abstol=1e-12 vntol=1e-7 gmin=1e-12 itl4=200\n.control\n"
            f"set numdgt=10\nset wr_singlescale\ntran {step} {end} 0 {step}\nwrdata t.txt {vectors}\nquit\n.endc\n.end\n"
        )
        done = subprocess.run(["ngspice", "-b", str(file)], capture_output=True, text=True, check=False, cwd=folder)
        table = pathlib.Path(folder) / "t.txt"
        if not table.exists():
            raise SystemExit(f"{name}: {done.stdout}{done.stderr}")
        rows = [[float(w) for w in line.split()] for line in table.read_text().splitlines()]
    return [r[0] for r in rows], {n: [r[k + 1] for r in rows] for k, n in enumerate(nodes.split())}


def crossings(t, v):
    low, high = min(v), max(v)
    middle, armed, out = (low + high) / 2, False, []
    for i in range(1, len(t)):
        armed = armed or v[i - 1] < middle - 0.15 * (high - low)
        if armed and v[i - 1] < middle <= v[i]:
            out.append(t[i - 1] + (middle - v[i - 1]) / (v[i] - v[i - 1]) * (t[i] - t[i - 1]))
            armed = False
    return out


def oscillator(name, nodes, step, end):
    t, volts = run(name, nodes, step, end)
    half = next(i for i, x in enumerate(t) if x >= end / 2)
    t, volts = t[half:], {n: v[half:] for n, v in volts.items()}
    swings = {n: [min(v), max(v)] for n, v in volts.items()}
    widest = max(volts, key=lambda n: swings[n][1] - swings[n][0])
    if swings[widest][1] - swings[widest][0] < 1e-3:
        return {"runs": False}
    at = crossings(t, volts[widest])
    periods = [b - a for a, b in zip(at, at[1:])]

    def mean(v):
        inside = [i for i in range(len(t) - 1) if at[0] <= t[i] < at[-1]]
        return sum(0.5 * (v[i] + v[i + 1]) * (t[i + 1] - t[i]) for i in inside) / (at[-1] - at[0])

    return {
        "runs": True,
        "hertz": (len(at) - 1) / (at[-1] - at[0]),
        "jitter": (max(periods) - min(periods)) / (sum(periods) / len(periods)),
        "swings": {n: {"least": s[0], "most": s[1], "mean": mean(volts[n])} for n, s in swings.items()},
    }


def wave(name, nodes, step, first, last):
    t, volts = run(name, nodes, step, last * 1.0001)
    times = [first + (last - first) * k / 64 for k in range(64)]

    def at(v, when):
        i = min(max(next((k for k, x in enumerate(t) if x >= when), len(t) - 1), 1), len(t) - 1)
        return v[i - 1] + (v[i] - v[i - 1]) * (when - t[i - 1]) / (t[i] - t[i - 1])

    return {"seconds": [first, last], "samples": {n: [float(f"{at(v, s):.6g}") for s in times] for n, v in volts.items()}}


def main():
    version = subprocess.run(["ngspice", "-v"], capture_output=True, text=True, check=False).stdout
    found = re.search(r"ngspice-\S+", version)
    record = {
        "made_with": found.group(0) if found else "ngspice",
        "oscillators": {n: oscillator(n, *o) for n, o in OSCILLATORS.items()},
        "waves": {n: wave(n, *w) for n, w in WAVES.items()},
    }
    (FOLDER / "time.json").write_text(json.dumps(record, indent=1) + "\n")


if __name__ == "__main__":
    main()
