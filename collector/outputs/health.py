"""What one output says of itself for `status`: a small file, replaced whole, at most once a second.

Must not know: what is delivered, or where to.
"""

import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import msgspec

from collector.clock import Clock, Stamps
from collector.files import show

_AT_MOST_EVERY_NS = 1_000_000_000
_AT_LEAST_EVERY_NS = 5_000_000_000
_NO_ANSWER_S = 10.0


class Health:
    """STATE/outputs/NAME.status.json.  `error` is what is wrong now, `last-error` stays.

    `refused` counts the records set aside, `resend-waiting` those of them that a person has asked for again, `resent`
    those handed over since this process began.
    """

    def __init__(self, state: Path, output: str, clock: Clock):
        self._path, self._output, self._writing = state / "outputs" / f"{output}.status.json", output, threading.Lock()
        self._clock, self._stamps = clock, Stamps()
        self._said = {"output": output, "delivered": 0, "waiting": 0, "oldest-waiting": "", "last-delivery": "",
                      "error": "", "last-error": "", "tries": 0, "refused": 0, "resend-waiting": 0, "resent": 0}
        self._written: dict | None = None
        self._written_ns = 0

    def delivered(self, has_records: bool) -> None:
        """A batch was handed over, or stepped over, just now: nothing is wrong any more."""
        self._said |= {"error": "", "tries": 0}
        if has_records:
            self._said["last-delivery"] = self._stamps.text(self._clock.wall_ns())

    def down(self, error: str, tries: int) -> None:
        """A try has failed, the `tries`th in a row."""
        self._said |= {"error": error, "last-error": error, "tries": tries}

    def resent(self) -> None:
        """A record that had been refused was handed over just now."""
        self.delivered(True)
        self._said["resent"] += 1

    def say(self, error: str) -> None:
        """What is wrong, written at once."""
        self._said |= {"error": error, "last-error": error}
        self.write()

    @contextmanager
    def answer_awaited(self, within_s: float = _NO_ANSWER_S) -> Iterator[None]:
        """Where what is done inside takes longer, that is said meanwhile: what hangs may never come back."""
        began = self._stamps.text(self._clock.wall_ns())
        words = f"output {self._output}: no answer since {began}; does its broker answer, does its share hang?"
        timer = threading.Timer(within_s, self.say, [words])
        timer.daemon = True
        timer.start()
        try:
            yield
        finally:
            timer.cancel()

    def tell(self, delivered: int, waiting: int, oldest_us: int | None, refused: int, resend_waiting: int = 0) -> None:
        """Write the file, if it is time to.  A disk that is full or gone never stops delivery for this."""
        oldest = "" if oldest_us is None else self._stamps.text(oldest_us * 1000)
        self._said |= {"delivered": delivered, "waiting": waiting, "oldest-waiting": oldest, "refused": refused,
                       "resend-waiting": resend_waiting}
        now = self._clock.steady_ns()
        age = now - self._written_ns
        has_turned = self._written is None or bool(self._written["error"]) != bool(self._said["error"])
        if has_turned or age >= _AT_LEAST_EVERY_NS or (age >= _AT_MOST_EVERY_NS and self._said != self._written):
            self.write()

    def write(self) -> None:
        """Write the file now."""
        with self._writing:
            self._written, self._written_ns = dict(self._said), self._clock.steady_ns()
            said = {**self._said, "time": self._stamps.text(self._clock.wall_ns())}
            try:
                show(self._path, msgspec.json.encode(said))
            except OSError:
                return                 # the same disk holds the cursor, whose fault is told and logged
