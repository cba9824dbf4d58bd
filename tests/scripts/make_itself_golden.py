#!/usr/bin/env python3
"""What boards do by themselves, by the reference simulator (ngspice, `apt-get install ngspice`): rate, least and most volts of a net of
boards that swing, healthy and with a fault in, into tests/data/circuits/itself.json. The boards are written as netlists by this program
(`board export`), so that the models are its own and the solution in time is not. The test reads the JSON only.

    python3 tests/scripts/make_itself_golden.py        (HALFSPLIT=PATH runs that program instead of building one)
"""
import json
import os
import pathlib
import re
import subprocess
import tempfile

from make_circuit_golden import USUAL, read_raw

ROOT = pathlib.Path(__file__).resolve().parent.parent.parent
OUT = ROOT / "tests" / "data" / "circuits" / "itself.json"
RUN = [os.environ["HALFSPLIT"]] if "HALFSPLIT" in os.environ else ["cargo", "run", "--quiet", "--offline", "--"]
# Board, the net that is kicked and by how many amps, the net that is watched, seconds to settle and to watch, the step; faults as lines of
# the netlist to be replaced.
BOARDS = [
    ("cases/boards/slow_lighthouse.yaml", "LB", 1e-6, "LC", 20.0, 40.0, 1e-3, {"R10:x10": (r"(?m)^(R10 P1 0) 1e4$", r"\1 1e5")}),
]


def halfsplit(*words):
    return subprocess.run([*RUN, *map(str, words)], cwd=ROOT, capture_output=True, text=True, check=True).stdout


def followed(deck, kicked, amps, watched, start, end, step):
    with tempfile.TemporaryDirectory() as folder:
        raw = pathlib.Path(folder) / "out.raw"
        kick = f"ikick 0 {kicked} pulse(0 {amps} 0 {step} {step} {10 * step} 1e9)"
        run = [kick, f".options {USUAL} itl1=500 gmin=1e-12", ".control", "set filetype=ascii", "optran 1 1 1 0 0 0"]
        run += [f"save v({watched.lower()})", f"tran {step} {end} {start} {step}", f"write {raw}", ".endc", ".end", ""]
        file = pathlib.Path(folder) / "deck.cir"
        file.write_text(deck.rsplit(".op", 1)[0] + "\n".join(run))
        done = subprocess.run(["ngspice", "-b", str(file)], capture_output=True, text=True, check=False)
        if not raw.exists():
            raise SystemExit(done.stdout + done.stderr)
        plot = read_raw(raw)[0]
    at, volts = plot["time"], plot[f"v({watched.lower()})"]
    least, most = min(volts), max(volts)
    middle = (least + most) / 2
    times = [
        a + (b - a) * (middle - x) / (y - x)
        for a, b, x, y in zip(at, at[1:], volts, volts[1:])
        if x < middle <= y and most - least > 0.01
    ]
    hertz = (len(times) - 1) / (times[-1] - times[0]) if len(times) > 2 else 0.0
    return {k: float(f"{v:.6g}") for k, v in {"hertz": hertz, "least": least, "most": most}.items()}


def main():
    version = subprocess.run(["ngspice", "-v"], capture_output=True, text=True, check=False).stdout
    out = {"made_with": re.search(r"ngspice-\S+", version).group(0), "boards": []}
    for path, kicked, amps, watched, start, end, step, faults in BOARDS:
        deck = halfsplit("board", "export", path)
        found = {"board": path, "net": watched, "healthy": followed(deck, kicked, amps, watched, start, end, step)}
        for fault, (line, other) in faults.items():
            changed, count = re.subn(line, other, deck)
            if count != 1:
                raise SystemExit(f"{path}: {count} lines for {fault}")
            found[fault] = followed(changed, kicked, amps, watched, start, end, step)
        out["boards"].append(found)
    OUT.write_text(json.dumps(out, indent=1) + "\n")


if __name__ == "__main__":
    main()
