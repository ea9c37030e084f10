"""Output kind `amqp`: each record one persistent message to an exchange, AMQP 0-9-1 with publisher confirms, by pika.

Delivered is what the broker has confirmed and not returned.  After a (re)connection the first message goes alone: while
nothing is bound for it nothing later overtakes it; then up to `window` messages are under way.
Knows: pika, and what a confirm, a return, a refusal and a blocked connection mean for the records under way.
Must not know: the journal, the cursor, what a record says.

A connection lives in a thread of its own (`Link`): heartbeats go on while there is nothing to deliver, and who delivers
can give up on it, since what the library says comes out of a queue that is waited on with a deadline.
"""

import queue
import threading
import time
from collections import deque
from functools import partial
from itertools import takewhile
from typing import Any
from urllib.parse import unquote

from msgspec import Struct
from pydantic import field_validator, model_validator

from collector.errors import OutputDown, RecordRefused
from collector.files import Files
from collector.outputs import Batch
from collector.outputs.cursor import Cursor
from collector.outputs.messages import (
    CONTENT_TYPES, Address, Message, QueueSettings, Template, Wire, needs_extra, password, tls_context, unreachable)
from collector.settings import wrong

try:
    import pika
    from pika.adapters.select_connection import IOLoop, SelectConnection
    from pika.adapters.utils.connection_workflow import AMQPConnectorStackTimeout
except ImportError:                                 # the extra is not installed: the settings say so
    pika = None

_HEARTBEAT_S = 15
_CLOSE_WITHIN_S = 1.0
_SHORT_STRING = 255                                 # bytes: the most that a name or a key of AMQP 0-9-1 may have
_PERSISTENT = 2                                     # delivery mode
_ACCESS_REFUSED, _NOT_FOUND, _PRECONDITION_FAILED = 403, 404, 406      # reply codes


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
        if pika is None:
            raise needs_extra("amqp")
        return self


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
    """The channel or the connection is gone, and will not come back.  `code`: the broker's, 0 where it gave none."""

    why: str
    code: int = 0


class Link:
    """One connection with one channel.  All of pika happens in its thread; callbacks do no more than `said.put`."""

    def __init__(self, parameters: "pika.ConnectionParameters", address: Address, exchange: str):
        self.said: queue.SimpleQueue[Any] = queue.SimpleQueue()
        self._address, self._exchange, self._loop = address, exchange, IOLoop()
        self._connection: Any = None
        self._channel: Any = None
        self._thread = threading.Thread(target=self._run, args=(parameters,), name="amqp", daemon=True)
        self._thread.start()

    @property
    def is_up(self) -> bool:
        return self._channel is not None and self._channel.is_open

    def send(self, messages: list[tuple[Message, Any]]) -> None:
        """Have these published with their properties, in order; tags go on from the last one's, a link's first is 1."""
        self._loop.add_callback_threadsafe(partial(self._publish, messages))

    def close(self) -> None:
        """Leave the broker in good order, within a second; else the thread ends by pika's own heartbeat or timeout."""
        self._loop.add_callback_threadsafe(self._leave)
        self._thread.join(_CLOSE_WITHIN_S)

    # --- in the thread

    def _run(self, parameters: "pika.ConnectionParameters") -> None:
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
        self._channel = channel
        if self._exchange:
            channel.exchange_declare(self._exchange, passive=True, callback=lambda frame: self.said.put(Opened()))
            return
        self.said.put(Opened())                     # the default exchange is always there

    def _publish(self, messages: list[tuple[Message, Any]]) -> None:
        for message, properties in messages:
            if not self.is_up:                      # its end has been said
                return
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
        hint = {_ACCESS_REFUSED: "; may the user write to the exchange?", _NOT_FOUND: "; it is never made by us"}
        return Ended(f"the broker {address} says: {error.reply_text}{hint.get(error.reply_code, '')}", error.reply_code)
    return Ended(f"the connection to {address} is lost; is it an AMQP 0-9-1 broker? ({error or type(error).__name__})")


def _innermost(error: BaseException) -> BaseException:
    inner = getattr(error, "exceptions", None) or [getattr(error, "exception", None), *error.args[:1]]
    found = [one for one in inner if isinstance(one, BaseException)]
    return _innermost(found[-1]) if found else error


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
        self._alone = False                         # one message at a time, to see which one ends the channel
        self._forget_link()

    def _forget_link(self) -> None:
        self._link = None
        self._sent = 0                              # the last tag
        self._flying: dict[int, tuple[Message, Any]] = {}       # by tag, in order
        self._returned: set[str] = set()
        self._blocked = ""
        self._is_proven = False                     # a message has been confirmed on it

    def open(self) -> None:
        """Reach the broker and see that the exchange is there.  Raises OutputDown."""
        self.close()
        address = self._settings.address
        self._link = Link(self._parameters(address), address, self._settings.exchange)
        said = self._hear(time.monotonic() + self._settings.timeout_s, f"the broker {address} does not answer")
        if isinstance(said, Ended):
            raise self._down(said.why)

    def adopt(self) -> None:
        """An exchange has no sentinel."""

    def together(self, rows: tuple[Any, ...]) -> int:
        return len(rows)

    def write(self, batch: Batch) -> None:
        """Every record is confirmed and in a queue.  Raises OutputDown, RecordRefused."""
        self._taken &= {row.seq for row in batch.rows}
        unsent = deque(self._outgoing(row) for row in batch.rows if row.seq not in self._taken)
        if not unsent:
            return
        if self._link is None or not self._link.is_up:          # it may have ended while there was nothing to do
            self.open()
        self._see_through(unsent)
        self._alone = False

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
        is_careful = self._alone or not self._is_proven
        if not unsent or (is_careful and self._flying):
            return
        going = [unsent.popleft() for _ in range(1 if is_careful else len(unsent))]
        self._flying |= dict(enumerate(going, self._sent + 1))
        self._sent += len(going)
        self._link.send(going)

    def _answered(self, said: Answer) -> str:
        """Remember what is confirmed.  Gives what is wrong, in words; "" for nothing."""
        fault = ""
        for tag in list(takewhile(lambda tag: tag <= said.tag, self._flying)) if said.multiple else [said.tag]:
            message, _ = self._flying.pop(tag)
            if not said.is_taken:
                fault = f"the broker did not take record {message.seq}; is a queue full?"
            elif message.id in self._returned:
                fault = f"no queue is bound to exchange {self._settings.exchange!r} for routing key {message.topic}"
            else:
                self._taken.add(message.seq)
                self._is_proven = True
        return fault

    def _lost(self, said: Ended) -> None:
        """The link has ended with messages under way.  Raises RecordRefused where it is sure which one did it."""
        flying = [message for message, _ in self._flying.values()]
        if said.code == _PRECONDITION_FAILED:
            self._alone = True
            if len(flying) == 1:
                self.close()
                raise RecordRefused(self._name, flying[0].seq, said.why)
        raise self._down(said.why)

    def _hear(self, deadline: float, otherwise: str) -> Any:
        try:
            return self._link.said.get(timeout=max(0.0, deadline - time.monotonic()))
        except queue.Empty:
            raise self._down(otherwise) from None

    def _down(self, cause: str) -> OutputDown:
        blocked = f"; the broker takes nothing now: {self._blocked}" if self._blocked else ""
        return OutputDown(self._name, cause + blocked)

    def _outgoing(self, row: Any) -> tuple[Message, Any]:
        message = self._wire.message(row)
        return message, pika.BasicProperties(CONTENT_TYPES[self._settings.envelope], delivery_mode=_PERSISTENT,
                                             message_id=message.id, timestamp=row.at_us // 1_000_000)

    def _parameters(self, address: Address) -> Any:
        settings = self._settings
        timeout_s, context = settings.timeout_s, tls_context(self._name, settings)
        credentials = pika.PlainCredentials(settings.user, password(self._name, settings))
        if not settings.user:                       # a certificate says who it is; else the user that a new broker has
            credentials = pika.PlainCredentials("guest", "guest")
            if settings.certificate_file:
                credentials = pika.credentials.ExternalCredentials()
        return pika.ConnectionParameters(
            address.host, address.port, unquote(address.path) or "/", credentials, heartbeat=_HEARTBEAT_S,
            ssl_options=context and pika.SSLOptions(context, address.host),
            socket_timeout=timeout_s, stack_timeout=timeout_s, blocked_connection_timeout=timeout_s,
            client_properties={"connection_name": f"{self._site}-{self._name}"})


def build(name: str, site: str, settings: Settings, cursor: Cursor, files: Files) -> AmqpOutput:
    """The output `name` of this site."""
    return AmqpOutput(name, site, settings)
