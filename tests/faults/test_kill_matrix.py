"""SIGKILL at the n-th call of each kind of a whole collector and of each of its processes, and again while it recovers.

Each kill is followed by the next life, which is under the next kill: so each start is a recovery.  After each life all
that `Session.judge` knows must be so; at the end all that was kept is in both outputs.
"""

import random
import shutil
import time
from collections import Counter
from concurrent.futures import ProcessPoolExecutor
from itertools import zip_longest
from multiprocessing import get_context
from pathlib import Path

import pytest

from tests.faults.whole_session import CYCLES, TARGETS, Point, Session, points, was_killed

pytestmark = pytest.mark.skipif(shutil.which("strace") is None, reason="takes strace")

SEED, AT_ONCE, LIVES = 20261, 3, 12


def struck(folder: Path, seed: int, lives: list[tuple[Point, ...]], cycles: int, as_counted: bool) -> tuple[list[Point], str]:
    """One session, killed at these points in each life: which were hit, and what went wrong, or `""`."""
    session, hit, points = Session(folder, seed), [], ()
    session.cycles, session.as_counted = cycles, as_counted
    try:
        for points in lives:
            traces = [session.kill_at(point) for point in points]
            session.live(session.deliver if len(points) > 1 else None)
            hit += [point for point, trace in zip(points, traces) if was_killed(trace)]
        points = ()
        session.finish()
    except Exception as error:
        return hit, (f"seed {seed}, life {len(session.lives)}, at {points}, in {folder}: "
                     f"{type(error).__name__} {str(error)[:1500]}")
    finally:
        session.end()
    return hit, ""


def strike(folder: Path, lives: list[tuple[Point, ...]], each: int = LIVES,
           cycles: int = CYCLES, as_counted: bool = False) -> tuple[list[Point], list[str]]:
    """All of them, in sessions of so many lives each, some sessions at a time."""
    folder.mkdir(exist_ok=True)
    parts = [lives[at:at + each] for at in range(0, len(lives), each)]
    with ProcessPoolExecutor(AT_ONCE, get_context("fork")) as pool:      # a thread's fork would hold another's locks
        jobs = [(folder / f"s{at}", SEED + at, part, cycles, as_counted) for at, part in enumerate(parts)]
        found = list(pool.map(struck, *zip(*jobs)))
    return [point for hit, _ in found for point in hit], [said for _, said in found if said]


def told(kills: list[Point], hit: list[Point], began: float) -> str:
    by_target = ", ".join(f"{name} {count}" for name, count in sorted(Counter(point.target for point in hit).items()))
    return (f"{len(kills)} kills aimed at, {len(hit)} hit ({by_target}), "
            f"{time.monotonic() - began:.0f} s, seed {SEED}")


def spread(found: list[Point], most: int, dice: random.Random) -> list[Point]:
    """Some of each target and call, as evenly as may be."""
    groups: dict[tuple[str, str], list[Point]] = {}
    for point in dice.sample(found, len(found)):
        groups.setdefault((point.target, point.call), []).append(point)
    mixed = [point for row in zip_longest(*groups.values()) for point in row if point is not None]
    chosen = mixed[:most]
    dice.shuffle(chosen)
    return chosen


def test_killed_at_some_calls_it_loses_nothing_it_promised(tmp_path):
    began, dice = time.monotonic(), random.Random(SEED)
    found = points(tmp_path / "clean")
    kills = spread(found, 28, dice)
    hit, broken = strike(tmp_path, [(point,) for point in kills])
    print(f"{len(found)} calls in a clean life; {told(kills, hit, began)}")
    assert broken == []
    assert len(hit) > 0.6 * len(kills) and {point.target for point in hit} == {*TARGETS}


@pytest.mark.long
def test_killed_at_every_call_it_loses_nothing_it_promised(tmp_path):
    """What was not hit at first is tried in first lives, in which alone a journal is made; in longer ones, for how many
    calls a life has depends on how its lines fall into commits; and in first ones as slow as that in which the calls were
    counted, for who of two comes first makes calls that the other need not make.
    """
    began = time.monotonic()
    missed = found = points(tmp_path / "clean")
    hits: list[Point] = []
    ways = ((LIVES, CYCLES, False), (1, CYCLES, False), (1, 4 * CYCLES, False), *((1, CYCLES, True),) * 8)
    for again, (each, cycles, as_counted) in enumerate(ways):
        lives = [(point,) for point in random.Random(SEED).sample(missed, len(missed))]
        hit, broken = strike(tmp_path / str(again), lives, each, cycles, as_counted)
        assert broken == []
        hits += hit
        missed = [point for point in found if point not in hits]
        print(f"{len(lives)} aimed at in lives of {cycles} cycles, {each} a session{', as counted' * as_counted}: "
              f"{len(missed)} are left")
    print(f"{len(found)} calls in a clean life; {told(found, hits, began)}; never hit: {missed}")
    assert missed == []


@pytest.mark.long
def test_killed_again_while_it_recovers_it_loses_nothing_it_promised(tmp_path):
    """Pairs: a kill anywhere, then one among the first calls of what is begun next: of a child
    in the same life, else in the next life.
    """
    began, dice = time.monotonic(), random.Random(SEED)
    found = points(tmp_path / "clean")
    early = {target: [point for point in found if point.target == target and point.at <= 12] for target in TARGETS}
    lives: list[tuple[Point, ...]] = []
    for _ in range(120):
        first = dice.choice(found)
        if first.target in ("worker", "main"):
            lives += [(first,), (dice.choice(early[dice.choice([*TARGETS])]),)]
        else:
            lives.append((first, dice.choice(early[first.target])))
    hit, broken = strike(tmp_path, lives)
    print(f"pairs: {told([point for points in lives for point in points], hit, began)}")
    assert broken == []
