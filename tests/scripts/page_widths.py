#!/usr/bin/env python3
"""Holds the HTML pages to the widths that they are read at: nothing may run over or be cut off.

Re-run, from the project's folder, with a chromium on the path (or CHROMIUM=PATH) and a debug build:
  cargo build && python3 tests/scripts/page_widths.py [CARD.yaml ... | BOARD.yaml ...]
Both copies of the summary of each card under cases/, the sheets for print of each board under cases/boards/ (or those of the cards
and boards named) and the report over all cases are shown at 360, 900 and 1,400 pixels, and as printed on A4 and Letter (the print
rules at the width of the paper less its margins). Pages that are there already are named as files that end in .html. Screenshots go to
target/pages/widths; PICTURES=NAME,NAME makes them of these pages alone. Exit code 1 when anything is wrong.
`tests/stories/pages.rs` runs it on all of them where there is a browser; HALFSPLIT names another build.

What counts as wrong: a page wider than its window; an element that ends right of the window, unless it lies in a box that can be
scrolled sideways; from 900 pixels on and in print also whatever needs that scrolling; a text cut off by its box; a short word
of a table that is broken in two; a text of a drawing that runs out of the drawing.
"""
import html
import json
import os
import re
import subprocess
import sys
from pathlib import Path

OUT = Path(os.environ.get("OUT", "target/pages/widths"))
TOOL = os.environ.get("HALFSPLIT", "target/debug/halfsplit")
# Templates other than the built-in ones.
TEMPLATES = ["--templates", os.environ["TEMPLATES"]] if "TEMPLATES" in os.environ else []
CHROMIUM = os.environ.get("CHROMIUM", "chromium")
SCREENS = [("phone", 360), ("laptop", 900), ("desk", 1400)]
# Paper less the 15 mm either side that the page asks for, at 96 dots an inch.
PAPERS = [("A4", round((210 - 30) / 25.4 * 96)), ("Letter", round((215.9 - 30) / 25.4 * 96))]

MEASURE = """
<script>
addEventListener('load', () => {
  const strict = %s, bad = [], wide = document.documentElement.clientWidth;
  const name = (e) => `${e.tagName.toLowerCase()}${e.className && e.className.baseVal === undefined ? '.' + e.className : ''}`
    + ` "${(e.textContent || '').trim().replace(/\\s+/g, ' ').slice(0, 50)}"`;
  if (document.documentElement.scrollWidth > wide) bad.push(`the page is ${document.documentElement.scrollWidth} pixels wide`);
  for (const e of document.querySelectorAll('body *')) {
    if (e.closest('svg') && e.tagName !== 'svg') continue;
    const box = e.getBoundingClientRect(), scroll = e.parentElement.closest('.scroll');
    if (box.width === 0) continue;
    if (!scroll && box.right > wide + 1) bad.push(`${name(e)} ends at ${Math.round(box.right)}`);
    if (strict && scroll && box.right > scroll.getBoundingClientRect().right + 1) {
      bad.push(`${name(e)} ends ${Math.round(box.right - scroll.getBoundingClientRect().right)} right of its box`);
    }
    const style = getComputedStyle(e);
    if (style.overflowX === 'hidden' && e.scrollWidth > e.clientWidth + 1) bad.push(`${name(e)} is cut off`);
    if (!e.matches('.scroll') && style.display !== 'inline' && style.overflowX === 'visible'
        && e.scrollWidth > e.clientWidth + 2 && e.clientWidth > 0 && !e.querySelector('.scroll') && !scroll) {
      bad.push(`${name(e)} holds ${e.scrollWidth} in ${e.clientWidth} pixels`);
    }
  }
  for (const cell of document.querySelectorAll('td, th')) {
    for (const text of cell.childNodes) {
      if (text.nodeType !== Node.TEXT_NODE) continue;
      for (const word of text.data.matchAll(/[A-Za-z0-9]{2,12}/g)) {
        const range = document.createRange();
        range.setStart(text, word.index);
        range.setEnd(text, word.index + word[0].length);
        if (new Set([...range.getClientRects()].map((r) => Math.round(r.top))).size > 1) bad.push(`"${word[0]}" is broken in two`);
      }
    }
  }
  for (const t of document.querySelectorAll('svg text')) {
    const b = t.getBBox(), v = t.ownerSVGElement.viewBox.baseVal;
    if (b.x < v.x - 0.5 || b.x + b.width > v.x + v.width + 0.5 || b.y + b.height > v.y + v.height + 0.5 || b.y < v.y - 0.5) {
      bad.push(`"${t.textContent}" runs out of its drawing (${Math.round(b.x)} to ${Math.round(b.x + b.width)} of ${v.width})`);
    }
  }
  parent.postMessage([location.search.slice(1), wide, [...new Set(bad)]], '*');
});
</script>
"""


# A window has a least width, a frame has none. What the frames send is put down under their numbers.
FRAMES = """<!DOCTYPE html><html><body style="margin:0">
<script>addEventListener('message', (e) => {
  const pre = document.createElement('pre');
  pre.className = 'measured';
  pre.textContent = JSON.stringify(e.data);
  document.body.append(pre);
});</script>
%s</body></html>"""
FRAME = '<iframe style="border:0;display:block;width:%dpx;height:%dpx" src="%s"></iframe>'
# Frames that are measured in one run of the browser.
AT_ONCE = 60


def chromium(*args):
    base = [CHROMIUM, "--headless", "--no-sandbox", "--disable-gpu", "--hide-scrollbars", "--force-device-scale-factor=1"]
    done = subprocess.run([*base, *args], capture_output=True, text=True, timeout=180)
    return done.stdout


def measured(runs):
    """Of each run (page, width, whether nothing may need scrolling, whether by the print rules): the width shown and what is wrong."""
    found = {}
    for start in range(0, len(runs), AT_ONCE):
        frames, probes = [], []
        for number, (page, width, strict, print_rules) in list(enumerate(runs))[start:start + AT_ONCE]:
            text = page.read_text()
            if print_rules:
                text = text.replace("@media print", "@media screen").replace("@media (max-width: 620px)", "@media (max-width: 1px)")
            probe = OUT / f"probe-{number}.html"
            probe.write_text(text.replace("</body>", MEASURE % ("true" if strict else "false") + "</body>"))
            probes.append(probe)
            frames.append(FRAME % (width, 1200, f"{probe.name}?{number}"))
        frame = OUT / "frames.html"
        frame.write_text(FRAMES % "\n".join(frames))
        dom = chromium("--allow-file-access-from-files", "--virtual-time-budget=10000", "--dump-dom", frame.resolve().as_uri())
        for text in re.findall(r'<pre class="measured">(.*?)</pre>', dom, re.S):
            number, shown, bad = json.loads(html.unescape(text))
            found[int(number)] = (shown, bad)
        for file in [frame, *probes]:
            file.unlink()
    return [found.get(number, (runs[number][1], ["could not be measured"])) for number in range(len(runs))]


def photographed(page, width):
    frame = OUT / "frame.html"
    frame.write_text(FRAMES % FRAME % (width, 3000, page.resolve().as_uri()))
    picture = (OUT / f"{page.stem}-{width}.png").resolve()
    chromium("--allow-file-access-from-files", f"--screenshot={picture}", f"--window-size={max(width, 500)},3000",
             frame.resolve().as_uri())
    frame.unlink()


def pages(files):
    OUT.mkdir(parents=True, exist_ok=True)
    yield from (Path(f) for f in files if f.endswith(".html"))
    files = [f for f in files if not f.endswith(".html")]
    boards = [f for f in files if Path(f).read_text().lstrip().startswith("board:")]
    cards = [f for f in files if f not in boards]
    for board in boards:
        for sheet in ["blank", "wiring"]:
            file = OUT / f"{Path(board).stem}-{sheet}.html"
            file.unlink(missing_ok=True)
            subprocess.run([TOOL, "sheet", board, f"--{sheet}", "--format", "html", "-o", str(file)], check=True,
                           stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
            yield file
    for card in cards:
        for who in ["customer", "bench"]:
            file = OUT / f"{Path(card).stem}-{who}.html"
            file.unlink(missing_ok=True)
            subprocess.run([TOOL, "summary", card, "--for", who, "--format", "html", "-o", str(file), "--config",
                            "cases/shops/lamplight-bench.yaml", *TEMPLATES], check=True, stdout=subprocess.DEVNULL,
                           stderr=subprocess.DEVNULL)
            yield file
    if len(cards) > 1:
        file = OUT / "report.html"
        file.unlink(missing_ok=True)
        subprocess.run([TOOL, "cases", "report", "cases/", "--format", "html", "-o", str(file)], check=True,
                       stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
        yield file


def main():
    all_of = lambda pattern: sorted(str(p) for p in Path("cases").glob(pattern))
    files = sys.argv[1:] or all_of("*.yaml") + all_of("boards/*.yaml")
    made = list(pages(files))
    kinds = [(n, w, w >= 900, False) for n, w in SCREENS] + [(n, w, True, True) for n, w in PAPERS]
    runs = [(page, width, strict, print_rules) for page in made for _, width, strict, print_rules in kinds]
    results = iter(measured(runs))
    wrong = 0
    for page in made:
        line = [page.stem.ljust(34)]
        for name, *_ in kinds:
            shown, bad = next(results)
            line.append(f"{name} {shown}")
            for what in bad:
                wrong += 1
                print(f"  WRONG {page.stem} {name}: {what}")
        print("  ".join(line), flush=True)
        if page.stem in os.environ.get("PICTURES", page.stem).split(","):
            for _, width in SCREENS:
                photographed(page, width)
    print(f"{len(made)} pages: {wrong} wrong" if wrong else f"{len(made)} pages: nothing wrong")
    sys.exit(1 if wrong else 0)


if __name__ == "__main__":
    main()
