"""Correct a comparison to 20 degrees C.

Knows: 20 degrees C is the reference temperature (ISO 1); part and master grow by their coefficients; how a temperature
is written.
Must not know: parts, ports, where temperatures and coefficients came from.
"""

import re
from decimal import Decimal

from collector.measuring.units import EXACT

REFERENCE_C = Decimal(20)

_MOST_CHARACTERS = 9
_PLAIN = re.compile(r"[+-]?(?:[0-9]+[.,]?[0-9]*|[.,][0-9]+)", re.ASCII)
_LOWEST_C, _HIGHEST_C = Decimal(-60), Decimal(200)


def correction(length: Decimal, part_expansion: Decimal, part_c: Decimal, master_expansion: Decimal,
               master_c: Decimal) -> Decimal:
    """What is subtracted from the indicated size, in the unit of `length`, exact; expansions in 1/K.

    length x (part_expansion x (part_c - 20) - master_expansion x (master_c - 20)): linear expansion.
    """
    part = EXACT.multiply(part_expansion, EXACT.subtract(part_c, REFERENCE_C))
    master = EXACT.multiply(master_expansion, EXACT.subtract(master_c, REFERENCE_C))
    return EXACT.multiply(length, EXACT.subtract(part, master))


def temperature(text: str) -> Decimal | None:
    """Degrees C as a frame or an order says them: a plain decimal, `.` or `,`, -60 to 200; None for any other text."""
    if len(text) > _MOST_CHARACTERS or not _PLAIN.fullmatch(text):
        return None
    value = Decimal(text.replace(",", "."))
    return value if _LOWEST_C <= value <= _HIGHEST_C else None
