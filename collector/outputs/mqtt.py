"""Output kind `mqtt`: each record a message of MQTT 5 at QoS 1, delivered when the broker's PUBACK says so.

Knows: which records are under way, what a reason code or a lost connection means for one of them.
Must not know: the library, the journal, the cursor, when a batch comes again.
"""

import secrets
import time
from collections import deque
from collections.abc import Callable
from pathlib import Path
from typing import Any, Literal

import structlog
from msgspec import json
from pydantic import field_validator, model_validator

from collector.errors import OutputDown, RecordRefused
from collector.files import Files
from collector.outputs import Batch, mqtt_link
from collector.outputs.cursor import Cursor
from collector.outputs.messages import Heading, Message, QueueSettings, Template, Wire, needs_extra
from collector.outputs.mqtt_link import Birth, Link
from collector.outputs.mqtt_packet import REFUSED_FROM
from collector.settings import Name, count

log = structlog.get_logger()

_BOOT = Path("/proc/sys/kernel/random/boot_id")
_LONGEST_TOPIC = 65_535
_STRIKES, _BEHIND_S = 5, 2.0
_UNHEARD, _DENIED = 0x10, 0x87                             # reason codes
_NEVER = {0x90: "its topic is not accepted", 0x95: "it is larger than the broker takes",
          0x99: "its content is not what the broker takes"}
_WAITS = {_DENIED: "is denied; may this user write to it?", _UNHEARD: "has no subscriber",
          0x97: "is not taken: a quota is used up"}


class Settings(QueueSettings):
    """`outputs.NAME` with `kind: mqtt`.  `without-subscriber: hold`: a message that nobody gets is no delivery.

    The default `window` is where a larger one saves no more of a record's cost (the cursor is saved once a window).
    Its price: when the broker does not take one record now, up to `window` - 1 later ones are under way already, and
    are before it at the consumer; the same after a record that is refused and sent again by a person.
    """

    schemes = {"mqtt": (1883, False), "mqtts": (8883, True)}

    topic: str = "plant/{site}/{port}/{channel}/{kind}"
    state_topic: str = "collector/{site}/{output}/state"
    client_id: Name | None = None
    window: count(1, 1000) = 500
    without_subscriber: Literal["warn", "hold"] = "warn"

    @field_validator("topic", "state_topic")
    @classmethod
    def _is_topic(cls, value: str) -> str:
        Template(value, "/")
        return value

    @model_validator(mode="after")
    def _is_installed(self) -> "Settings":
        if not mqtt_link.IS_INSTALLED:
            raise needs_extra("mqtt")
        return self


class MqttOutput:
    """A broker behind the three verbs."""

    every_s = 0.0
    gathers = False

    def __init__(self, name: str, site: str, settings: Settings):
        self.records = settings.window
        self._name, self._settings, self._link = name, settings, None
        self._client_id = settings.client_id or f"{site}-{name}"
        self._wire = Wire(name, site, Template(settings.topic, "/"), settings.envelope, _LONGEST_TOPIC)
        who = {"site": site, "output": name, "instance": secrets.token_hex(8),
               "boot": _BOOT.read_text().strip() if _BOOT.exists() else ""}
        self._birth = Birth(Template(settings.state_topic, "/").fill(site, name, Heading("", "", "")),
                            json.encode({"state": "online", **who}), json.encode({"state": "offline", **who}))
        self._is_unheard_told = False
        self._taken: set[int] = set()             # seqs that the broker has confirmed, of the batch now under way
        self._is_wary = False                     # one at a time, to see which one ends the connection
        self._suspect, self._strikes, self._sent_at = 0, 0, 0.0

    def open(self) -> None:
        """Connect.  Raises OutputDown."""
        self._link = Link(self._name, self._settings, self._client_id, self._birth)
        self._reach(self._link.open)

    def adopt(self) -> None:
        """A broker has no past that could be forgotten."""

    def together(self, rows: tuple[Any, ...]) -> int:
        return len(rows)

    def write(self, batch: Batch) -> None:
        """Every record of the batch has its PUBACK.  Raises OutputDown, RecordRefused."""
        self._taken = {seq for seq in self._taken if seq >= batch.first}
        with self._link.held():
            if self._link.is_lost():              # while there was nothing to send
                self._reach(self._link.renew)
            waiting = deque(self._fitting(row) for row in batch.rows if row.seq not in self._taken)
            sent: dict[int, Message] = {}
            refused: list[tuple[int, Message]] = []
            try:
                while waiting or sent:
                    self._exchange(waiting, sent, refused)
            except OutputDown:
                self._blame(sent)
                raise
        self._is_wary, self._strikes = False, 0
        self._judge(refused)

    def _fitting(self, row: Any) -> Message:
        message, largest = self._wire.message(row), self._link.largest
        if largest and (size := self._link.size(message)) > largest:
            raise RecordRefused(self._name, message.seq, f"{_NEVER[0x95]}: {size} bytes, it takes {largest}")
        return message

    def _exchange(self, waiting: deque[Message], sent: dict[int, Message], refused: list[tuple[int, Message]]) -> None:
        """Fill the window, take in the PUBACKs that have come."""
        room = (1 if self._is_wary else self._link.window) - len(sent)
        more = [waiting.popleft() for _ in range(min(len(waiting), room))]
        self._sent_at = time.monotonic() if more else self._sent_at
        sent.update(zip(self._link.send(more), more))
        for number, code in self._link.pubacks():
            message = sent.pop(number)
            if self._is_taken(code, message):
                self._taken.add(message.seq)
                continue
            refused.append((code, message))
            if code not in _NEVER and code != _DENIED:
                waiting.clear()                   # no more goes ahead of what must go again

    def _blame(self, sent: dict[int, Message]) -> None:
        """The try has ended with these under way, and one may be why.  Raises RecordRefused where one surely is.

        From now on they go one by one.  A strike against one: the connection stood (its birth was confirmed), ended
        right behind this one alone, for no other reason that was said, and the next stands at once.  So a broker that
        is down, is killed, or is started again earns no record a strike, and takes away those that there are.
        """
        is_struck = len(sent) == 1 and self._link.end and self._link.may_be_for_a_message and \
            time.monotonic() - self._sent_at < _BEHIND_S
        self._is_wary = self._is_wary or bool(self._link.end)
        if not is_struck:
            self._strikes = 0
            return
        self._reach(self._link.renew)
        message, = sent.values()
        self._strikes = self._strikes + 1 if message.seq == self._suspect else 1
        self._suspect = message.seq
        if self._strikes >= _STRIKES:
            self._strikes = 0
            why = f"{_STRIKES} times the connection ended right behind it, and stood again at once"
            raise RecordRefused(self._name, message.seq, why) from None

    def _reach(self, connect: Callable[[], None]) -> None:
        try:
            connect()
        except OutputDown:
            self._strikes = 0
            raise

    def _judge(self, refused: list[tuple[int, Message]]) -> None:
        """What the broker has answered for each of these.  Raises RecordRefused, OutputDown.

        A topic that is denied while others are taken is that record's fault.  Where nothing else was taken it waits,
        for as long as it takes: most likely the user's rights are missing altogether, a person at the broker puts that
        right, and refusing would set one record after the other aside until then.
        """
        for code, message in sorted(refused, key=lambda one: one[0] not in _NEVER):
            if code in _NEVER:
                raise RecordRefused(self._name, message.seq, f"the broker refuses it: {_NEVER[code]} ({message.topic})")
            if code == _DENIED and self._taken:
                raise RecordRefused(self._name, message.seq, f"the broker denies the topic {message.topic}, not others")
            why = _WAITS.get(code, f"is not taken: {hex(code)}")
            raise OutputDown(self._name, f"the topic {message.topic} {why}")

    def _is_taken(self, code: int, message: Message) -> bool:
        if code == _UNHEARD and not self._is_unheard_told:
            self._is_unheard_told = True
            log.warning("no-subscriber", output=self._name, topic=message.topic)
        return code < REFUSED_FROM and not (code == _UNHEARD and self._settings.without_subscriber == "hold")

    def close(self) -> None:
        """Say that we are gone, and go; in a second at most."""
        link, self._link = self._link, None
        if link is not None:
            link.close()


def build(name: str, site: str, settings: Settings, cursor: Cursor, files: Files) -> MqttOutput:
    """The output `name` of this site; the cursor needs no pending batches: a repeat has the same id."""
    return MqttOutput(name, site, settings)
