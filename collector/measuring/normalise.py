"""From a reading as sent to an exact size of a characteristic.

Knows: size and deviation readings, units as columns write them.
Must not know: frames, ports, what is done with the size.
"""

from decimal import Decimal

from msgspec import Struct

from collector.measuring.characteristic import Characteristic
from collector.measuring.units import EXACT, WRITTEN, Unit, convert, unit_on_the_wire
from collector.record import UNIT, Reading, Unread


class Measured(Struct, frozen=True):
    """A size in `unit`, tied to its characteristic.  `value` is None where only a deviation is known."""

    value: Decimal | None
    deviation: Decimal | None
    unit: Unit


def normalise(reading: Reading, is_deviation: bool, characteristic: Characteristic | None) -> Measured | Unread:
    """The size that a reading says, in the characteristic's unit; without one, in the reading's own.

    Unread, reason `unit`, where the unit's text is not known.
    """
    source = unit_on_the_wire(reading.unit)
    if source is None:
        return Unread(UNIT, f"unit {reading.unit!r} is not known; known are mm, um, in, uin, thou")
    if characteristic is None:
        target = source if source in WRITTEN else Unit.IN
        value = convert(reading.value, source, target)
        return Measured(None, value, target) if is_deviation else Measured(value, None, target)
    value = convert(reading.value, source, characteristic.unit, characteristic.resolution)
    nominal = characteristic.nominal
    if not is_deviation:
        return Measured(value, None if nominal is None else EXACT.subtract(value, nominal), characteristic.unit)
    if nominal is None:
        return Measured(None, value, characteristic.unit)
    return Measured(EXACT.add(nominal, value), value, characteristic.unit)
