"""From the section `parts` to the characteristics that the daemon judges by.

Knows: lengths become exact in the characteristic's unit; tolerance codes, zones, masters, classes and expressions are
checked against one another.  Finds every fault.
Must not know: ports and formats (plan), how anything is judged.
"""

from collections.abc import Callable
from datetime import datetime, time, timedelta, timezone
from decimal import Decimal
from typing import Any

from collector.config.loader import Loaded
from collector.config.models import Root
from collector.config.part_models import Characteristic as Section
from collector.config.part_models import Master as MasterSection
from collector.measuring.characteristic import Characteristic, Master
from collector.measuring.classes import Classes, ClassesRefused, build_classes
from collector.measuring.expression import Expression, ExpressionRefused, build_expression
from collector.measuring.iso286 import NotCovered, deviations_um
from collector.measuring.judge import EmptyZone, Judging, Limits, build_judging
from collector.measuring.streams import StreamSpec
from collector.measuring.units import EXACT, Inexact, Length, Unit, convert_exactly

_MS = 1_000_000


class _Wrong(ValueError):
    """A fault of one key of a characteristic: the key's path, what is wrong, what would be right."""

    def __init__(self, key: tuple, what: str, right: str = ""):
        self.key, self.what, self.right = key, what, right
        super().__init__(what)


class _Faults(list):
    """The faults of one characteristic, in the order found."""

    def tried(self, step: Callable[..., Any], *given: Any) -> Any:
        """What a step makes; None where it finds a fault, so that the steps after it find theirs too."""
        try:
            return step(*given)
        except _Wrong as wrong:
            self.append(wrong)
            return None


def characteristics(loaded: Loaded, root: Root, faults: list) -> list[Characteristic]:
    """Every sound characteristic in the order of the file, derived ones last; faults go into `faults`."""
    found: list[Characteristic] = []
    for part, ones in root.parts.items():
        claimed: dict[str, str] = {}
        for name in _in_order(part, ones, loaded, faults):
            path, one, wrongs = ("parts", part, name), ones[name], _Faults()
            wrongs += [_Wrong((), f"{text!r} has a character that can't be shown", "write it with letters and digits")
                       for text in (part, name, *one.classes) if not text.isprintable()]
            made = wrongs.tried(_characteristic, part, name, one, ones, wrongs)
            if one.channel in claimed:
                wrongs.append(_Wrong(("channel",),
                                     f"{one.channel} measures {claimed[one.channel]!r} of this part already",
                                     "one characteristic a channel within a part"))
            if one.channel:
                claimed.setdefault(one.channel, name)
            faults += [loaded.fault((*path, *wrong.key), wrong.what, wrong.right) for wrong in wrongs]
            if not wrongs:
                found.append(made)
    _one_size_a_master(loaded, found, faults)
    return found


def warnings(root: Root, found: list[Characteristic]) -> list[str]:
    """What is odd, but no fault."""
    said = [f"parts.{one.part}.{one.name} has no limits; its readings get no verdict"
            for one in found if not _limited(one)]
    for one in found:
        limits, uncertainty = one.limits, one.judging.uncertainty
        if uncertainty is not None and limits.lower is not None and limits.upper is not None:
            width = EXACT.subtract(limits.upper, limits.lower)
            if uncertainty * 8 > width:
                said.append(f"parts.{one.part}.{one.name}: uncertainty {uncertainty:f} {one.unit.value} is more than a "
                            f"quarter of half the tolerance ({width / 2:f} {one.unit.value}); "
                            "the gauge is weak for this tolerance")
        code = root.parts[one.part][one.name].tolerance or ""
        if one.feature == "hole" and code[:1].islower() or one.feature == "shaft" and code[:1].isupper():
            said.append(f"parts.{one.part}.{one.name}: "
                        f"{code} is a tolerance of a {'shaft' if code[:1].islower() else 'hole'}, "
                        f"the feature is a {one.feature}")
        if one.classes:
            said += [f"parts.{one.part}.{one.name}: no class from {low:f} to {high:f} {one.unit.value}"
                     for low, high in one.classes.gaps]
    return said


def _limited(one: Characteristic) -> bool:
    return one.limits.lower is not None or one.limits.upper is not None


def _in_order(part: str, ones: dict[str, Section], loaded: Loaded, faults: list) -> list[str]:
    """The names, each behind those it is derived from; a circle is a fault."""
    inputs = {name: set(_names(one, ones)) for name, one in ones.items()}
    order: list[str] = [name for name, needed in inputs.items() if not needed]
    left = [name for name in ones if name not in order]
    while ready := [name for name in left if inputs[name] <= set(order)]:
        order += ready
        left = [name for name in left if name not in ready]
    below = {name: _below(name, inputs) for name in left}
    circles = {name for name in left if name in below[name]}             # the others only rest on one
    for name in sorted(circles):
        way = sorted(other for other in inputs[name] & circles if other != name and name in below[other])
        faults.append(loaded.fault(("parts", part, name, "from"),
                                   f"{name!r} is derived from itself{' by way of ' if way else ''}{', '.join(way)}",
                                   "derive it from what a channel measures"))
    return order


def _below(name: str, inputs: dict[str, set[str]]) -> list[str]:
    """All that a derived one rests on, by whatever way."""
    found = list(inputs[name])
    for below in found:                                # grows while it is walked
        found += [other for other in inputs[below] if other not in found]
    return found


def _names(one: Section, ones: dict[str, Section]) -> tuple[str, ...]:
    try:
        return build_expression(one.from_, ones).names if one.from_ is not None else ()
    except ExpressionRefused:
        return ()


def _characteristic(part: str, name: str, one: Section, ones: dict[str, Section], wrongs: _Faults) -> Characteristic:
    """The characteristic; its faults go into `wrongs`.
    Raises _Wrong where nothing more can be said without its unit."""
    expression = _expression(name, one, ones)
    unit = one.written_unit() or _unit_of_inputs(expression, ones)
    nominal = _in_unit(one.nominal, unit, "nominal")
    streamed = one.evaluate.sweep or one.evaluate.settled
    return Characteristic(
        part=part, name=name, unit=unit, channel=one.channel or "", nominal=nominal,
        judging=wrongs.tried(_judging, one, unit, nominal), feature=one.feature,
        resolution=wrongs.tried(_in_unit, one.resolution, unit, "resolution"), stream=wrongs.tried(_stream, one, unit),
        report=one.evaluate.sweep.report if one.evaluate.sweep else "",
        keep_readings=bool(streamed and streamed.keep_readings),
        expression=expression, within_ns=None if one.within is None else one.within * _MS,
        masters=_masters(one, unit, wrongs), classes=wrongs.tried(_classes, one, unit), expansion=one.expansion)


def _expression(name: str, one: Section, ones: dict[str, Section]) -> Expression | None:
    if one.from_ is None:
        return None
    try:
        return build_expression(one.from_, [other for other in ones if other != name])
    except ExpressionRefused as refused:
        raise _Wrong(("from",), refused.what, refused.right) from None


def _unit_of_inputs(expression: Expression, ones: dict[str, Section]) -> Unit:
    units = {ones[name].written_unit() for name in expression.names}
    if len(units) != 1 or None in units:
        told = sorted(unit.value for unit in units if unit)
        why = f"; its inputs are in {' and '.join(told)}" if len(told) > 1 else ""
        raise _Wrong(("from",), f"nothing says the unit of the result{why}", "add unit: mm")
    return units.pop()


def _judging(one: Section, unit: Unit, nominal: Decimal | None) -> Judging:
    limits = _limits(one, unit, nominal)
    lower, upper = limits.lower, limits.upper
    if lower is not None and upper is not None and lower > upper:
        raise _Wrong(("limits",), f"limits are crossed: the lower one is {lower:f} {unit.value}, "
                                  f"the upper one {upper:f} {unit.value}",
                     "put the smaller one first; a deviation below nominal has a minus sign")
    if lower is not None and lower == upper:
        raise _Wrong(("limits",), f"limits leave no room: both are {lower:f} {unit.value}",
                     "give a tolerance, or one side only")
    try:
        return build_judging(limits, one.rule, _in_unit(one.uncertainty, unit, "uncertainty"))
    except EmptyZone as empty:
        raise _Wrong(("rule",), str(empty), "use a gauge with less uncertainty, or rule: simple") from None


def _limits(one: Section, unit: Unit, nominal: Decimal | None) -> Limits:
    if one.tolerance is not None:
        return _by_code(one, unit, nominal)
    if one.limits is None:
        return Limits()
    given = one.limits
    lower, upper = _in_unit(given.min, unit, "limits", "min"), _in_unit(given.max, unit, "limits", "max")
    if given.lower is not None:
        lower = EXACT.add(nominal, _in_unit(given.lower, unit, "limits", "lower"))
    if given.upper is not None:
        upper = EXACT.add(nominal, _in_unit(given.upper, unit, "limits", "upper"))
    return Limits(lower, upper)


def _by_code(one: Section, unit: Unit, nominal: Decimal) -> Limits:
    try:
        lower, upper = deviations_um(convert_exactly(one.nominal.value, one.nominal.unit, Unit.MM), one.tolerance)
        return Limits(*(EXACT.add(nominal, convert_exactly(um, Unit.UM, unit)) for um in (lower, upper)))
    except NotCovered as refused:
        raise _Wrong(("tolerance",), refused.what, refused.right) from None
    except Inexact as error:
        raise _Wrong(("tolerance",), f"the deviations of {one.tolerance} are micrometres, and {error}",
                     "leave unit out (then it is mm), or write limits") from None


def _stream(one: Section, unit: Unit) -> StreamSpec | None:
    given = one.evaluate.settled or one.evaluate.sweep
    if given is None:
        return None
    ended = {"until": given.until, "quiet_ns": (given.quiet or 0) * _MS}
    if one.evaluate.sweep:
        return StreamSpec(way="sweep", **ended)
    band = _in_unit(one.evaluate.settled.band, unit, "evaluate", "settled", "band")
    return StreamSpec(way="settled", band=band, time_ns=one.evaluate.settled.time * _MS, **ended)


def _masters(one: Section, unit: Unit, wrongs: _Faults) -> tuple[Master, ...]:
    found: list[Master] = []
    for index, given in enumerate(one.masters):
        master = wrongs.tried(_master, given, unit, index, found)
        if master is not None:
            found.append(master)
    return tuple(found)


def _master(given: MasterSection, unit: Unit, index: int, before: list[Master]) -> Master:
    def in_unit(key: str) -> Decimal:
        return _in_unit(getattr(given, key), unit, "masters", index, key)

    size, due_ns = in_unit("size"), None
    for other in before:
        if other.name == given.name:
            raise _Wrong(("masters", index, "name"), f"master {given.name!r} stands here a second time", "keep one")
        if other.size == size:
            raise _Wrong(("masters", index, "size"), f"masters {other.name} and {given.name} have the same size",
                         "two masters that should give the gain differ in size, near the two limits")
    if given.due is not None:                          # good through that day
        after = datetime.combine(given.due + timedelta(days=1), time(), timezone.utc)
        due_ns = int(after.timestamp()) * 1_000_000_000
    return Master(name=given.name, size=size, within=in_unit("within"), parts=given.parts, due_ns=due_ns,
                  every_ns=None if given.every is None else given.every * _MS, expansion=given.expansion)


def _one_size_a_master(loaded: Loaded, found: list[Characteristic], faults: list) -> None:
    """A master that several parts share on a channel is one and the same thing."""
    sizes: dict[tuple[str, str], tuple[Any, ...]] = {}
    for one in found:
        for index, master in enumerate(one.masters):
            said = (convert_exactly(master.size, one.unit, Unit.UM), one)
            other = sizes.setdefault((one.channel, master.name), said)
            if other[0] != said[0]:
                faults.append(loaded.fault(("parts", one.part, one.name, "masters", index, "size"),
                                           f"master {master.name!r} on {one.channel} has another size in "
                                           f"parts.{other[1].part}.{other[1].name}",
                                           "one name is one master: give the other one a name of its own"))


def _classes(one: Section, unit: Unit) -> Classes | None:
    if not one.classes:
        return None
    try:
        return build_classes([(name, *(_in_unit(end, unit, "classes", name) for end in ends))
                              for name, ends in one.classes.items()])
    except ClassesRefused as refused:
        raise _Wrong(("classes",), refused.what, refused.right) from None


def _in_unit(length: Length | None, unit: Unit, *key: Any) -> Decimal | None:
    if length is None:
        return None
    try:
        return convert_exactly(length.value, length.unit, unit)
    except Inexact as error:
        raise _Wrong(key, f"{key[-1]}: {error}",
                     f"write it in {unit.value}, or add unit: {length.unit.value}") from None
