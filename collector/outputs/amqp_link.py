"""One AMQP 0-9-1 connection with one channel, in a thread of its own; the only importer of pika.

Heartbeats go on while there is nothing to deliver, and who delivers can give up on it, since what the library says
comes out of a queue that is waited on with a deadline.
Knows: pika, what the reason of an end means to a person.
Must not know: batches, when a record counts as delivered or is refused, the journal.
"""

import queue
import threading
from functools import partial
from typing import Any
from urllib.parse import unquote

from msgspec import Struct

from collector.errors import OutputDown
from collector.outputs.broker_files import password, tls_context, unreachable
from collector.outputs.messages import CONTENT_TYPES, Address, Message, QueueSettings

try:
    import pika
    from pika.adapters.select_connection import IOLoop, SelectConnection
    from pika.adapters.utils.connection_workflow import AMQPConnectorStackTimeout
except ImportError:                                 # the extra is not installed: the settings say so
    pika = None

IS_INSTALLED = pika is not None
ACCESS_REFUSED, NOT_FOUND, PRECONDITION_FAILED = 403, 404, 406         # reply codes
_HEARTBEAT_S = 15
_CLOSE_WITHIN_S, _AGAIN_S = 1.0, 3.0
_PERSISTENT = 2                                     # delivery mode


class Opened(Struct, frozen=True):
    """The exchange is there, confirms are on."""


class Answer(Struct, frozen=True):
    """The message `tag`, or with `multiple` every one up to it, is confirmed; or not taken."""

    tag: int
    multiple: bool
    is_taken: bool


class Returned(Struct, frozen=True):
    """No queue takes the message with this id; it is confirmed all the same, right behind."""

    id: str


class Blocked(Struct, frozen=True):
    """The broker takes nothing now, and why; "": it does again."""

    why: str


class Ended(Struct, frozen=True):
    """The channel or the connection is gone.  `code`: the broker's, 0 where it gave none."""

    why: str
    code: int = 0


class Link:
    """All of pika happens in its thread; callbacks do no more than `said.put`.

    While it is held, its end is said and it stays ended.  Lost while nobody holds it, it is made again, with a new
    `said` and tags from 1 on.
    """

    def __init__(self, output: str, site: str, settings: QueueSettings, exchange: str):
        """Begins to connect; it is held.  Raises OutputDown: its files can't be used."""
        self._output, self._name, self._settings = output, f"{site}-{output}", settings
        self._exchange, self._address = exchange, settings.address
        self._lock, self._left, self._is_held = threading.Lock(), threading.Event(), True
        self._forget()
        self._thread = threading.Thread(target=self._run, args=(self._parameters(),), name="amqp", daemon=True)
        self._thread.start()

    def _forget(self) -> None:
        self.said: queue.SimpleQueue[Any] = queue.SimpleQueue()
        self._connection: Any = None
        self._channel: Any = None
        self._loop = IOLoop()
        self._sent = 0                              # the last tag
        self.is_proven = False                      # a message has been confirmed on it

    @property
    def is_up(self) -> bool:
        return self._channel is not None and self._channel.is_open

    def hold(self) -> bool:
        """From now on its end is said.  Whether it is up."""
        with self._lock:
            self._is_held = True
            return self.is_up

    def release(self) -> None:
        """Nothing is under way: lost from now on, it is made again."""
        with self._lock:
            self._is_held = False

    def send(self, messages: list[tuple[Message, int]]) -> list[int]:
        """Have these published in order, each with its time (s since 1970); gives the tags of their answers."""
        first, self._sent = self._sent + 1, self._sent + len(messages)
        self._loop.add_callback_threadsafe(partial(self._publish, messages))
        return list(range(first, self._sent + 1))

    def close(self) -> None:
        """Leave the broker in good order, within a second; else the thread ends by pika's own heartbeat or timeout."""
        with self._lock:
            self._left.set()
            self._loop.add_callback_threadsafe(self._leave)
        self._thread.join(_CLOSE_WITHIN_S)

    # --- in the thread

    def _run(self, parameters: Any) -> None:
        self._live(parameters)
        while self._is_wanted_again():
            try:
                self._live(self._parameters())
            except OutputDown:                      # who has something to deliver will say so
                self._loop.close()

    def _is_wanted_again(self) -> bool:
        if self._is_held or self._left.wait(_AGAIN_S):
            return False
        with self._lock:
            if self._is_held or self._left.is_set():
                return False
            self._forget()
        return True

    def _live(self, parameters: Any) -> None:
        """From the first byte of a connection to its end."""
        try:
            self._connection = SelectConnection(parameters, self._on_open, self._on_end, self._on_end, self._loop)
            self._loop.start()
        except Exception as error:                  # a fault in the library must end no more than this link
            self._on_end(self._connection, error)
        self._loop.close()

    def _on_open(self, connection: Any) -> None:
        connection.add_on_connection_blocked_callback(
            lambda _, frame: self.said.put(Blocked(frame.method.reason or "no reason given")))
        connection.add_on_connection_unblocked_callback(lambda _, frame: self.said.put(Blocked("")))
        connection.channel(on_open_callback=self._on_channel)

    def _on_channel(self, channel: Any) -> None:
        channel.add_on_close_callback(self._on_channel_end)
        channel.add_on_return_callback(lambda *returned: self.said.put(Returned(returned[2].message_id)))
        channel.confirm_delivery(self._on_answer, lambda frame: self._find_exchange(channel))

    def _find_exchange(self, channel: Any) -> None:
        if self._exchange:
            channel.exchange_declare(self._exchange, passive=True, callback=lambda frame: self._on_found(channel))
            return
        self._on_found(channel)                     # the default exchange is always there

    def _on_found(self, channel: Any) -> None:
        self._channel = channel
        self.said.put(Opened())

    def _publish(self, messages: list[tuple[Message, int]]) -> None:
        for message, at_s in messages:
            if not self.is_up:                      # its end has been said
                return
            properties = pika.BasicProperties(CONTENT_TYPES[self._settings.envelope], delivery_mode=_PERSISTENT,
                                              message_id=message.id, timestamp=at_s)
            self._channel.basic_publish(self._exchange, message.topic, message.body, properties, mandatory=True)

    def _on_answer(self, frame: Any) -> None:
        method = frame.method
        self.said.put(Answer(method.delivery_tag, method.multiple, isinstance(method, pika.spec.Basic.Ack)))

    def _on_channel_end(self, channel: Any, error: Exception) -> None:
        self.said.put(ended(error, self._address))
        self._leave()

    def _on_end(self, connection: Any, error: Exception) -> None:
        self.said.put(ended(error, self._address))
        self._loop.stop()

    def _leave(self) -> None:
        if self._connection is not None and not self._connection.is_closing and not self._connection.is_closed:
            self._connection.close()

    def _parameters(self) -> Any:
        settings, address = self._settings, self._address
        timeout_s, context = settings.timeout_s, tls_context(self._output, settings)
        credentials = pika.PlainCredentials(settings.user, password(self._output, settings))
        if not settings.user:                       # a certificate says who it is; else the user that a new broker has
            credentials = pika.PlainCredentials("guest", "guest")
            if settings.certificate_file:
                credentials = pika.credentials.ExternalCredentials()
        return pika.ConnectionParameters(
            address.host, address.port, unquote(address.path) or "/", credentials, heartbeat=_HEARTBEAT_S,
            ssl_options=context and pika.SSLOptions(context, address.host),
            socket_timeout=timeout_s, stack_timeout=timeout_s, blocked_connection_timeout=timeout_s,
            client_properties={"connection_name": self._name})


def ended(error: BaseException, address: Address) -> Ended:
    """What the library gave as the reason of an end, for the person who must act."""
    error = _innermost(error)
    if isinstance(error, AMQPConnectorStackTimeout):
        return Ended(unreachable(address, TimeoutError()))
    if isinstance(error, OSError):
        return Ended(unreachable(address, error))
    if isinstance(error, pika.exceptions.ProbableAuthenticationError | pika.exceptions.ProbableAccessDeniedError):
        return Ended(f"the broker {address} does not let us in: are user, password and virtual host right? ({error})")
    if isinstance(error, pika.exceptions.ConnectionClosed | pika.exceptions.ChannelClosed):
        hint = {ACCESS_REFUSED: "; may the user write to the exchange?", NOT_FOUND: "; it is never made by us"}
        return Ended(f"the broker {address} says: {error.reply_text}{hint.get(error.reply_code, '')}", error.reply_code)
    return Ended(f"the connection to {address} is lost; is it an AMQP 0-9-1 broker? ({error or type(error).__name__})")


def _innermost(error: BaseException) -> BaseException:
    inner = getattr(error, "exceptions", None) or [getattr(error, "exception", None), *error.args[:1]]
    found = [one for one in inner if isinstance(one, BaseException)]
    return _innermost(found[-1]) if found else error
