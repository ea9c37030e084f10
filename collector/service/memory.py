"""What the measuring remembers, kept in the journal in the same transaction as the records that it comes from.

Knows: the pieces of memory, their keys, how they are written; which have changed since the last commit.
Must not know: what any of it means, the journal.

After a kill the state is what the journal says: never older nor newer than its last record.
"""

from collections import Counter
from typing import Any

import msgspec

from collector.measuring.assembly import Piece
from collector.measuring.context import Memory as Fields
from collector.measuring.masters import Book, Channel, Readings
from collector.service.ledger import Account, Ledger

_CONTEXT, _CHANNEL, _READINGS, _PART, _STREAM = "context", "channel:", "readings:", "part:", "stream:"
ACCOUNT, _RUNNING = "account:", "running"


class Memory:
    """Masters by channel (`PORT/CHANNEL`), open parts, running streams by channel, the context in force, the ledger.

    `killed_ns`: wall time of the last commit of a program that did not stop in order; 0: it did, or there was none.
    """

    def __init__(self, kept: dict[str, str]):
        """`kept`: what `changed` gave in all, as the journal has it."""
        self.fields = msgspec.json.decode(kept.get(_CONTEXT, "{}"), type=Fields)
        self.channels = {place: Channel(msgspec.json.decode(text, type=Book)) for place, text in _under(_CHANNEL, kept)}
        for place, text in _under(_READINGS, kept):
            self.channel(place).book.read_on(msgspec.json.decode(text, type=Readings))
        self.pieces = {key: msgspec.json.decode(text, type=Piece) for key, text in _under(_PART, kept)}
        self.streams: dict[str, Any] = {place: msgspec.json.decode(text) for place, text in _under(_STREAM, kept)}
        self.ledger = Ledger({port: msgspec.json.decode(text, type=Account) for port, text in _under(ACCOUNT, kept)})
        self.killed_ns = int(kept.get(_RUNNING, "0"))
        self._touched: set[str] = set()
        self._after_trim: dict[str, Account] = {}

    def channel(self, place: str) -> Channel:
        """The masters' channel of this place, made at its first use."""
        found = self.channels.get(place)
        return self.channels.setdefault(place, Channel(Book())) if found is None else found

    def stream(self, place: str, told: dict[str, Any] | None) -> None:
        """What is to be remembered of the stream of this channel; None: nothing."""
        if told == self.streams.get(place):
            return
        if told is None:
            del self.streams[place]
        else:
            self.streams[place] = told
        self._touched.add(place)

    def changed(self, context: bool, parts: set[str]) -> dict[str, str | None]:
        """What has changed since the last call, by key; None: gone.

        `context`, `parts`: whether the context has changed, and which parts.
        """
        found: dict[str, str | None] = {_STREAM + place: _text(self.streams.get(place)) for place in self._touched}
        found |= {_PART + key: _text(self.pieces.get(key)) for key in parts}
        if context:
            found[_CONTEXT] = _text(self.fields)
        for place, channel in self.channels.items():
            if channel.touched:
                found[_CHANNEL + place] = _text(channel.book)
            elif channel.counted:                      # each second and more often: a third of the bytes
                found[_READINGS + place] = _text(channel.book.readings())
            channel.touched = channel.counted = False
        self._touched.clear()
        return found

    def counted(self, wall_ns: int | None) -> dict[str, str | None]:
        """The accounts that have changed, by key, and that the program runs at `wall_ns` (None: it stops in order; then
        books are kept whole, as the versions before read them)."""
        found: dict[str, str | None] = {ACCOUNT + port: _text(self.ledger.accounts[port])
                                        for port in self.ledger.touched}
        self.ledger.touched.clear()
        if wall_ns is None:
            found |= {_CHANNEL + place: _text(channel.book) for place, channel in self.channels.items()}
        return {**found, _RUNNING: None if wall_ns is None else str(wall_ns)}

    def trimming(self, gone: Counter[tuple[str, str]]) -> dict[str, str | None]:
        """The accounts as they will be when these records are deleted, by key; `trimmed` says that they were."""
        self._after_trim = self.ledger.after_trim(gone)
        return {ACCOUNT + port: _text(account) for port, account in self._after_trim.items()}

    def trimmed(self) -> None:
        """What `trimming` was told has come to pass."""
        self.ledger.accounts.update(self._after_trim)
        self._after_trim = {}

    def whole(self) -> dict[str, str]:
        """Everything, by key, for a journal that has lost it."""
        found: dict[str, Any] = {_STREAM + place: told for place, told in self.streams.items()}
        found |= {_PART + key: piece for key, piece in self.pieces.items()} | {_CONTEXT: self.fields}
        found |= {_CHANNEL + place: channel.book for place, channel in self.channels.items()}
        found |= {ACCOUNT + port: account for port, account in self.ledger.accounts.items()}
        return {key: msgspec.json.encode(told).decode() for key, told in found.items()}


def _under(prefix: str, kept: dict[str, str]) -> list[tuple[str, str]]:
    return [(key.removeprefix(prefix), text) for key, text in kept.items() if key.startswith(prefix)]


def _text(told: Any) -> str | None:
    return None if told is None else msgspec.json.encode(told).decode()
