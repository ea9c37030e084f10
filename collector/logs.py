"""The log: JSON lines on standard error for a journal, readable lines on a terminal.

Knows: event names are constants, everything else is a value; values are escaped before they are shown.
Must not know: what is logged.
"""

import logging
import sys
from contextlib import suppress
from typing import Any, TextIO

import structlog


def configure() -> None:
    """Set up structlog for this process."""
    terminal = sys.stderr.isatty()
    last = structlog.dev.ConsoleRenderer(colors=False) if terminal else structlog.processors.JSONRenderer()
    before = [_printable] if terminal else [structlog.processors.dict_tracebacks]
    structlog.configure(
        processors=[structlog.processors.add_log_level, structlog.processors.TimeStamper(fmt="iso", utc=True), *before,
                    last],
        wrapper_class=structlog.make_filtering_bound_logger(logging.INFO),
        logger_factory=structlog.PrintLoggerFactory(_Unfailing(sys.stderr)),
        cache_logger_on_first_use=True,
    )


class _Unfailing:
    """A log that can't be written (its disk is full, its reader is gone) stops nobody's work."""

    def __init__(self, stream: TextIO):
        self._stream = stream

    def write(self, text: str) -> None:
        with suppress(OSError):
            self._stream.write(text)

    def flush(self) -> None:
        with suppress(OSError):
            self._stream.flush()


def _printable(logger: Any, method: str, event: dict) -> dict:
    """No control character of a value reaches a terminal."""
    return {key: value if key in ("exc_info", "event") else plain(value) for key, value in event.items()}


def plain(value: Any) -> str:
    """A value as text without control characters."""
    return "".join(char if char.isprintable() else f"\\x{ord(char):02x}" for char in str(value))
