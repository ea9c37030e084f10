"""What the measuring costs: a reading through masters, context and judge beside one that is only judged, in one run.

    .venv/bin/python -m tests.bench.measuring [--short] [--before CHECKOUT]

In one process, no disk and no threads: bytes to records as the worker makes them, what is to be remembered included.
Microseconds a reading, medians of rounds that take turns.  `--before` runs the plain one in another checkout too, such as
one of an earlier commit, in a process of its own, in the same run.
"""

import os
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from collector.config.plan import read_plan
from collector.record import Chunk
from collector.service.numbering import Numbering
from collector.service.pipeline import Pipeline
from collector.service.tally import Tally

ROUNDS, CHUNKS, LINES = (2, 5, 20) if "--short" in sys.argv else (9, 100, 100)
AT_NS = 1_790_000_000_000_000_000
PLAIN = """
site: bench
ports: {line: {device: /dev/ttyS9, format: line}}
formats: {line: {pattern: '^(?P<value>[+-]?\\d+\\.\\d+) (?P<unit>mm)( (?P<kind>RING))?$', unit: mm, kinds: {RING: master}}}
parts: {housing: {bore: {channel: line, nominal: 12 mm, limits: {lower: 0 mm, upper: 0.018 mm}}}}
outputs: {mes: {kind: jsonl, folder: /tmp}}
"""
WHOLE = """
site: bench
ports: {line: {device: /dev/ttyS9, format: line}, scanner: {device: /dev/ttyS8, format: label}}
formats:
  line: {pattern: '^(?P<value>[+-]?\\d+\\.\\d+) (?P<unit>mm)( (?P<kind>RING))?$', unit: mm, kinds: {RING: master}}
  label: {pattern: '^P(?P<part>\\S+) S(?P<serial>\\S+) L(?P<lot>\\S+)$'}
parts:
  housing: {bore: {channel: line, nominal: 12 mm, limits: {lower: 0 mm, upper: 0.018 mm},
                   masters: [{name: ring, size: 12 mm, within: 2 um, every: 8 h, parts: 100000000}]}}
  cover: {bore: {channel: line, nominal: 14 mm, tolerance: H7}}
context: {labels: {port: scanner}}
outputs: {mes: {kind: jsonl, folder: /tmp}}
"""


class Subject:
    """The stages of one configuration, fed as the worker feeds them."""

    def __init__(self, text: str):
        with tempfile.TemporaryDirectory() as name:
            (Path(name) / "bench.yaml").write_text(text)
            plan = read_plan(Path(name) / "bench.yaml")
        numbering = Numbering("bench", "BENCH000", 1)
        forms = getattr(numbering, "forms", None)      # a checkout from before there were any
        self.whole = forms.whole if forms is not None else lambda row: row
        try:
            from collector.service.cell import Cell
            from collector.service.memory import Memory
            shared = Cell(plan, numbering, Memory({}))
            self.changed = shared.changed
        except ImportError:                            # a checkout from before there was anything to remember
            shared, self.changed = numbering, dict
        self.pipelines = {port: Pipeline(one, shared, Tally("bench")) for port, one in plan.ports.items()}
        self.at_ns = AT_NS
        if "scanner" in self.pipelines:
            self.pipelines["scanner"].feed(Chunk("scanner", b"Phousing S0001 L77\r", self.at_ns, 0))
        self.rows = self.pipelines["line"].feed(Chunk("line", b"12.0001 mm RING\r", self.at_ns, 0))

    def round(self) -> float:
        """Microseconds a reading, over one round."""
        begun = time.perf_counter()
        for _ in range(CHUNKS):
            self.at_ns += 10_000_000
            self.rows = self.pipelines["line"].feed(Chunk("line", b"+12.0123 mm\r\n" * LINES, self.at_ns, self.at_ns - AT_NS))
            self.changed()
        body = self.whole(self.rows[-1]).body
        assert len(self.rows) == LINES and b'"verdict":"pass"' in body and b"flags" not in body
        return (time.perf_counter() - begun) / CHUNKS / LINES * 1e6


def before(checkout: str) -> float:
    words = [sys.executable, __file__, "--plain", *(word for word in sys.argv if word == "--short")]
    return float(subprocess.run(words, env={**os.environ, "PYTHONPATH": checkout}, cwd=checkout, capture_output=True, text=True,
                                check=True).stdout)


def main() -> None:
    if "--plain" in sys.argv:
        subject = Subject(PLAIN)
        print(statistics.median(subject.round() for _ in range(ROUNDS)))
        return
    plain, whole = Subject(PLAIN), Subject(WHOLE)
    rows = {"judged only": [], "masters, context, judge": []}
    if "--before" in sys.argv:
        rows["before"] = []
    for _ in range(ROUNDS):
        rows["judged only"].append(plain.round())
        rows["masters, context, judge"].append(whole.round())
        if "before" in rows:
            rows["before"].append(before(sys.argv[sys.argv.index("--before") + 1]))
    ours = statistics.median(rows["masters, context, judge"])
    print(f"{'':26} {'µs a reading':>13} {'the whole is':>13}")
    for name, found in rows.items():
        print(f"{name:26} {statistics.median(found):13.2f} {ours / statistics.median(found):11.2f} x")


if __name__ == "__main__":
    main()
