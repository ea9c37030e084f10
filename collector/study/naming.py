"""Who says which part is on and who measures: the ways by which serial and operator reach a characteristic's readings.

Knows: formats whose frames say it, scanners and order folders that may set it.
Must not know: the journal, what was measured.
"""

from msgspec import Struct

from collector.config.plan import PortPlan, Plan
from collector.errors import CollectorError
from collector.measuring.characteristic import Characteristic

FIELDS = ("serial", "operator")


class Way(Struct, frozen=True):
    """One way by which a field is said: `by` is `frame`, `scanner` or `orders`, `where` a port or a folder.

    `words` tell a person how to say it, all fields that go this way together.
    """

    by: str
    where: str
    fields: tuple[str, ...]
    words: str


def characteristic_of(plan: Plan, wanted: str) -> Characteristic:
    """The characteristic `PART/CHARACTERISTIC`, or just its name where only one has it.  Raises CollectorError."""
    found = [one for one in plan.characteristics if wanted in (f"{one.part}/{one.name}", one.name)]
    if len(found) == 1:
        return found[0]
    known = ", ".join(f"{one.part}/{one.name}" for one in found or plan.characteristics)
    said = "which of them is meant by" if found else "there is no characteristic"
    raise CollectorError(f"{said} {wanted!r}{'?' if found else ';'} {'write' if found else 'there are'} {known}")


def ports_of(plan: Plan, one: Characteristic) -> tuple[str, ...]:
    """The ports that a characteristic is measured on; of a derived one, those of all that it is made of."""
    if one.expression is None:
        return (one.channel.partition("/")[0],)
    inputs = [plan.parts[one.part].characteristics[name] for name in one.expression.names]
    return tuple(dict.fromkeys(port for inner in inputs for port in ports_of(plan, inner)))


def ways(plan: Plan, one: Characteristic) -> list[Way]:
    """Every way by which serial or operator reach the readings of this characteristic."""
    found = []
    for port in ports_of(plan, one):
        said = tuple(field for field in FIELDS if field in _groups(plan.ports[port]))
        if said:
            found.append(Way("frame", port, said, f"the lines of port {port} themselves"))
        for name, source in plan.sources.items():
            if port not in source.ports:
                continue
            for scanner, fed in plan.scanners.items():
                groups = _groups(plan.ports[scanner])
                said = tuple(field for field in FIELDS if field in source.sets and field in groups)
                if name in fed and said:
                    found.append(Way("scanner", scanner, said, _scanned(plan.ports[scanner])))
            said = tuple(field for field in FIELDS if field in source.sets)
            if name in plan.folders and said:
                found.append(Way("orders", str(plan.folders[name]), said, f"order files put into {plan.folders[name]}"))
    return list(dict.fromkeys(found))


def unnamed(found: list[Way]) -> list[str]:
    """The fields that nothing says."""
    return [field for field in FIELDS if all(field not in way.fields for way in found)]


def _groups(port: PortPlan) -> tuple[str, ...]:
    spec = port.parser.spec
    named = [group for group in FIELDS if f"(?P<{group}>" in spec.pattern]
    return (*named, *(group for group in FIELDS if group in spec.fields or group in spec.positions))


def _scanned(port: PortPlan) -> str:
    spec = port.parser.spec
    form = (spec.pattern or (spec.delimiter and f"fields {', '.join(spec.fields)} between {spec.delimiter!r}")
            or "fields at fixed places")
    return f"labels for the scanner on port {port.name}, read as {form}"
