"""The worker: what waits in the hand-over came before now."""

import json

from collector.clock import SystemClock
from collector.config.plan import read_plan
from collector.journal import Journal, JournalReader
from collector.record import Chunk
from collector.service.handover import HandOver
from collector.service.worker import Stop, Worker

CONFIG = """
site: s
ports: {p: {device: /dev/ttyS9, format: f, gap: 20 ms}}
formats: {f: {pattern: '^(?P<value>[+-]?\\d+\\.?\\d*)$', unit: mm}}
parts: {A: {bore: {channel: p, nominal: 12 mm, limits: {lower: 0 mm, upper: 0.018 mm}}}}
outputs: {o: {kind: csv, folder: /srv/x}}
"""


def test_a_backlog_of_gap_framed_readings_is_never_cut_where_a_batch_ends(tmp_path):
    (tmp_path / "c.yaml").write_text(CONFIG)
    handover, frames, ms = HandOver(), 40_000, 1_000_000
    for number in range(frames):                       # more than one batch, whose end falls between the two halves
        at = number * 50 * ms
        handover.put(Chunk("p", b"+1", at, at))
        handover.put(Chunk("p", b"2.018", at + ms, at + ms))
    handover.put(Stop())
    worker = Worker(read_plan(tmp_path / "c.yaml"), lambda: Journal.open(tmp_path / "state"), handover, SystemClock(),
                    lambda: None, lambda: 0, lambda source, mark: None)
    worker.run()
    assert worker.failure is None
    reader = JournalReader.open(tmp_path / "state")
    found = [json.loads(row.body) for row in reader.select(kinds=("measurement", "unread"))]
    reader.close()
    assert {(one["kind"], one["raw"]) for one in found[:-1]} == {("measurement", "+12.018")} and len(found) == frames
