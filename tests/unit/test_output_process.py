"""An output's process: begun again whenever it ends, soon where it had run well, with growing waits where it had not."""

import time
from pathlib import Path

import pytest

from collector.clock import SystemClock
from collector.config.plan import OutputPlan
from collector.journal import Journal
from collector.outputs.json_lines import Settings
from collector.service.outputs import OutputProcess
from tests.conftest import wait_for


class ShiftedClock(SystemClock):
    """Runs on; a test may move it ahead."""

    ahead_ns = 0

    def steady_ns(self) -> int:
        return time.monotonic_ns() + self.ahead_ns


@pytest.fixture
def process(tmp_path):
    Journal.open(tmp_path / "state").close()
    (tmp_path / "inbox").mkdir()
    clock = ShiftedClock()
    settings = Settings.model_validate({"folder": str(tmp_path / "inbox")})
    process = OutputProcess(OutputPlan("line", "jsonl", settings), "brunnenhof", Path(tmp_path / "state"), clock)
    yield process, clock
    process.let_go()
    process.end(time.monotonic_ns() + 2_000_000_000)


def test_the_wait_grows_while_it_ends_at_once_and_is_short_again_once_it_has_run_well(process):
    one, clock = process
    one.look()
    waits = []
    for shift_s in (0, 0, 0, 6, 0):                            # seconds that it runs before it is killed
        clock.ahead_ns += shift_s * 1_000_000_000
        one.look()
        starts = one.starts
        one._running.kill()
        one._running.wait()
        began = clock.steady_ns()
        one.look()                                             # sees its end
        waits.append(round((one._start_at_ns - began) / 1e9, 1))
        clock.ahead_ns += 20_000_000_000
        wait_for(lambda: one.look() or one.starts > starts, "the next one")
    assert waits == [0.5, 1.0, 2.0, 0.5, 1.0]
