"""Every topic of the benchmark runs in its short form and prints its figures; nothing is timed.

What is lost ends a topic with an error.
"""

import subprocess
import sys
from pathlib import Path

import pytest

from tests.bench import log_daemon, mqtt
from tests.bench.__main__ import TOPICS

ROOT = Path(__file__).parent.parent.parent
FIGURES = {"wire": 4, "ceiling": 6 if log_daemon.PROGRAM else 3, "delivered": 5, "mqtt": 2 if mqtt.BROKER else 1, "quiet": 5,
           "idle": 3, "start": 2, "growth": 1, "many": 1, "memory": 3, "catch_up": 3, "kills": 4, "slow_disk": 2}


def run(*words: str) -> subprocess.CompletedProcess:
    return subprocess.run([sys.executable, "-W", "error", "-m", *words, "--short"], cwd=ROOT, capture_output=True, text=True, timeout=60,
                          stdin=subprocess.DEVNULL)


@pytest.mark.parametrize("topic", TOPICS)
def test_a_topic_loses_nothing_and_prints_its_figures(topic):
    said = run("tests.bench", topic)
    assert said.returncode == 0, said.stderr
    rows = [[cell.strip() for cell in line.strip("|").split("|")] for line in said.stdout.splitlines()]
    assert rows[0] == ["what", "goal", "measured", "with"]
    assert len(rows) - 2 == FIGURES[topic] and all(len(row) == 4 and row[0] and row[2] for row in rows), said.stdout
    if topic != "mqtt" or mqtt.BROKER:
        assert "not measured" not in said.stdout


def test_a_topic_that_there_is_not_is_refused():
    said = run("tests.bench", "weather")
    assert said.returncode == 1 and "weather: no such topic" in said.stderr


def test_the_benchmark_of_the_measuring_prints_its_table():
    said = run("tests.bench.measuring")
    assert said.returncode == 0, said.stderr
    assert [line.split("  ")[0] for line in said.stdout.splitlines()[1:]] == ["judged only", "masters, context, judge"]
