"""The chart library leaves nothing in anybody's home, and says nothing where there is none."""

import os
import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).parent.parent.parent
CODE = """
import threading
class AtOnce(threading.Timer):
    def __init__(self, seconds, what):
        super().__init__(0, what)
threading.Timer = AtOnce                         # as where looking through the fonts takes longer than the library waits
from collector.pages.apart import keep_apart
keep_apart()
import os
from collector.pages.charts import drawing, paper, svg
with drawing():
    figure, axes = paper(300, 100)
    axes.plot([1, 2])
    assert "<svg" in svg(figure, "a chart", "in words")
assert os.listdir(os.environ["MPLCONFIGDIR"])
print(os.environ["MPLCONFIGDIR"])
"""


def drawn(**environment: str) -> str:
    said = subprocess.run([sys.executable, "-c", CODE], cwd=ROOT, capture_output=True, text=True,
                          env={"PATH": os.environ["PATH"], **environment}, check=True)
    assert said.stderr == ""
    return said.stdout.strip()


def test_nothing_is_written_into_a_home_and_nothing_is_left(tmp_path):
    (tmp_path / "home").mkdir()
    (tmp_path / "scratch").mkdir()
    folder = drawn(HOME=str(tmp_path / "home"), TMPDIR=str(tmp_path / "scratch"))
    assert folder.startswith(str(tmp_path / "scratch")) and not os.path.exists(folder)
    assert list((tmp_path / "home").iterdir()) == [] == list((tmp_path / "scratch").iterdir())


def test_a_folder_that_a_person_has_set_stays(tmp_path):
    assert drawn(HOME="/nonexistent", MPLCONFIGDIR=str(tmp_path)) == str(tmp_path)
    assert tmp_path.exists()
