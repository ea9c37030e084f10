"""A general-purpose log daemon on the same frames: Debian's syslog-ng, reading the same pseudo-terminals, a pattern, JSON to files.

It is no product of this job: it knows no units, no limits, no masters, and gives what it has read at least once.  Set as one
would set it for speed: threads, large windows, flow control so that nothing is dropped.  `keeps`: `buffer` (its reliable disk
buffer), `fsync` (synced, 100 lines at a time), `both`.
"""

import shutil
import subprocess
import time
from pathlib import Path

from tests.bench.stand import ENDS_WITH_US, Columns, folder, wait

PROGRAM = shutil.which("syslog-ng", path="/usr/sbin:/usr/bin:/usr/local/sbin")
_KEEPS = {
    "buffer": "disk-buffer(reliable(yes) disk-buf-size(1073741824) mem-buf-size(67108864) dir({place}))",
    "fsync": "fsync(yes) flush-lines(100)",
}
_KEEPS["both"] = f"{_KEEPS['fsync']} {_KEEPS['buffer']}"
_SOURCE = '    file("{}" follow-freq(0) flags(no-parse) log-fetch-limit(1000) log-iw-size(10000));'
_CONF = """@version: 3.38
options {{ threaded(yes); log-fifo-size(200000); stats-freq(0); chain-hostnames(no); use-dns(no); dns-cache(no);
           keep-hostname(yes); create-dirs(no); }};
source columns {{
{sources}
}};
parser line {{ regexp-parser(patterns("^(?<serial>[0-9]{{6}}) (?<value>[+-][0-9]\\\\.[0-9]{{5}}) (?<unit>in)")); }};
destination files {{
    file("{place}/out.jsonl" template("$(format-json serial=$serial value=$value unit=$unit time=$ISODATE port=$FILE_NAME)\\n")
         {keeps});
}};
log {{ source(columns); parser(line); destination(files); flags(flow-control); }};
"""


def one_run(keeps: str, ports: int, lines: int) -> float:
    """Lines a second from the first byte to the last line in its file."""
    with folder() as place:
        columns = Columns(ports, 0)
        conf, sources = place / "conf", "\n".join(map(_SOURCE.format, columns.devices))
        conf.write_text(_CONF.format(sources=sources, place=place, keeps=_KEEPS[keeps].format(place=place)))
        with open(place / "log", "wb") as log:
            running = subprocess.Popen([*ENDS_WITH_US, PROGRAM, "-F", "-f", conf, "-R", place / "persist", "-c", place / "control",
                                        "-p", place / "pid", "--no-caps"], stdin=subprocess.DEVNULL, stdout=log, stderr=log)
        try:
            wait(lambda: is_reading(running, place))
            begun, out = time.monotonic(), Counted(place / "out.jsonl")
            columns.begin(lines)
            wait(lambda: out.lines() >= ports * lines, 0.01, most_s=300)
            return ports * lines / (time.monotonic() - begun)
        finally:
            running.kill()
            running.wait()
            columns.close()


def is_reading(running: subprocess.Popen, place: Path) -> bool:
    assert running.poll() is None, (place / "log").read_text()[-2000:]
    if not (place / "control").exists():
        return False
    time.sleep(0.5)                            # its sources are begun right behind its control socket
    return True


class Counted:
    """Lines of a file that grows, read once."""

    def __init__(self, path: Path):
        self._path, self._at, self._found = path, 0, 0

    def lines(self) -> int:
        if self._path.exists():
            with open(self._path, "rb") as file:
                file.seek(self._at)
                while data := file.read(1 << 20):
                    self._found += data.count(b"\n")
                    self._at += len(data)
        return self._found
