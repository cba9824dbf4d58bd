"""A unit on the virtual bench: a board file, one hidden fault set, real part spread.

Readings come from ngspice with device models written here, independent of the project's own solver and device cards: never tune a
card to the numbers in this file.

    Unit(board_path, faults=["R3:open"], seed=7).volts("VH")
"""
from __future__ import annotations
import math, os, random, re, subprocess, tempfile
import yaml

SUFFIX = {"p": 1e-12, "n": 1e-9, "u": 1e-6, "m": 1e-3, "": 1.0, "R": 1.0, "k": 1e3, "K": 1e3, "M": 1e6, "G": 1e9}


def value(text) -> float:
    """'4k7', '2R2', '100n', '4.7uF', '9V', '470' -> SI number."""
    s = str(text).strip().replace("Ω", "").replace("ohm", "").rstrip("FVHz%").strip()
    m = re.fullmatch(r"(\d+)([RkKMGpnum])(\d+)", s)
    if m:
        return float(f"{m[1]}.{m[3]}") * SUFFIX[m[2]]
    m = re.fullmatch(r"([\d.]+)\s*([RkKMGpnum]?)", s)
    if not m:
        raise ValueError(text)
    return float(m[1]) * SUFFIX[m[2]]


MODELS = """
.model D1N4148 D(IS=2.52n RS=0.568 N=1.752 BV=100)
.model D1N4001 D(IS=14.1n RS=33.9m N=1.984 BV=50)
.model D1N5817 D(IS=3.2u RS=50m N=1.05 BV=25)
.model DLED D(IS=1e-20 RS=5 N=1.8)
.model Q2N3904 NPN(IS=6.734f BF=300 VAF=74 IKF=66m RB=10 RC=1 BR=0.74 NF=1)
.model QBC547 NPN(IS=18f BF=330 VAF=80 IKF=100m RB=10 RC=0.6 BR=6)
.model Q2N5088 NPN(IS=5.9f BF=650 VAF=60 IKF=15m RB=10 RC=1 BR=1.2)
.model JJ201 NJF(VTO=-0.85 BETA=0.75m LAMBDA=3m IS=1f RD=20 RS=20)
.model J2N5457 NJF(VTO=-1.55 BETA=1.15m LAMBDA=4m IS=1f RD=10 RS=10)
.model J2N5952 NJF(VTO=-2.4 BETA=1.1m LAMBDA=4m IS=1f RD=10 RS=10)
* in g out
.subckt REG5 in g out
RQ in g 2.8k
BD d g V=min(5.0, max(0, V(in,g)-1.7))-V(out,g)
B1 in out I=0.14*tanh(2.5/0.14*(0.01*ln(1+exp(-abs(V(d,g))/0.01))+max(0,V(d,g)))) * 0.5*(1+tanh((V(in,out)+0.05)/0.05))
R1 out g 50k
D1 out x2 DCL
R2 x2 in 1
.model DCL D(IS=1e-14)
.ends
* p n out vp vn : rail-clamped op amp, single pole, 70 dB at 1 kHz
.subckt OPA p n out vp vn
RIN p n 1e10
RCP p vn 1e11
RCN n vn 1e11
B1 a vn V=0.5*V(vp,vn)+ (0.5*V(vp,vn)-min(1.3,0.45*V(vp,vn)))*tanh(3000*(V(p,n)+1m)/(0.2+V(vp,vn)))
RO a out 120
RQ vp vn 6.4k
.ends
"""

def _off(models):
    """The same chips without supply, as an ohmmeter meets them: their active parts rest."""
    swaps = [("RQ in g 2.8k", "RQ in g 200k"), ("RO a out 120", "RO a out 20meg"), ("RQ vp vn 6.4k", "RQ vp vn 300k"), ("I=0.14*tanh", "I=0*tanh")]
    for a, b in swaps:
        assert a in models, a
        models = models.replace(a, b)
    return models


MODELS_OFF = _off(MODELS)

SPREAD = {"resistor": 0.01, "film": 0.05, "ceramic": 0.10, "electrolytic": 0.15, "pot": 0.10}
DEVICE_PINS = {  # order of SPICE terminals by our pin names
    "78L05": ["in", "gnd", "out"], "2N3904": ["c", "b", "e"], "BC547": ["c", "b", "e"], "2N5088": ["c", "b", "e"],
    "1N4148": ["anode", "cathode"], "1N4001": ["anode", "cathode"], "1N5817": ["anode", "cathode"], "LED": ["anode", "cathode"],
    "J201": ["d", "g", "s"], "2N5457": ["d", "g", "s"], "2N5952": ["d", "g", "s"],
}
ALIKE = {"LED-red": "LED", "LED-green": "LED", "BC547B": "BC547"}
FACTORS = {"x10": 10, "d10": .1, "x100": 100, "d100": .01, "dried": .1, "drifted": .4}
FETS = ("J201", "2N5457", "2N5952")


class Unit:
    def __init__(self, board_path, faults=(), seed=1, swings=False):
        self.span, self._means = {}, None
        self.board = yaml.safe_load(open(board_path))
        self.faults = list(faults)
        self.rng = random.Random(seed)
        self.scale = {n: self._draw(p) for n, p in self.board["parts"].items()}
        self.leak = {n: math.exp(self.rng.gauss(0, 0.8)) for n in self.board["parts"]}
        self.mid = {n: self.rng.uniform(0.10, 0.20) for n in self.board["parts"]}  # a log pot's share at half turn
        self._dc = self._ac = None
        self._loaded = {}
        self.swings = swings

    def rough_volts(self, net):
        """The same without the meter's load where the unit swings, of all nets in one go: to tell whether a fault changes anything."""
        if not self.swings:
            return self.volts(net)
        if self._means is None:
            nodes = [self._node(n) for n in self.nets() if self._node(n) != "0"]
            means = [f"meas tran mean{i} AVG v({n}) from=4 to=8" for i, n in enumerate(nodes)]
            out = self._run(self._sources() + [".options gmin=1e-12 itl1=500 method=gear", ".control", "tran 2m 8 0 5m", *means, ".endc"])
            got = {int(m[1]): float(m[2]) for m in re.finditer(r"^mean(\d+)\s*=\s*(\S+)", out, re.M)}
            self._means = {n: got.get(i) for i, n in enumerate(nodes)}
        return 0.0 if net == self.board["ground"] else self._means.get(self._node(net))

    def _levels_over_time(self):
        """Mean level of a 1 kHz tone of 1 mV over 1.5 s, dB against it: what a slow oscillator does to it is heard as throbbing."""
        nodes = [self._node(n) for n in self.nets() if self._node(n) != "0"]
        with tempfile.TemporaryDirectory() as d:
            table = os.path.join(d, "t")
            sources = [x.replace("VIN vi 0 DC 0 AC 0", "VIN vi 0 SIN(0 1m 1k)") for x in self._sources()]
            self._run(sources + [".options gmin=1e-12 itl1=500 method=gear", ".save " + " ".join(f"v({n})" for n in nodes), ".control",
                "tran 100u 4.5 3 100u", "linearize", f"wrdata {table} " + " ".join(f"v({n})" for n in nodes), ".endc"])
            rows = [[float(x) for x in line.split()] for line in open(table)] if os.path.exists(table) else []
        if not rows:
            return {}
        out, window = {}, 200  # 20 ms: 20 periods
        cos = [math.cos(2e3 * math.pi * r[0]) for r in rows]
        sin = [math.sin(2e3 * math.pi * r[0]) for r in rows]
        for i, node in enumerate(nodes):
            v, levels = [r[2 * i + 1] for r in rows], []
            for at in range(0, len(rows) - window, 2 * window):
                part = v[at:at + window]
                # a straight line through the window is what moves slowly
                slope = (sum(part[window // 2:]) - sum(part[:window // 2])) / (window / 2) ** 2
                mean = sum(part) / window
                flat = [x - mean - slope * (k - window / 2) for k, x in enumerate(part)]
                a = sum(x * c for x, c in zip(flat, cos[at:at + window]))
                b = sum(x * c for x, c in zip(flat, sin[at:at + window]))
                levels.append(20 * math.log10(max(1e-6, 2 * math.hypot(a, b) / window / 1e-3)))
            out[node.lower()] = sum(levels) / len(levels)
        return out

    def _over_time(self, net):
        """What a meter shows that is looked at for long enough: the mean over the last 6 of 10 s."""
        n = self._node(net)
        out = self._run(self._sources() + [f"RMETER {n} 0 10e6", ".options gmin=1e-12 itl1=500 method=gear", ".control", "tran 2m 10 0 5m",
            f"meas tran mean AVG v({n}) from=4 to=10", f"meas tran least MIN v({n}) from=4 to=10", f"meas tran most MAX v({n}) from=4 to=10", ".endc"])
        got = {m[1]: float(m[2]) for m in re.finditer(r"^(mean|least|most)\s*=\s*(\S+)", out, re.M)}
        if len(got) < 3:
            return None
        self._loaded[net] = got["mean"]
        self.span[net] = (got["least"], got["most"])
        return got["mean"]

    def _draw(self, part):
        tol = SPREAD.get(part.get("kind"), 0.0)
        return max(0.5, self.rng.gauss(1.0, tol / 2.0)) if tol else 1.0

    # ---- netlist -----------------------------------------------------------------------------
    def nets(self):
        out = []
        for p in self.board["parts"].values():
            ns = p["nets"].values() if isinstance(p["nets"], dict) else p["nets"]
            out += [n for n in dict.fromkeys(ns) if n not in out]
        return out

    def _node(self, n):
        return "0" if n == self.board["ground"] else "n_" + n

    def netlist(self, analysis):
        lines, modes, bridges = ["* unit"], {}, []
        for f in self.faults:
            where, mode = f.rsplit(":", 1)
            if mode == "bridge":
                bridges.append(where.split("~"))
            elif mode == "joint" and "." in where:
                part, pin = where.split(".", 1)
                modes.setdefault(part, []).append(("joint", pin))
            else:
                modes.setdefault(where, []).append((mode, None))
        for i, (a, b) in enumerate(bridges):
            lines.append(f"RBR{i} {self._node(a)} {self._node(b)} 0.2")
        for name, part in self.board["parts"].items():
            lines += self._part(name, part, modes.get(name, []))
        for n in self.nets():  # keeps a cut-off net solvable, far above meter loading
            if n != self.board["ground"]:
                lines.append(f"RG_{n} {self._node(n)} 0 1e12")
        return "\n".join(lines + [MODELS_OFF if any(x.startswith("VT ") for x in analysis) else MODELS] + analysis + [".end"]) + "\n"

    def _part(self, name, part, modes):
        pins = dict(part["nets"]) if isinstance(part["nets"], dict) else {i + 1: n for i, n in enumerate(part["nets"])}
        pins = {str(k): self._node(v) for k, v in pins.items()}
        extra, kind, dev = [], part.get("kind"), part.get("device")
        dev = ALIKE.get(dev, dev)
        v = value(part["value"]) * self.scale[name] if "value" in part else None
        short, leak, dead = False, None, False
        for mode, pin in modes:
            if mode == "joint":
                pins[pin] = f"fl_{name}_{pin}"
                extra.append(f"RFL_{name}_{pin} fl_{name}_{pin} 0 1e12")
            elif mode == "open":
                first = list(pins)[0] if kind != "pot" else "2"
                pins[first] = f"fl_{name}"
                extra.append(f"RFL_{name} fl_{name} 0 1e12")
            elif mode == "short":
                short = True
            elif mode == "leaky":
                leak = 2.2e3
            elif mode in FACTORS:
                v *= FACTORS[mode] if mode != "drifted" or kind != "resistor" else 2.5
            elif mode == "turned":
                ks = list(pins)
                if dev in ("TL072",):
                    order = [str(i) for i in range(1, 9)]
                else:
                    order = ks
                if len(order) == 2 or dev in ("78L05", "2N3904", "BC547", "2N5088"):
                    a, b = order[0], order[-1]
                    pins[a], pins[b] = pins[b], pins[a]
                elif dev in FETS:  # TO-92 in the order drain, source, gate
                    pins["d"], pins["g"] = pins["g"], pins["d"]
                else:
                    n = len(order)
                    pins = {order[(i + n // 2) % n]: pins[order[i]] for i in range(n)}
                if kind == "electrolytic":
                    leak = 3.3e3
            elif mode == "reversed":  # the outer lugs exchanged
                pins["1"], pins["3"] = pins["3"], pins["1"]
            elif mode == "dead":
                dead = True
            else:
                raise ValueError(f"{name}:{mode}")
        p, out = list(pins.values()), list(extra)
        if kind == "resistor":
            out.append(f"R_{name} {p[0]} {p[1]} {1 if short else v:.6g}")
        elif kind in ("film", "ceramic", "electrolytic"):
            out.append(f"C_{name} {p[0]} {p[1]} {v:.6g}")
            if kind == "electrolytic":
                out.append(f"RL_{name} {p[0]} {p[1]} {300.0 / v * self.leak[name]:.4g}")  # 300 Mohm uF, as an aged part's
            if short or leak:
                out.append(f"RX_{name} {p[0]} {p[1]} {1 if short else leak}")
        elif kind == "pot":
            t = float(str(part.get("turn", "50%")).rstrip("%")) / 100
            if part.get("taper") == "log":
                m = self.mid[name]
                t = 2 * t * m if t < 0.5 else m + (t - 0.5) * 8 * m if t < 0.75 else 3 * m + (t - 0.75) * 4 * (1 - 3 * m)
            a = max(1.0, v * t)
            out += [f"R1_{name} {pins['1']} {pins['2']} {a:.6g}", f"R2_{name} {pins['2']} {pins['3']} {max(1.0, v - a):.6g}"]
        elif dev in DEVICE_PINS:
            t = [pins[k] for k in DEVICE_PINS[dev]]
            if dev == "78L05":
                out.append(f"X_{name} {' '.join(t)} REG5" if not dead else f"RD_{name} {t[0]} {t[1]} 1e6")
            elif dev[0] in "1L":
                m = "D" + dev
                out.append(f"D_{name} {t[0]} {t[1]} {m}" if not dead else f"RD_{name} {t[0]} {t[1]} 1e9")
                if short:
                    out.append(f"RX_{name} {t[0]} {t[1]} 0.5")
            else:
                if not dead and dev in FETS:
                    out.append(f"J_{name} {t[0]} {t[1]} {t[2]} J{dev}")
                elif not dead:
                    out.append(f"Q_{name} {t[0]} {t[1]} {t[2]} Q{dev}")
                if short:
                    out.append(f"RX_{name} {t[0]} {t[2]} 1")
        elif dev == "TL072":
            q = lambda i: pins[str(i)]
            if dead:
                out.append(f"RD_{name} {q(8)} {q(4)} 4k")
                out += [f"RDO_{name}_{i} {q(i)} {q(4)} 1e6" for i in (1, 7)]
            else:
                out += [f"XA_{name} {q(3)} {q(2)} {q(1)} {q(8)} {q(4)} OPA", f"XB_{name} {q(5)} {q(6)} {q(7)} {q(8)} {q(4)} OPA"]
        else:
            raise ValueError(f"{name}: {kind or dev}")
        return out

    # ---- analyses ------------------------------------------------------------------------------
    def _run(self, analysis):
        with tempfile.TemporaryDirectory() as d:
            path = os.path.join(d, "u.cir")
            open(path, "w").write(self.netlist(analysis))
            r = subprocess.run(["ngspice", "-b", path], capture_output=True, text=True, timeout=300)
            return r.stdout + r.stderr

    def _sources(self, tone=False, ac=False):
        out = []
        for i, s in enumerate(self.board["supply"]):
            plus, minus = self._node(s["plus"]), self._node(s["minus"])
            volts = value(s["volts"])
            at = f"DC {volts} PULSE(0 {volts} 0 1m)"
            inner = 1.5 if s.get("source") == "battery" else 0.5
            if plus == "0":
                out += [f"VSUP{i} 0 sp{i} {at}", f"RSUP{i} sp{i} {minus} {inner}"]
            else:
                out += [f"VSUP{i} sp{i} {minus} {at}", f"RSUP{i} sp{i} {plus} {inner}"]
        sig = self._node(self.board["signal"]["in"])
        out += [f"VIN vi 0 DC 0 AC {1 if ac else 0}", f"RIN vi {sig} 1k"]
        return out

    def _solve_dc(self):
        if self._dc is None:
            nodes = [self._node(n) for n in self.nets() if self._node(n) != "0"]
            prints = "\n".join(f"print v({n})" for n in nodes)
            out = self._run(self._sources() + [".options gmin=1e-12 itl1=500", ".control", "optran 1 1 1 0 0 0", "op", prints] + [f"print i(vsup{i})" for i in range(len(self.board["supply"]))] + [".endc"])
            self._dc = {m[1].lower(): float(m[2]) for m in re.finditer(r"^(v\(\S+?\)|i\(vsup\d+\))\s*=\s*(\S+)", out, re.M)}
            self._dc_raw = out
        return self._dc

    def volts(self, net):
        if net == self.board["ground"]:
            return 0.0
        if net not in self._loaded:  # through a meter of 10 Mohm
            n = self._node(net)
            if self.swings:
                return self._over_time(net)
            out = self._run(self._sources() + [f"RMETER {n} 0 10e6", ".options gmin=1e-12 itl1=500", ".control", "optran 1 1 1 0 0 0", "op", f"print v({n})", ".endc"])
            m = re.search(r"^v\(\S+?\)\s*=\s*(\S+)", out, re.M)
            self._loaded[net] = float(m[1]) if m else self._solve_dc().get(f"v({n.lower()})")
        return self._loaded[net]

    def amps(self, name=None):
        names = [str(s["name"]) for s in self.board["supply"]]
        at = names.index(name) if name in names else 0
        if self.swings:
            out = self._run(self._sources() + [".options gmin=1e-12 itl1=500 method=gear", ".control", "tran 2m 10 0 5m", f"meas tran mean AVG i(vsup{at}) from=4 to=10", ".endc"])
            m = re.search(r"^mean\s*=\s*(\S+)", out, re.M)
            return -float(m[1]) if m else None
        i = self._solve_dc().get(f"i(vsup{at})")
        return None if i is None else -i

    def level_db(self, net):
        """dB of the net's 1 kHz tone against the injected level; small-signal, floor -120."""
        if self._ac is None and self.swings:
            self._ac = self._levels_over_time()
        if self._ac is None:
            nodes = [self._node(n) for n in self.nets() if self._node(n) != "0"]
            prints = "\n".join(f"print vdb({n})" for n in nodes)
            out = self._run(self._sources(ac=True) + [".options gmin=1e-12 itl1=500", ".control", "optran 1 1 1 0 0 0", "ac lin 1 1k 1k", prints, ".endc"])
            self._ac = {m[1].lower(): float(m[2]) for m in re.finditer(r"^vdb\((\S+?)\)\s*=\s*(\S+)", out, re.M)}
        if net == self.board["ground"]:
            return -120.0
        x = self._ac.get(self._node(net).lower())
        return None if x is None else max(-120.0, x)

    def ohms(self, net):
        """Net to ground with the power off, a 0.4 V test source behind 1 kohm (a typical meter's low-ohms range)."""
        if net == self.board["ground"]:
            return 0.0
        n = self._node(net)
        out = self._run([f"VT vt 0 DC 0.4", f"RT vt {n} 1k", ".options gmin=1e-12 itl1=500", ".control", "optran 1 1 1 0 0 0", "op", f"print v({n})", ".endc"])
        m = re.search(r"^v\(\S+?\)\s*=\s*(\S+)", out, re.M)
        if not m:
            return None
        v = float(m[1])
        i = (0.4 - v) / 1e3
        return math.inf if i < 4e-9 else v / i


if __name__ == "__main__":
    import sys
    u = Unit(sys.argv[1], [a for a in sys.argv[2:] if a != "--swings"], seed=1, swings="--swings" in sys.argv)
    for n in u.nets():
        print(f"{n:6} {u.volts(n)!s:>12.8} V   {u.level_db(n)!s:>8.6} dB {u.ohms(n):>12.5g} ohm {u.span.get(n, '')}")
    print("amps", [u.amps(str(s["name"])) for s in u.board["supply"]])
