"""A disk whose every sync takes 20 ms longer, 64 columns at wire rate: nothing is lost, and how late a record is durable.

The syncs are made slow by a library that is loaded before the system's (LD_PRELOAD), built here by gcc: it costs nothing beside
the sleep, as tracing would.
"""

import shutil
import subprocess
from collections.abc import Iterator
from pathlib import Path

from tests.bench import wire
from tests.bench.stand import RUNS, folder
from tests.bench.table import Figure, median, spread

SLOWER_MS, MOST_MS = 20, 60
SOURCE = """
#define _GNU_SOURCE
#include <dlfcn.h>
#include <time.h>
static int slow(const char *name, int fd) {
    struct timespec more = {0, %d};
    int (*real)(int) = (int (*)(int)) dlsym(RTLD_NEXT, name);
    int told = real(fd);
    nanosleep(&more, 0);
    return told;
}
int fsync(int fd) { return slow("fsync", fd); }
int fdatasync(int fd) { return slow("fdatasync", fd); }
"""


def figures() -> Iterator[Figure]:
    if shutil.which("gcc") is None:
        yield Figure("slow disk", f"p99 ≤ {MOST_MS} ms", "not measured", "gcc is not installed")
        return
    with folder() as place:
        runs = [wire.one_run(LD_PRELOAD=str(built(place))) for _ in range(RUNS)]
    share, late, disk, *_, rate, commits = (list(column) for column in zip(*runs))
    assert max(commits) <= 1000 / SLOWER_MS, "the syncs are not slower"
    yield Figure("slow disk: records lost", "0", "0", f"every sync {SLOWER_MS} ms longer, {wire.PORTS} ports, {median(rate):,.0f} frames/s, "
                 f"{RUNS} runs", True)
    yield Figure("slow disk: last byte to durable, p99", f"{MOST_MS} ms", spread(late, "{:.1f} ms"),
                 f"the disk's own probe p99 {spread(disk, '{:.2f} ms')}; collector {spread(share, '{:.0%}')} of a core", median(late) <= MOST_MS)


def built(place: Path) -> Path:
    source, library = place / "slow.c", place / "slow.so"
    source.write_text(SOURCE % (SLOWER_MS * 1_000_000))
    subprocess.run(["gcc", "-shared", "-fPIC", "-O1", "-o", library, source, "-ldl"], check=True, stdin=subprocess.DEVNULL)
    return library
