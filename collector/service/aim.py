"""Which characteristic a reading of a channel belongs to.

Knows: a channel may measure several parts; the part in force, or the master that is on, says which is meant.
Must not know: readings, sizes, records.
"""

from typing import Any

from msgspec import Struct

from collector.config.plan import PortPlan
from collector.measuring.characteristic import Characteristic
from collector.measuring.masters import Channel, Guard
from collector.service.cell import Cell
from collector.service.judged import compared

NO_PART = ("no-part",)
_MOST = 10_000                                         # part texts come from the wire: never an endless memory


class Aim(Struct, frozen=True):
    """What a reading is compared with, its constant record fields written once.  No characteristic: not judged.

    `masters`, `guard`: where its channel is checked on masters;
    `followed`: its part is made of several characteristics.  `repeats`: the same reading makes the same
    of it again, as long as context and flags are the same.
    """

    characteristic: Characteristic | None
    constants: dict[str, Any]
    flags: tuple[str, ...] = ()
    masters: Channel | None = None
    guard: Guard | None = None
    followed: bool = False
    repeats: bool = False

    def named(self) -> "Aim":
        """The same for a record that is not judged: it names part and characteristic, no more."""
        return Aim(None, {key: self.constants[key] for key in ("part", "characteristic") if key in self.constants},
                   self.flags)


NOTHING = Aim(None, {})


class Aims:
    """The aims of one port's channels."""

    def __init__(self, plan: PortPlan, cell: Cell):
        self._plan, self._cell = plan, cell
        self._known: dict[tuple[str, str, str | None], Aim | None] = {}

    def of(self, channel: str, part: str, master: str | None) -> Aim | None:
        """What a reading is compared with; None: a channel that the port does not have.

        `master`: None where a part is on; else the master's name, empty where nobody said it.
        """
        key = (channel, part, master)
        try:
            return self._known[key]
        except KeyError:
            if len(self._known) > _MOST:
                self._known.clear()
            return self._known.setdefault(key, self._found(channel, part, master))

    def unknown(self, channel: str) -> str:
        """Why a reading of this channel can't be taken, in words."""
        names = ", ".join(repr(name) if name else "one without a name" for name in self._plan.channels)
        return f"channel {channel!r} measures nothing here; known on this port: {names}"

    def _found(self, channel: str, part: str, master: str | None) -> Aim | None:
        known = self._plan.channels
        if not known:
            return NOTHING
        if channel not in known:
            return None
        parts = known[channel]
        one = parts.get(part) if part else next(iter(parts.values())) if len(parts) == 1 else None
        if master and (one is None or all(each.name != master for each in one.masters)):
            one = next((other for other in parts.values() if any(each.name == master for each in other.masters)), one)
        is_checked = any(other.masters for other in parts.values())
        masters = self._cell.memory.channel(next(iter(parts.values())).channel) if is_checked else None
        if one is None:
            return Aim(None, {}, NO_PART, masters=masters)
        is_each = all(other.stream is None for other in parts.values())        # else it may end another part's run
        return Aim(one, compared(one), masters=masters, guard=masters.guard(one) if masters else None,
                   followed=one.part in self._cell.assembly.plans,
                   repeats=is_each and one.expansion is None and one.nominal is not None)
