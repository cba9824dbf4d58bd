"""Play a board with a hidden fault against the built tool; ngspice answers for the unit.

    python bench_play.py HALFSPLIT_BIN BOARD.yaml [--limit N] [--swing mean|snap|range] [--only FAULT ...] [--seed S] [--double] [--out results.jsonl]

One line a game: hidden fault, found or not, bench minutes spent, checks asked. The tool is asked with
`next --json` and told with `note`; a check that the virtual unit cannot show is answered `unsure`.
"""
from __future__ import annotations
import argparse, json, math, os, random, shutil, statistics, subprocess, sys, tempfile, time
from bench_unit import Unit
import yaml

ACTIVE = ("TL072",)
SWING = None


def single_faults(board):
    out = []
    for name, p in board["parts"].items():
        kind, dev = p.get("kind"), p.get("device")
        if kind == "resistor":
            out += [f"{name}:open", f"{name}:x10", f"{name}:d10", f"{name}:x100", f"{name}:d100"]
        elif kind in ("film", "ceramic"):
            out += [f"{name}:open", f"{name}:short"]
        elif kind == "electrolytic":
            out += [f"{name}:open", f"{name}:short", f"{name}:turned", f"{name}:leaky"]
        elif kind == "pot":
            out += [f"{name}.2:joint", f"{name}.1:joint", f"{name}.3:joint"]
        elif dev in ACTIVE:
            out += [f"{name}.{pin}:joint" for pin in p["nets"]] + [f"{name}:dead", f"{name}:turned"]
        elif dev in ("78L05",):
            out += [f"{name}:turned", f"{name}:dead"] + [f"{name}.{pin}:joint" for pin in p["nets"]]
        elif dev and dev.startswith("1N"):
            out += [f"{name}:open", f"{name}:turned", f"{name}:short"]
        else:
            out += [f"{name}:turned", f"{name}:dead", f"{name}:short"] + [f"{name}.{pin}:joint" for pin in p["nets"]]
    return out


def changed(healthy, sick, nets, out):
    """Does the fault change anything a bench would notice at the output or on a pin?"""
    if any(sick.rough_volts(n) is None for n in nets):
        raise RuntimeError("the simulator did not settle")
    dl = abs((sick.level_db(out) or -120) - (healthy.level_db(out) or -120))
    dv = max(abs((sick.rough_volts(n) or 0) - (healthy.rough_volts(n) or 0)) for n in nets)
    return dl > 6 or dv > 0.4


def heard(unit, healthy, out):
    """What a player hears, from the level at the output against a good unit."""
    d = (unit.level_db(out) or -120) - (healthy.level_db(out) or -120)
    return "silent" if d < -30 else "faint" if d < -6 else "loud" if d > 6 else "wrong"


WORDS = {"silent": "No sound at all when it is switched on", "faint": "It is far too quiet", "loud": "It is much louder than it should be",
         "wrong": "It works but it sounds distorted, not right"}


def tell(unit, check, healthy=None, out=None):
    """The answer at the bench; None where neither the circuit nor good eyes can say. Everything around the board is good."""
    kind, _, where = check["id"].partition(":")
    if kind not in ("volts", "ohms", "amps", "level"):
        answers = check.get("answers") or []
        if check["id"] == "effect-sound":
            h = heard(unit, healthy, out)
            return {"silent": "silent", "faint": "faint"}.get(h, "normal")
        if check["id"] == "look-orientation" and any(f.endswith(":turned") for f in unit.faults):
            return "turned"
        return answers[0] if answers else None  # the first answer of a check is the normal one
    try:
        if kind == "volts":
            v = unit.volts(where)
            least, most = unit.span.get(where, (v, v))
            if v is not None and most - least > 0.1:  # moves under the meter
                if SWING == "range":
                    return f"{least:.2f}..{most:.2f}V"
                v = random.uniform(least, most) if SWING == "snap" else v
            return None if v is None else f"{v * random.gauss(1, .005) + random.gauss(0, .002):.3f}V"
        if kind == "ohms":
            r = unit.ohms(where)
            return None if r is None else ("OL" if math.isinf(r) or r > 40e6 else f"{max(0.1, r * random.gauss(1, .01)):.1f}ohm")
        if kind == "amps":
            a = unit.amps(where)
            return None if a is None else f"{a * 1e3:.3f}mA"
        if kind == "level":
            l = unit.level_db(where)
            return "none" if l is None or l < -70 else f"{l + random.gauss(0, .5):.1f}dB"
    except Exception as e:  # a net the unit does not know
        return None
    return None


def hs(binary, *args, check=True):
    r = subprocess.run([binary, *args], capture_output=True, text=True, timeout=300)
    if check and r.returncode:
        raise RuntimeError(f"{args}: exit {r.returncode}\n{r.stderr[:2000]}")
    return r.stdout


def hit(claim, faults):
    """A claim names the part (or bridge) at fault: the repair would be made there."""
    parts = {f.rsplit(":", 1)[0].split(".")[0] for f in faults}
    return claim.rsplit(":", 1)[0].split(".")[0] in parts


def play(binary, board_path, faults, seed, budget=180.0, max_steps=40):
    unit = Unit(board_path, faults, seed, SWING)
    random.seed(seed)
    minutes, checks, wrong, fixed, asked, slow, healthy = 0.0, 0, 0, set(), [], 0.0, Unit(board_path, [], seed, SWING)
    with open(board_path) as f:
        out = yaml.safe_load(f)["signal"]["out"]
    with tempfile.TemporaryDirectory() as d:
        job = os.path.join(d, "job.yaml")
        shutil.copy(board_path, os.path.join(d, "board.yaml"))
        hs(binary, "open", job, "--board", "board.yaml", "--history", "fresh-build", "--tools", "meter,audio-probe,tone-source", "--complaint", WORDS[heard(unit, healthy, out)])
        for _ in range(max_steps):
            t0 = time.time(); n = json.loads(hs(binary, "next", job, "--json")); slow = max(slow, time.time() - t0)
            if n["action"] == "check":
                c = n["check"]; a = tell(unit, c, healthy, out); asked.append(f"{c['id']}={a}")
                minutes += c.get("minutes", 1); checks += 1
                hs(binary, "note", job, f"{c['id']}={a if a is not None else 'unsure'}")
            elif n["action"] == "remedy":
                r = n["remedy"]; asked.append("!" + r["id"]); minutes += r.get("minutes", 5)
                got = [f for f in r.get("faults", [r["id"]]) if hit(f, [x for x in faults if x not in fixed])]
                if got:
                    fixed |= {x for x in faults if any(hit(g, [x]) for g in got)}
                    if fixed >= set(faults):
                        return dict(found=True, minutes=minutes, checks=checks, wrong=wrong, slow=round(slow, 2), asked=asked)
                    unit = Unit(board_path, [x for x in faults if x not in fixed], seed, SWING)
                elif ":" in r["id"].removeprefix("try:"):  # work with the iron; settings and plugs put right don't count
                    wrong += 1
                hs(binary, "note", job, f"{r['id']}={'changed' if got else 'no-change'}")
            else:
                break
            if minutes > budget:
                break
        s = json.loads(hs(binary, "suspects", job, "--json"))["suspects"]
        top = s[0]["faults"] if s else []
        return dict(found=any(hit(t, faults) for t in top), minutes=minutes, checks=checks, wrong=wrong, gave_up=True, slow=round(slow, 2), asked=asked)


if __name__ == "__main__":
    ap = argparse.ArgumentParser()
    ap.add_argument("binary"); ap.add_argument("board"); ap.add_argument("--limit", type=int, default=20)
    ap.add_argument("--seed", type=int, default=5); ap.add_argument("--double", action="store_true"); ap.add_argument("--out")
    ap.add_argument("--swing", choices=["mean", "snap", "range"], help="how a net that swings slowly is read; without it the simulator's rest point is")
    ap.add_argument("--only", nargs="*", help="these faults, one game each")
    a = ap.parse_args()
    SWING = a.swing
    board = yaml.safe_load(open(a.board))
    healthy = Unit(a.board, [], a.seed, SWING)
    pool = single_faults(board)
    rng = random.Random(a.seed); rng.shuffle(pool)
    at = {f: i for i, f in enumerate(pool)}
    pool = [f for f in pool if not a.only or f in a.only]
    games, i = [], 0
    while len(games) < a.limit and i < len(pool):
        fs = [pool[i]] if not a.double else [pool[i], pool[-1 - i]]
        i, number = i + 1, at[pool[i]] + 1
        try:
            sick = Unit(a.board, fs, a.seed, SWING)
            if not changed(healthy, sick, [n for n in sick.nets() if n != board["ground"]], board["signal"]["out"]):
                continue
        except Exception as e:
            print("skip", fs, e, file=sys.stderr); continue
        g = dict(board=board["board"], faults=fs, **play(a.binary, a.board, fs, a.seed + number))
        games.append(g); print(json.dumps(g), flush=True)
        if a.out:
            open(a.out, "a").write(json.dumps(g) + "\n")
    ok = [g for g in games if g["found"]]
    print(json.dumps(dict(board=board["board"], games=len(games), found=len(ok), share=round(len(ok) / max(1, len(games)), 3),
        median_minutes=statistics.median([g["minutes"] for g in games]) if games else None,
        median_checks=statistics.median([g["checks"] for g in games]) if games else None,
        mean_minutes=round(statistics.mean([g["minutes"] for g in games]), 1) if games else None,
        first_remedy_right=round(sum(g["wrong"] == 0 and not g.get("gave_up") for g in games) / max(1, len(games)), 3),
        slowest_next_s=max([g["slow"] for g in games], default=None),
        wrong_remedies=sum(g["wrong"] for g in games))))
