"""What to look at next, or which settings the line has, with reasons.

Knows: the order of looks: first the speed, by the lengths of bits; then bits and parity; then a last look.
Must not know: ports, how a look is taken, how an answer is shown.

The judgement is a function of the looks so far, and of nothing else.  No speed is believed for its text alone: at half
its speed a line of digits reads as clean letters.
"""

from collections.abc import Sequence

from msgspec import Struct

from collector.probe import reasons
from collector.probe.ends import CERTAIN, GUESS, LIKELY
from collector.probe.evidence import Look, Setting, is_text, plain_share
from collector.probe.formats import SAME, equal_fits, fits, to_try
from collector.probe.speeds import FASTEST, FIRST, LADDER, MEASURED, TOO_LITTLE, Bits, measure, next_speed

_MOST_REPEATS = 3                        # looks at one setting for want of characters
_LEAST_CHARACTERS, _ENOUGH_CHARACTERS, _STREAM_CHARACTERS = 8, 24, 100
_NEARLY, _SURE = 0.7, 0.95


class Answer(Struct, frozen=True, kw_only=True):
    """What the line is sent with; `setting` None: not found.  `baud_matters`: a device without a line has no speed.

    `equally`: other formats that explain what arrived as well; `reads_too`: those that nothing received can tell apart.
    """

    setting: Setting | None = None
    confidence: str = GUESS
    reasons: tuple[str, ...] = ()
    equally: tuple[str, ...] = ()
    reads_too: tuple[str, ...] = ()
    baud_matters: bool = True


def judge(looks: Sequence[Look]) -> Setting | Answer:
    """The next setting to look at, or the answer.  A setting may come again: one more burst of it is wanted."""
    silent = bool(looks) and not looks[-1].bursts and not looks[-1].refused
    step = _Judging(looks[:-1] if silent else looks, patient=not silent).step()
    if silent and isinstance(step, Setting):
        return Answer(reasons=(reasons.of_silence(looks),))
    return step


def bursts_of(setting: Setting, looks: Sequence[Look]) -> list[bytes]:
    """What arrived at this setting, or else at its speed with the parity bit taken off: one text a burst."""
    for seen, mask in ((setting, 0xFF), (Setting(setting.baud), 0x7F), (Setting(FIRST), 0xFF)):
        found = [bytes(one.byte & mask for one in burst)
                 for look in looks if look.setting == seen for burst in look.bursts]
        if found:
            return found
    return []


class _Judging:
    """The looks so far, by setting.  `patient`: one more look at the same setting may be asked for."""

    def __init__(self, looks: Sequence[Look], patient: bool):
        self.patient = patient
        self.marks_seen = any(one.bad for look in looks for one in look.characters)
        self.times: dict[Setting, int] = {}
        self.seen: dict[Setting, Look] = {}
        for look in looks:
            before = self.seen.get(look.setting)
            self.times[look.setting] = self.times.get(look.setting, 0) + 1
            self.seen[look.setting] = look if before is None else Look(look.setting, before.bursts + look.bursts)

    def step(self) -> Setting | Answer:
        as_text = [look for look in self.seen.values() if look.setting.character == "8N1" and is_text(look.characters)]
        if len(as_text) > 1:
            return _without_speed(as_text)
        measured: dict[int, Bits] = {}
        for look in (self.seen[Setting(baud)] for baud in LADDER if Setting(baud) in self.seen):
            bits = measure(look)
            if bits.kind == TOO_LITTLE and self._may_repeat(look):
                return look.setting
            measured[look.setting.baud] = bits
        found = next_speed(measured)
        if found is None:
            return Answer(reasons=(reasons.of_no_speed(measured),))
        return found if isinstance(found, Setting) else self._format(found)

    def _may_repeat(self, look: Look) -> bool:
        return self.patient and not look.refused and self.times[look.setting] < _MOST_REPEATS

    def _wants_more(self, look: Look) -> bool:
        count = len(look.characters)
        enough = count >= _STREAM_CHARACTERS or count >= _ENOUGH_CHARACTERS and len(look.bursts) > 1
        return not enough and self._may_repeat(look)

    def _reads(self, look: Look) -> bool:
        """Whether a look is text; without marks there is no other sign of a wrong setting, so it has to be cleaner."""
        return is_text(look.sound) and (self.marks_seen or plain_share(look.characters) >= _SURE)

    def _format(self, bits: Bits) -> Setting | Answer:
        """Bits and parity at a speed that is known."""
        plain = self.seen.get(Setting(bits.baud))
        if plain is None or len(plain.characters) < _LEAST_CHARACTERS and self._may_repeat(plain):
            return Setting(bits.baud)
        found = fits(plain)
        equal = equal_fits(found)
        if "8N1" in equal:
            return plain.setting if self._wants_more(plain) else self._answer(bits, plain, "8N1", equal)
        few = len(plain.characters) < _ENOUGH_CHARACTERS
        if (few or not equal and len(plain.bursts) == 1) and self._may_repeat(plain):
            return plain.setting               # too few characters, or the one burst may have been hit
        tried = [Setting(bits.baud, character) for character in equal or to_try(found)]
        clean = []
        for setting in tried:
            look = self.seen.get(setting)
            if look is None:
                return setting
            reads = self._reads(look)
            if not reads and plain_share(look.characters) >= _NEARLY and self._may_repeat(look):
                return setting
            if reads:
                clean.append(setting.character)
                if self.marks_seen or equal:   # the wrong ones would have line errors
                    break
        if clean:
            look = self.seen[Setting(bits.baud, clean[0])]
            if not equal and self._wants_more(look):
                return look.setting
            return self._answer(bits, look, clean[0], equal or clean)
        if equal:
            return self._answer(bits, plain, equal[0], equal)
        if Setting(FASTEST) not in self.seen:  # a faster sender may have looked like a slow one
            return Setting(FASTEST)
        return Answer(reasons=(reasons.of_speed(bits), reasons.NO_FORMAT))

    def _answer(self, bits: Bits, look: Look, character: str, equal: list[str]) -> Answer:
        """Found.  `look`: at the setting itself; or, where the adapter would not have it, as 8N1."""
        confirmed = look.setting.character == character
        equally = [one for one in equal if one != character]
        why = [reasons.of_speed(bits), reasons.of_format(look, character)]
        if character == "8N1" and not self.marks_seen:
            equally += [one for one in ("8E1", "8O1") if one not in equally]
            why.append(reasons.NO_MARKS)
        if not confirmed:
            why.append(reasons.NOT_CONFIRMED)
        plain = self.seen[Setting(bits.baud)]
        explained = character in equal_fits(fits(plain))
        count = len(look.characters) + (len(plain.characters) if explained and look is not plain else 0)
        sure = (bits.kind == MEASURED, confirmed, not equally, count >= _ENOUGH_CHARACTERS,
                plain_share(look.sound) >= _SURE)
        readable = is_text(look.sound) if confirmed else self.seen[Setting(bits.baud, character)].refused
        likely = readable and (self.marks_seen or explained)
        confidence = CERTAIN if all(sure) and likely else LIKELY if likely else GUESS
        return Answer(setting=Setting(bits.baud, character), confidence=confidence, reasons=tuple(why),
                      equally=tuple(equally), reads_too=SAME.get(character, ()))


def _without_speed(as_text: list[Look]) -> Answer:
    speeds = " and at ".join(str(look.setting.baud) for look in as_text)
    return Answer(setting=Setting(9600), confidence=LIKELY, baud_matters=False,
                  reasons=(f"the same clean text arrives at {speeds} baud: {reasons.NO_LINE}",))
