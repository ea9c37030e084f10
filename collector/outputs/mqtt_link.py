"""One MQTT 5 connection: bytes out, PUBACKs in, the birth and the last will; the only importer of paho.

Knows: paho, what a broker says at the door and at the end.
Must not know: batches, when a record counts as delivered or is refused, the journal.

Of paho only what holds is used: it is handed no more than `window` messages, never reconnects by itself (it would send
its own queue in memory again), and its callbacks only put down what they are told.
"""

import contextlib
import socket
import threading
import time
from collections.abc import Callable, Iterator
from typing import Any

import structlog
from msgspec import Struct

from collector.errors import OutputDown
from collector.outputs.broker_files import password, tls_context, unreachable
from collector.outputs.messages import Message, QueueSettings
from collector.outputs.mqtt_packet import (CONTENT_TYPES, ENDED, FOR_A_MESSAGE, NO_ENTRY, REFUSED_FROM, Packed,
                                           packet_bytes, properties)

try:
    from paho.mqtt.client import CallbackAPIVersion, Client, MQTTv5
except ImportError:                       # the extra is not installed: the settings say so
    Client = None

log = structlog.get_logger()

IS_INSTALLED = Client is not None
_KEEPALIVE_S, _CONNECT_S, _CLOSE_S, _AGAIN_S = 15, 5.0, 1.0, 5.0


class Birth(Struct, frozen=True):
    """What stands retained at `topic`: `online` from a connection's start, `offline` from its end."""

    topic: str
    online: bytes
    offline: bytes


class Link:
    """A connection, made again when it was lost; each has a new client, so that nothing of the old comes along.

    Whoever holds it moves the bytes; while nobody does, a thread of its own answers for the keepalive and makes the
    connection again.  (With a network thread all the time the two fight over the interpreter's lock: less than half as
    many messages.)  `end`: what has ended it, in words.
    """

    def __init__(self, output: str, settings: QueueSettings, client_id: str, birth: Birth):
        self._output, self._settings, self._address, self._birth = output, settings, settings.address, birth
        self._client_id, self._content_type = client_id, CONTENT_TYPES[settings.envelope]
        self._turn, self._is_closed = threading.Lock(), threading.Event()
        self._client: Any = None
        self._forget()

    def _forget(self) -> None:
        self._pubacks: list[tuple[int, int]] = []
        self._connack: tuple[int, Any] | None = None
        self.end, self.may_be_for_a_message = "", True
        self.window, self.largest = self._settings.window, 0

    def open(self) -> None:
        """Connect, with a last will, and say that we are there.  Raises OutputDown."""
        with self._turn:
            self.renew()
        threading.Thread(target=self._keep_up, name=f"mqtt-{self._output}", daemon=True).start()

    @contextlib.contextmanager
    def held(self) -> Iterator[None]:
        """Inside, nobody else moves its bytes.  Raises OutputDown: just now it is made again."""
        if not self._turn.acquire(timeout=_CLOSE_S):
            raise self._down(f"the connection to {self._address} is gone, a new one is not there yet")
        try:
            yield
        finally:
            self._turn.release()

    def _keep_up(self) -> None:
        pause_s = _KEEPALIVE_S / 10
        while not self._is_closed.wait(pause_s):
            if self._turn.acquire(blocking=False):
                try:
                    pause_s = _KEEPALIVE_S / 10 if self._is_kept() else _AGAIN_S
                finally:
                    self._turn.release()

    def _is_kept(self) -> bool:
        if self.is_lost() and not self._is_closed.is_set():
            try:
                self.renew()
            except OutputDown:            # who has something to deliver will say so
                return False
        return True

    # --- by whoever holds it

    def is_lost(self) -> bool:
        """Whether it has ended, as far as can be told without waiting."""
        if not self.end:
            self._move(0)
        return bool(self.end)

    def renew(self) -> None:
        """A new connection; the birth is confirmed on it.  Raises OutputDown."""
        self._cut()
        self._forget()
        try:
            self._connect()
            self._greet()
        except OutputDown as down:
            self._cut()
            self.end = down.cause
            raise
        if self._is_closed.is_set():      # who closed could not wait
            self._cut()

    def _connect(self) -> None:
        settings, address = self._settings, self._address
        self._client = client = self._new_client()
        if settings.user:
            client.username_pw_set(settings.user, password(self._output, settings) or None)
        context = tls_context(self._output, settings)
        if context is not None:
            client.tls_set_context(context)
        client.will_set(self._birth.topic, self._birth.offline, qos=1, retain=True)
        client.connect_timeout = min(_CONNECT_S, settings.timeout_s)
        try:
            client.connect(address.host, address.port, _KEEPALIVE_S, clean_start=True)
        except (OSError, ValueError) as error:                     # ValueError: a name that can't be one
            raise self._down(unreachable(address, error)) from error
        self._wait(lambda: self._connack)
        self._heed_connack(*self._connack)

    def _greet(self) -> None:
        self._client.publish(self._birth.topic, self._birth.online, qos=1, retain=True)
        for _, code in self.pubacks():
            if code >= REFUSED_FROM:
                log.warning("state-topic-refused", output=self._output, topic=self._birth.topic, reason=hex(code))

    def _new_client(self) -> "Client":
        client = Client(CallbackAPIVersion.VERSION2, self._client_id, protocol=MQTTv5, reconnect_on_failure=False)
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
            self.end = f"{ENDED.get(reason.value, f'the broker has ended the connection: {reason}')} ({self._address})"
            self.may_be_for_a_message = reason.value in FOR_A_MESSAGE

    def _heed_connack(self, code: int, limits: Any) -> None:
        if code:
            who = f"user {self._settings.user}" if self._settings.user else "anybody without a user"
            why = NO_ENTRY.get(code, f"reason {code:#04x}")
            raise self._down(f"the broker {self._address} does not let {who} in: {why}")
        if getattr(limits, "MaximumQoS", 1) == 0:
            raise self._down(f"the broker {self._address} confirms nothing (it takes QoS 0 only)")
        self.window = min(self.window, getattr(limits, "ReceiveMaximum", self.window))
        self.largest = getattr(limits, "MaximumPacketSize", 0)

    def size(self, message: Message) -> int:
        """The bytes of its packet; a broker that says so takes `largest` at most."""
        return packet_bytes(message.topic, self._properties(message.id), message.body)

    def send(self, messages: list[Message]) -> list[int]:
        """Hand these to the network, in order; gives the number that each one's PUBACK carries.  Raises OutputDown."""
        sent = [self._client.publish(one.topic, one.body, 1, False, self._properties(one.id)) for one in messages]
        if any(one.rc for one in sent):
            raise self._down(self.end or f"the connection to {self._address} is gone")
        return [one.mid for one in sent]

    def _properties(self, id_: str) -> Packed:
        return properties(self._content_type, id_)

    def pubacks(self) -> list[tuple[int, int]]:
        """(number, reason code) of those that have come, at least one.  Raises OutputDown: the end, or none in time."""
        self._wait(lambda: self._pubacks)
        found, self._pubacks = self._pubacks, []
        return found

    def _wait(self, has_come: Callable[[], Any]) -> None:
        deadline = time.monotonic() + self._settings.timeout_s
        while not has_come():
            rest_s = deadline - time.monotonic()
            if self.end:
                raise self._down(self.end)
            if rest_s <= 0:
                raise self._down(f"the broker {self._address} has confirmed nothing for {self._settings.timeout_s:g} s")
            self._move(min(rest_s, 1.0))          # often enough for the keepalive

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

    def close(self) -> None:
        """Say good-bye and go, in a second at most; what does not end by then is cut off.  Never raises."""
        self._is_closed.set()
        deadline = time.monotonic() + _CLOSE_S
        if not self._turn.acquire(timeout=_CLOSE_S):               # whoever makes it again will cut it off
            return
        try:
            self._part(deadline)
        finally:
            self._cut()
            self._turn.release()

    def _part(self, deadline: float) -> None:
        client = self._client
        with contextlib.suppress(Exception):
            if client.is_connected():
                client.publish(self._birth.topic, self._birth.offline, qos=0,
                               retain=True)    # before DISCONNECT, in order
            client.disconnect()
            while client.socket() is not None and time.monotonic() < deadline:
                self._move(0.1)

    def _cut(self) -> None:
        with contextlib.suppress(OSError, AttributeError):
            self._client.socket().close()

    def _down(self, cause: str) -> OutputDown:
        return OutputDown(self._output, cause)
