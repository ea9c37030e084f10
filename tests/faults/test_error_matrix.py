"""An error at the n-th call of an output's process, of the orders' process, of the daemon's files: once, or lasting.

Nothing is lost, nothing comes twice, no process crashes or is begun again and again, and what waited is handed over
within 10 s of the error's end.  (The journal's own files: `test_journal_bad_luck`.)
"""

import os
import random
import shutil
import signal
import time
from collections import Counter
from concurrent.futures import ProcessPoolExecutor
from multiprocessing import get_context
from pathlib import Path
from typing import NamedTuple

import pytest

from tests.conftest import wait_for
from tests.faults.test_kill_matrix import spread
from tests.faults.whole_session import Point, Session, points, was_injected

pytestmark = pytest.mark.skipif(shutil.which("strace") is None, reason="takes strace")

SEED, AT_ONCE, LIVES, WITHIN_S, MOST_STARTS = 20261, 4, 8, 10.0, 3
ERRORS = ("EIO", "ENOSPC", "EDQUOT", "EACCES", "EROFS", "ESTALE", "ENOENT", "EMFILE")
SHORT = "short write"
STATUS = ("status.json", ".status.json.next", "lock")


class Fault(NamedTuple):
    point: Point
    error: str
    lasting: bool


class Told(NamedTuple):
    """Which were hit, the longest recovery, the most that processes were begun again in one life, what went wrong.

    `crashes`: processes that ended by an exception that nobody expected.
    """

    hit: list[Fault]
    seconds: float
    starts: int
    wrong: str
    crashes: int


def put(session: Session, fault: Fault) -> Path:
    point = fault.point
    if fault.error == SHORT:
        return session.put(point.target, [], point.at)
    when = f"{point.at}+" if fault.lasting else f"{point.at}"
    names = STATUS if point.target == "main" else ()
    only = [word for name in names for word in ("-P", str(session.cell.folder / "state" / name))]
    inject = f"inject={point.call}:error={fault.error}:when={when}"
    return session.put(point.target, [*only, "-e", f"trace={point.call}", "-e", inject])


def end_of(trace: Path) -> None:
    """The error ends: strace lets go."""
    pid = trace.with_suffix(".pid")
    if pid.exists():
        try:
            os.kill(int(pid.read_text()), signal.SIGTERM)
        except ProcessLookupError:
            pass                                           # it ended with its process


def struck(folder: Path, seed: int, faults: list[Fault]) -> Told:
    """One session, a fault in each life."""
    session, hit, longest, most, fault = Session(folder, seed), [], 0.0, 0, None
    try:
        for fault in faults:
            trace, began_with = put(session, fault), starts(session)

            def recover(trace: Path = trace, fault: Fault = fault) -> None:
                nonlocal longest
                if session.cell.daemon.poll() is not None:
                    return                                 # it can't be begun without its lock: said, and ended with 74
                if fault.lasting:
                    time.sleep(1.5)                        # so long the error lasts
                    end_of(trace)
                began, late = time.monotonic(), session.behind()
                while late and time.monotonic() < began + WITHIN_S:
                    time.sleep(0.02)
                    late = session.behind()
                longest = max(longest, time.monotonic() - began)
                assert late == [], f"not within {WITHIN_S} s: {late}; {session.cell.status()}"

            session.live(recover)
            most = max(most, starts(session) - began_with)
            if was_injected(trace):
                hit.append(fault)
        fault = None
        session.finish()
    except Exception as error:
        return Told(hit, longest, most, f"seed {seed}, life {len(session.lives)}, at {fault}, in {folder}: "
                                        f"{type(error).__name__} {str(error)[:1500]}", crashes(session))
    finally:
        session.end()
    return Told(hit, longest, most, "", crashes(session))


def starts(session: Session) -> int:
    """How often a child has ended on its own so far."""
    lines = session.cell.log.read_bytes().splitlines() if session.cell.log.exists() else []
    return sum(b'"output-ended"' in line or b'"orders-ended"' in line for line in lines)


def crashes(session: Session) -> int:
    lines = session.cell.log.read_bytes().splitlines()
    return sum(b'"output-ended"' in line and b'"code": 1,' in line or b"has ended with code 1" in line for line in lines)


def strike(folder: Path, faults: list[Fault]) -> list[Told]:
    parts = [faults[at:at + LIVES] for at in range(0, len(faults), LIVES)]
    with ProcessPoolExecutor(AT_ONCE, get_context("fork")) as pool:
        return list(pool.map(struck, *zip(*((folder / f"s{at}", SEED + at, part) for at, part in enumerate(parts)))))


def aimed(found: list[Point], dice: random.Random) -> list[Fault]:
    """Each point with an error that goes with it; each third one lasts, but of the status file, by which the session itself
    sees what is open."""
    faults = []
    for point in found:
        known = ERRORS if point.call in ("openat", "mkdir") else ERRORS[:-2]
        error = dice.choice((*known, SHORT, SHORT)) if point.call == "write" else dice.choice(known)
        faults.append(Fault(point, error, dice.random() < 0.33 and error != SHORT and point.target != "main"))
    return faults


def judged(faults: list[Fault], told: list[Told], began: float) -> int:
    hit = [fault for one in told for fault in one.hit]
    print(f"{len(faults)} errors aimed at, {len(hit)} hit, {sum(fault.lasting for fault in hit)} of them lasting, "
          f"{sum(fault.error == SHORT for fault in hit)} short writes; "
          f"longest recovery {max(one.seconds for one in told):.1f} s, "
          f"most restarts in a life {max(one.starts for one in told)}, crashes {sum(one.crashes for one in told)}; "
          f"{time.monotonic() - began:.0f} s, seed {SEED}")
    assert [one.wrong for one in told if one.wrong] == []
    assert max(one.starts for one in told) <= MOST_STARTS
    return len(hit)


def points_of_files(folder: Path) -> list[Point]:
    """Those about the cell's own files, without the worker's journal; the daemon's are counted by themselves."""
    found = [point for point in points(folder) if point.target not in ("worker", "commit") and point.file]
    counts: Counter = Counter()
    for place, point in enumerate(found):
        if point.target == "main" and point.file in STATUS:
            counts[point.call] += 1
            found[place] = point._replace(at=counts[point.call])
    return [point for point in found if point.target != "main" or point.file in STATUS]


def test_errors_at_some_calls_cost_nothing_and_are_over_soon(tmp_path):
    began, dice = time.monotonic(), random.Random(SEED)
    faults = aimed(spread(points_of_files(tmp_path / "clean"), 16, dice), dice)
    hit = judged(faults, strike(tmp_path, faults), began)
    assert hit > 0.6 * len(faults)


def test_a_log_that_cant_be_written_stops_nothing(tmp_path):
    session = Session(tmp_path / "s", SEED)
    with open("/dev/full", "wb") as full:
        session.start(full)
        try:
            assert session.opened()
            session.send()
            wait_for(lambda: session.behind() == [], "what was sent in both outputs")
        finally:
            session.end()


@pytest.mark.long
def test_errors_at_every_call_cost_nothing_and_are_over_soon(tmp_path):
    began, dice = time.monotonic(), random.Random(SEED)
    found = points_of_files(tmp_path / "clean")
    faults = aimed(dice.sample(found, len(found)), dice)
    told = strike(tmp_path, faults)
    hit = judged(faults, told, began)
    assert hit > 0.8 * len(faults)
    assert sum(one.crashes for one in told) == 0
