"""What is in force where the frame does not say it: part, lot, serial, operator, master, temperatures; for each port.

Knows: sources (a scanner, an order folder), the fields each may set, the ports it applies to, how long it holds.
Must not know: how a label or an order was read, records.  What must survive a restart is plain data (`Held`).

A field holds until it is replaced; with `used`, each channel that measures the part (or knows the master) takes it
once, and then it is gone.  A new part or serial ends a master: what comes now is a part again.
"""

from collections.abc import Callable, Collection, Mapping

from msgspec import Struct

FIELDS = ("part", "lot", "serial", "operator", "master", "part-temperature", "master-temperature")


class Source(Struct, frozen=True, kw_only=True):
    """One source of context: what it may set, the ports that it holds for, whether a part uses it up."""

    name: str
    sets: tuple[str, ...]
    ports: tuple[str, ...]
    used: bool = False


class Held(Struct):
    """One field in force on one port; `by`: the channels that have used it, None where it is not used up."""

    text: str
    source: str
    by: list[str] | None = None


class Memory(Struct):
    """All that must survive: port -> field -> what holds; source -> identity of the last order that was applied."""

    ports: dict[str, dict[str, Held]] = {}
    orders: dict[str, str] = {}


class Gone(Struct, frozen=True):
    """Fields of a source that are used up."""

    source: str
    fields: tuple[str, ...]
    ports: tuple[str, ...]


class Context:
    """The context of all ports.

    `users` gives the channels (`PORT` or `PORT/CHANNEL`) that can use a part (first) or a master (second text) up.
    """

    def __init__(self, memory: Memory, sources: Mapping[str, Source], users: Callable[[str, str], Collection[str]]):
        self.memory, self.sources, self._users = memory, sources, users
        self.touched = False
        self._plain: dict[str, dict[str, str]] = {}
        self._forget_unknown()

    def of(self, port: str, channel: str) -> dict[str, str]:
        """The fields in force for a channel; not to be changed."""
        plain = self._plain.get(port)
        if plain is not None:
            return plain
        held = self.memory.ports.get(port, {})
        if all(one.by is None for one in held.values()):
            return self._plain.setdefault(port, {field: one.text for field, one in held.items()})
        place = _place(port, channel)
        return {field: one.text for field, one in held.items() if one.by is None or place not in one.by}

    def is_plain(self, port: str) -> bool:
        """Whether nothing in force on this port is ever used up."""
        return port in self._plain

    def put(self, source: Source, said: Mapping[str, str]) -> dict[str, str]:
        """A label or an order says these fields; what of them this source may set is in force and given back.

        An empty text ends a field.
        """
        given = {field: said[field] for field in source.sets if field in said}
        if not given:
            return {}
        for port in source.ports:
            held = self.memory.ports.setdefault(port, {})
            if given.get("part") or given.get("serial"):
                held.pop("master", None)
            for field, text in given.items():
                held.pop(field, None)
                if text:
                    held[field] = Held(text, source.name, [] if source.used else None)
            self._plain.pop(port, None)
        self.touched = True
        return given

    def use(self, port: str, channel: str, part: str, master: str) -> list[Gone]:
        """A channel has measured: what it has used up everywhere by that."""
        if port in self._plain or not self.memory.ports.get(port):
            return []
        place, gone = _place(port, channel), {}
        expected = self._users("" if master else part, master)
        for field, one in list(self.memory.ports[port].items()):
            if one.by is None or (field == "master") != bool(master):
                continue
            self.touched = True
            if place not in one.by:
                one.by.append(place)
            if self._all_used(expected, field, one.source):
                gone.setdefault(one.source, []).append(field)
        return [self._dropped(source, fields) for source, fields in gone.items()]

    def used_up(self, part: str, serial: str) -> list[Gone]:
        """The part is over: what holds until it is used, and named it, is gone.

        Without a serial, what no channel has used yet is of the next part.
        """
        gone: dict[str, list[str]] = {}
        for held in self.memory.ports.values():
            texts = {field: one.text for field, one in held.items()}
            if texts.get("part", part) != part or texts.get("serial", "") != serial:
                continue
            for field, one in held.items():
                is_of_part = one.by is not None and (serial or one.by) and field != "master"
                if is_of_part and field not in gone.get(one.source, ()):
                    gone.setdefault(one.source, []).append(field)
        return [self._dropped(source, fields) for source, fields in gone.items()]

    def _all_used(self, expected: Collection[str], field: str, source: str) -> bool:
        """Whether every channel that can use this field of this source, where it is in force, has done so."""
        held = {port: self.memory.ports.get(port, {}).get(field) for port in self.sources[source].ports}
        used = {port: one.by or () for port, one in held.items() if one and one.source == source}
        return all(place in used[port] for place in expected if (port := place.partition("/")[0]) in used)

    def _dropped(self, source: str, fields: list[str]) -> Gone:
        ports = self.sources[source].ports
        for port in ports:
            held = self.memory.ports.get(port, {})
            for field in fields:
                if field in held and held[field].source == source:
                    del held[field]
            self._plain.pop(port, None)
        self.touched = True
        return Gone(source, tuple(fields), ports)

    def _forget_unknown(self) -> None:
        """What a source set that by the configuration it may not set any more is no longer in force."""
        may = {(name, port, field) for name, one in self.sources.items() for port in one.ports for field in one.sets}
        for port, held in self.memory.ports.items():
            for field in [field for field, one in held.items() if (one.source, port, field) not in may]:
                del held[field]
                self.touched = True


def _place(port: str, channel: str) -> str:
    """The channel as a configuration names it; one without a name is its port."""
    return f"{port}/{channel}" if channel else port
