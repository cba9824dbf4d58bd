"""The reference board's netlist with faults in, for the scripts that run the reference simulator on it."""
import pathlib

DATA = pathlib.Path(__file__).resolve().parent.parent / "data" / "circuits"


def edited(lines, edits):
    """The netlist's lines with a fault's edits made (see tests/data/circuits/README.md)."""
    lines = list(lines)
    added = []

    def index(part):
        return next(i for i, line in enumerate(lines) if line.split()[0] == part)

    for number, edit in enumerate(edits):
        kind = edit[0]
        if kind == "bridge":
            added.append(f"Rbr{number} {edit[1]} {edit[2]} {edit[3]:g}")
            continue
        try:
            i = index(edit[1])
        except StopIteration:
            continue  # removed by the first fault of a pair
        words = lines[i].split()
        if kind == "value":
            words[3] = f"{edit[2]:g}"
        elif kind == "remove":
            lines.pop(i)
            continue
        elif kind == "pin":
            old, words[edit[2]] = words[edit[2]], f"x{number}n"
            added.append(f"Rpin{number} {old} x{number}n {edit[3]:g}")
        elif kind == "exchange":
            words[edit[2]], words[edit[3]] = words[edit[3]], words[edit[2]]
        lines[i] = " ".join(words)
    return lines + added


def decks():
    """(first line, cards of the main circuit, everything else) of the board."""
    text = [line for line in (DATA / "board.cir").read_text().splitlines() if line and not line.startswith("*")]
    cards, rest, inside = [], [], False
    for line in text:
        word = line.split()[0].lower()
        inside = inside or word == ".subckt"
        (rest if inside or word.startswith(".") else cards).append(line)
        inside = inside and word != ".ends"
    return cards, [line for line in rest if line.lower() != ".end"]
