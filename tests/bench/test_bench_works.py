"""The benchmark runs and prints its table.  Nothing here is timed."""

import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).parent.parent.parent


def test_the_first_benchmark_prints_its_table():
    said = subprocess.run([sys.executable, "-m", "tests.bench.first", "--short"], cwd=ROOT, capture_output=True, text=True, timeout=120)
    assert said.returncode == 0, said.stderr
    assert [line.split("  ")[0] for line in said.stdout.splitlines()[1:]] == ["script, flush", "script, fsync", "collector, durable"]


def test_the_benchmark_of_the_measuring_prints_its_table():
    said = subprocess.run([sys.executable, "-m", "tests.bench.measuring", "--short"], cwd=ROOT, capture_output=True, text=True, timeout=120)
    assert said.returncode == 0, said.stderr
    assert [line.split("  ")[0] for line in said.stdout.splitlines()[1:]] == ["judged only", "masters, context, judge"]
