#!/usr/bin/env python3
"""Readings for tests/games_other_models.rs: has the test draw its units, reads each on the virtual bench (bench_unit.py: ngspice, device
models of its own), with every set of its faults that can be left, and writes tests/data/games/BOARD-FAULTS.json. Needs ngspice, PyYAML.

    python3 tests/scripts/make_bench_games.py
"""
import itertools
import json
import math
import os
import pathlib
import subprocess
import tempfile

from bench_play import changed
from bench_unit import Unit

ROOT = pathlib.Path(__file__).resolve().parent.parent.parent
GAMES = ROOT / "tests" / "data" / "games"
BOARDS = ROOT / "cases" / "boards"
STORED = {1: 40, 2: 20}
RENAMED = {"div10": "d10", "div100": "d100"}
PINS = {"wiper-open": "2", "end-1-open": "1", "end-3-open": "3", "open-b": "b", "open-c": "c", "open-e": "e"}


def bench_name(fault):
    """The bench's name of a fault of the board's."""
    where, mode = fault.rsplit(":", 1)
    if mode in PINS:
        return f"{where}.{PINS[mode]}:joint"
    return f"{where}:{RENAMED.get(mode, mode)}"


def rounded(x):
    return None if x is None or not math.isfinite(x) else float(f"{x:.5g}")


def values(unit, board):
    """Check id -> value; ohms over range are null."""
    out = {}
    for net in unit.nets():
        if net == board["ground"]:
            continue
        ohms = unit.ohms(net)
        found = {"volts": unit.volts(net), "level": unit.level_db(net)}
        if any(x is None for x in (*found.values(), ohms)):
            return None
        out |= {f"{kind}:{net}": rounded(x) for kind, x in found.items()}
        out[f"ohms:{net}"] = rounded(ohms)
    for supply in board["supply"]:
        amps = unit.amps(str(supply["name"]))
        if amps is None:
            return None
        out[f"amps:{supply['name']}"] = rounded(amps)
    return out


def state(path, left, seed):
    unit = Unit(path, [bench_name(f) for f in left], seed)
    return values(unit, unit.board)


def main():
    version = subprocess.run(["ngspice", "--version"], capture_output=True, text=True, check=True).stdout.split("\n")[1].strip("* ")
    with tempfile.TemporaryDirectory() as folder:
        env = dict(os.environ, HALFSPLIT_UNITS=folder)
        subprocess.run(["cargo", "test", "--locked", "--test", "games_other_models"], cwd=ROOT, env=env, check=True)
        for file in sorted(pathlib.Path(folder).iterdir()):
            name, count = file.stem.rsplit("-", 1)
            path = BOARDS / f"{name.replace('-', '_')}.yaml"
            units = []
            for line in file.read_text().splitlines():
                number, *faults = line.split()
                seed = 5000 + int(number)
                if len(units) == STORED[int(count)]:
                    break
                board = Unit(path, [], seed).board
                try:
                    sick = Unit(path, [bench_name(f) for f in faults], seed)
                    if not changed(Unit(path, [], seed), sick, sick.nets(), board["signal"]["out"]):
                        continue  # nobody would bring it
                except RuntimeError:
                    continue
                sets = [list(left) for n in range(len(faults) + 1) for left in itertools.combinations(faults, n)]
                states = [{"faults": left, "values": state(path, left, seed)} for left in sets]
                if all(s["values"] for s in states):
                    units.append({"number": int(number), "faults": faults, "states": states})
            assert len(units) == STORED[int(count)], f"{file.stem}: {len(units)} units only"
            made = f"{version}, models of bench_unit.py"
            lines = ",\n".join(json.dumps(u) for u in units)
            (GAMES / f"{file.stem}.json").write_text(f'{{"made_with": {json.dumps(made)}, "units": [\n{lines}\n]}}\n')
            print(file.stem, len(units), flush=True)


if __name__ == "__main__":
    main()
