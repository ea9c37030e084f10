"""Output kind `amqp`: each record one persistent message to an exchange, AMQP 0-9-1 with publisher confirms.

Delivered is what the broker has confirmed and not returned.  After a (re)connection the first message goes alone: while
nothing is bound for it nothing later overtakes it; then up to `window` messages are under way.
Knows: what a confirm, a return, a refusal and a lost connection mean for the records under way.
Must not know: the library, the journal, the cursor, what a record says.
"""

import queue
import time
from collections import deque
from itertools import takewhile
from typing import Any

from pydantic import field_validator, model_validator

from collector.errors import OutputDown, RecordRefused
from collector.files import Files
from collector.outputs import Batch, amqp_link
from collector.outputs.amqp_link import ACCESS_REFUSED, PRECONDITION_FAILED, Answer, Blocked, Ended, Link, Returned
from collector.outputs.cursor import Cursor
from collector.outputs.messages import Message, QueueSettings, Template, Wire, needs_extra
from collector.settings import wrong

_SHORT_STRING = 255                                 # bytes: the most that a name or a key of AMQP 0-9-1 may have
_STRIKES, _BEHIND_S = 5, 2.0
_FOR_A_MESSAGE = {0, 501, 502, 503, 505, 541}       # what a message can have ended it with: no word, a frame's fault


class Settings(QueueSettings):
    """`outputs.NAME` with `kind: amqp`.  `exchange` is never made by us; "" is the broker's default one."""

    schemes = {"amqp": (5672, False), "amqps": (5671, True)}
    has_path = True

    exchange: str
    routing_key: str = "collector.{site}.{output}.{port}.{kind}"

    @field_validator("exchange")
    @classmethod
    def _nameable(cls, value: str) -> str:
        if len(value.encode()) > _SHORT_STRING or not value.isprintable():
            raise wrong(f"{value!r} can't be the name of an exchange", f"a name has at most {_SHORT_STRING} bytes")
        return value

    @field_validator("routing_key")
    @classmethod
    def _is_key(cls, value: str) -> str:
        Template(value, ".")
        return value

    @model_validator(mode="after")
    def _is_installed(self) -> "Settings":
        if not amqp_link.IS_INSTALLED:
            raise needs_extra("amqp")
        return self


class AmqpOutput:
    """One exchange of one broker.

    What was confirmed of a batch is remembered, so that when the same batch comes again only the rest is sent.
    """

    every_s, gathers = 0.0, False

    def __init__(self, name: str, site: str, settings: Settings):
        self._name, self._site, self._settings = name, site, settings
        self._wire = Wire(name, site, Template(settings.routing_key, "."), settings.envelope, _SHORT_STRING)
        self.records = settings.window
        self._link: Link | None = None
        self._taken: set[int] = set()               # seqs of the batch at hand that are confirmed
        self._denied: set[int] = set()              # those that the broker denies; they go last
        self._alone = False                         # one message at a time, to see which one ends the connection
        self._is_again = False                      # the last try has lost its connection too
        self._suspect, self._strikes, self._sent_at = 0, 0, 0.0
        self._forget_link()

    def _forget_link(self) -> None:
        self._link = None
        self._flying: dict[int, Message] = {}       # by tag, in order
        self._returned: set[str] = set()
        self._blocked = ""

    def open(self) -> None:
        """Reach the broker and see that the exchange is there.  Raises OutputDown."""
        self.close()
        try:
            self._link = Link(self._name, self._site, self._settings, self._settings.exchange)
            deadline = time.monotonic() + self._settings.timeout_s
            said = self._hear(deadline, f"the broker {self._settings.address} does not answer")
            if isinstance(said, Ended):
                raise self._down(said.why)
        except OutputDown:
            self._strikes = 0
            raise

    def adopt(self) -> None:
        """An exchange has no sentinel."""

    def together(self, rows: tuple[Any, ...]) -> int:
        return len(rows)

    def write(self, batch: Batch) -> None:
        """Every record is confirmed and in a queue.  Raises OutputDown, RecordRefused."""
        seqs = {row.seq for row in batch.rows}
        self._taken, self._denied = self._taken & seqs, self._denied & seqs
        rows = [row for row in batch.rows if row.seq not in self._taken]
        rows.sort(key=lambda row: row.seq in self._denied)
        unsent = deque((self._wire.message(row), row.at_us // 1_000_000) for row in rows)
        if not unsent:
            return
        if self._link is None or not self._link.hold():         # it may have ended while there was nothing to do
            self.open()
        self._see_through(unsent)
        self._link.release()
        self._alone, self._is_again, self._strikes = False, False, 0

    def close(self) -> None:
        """Let go of the broker, within a second; never raises."""
        if self._link is not None:
            self._link.close()
        self._forget_link()

    def _see_through(self, unsent: deque) -> None:
        """Until all is confirmed; or after a return or refusal until all that is under way is answered."""
        fault, timeout_s = "", self._settings.timeout_s
        deadline = time.monotonic() + timeout_s
        while self._flying or (unsent and not fault):
            if not fault:
                self._send(unsent)
            said = self._hear(deadline, f"nothing was confirmed for {timeout_s:g} s")
            if isinstance(said, Ended):
                self._lost(said)
            elif isinstance(said, Answer):
                fault = self._answered(said) or fault
                deadline = time.monotonic() + timeout_s
            elif isinstance(said, Returned):
                self._returned.add(said.id)
            elif isinstance(said, Blocked):
                self._blocked = said.why
        if fault:
            raise self._down(fault)

    def _send(self, unsent: deque) -> None:
        """All of it; but a link's first message goes alone, and each where the one that ends the link is looked for."""
        is_careful = self._alone or not self._link.is_proven
        if not unsent or (is_careful and self._flying):
            return
        going = [unsent.popleft() for _ in range(1 if is_careful else len(unsent))]
        self._flying |= zip(self._link.send(going), (message for message, _ in going))
        self._sent_at = time.monotonic()

    def _answered(self, said: Answer) -> str:
        """Remember what is confirmed.  Gives what is wrong, in words; "" for nothing."""
        fault = ""
        for tag in list(takewhile(lambda tag: tag <= said.tag, self._flying)) if said.multiple else [said.tag]:
            message = self._flying.pop(tag)
            if not said.is_taken:
                fault = f"the broker did not take record {message.seq}; is a queue full?"
            elif message.id in self._returned:
                fault = f"no queue is bound to exchange {self._settings.exchange!r} for routing key {message.topic}"
            else:
                self._taken.add(message.seq)
                self._link.is_proven = True
        return fault

    def _lost(self, said: Ended) -> None:
        """The link has ended with messages under way.  Raises RecordRefused where it is sure which one did it.

        A key that is denied while others of the batch are taken is that record's fault; where nothing else was taken it
        waits: most likely the user's rights are missing altogether, and a person at the broker puts that right.
        """
        flying, down = list(self._flying.values()), self._down(said.why)
        was_alone, self._alone = len(flying) == 1, self._is_again or said.code in (PRECONDITION_FAILED, ACCESS_REFUSED)
        self._is_again = True
        if was_alone and said.code == PRECONDITION_FAILED:
            self._refuse(flying[0], said.why)
        if was_alone and said.code == ACCESS_REFUSED:
            if self._taken:
                self._refuse(flying[0], said.why)
            self._denied.add(flying[0].seq)
        if was_alone and said.code in _FOR_A_MESSAGE and time.monotonic() - self._sent_at < _BEHIND_S:
            self._strike(flying[0])
            raise down
        self._strikes = 0
        raise down

    def _strike(self, message: Message) -> None:
        """The link stood, and ended right behind this one alone, for no other reason that was said.

        It counts where the next link stands at once: a broker that is down, is killed, or is started again earns no
        record a strike, and takes away those that there are.  Raises OutputDown, RecordRefused.
        """
        self.open()
        self._strikes = self._strikes + 1 if message.seq == self._suspect else 1
        self._suspect = message.seq
        if self._strikes >= _STRIKES:
            self._strikes = 0
            why = f"{_STRIKES} times the connection ended right behind it, and stood again at once"
            raise RecordRefused(self._name, message.seq, why)

    def _refuse(self, message: Message, why: str) -> None:
        self.close()
        raise RecordRefused(self._name, message.seq, why)

    def _hear(self, deadline: float, otherwise: str) -> Any:
        try:
            return self._link.said.get(timeout=max(0.0, deadline - time.monotonic()))
        except queue.Empty:
            raise self._down(otherwise) from None

    def _down(self, cause: str) -> OutputDown:
        blocked = f"; the broker takes nothing now: {self._blocked}" if self._blocked else ""
        return OutputDown(self._name, cause + blocked)


def build(name: str, site: str, settings: Settings, cursor: Cursor, files: Files) -> AmqpOutput:
    """The output `name` of this site."""
    return AmqpOutput(name, site, settings)
