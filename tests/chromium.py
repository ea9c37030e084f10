"""Headless Chromium, as a reader of our pages would have it: pictures of a page, and what is so inside it.

Knows: Debian's /usr/bin/chromium, how a page is asked things without a driver: by a script in a copy of it.
Must not know: what a page is about.
"""

import html
import json
import re
import subprocess
import tempfile
from functools import cache
from pathlib import Path
from typing import Any

import pytest

CHROMIUM = Path("/usr/bin/chromium")
_WITHIN_S = 120
_POLICY = re.compile(r"<meta\s[^>]*Content-Security-Policy[^>]*>", re.IGNORECASE)
_ANSWER = re.compile(r'<pre id="measured-answer"[^>]*>(.*?)</pre>', re.DOTALL)
_ASK = """
<pre id="measured-answer" style="display: none"></pre>
<script>
addEventListener("load", () => setTimeout(() => {
  const at = document.getElementById("measured-answer");
  try { at.textContent = JSON.stringify({size: [innerWidth, innerHeight], value: (0, eval)(%s)}); }
  catch (fault) { at.textContent = JSON.stringify({fault: String(fault)}); }
}, %d));
</script>
"""


def screenshot(page: Path, to: Path, width: int, height: int, dark: bool = False, after_ms: int = 0) -> None:
    """A picture (PNG) of the page as it is, `width` x `height` CSS pixels; `after_ms`: so much later, by virtual time.

    Skips the test where Chromium is not installed.
    """
    _run(page, width, height, dark, after_ms, f"--screenshot={to.absolute()}")
    assert to.is_file(), f"no picture of {page}"


def measured(page: Path, script: str, width: int = 1280, height: int = 800, dark: bool = False,
             after_ms: int = 0) -> Any:
    """The JSON value of a JavaScript expression (or of the last of some statements), worked out in a copy of the page.

    The copy lies elsewhere, has no Content-Security-Policy, and is `width` x `height` inside (500 wide at least).
    `after_ms`: so long after it was loaded, by virtual time.  Skips the test where Chromium is not installed.
    """
    text = _POLICY.sub("", page.read_text("utf-8"))
    quoted = json.dumps(script).replace("</", "<\\/").replace("<!--", "<\\!--")
    with tempfile.TemporaryDirectory() as folder:
        copy = Path(folder) / page.name
        copy.write_text(text + _ASK % (quoted, after_ms), "utf-8")
        beyond = _beyond()
        dumped = _run(copy, width + beyond[0], height + beyond[1], dark, after_ms + 100 if after_ms else 0,
                      "--dump-dom")
    found = _ANSWER.search(dumped)
    assert found and found[1], f"no answer from {page}"
    answer = json.loads(html.unescape(found[1]))
    assert "fault" not in answer, answer["fault"]
    assert answer["size"] == [width, height], f"the page was {answer['size']} inside"
    return answer.get("value")


def dom(page: Path, width: int = 1280, height: int = 800, dark: bool = False, after_ms: int = 0) -> str:
    """The page itself as its own scripts have made it, its policy in force; `after_ms`: later, by virtual time.

    Skips the test where Chromium is not installed.
    """
    beyond = _beyond()
    return _run(page, width + beyond[0], height + beyond[1], dark, after_ms, "--dump-dom")


@cache
def _beyond() -> tuple[int, int]:
    """How much wider and higher a window is than the page in it."""
    with tempfile.TemporaryDirectory() as folder:
        page = Path(folder) / "empty.html"
        page.write_text("<!doctype html><script>document.title = `${innerWidth} ${innerHeight}`</script>", "utf-8")
        found = re.search(r"<title>(\d+) (\d+)</title>", _run(page, 1280, 800, False, 0, "--dump-dom"))
    assert found, "Chromium does not run"
    return 1280 - int(found[1]), 800 - int(found[2])


def _run(page: Path, width: int, height: int, dark: bool, after_ms: int, what: str) -> str:
    if not CHROMIUM.exists():
        pytest.skip("Chromium is not installed")
    with tempfile.TemporaryDirectory(prefix="chromium") as profile:
        return subprocess.run(
            [CHROMIUM, "--headless", "--no-sandbox", "--disable-gpu", f"--user-data-dir={profile}", "--no-first-run",
             "--disable-background-networking", "--disable-component-update", "--disable-dev-shm-usage",
             "--hide-scrollbars", "--force-device-scale-factor=1", f"--window-size={width},{height}",
             f"--blink-settings=preferredColorScheme={0 if dark else 1}",       # what prefers-color-scheme says
             *([f"--virtual-time-budget={after_ms}"] if after_ms else []), what, page.absolute().as_uri()],
            capture_output=True, text=True, timeout=_WITHIN_S, check=True, cwd=profile).stdout


# What both scripts below use: every text that can be seen, as {node, element, text, boxes}.
_TEXTS = r"""
const texts = (() => {
  const found = [], walk = document.createTreeWalker(document.documentElement, NodeFilter.SHOW_TEXT);
  while (walk.nextNode()) {
    const node = walk.currentNode, element = node.parentElement;
    if (!node.data.trim() || element.closest("script, style, head, #measured-answer, defs, metadata")) continue;
    if (!element.checkVisibility({opacityProperty: true, visibilityProperty: true})) continue;
    const range = document.createRange();
    range.selectNodeContents(node);
    const boxes = element.ownerSVGElement ? [element.getBoundingClientRect()] : [...range.getClientRects()];
    const seen = boxes.filter(box => box.width > 1 && box.height > 1);
    if (seen.length) found.push({node, element, text: node.data.trim().slice(0, 60), boxes: seen});
  }
  return found;
})();
"""

# A list, one line each: texts that are cut, lie beside the page, or have a contrast below 4.5:1 (WCAG 2.2, 1.4.3).
FAULTS = _TEXTS + r"""
(() => {
  const faults = [], brush = Object.assign(document.createElement("canvas"), {width: 1, height: 1})
    .getContext("2d", {willReadFrequently: true});
  const rgba = colour => {
    brush.clearRect(0, 0, 1, 1);
    brush.fillStyle = colour;
    brush.fillRect(0, 0, 1, 1);
    const [r, g, b, a] = brush.getImageData(0, 0, 1, 1).data;
    return [r, g, b, a / 255];
  };
  const over = (top, below) => [0, 1, 2].map(i => top[i] * top[3] + below[i] * (1 - top[3])).concat(1);
  const light = ([r, g, b]) => [[r, 0.2126], [g, 0.7152], [b, 0.0722]].reduce((sum, [c, part]) =>
    sum + part * (c / 255 <= 0.04045 ? c / 255 / 12.92 : ((c / 255 + 0.055) / 1.055) ** 2.4), 0);
  const opacity = element => {
    let all = 1;
    for (let at = element; at; at = at.parentElement) all *= Number(getComputedStyle(at).opacity);
    return all;
  };
  const paint = element => {                                      // what an element lays under a text that is on it
    const style = getComputedStyle(element);
    if (element.ownerSVGElement && element.tagName !== "svg")
      return ["path", "rect", "circle", "ellipse", "polygon", "use"].includes(element.tagName) && style.fill !== "none"
        && !style.fill.startsWith("url") ? rgba(style.fill).map((v, i) => i < 3 ? v : v * style.fillOpacity)
        : [0, 0, 0, 0];
    return rgba(style.backgroundColor);
  };
  const ground = (element, box) => {
    const point = [box.left + box.width / 2, box.top + box.height / 2];
    let stack = document.elementsFromPoint(...point);
    const ancestors = [];
    for (let at = element; at; at = at.parentElement) ancestors.push(at);
    stack = stack.includes(element) ? stack.slice(stack.indexOf(element)) : ancestors;
    let colour = rgba(getComputedStyle(document.documentElement).colorScheme.includes("dark") &&
      matchMedia("(prefers-color-scheme: dark)").matches ? "rgb(18,18,18)" : "white");
    for (const at of stack.reverse()) {
      const laid = paint(at);
      colour = over([...laid.slice(0, 3), laid[3] * opacity(at)], colour);
    }
    return colour;
  };
  for (const {element, text, boxes} of texts) {
    const style = getComputedStyle(element);
    for (const box of boxes) {
      if (box.left + scrollX < -1 || box.right + scrollX > document.documentElement.clientWidth + 1)
        faults.push(`beside the page: ${text}`);
      for (let at = element; at && at !== document.documentElement; at = at.parentElement) {
        const {overflowX, overflowY, position} = getComputedStyle(at), edge = at.getBoundingClientRect();
        if (overflowX !== "visible" && !["auto", "scroll"].includes(overflowX) && getComputedStyle(at).display !==
            "inline" && (box.left < edge.left - 1 || box.right > edge.right + 1)) faults.push(`cut sideways: ${text}`);
        const slack = 0.25 * box.height;                          // a line's box is higher than what is inked of it
        if (overflowY !== "visible" && !["auto", "scroll"].includes(overflowY) && getComputedStyle(at).display !==
            "inline" && (box.top < edge.top - slack || box.bottom > edge.bottom + slack)) faults.push(`cut: ${text}`);
        if (position === "fixed") break;
      }
    }
    if (style.textOverflow === "ellipsis" && element.scrollWidth > element.clientWidth)
      faults.push(`cut by an ellipsis: ${text}`);
    element.scrollIntoView({block: "center", inline: "nearest"});
    const range = document.createRange();
    range.selectNodeContents(element);
    const box = element.ownerSVGElement ? element.getBoundingClientRect() : [...range.getClientRects()]
      .find(one => one.width > 1 && one.height > 1);
    const below = ground(element, box);
    let own = rgba(element.ownerSVGElement ? style.fill : style.color);
    own = over([...own.slice(0, 3), own[3] * opacity(element)], below);
    const [dim, bright] = [light(own), light(below)].sort((a, b) => a - b), ratio = (bright + 0.05) / (dim + 0.05);
    if (ratio < 4.5) faults.push(`contrast ${ratio.toFixed(2)}: ${text}`);
  }
  scrollTo(0, 0);
  return [...new Set(faults)];
})()
"""

# A list, one line each: pairs of texts that lie on one another.
OVERLAPS = _TEXTS + r"""
(() => {
  const faults = [], inked = texts.flatMap(({node, text, boxes}) => boxes.map(box => ({node, text, left: box.left + 1,
    right: box.right - 1, top: box.top + box.height / 5, bottom: box.bottom - box.height / 5})));
  inked.forEach((one, n) => inked.slice(n + 1).forEach(other => {
    if (one.node !== other.node && one.left < other.right && other.left < one.right && one.top < other.bottom &&
        other.top < one.bottom) faults.push(`${one.text} / ${other.text}`);
  }));
  return [...new Set(faults)];
})()
"""
