"""Stand-in columns for the benchmarks: many pseudo-terminals, each fed at the pace of a wire.

    python -m tests.bench.columns PORTS BYTES_PER_SECOND        (0: as fast as they are taken)

Prints the devices as one JSON line; then, for each line `LINES` read from its input, sends so many lines on every
port and prints one JSON line (`ring`: every column reads its master once; `frame`: one
line on every port, as a UART hands it over): `sent`, `begun_ns` (steady time),
`seconds`, `held` (bytes that the kernel did not take at their time), `from`, and, where paced, `ticks`: pairs of
steady time (ns) and lines whose last byte had been given to the kernel on every port then, written down before the
bytes are.  A line is 20 bytes with its number: `000123 +0.47280 in\\r\\n`.
"""

import json
import os
import sys
import time
import tty

LINE = b"%06d +0.47%03d in\r\n"
LINE_BYTES = 20
RING = b"000000 +0.47240 inR\r\n"
_TICK_S = 0.005
_BLOCK = 1000
_WIRE_BYTES, _FIFO_BYTES = 11_520, 8


def lines(first: int, count: int) -> bytes:
    """So many lines, numbered from `first`; sizes of 12.01 mm and a little, some out of 12.000 to 12.018."""
    return b"".join([LINE % (number % 1_000_000, 240 + number % 73) for number in range(first, first + count)])


class Line:
    """One pseudo-terminal; what is still to be sent."""

    def __init__(self) -> None:
        self.fd, slave = os.openpty()
        tty.setraw(slave)
        self.device = os.ttyname(slave)
        self.slave = slave
        self.rest = b""
        os.set_blocking(self.fd, False)

    def send(self, data: bytes) -> int:
        """Bytes that are held back because the kernel takes no more."""
        data = self.rest + data if self.rest else data
        try:
            self.rest = data[os.write(self.fd, data):]
        except BlockingIOError:
            self.rest = data
        return len(self.rest)


class Sender:
    def __init__(self, ports: int, pace: int):
        self.lines, self.pace, self.next = [Line() for _ in range(ports)], pace, 0

    def send(self, count: int) -> dict:
        first, self.next = self.next, self.next + count
        begun = time.monotonic_ns()
        told = self._paced(first, count, begun) if self.pace else self._at_once(first, count)
        return {"from": first, "sent": count, "begun_ns": begun, "seconds": (time.monotonic_ns() - begun) / 1e9, **told}

    def frame(self) -> dict:
        """One line on every port as a wire of 115,200 baud brings it and a UART with a FIFO hands it over."""
        first, self.next = self.next, self.next + 1
        data, begun = lines(first, 1), time.monotonic_ns()
        for at in range(0, LINE_BYTES, _FIFO_BYTES):
            piece = data[at:at + _FIFO_BYTES]
            due = begun + (at + len(piece)) * 1_000_000_000 // _WIRE_BYTES
            time.sleep(max(0.0, (due - time.monotonic_ns()) / 1e9))
            last = time.monotonic_ns()
            for line in self.lines:
                line.send(piece)
        return {"from": first, "sent": 1, "begun_ns": last}

    def ring(self) -> dict:
        for line in self.lines:
            line.send(RING)
        return {"sent": 1}

    def _paced(self, first: int, count: int, begun: int) -> dict:
        ticks, held, at, total = [], 0, 0, count * LINE_BYTES
        block, block_at = b"", 0
        while at < total:
            now = time.monotonic_ns()
            due = min(total, (now - begun) * self.pace // 1_000_000_000)
            while block_at + len(block) < due:
                done = (block_at + len(block)) // LINE_BYTES
                keep = block[at - block_at:]
                more = lines(first + done, min(_BLOCK, count - done))
                block, block_at = keep + more, at
            data = block[at - block_at:due - block_at]
            ticks += (now, due // LINE_BYTES)
            for line in self.lines:
                held = max(held, line.send(data))
            at = due
            time.sleep(max(0.0, _TICK_S - (time.monotonic_ns() - now) / 1e9))
        self._drain()
        return {"held": held, "ticks": ticks}

    def _at_once(self, first: int, count: int) -> dict:
        begun = 0
        for at in range(0, count, _BLOCK):
            data = lines(first + at, min(_BLOCK, count - at))
            begun = begun or time.monotonic_ns()
            for line in self.lines:
                line.rest += data
            while sum(len(line.rest) for line in self.lines) > len(self.lines) * len(data) // 2:
                if not self._push():
                    time.sleep(0.001)
        self._drain()
        return {"held": 0, "begun_ns": begun}

    def _push(self) -> int:
        """Bytes taken by the kernel in one round."""
        before = sum(len(line.rest) for line in self.lines)
        return before - sum(line.send(b"") for line in self.lines)

    def _drain(self) -> None:
        while any(line.rest for line in self.lines):
            if not self._push():
                time.sleep(0.001)


def main() -> None:
    sender = Sender(int(sys.argv[1]), int(sys.argv[2]))
    print(json.dumps([line.device for line in sender.lines]), flush=True)
    for order in sys.stdin:
        order = order.strip()
        print(json.dumps(getattr(sender, order)() if order in ("ring", "frame") else sender.send(int(order))), flush=True)


if __name__ == "__main__":
    main()
