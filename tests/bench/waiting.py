"""A journal that is full before the collector starts: made by the journal's own writer, of records as the wire topic makes them."""

import json
import multiprocessing
import os
import time
from pathlib import Path

from collector.journal import Journal, Row

_BATCH = 4000
BODY = (b'{"seq":%d,"id":"bench-%s-%d","time":"%s","kind":"measurement","site":"bench","port":"line%d","channel":"line%d",'
        b'"part":"housing-%d","characteristic":"bore","serial":"%06d","lot":"L77","operator":"anna","value":12.00912,"unit":"mm",'
        b'"deviation":0.00912,"nominal":12,"lower":12.000,"upper":12.018,"verdict":"pass","raw":"%06d +0.47280 in"}')


def fill(place: Path, count: int, delivered: str = "") -> None:
    """So many records in the state folder; with `delivered`, that output has taken them all.  Ends as by a kill."""
    making = multiprocessing.get_context("fork").Process(target=_make, args=(place / "state", count, delivered))
    making.start()
    making.join()
    assert making.exitcode == 0


def _make(state: Path, count: int, delivered: str) -> None:
    journal = Journal.open(state)
    for first in range(1, count + 1, _BATCH):
        now_us = time.time_ns() // 1000
        stamp = time.strftime("%Y-%m-%dT%H:%M:%S.000000Z", time.gmtime(now_us // 1_000_000)).encode()
        journal.append([row(seq, journal.name.encode(), now_us, stamp) for seq in range(first, min(first + _BATCH, count + 1))])
    if delivered:
        (state / "outputs").mkdir(mode=0o700)
        told = {"version": 1, "journal": journal.name, "delivered": count, "records": count}
        (state / "outputs" / f"{delivered}.cursor").write_text(json.dumps(told))
    os._exit(0)                                # the journal is not closed: the next to open it finds it as after a kill


def row(seq: int, name: bytes, now_us: int, stamp: bytes) -> Row:
    port, serial = seq % 64, seq // 64 % 1_000_000
    body = BODY % (seq, name, seq, stamp, port, port, port, serial, serial)
    return Row(seq, now_us, "measurement", f"line{port}", f"housing-{port}", "L77", body)
