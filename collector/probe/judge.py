"""What to look at next, or which settings the line has, with reasons.

Knows: the order of looks: first the speed, by the lengths of bits; then bits and parity, by all looks at that speed.
Must not know: ports, how a look is taken, how long it takes, how an answer is shown.

The judgement is a function of the looks so far, and of nothing else.  No speed is believed for its text alone: at half
its speed a line of digits reads as clean letters.
"""

from collections.abc import Sequence

from msgspec import Struct
from msgspec.structs import replace

from collector.probe import reasons
from collector.probe.ends import CERTAIN, GUESS, LIKELY
from collector.probe.evidence import Look, Setting, is_text, plain_share
from collector.probe.formats import FORMATS, SAME, likelihoods
from collector.probe.speeds import FASTEST, LADDER, MEASURED, TOO_LITTLE, Bits, instead, likened, measure, next_speed

_MOST_REPEATS = 3                        # looks at one setting for want of characters
_LEAST_CHARACTERS, _ENOUGH_CHARACTERS, _STREAM_CHARACTERS = 8, 24, 100
_SURE = 0.95
_CLOSE, _LEAD = 3.0, 8.0                 # ln of odds: what fits equally; what leaves no doubt


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


def judge(looks: Sequence[Look], is_over: bool = False) -> Setting | Answer:
    """The next setting to look at, or the answer.  A setting may come again: one more burst of it is wanted.

    `is_over`: there is no time for another look; then, and after a look that brought nothing, what is known has to do.
    """
    silent = bool(looks) and not looks[-1].bursts and not looks[-1].refused
    judging = _Judging(looks[:-1] if silent else looks, patient=not silent and not is_over)
    step = judging.step()
    if judging.patient:
        return step
    heard = any(look.bursts for look in looks)
    why = reasons.of_time(looks) if is_over and heard else reasons.of_silence(looks)
    if isinstance(step, Setting):
        return judging.guess(why)
    return step if step.confidence == CERTAIN else replace(step, reasons=(*step.reasons, why))


def bursts_of(setting: Setting, looks: Sequence[Look]) -> list[bytes]:
    """What arrived at this setting, and as 8N1 where that reads the same but for a parity bit, which is taken off.

    Where nothing has arrived at the setting, as 8N1 it has to do.
    """
    plain, mask = Setting(setting.baud), (1 << int(setting.character[0])) - 1
    in_step = setting.character[:2] in ("7E", "7O") or not any(look.bursts for look in looks if look.setting == setting)
    return [bytes(one.byte & mask for one in burst) for look in looks
            if look.setting == setting or in_step and look.setting == plain for burst in look.bursts]


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
            step = self._format_at(instead(measured))
            return step or Answer(reasons=(reasons.of_no_speed(measured),))
        return found if isinstance(found, Setting) else self._format_at_any(found)

    def _may_repeat(self, look: Look) -> bool:
        return self.patient and not look.refused and self.times[look.setting] < _MOST_REPEATS

    def guess(self, why: str) -> Answer:
        """What is most likely so far."""
        bits = next_speed({baud: measure(self.seen[Setting(baud)]) for baud in LADDER if Setting(baud) in self.seen})
        if not isinstance(bits, Bits):
            return Answer(reasons=(why,))
        plain = self.seen.get(Setting(bits.baud))
        if plain is None:
            return Answer(setting=Setting(bits.baud), reasons=(reasons.of_speed(bits), reasons.NO_LOOK, why))
        for one in (bits, *likened(bits, measure(plain))):
            if equal := _equal(likelihoods(self._at(one.baud), self.marks_seen)):
                answer = self._answer(one, equal[0], equal)
                return replace(answer, confidence=GUESS, reasons=(*answer.reasons, why))
        return Answer(reasons=(reasons.of_speed(bits), reasons.NO_FORMAT, why))

    def _at(self, baud: int) -> list[Look]:
        return [look for look in self.seen.values() if look.setting.baud == baud and look.bursts]

    def _format_at_any(self, bits: Bits) -> Setting | Answer:
        """Bits and parity at the speed found; or at those that it may have been taken for, where they explain more."""
        step = self._format(bits)
        if step is not None:
            return step
        return self._format_at(likened(bits, measure(self.seen[Setting(bits.baud)]))) or self._format_by_trial(bits)

    def _format_at(self, speeds: Sequence[Bits]) -> Setting | Answer | None:
        for bits in speeds:
            step = self._format(bits, repeat=False)
            if step is not None:
                return step
        return None

    def _format(self, bits: Bits, repeat: bool = True) -> Setting | Answer | None:
        """Bits and parity at this speed; None where what came has none that make it text."""
        plain = self.seen.get(Setting(bits.baud))
        if plain is None or repeat and len(plain.characters) < _LEAST_CHARACTERS and self._may_repeat(plain):
            return Setting(bits.baud)
        equal = _equal(likelihoods(self._at(bits.baud), self.marks_seen))
        if not equal:                          # the one burst may have been hit
            return plain.setting if repeat and len(plain.bursts) == 1 and self._may_repeat(plain) else None
        for name in equal:
            look = self.seen.get(Setting(bits.baud, name))
            if look is None:
                return Setting(bits.baud, name)
            if is_text(look.sound):
                return look.setting if self._wants_more(look) else self._answer(bits, name, equal)
            if self._may_repeat(look):
                return look.setting
        return self._answer(bits, equal[0], equal)

    def _format_by_trial(self, bits: Bits) -> Setting | Answer:
        """Bits and parity where nothing explains what came, the likeliest first."""
        ln = likelihoods(self._at(bits.baud), self.marks_seen)
        for name in sorted(FORMATS, key=lambda name: -ln[name]):
            look = self.seen.get(Setting(bits.baud, name))
            if look is None:
                return Setting(bits.baud, name)
            if is_text(look.sound) and likelihoods([look], self.marks_seen)[name] > 0:
                return look.setting if self._wants_more(look) else self._answer(bits, name, [])
        if Setting(FASTEST) not in self.seen:  # a faster sender may have looked like a slow one
            return Setting(FASTEST)
        return Answer(reasons=(reasons.of_speed(bits), reasons.NO_FORMAT))

    def _wants_more(self, look: Look) -> bool:
        at = self._at(look.setting.baud)
        count = sum(len(one.characters) for one in at)
        enough = count >= _STREAM_CHARACTERS or count >= _ENOUGH_CHARACTERS and sum(len(one.bursts) for one in at) > 1
        return not enough and self._may_repeat(look)

    def _answer(self, bits: Bits, character: str, equal: list[str]) -> Answer:
        """Found, though it may not have been received with the setting itself."""
        own, at = self.seen.get(Setting(bits.baud, character)), self._at(bits.baud)
        confirmed = own is not None and is_text(own.sound)
        why = [reasons.of_speed(bits), reasons.of_format(own if confirmed else at[0], character)]
        equally = [one for one in equal if one != character]
        if character == "8N1" and not self.marks_seen:
            equally += [one for one in ("8E1", "8O1") if one not in equally]
            why.append(reasons.NO_MARKS)
        if not confirmed and own is not None:
            why.append(reasons.NOT_CONFIRMED)
        likely = (confirmed or own is not None and own.refused) and (bool(equal) or self.marks_seen)
        count = sum(len(look.characters) for look in at)
        ln = likelihoods(at, self.marks_seen)
        lead = ln[character] - max(ln[other] for other in FORMATS if other != character)
        sure = (likely, bits.kind == MEASURED, confirmed and plain_share(own.sound) >= _SURE,
                not equally, lead >= _LEAD, count >= _ENOUGH_CHARACTERS)
        confidence = CERTAIN if all(sure) else LIKELY if likely else GUESS
        return Answer(setting=Setting(bits.baud, character), confidence=confidence, reasons=tuple(why),
                      equally=tuple(equally), reads_too=SAME.get(character, ()))


def _equal(ln: dict[str, float]) -> list[str]:
    """The formats that explain what came, and equally well; none where nothing does."""
    best = max(ln.values())
    return [name for name in FORMATS if ln[name] >= best - _CLOSE] if best > 0 else []


def _without_speed(as_text: list[Look]) -> Answer:
    speeds = " and at ".join(str(look.setting.baud) for look in as_text)
    return Answer(setting=Setting(9600), confidence=LIKELY, baud_matters=False,
                  reasons=(f"the same clean text arrives at {speeds} baud: {reasons.NO_LINE}",))
