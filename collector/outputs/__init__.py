"""The places that records are delivered to: one module an output kind, one row here.

A module of the table exposes a frozen `Settings` and `build(name, site, settings, cursor, files)`, which gives an
`Output`.  Retry, waiting, cursor, refused records and counting are done once, in `delivery`.
"""

from typing import Any, Protocol

from msgspec import Struct

OUTPUTS = {                                   # `kind` in the configuration -> module
    "csv": "collector.outputs.csv_file",
    "jsonl": "collector.outputs.json_lines",
    "mqtt": "collector.outputs.mqtt",
    "amqp": "collector.outputs.amqp",
    "board": "collector.outputs.board",
}


class Batch(Struct, frozen=True):
    """Rows to hand over at once: `first` and `last` are seqs in it, `through` how far the journal has been looked at.

    `rows` are journal rows (seq, at_us, kind, body, …) in order of seq; those of kinds not wanted are left out.
    """

    first: int
    last: int
    through: int
    rows: tuple[Any, ...]


class Output(Protocol):
    """One output.  `records` is the most that goes into one batch.

    `gathers`: a batch waits until its oldest record has waited `every_s`; otherwise that is only the least time
    between two batches.
    """

    records: int
    every_s: float
    gathers: bool

    def open(self) -> None:
        """Reach the far side.  Raises OutputDown."""

    def adopt(self) -> None:
        """A person has said that the far side is a new one: forget what is known of the old.  Raises OutputDown."""

    def together(self, rows: tuple[Any, ...]) -> int:
        """How many of the leading rows may go into one batch; at least one."""

    def write(self, batch: Batch) -> None:
        """Returns only when the far side has taken responsibility for all of the batch.

        Raises OutputDown: the very same batch comes again, after `close` and `open`; RecordRefused: the batch comes
        again without that record.  After a restart, a batch that the cursor holds as pending comes first.
        """

    def close(self) -> None:
        """Let go of the far side; never raises, may be called twice."""
