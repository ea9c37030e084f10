"""Wire speed against figures computed outside the project.

Source: tests/data/uart-timing.csv, bits per character = 1 start + data + parity (0 or 1) + stop, characters per second
= baud / bits, for 1200 to 115200 baud and nine character formats; every row computed from that rule.
"""

import csv
from pathlib import Path

import pytest

from collector.config.models import character
from collector.simulator.pace import Pacer, bits_per_char, char_time_ns

with open(Path(__file__).parent.parent / "data" / "uart-timing.csv", encoding="utf-8", newline="") as file:
    ROWS = list(csv.DictReader(file))


@pytest.mark.parametrize("row", ROWS, ids=lambda row: f"{row['baud']}-{row['framing']}")
def test_a_character_takes_as_long_as_its_bits(row):
    baud, one = int(row["baud"]), character(row["framing"])
    assert bits_per_char(one) == int(row["bits_per_char"])
    assert abs(char_time_ns(baud, one) / 1e6 - float(row["ms_per_char"])) <= 0.00005
    assert abs(1e9 / char_time_ns(baud, one) - float(row["chars_per_s"])) <= 0.001 * float(row["chars_per_s"])


@pytest.mark.parametrize("row", ROWS, ids=lambda row: f"{row['baud']}-{row['framing']}")
def test_sixteen_characters_leave_the_line_after_sixteen_times_as_long(row):
    pacer = Pacer(int(row["baud"]), character(row["framing"]))
    pacer.put(bytes(16), 0, 0)
    assert abs(pacer.free_ns / 1e6 - float(row["ms_per_16_char_message"])) <= 0.0006
    assert len(pacer.take(pacer.free_ns - 1)) == 15
    assert len(pacer.take(pacer.free_ns)) == 1


def test_every_row_was_looked_at():
    assert len(ROWS) == 8 * 9
