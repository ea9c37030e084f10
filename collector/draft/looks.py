"""What one column looks like by its texts: running, dated, a unit, a temperature, a number with decimals.

Knows: texts of one place in all frames.
Must not know: what the column is in the end.
"""

import re
from decimal import Decimal
from itertools import pairwise

from collector.draft.proposal import Column
from collector.draft.words import TEMPERATURES
from collector.measuring.units import unit_on_the_wire


def plain_number(text: str, decimal: str) -> Decimal | None:
    """The plain number that a text is, or None."""
    found = re.fullmatch(r"([+-]?) *([0-9]*\.?[0-9]*)", text.replace(decimal, "."))
    return Decimal(found[1] + found[2]) if found and found[2].strip(".") else None


def places_of(column: Column, decimal: str) -> set[int]:
    """How many decimals its numbers have."""
    return {len(text.partition(decimal)[2]) for text in column.said}


def has_decimals(column: Column, decimal: str) -> bool:
    return any(decimal in text for text in column.said)


def is_signed(column: Column) -> bool:
    return any(text[0] in "+-" for text in column.said)


def is_running(column: Column) -> bool:
    """Whole numbers without a sign, or words that end with one, that count on from frame to frame."""
    found = [re.fullmatch(r"([A-Za-z]*)([0-9]{1,12})", text) for text in column.texts if text]
    if len(found) < 3 or None in found or len({match[1] for match in found}) > 1:
        return False
    steps = [int(after[2]) - int(before[2]) for before, after in pairwise(found)]
    if len(steps) < 4:
        return steps.count(1) >= 2 and set(steps) <= {0, 1, 2}
    return steps.count(1) >= 2 and sum(step in (0, 1) for step in steps) >= 0.8 * len(steps)


def is_date(column: Column) -> bool:
    """Eight digits that are a day, as in 20260302."""
    return all(re.fullmatch(r"20[0-9]{2}(?:0[1-9]|1[0-2])(?:[0-2][0-9]|3[01])", text) for text in column.said)


def is_unit(column: Column) -> bool:
    """Nothing but units that the collector takes from a frame."""
    return bool(column.said) and all(unit_on_the_wire(text) for text in column.said)


def is_temperature(columns: list[Column], at: int) -> bool:
    """Whether C or the like stands behind the number."""
    after = columns[at + 1] if at + 1 < len(columns) else None
    return after is not None and after.cell < 0 and len(after.said) == 1 and after.said[0].upper() in TEMPERATURES


def may_be_temperature(column: Column, decimal: str) -> bool:
    """One or two decimals, and from 10 to 45, as degrees are in a plant."""
    numbers = [plain_number(text, decimal) or 0 for text in column.said]
    return places_of(column, decimal) <= {1, 2} and all(10 <= number <= 45 for number in numbers)
