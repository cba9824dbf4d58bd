#!/usr/bin/env python3
"""Healthy readings of the netlists under tests/data/import, by the reference simulator (ngspice, `apt-get install ngspice`), into
tests/data/import/readings.json. The test reads the JSON only.

SPICE netlists are run as they stand. Netlists of the schematic editor are turned into SPICE here, by a reader of this script's own that
shares nothing with the program's. Either way the parts' models are those of tests/data/import/models.lib. A meter of 10 Mohm hangs on
each net while its volts are read; the tone comes through 1 kohm (KiCad netlists) or as the netlist has it.

    python3 tests/scripts/make_import_golden.py
"""
import json
import math
import pathlib
import re
import subprocess
import tempfile

from make_circuit_golden import USUAL, read_raw

DATA = pathlib.Path(__file__).resolve().parent.parent / "data" / "import"
METER = 10e6
TONE = 1000.0


def sexpr(text):
    """Nested lists of words."""
    stack = [[]]
    for token in re.findall(r'"(?:\\.|[^"\\])*"|[()]|[^\s()"]+', text):
        if token == "(":
            stack.append([])
        elif token == ")":
            done = stack.pop()
            stack[-1].append(done)
        else:
            stack[-1].append(token[1:-1].replace('\\"', '"') if token.startswith('"') else token)
    return stack[0][0]


def entry(item, head):
    return next((x for x in item if isinstance(x, list) and x and x[0] == head), None)


def number(text):
    """Values as drawn: 4k7, 2M2, 100nF, 100uF/16V, A500K."""
    word = text.split("/")[0].strip()
    word = re.sub(r"^[ABC](?=\d)", "", word)
    found = re.match(r"^(\d*\.?\d*)\s*(meg|[pnumkKMR]?)(\d*)", word)
    front, letter, behind = found.groups()
    scale = {"": 1, "R": 1, "p": 1e-12, "n": 1e-9, "u": 1e-6, "m": 1e-3, "k": 1e3, "K": 1e3, "M": 1e6, "meg": 1e6}[letter]
    return float(f"{front or 0}.{behind}" if behind else front) * scale


LAW = {"A": 0.15, "B": 0.5, "C": 0.85}


def supplies_of(name):
    """Supplies that the drawing leaves to its readers: connector or net name."""
    return {
        "fern_bell": [("VIN", "GND", 9)],
        "pike_whistle": [("VBAT", "GND", 9)],
        "dove_gate": [("VCC", "GND", 9)],
        "ox_mixer": [("+12V", "GND", 12), ("GND", "-12V", 12)],
        "hazel_fan": [("+9V", "GND", 9)],
    }[name]


ENDS = {
    "fern_bell": ("IN", "OUT"),
    "pike_whistle": ("/IN", "/OUT"),
    "dove_gate": ("IN", "OUT"),
    "ox_mixer": ("IN1", "OUT"),
    "hazel_fan": ("/amp/IN", "/amp/OUT"),
}


def from_drawing(path):
    """Lines of the circuit, and each node's net as drawn."""
    root = sexpr(path.read_text())
    pins, nodes = {}, {"GND": "0"}
    for net in entry(root, "nets")[1:]:
        name = entry(net, "name")[1]
        nodes.setdefault(name, f"n{len(nodes)}")
        for node in net:
            if isinstance(node, list) and node[0] == "node":
                pins.setdefault(entry(node, "ref")[1], {})[entry(node, "pin")[1]] = nodes[name]
    lines = []
    for comp in entry(root, "components")[1:]:
        ref, value = entry(comp, "ref")[1], entry(comp, "value")[1]
        part = entry(entry(comp, "libsource"), "part")[1]
        at = pins.get(ref, {})
        if part == "R":
            lines.append(f"R{ref} {at['1']} {at['2']} {number(value):g}")
        elif part in ("C", "C_Polarized"):
            lines.append(f"C{ref} {at['1']} {at['2']} {number(value):g}")
        elif part.startswith("R_Potentiometer"):
            total, share = number(value), LAW.get(value[0], 0.5)
            end = max(total * 1e-3, 0.5)
            lines.append(f"R{ref}l {at['1']} {at['2']} {max(total * share, end):g}")
            lines.append(f"R{ref}u {at['2']} {at['3']} {max(total * (1 - share), end):g}")
        elif part in ("D", "D_Schottky"):
            lines.append(f"D{ref} {at['2']} {at['1']} {value}")
        elif part == "LED":
            lines.append(f"D{ref} {at['2']} {at['1']} LED-{'green' if 'GREEN' in value else 'red'}")
        elif part.startswith("Q_"):
            order = part.rsplit("_", 1)[1]
            leg = {letter: at[str(i + 1)] for i, letter in enumerate(order)}
            want, kind = ("CBE", "Q") if "E" in order else ("DGS", "J")
            lines.append(f"{kind}{ref} {' '.join(leg[x] for x in want)} {value}")
        elif part == "SW_SPDT":
            lines.append(f"R{ref} {at['1']} {at['2']} 0.05")
        elif part.startswith("L78L05"):
            lines.append(f"X{ref} {at['3']} {at['2']} {at['1']} 78L05")
        elif entry(entry(comp, "libsource"), "lib")[1] == "Amplifier_Operational":
            chip = re.match(r"(TL07\d|RC4558|LM358)", part).group(1)
            count = 14 if chip == "TL074" else 8
            legs = [at.get(str(i), f"open{ref}{i}") for i in range(1, count + 1)]
            lines.append(f"X{ref} {' '.join(legs)} {chip}")
        elif not part.startswith(("Conn_", "Barrel_Jack", "Battery", "AudioJack", "TestPoint", "MountingHole")):
            raise SystemExit(f"{path.name}: no line for {part}")
    for i, (plus, minus, volts) in enumerate(supplies_of(path.stem)):
        lines.append(f"V{i} {nodes[plus]} {nodes[minus]} {volts}")
    tone_in, tone_out = ENDS[path.stem]
    lines += ["Vtone te 0 AC 1", "Rtone te tc 1k", f"Ctone tc {nodes[tone_in]} 100u", f"Rload {nodes[tone_out]} 0 1meg"]
    used = {node: net for net, node in nodes.items() if node != "0" and not net.lower().startswith("unconnected")}
    return ["title", f".include {DATA / 'models.lib'}"] + lines, used


def from_spice(path):
    lines = [line for line in path.read_text().splitlines() if line.split()[:1] not in (["."], [".op"], [".end"])]
    lines = [line.replace("models.lib", str(DATA / "models.lib")) for line in lines if not line.lower().startswith(".ac")]
    inside, nodes = False, {}
    for line in lines[1:]:
        words = re.split(r"[\s(),]+", line.strip())
        first = words[0].lower()
        if first == ".subckt":
            inside = True
        elif first == ".ends":
            inside = False
        elif words[0] and not inside and words[0][0].isalpha():
            count = {"r": 2, "c": 2, "d": 2, "v": 2, "q": 3, "j": 3, "m": 3}.get(first[0])
            ends = words[1 : 1 + count] if count else [w for w in words[1:] if "=" not in w][:-1]
            for node in ends:
                if node != "0" and not node.lower().startswith("nc"):
                    nodes.setdefault(node.lower(), node)
    return lines, nodes


def values(lines, nodes):
    """Volts of each net under the meter, amps of each supply, the tone's level at each net."""
    with tempfile.TemporaryDirectory() as folder:
        raw = pathlib.Path(folder) / "out.raw"
        meters = [f"rmeter{i} {node} 0 1e15" for i, node in enumerate(nodes)]
        run = [f".options {USUAL} itl1=500 gmin=1e-12", ".control", "set filetype=ascii", "set appendwrite", "op", f"write {raw}"]
        for i, node in enumerate(nodes):
            run += [f"alter rmeter{i} = {METER}", "op", f"write {raw} v({node})", f"alter rmeter{i} = 1e15"]
        run += [f"ac lin 1 {TONE} {TONE}", f"write {raw}", ".endc", ".end", ""]
        deck = pathlib.Path(folder) / "deck.cir"
        deck.write_text("\n".join(lines + meters + run))
        done = subprocess.run(["ngspice", "-b", str(deck)], capture_output=True, text=True, check=False)
        plots = read_raw(raw) if raw.exists() else []
    if len(plots) != 2 + len(nodes):
        raise SystemExit(done.stdout[-2000:] + done.stderr[-2000:])
    volts = {net: plot[f"v({node.lower()})"][0] for (node, net), plot in zip(nodes.items(), plots[1:-1])}
    amps = {k: -v[0] for k, v in plots[0].items() if re.match(r"i\(v(\d|sup|p|n|bat)", k)}
    level = {}
    for node, net in nodes.items():
        real, imaginary = plots[-1][f"v({node.lower()})"][0]
        level[net] = 10 * math.log10(real * real + imaginary * imaginary + 1e-12)
    return {"volts": volts, "amps": amps, "level": level}


def rounded(x):
    return {k: rounded(v) for k, v in x.items()} if isinstance(x, dict) else float(f"{x:.6g}")


def main():
    version = subprocess.run(["ngspice", "-v"], capture_output=True, text=True, check=False).stdout
    out = {"made_with": re.search(r"ngspice-\S+", version).group(0)}
    for path in sorted(DATA.glob("*.cir")) + sorted(DATA.glob("*.net")):
        lines, nodes = from_spice(path) if path.suffix == ".cir" else from_drawing(path)
        out[path.stem] = rounded(values(lines, nodes))
        print(path.name, len(nodes), "nets", out[path.stem]["amps"])
    (DATA / "readings.json").write_text(json.dumps(out, indent=1, sort_keys=True) + "\n")


if __name__ == "__main__":
    main()
