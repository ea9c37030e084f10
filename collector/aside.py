"""One step at a time in a thread of its own, for a thread that has other things to do meanwhile.

Knows: that a step has begun, and how it ended.
Must not know: what it does.

The thread is a daemon, as those of an executor are not: a step that hangs must not hold the end of the process.
"""

import threading
from collections.abc import Callable
from queue import SimpleQueue


class Aside:
    """Used by one thread: `begin` a step, then `end` it before the next.  `is_ended` is called after each step, in the
    thread of the step."""

    def __init__(self, name: str, is_ended: Callable[[], None] = lambda: None):
        self._is_begun = False
        self._is_ended = is_ended
        self._steps: SimpleQueue[Callable[[], None] | None] = SimpleQueue()
        self._outcomes: SimpleQueue[BaseException | None] = SimpleQueue()
        threading.Thread(target=self._work, name=name, daemon=True).start()

    @property
    def is_busy(self) -> bool:
        """Whether a step is under way: `end` would wait."""
        return self._is_begun and self._outcomes.empty()

    def close(self) -> None:
        """No more steps will come."""
        self._steps.put(None)

    def begin(self, step: Callable[[], None]) -> None:
        self._is_begun = True
        self._steps.put(step)

    def end(self) -> None:
        """Wait for the step that was begun, if any.  Raises what it raised."""
        if self._is_begun:
            raised, self._is_begun = self._outcomes.get(), False
            if raised is not None:
                raise raised

    def _work(self) -> None:
        while (step := self._steps.get()) is not None:
            raised = None
            try:
                step()
            except BaseException as error:
                raised = error
            self._outcomes.put(raised)
            self._is_ended()
