#!/usr/bin/env python3
"""Boards written as netlists, run by the reference simulator (ngspice, `apt-get install ngspice`), into
tests/data/import/exported.json: every shipped board, and the boards imported from the schematic editor's netlists. The test reads the
JSON only.

    python3 tests/scripts/make_export_golden.py        (HALFSPLIT=PATH runs that program instead of building one)
"""
import json
import os
import pathlib
import re
import subprocess
import tempfile

from make_circuit_golden import USUAL, read_raw

ROOT = pathlib.Path(__file__).resolve().parent.parent.parent
DATA = ROOT / "tests" / "data" / "import"
RUN = [os.environ["HALFSPLIT"]] if "HALFSPLIT" in os.environ else ["cargo", "run", "--quiet", "--offline", "--"]


def halfsplit(*words):
    return subprocess.run([*RUN, *map(str, words)], cwd=ROOT, capture_output=True, text=True, check=True).stdout


def simulated(deck):
    nets = set()
    inside = False
    for line in deck.splitlines():
        words = line.split()
        if not words or line.startswith("*"):
            continue
        inside = inside or words[0] == ".subckt"
        if not inside and not words[0].startswith("."):
            count = {"r": 2, "c": 2, "d": 2, "v": 2, "q": 3, "j": 3}.get(words[0][0].lower())
            ends = words[1 : 1 + count] if count else [w for w in words[1:] if "=" not in w][:-1]
            nets.update(e for e in ends if e != "0" and not e.startswith(("nc-", "tone_")))
        inside = inside and words[0] != ".ends"
    with tempfile.TemporaryDirectory() as folder:
        raw = pathlib.Path(folder) / "out.raw"
        run = [f".options {USUAL} itl1=500 gmin=1e-12", ".control", "set filetype=ascii", "optran 1 1 1 0 0 0", "op", f"write {raw}", ".endc", ".end", ""]
        file = pathlib.Path(folder) / "deck.cir"
        file.write_text(deck.rsplit(".op", 1)[0] + "\n".join(run))
        done = subprocess.run(["ngspice", "-b", str(file)], capture_output=True, text=True, check=False)
        if not raw.exists():
            raise SystemExit(done.stdout[-2000:] + done.stderr[-2000:])
        plot = read_raw(raw)[0]
    return {net: float(f"{plot[f'v({net.lower()})'][0]:.6g}") for net in sorted(nets)}


def main():
    version = subprocess.run(["ngspice", "-v"], capture_output=True, text=True, check=False).stdout
    out = {"made_with": re.search(r"ngspice-\S+", version).group(0)}
    for path in sorted((ROOT / "cases" / "boards").glob("*.yaml")):
        deck = halfsplit("board", "export", path)
        out[path.read_text().split("board: ", 1)[1].split("\n", 1)[0]] = {"volts": simulated(deck)}
    with tempfile.TemporaryDirectory() as folder:
        for path in sorted(DATA.glob("*.net")):
            board = pathlib.Path(folder) / f"{path.stem}.yaml"
            halfsplit("board", "import", path, "--yes", "-o", board)
            name = board.read_text().split("board: ", 1)[1].split("\n", 1)[0]
            out[name] = {"volts": simulated(halfsplit("board", "export", board))}
    (DATA / "exported.json").write_text(json.dumps(out, indent=1, sort_keys=True) + "\n")
    for name, found in out.items():
        if name != "made_with":
            print(name, len(found["volts"]), "nets")


if __name__ == "__main__":
    main()
