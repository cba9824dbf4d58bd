"""Do a board's printed bands hold what units of it read? Each unit has parts drawn anew; ngspice answers, with models of its own.

    python bench_bands.py HALFSPLIT_BIN BOARD.yaml ... [--units 100] [--miss]

A line a board and kind of reading: share of readings inside the band that `sheet` prints, the worst points, and the median width of a
volts band against the width that the drawn units themselves fill (2.5 to 97.5 %).
"""
from __future__ import annotations
import argparse, json, statistics, subprocess
from collections import defaultdict
from bench_unit import Unit


def bands(binary, board):
    out = subprocess.run([binary, "sheet", board, "--json"], capture_output=True, text=True, check=True).stdout
    return {line["check"]: line for part in json.loads(out)["parts"] for line in part["lines"] if "check" in line and "low" in line}


SILENT_DB = -80.0  # and below: nothing to hear, however little


def is_inside(kind, x, low, high):
    if kind == "level" and x <= SILENT_DB:
        return low is None or low <= SILENT_DB
    return (low is None or x >= low) and (high is None or x <= high)


def reading(unit, check):
    kind, net = check.split(":", 1)
    if kind == "volts":
        return unit.volts(net)
    if kind == "level":
        return unit.level_db(net)
    if kind == "amps":
        return unit.amps(net)
    if kind == "ohms":
        return unit.ohms(net)
    return None


def main():
    ask = argparse.ArgumentParser()
    ask.add_argument("binary")
    ask.add_argument("boards", nargs="+")
    ask.add_argument("--units", type=int, default=100)
    ask.add_argument("--miss", action="store_true", help="print every point with readings outside")
    args = ask.parse_args()
    for board in args.boards:
        told = bands(args.binary, board)
        read = defaultdict(list)
        for seed in range(args.units):
            unit = Unit(board, seed=1000 + seed)
            for check in told:
                x = reading(unit, check)
                if x is not None:
                    read[check].append(x)
        inside, count, ratios = defaultdict(int), defaultdict(int), []
        for check, xs in read.items():
            low, high, kind = told[check]["low"], told[check]["high"], check.split(":")[0]
            good = sum(is_inside(kind, x, low, high) for x in xs)
            inside[kind] += good
            count[kind] += len(xs)
            xs.sort()
            filled = xs[int(0.975 * (len(xs) - 1))] - xs[int(0.025 * (len(xs) - 1))]
            if kind == "volts" and filled > 1e-3 and None not in (low, high):
                ratios.append((high - low) / filled)
                if args.miss:
                    print(f"  {check:16} band {high - low:.4g} V, units fill {filled:.4g} V")
            if args.miss and good < len(xs):
                print(f"  {check:16} {good:3}/{len(xs)}  told {told[check]['band']}, read {xs[0]:.4g} to {xs[-1]:.4g}")
        shares = ", ".join(f"{k} {inside[k]}/{count[k]} = {100 * inside[k] / count[k]:.1f} %" for k in sorted(count))
        width = f"; volts bands {statistics.median(ratios):.2f} times what the units fill, median of {len(ratios)}" if ratios else ""
        print(f"{board.rsplit('/', 1)[-1]}: {shares}{width}", flush=True)


if __name__ == "__main__":
    main()
