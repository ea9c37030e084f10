"""From a loaded configuration to the plan that the daemon runs.

Knows: how the sections hang together (ports name formats, characteristics name ports), what a format's examples must
give, which output kinds there are.  Finds every fault at once, also those between sections.
Must not know: devices, journals, how anything is run.
"""

import importlib
import os
from pathlib import Path
from typing import Any

from msgspec import Struct

from collector.config import models
from collector.config.characteristics import characteristics
from collector.config.characteristics import warnings as characteristic_warnings
from collector.config.examples import example_faults
from collector.config.loader import Loaded, attempt, load, nearest
from collector.config.part_models import WITHIN_MS
from collector.errors import ConfigError, Fault
from collector.frames.framer import Framing
from collector.frames.checksum import Checksum
from collector.frames.parser import FormatSpec, Parser, build_parser
from collector.frames.refused import FormatRefused
from collector.frames.sent_time import SentTimeSpec
from collector.measuring.assembly import PartPlan
from collector.measuring.characteristic import Characteristic
from collector.measuring.context import FIELDS, Source
from collector.outputs import OUTPUTS
from collector.ports import LineSettings, is_network


class PortPlan(Struct, frozen=True, kw_only=True):
    """One port: how to open it, cut its bytes, read its frames, and what its channels measure.

    `channels`: channel as the frame names it (`""` for the one unnamed) -> part number -> characteristic.
    """

    name: str
    line: LineSettings
    framing: Framing
    parser: Parser
    encoding: str
    is_deviation: bool
    channels: dict[str, dict[str, Characteristic]]
    request: models.Request | None = None
    silent_ms: int | None = None


class OutputPlan(Struct, frozen=True):
    """One output: its kind (a row of OUTPUTS) and its own settings."""

    name: str
    kind: str
    settings: Any


class Plan(Struct, frozen=True, kw_only=True):
    """A whole, valid configuration, ready to run.  `warnings` are for `check` and the log.

    `sources` of context by name; `scanners`: port -> the sources that it feeds;
    `folders`: source -> where orders are dropped.
    """

    site: str
    state: Path
    journal: models.JournalSettings
    ports: dict[str, PortPlan]
    outputs: dict[str, OutputPlan]
    parts: dict[str, PartPlan]
    sources: dict[str, Source] = {}
    scanners: dict[str, tuple[str, ...]] = {}
    folders: dict[str, Path] = {}
    metrics: Path | None = None
    warnings: tuple[str, ...] = ()

    @property
    def characteristics(self) -> list[Characteristic]:
        """Every characteristic of every part."""
        return [one for part in self.parts.values() for one in part.characteristics.values()]


def read_plan(path: Path) -> Plan:
    """The plan of a configuration file or folder.  Raises ConfigError with every fault in it."""
    return build_plan(load(path))


def build_plan(loaded: Loaded) -> Plan:
    """The plan of a loaded configuration.  Raises ConfigError with every fault in it."""
    root, faults = attempt(loaded, models.Root)
    faults = faults + _reference_faults(loaded)
    outputs = _outputs(loaded, faults)
    if root is None:
        raise ConfigError(faults)
    parsers = _parsers(loaded, root, faults)
    found = characteristics(loaded, root, faults)
    _contexts(loaded, root, faults)
    _nominal_faults(loaded, root, faults)
    _same_device_faults(loaded, root, faults)
    if faults:
        raise ConfigError(faults)
    beside = _folder(loaded)
    ports = {name: _port(name, port, root.formats[port.format], parsers[port.format], found, beside)
             for name, port in root.ports.items()}
    scanners: dict[str, tuple[str, ...]] = {}
    for name, one in root.context.items():
        if one.port:
            scanners[one.port] = (*scanners.get(one.port, ()), name)
    folders = {name: Path(os.path.abspath(beside / one.folder)) for name, one in root.context.items() if one.folder}
    metrics = Path(os.path.abspath(beside / root.metrics.folder)) if root.metrics else None
    return Plan(site=root.site, metrics=metrics, state=_state(loaded, root), journal=root.journal, ports=ports,
                outputs=outputs, parts=_parts(found), sources=_sources(root), scanners=scanners, folders=folders,
                warnings=(*_warnings(root), *characteristic_warnings(root, found)))


# --- between the sections: read from the tree, so that they are found even where a value is wrong


def _section(loaded: Loaded, name: str) -> dict:
    found = loaded.tree.get(name)
    return found if isinstance(found, dict) else {}


def _reference_faults(loaded: Loaded) -> list[Fault]:
    faults = []
    ports, formats = _section(loaded, "ports"), _section(loaded, "formats")
    for name, port in ports.items():
        wanted = port.get("format") if isinstance(port, dict) else None
        if isinstance(wanted, str) and wanted not in formats:
            faults.append(loaded.fault(("ports", name, "format"), f"there is no format {wanted!r}",
                                       nearest(wanted, list(formats))))
    for part, ones in _section(loaded, "parts").items():
        for name, one in ones.items() if isinstance(ones, dict) else ():
            channel = one.get("channel") if isinstance(one, dict) else None
            if isinstance(channel, str) and channel.partition("/")[0] not in ports:
                wanted = channel.partition("/")[0]
                faults.append(loaded.fault(("parts", part, name, "channel"), f"there is no port {wanted!r}",
                                           nearest(wanted, list(ports))))
    return faults


def _same_device_faults(loaded: Loaded, root: models.Root, faults: list[Fault]) -> None:
    seen: dict[str, str] = {}
    for name, port in root.ports.items():
        device = (port.device.partition("?")[0] if "://" in port.device
                  else os.path.realpath(_folder(loaded) / port.device))
        if device in seen:
            faults.append(loaded.fault(("ports", name, "device"),
                                       f"{port.device} is the device of port {seen[device]!r} too",
                                       "one port a device"))
        seen.setdefault(device, name)


def _outputs(loaded: Loaded, faults: list[Fault]) -> dict[str, OutputPlan]:
    plans = {}
    for name, entry in _section(loaded, "outputs").items():
        path = ("outputs", name)
        if not isinstance(entry, dict):
            faults.append(loaded.fault(path, f"{name!r} should hold keys and values", "give at least kind"))
            continue
        kind = entry.get("kind")
        if not isinstance(kind, str) or kind not in OUTPUTS:
            what = "required key 'kind' is missing" if kind is None else f"there is no output kind {kind!r}"
            faults.append(loaded.fault((*path, "kind") if kind else path, what,
                                       f"kinds are {', '.join(sorted(OUTPUTS))}"))
            continue
        settings, found = _output_settings(loaded, path, entry, importlib.import_module(OUTPUTS[kind]).Settings)
        faults += found
        if settings is not None and hasattr(settings, "folder"):
            folder = Path(os.path.abspath(_folder(loaded) / settings.folder))
            settings = settings.model_copy(update={"folder": type(settings.folder)(folder)})
        if settings is not None:
            plans[name] = OutputPlan(name, kind, settings)
    return plans


def _output_settings(loaded: Loaded, path: tuple, entry: dict, model: Any) -> tuple[Any, list[Fault]]:
    within = {key: value for key, value in entry.items() if key != "kind"}
    inner = Loaded(loaded.source, within)
    depth = len(path)
    for mine, theirs in ((inner.keys, loaded.keys), (inner.values, loaded.values)):
        mine.update({key[depth:]: place for key, place in theirs.items() if key[:depth] == path})
    return attempt(inner, model)


# --- section by section


def _parsers(loaded: Loaded, root: models.Root, faults: list[Fault]) -> dict[str, Parser]:
    """A parser for each format; a format is read in the encoding of the ports that use it."""
    parsers: dict[str, Parser] = {}
    scanners = {one.port for one in root.context.values() if one.port}
    for name, one in root.formats.items():
        users = {user for user, port in root.ports.items() if port.format == name}
        encodings = {root.ports[user].encoding for user in users} or {"ascii"}
        if len(encodings) > 1:
            faults.append(loaded.fault(("formats", name),
                                       f"ports that use it differ in encoding ({', '.join(sorted(encodings))})",
                                       "give each encoding a format of its own"))
        try:
            parsers[name] = build_parser(format_spec(name, one, min(encodings), bool(users) and users <= scanners))
        except FormatRefused as refused:
            faults.append(loaded.fault(("formats", name, *refused.key.split(".")), refused.what, refused.right))
            continue
        for index, what, right in example_faults(one, parsers[name], min(encodings)):
            faults.append(loaded.fault(("formats", name, "examples", index), what, right))
        if one.unit is None and not _names_unit(one) and not (users and users <= scanners):
            faults.append(loaded.fault(("formats", name), "no unit: neither the format nor its frames say it",
                                       "add unit: mm"))
    return parsers


def _names_unit(one: models.Format) -> bool:
    return "(?P<unit>" in (one.pattern or "") or "unit" in (one.fields or ()) or "unit" in (one.positions or ())


def format_spec(name: str, one: models.Format, encoding: str, context_only: bool = False) -> FormatSpec:
    """A format of the configuration as the parser takes it."""
    given = one.checksum
    checksum = given and Checksum(kind=given.kind, after=(given.after or "").encode("latin-1"),
                                  from_=(given.from_ or "").encode("latin-1"), form=given.form)
    return FormatSpec(
        name=name, pattern=one.pattern or "", delimiter=one.delimiter or "", fields=tuple(one.fields or ()),
        positions=dict(one.positions or {}), repeat=one.repeat, unit=one.unit or "", decimal=one.decimal,
        implied_decimals=one.implied_decimals, scale=one.scale, over_range=tuple(one.over_range), checksum=checksum,
        kinds=dict(one.kinds), time=SentTimeSpec(one.time.format, one.time.zone) if one.time else None,
        encoding=encoding, context_only=context_only)


def _contexts(loaded: Loaded, root: models.Root, faults: list[Fault]) -> None:
    """A context port is only that; a source applies to ports that measure; a folder of orders is one source's."""
    scanners = {one.port for one in root.context.values() if one.port}
    folders: dict[str, str] = {}
    for name, one in root.context.items():
        path = ("context", name)
        if one.folder is not None:
            other = folders.setdefault(os.path.abspath(_folder(loaded) / one.folder), name)
            if other != name:
                faults.append(loaded.fault((*path, "folder"), f"{one.folder} is the folder of context {other!r} too",
                                           "one source a folder"))
        if one.port is not None and one.port not in root.ports:
            faults.append(loaded.fault((*path, "port"), f"there is no port {one.port!r}",
                                       nearest(one.port, list(root.ports))))
        for index, port in enumerate(one.applies_to or ()):
            if port not in root.ports:
                faults.append(loaded.fault((*path, "applies-to", index), f"there is no port {port!r}",
                                           nearest(port, list(root.ports))))
            elif port in scanners:
                faults.append(loaded.fault((*path, "applies-to", index), f"port {port!r} is a source of context itself",
                                           "name ports that measure"))
    for part, ones in root.parts.items():
        for name, one in ones.items():
            if one.channel and one.channel.partition("/")[0] in scanners:
                faults.append(loaded.fault(("parts", part, name, "channel"),
                                           "this port is a source of context; it measures nothing",
                                           "name a port that measures"))


def _sources(root: models.Root) -> dict[str, Source]:
    scanners = {one.port for one in root.context.values()}
    measuring = tuple(name for name in root.ports if name not in scanners)
    return {name: Source(name=name, sets=tuple(one.sets or FIELDS), ports=tuple(one.applies_to or measuring),
                         used=one.until == "used")
            for name, one in root.context.items()}


def _parts(found: list[Characteristic]) -> dict[str, PartPlan]:
    parts: dict[str, dict[str, Characteristic]] = {}
    for one in found:
        parts.setdefault(one.part, {})[one.name] = one
    return {part: PartPlan(ones, max((one.within_ns for one in ones.values() if one.within_ns),
                                     default=WITHIN_MS * 1_000_000))
            for part, ones in parts.items()}


def _nominal_faults(loaded: Loaded, root: models.Root, faults: list[Fault]) -> None:
    """A deviation says a size only where there is a nominal."""
    for part, ones in root.parts.items():
        for name, one in ones.items():
            port = root.ports.get((one.channel or "").partition("/")[0])
            form = port and root.formats.get(port.format)
            if not form or form.reads != "deviation" or one.nominal is not None:
                continue
            is_difference = one.evaluate.sweep is not None and one.evaluate.sweep.report == "tir"
            needed = [key for key, given in (("masters", one.masters), ("classes", one.classes and not is_difference),
                                             ("limits", one.limits and not is_difference)) if given]
            what = f"need sizes, and without a nominal the deviations of {one.channel} are none"
            faults += [loaded.fault(("parts", part, name, key), f"{key} {what}", "add nominal: 12 mm")
                       for key in needed]


def _port(name: str, port: models.Port, form: models.Format, parser: Parser, found: list[Characteristic],
          beside: Path) -> PortPlan:
    channels: dict[str, dict[str, Characteristic]] = {}
    for one in found:
        owner, _, inner = one.channel.partition("/")
        if owner == name:
            channels.setdefault(inner, {})[one.part] = one
    device = str(Path(os.path.abspath(beside / port.device))) if port.device[0] == "." else port.device
    line = LineSettings(device=device, baud=port.baud, bits=port.character.bits, parity=port.character.parity,
                        stop=port.character.stop, flow=port.flow, own_parity=port.parity_check == "collector",
                        dtr=port.dtr, rts=port.rts,
                        marks=port.length is None)      # a mark would count as bytes of a fixed length
    return PortPlan(name=name, line=line, framing=framing(port), parser=parser, encoding=port.encoding,
                    is_deviation=form.reads == "deviation", channels=channels, request=port.request,
                    silent_ms=port.silent)


_NETWORK_REST_MS = 30_000                              # longer than a connection is held up that is not given up


def framing(port: models.Port) -> Framing:
    """How a port's bytes are cut into frames."""
    end = (port.end.encode(port.encoding),) if port.end else (b"\r", b"\n")
    start = port.start.encode(port.encoding) if port.start else b""
    more = {"rest_ms": _NETWORK_REST_MS} if is_network(port.device) else {}
    return Framing(end=end, start=start, length=port.length or 0, gap_ms=port.gap or 0, longest=port.longest, **more)


def _state(loaded: Loaded, root: models.Root) -> Path:
    if root.state:
        return Path(os.path.abspath(_folder(loaded) / root.state))
    given = os.environ.get("STATE_DIRECTORY", "").partition(":")[0]
    return Path(given) if given else Path(os.path.abspath(_folder(loaded) / "state"))


def _folder(loaded: Loaded) -> Path:
    """Where relative paths of the configuration begin: the folder that it lies in."""
    return loaded.source if loaded.source.is_dir() else loaded.source.parent


def _warnings(root: models.Root) -> list[str]:
    found = []
    used = {port.format for port in root.ports.values()}
    found += [f"formats.{name} is used by no port" for name in root.formats if name not in used]
    claimed = {(one.channel or "").partition("/")[0] for ones in root.parts.values() for one in ones.values()}
    claimed |= {one.port for one in root.context.values()}
    for name in root.ports:
        if name not in claimed:
            found.append(f"ports.{name}: no characteristic names it; its readings are kept but not judged")
    return found
