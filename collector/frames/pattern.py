"""User patterns, on RE2: linear in the length of the frame whatever the pattern.  The only importer of re2.

Must not know: what a group means.
"""

from typing import Any

import re2

from collector.frames.refused import FormatRefused

re2.set_fallback_notification(re2.FALLBACK_EXCEPTION)     # never the standard engine, which can hang on a frame


def build_pattern(text: str, encoding: str) -> Any:
    """A compiled pattern on bytes.  Raises FormatRefused, in words, for what RE2 can't do."""
    try:
        return re2.compile(text.encode(encoding))
    except UnicodeEncodeError as error:
        raise FormatRefused("pattern", f"holds {text[error.start]!r}, which {encoding} can't send",
                            "set the port's encoding") from error
    except (re2.error, ValueError, RuntimeError) as error:
        raise FormatRefused("pattern", f"can't be used: {error}", _hint(text)) from error


def _hint(text: str) -> str:
    if any(mark in text for mark in ("(?=", "(?!", "(?<=", "(?<!")):
        return "look-around is not taken (it can make matching endless): match what stands there instead"
    if any(f"\\{digit}" in text for digit in "123456789") or "(?P=" in text:
        return "back-references are not taken (they can make matching endless): write the text again"
    return "see RE2's syntax; groups are written (?P<value>…)"
