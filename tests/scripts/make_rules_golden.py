#!/usr/bin/env python3
"""What a general-purpose library makes of the shipped rules: the networks of several jobs, findings drawn from them, and
every fault's probability by pyAgrum's exact propagation.

    pip install pyagrum numpy && python3 tests/scripts/make_rules_golden.py

Exports the networks (`cargo test --test rules_golden export`), draws findings with a fixed seed and writes
tests/data/rules/golden.json. Needs some minutes and up to 4 GiB. Run it again whenever the rules change. With a folder as
argument it takes the networks that were exported there.

Only the ancestors of the findings are built. A node of up to six causes gets its full noisy-MAX table; a larger one is
unrolled, cause by cause, into a chain of running maxima, which is exact. A normal finding rules out that any of its
causes acted, each by itself, so it enters as one finding of its own for each cause. Sets that the library can't finish within
the limits below are given up and counted, and another one is drawn.

With every block in play several symptoms at once are beyond the library (tables of 2^30 entries and more). There the numbers
come from signed elimination, as in the engine, in decimals of 120 digits, so that no digit that signs cost is missed;
the same code is held to the library on sets that it can finish.
"""
import decimal
import itertools
import json
import math
import multiprocessing
import os
import pathlib
import random
import resource
import subprocess
import sys
import tempfile

ROOT = pathlib.Path(__file__).resolve().parents[2]
OUT = ROOT / "tests/data/rules/golden.json"
SETS = 14
SEED = 20260914
FULL_TABLE = 6
SYMPTOM_SETS = 12
SECONDS = 90
BYTES = 4 << 30


def cumulative(spread):
    rest, out = 1 - sum(spread), []
    for p in [0] + spread:
        rest += p
        out.append(rest)
    return out


def draw(nodes, rng):
    """One unit from the network: the state of every node."""
    state = {}
    for node in nodes:
        upto = cumulative(node["leak"])
        for cause in node["causes"]:
            if state[cause["node"]]:
                upto = [a * b for a, b in zip(upto, cumulative(cause["spread"]))]
        r = rng.random()
        state[node["name"]] = next((k for k, p in enumerate(upto) if r < p), len(upto) - 1)
    return state


def draw_findings(nodes, rng, count):
    """Findings on a faulty unit, the first of them abnormal, half of the others from among the abnormal ones."""
    while True:
        state = draw(nodes, rng)
        checks = [n["name"] for n in nodes if n["name"][0] == "x"]
        abnormal = [x for x in checks if state[x]]
        if not abnormal or not any(v for k, v in state.items() if k[0] == "f"):
            continue
        found = [rng.choice(abnormal)]
        while len(found) < count:
            rest = [x for x in abnormal if x not in found]
            found.append(rng.choice(rest if rest and rng.random() < 0.5 else [x for x in checks if x not in found]))
        return {x: state[x] for x in found}


def ancestors(by_name, findings):
    need, stack = set(), [x for x in findings]
    while stack:
        here = stack.pop()
        if here not in need:
            need.add(here)
            stack += [c["node"] for c in by_name[here]["causes"]]
    return need


def build(nodes, findings):
    """The library's network, its findings, and the logarithm of what normal leaks contribute."""
    import pyagrum as gum
    gum.setNumberOfThreads(1)
    net, evidence, log = gum.BayesNet(), {}, 0.0
    need = ancestors({n["name"]: n for n in nodes}, findings)
    for node in (n for n in nodes if n["name"] in need):
        name, states = node["name"], node["states"]
        leak = cumulative(node["leak"])
        causes = [(c["node"], cumulative(c["spread"])) for c in node["causes"]]
        if findings.get(name) == 0:
            log += math.log(leak[0])
            for cause, upto in causes:
                quiet = f"{name}:{cause}"
                net.add(gum.LabelizedVariable(quiet, "", 2))
                net.addArc(cause, quiet)
                net.cpt(quiet)[{cause: 0}] = [0, 1]
                net.cpt(quiet)[{cause: 1}] = [1 - upto[0], upto[0]]
                evidence[quiet] = 1
            continue
        if name in findings:
            evidence[name] = findings[name]
        if len(causes) <= FULL_TABLE:
            net.add(gum.LabelizedVariable(name, "", states))
            for cause, _ in causes:
                net.addArc(cause, name)
            for on in itertools.product((0, 1), repeat=len(causes)):
                upto = list(leak)
                for active, (_, spread) in zip(on, causes):
                    if active:
                        upto = [a * b for a, b in zip(upto, spread)]
                row = [upto[0]] + [upto[k] - upto[k - 1] for k in range(1, states)]
                net.cpt(name)[{c: active for active, (c, _) in zip(on, causes)}] = row
            continue
        last = None
        for i, (cause, spread) in enumerate(causes):
            here = name if i + 1 == len(causes) else f"{name}:{i}"
            net.add(gum.LabelizedVariable(here, "", states))
            net.addArc(cause, here)
            if last is None:
                for active, upto in ((0, leak), (1, [a * b for a, b in zip(leak, spread)])):
                    net.cpt(here)[{cause: active}] = [upto[0]] + [upto[k] - upto[k - 1] for k in range(1, states)]
            else:
                net.addArc(last, here)
                for active, before in itertools.product((0, 1), range(states)):
                    row = [0.0] * states
                    row[before] = spread[before] if active else 1.0
                    for k in range(before + 1, states):
                        row[k] = spread[k] - spread[k - 1] if active else 0.0
                    net.cpt(here)[{cause: active, last: before}] = row
            last = here
    return net, evidence, log


def solve(nodes, findings, pipe):
    resource.setrlimit(resource.RLIMIT_AS, (BYTES, BYTES))
    import pyagrum as gum
    net, evidence, log = build(nodes, findings)
    engine = gum.LazyPropagation(net)
    engine.setEvidence(evidence)
    try:
        engine.makeInference()
    except Exception as e:
        sys.exit(f"  the library gives up: {e}")
    posteriors = []
    for node in (n for n in nodes if n["name"][0] == "f"):
        name = node["name"]
        here = name in net.names()
        posteriors.append(float(f"{engine.posterior(name)[1]:.12g}") if here else None)
    log += math.log(engine.evidenceProbability())
    pipe.send({"log_evidence": float(f"{log:.12g}"), "posteriors": posteriors})


def solved(nodes, findings):
    """The library's answer, or None where it can't finish."""
    here, there = multiprocessing.Pipe(False)
    worker = multiprocessing.Process(target=solve, args=(nodes, findings, there))
    worker.start()
    there.close()
    try:
        answer = here.recv() if here.poll(SECONDS) else None
    except EOFError:
        answer = None
    worker.kill()
    worker.join()
    return answer


def min_fill(scopes):
    near = {}
    for scope in scopes:
        for a in scope:
            near.setdefault(a, set()).update(b for b in scope if b != a)
    order = []
    while near:
        def cost(v):
            around = sorted(near[v])
            return sum(b not in near[a] for i, a in enumerate(around) for b in around[i + 1:]), len(around), v
        v = min(near, key=cost)
        around = near.pop(v)
        for a in around:
            near[a] |= around
            near[a] -= {a, v}
        order.append(v)
    return order


def in_decimals(nodes, findings):
    """Exact sums in long decimals. A node is a signed sum over terms, each a product over its causes."""
    import numpy as np
    decimal.getcontext().prec = 120
    number = decimal.Decimal
    scopes, tables, constant = [], [], number(1)

    def add(scope, numbers):
        scopes.append(scope)
        tables.append(np.array(numbers, dtype=object))

    def exact(spread):
        rest, out = number(1) - sum(map(number, spread)), []
        for p in [0] + spread:
            rest += number(p)
            out.append(rest)
        return out
    need = ancestors({n["name"]: n for n in nodes}, findings)
    faults = [n["name"] for n in nodes if n["name"][0] == "f"]
    for node in (n for n in nodes if n["name"] in need):
        name, leak = node["name"], exact(node["leak"])
        causes = [(c["node"], exact(c["spread"])) for c in node["causes"]]
        if name[0] == "f":
            add([name], [leak[0], 1 - leak[0]])
            continue
        if name[0] == "x":
            k = findings[name]
            if k == 0:
                constant *= leak[0]
                for cause, upto in causes:
                    add([cause], [number(1), upto[0]])
                continue
            terms = [k, k - 1]
            add([f"{name}:t"], [leak[k], -leak[k - 1]])
        else:
            terms = [1, 0]
            add([f"{name}:t", name], [[number(0), number(1)], [leak[0], -leak[0]]])
        for cause, upto in causes:
            add([f"{name}:t", cause], [[number(1), upto[t]] for t in terms])
    order = min_fill(scopes)
    rank = {v: i for i, v in enumerate(order)}
    own = [[] for _ in order]
    for scope, table in zip(scopes, tables):
        own[min(rank[v] for v in scope)].append((scope, table))

    def product(scope, factors):
        out = np.full((2,) * len(scope), number(1), dtype=object)
        for variables, table in factors:
            places = sorted(range(len(variables)), key=lambda i: scope.index(variables[i]))
            shape = [2 if v in variables else 1 for v in scope]
            out = out * np.transpose(table, places).reshape(shape)
        return out
    children, messages, seen, total = [[] for _ in order], [], [], constant
    for i, v in enumerate(order):
        factors = own[i] + [messages[c] for c in children[i]]
        scope = sorted({u for s, _ in factors for u in s}, key=rank.get)
        seen.append(scope)
        message = product(scope, factors).sum(axis=0)
        messages.append((scope[1:], message))
        if len(scope) > 1:
            children[rank[scope[1]]].append(i)
        else:
            total *= message
    down, result = [None] * len(order), {}
    for i in reversed(range(len(order))):
        scope = seen[i]
        above = own[i] + ([down[i]] if down[i] else [])
        for c in children[i]:
            rest = product(scope, above + [messages[d] for d in children[i] if d != c])
            keep = messages[c][0]
            down[c] = (keep, rest.sum(axis=tuple(k for k, u in enumerate(scope) if u not in keep)))
        if order[i] in faults:
            whole = product(scope, above + [messages[c] for c in children[i]])
            marginal = whole.reshape(2, -1).sum(axis=1)
            result[order[i]] = marginal[1] / (marginal[0] + marginal[1])
    return {"log_evidence": float(f"{total.ln():.12g}"),
            "posteriors": [float(f"{result[f]:.12g}") if f in result else None for f in faults]}


def differ(a, b):
    worst = abs(a["log_evidence"] - b["log_evidence"])
    for x, y in zip(a["posteriors"], b["posteriors"]):
        if (x is None) != (y is None):
            return 1.0
        worst = max(worst, abs(x - y) if x is not None else 0.0)
    return worst


def several_symptoms(head, rng):
    """Findings of several symptoms at once; the first one is `silent` alone."""
    of = {s[0]: (s[1], s[2]) for s in head["symptoms"]}
    yield dict([of["silent"]])
    while True:
        findings = {}
        for name in rng.sample(sorted(of), rng.choice((2, 3, 4))):
            check, answer = of[name]
            findings.setdefault(check, answer)
        yield findings


def exported():
    if len(sys.argv) > 1:
        return [json.loads(p.read_text()) for p in sorted(pathlib.Path(sys.argv[1]).glob("*.json"))]
    with tempfile.TemporaryDirectory() as folder:
        subprocess.run(["cargo", "test", "--quiet", "--test", "rules_golden", "export"], cwd=ROOT, check=True,
                       env={**os.environ, "EXPORT_DIR": folder})
        return [json.loads(p.read_text()) for p in sorted(pathlib.Path(folder).glob("*.json"))]


def main():
    import pyagrum as gum
    networks = []
    for export in exported():
        nodes, head = export["network"]["nodes"], export["head"]
        rng = random.Random(f"{SEED} {head['name']}")
        cases, given_up = [], 0
        while len(cases) < SETS:
            findings = draw_findings(nodes, rng, 1 + (len(cases) + given_up) % 6)
            answer = solved(nodes, findings)
            if answer is None:
                given_up += 1
                if given_up > 2 * SETS:
                    sys.exit(f"{head['name']}: too many sets given up")
                continue
            words = {head["checks"][x][0]: head["checks"][x][1][k] for x, k in findings.items()}
            cases.append({"findings": words, **answer})
        node_of = {check: x for x, (check, _) in head["checks"].items()}
        for case in cases[:4]:
            named = [(node_of[check], answer) for check, answer in case["findings"].items()]
            findings = {x: head["checks"][x][1].index(answer) for x, answer in named}
            off = differ(case, in_decimals(nodes, findings))
            if off > 1e-9:
                sys.exit(f"{head['name']}: {case['findings']} differs by {off} between library and decimals")
        if head["name"] == "every-block":
            for findings in itertools.islice(several_symptoms(head, rng), SYMPTOM_SETS):
                said = {head["checks"][x][0]: head["checks"][x][1][k] for x, k in findings.items()}
                cases.append({"findings": said, "in": "decimals", **in_decimals(nodes, findings)})
        print(f"{head['name']}: {len(cases)} sets, {given_up} given up", file=sys.stderr)
        networks.append({"name": head["name"], "hash": export["hash"], "given_up": given_up, "cases": cases})
    head = {"by": f"pyAgrum {gum.__version__}, lazy propagation; tests/scripts/make_rules_golden.py", "seed": SEED,
            "given_up_after": f"{SECONDS} s or {BYTES >> 30} GiB"}
    lines = []
    for n in networks:
        start = {k: v for k, v in n.items() if k != "cases"}
        cases = ",\n".join("   " + json.dumps(c, separators=(",", ":")) for c in n["cases"])
        lines.append("  " + json.dumps(start)[:-1] + f', "cases": [\n{cases}\n  ]}}')
    OUT.parent.mkdir(parents=True, exist_ok=True)
    body = ",\n".join(lines)
    OUT.write_text(json.dumps(head)[:-1] + f',\n "networks": [\n{body}\n ]}}\n')


if __name__ == "__main__":
    main()
