"""Every record a message of its own, QoS 1, into a broker on this machine: how many a second it has confirmed."""

import shutil
import socket
import subprocess
import time
from collections.abc import Iterator
from contextlib import closing, contextmanager, suppress
from pathlib import Path

from tests.bench import script
from tests.bench.stand import ENDS_WITH_US, RUNS, SHORT, Cell, cpu_s, folder, sized, wait
from tests.bench.table import Figure, median, say, spread

BROKER = shutil.which("mosquitto", path="/usr/sbin:/usr/bin:/usr/local/sbin")
PORTS, LINES, GOAL = sized(4, 64), sized(50, 1_500, 15_000), 10_000


def figures() -> Iterator[Figure]:
    what = "MQTT, QoS 1, one record a message: records/s confirmed"
    if BROKER is None:
        yield Figure(what, f"≥ {GOAL:,}", "not measured", "mosquitto is not installed")
        return
    rates, shares, lines = zip(*((*one_run(), script.flushed()) for _ in range(RUNS)))
    yield Figure(what, f"≥ {GOAL:,}", spread(list(rates)), f"mosquitto on the same machine, {PORTS * LINES:,} records, {RUNS} runs; "
                 f"{shares[-1]}", median(rates) >= GOAL)
    yield script.beside("MQTT, QoS 1", GOAL, list(rates), list(lines))


@contextmanager
def broker(place: Path) -> Iterator[tuple[int, int]]:
    """Its port on loopback, and its process."""
    with closing(socket.create_server(("127.0.0.1", 0))) as free:
        port = free.getsockname()[1]
    (place / "mosquitto.conf").write_text(f"user root\nlistener {port} 127.0.0.1\nallow_anonymous true\npersistence false\n"
                                          "max_inflight_messages 0\nmax_queued_messages 1000000\n")
    with open(place / "mosquitto.log", "wb") as log:
        running = subprocess.Popen([*ENDS_WITH_US, BROKER, "-c", place / "mosquitto.conf"], stdin=subprocess.DEVNULL,
                                   stdout=log, stderr=log)
    try:
        wait(lambda: answers(port))
        yield port, running.pid
    finally:
        running.kill()
        running.wait()


def answers(port: int) -> bool:
    with suppress(OSError), socket.create_connection(("127.0.0.1", port), 1):
        return True
    return False


def one_run() -> tuple[float, str]:
    """Records a second from the first byte to the last confirmation; who used which core."""
    with folder() as place, broker(place) as (port, pid):
        url = f"mqtt://127.0.0.1:{port}"
        output = f"  mes: {{kind: mqtt, url: '{url}', topic: 'plant/{{site}}/{{port}}/{{kind}}'}}"
        with listener(port, place), Cell(place, PORTS, 0, output) as cell:
            wait(lambda: cell.delivered("mes") == cell.journal.last())
            pids = (*cell.daemon.children(), pid)
            before, begun = [cpu_s(one) for one in pids], time.monotonic()
            poured = cell.pour(LINES)
            wait(lambda: cell.delivered("mes") == cell.journal.last(), most_s=120)
            seconds = time.monotonic() - begun
            used = [cpu_s(one) - early for one, early in zip(pids, before)]
            if SHORT:
                wait(lambda: (place / "heard").read_bytes().count(b"\n") == cell.journal.last())
            say(f"  {poured.records / seconds:,.0f} records/s, output {used[0] / poured.records * 1e6:.0f} us a record")
            return poured.records / seconds, f"output {used[0] / seconds:.0%}, broker {used[1] / seconds:.0%} of a core"


@contextmanager
def listener(port: int, place: Path) -> Iterator[None]:
    """In the short form somebody listens, and has to hear every record; what is timed has the broker alone."""
    if not SHORT:
        yield
        return
    with open(place / "heard", "wb") as file:
        words = ("mosquitto_sub", "-p", str(port), "-q", "1", "-t", "plant/#", "-F", "%t")
        running = subprocess.Popen([*ENDS_WITH_US, *words], stdin=subprocess.DEVNULL, stdout=file)
        time.sleep(0.5)                        # it has subscribed
        try:
            yield
        finally:
            running.kill()
            running.wait()
