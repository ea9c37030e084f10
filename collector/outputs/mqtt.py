"""Output kind `mqtt`: each record a message of MQTT 5 at QoS 1, delivered when the broker's PUBACK says so.

Knows: reason codes and what they mean for a record, the birth and last will; the only importer of paho.
Must not know: the journal, the cursor, when a batch comes again.

Of paho only what holds is used: it is handed no more than `window` messages, never reconnects by itself (it would send
its own queue in memory again), and its callbacks only put down what they are told.
"""

import contextlib
import secrets
import socket
import threading
import time
from collections import Counter, deque
from collections.abc import Callable
from pathlib import Path
from typing import Any, Literal

import structlog
from msgspec import Struct, json
from pydantic import field_validator, model_validator

from collector.errors import OutputDown, RecordRefused
from collector.files import Files
from collector.outputs import Batch
from collector.outputs.cursor import Cursor
from collector.outputs.messages import (CONTENT_TYPES, Heading, Message, QueueSettings, Template, Wire, needs_extra,
                                        password, tls_context, unreachable)
from collector.settings import Name

try:
    from paho.mqtt.client import CallbackAPIVersion, Client, MQTTv5
    from paho.mqtt.properties import VariableByteIntegers
except ImportError:                       # the extra is not installed: Settings says so
    Client = None

log = structlog.get_logger()

_BOOT = Path("/proc/sys/kernel/random/boot_id")
_KEEPALIVE_S, _CONNECT_S, _CLOSE_S = 15, 5.0, 1.0
_LONGEST_TOPIC = 65_535
_UNHEARD, _REFUSED_FROM, _DENIED = 0x10, 0x80, 0x87        # reason codes
_BLAMED = 3
_NEVER = {0x90: "its topic is not accepted", 0x95: "it is larger than the broker takes",
          0x99: "its content is not what the broker takes"}
_WAITS = {_DENIED: "is denied", _UNHEARD: "has no subscriber", 0x97: "is not taken: a quota is used up"}
_CONTENT_TYPES = {**CONTENT_TYPES, "cloudevents": f"{CONTENT_TYPES['cloudevents']}; charset=utf-8"}
_NO_ENTRY = {
    0x84: "it does not speak MQTT 5", 0x85: "the client id is not accepted", 0x86: "user or password is wrong",
    0x87: "not authorised: are user and password right, may it write the last will?", 0x88: "it is not available",
    0x89: "it is busy", 0x8A: "banned", 0x97: "a quota is used up", 0x9A: "it keeps no retained messages"}
_ENDED = {0x8B: "the broker is shutting down", 0x8E: "another client has come with the same client id",
          0x95: "a message was larger than the broker takes"}


class Settings(QueueSettings):
    """`outputs.NAME` with `kind: mqtt`.  `without-subscriber: hold`: a message that nobody gets is no delivery."""

    schemes = {"mqtt": (1883, False), "mqtts": (8883, True)}

    topic: str = "plant/{site}/{port}/{channel}/{kind}"
    state_topic: str = "collector/{site}/{output}/state"
    client_id: Name | None = None
    without_subscriber: Literal["warn", "hold"] = "warn"

    @field_validator("topic", "state_topic")
    @classmethod
    def _is_topic(cls, value: str) -> str:
        Template(value, "/")
        return value

    @model_validator(mode="after")
    def _is_installed(self) -> "Settings":
        if Client is None:
            raise needs_extra("mqtt")
        return self


class Link:
    """One connection, from CONNECT to its end; a new one has a new client, so that nothing of the old comes along.

    Whoever waits for PUBACKs moves the bytes; while nobody does, a thread of its own answers for the keepalive.  (With
    a network thread all the time the two fight over the interpreter's lock: less than half as many messages.)
    """

    def __init__(self, output: str, settings: Settings, client_id: str):
        self._output, self._settings, self._address = output, settings, settings.address
        self._content_type = b"\x03" + _text(_CONTENT_TYPES[settings.envelope])
        self._pubacks: list[tuple[int, int]] = []
        self._connack: tuple[int, Any] | None = None
        self.end = ""                             # what has ended the connection, in words
        self._turn, self._is_closed = threading.Lock(), threading.Event()
        self._client = self._new_client(client_id)
        self.window, self._largest = settings.window, 0

    def _new_client(self, client_id: str) -> "Client":
        client = Client(CallbackAPIVersion.VERSION2, client_id, protocol=MQTTv5, reconnect_on_failure=False)
        client.suppress_exceptions = True
        client.max_inflight_messages = 0          # the window is ours
        client.on_socket_open = lambda _client, _data, wire: wire.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        client.on_connect = self._on_connect
        client.on_publish = self._on_publish
        client.on_disconnect = self._on_disconnect
        return client

    def _on_connect(self, _client: Any, _data: Any, _flags: Any, reason: Any, limits: Any) -> None:
        self._connack = (reason.value, limits)

    def _on_publish(self, _client: Any, _data: Any, number: int, reason: Any, _properties: Any) -> None:
        self._pubacks.append((number, reason.value))

    def _on_disconnect(self, _client: Any, _data: Any, flags: Any, reason: Any, _properties: Any) -> None:
        self.end = f"the connection to {self._address} is gone"
        if flags.is_disconnect_packet_from_server:
            self.end = f"{_ENDED.get(reason.value, f'the broker has ended the connection: {reason}')} ({self._address})"

    def open(self, state_topic: str, birth: bytes, will: bytes) -> None:
        """Connect, with a last will, and say that we are there.  Raises OutputDown."""
        settings, client, address = self._settings, self._client, self._address
        if settings.user:
            client.username_pw_set(settings.user, password(self._output, settings) or None)
        context = tls_context(self._output, settings)
        if context is not None:
            client.tls_set_context(context)
        client.will_set(state_topic, will, qos=1, retain=True)
        client.connect_timeout = min(_CONNECT_S, settings.timeout_s)
        try:
            client.connect(address.host, address.port, _KEEPALIVE_S, clean_start=True)
        except (OSError, ValueError) as error:                     # ValueError: a name that can't be one
            raise self._down(unreachable(address, error)) from error
        self._wait(lambda: self._connack)
        self._heed_connack(*self._connack)
        client.publish(state_topic, birth, qos=1, retain=True)
        for _, code in self.pubacks():
            if code >= _REFUSED_FROM:
                log.warning("state-topic-refused", output=self._output, topic=state_topic, reason=hex(code))
        threading.Thread(target=self._keep_alive, name=f"mqtt-{self._output}", daemon=True).start()

    def _heed_connack(self, code: int, limits: Any) -> None:
        if code:
            who = f"user {self._settings.user}" if self._settings.user else "anybody without a user"
            why = _NO_ENTRY.get(code, f"reason {code:#04x}")
            raise self._down(f"the broker {self._address} does not let {who} in: {why}")
        if getattr(limits, "MaximumQoS", 1) == 0:
            raise self._down(f"the broker {self._address} confirms nothing (it takes QoS 0 only)")
        self.window = min(self.window, getattr(limits, "ReceiveMaximum", self.window))
        self._largest = getattr(limits, "MaximumPacketSize", 0)

    def _keep_alive(self) -> None:
        while not self._is_closed.wait(_KEEPALIVE_S / 10) and not self.end:
            with self._turn:
                self._move(0)

    def refuse_too_large(self, message: Message) -> Message:
        """The message, if the broker takes one of its size.  Raises RecordRefused."""
        size = _packet_bytes(message.topic, self._properties(message.id), message.body)
        if self._largest and size > self._largest:
            raise RecordRefused(self._output, message.seq, f"{_NEVER[0x95]}: {size} bytes, it takes {self._largest}")
        return message

    def send(self, messages: list[Message]) -> list[int]:
        """Hand these to the network, in order; gives the number that each one's PUBACK carries.  Raises OutputDown."""
        with self._turn:
            sent = [self._client.publish(one.topic, one.body, 1, False, self._properties(one.id)) for one in messages]
        if any(one.rc for one in sent):
            raise self._down(self.end or f"the connection to {self._address} is gone")
        return [one.mid for one in sent]

    def _properties(self, id_: str) -> "_Packed":
        return _Packed(self._content_type + b"\x26" + _text("id") + _text(id_))

    def pubacks(self) -> list[tuple[int, int]]:
        """(number, reason code) of those that have come, at least one.  Raises OutputDown: the end, or none in time."""
        self._wait(lambda: self._pubacks)
        found, self._pubacks = self._pubacks, []
        return found

    def _wait(self, has_come: Callable[[], Any]) -> None:
        deadline = time.monotonic() + self._settings.timeout_s
        with self._turn:
            while not has_come():
                rest_s = deadline - time.monotonic()
                if self.end:
                    raise self._down(self.end)
                if rest_s <= 0:
                    waited = f"{self._settings.timeout_s:g} s"
                    raise self._down(f"the broker {self._address} has confirmed nothing for {waited}")
                self._move(min(rest_s, 1.0))      # often enough for the keepalive

    def _move(self, most_s: float) -> None:
        """Bytes out and in, and the keepalive; waits `most_s` at most.  What goes wrong is in `end`.

        A broker that gathers small packets, as they do, sends the next PUBACKs only once TCP has the last acknowledged:
        where that can be asked for at once, four times as many messages go through.
        """
        try:
            if (wire := self._client.socket()) is not None and hasattr(socket, "TCP_QUICKACK"):
                wire.setsockopt(socket.IPPROTO_TCP, socket.TCP_QUICKACK, 1)
            if self._client.loop(most_s) and not self.end:
                self.end = f"the connection to {self._address} is gone"
        except Exception as error:                # whatever paho raises at bytes that are no MQTT
            self.end = f"{self._address} does not speak MQTT 5 ({error!r})"

    def close(self, state_topic: str, farewell: bytes) -> None:
        """Say good-bye and go, in a second at most; what does not end by then is cut off.  Never raises."""
        self._is_closed.set()
        client, deadline = self._client, time.monotonic() + _CLOSE_S
        with self._turn, contextlib.suppress(Exception):
            if client.is_connected():
                client.publish(state_topic, farewell, qos=0, retain=True)      # goes before DISCONNECT, in order
            client.disconnect()
            while client.socket() is not None and time.monotonic() < deadline:
                self._move(0.1)
        with contextlib.suppress(OSError, AttributeError):
            client.socket().close()

    def _down(self, cause: str) -> OutputDown:
        return OutputDown(self._output, cause)


class MqttOutput:
    """A broker behind the three verbs."""

    every_s = 0.0
    gathers = False

    def __init__(self, name: str, site: str, settings: Settings):
        self.records = settings.window
        self._name, self._settings, self._link = name, settings, None
        self._client_id = settings.client_id or f"{site}-{name}"
        self._wire = Wire(name, site, Template(settings.topic, "/"), settings.envelope, _LONGEST_TOPIC)
        self._state_topic = Template(settings.state_topic, "/").fill(site, name, Heading("", "", ""))
        self._who = {"site": site, "output": name, "instance": secrets.token_hex(8),
                     "boot": _BOOT.read_text().strip() if _BOOT.exists() else ""}
        self._is_unheard_told = False
        self._taken: set[int] = set()             # seqs that the broker has confirmed, of the batch now under way
        self._blamed: Counter[int] = Counter()    # how often the connection has ended under this one alone
        self._is_wary = False

    def open(self) -> None:
        """Connect.  Raises OutputDown."""
        self._link = Link(self._name, self._settings, self._client_id)
        self._link.open(self._state_topic, self._state("online"), self._state("offline"))

    def adopt(self) -> None:
        """A broker has no past that could be forgotten."""

    def together(self, rows: tuple[Any, ...]) -> int:
        return len(rows)

    def write(self, batch: Batch) -> None:
        """Every record of the batch has its PUBACK.  Raises OutputDown, RecordRefused."""
        self._taken = {seq for seq in self._taken if seq >= batch.first}
        rows = [row for row in batch.rows if row.seq not in self._taken]
        rows.sort(key=lambda row: self._blamed[row.seq] >= _BLAMED)
        waiting = deque(self._link.refuse_too_large(self._wire.message(row)) for row in rows)
        sent: dict[int, Message] = {}
        refused: list[tuple[int, Message]] = []
        try:
            while waiting or sent:
                self._exchange(waiting, sent, refused)
        except OutputDown:
            self._blame(sent)
            raise
        self._is_wary = False
        self._blamed.clear()
        self._judge(refused)

    def _exchange(self, waiting: deque[Message], sent: dict[int, Message], refused: list[tuple[int, Message]]) -> None:
        """Fill the window, take in the PUBACKs that have come."""
        room = (1 if self._is_wary else self._link.window) - len(sent)
        more = [waiting.popleft() for _ in range(min(len(waiting), room))]
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
        """The connection has ended under these, and one of them may be why.  Raises RecordRefused where one surely is.

        From now on they go one by one; one that has ended the connection several times goes last, and if the others
        were taken and it ends it once more, it is to blame.
        """
        if not self._link.end:
            return
        self._is_wary = True
        if len(sent) == 1:
            message, = sent.values()
            self._blamed[message.seq] += 1
            if self._blamed[message.seq] > _BLAMED and self._taken:
                why = "the connection ends each time it is sent, and others are taken"
                raise RecordRefused(self._name, message.seq, why) from None

    def _judge(self, refused: list[tuple[int, Message]]) -> None:
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
        return code < _REFUSED_FROM and not (code == _UNHEARD and self._settings.without_subscriber == "hold")

    def close(self) -> None:
        """Say that we are gone, and go; in a second at most."""
        link, self._link = self._link, None
        if link is not None:
            link.close(self._state_topic, self._state("offline"))

    def _state(self, state: str) -> bytes:
        return json.encode({"state": state, **self._who})


def build(name: str, site: str, settings: Settings, cursor: Cursor, files: Files) -> MqttOutput:
    """The output `name` of this site; the cursor needs no pending batches: a repeat has the same id."""
    return MqttOutput(name, site, settings)


class _Packed(Struct, frozen=True):
    """Properties of a PUBLISH as their bytes (MQTT 5.0, 2.2.2: 0x03 content type, 0x26 user property).

    In paho's own class they took 230 µs a message, more than all the rest together.
    """

    content: bytes

    def pack(self) -> bytes:
        return VariableByteIntegers.encode(len(self.content)) + self.content


def _text(text: str) -> bytes:
    data = text.encode()
    return len(data).to_bytes(2, "big") + data


def _packet_bytes(topic: str, properties: _Packed, body: bytes) -> int:
    """The size of a PUBLISH at QoS 1 (MQTT 5.0, 3.3): fixed header, topic, packet identifier, properties, payload."""
    remaining = 2 + len(topic.encode()) + 2 + len(properties.pack()) + len(body)
    return 1 + len(VariableByteIntegers.encode(remaining)) + remaining
