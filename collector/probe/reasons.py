"""The judgement's reasons, in words for a technician.

Knows: what to say of a speed, a format, silence.
Must not know: how any of it is found.
"""

from collections.abc import Mapping, Sequence

from collector.probe.evidence import Look
from collector.probe.speeds import LIKENED, MEASURED, SLOWER, TOO_LITTLE, Bits

NO_LINE = "this device has no serial line of its own (it sends over USB, or is a pseudo-terminal), so any speed will do"
NO_MARKS = "this port has reported no line error at any speed, so a parity bit behind eight data bits could not be seen"
NOT_CONFIRMED = ("the adapter did not receive it cleanly with this setting, though the bits say so: "
                 "it may not be able to, try another adapter")
NO_LOOK = "bits and parity are not known, 8N1 is the most usual: no line has come yet while it was looked at this speed"
NO_FORMAT = "but in no format are the characters text: binary data, noise, or a level that is inverted"

CHECK = ("does the column send (press its print or data key, or give --probe --send), is its TXD on the adapter's RXD "
         "(crossed cable or not), is signal ground connected, does it wait for DTR or RTS (--dtr on --rts on)")


def of_silence(looks: Sequence[Look]) -> str:
    if any(look.bursts for look in looks):
        return f"nothing more has arrived since the look at {looks[-1].setting}; what came before does not suffice"
    return f"nothing has arrived; check: {CHECK}"


def of_time(looks: Sequence[Look]) -> str:
    return f"the time is over after {len(looks)} looks, the last at {looks[-1].setting}; a longer one would tell more"


def of_speed(bits: Bits) -> str:
    if bits.kind == MEASURED:
        return f"{bits.fitting} of {bits.changes} changes of level stand where bits of {bits.baud} baud end"
    if bits.kind == LIKENED:
        return f"at {bits.baud} baud what arrives is text; its bits are too disturbed, or too few, to be measured"
    return f"at {bits.baud} baud bits can't be divided further; no faster look is taken"


def of_no_speed(measured: Mapping[int, Bits]) -> str:
    kinds = {bits.kind for bits in measured.values()}
    if kinds == {SLOWER}:
        return ("only zeros arrive, at every speed: slower than 150 baud, or the line rests at the wrong level "
                "(no RS-232 driver between, wires swapped, a cable that is cut)")
    if TOO_LITTLE in kinds:
        return "too few characters arrive to measure their bits; let the column send longer or more lines"
    return (f"the looks contradict each other (no even bits from {min(measured)} to {max(measured)} baud): "
            "noise, or a bad ground")


def of_format(look: Look, character: str) -> str:
    count = len(look.characters)
    bad = sum(one.bad for one in look.characters)
    errors = f", {bad} with a line error" if bad else ", none with a line error"
    if look.setting.character == character:
        return f"received as {character}: {count} characters of plain text{errors}"
    return f"received as {look.setting.character}, {count} characters are text with the bits of {character}"
