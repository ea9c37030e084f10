"""What stands on a queue's wire: the settings that every queue output has, topics and routing keys, bodies.

Knows: the keys that say where a broker is and who we are to it; how a record's fields become a topic; plain bodies and
CloudEvents.
Must not know: any broker library, how messages are sent or confirmed.
"""

import os
import re
from functools import lru_cache
from typing import Any, ClassVar, Literal
from urllib.parse import unquote, urlsplit

import msgspec
from msgspec import Raw, Struct
from pydantic import field_validator, model_validator
from pydantic_core import PydanticCustomError

from collector.errors import RecordRefused
from collector.frames.refused import one_of
from collector.outputs.kinds import Kinds
from collector.settings import Duration, Settings, count, wrong

_LONGEST_LABEL = 63                     # characters between the dots of a host's name (RFC 1035, 2.3.4)
_LONGEST_PATH = 255                     # bytes of a virtual host (AMQP 0-9-1: a short string)
CONTENT_TYPES = {"plain": "application/json", "cloudevents": "application/cloudevents+json"}

# --- settings


class Address(Struct, frozen=True):
    """Where a broker listens.  `path`: what stands behind host and port, without its first `/` (a virtual host)."""

    host: str
    port: int
    is_tls: bool
    path: str = ""

    def __str__(self) -> str:
        return f"{self.host}:{self.port}"


class QueueSettings(Settings):
    """Keys that every output into a queue has.  `timeout` in milliseconds: nothing confirmed for so long means down.

    A kind of queue says which `schemes` its url may have (with port and whether TLS), and whether a path.
    """

    schemes: ClassVar[dict[str, tuple[int, bool]]] = {}
    has_path: ClassVar[bool] = False

    url: str
    kinds: Kinds = ()
    user: str = ""
    password_file: str = ""
    ca_file: str = ""
    certificate_file: str = ""
    key_file: str = ""
    envelope: Literal["plain", "cloudevents"] = "plain"
    window: count(1, 1000) = 100
    timeout: Duration = 10_000

    @field_validator("url")
    @classmethod
    def _reachable(cls, value: str) -> str:
        read_url(value, cls.schemes, cls.has_path)
        return value

    @field_validator("password_file", "ca_file", "certificate_file", "key_file")
    @classmethod
    def _found_from_anywhere(cls, value: str) -> str:
        if value and not os.path.isabs(value) and not is_bare(value):
            raise wrong(f"{value!r} is neither a whole path nor a bare name",
                        "write it from the root on, or only its name where it lies in $CREDENTIALS_DIRECTORY")
        return value

    @field_validator("timeout")
    @classmethod
    def _some_time(cls, value: int) -> int:
        if not 1000 <= value <= 600_000:
            raise wrong(f"a timeout of {value} ms is no use", "write one from 1 s to 10 min")
        return value

    @model_validator(mode="after")
    def _fits(self) -> "QueueSettings":
        if self.password_file and not self.user:
            raise wrong("there is a password-file, but no user", "give the user too")
        if self.key_file and not self.certificate_file:
            raise wrong("there is a key-file, but no certificate-file", "give the certificate that the key belongs to")
        if (self.ca_file or self.certificate_file) and not self.address.is_tls:
            secure = " or ".join(f"{scheme}://" for scheme, (_, is_tls) in self.schemes.items() if is_tls)
            raise wrong("there are files for TLS, but the url is not a secure one", f"begin the url with {secure}")
        return self

    @property
    def address(self) -> Address:
        return read_url(self.url, self.schemes, self.has_path)

    @property
    def timeout_s(self) -> float:
        return self.timeout / 1000


def read_url(text: str, schemes: dict[str, tuple[int, bool]], has_path: bool) -> Address:
    """The address that a url names.  Raises a fault in words; a password in it is never repeated."""
    right = f"write it as in {next(iter(schemes), 'queue')}://broker.plant:{next(iter(schemes.values()), (0,))[0]}"
    if "@" in text:
        raise wrong("a user or password does not belong in a url", "write them as user and password-file")
    try:
        parts = urlsplit(text)
        port, host = parts.port, parts.hostname
    except ValueError:
        raise wrong("the url can't be read", right) from None
    if parts.scheme not in schemes:
        known = " or ".join(f"{one}://" for one in schemes)
        raise wrong(f"{parts.scheme!r} is no way to reach this kind of queue", f"begin the url with {known}")
    extra = parts.query or parts.fragment or ("" if has_path else parts.path.strip("/"))
    if not host or port == 0 or extra or not re.fullmatch(r"[A-Za-z0-9._:-]{1,253}", host):
        raise wrong("the url is not a scheme, a host and a port", right)
    if ":" not in host and not all(0 < len(label) <= _LONGEST_LABEL for label in host.removesuffix(".").split(".")):
        raise wrong(f"{host!r} can't be the name of a host", f"between its dots stand 1 to {_LONGEST_LABEL} characters")
    if len(unquote(parts.path[1:]).encode()) > _LONGEST_PATH:
        raise wrong("the virtual host in the url is too long", f"it has at most {_LONGEST_PATH} bytes")
    default, is_tls = schemes[parts.scheme]
    return Address(host, port or default, is_tls, parts.path[1:])


def needs_extra(kind: str) -> PydanticCustomError:
    """The fault of an output whose library is not installed."""
    return wrong(f"output kind {kind} needs the extra: pip install 'CHECKOUT[{kind}]' into the same place")


def is_bare(name: str) -> bool:
    """Only a name, which is looked up in $CREDENTIALS_DIRECTORY."""
    return not set(name) & {"/", "\\", "\0"} and name not in (".", "..")


# --- topics and routing keys


class Heading(Struct, frozen=True):
    """What a topic and an envelope need to know of a record."""

    id: str
    time: str
    kind: str
    port: str = ""
    channel: str = ""
    part: str = ""
    characteristic: str = ""
    serial: str = ""
    lot: str = ""
    operator: str = ""


PLACEHOLDERS = ("site", "output", *Heading.__struct_fields__[2:])
_PLACEHOLDER = re.compile(r"\{([^{}]*)\}")
_WILD = {"/": "+#", ".": "*#"}
_KEPT = {"/": re.compile(r"[^A-Za-z0-9_.-]"), ".": re.compile(r"[^A-Za-z0-9_-]")}
_MOST_CHARACTERS = 64


@lru_cache(4096)
def safe(text: str, separator: str) -> str:
    """Text from the wire as part of one level: `-` for none, at most 64 characters of it, the unsafe ones as %XX.

    Never a level of its own, a wildcard, a leading `$` or a NUL.  `separator`: `/` in topics, `.` in routing keys.
    """
    if not text:
        return "-"
    return _KEPT[separator].sub(lambda one: "".join(f"%{byte:02X}" for byte in one[0].encode("utf-8", "replace")),
                                text[:_MOST_CHARACTERS])


class Template:
    """`plant/{site}/{port}/{kind}`: a topic, or with `.` between its levels a routing key, for each record."""

    def __init__(self, text: str, separator: str):
        """Raises a fault in words for what can't be a topic."""
        self._separator = separator
        pieces = _PLACEHOLDER.split(text)                     # literal, name, literal, name, ..., literal
        self._literals, self._names = pieces[::2], pieces[1::2]
        self._refuse(text)

    def _refuse(self, text: str) -> None:
        right = f"write it as in {self._separator.join(('plant', '{site}', '{port}', '{kind}'))}"
        for name in self._names:
            if name not in PLACEHOLDERS:
                raise wrong(f"there is no placeholder {{{name}}}", one_of(name, PLACEHOLDERS))
        for char in "".join(self._literals):
            if char in "{}" + _WILD[self._separator] or not char.isprintable():
                raise wrong(f"{char!r} can't stand in {text!r}", right)
        if not all(_PLACEHOLDER.sub("x", text).split(self._separator)):
            raise wrong(f"{text!r} has an empty level", right)
        if text.startswith("$"):
            raise wrong(f"{text!r} begins with $, which is the broker's own", right)

    def fill(self, site: str, output: str, heading: Heading) -> str:
        """The topic of this record."""
        filled = self._literals[0]
        for name, literal in zip(self._names, self._literals[1:]):
            value = site if name == "site" else output if name == "output" else getattr(heading, name)
            filled += safe(value, self._separator) + literal
        return filled


# --- messages


class Message(Struct, frozen=True):
    """One record on its way: `topic` is the topic or routing key, `id` the record's."""

    seq: int
    id: str
    topic: str
    body: bytes


class CloudEvent(Struct, frozen=True, omit_defaults=True):
    """A CloudEvents 1.0 event in structured JSON (cloudevents/spec, spec.md 1.0.2); `data` is the record, untouched."""

    specversion: str
    id: str
    source: str
    type: str
    time: str
    datacontenttype: str
    data: Raw
    subject: str = ""


_heading = msgspec.json.Decoder(Heading).decode
_encode = msgspec.json.Encoder().encode


class Wire(Struct, frozen=True):
    """How one output's records become messages.  `longest`: bytes of a topic or routing key."""

    output: str
    site: str
    template: Template
    envelope: str
    longest: int

    def message(self, row: Any) -> Message:
        """The message of a journal row.  Raises RecordRefused: its JSON can't be read, its topic is too long."""
        try:
            heading = _heading(row.body)
        except msgspec.MsgspecError as error:
            raise RecordRefused(self.output, row.seq, f"its JSON can't be read: {error}") from None
        topic = self.template.fill(self.site, self.output, heading)
        if len(topic.encode()) > self.longest:
            why = f"its topic would be longer than {self.longest} bytes: {topic[:80]}…"
            raise RecordRefused(self.output, row.seq, why)
        body = row.body if self.envelope == "plain" else self._event(heading, row.body)
        return Message(row.seq, heading.id, topic, body)

    def _event(self, heading: Heading, body: bytes) -> bytes:
        subject = f"{heading.port}/{heading.channel}" if heading.channel else heading.port
        return _encode(CloudEvent("1.0", heading.id, f"urn:collector:{self.site}", f"collector.record.{heading.kind}",
                                  heading.time, CONTENT_TYPES["plain"], Raw(body), subject))
