"""As much as 64 columns can bring, every record synced; beside it a plain script and a general-purpose log daemon on this machine."""

from collections.abc import Iterator

from tests.bench import log_daemon, script
from tests.bench.columns import LINE_BYTES
from tests.bench.stand import RUNS, WIRE_BYTES, Cell, folder, sized
from tests.bench.table import Figure, median, say, spread

PORTS, LINES = sized(4, 64), sized(250, 10_000, 30_000)
SYNCED = sized(50, 5_000)
WIRE = 64 * WIRE_BYTES / LINE_BYTES
SCRIPT_RUNS = (("a plain script, flush", lambda: script.one_run("flush", script.LINES), 6),
               ("a plain script, fsync on each line", lambda: script.one_run("fsync", SYNCED), 40))
LOG_RUNS = (("a log daemon, disk buffer and fsync each 100 lines", lambda: log_daemon.one_run("both", PORTS, LINES), 1.3),
            ("a log daemon, disk buffer alone", lambda: log_daemon.one_run("buffer", PORTS, LINES), 1),
            ("a log daemon, fsync each 100 lines alone", lambda: log_daemon.one_run("fsync", PORTS, LINES), None))


def figures() -> Iterator[Figure]:
    others = [*SCRIPT_RUNS, *(LOG_RUNS if log_daemon.PROGRAM else ())]
    ours, found, shares = [], {name: [] for name, *_ in others}, ""
    for _ in range(RUNS):                       # they take turns
        rate, shares = one_run()
        ours.append(rate)
        for name, run, _ in others:
            found[name].append(run())
            say(f"  {name}: {found[name][-1]:,.0f}")
    middle = median(ours)
    yield Figure("ceiling: records/s durable", "≥ 110,000 (3 × the wires)", f"{spread(ours)}; {middle / WIRE:.1f} × the wires",
                 f"{PORTS} ports unpaced, {PORTS * LINES:,} records, {RUNS} runs; {shares}", middle >= 110_000)
    for name, _, times in others:
        ratio, ports = middle / median(found[name]), "one port" if "script" in name else f"{PORTS} ports"
        yield Figure(f"ceiling beside {name}", f"≥ {times:g} ×" if times else "", f"{ratio:.1f} ×",
                     f"{ports}, it: {spread(found[name])} lines/s", None if times is None else ratio >= times)


def one_run() -> tuple[float, str]:
    """Records a second from the first byte to the last one durable; who used which core."""
    with folder() as place, Cell(place, PORTS, 0) as cell:
        poured = cell.pour(LINES)
        rate = poured.records / poured.seconds
        say(f"  {rate:,.0f} records/s, {poured.collector_s / poured.records * 1e6:.2f} us each; {poured.shares()}")
        return rate, poured.shares()
