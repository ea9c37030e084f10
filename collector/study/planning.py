"""The plan of a gauge study: which part is measured by whom, when; drawn by chance, from a seed that is written down.

Knows: parts x operators x trials, the order of the runs, how a plan lies in a file.
Must not know: the journal, records, pages.

Within a trial the operators follow one another in a drawn order, and each measures all parts in a drawn order.  The
draw: runs are sorted by the SHA-256 of `SEED/TRIAL/OPERATOR` and `SEED/TRIAL/OPERATOR/PART` in UTF-8, so that a plan
can be checked with any tool.  No operator ever has the same part twice in a row: such a part goes behind the others.
"""

import hashlib
from collections import Counter
from collections.abc import Sequence
from pathlib import Path

import msgspec
from msgspec import Struct

from collector.errors import CollectorError, StoppedByIO

VERSION = 1
MOST_PARTS, MOST_OPERATORS, MOST_TRIALS = 100, 20, 20
_LONGEST = 64                                          # of a text that the context carries
_LARGEST = 4_000_000


class Run(Struct, frozen=True):
    """One measurement to be made: its number in the plan, its trial (from 1), who measures, which part (its serial)."""

    run: int
    trial: int
    operator: str
    serial: str


class StudyPlan(Struct, frozen=True, kw_only=True):
    """A gauge study as it was planned.

    `made`: UTC; `journal`, `after`: the journal of that moment (empty: there was none) and the seq used last in it.
    """

    study: int = VERSION
    site: str
    made: str
    journal: str
    after: int
    part: str
    characteristic: str
    unit: str
    seed: int
    serials: tuple[str, ...]
    operators: tuple[str, ...]
    trials: int
    runs: tuple[Run, ...]


class PlanRefused(CollectorError):
    """No study can be made so; its text says what would be right."""


def names(given: str, least: int, most: int, form: str) -> tuple[str, ...]:
    """`10` -> so many names made by `form` (as in `STUDY-{:02d}`); `anna,ben` -> these.  Raises PlanRefused."""
    made = ([form.format(number) for number in range(1, int(given) + 1)] if given.isdecimal() and len(given) < 4
            else [text.strip() for text in given.split(",")])
    for text in made:
        if not text or len(text) > _LONGEST or not text.isprintable():
            raise PlanRefused(f"{text!r} can't be a label: from 1 to {_LONGEST} characters that can be shown")
    twice = [text for text, times in Counter(made).items() if times > 1]
    if twice:
        raise PlanRefused(f"{twice[0]!r} stands there twice; each label names one")
    if not least <= len(made) <= most:
        raise PlanRefused(f"{len(made)} of {given!r}; from {least} to {most} are possible")
    return tuple(made)


def draw(serials: Sequence[str], operators: Sequence[str], trials: int, seed: int) -> tuple[Run, ...]:
    """The runs in the order that the seed draws."""
    found: list[tuple[int, str, str]] = []
    for trial in range(1, trials + 1):
        for operator in sorted(operators, key=lambda one: _lot(seed, trial, one)):
            order = sorted(serials, key=lambda one: _lot(seed, trial, operator, one))
            if found and found[-1][1:] == (operator, order[0]):
                order = [*order[1:], order[0]]
            found += [(trial, operator, serial) for serial in order]
    return tuple(Run(number, *one) for number, one in enumerate(found, start=1))


def _lot(*said: object) -> bytes:
    return hashlib.sha256("/".join(map(str, said)).encode("utf-8", "surrogatepass")).digest()


def read_study(path: Path) -> StudyPlan:
    """The plan in a file.  Raises StoppedByIO where it can't be read, PlanRefused where it is no whole plan."""
    try:
        with open(path, "rb") as file:
            data = file.read(_LARGEST)
    except OSError as error:
        raise StoppedByIO(f"the plan {path} can't be read: {error.strerror}") from error
    try:
        plan = msgspec.json.decode(data, type=StudyPlan)
    except (msgspec.MsgspecError, UnicodeDecodeError) as error:
        raise PlanRefused(f"{path} is no plan of a gauge study: {error}") from None
    if plan.study != VERSION:
        raise PlanRefused(f"{path} is of version {plan.study}, this collector knows {VERSION}")
    runs = Counter((one.trial, one.operator, one.serial) for one in plan.runs)
    wanted = Counter((trial, operator, serial) for trial in range(1, plan.trials + 1) for operator in plan.operators
                     for serial in plan.serials) if plan.trials <= MOST_TRIALS else Counter()
    if runs != wanted or [one.run for one in plan.runs] != list(range(1, len(plan.runs) + 1)):
        raise PlanRefused(f"{path} has been changed by hand: its runs are not each part by each operator in each trial")
    return plan


def plan_json(plan: StudyPlan) -> bytes:
    """The plan as it lies in its file: one line a run."""
    text = msgspec.json.format(msgspec.json.encode(msgspec.structs.replace(plan, runs=())), indent=2).decode()
    runs = ",\n".join(f"    {msgspec.json.encode(one).decode()}" for one in plan.runs)
    return text.replace('"runs": []', f'"runs": [\n{runs}\n  ]').encode() + b"\n"
