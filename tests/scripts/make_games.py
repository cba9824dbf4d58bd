#!/usr/bin/env python3
"""Readings for tests/games.rs: has the test write its units as SPICE decks, runs the reference simulator (ngspice,
`apt-get install ngspice`) on each, and writes tests/data/games/BOARD.json. The test reads the JSON only.

    python3 tests/scripts/make_games.py
"""
import json
import math
import os
import pathlib
import re
import subprocess
import tempfile

from make_circuit_golden import USUAL, read_raw

ROOT = pathlib.Path(__file__).resolve().parent.parent.parent
GAMES = ROOT / "tests" / "data" / "games"
SEED = 1
# For units that do not settle at the usual tolerances: still a tenth of what the test allows.
LOOSE = "reltol=1e-4 abstol=1e-11 vntol=1e-6"
# What the drill's levels bottom out at: sqrt(|v|^2 + FLOOR^2).
FLOOR = 1e-6


def notes(text):
    """The deck's notes: word -> list of what follows it."""
    found = {}
    for line in text.splitlines():
        if line.startswith("*"):
            word, rest = line[1:].split(" ", 1)
            found.setdefault(word, []).append(rest.split(" "))
    return found


def simulated(text, what, options):
    """The plots: the operating point, one more with the meter on each net, and the response; None where one is missing."""
    meter = what["meter"][0][0]
    with tempfile.TemporaryDirectory() as folder:
        raw = pathlib.Path(folder) / "out.raw"
        lines = [f".options {options} itl1=500 gmin=1e-12", ".control", "set filetype=ascii", "set appendwrite"]
        lines += ["optran 1 1 1 0 0 0", "op", f"write {raw}"]
        for _, node, resistor in what["volts"]:
            lines += [f"alter {resistor} = {meter}", "op", f"write {raw} v({node})", f"alter {resistor} = 1e15"]
        tone = what["tone"][0][0]
        lines += [f"ac lin 1 {tone} {tone}", f"write {raw}", ".endc", ".end", ""]
        file = pathlib.Path(folder) / "deck.cir"
        file.write_text(text.rsplit(".end", 1)[0] + "\n".join(lines))
        done = subprocess.run(["ngspice", "-b", str(file)], capture_output=True, text=True, check=False)
        plots = read_raw(raw) if raw.exists() else []
    failed = "simulation(s) aborted" in done.stdout + done.stderr
    return None if failed or len(plots) != 2 + len(what["volts"]) else plots


def values(text):
    """Check id -> value of a deck; None where the simulator finds no operating point."""
    what = notes(text)
    plots = simulated(text, what, USUAL) or simulated(text, what, LOOSE)
    if plots is None:
        return None
    found = {}
    for (check, node, _), plot in zip(what["volts"], plots[1:-1]):
        found[check] = plot[f"v({node})"][0]
    for check, source in what["amps"]:
        found[check] = -plots[0][f"i({source})"][0]
    for check, node in what["level"]:
        real, imaginary = plots[-1][f"v({node})"][0] if node != "0" else (0.0, 0.0)
        found[check] = 10.0 * math.log10(real * real + imaginary * imaginary + FLOOR * FLOOR)
    return {check: float(f"{value:.9g}") for check, value in found.items()}


def main():
    version = subprocess.run(["ngspice", "-v"], capture_output=True, text=True, check=False).stdout
    made_with = re.search(r"ngspice-\S+", version).group(0)
    with tempfile.TemporaryDirectory() as folder:
        environment = {**os.environ, "HALFSPLIT_DECKS": folder}
        subprocess.run(["cargo", "test", "--test", "games"], cwd=ROOT, env=environment, check=True)
        boards = {}
        for file in pathlib.Path(folder).glob("*.cir"):
            board, number = file.stem.rsplit("-", 1)
            boards.setdefault(board, {})[int(number)] = file.read_text()
    GAMES.mkdir(exist_ok=True)
    for board, decks in sorted(boards.items()):
        units, left_out = [], []
        for number, text in sorted(decks.items()):
            found = values(text)
            if found is None:
                left_out.append(number)
                continue
            faults = [words[0] for words in notes(text)["fault"]]
            units.append(f'"{number}": ' + json.dumps({"faults": faults, "values": found}))
        head = f'"made_with": "{made_with}", "seed": {SEED}, "left_out": {json.dumps(left_out)}'
        (GAMES / f"{board}.json").write_text("{" + head + ', "units": {\n' + ",\n".join(units) + "\n}}\n")
        print(board, len(units), "units,", len(left_out), "left out")


if __name__ == "__main__":
    main()
