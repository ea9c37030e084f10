"""Write a draft: YAML to paste into a configuration, its reasons as comments; or the same as JSON.

Knows: how YAML is quoted.
Must not know: how the draft was found.
"""

import json
import re
import textwrap
from typing import Any

from collector.draft.proposal import Draft
from collector.logs import plain

_WIDTH = 118
_BARE = re.compile("[A-Za-z]+(?:[_-][A-Za-z]+)*", re.ASCII)


def as_yaml(draft: Draft, name: str) -> str:
    """`ports:` and `formats:`; every text from the wire quoted and escaped."""
    told = f"{draft.read} of {draft.frames} frames of the capture are read by this draft."
    lines = _comment("", told + " Lines that say QUESTION are for a person.")
    for text, times, why in draft.not_read[:8]:
        lines += _comment("", f"not read{f', {times} times' if times > 1 else ''}: '{text[:80]}' ({why})")
    if len(draft.not_read) > 8:
        lines += _comment("", f"not read: {len(draft.not_read) - 8} other frames")
    lines += ["ports:", "  column:", "    device: /dev/serial/by-id/write-yours   # collector ports lists them"]
    lines += [f"    format: {name}"]
    lines += [line for about, why in draft.explained if about == "port" for line in _comment("    ", why)]
    lines += _mapping(draft.port, "    ")
    lines += ["formats:", f"  {name}:"]
    lines += [line for about, why in draft.explained if about != "port" for line in _comment("    ", f"{about}: {why}")]
    lines += [line for question in draft.questions for line in _comment("    ", f"QUESTION: {question}")]
    return "\n".join([*lines, *_mapping(draft.entry, "    ")]) + "\n"


def as_json(draft: Draft, name: str) -> str:
    """The same as one JSON object, in ASCII without control characters."""
    told = {"name": name, "port": draft.port, "entry": draft.entry,
            "explanations": [{"about": about, "why": plain(why)} for about, why in draft.explained],
            "questions": [plain(question) for question in draft.questions], "frames": draft.frames, "read": draft.read,
            "not-read": [{"frame": plain(text), "times": times, "why": plain(why)} for text, times,
                         why in draft.not_read]}
    return json.dumps(told, indent=2)


def quoted(text: str) -> str:
    """A YAML scalar that is just this text."""
    if text.isprintable():
        return "'" + text.replace("'", "''") + "'"
    return '"' + "".join(f"\\{char}" if char in '"\\' else char if char.isprintable() else _coded(ord(char))
                         for char in text) + '"'


def _coded(code: int) -> str:
    return f"\\x{code:02x}" if code < 0x100 else f"\\u{code:04x}" if code < 0x10000 else f"\\U{code:08x}"


def _comment(indent: str, text: str) -> list[str]:
    return textwrap.wrap(plain(text), _WIDTH, initial_indent=f"{indent}# ", subsequent_indent=f"{indent}#   ",
                         break_on_hyphens=False)


def _mapping(entries: dict[str, Any], indent: str) -> list[str]:
    lines = []
    for key, value in entries.items():
        if key == "examples":
            lines += [f"{indent}examples:", *(f"{indent}  - {_flow(example)}" for example in value)]
        else:
            lines.append(f"{indent}{key}: {_flow(value)}")
    return lines


def _flow(value: Any) -> str:
    if isinstance(value, dict):
        return "{" + ", ".join(f"{_flow(key)}: {_flow(one)}" for key, one in value.items()) + "}"
    if isinstance(value, (list, tuple)):
        return "[" + ", ".join(map(_flow, value)) + "]"
    return value if _BARE.fullmatch(value) else quoted(value)
