"""The board as its readers see it, in a real browser: three sizes, light and dark, old and new, with nasty texts."""

import json
import re
import threading

import pytest

from tests.chromium import FAULTS, OVERLAPS, dom, measured
from tests.seen.board_cells import SIZES, all_states, many, pump_cell, written
from tests.unit.test_board import NASTY, dressed

CELLS = {"six": pump_cell, "every-state": all_states, "one": lambda folder: many(1, folder),
         "twenty-four": lambda folder: many(24, folder)}
_CUT = ("[...document.querySelectorAll('.tile, .paper, .strip, footer, header')]"
        ".filter(one => one.scrollHeight > one.clientHeight + 1 || one.scrollWidth > one.clientWidth + 1)"
        ".map(one => one.className.baseVal ?? `${one.tagName} ${one.className}`)")
_WHOLE = "[document.documentElement.scrollHeight, matchMedia('(prefers-color-scheme: dark)').matches]"


@pytest.mark.parametrize("width, height, dark", [
    *((*size, False) for size in SIZES), (*SIZES[0], True), *(pytest.param(*size, True, marks=pytest.mark.long) for size in SIZES[1:])])
@pytest.mark.parametrize("made", CELLS)
def test_all_of_a_board_can_be_read_on_one_screen(tmp_path, made, width, height, dark):
    file = written(CELLS[made](tmp_path), tmp_path / "board.html")
    asked = ", ".join(f"eval({json.dumps(script)})" for script in (FAULTS, OVERLAPS, _CUT, _WHOLE))
    faults, overlaps, cut, whole = measured(file, f"[{asked}]", width, height, dark)
    assert (faults, overlaps, cut, whole) == ([], [], [], [height, dark])


def test_nasty_texts_of_the_wire_run_nothing_and_become_no_element(tmp_path):
    script = "[document.title, document.querySelectorAll(':not(.coming, .shown)').length, window.ran ?? '']"     # but its own frame
    tame = measured(written(dressed("x" * 40, tmp_path), tmp_path / "tame.html"), script)
    for at, text in enumerate(one for one in NASTY if one != "\ud800"):
        page = written(dressed((text + "x" * 40)[:max(40, len(text))], tmp_path), tmp_path / f"{at}.html")
        assert measured(page, script) == tame, text


def test_nasty_texts_are_cut_nowhere(tmp_path):
    for text in ("W" * 500, "<script>document.title='ran'</script>"):
        file = written(dressed(text, tmp_path), tmp_path / "board.html")
        assert measured(file, FAULTS, 1280, 800) == []


def test_a_script_that_is_not_the_boards_own_is_stopped_by_its_policy(tmp_path):
    file = written(pump_cell(tmp_path), tmp_path / "board.html")
    foreign = ("<script>document.documentElement.dataset.foreign = 'ran'</script>"
               "<img src=x onerror=\"this.id='ran'\"></body>")
    text = file.read_text("utf-8").replace("</body>", foreign)
    file.write_text(text, "utf-8")
    found = dom(file)
    assert 'data-foreign="ran"' not in found and 'id="ran"' not in found
    assert 'data-state="fresh"' in found                           # its own has run
    file.write_text(re.sub("<meta http-equiv=.Content-Security-Policy[^>]*>", "", text), "utf-8")
    assert 'data-foreign="ran"' in dom(file)                       # the negative control


def test_the_page_asks_nothing_of_any_network(tmp_path):
    for made in CELLS.values():
        text = written(made(tmp_path), tmp_path / "board.html").read_text("utf-8")
        assert not re.search(r"https?:|url\(|@import|\bsrc=|\bhref=|//[a-z]", re.sub(r"(?m)^\s*//.*$", "", text))


def test_a_page_that_is_not_renewed_says_that_it_is_old(tmp_path):
    file = written(pump_cell(tmp_path), tmp_path / "board.html", stale_ms=15_000)
    assert 'data-state="fresh"' in dom(file, after_ms=1000)        # a loaded machine takes its time to begin
    found = dom(file, after_ms=40_000)
    assert 'data-state="old"' in found and re.search(r'<div id="old" role="alert">', found)


def test_a_page_that_is_renewed_is_shown_anew_and_is_not_old_whatever_the_readers_clock_says(tmp_path):
    board, file, is_over = pump_cell(tmp_path), tmp_path / "board.html", threading.Event()
    written(board, file, 3000, "s-0", ago_ms=86_400_000)           # as if the reader's clock were a day ahead

    def renew() -> None:
        at = 0
        while not is_over.wait(0.02):
            at += 1
            written(board, tmp_path / "next", 3000, f"s-{at}", ago_ms=86_400_000).replace(file)

    renewing = threading.Thread(target=renew)
    assert 'data-state="old"' in dom(file)                         # at first it can't know
    renewing.start()
    try:
        found = dom(file, after_ms=9000)
    finally:
        is_over.set()
        renewing.join()
    assert 'data-state="fresh"' in found and '<div id="old" role="alert" hidden' in found
    own, seen = re.search(r'data-stamp="(s-\d+)"', found)[1], re.search(r'data-seen="(s-\d+)"', found)[1]
    assert own != seen and found.count("<iframe") <= 2


def test_a_page_whose_file_goes_away_and_comes_back_needs_nobody(tmp_path):
    """It looks for the file in a frame: an error page there is never what is seen."""
    board, file = pump_cell(tmp_path), tmp_path / "board.html"
    written(board, file, 3000)
    text = file.read_text("utf-8").replace("</body>", "").replace("?${++round}", "/gone?${++round}")
    file.write_text(text, "utf-8")
    found = dom(file, after_ms=9000)
    assert "upper bore" in found and 'class="shown"' not in found
