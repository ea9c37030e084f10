"""A clock in the frame: which columns it stands in, and how it is written.

Knows: the common ways of writing a date and a time of day.
Must not know: zones of plants (that is a question).
"""

import re
from datetime import datetime

from collector.draft.proposal import MARK, TIME, Column, Field

_ZONE = "the frame's clock: in which zone does it go? UTC is not likely (write Europe/Berlin, or +01:00)"
_DATES = ((r"\d{4}-\d\d-\d\d", "%Y-%m-%d"), (r"\d{4}/\d\d/\d\d", "%Y/%m/%d"), (r"\d\d\.\d\d\.\d{4}", "%d.%m.%Y"),
          (r"\d\d\.\d\d\.\d\d", "%d.%m.%y"),
          (r"20\d{6}", "%Y%m%d"))
_SLASHED = (("%d/%m/%Y", "%m/%d/%Y"), ("%d/%m/%y", "%m/%d/%y"))
_DAYTIMES = ((r"\d\d:\d\d:\d\d\.\d+", "%H:%M:%S.%f"), (r"\d\d:\d\d:\d\d", "%H:%M:%S"), (r"\d\d:\d\d", "%H:%M"),
             (r"\d{6}", "%H%M%S"))


def time_fields(columns: list[Column]) -> list[Field]:
    """The columns that hold a clock: as the group `time` where hours can be read, else not read, with the reason."""
    fields: list[Field] = []
    at = 0
    while at < len(columns):
        if columns[at].kind != TIME:
            at += 1
            continue
        last = _last(columns, at)
        joint = _joint(columns, at, last)
        form = _format(joint) if joint else ""
        if not form or any(field.name == "time" for field in fields):
            fields.append(Field("", at, at, f"{columns[at].said[0]!r}: a date or a time", "" if form else
                                f"{columns[at].said[0]!r}: a date or a time that is not read (no hour in it, or day "
                                "and month can't be told apart)"))
            at += 1
            continue
        fields.append(Field("time", at, last, f"{joint[0]!r}: the column's own clock", _ZONE,
                            {"time": {"format": form, "zone": "UTC"}}))
        at = last + 1
    return fields


def _last(columns: list[Column], at: int) -> int:
    """Where a clock that begins here ends: a date may have its time of day behind it, or behind a mark."""
    for after in (at + 1, at + 2):
        marks = all(one.kind == MARK and one.is_constant for one in columns[at + 1:after])
        if after < len(columns) and columns[after].kind == TIME and columns[at].cell < 0 and marks:
            return after
    return at


def _joint(columns: list[Column], first: int, last: int) -> list[str]:
    """The texts of these columns with what stands between; none where the blanks between them differ."""
    gaps = [one.gaps for one in columns[first + 1:last + 1]]
    if any(len(gap) > 1 for gap in gaps):
        return []
    between = ["", *("".join(gap) for gap in gaps)]
    rows = zip(*(one.texts for one in columns[first:last + 1]), strict=True)
    return list(dict.fromkeys("".join(gap + (text or "") for gap, text in zip(between, row, strict=True))
                              for row in rows))


def _format(texts: list[str]) -> str:
    """A strptime format with an hour that reads all the texts, or ""."""
    text = texts[0]
    dates = [("", "")] + [(found[0], form) for rule, form in _DATES if (found := re.match(rule, text))]
    if found := re.match(r"\d\d/\d\d/(?:\d{4}|\d\d)(?!\d)", text):
        pair = _SLASHED[len(found[0]) == 8]
        sure = [form for form in pair if _reads(form, [one[:len(found[0])] for one in texts])]
        dates += [(found[0], sure[0])] if len(sure) == 1 else []
    for date, form in dates:
        rest = text[len(date):]
        between = re.match(r"\D*", rest)[0] if date else ""
        for rule, clock in _DAYTIMES:
            whole = form + between.replace("%", "%%") + clock
            if re.fullmatch(rule, rest[len(between):]) and _reads(whole, texts):
                return whole
    return ""


def _reads(form: str, texts: list[str]) -> bool:
    try:
        return all(datetime.strptime(text, form) for text in texts)
    except ValueError:
        return False
