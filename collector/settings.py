"""How the values of a configuration are written: times, sizes, counts, names, yes and no.

Every scalar arrives as text (YAML guesses nothing here); each type below turns it into a value or says what is
wrong and what would be right.  Rooms that have settings of their own (ports, outputs) build them from these.
"""

import re
from decimal import Decimal
from typing import Annotated, Any, Callable

from pydantic import BaseModel, BeforeValidator, ConfigDict, WithJsonSchema
from pydantic_core import PydanticCustomError


class Settings(BaseModel):
    """Base of every settings model: frozen, unknown keys refused, keys written with hyphens."""

    model_config = ConfigDict(
        frozen=True, extra="forbid", validate_by_name=True, validate_by_alias=True, arbitrary_types_allowed=True,
        alias_generator=lambda name: name.rstrip("_").replace("_", "-"),
    )


def wrong(what: str, right: str = "") -> PydanticCustomError:
    """A fault for the configuration's reader: what is wrong; what would be right."""
    return PydanticCustomError("said", "{what}\n{right}", {"what": what, "right": right})


def text_type(read: Callable[[str], Any], shape: str, pattern: str | None = None, also: str = "") -> Any:
    """A pydantic annotation: text goes through `read`; a value of the right type already is left alone.

    `also`: what an editor, which does guess at YAML, may take such a text for: `integer`, `number`, `boolean`.
    """
    schema: dict[str, Any] = {"type": ["string", also] if also else "string", "description": shape}
    if pattern:
        schema["pattern"] = pattern

    def validate(value: Any) -> Any:
        if isinstance(value, dict | list):
            raise wrong(f"{'keys and values' if isinstance(value, dict) else 'a list'} where one value should stand",
                        f"write {shape}")
        return read(value) if isinstance(value, str) else value

    return Annotated[Any, BeforeValidator(validate), WithJsonSchema(schema)]


_QUANTITY = re.compile(r"([+-]?(?:[0-9]+(?:\.[0-9]*)?|\.[0-9]+)) *([^0-9 .+-][^ ]*)?", re.ASCII)
_TIMES = {"ms": 1, "s": 1000, "min": 60_000, "h": 3_600_000, "d": 86_400_000}
_SIZES = {"kB": 10**3, "MB": 10**6, "GB": 10**9, "TB": 10**12}


def split_quantity(text: str) -> tuple[Decimal, str]:
    """`12.5 mm` -> (Decimal('12.5'), 'mm'); the unit may be missing.  Raises ValueError when it is no number."""
    found = _QUANTITY.fullmatch(text.strip())
    if not found or len(found[1]) > 20:
        raise ValueError(text)
    return Decimal(found[1]), found[2] or ""


def duration_ms(text: str) -> int:
    """`500 ms`, `8 h`, `0.5 s` -> whole milliseconds."""
    right = "write a number and one of ms, s, min, h, d, as in 500 ms"
    try:
        value, unit = split_quantity(text)
        ms = value * _TIMES[unit]
    except (ValueError, KeyError):
        raise wrong(f"{text!r} is not a time", right) from None
    if ms < 0 or ms != int(ms):
        raise wrong(f"{text!r} is not a whole number of milliseconds from 0 on", right)
    return int(ms)


def size_bytes(text: str) -> int:
    """`2 GB`, `500 MB` -> bytes."""
    try:
        value, unit = split_quantity(text)
        return int(value * _SIZES[unit])
    except (ValueError, KeyError):
        raise wrong(f"{text!r} is not a size", "write a number and one of kB, MB, GB, TB, as in 2 GB") from None


def whole_number(low: int, high: int) -> Callable[[str], int]:
    """A reader of whole numbers from low to high."""

    def read(text: str) -> int:
        if not re.fullmatch(r"[0-9]{1,12}", text) or not low <= int(text) <= high:
            raise wrong(f"{text!r} is not a whole number from {low} to {high}")
        return int(text)

    return read


def yes_or_no(text: str) -> bool:
    """`true`, `yes`, `on` or `false`, `no`, `off`."""
    low = text.lower()
    if low not in ("true", "yes", "on", "false", "no", "off"):
        raise wrong(f"{text!r} is neither yes nor no", "write true or false")
    return low in ("true", "yes", "on")


def name_text(text: str) -> str:
    """A name: letters, digits, `-`, `_`, at most 64."""
    if not re.fullmatch(r"[A-Za-z0-9_-]{1,64}", text):
        raise wrong(f"{text!r} can't be a name", "use letters, digits, - and _, at most 64 of them")
    return text


def count(low: int = 0, high: int = 10**12) -> Any:
    """The annotation of a whole number in a range."""
    return text_type(whole_number(low, high), f"whole number from {low} to {high}", r"^[0-9]+$", also="integer")


Duration = text_type(duration_ms, "a time with its unit: 500 ms, 2 s, 5 min, 8 h, 90 d")
Size = text_type(size_bytes, "a size with its unit: 500 MB, 2 GB")
YesNo = text_type(yes_or_no, "true or false", also="boolean")
Name = text_type(name_text, "letters, digits, - and _", r"^[A-Za-z0-9_-]{1,64}$")
