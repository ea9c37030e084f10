"""A report in a browser: nothing cut, nothing pale, nothing on one another, at three sizes, dark and light; and printed.

`python -m tests.seen.test_report_seen PICTURE` makes the picture of the README (samples/report.png) anew.
"""

import json
import re
import subprocess
import sys
import tempfile
from pathlib import Path

import pytest
from PIL import Image

from tests.chromium import CHROMIUM, FAULTS, OVERLAPS, measured, screenshot
from tests.report_cell import CONFIG, housings

SIZES = ((1280, 800), (800, 1280), (520, 900))


def made(folder: Path, *words: str) -> Path:
    (folder / "cell.yaml").write_text(CONFIG)
    (folder / "inbox").mkdir(exist_ok=True)
    if not (folder / "state").exists():
        housings(folder / "state")
    subprocess.run([sys.executable, "-m", "collector", "report", folder / "cell.yaml", "--to", folder / "out", *words],
                   check=True, capture_output=True)
    return folder / "out/report.html"


@pytest.fixture(scope="module")
def page(tmp_path_factory):
    return made(tmp_path_factory.mktemp("lot"), "--lot", "L0417")


@pytest.mark.parametrize("dark", [False, True], ids=["light", "dark"])
@pytest.mark.parametrize("size", SIZES, ids=lambda size: f"{size[0]}x{size[1]}")
def test_every_text_can_be_read(page, size, dark):
    assert measured(page, f"[{', '.join(f'(0, eval)({json.dumps(one)})' for one in (FAULTS, OVERLAPS))}]", *size, dark) == [[], []]


def test_charts_lie_on_light_paper_in_the_dark_too(page):
    grounds = measured(page, "[...document.querySelectorAll('figure.paper svg')].map(one => getComputedStyle(one).backgroundColor)",
                       dark=True)
    assert len(grounds) == 11 and set(grounds) == {"rgb(255, 255, 255)"}
    assert measured(page, "getComputedStyle(document.querySelector('main')).backgroundColor", dark=True) == "rgb(21, 33, 37)"


def test_the_page_asks_for_nothing_from_elsewhere(page):
    assert measured(page, "[...document.querySelectorAll('[src], link')].length") == 0
    links = measured(page, "[...document.querySelectorAll('[href]')].map(one => one.getAttribute('href'))")
    assert links and all((page.parent / link).is_file() for link in links if not link.startswith("#"))
    assert measured(page, "performance.getEntriesByType('resource').length") == 0
    assert measured(page, "[...document.querySelectorAll('svg use')].filter(one => !document.querySelector("
                          "one.getAttribute('xlink:href'))).length") == 0


def test_a_picture_of_it_is_not_empty(page, tmp_path):
    screenshot(page, tmp_path / "page.png", 1280, 1600)
    with Image.open(tmp_path / "page.png") as picture:
        assert picture.size == (1280, 1600) and len(picture.convert("RGB").getcolors(1 << 24)) > 100


@pytest.mark.parametrize("words, pages", [(("--lot", "L0417"), range(9, 14)), (("--characteristic", "lower"), range(4, 6))])
def test_it_prints_each_characteristic_on_pages_of_its_own(page, tmp_path, words, pages):
    """A4: a first page, one or more for each characteristic, one for what happened."""
    if not CHROMIUM.exists():
        pytest.skip("Chromium is not installed")
    text = made(page.parent.parent, *words)
    pdf = printed(text, tmp_path)
    assert len(re.findall(rb"/Type\s*/Page\b", pdf)) in pages
    sizes = {tuple(round(float(one)) for one in box.split()) for box in re.findall(rb"/MediaBox\s*\[([^\]]*)\]", pdf)}
    assert len(sizes) == 1 and abs(next(iter(sizes))[2] - 595) <= 1 and abs(next(iter(sizes))[3] - 842) <= 1


def test_nothing_is_wider_than_a_sheet(page):
    """What is printed, laid out at the width of the sheet's inside: 184 mm are 695 pixels."""
    text = page.read_text("utf-8")
    printed_style = page.with_name("printed.html")
    printed_style.write_text(text.replace("@media print", "@media all").replace("@media screen", "@media speech"), "utf-8")
    assert measured(printed_style, FAULTS, 695, 1000) == []


def printed(page: Path, folder: Path) -> bytes:
    to = folder / "page.pdf"
    with tempfile.TemporaryDirectory() as profile:
        subprocess.run([CHROMIUM, "--headless", "--no-sandbox", "--disable-gpu", f"--user-data-dir={profile}", "--no-first-run",
                        "--no-pdf-header-footer", f"--print-to-pdf={to}", page.as_uri()], check=True, capture_output=True,
                       timeout=120)
    return to.read_bytes()


def picture(to: Path) -> None:
    """The head of the report and its first characteristic, in few colours."""
    with tempfile.TemporaryDirectory() as folder:
        page = made(Path(folder), "--lot", "L0417")
        screenshot(page, Path(folder) / "page.png", 1120, 1620)
        with Image.open(Path(folder) / "page.png") as found:
            found.convert("RGB").quantize(200, dither=Image.Dither.NONE).save(to, optimize=True)


if __name__ == "__main__":
    picture(Path(sys.argv[1]))
