#!/usr/bin/env python3
"""Posteriors of the two networks that the general-purpose libraries cannot finish, by another road than the engine's:
every noisy-OR unrolled into a chain of plain ORs, so that no table has a negative number, and bucket elimination in
two passes over numpy arrays (up to 2^24 entries). Run on the other networks it must repeat their golden files.

    pip install numpy
    python3 tests/scripts/chain_posteriors.py global_120_obs24 global_120_obs48

writes tests/data/networks/chain_NAME.json with 12 digits. With --check it compares with golden_NAME.json instead.
Needs about 3 GiB and some minutes for the larger one.
"""
import json
import math
import pathlib
import sys

import numpy as np

DATA = pathlib.Path(__file__).resolve().parents[1] / "data/networks"


def reached(nodes, evidence):
    need, stack = set(), list(evidence)
    while stack:
        here = stack.pop()
        if here not in need:
            need.add(here)
            stack += [p for p, _ in nodes[here].get("parents", [])]
    return need


def tables_of(data):
    """Tables as (variables, array)."""
    nodes = {n["id"]: n for n in data["nodes"]}
    need = reached(nodes, data["evidence"])
    out = []
    for node in data["nodes"]:
        name = node["id"]
        if name not in need:
            continue
        if node["kind"] == "fault":
            out.append(([name], np.array([1 - node["prior"], node["prior"]])))
            continue
        off = 1 - node["leak"]
        if data["evidence"].get(name) == 0:
            out.append(([], np.array(off)))
            for parent, weight in node["parents"]:
                out.append(([parent], np.array([1.0, 1 - weight])))
            continue
        last = None
        for i, (parent, weight) in enumerate(node["parents"]):
            here = name if i + 1 == len(node["parents"]) else f"{name}:{i}"
            if last is None:
                table = np.array([[off, 1 - off], [off * (1 - weight), 1 - off * (1 - weight)]])
                out.append(([parent, here], table))
            else:
                table = np.zeros((2, 2, 2))
                table[:, 1, 1] = 1
                table[0, 0, 0] = 1
                table[1, 0] = [1 - weight, weight]
                out.append(([parent, last, here], table))
            last = here
        if name in data["evidence"]:
            out.append(([name], np.array([0.0, 1.0])))
    return out


def min_fill(scopes):
    near = {}
    for scope in scopes:
        for a in scope:
            near.setdefault(a, set()).update(b for b in scope if b != a)
    order = []
    while near:
        def cost(v):
            around = sorted(near[v])
            missing = sum(b not in near[a] for i, a in enumerate(around) for b in around[i + 1:])
            return missing, len(around), v
        v = min(near, key=cost)
        around = near.pop(v)
        for a in around:
            near[a] |= around
            near[a] -= {a, v}
        order.append(v)
    return order


def expand(scope, variables, table):
    """The table with its axes put where `scope` has them, size one elsewhere."""
    places = sorted(range(len(variables)), key=lambda i: scope.index(variables[i]))
    shape = [2 if v in variables else 1 for v in scope]
    return np.transpose(table, places).reshape(shape)


def posteriors(data):
    tables = tables_of(data)
    order = min_fill([scope for scope, _ in tables])
    rank = {v: i for i, v in enumerate(order)}
    log = 0.0
    own = [[] for _ in order]
    for scope, table in tables:
        if scope:
            own[min(rank[v] for v in scope)].append((scope, table))
        else:
            log += math.log(float(table))
    children = [[] for _ in order]
    messages, scopes = [], []

    def product(scope, factors):
        out = np.ones((2,) * len(scope))
        for variables, table in factors:
            out *= expand(scope, variables, table)
        return out

    for i, v in enumerate(order):
        factors = own[i] + [messages[c] for c in children[i]]
        scope = sorted({u for s, _ in factors for u in s}, key=rank.get)
        scopes.append(scope)
        message = product(scope, factors).sum(axis=0)
        top = message.max()
        log += math.log(top)
        messages.append((scope[1:], message / top))
        if len(scope) > 1:
            children[rank[scope[1]]].append(i)
    result, down = {}, [None] * len(order)
    for i in reversed(range(len(order))):
        scope = scopes[i]
        base = product(scope, own[i] + ([down[i]] if down[i] else []))
        for c in children[i]:
            rest = base.copy()
            for other in children[i]:
                if other != c:
                    rest *= expand(scope, *messages[other])
            keep = messages[c][0]
            axes = tuple(k for k, u in enumerate(scope) if u not in keep)
            message = rest.sum(axis=axes)
            down[c] = ([u for u in scope if u in keep], message / message.max())
        for c in children[i]:
            base *= expand(scope, *messages[c])
        marginal = base.reshape(2, -1).sum(axis=1)
        result[order[i]] = marginal[1] / marginal.sum()
    faults = [n for n in data["nodes"] if n["kind"] == "fault"]
    return log, {n["id"]: float(result.get(n["id"], n["prior"])) for n in faults}


def main():
    check = "--check" in sys.argv
    for name in [a for a in sys.argv[1:] if a != "--check"]:
        data = json.loads((DATA / f"network_{name}.json").read_text())
        log, post = posteriors(data)
        if check:
            golden = json.loads((DATA / f"golden_{name}.json").read_text())["posteriors"]
            print(name, "greatest difference", max(abs(post[f] - golden[f]) for f in golden))
            continue
        out = {
            "network": f"network_{name}.json",
            "posteriors_by": "OR chains and bucket elimination in numpy, tests/scripts/chain_posteriors.py",
            "log_evidence": float(f"{log:.12g}"),
            "posteriors": {f: float(f"{p:.12g}") for f, p in post.items()},
        }
        (DATA / f"chain_{name}.json").write_text(json.dumps(out, indent=0) + "\n")
        print(name, "log evidence", log)


if __name__ == "__main__":
    main()
