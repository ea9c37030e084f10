"""Prove a draft by the collector itself: its own configuration, framer and parser read the whole capture by it.

Knows: what a draft needs around it to be a configuration.
Must not know: how the draft was found.
"""

import tempfile
from collections import Counter
from pathlib import Path

from collector.config.plan import read_plan
from collector.draft.bounds import Reads, frames_of
from collector.draft.proposal import CannotDraft
from collector.errors import ConfigError
from collector.measuring.units import unit_on_the_wire
from collector.record import Frame, Mark, OverRange, Reading, Unread, escape

Outcome = list[Reading | OverRange | Mark] | Unread

_AROUND = "\nsite: draft\nstate: ./state\noutputs: {trial: {kind: jsonl, folder: ./trial}}\n"


def prove(written: str, reads: Reads) -> tuple[list[tuple[Frame, Outcome]], str]:
    """What each frame becomes by a draft as it is printed, and the port's encoding.

    Raises CannotDraft where it is no configuration.
    """
    with tempfile.TemporaryDirectory() as folder:
        file = Path(folder) / "draft.yaml"
        file.write_text(written + _AROUND, encoding="utf-8")
        try:
            port = next(iter(read_plan(file).ports.values()))
        except ConfigError as error:
            raise CannotDraft(f"the draft is no valid configuration: {error.faults[0].what}") from error
    outcomes = [(frame, Unread(frame.fault, _FAULTS[frame.fault]) if frame.fault else port.parser.parse(frame.data))
                for frame in frames_of(reads, port.framing)]
    return [(frame, _known(found)) for frame, found in outcomes], port.encoding


def not_read(outcomes: list[tuple[Frame, Outcome]], encoding: str) -> tuple[tuple[str, int, str], ...]:
    """(frame as text, how many times, why) of what is unread, the commonest first."""
    counts = Counter((escape(frame.data, encoding), found.why) for frame, found in outcomes
                     if isinstance(found, Unread))
    return tuple((text, times, why) for (text, why), times in counts.most_common())


def _known(found: Outcome) -> Outcome:
    """A reading in a unit that nobody knows is none."""
    units = [one.unit for one in found if isinstance(one, Reading)] if isinstance(found, list) else []
    unknown = [unit for unit in units if unit_on_the_wire(unit) is None]
    return Unread("unit", f"the frame says no unit that is known "
                          f"({escape(unknown[0].encode('utf-8', 'surrogateescape'))!r})") if unknown else found


_FAULTS = {"cut": "cut off where the capture ends", "too-long": "longer than a frame may be",
           "no-match": "stands in no frame"}
