"""The journal under bad luck: the power goes, the disk fails or fills, the process is killed, at every step.

What is promised is what the process said: after `kept FIRST LAST` these rows must be there, once and in order, whatever
came then.  Faults are put into SQLite's own calls by strace.
"""

import json
import random
import shutil
from concurrent.futures import ThreadPoolExecutor
from contextlib import suppress
from pathlib import Path

import pytest

from collector.errors import JournalFailed
from collector.journal import Journal, JournalReader, open_salvage, set_aside
from tests.faults.journal_session import SHORT_LOG
from tests.faults.power_cut import ALL, EVERY_OTHER, HALF, NONE, Disk, calls, path_of, said, traced

pytestmark = pytest.mark.skipif(shutil.which("strace") is None, reason="takes strace")

SYNCS, WRITES, NAMES = "fdatasync", "pwrite64", "rename"
HOW = [pytest.param((), id="plain"), pytest.param((SHORT_LOG,), id=SHORT_LOG)]
WAYS = NONE, ALL, EVERY_OTHER, HALF
TRIMMED = 2                                                    # seqs through this may be gone: every output has them


class Broken(AssertionError):
    """A promise was not kept."""


def check(folder: Path, promised: list[str]) -> None:
    """Open it as the next start would, go on, and find all that was promised.  Raises Broken."""
    last = max((int(line.split()[2]) for line in promised if line.startswith("kept")), default=0)
    names = [line.split()[1] for line in promised if line.startswith("name")]
    journal = Journal.open(folder, keep_after=TRIMMED, seen=0)
    told = [one for one in journal.renewed if one.lost.count]
    reader = JournalReader.open(folder)
    told_by = [json.loads(row.body) for row in reader.select(part="housing")]
    found = [one["seq"] for one in told_by]
    reader.close()
    journal.close()
    if [one for one in told_by if one.get("form", "").rstrip(".") != (one["raw"] if "form" in one else "")]:
        raise Broken("a row is filled into the form of another")
    if names and journal.name != names[0]:
        raise Broken(f"another journal: {journal.name}, not {names[0]}")
    if found != list(range(found[0], found[-1] + 1)) if found else last > TRIMMED:
        raise Broken(f"not without gaps: {found}; promised through {last}")
    if found and (found[0] > TRIMMED + 1 or found[-1] < last):
        raise Broken(f"{found[0]} to {found[-1]} are there; promised through {last}")
    if journal.next_seq <= last or told:
        raise Broken(f"next is {journal.next_seq}, told is {told}")


def cuts(folder: Path, trace: Path, place: Path, each_way: bool, behind_a_failure: bool = False) -> tuple[int, list[str]]:
    """Cut the power behind each call of the trace, in each way or in one drawn by lot: how many cuts, and which promises
    were broken.

    `behind_a_failure`: not before the first sync that failed.
    """
    disk, promised, broken, count, waits = Disk(folder), [], [], 0, behind_a_failure
    dice = random.Random(4)
    for number, call in enumerate(calls(trace)):
        waits = waits and not (call.name == SYNCS and call.result < 0)
        if words := said(call):
            promised.append(words)
        disk.take(call)
        if waits or not (call.name in ("pwrite64", "ftruncate", "fsync", "fdatasync", "rename", "unlink") or words):
            continue
        for way in WAYS if each_way else [dice.choice(WAYS)]:
            here = place / f"{number}-{way.replace(' ', '-')}"
            here.mkdir()
            disk.after_the_cut(here, way)
            count += 1
            try:
                check(here, promised)
            except Exception as error:
                broken.append(f"behind call {number} ({call.name}), {way}: {error!r}")
            shutil.rmtree(here)
    return count, broken


# --- the power goes


@pytest.fixture
def each_way(request) -> bool:
    return request.config.getoption("--long")


@pytest.mark.parametrize("how", HOW)
def test_the_power_may_go_at_any_moment(tmp_path, each_way, how):
    done = traced(tmp_path / "state", tmp_path / "trace", *how)
    assert done.stdout.splitlines()[-1:] == ["closed"], done.stderr
    count, broken = cuts(tmp_path / "state", tmp_path / "trace", tmp_path, each_way)
    assert broken == [] and count > (300 if each_way else 75)


@pytest.mark.parametrize("how", ["synchronous=OFF", "synchronous=NORMAL"])
def test_a_journal_that_does_not_sync_is_found_out(tmp_path, each_way, how):
    """The negative control: this bench can see a loss."""
    traced(tmp_path / "state", tmp_path / "trace", how)
    assert any("promised" in one for one in cuts(tmp_path / "state", tmp_path / "trace", tmp_path, each_way)[1])


def syncs_of_a_session(tmp_path: Path) -> int:
    traced(tmp_path / "counted", tmp_path / "counted-trace")
    return sum(call.name == SYNCS for call in calls(tmp_path / "counted-trace"))


def a_sync_fails_then_the_power_goes(tmp_path: Path, at: int) -> list[str]:
    place = tmp_path / f"sync-{at}"
    place.mkdir()
    traced(place / "state", place / "trace", faults=(f"{SYNCS}:error=EIO:when={at}",))
    return [f"sync {at}: {one}" for one in cuts(place / "state", place / "trace", place, True, True)[1]]


def test_after_a_sync_that_failed_the_power_may_go_at_any_moment_too(tmp_path, each_way):
    """The commit of the third batch: all of the new file's making is in this trace."""
    done = traced(tmp_path / "state", tmp_path / "trace", faults=(f"{SYNCS}:error=EIO:when=10",))
    assert "failed" in done.stdout and done.stdout.splitlines()[-1] == "closed"
    count, broken = cuts(tmp_path / "state", tmp_path / "trace", tmp_path, each_way, True)
    assert broken == [] and count > (300 if each_way else 75)


def test_a_checkpoint_that_fails_is_not_passed_over(tmp_path):
    """What it was to copy is durable in the log still, but the file is one that has failed."""
    traced(tmp_path / "counted", tmp_path / "counted-trace")
    syncs = [call.words for call in calls(tmp_path / "counted-trace") if call.name == SYNCS]
    of_the_file = [number for number, words in enumerate(syncs, 1) if path_of(words).endswith("journal.sqlite")]
    done = traced(tmp_path / "state", tmp_path / "trace", faults=(f"{SYNCS}:error=EIO:when={of_the_file[-2]}",))
    assert "failed" in done.stdout and done.stdout.splitlines()[-1] == "closed", done.stdout + done.stderr
    check(tmp_path / "state", done.stdout.splitlines())


@pytest.mark.parametrize("call", [SYNCS, WRITES])
@pytest.mark.parametrize("what", ["error=EIO", "error=ENOSPC", "signal=KILL"])
def test_a_copy_aside_may_fail_or_be_the_end(tmp_path, call, what):
    """The file was made before, so what writes to it and syncs it first is nearly always the thread that copies; the fault meets
    the making of a new file too."""
    for number in range(10):
        place = tmp_path / str(number)
        Journal.open(place / "state").close()
        done = traced(place / "state", place / "trace", SHORT_LOG, faults=(f"{call}:{what}:when=1",),
                      only=place / "state" / "journal.sqlite")
        check(place / "state", done.stdout.splitlines())
        opened, *others = calls(place / "trace")
        if "KILL" in what:
            assert "kept" in done.stdout and "closed" not in done.stdout
            return
        struck_first = next(one for one in others if one.name == call and one.result < 0)
        if struck_first.thread != opened.thread:
            assert ("failed" in done.stdout) == ((call, what) != (WRITES, "error=ENOSPC"))
            return
    raise AssertionError("the thread that copies was never the first")


@pytest.mark.long
def test_any_sync_may_fail_and_then_the_power_may_go_at_any_moment(tmp_path):
    steps = range(1, syncs_of_a_session(tmp_path) + 1)
    assert [one for at in steps for one in a_sync_fails_then_the_power_goes(tmp_path, at)] == []


# --- the disk fails, or fills, or the process is killed: real calls, real files


def struck(tmp_path: Path, fault: str, at: int, lasting: bool = False, how: tuple[str, ...] = ()) -> str:
    """One life with one fault, then the next start: what went wrong, or `""`.

    With a short log each file's copying thread has the fault too, for strace counts each thread's calls: as if it lasted.
    """
    place = tmp_path / f"{fault.replace(':', '-')}-{at}-{lasting}"
    place.mkdir()
    call, _, what = fault.partition(":")
    done = traced(place / "state", place / "trace", *how, faults=(f"{call}:{what}:when={at}{'+' if lasting else ''}",))
    try:
        if "Traceback" in done.stderr and not (lasting or how) and "KILL" not in fault and "StoppedByIO" not in done.stderr:
            return f"{place.name}: {done.stderr[-600:]}"
        if (place / "state").is_dir():
            check(place / "state", done.stdout.splitlines())
            for aside in set_aside(place / "state"):
                with suppress(JournalFailed), open_salvage(aside) as found:      # failed: it never held anything
                    list(found.rows())
    except Exception as error:
        return f"{place.name}: {error!r} after {done.stdout.split(chr(10))[-3:]} {done.stderr[-300:]}"
    finally:
        shutil.rmtree(place, ignore_errors=True)
    return ""


def strike(tmp_path: Path, faults: list[tuple]) -> list[str]:
    with ThreadPoolExecutor(4) as pool:
        return [told for told in pool.map(lambda fault: struck(tmp_path, *fault), faults) if told]


def every(call: str, trace: Path) -> range:
    """Numbers of this call: strace counts those of each thread by themselves, here those of the first."""
    made = [one for one in calls(trace) if one.thread]
    return range(1, sum(one.name == call and one.thread == made[0].thread for one in made) + 1)


FAULTS = [f"{call}:{what}" for call in (WRITES, SYNCS) for what in ("error=EIO", "error=ENOSPC", "signal=KILL")]


@pytest.mark.parametrize("how", HOW)
def test_faults_and_kills_at_some_steps(tmp_path, how):
    traced(tmp_path / "counted", tmp_path / "trace", *how)
    steps = [(fault, at, False, how) for fault in FAULTS
             for at in every(fault.partition(":")[0], tmp_path / "trace")[::9 if WRITES in fault else 5]]
    assert len(steps) > 30 and strike(tmp_path, steps) == []


@pytest.mark.long
@pytest.mark.parametrize("lasting", [False, True])
@pytest.mark.parametrize("how", HOW)
def test_faults_and_kills_at_every_step(tmp_path, how, lasting):
    traced(tmp_path / "counted", tmp_path / "trace", *how)
    steps = [(fault, at, lasting, how) for fault in FAULTS if not (lasting and "KILL" in fault)
             for at in every(fault.partition(":")[0], tmp_path / "trace")]
    assert len(steps) > 100 and strike(tmp_path, steps) == []
