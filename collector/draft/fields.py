"""What the columns of a shape are, each with its reason, and with a question where that is not sure.

Knows: in which order they are found: the value, a clock, then what stands nearest to the value.
Must not know: how a format is written.
"""

from collector.draft.neighbours import Neighbour
from collector.draft.over_range import without_nines
from collector.draft.proposal import Column, Read
from collector.draft.repeated import stacked
from collector.draft.sent_times import time_fields
from collector.draft.signs import refuse_apart
from collector.draft.value_field import value_field
from collector.draft.values import find_values, keys_of


def read_columns(given: list[Column], decimal: str) -> Read:
    """The fields of a shape.  Raises CannotDraft where no honest choice is possible."""
    columns = list(given)
    keys = keys_of(columns, decimal)
    values, why = find_values(columns, keys, decimal)
    value, period = values[0], 0
    if len(values) > 1:
        columns, value, period = stacked(columns, values)
        keys = keys_of(columns, decimal)
    columns[value], nines = without_nines(columns[value], decimal)
    refuse_apart(columns, value)
    fields = [value_field(columns, value, decimal, why), *time_fields(columns)]
    taken = {at for field in fields for at in range(field.first, field.last + 1)}
    used = {field.name for field in fields}
    for at in sorted(set(range(len(columns))) - taken, key=lambda at: (abs(at - value), at)):
        field = Neighbour(columns, at, value, keys.get(at, ""), used, bool(period), decimal).field()
        if field:
            fields.append(field)
            used.add(field.name)
    fields.sort(key=lambda field: field.first)
    return Read(tuple(columns), tuple(fields), decimal, period, tuple(nines))
