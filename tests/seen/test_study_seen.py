"""The pages of a study as Chromium shows them: nothing cut, nothing upon another, every text readable; three sizes, dark, light, print."""

import json
import re
from argparse import ArgumentParser
from decimal import Decimal
from pathlib import Path

import pytest

from collector.commands.study import add_arguments, run
from collector.record import detail, number
from tests.chromium import FAULTS, OVERLAPS, measured
from tests.pipeline.test_study import MASTER_CELL, check_standard, with_journal

ROOT = Path(__file__).parent.parent.parent
TALL = 9000                                            # so that nothing has to be scrolled to
VIEWS = [(500, True), (1280, False), (1920, True)]
BOTH = f"[(0, eval)({json.dumps(FAULTS)}), (0, eval)({json.dumps(OVERLAPS)})]"
LONG = ",".join([f"STUDY-{'X' * 40}-{number:02d}" for number in range(6)])


def study(folder: Path, *words: str) -> None:
    parser = ArgumentParser()
    add_arguments(parser)
    assert run(parser.parse_args([str(folder / "cell.yaml"), *words])) == 0


@pytest.fixture(scope="module")
def pages(tmp_path_factory):
    """Each kind of page, made by the real command."""
    folder = tmp_path_factory.mktemp("study")
    (folder / "cell.yaml").write_text(MASTER_CELL + "journal: {reserve: 100 kB}\n")

    class Cell:
        pass

    Cell.folder = folder
    with_journal(Cell, lambda numbering: [
        numbering.row("master", int(at.timestamp()) * 10**9, port="column", part="PH-200", characteristic="bore", unit="mm",
                      value=number(Decimal(value)), deviation=number(Decimal(value) - 96), nominal=number(Decimal(96)), verdict="pass",
                      detail=detail({"master": "WAFER"})) for at, value in check_standard()])
    study(folder, "read", str(ROOT / "samples/study-invented.csv"), "--of", "bore", "--to", str(folder / "study.html"))
    study(folder, "read", str(ROOT / "tests/data/msa-10x3x3.csv"), "--column", "operator=appraiser", "--to", str(folder / "published.html"))
    study(folder, "plan", "bore", "--seed", "7", "--operators", "anna,ben,carl", "--to", str(folder / "plan.json"))
    study(folder, "plan", "bore", "--seed", "7", "--parts", LONG, "--operators", "2", "--to", str(folder / "long-plan.json"))
    (folder / "long.csv").write_text("part,operator,value\n" + "".join(
        f"{part},{'Y' * 50}{who},12.00{(len(part) + at * 3 + who + trial) % 10}\n" for at, part in enumerate(LONG.split(",")) for who in range(3)
        for trial in range(2)))
    study(folder, "read", str(folder / "long.csv"), "--of", "bore", "--to", str(folder / "lengthy.html"))
    shown(Cell, folder)
    study(folder, "master", "bore", "--to", str(folder / "master.html"))
    study(folder, "drift", "bore", "--to", str(folder / "drift.html"))
    return folder


def shown(cell, folder: Path) -> None:
    """A study out of the journal with much that is odd."""
    study(folder, "plan", "bore", "--seed", "5", "--parts", "4", "--operators", "anna,ben", "--trials", "2", "--to", str(folder / "few.json"))
    said = [(run["serial"], run["operator"], ()) for run in json.loads((folder / "few.json").read_text())["runs"]]
    said[5:5] = [said[4], ("STUDY-01", "", ()), ("<b>H7</b>" + "W" * 50, "ben", ()), ("STUDY-02", "Ω" * 40, ("no-part",))]
    said[2] = (*said[2][:2], ("no-master-check", "overdue-master", "not-corrected"))
    with_journal(cell, lambda numbering: [
        numbering.row("measurement", 1_790_000_000_000_000_000 + at * 10**10, port="column", part="PH-200", characteristic="bore", unit="mm",
                      value=number(Decimal(f"12.00{ord(serial[-1]) % 9}{at % 7}")), serial=serial, operator=operator, flags=flags)
        for at, (serial, operator, flags) in enumerate(said)])
    study(folder, "show", str(folder / "few.json"), "--to", str(folder / "shown.html"))


PAGES = ("shown", "study", "published", "plan", "long-plan", "lengthy", "master", "drift")


@pytest.mark.parametrize(("width", "dark"), VIEWS)
@pytest.mark.parametrize("name", PAGES)
def test_nothing_is_cut_and_every_text_can_be_read(pages, name, width, dark):
    assert measured(pages / f"{name}.html", BOTH, width, TALL, dark) == [[], []]


@pytest.mark.parametrize("name", PAGES)
def test_what_is_printed_fits_the_sheet(pages, name):
    """The print styles, at the width of A4 without its margins."""
    text = (pages / f"{name}.html").read_text().replace("@media print", "@media all").replace("@media screen and", "@media not all and")
    page = pages / f"{name}-print.html"
    page.write_text(re.sub(r"@media \(prefers-color-scheme: dark\)", "@media not all", text))
    assert measured(page, BOTH, 695, TALL) == [[], []]


def test_a_page_asks_for_nothing_from_anywhere(pages):
    for name in ("study", "plan", "master"):
        text = (pages / f"{name}.html").read_text()
        assert not re.search(r"""(src|href)=["'](?!#)""", text) and "<script" not in text and "url(http" not in text
        assert json.dumps(measured(pages / f"{name}.html", "performance.getEntriesByType('resource').length")) == "0"
