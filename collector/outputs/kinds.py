"""Which kinds of record an output wants: one key, the same for every output.

Must not know: any output.
"""

from typing import Annotated

from pydantic import AfterValidator

from collector.record import KINDS
from collector.settings import wrong


def _known(kinds: tuple[str, ...]) -> tuple[str, ...]:
    for kind in kinds:
        if kind not in KINDS:
            raise wrong(f"there is no kind of record {kind!r}", f"kinds are {', '.join(KINDS)}")
    return kinds


Kinds = Annotated[tuple[str, ...], AfterValidator(_known)]
