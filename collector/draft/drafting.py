"""From the reads of a capture to a draft that is proved, or the reason why there is none.

Knows: the order of the steps, what must come out of a draft before it is shown.
Must not know: how any step is done.
"""

from collections import Counter
from collections.abc import Iterator

from msgspec import structs

from collector.draft.bounds import Reads, bounds_of, frames_of
from collector.draft.checks import find_checksum, unknown_checksum
from collector.draft.examples import examples_of
from collector.draft.proof import Outcome, not_read, prove
from collector.draft.proposal import Bounds, CannotDraft, Draft, NotThisWay, Read, View
from collector.draft.telling import shown
from collector.draft.views import views_of
from collector.draft.writing import as_yaml
from collector.frames.checksum import Checksum, build_checksum
from collector.record import Frame, OverRange, Reading, Unread, escape

ENOUGH = 0.5
"""A draft that does not read more than this part of the frames is none."""


def draft(reads: Reads) -> Draft:
    """The best draft for these reads: it reads the most frames, with the least risk, and is the simplest of those.

    Raises CannotDraft with the reason of the likeliest way of reading.
    """
    if not b"".join(data for _, data in reads).strip():
        raise CannotDraft("the capture is empty")
    best: Draft | None = None
    reasons: list[CannotDraft] = []
    for bounds in bounds_of(reads):
        try:
            for one in _by_bounds(reads, bounds, reasons):
                if best is None or _rank(one) < _rank(best):
                    best = one
        except CannotDraft as why:
            reasons.append(why)
        if best is not None and best.read == best.frames and not best.risk:
            break
    if best is None:
        raise next((why for why in reasons if not isinstance(why, NotThisWay)),
                   None) or CannotDraft("no boundary between frames can be seen: no line end, no marks, no pauses")
    return best


def _rank(one: Draft) -> tuple[int, int, int]:
    return one.frames - one.read + one.risk, one.risk, -one.read


def _by_bounds(reads: Reads, bounds: Bounds, reasons: list[CannotDraft]) -> Iterator[Draft]:
    frames = [frame.data for frame in frames_of(reads, bounds.framing) if not frame.fault and frame.data.strip()]
    if not frames:
        raise CannotDraft("no whole frame is in the capture")
    checksum = find_checksum(frames)
    if checksum:
        verified = build_checksum(checksum)
        frames = [found for frame in frames if isinstance(found := verified(frame), bytes)]
    encoding, texts = _decoded(frames)
    check = 0 if checksum else unknown_checksum(frames)
    for view in views_of(texts, check):
        try:
            made = _made(reads, bounds, view(), checksum, encoding)
        except CannotDraft as why:
            reasons.append(why)
            continue
        risk = bool(check) + (checksum is not None and checksum.form != "hex" and not bounds.keys)
        yield structs.replace(made, risk=int(risk))
        if made.read == made.frames:
            return


def _decoded(frames: list[bytes]) -> tuple[str, list[str]]:
    """The encoding in which most frames are text, and those that are."""
    high = sum(byte > 0x7E for frame in frames for byte in frame)
    if high > 0.3 * sum(map(len, frames)):
        raise CannotDraft("a large part of the bytes is no text: are speed and character (8N1, 7E1) those of the "
                          "column?")
    plain = [frame.decode("ascii") for frame in frames if frame.isascii() and b"\0" not in frame]
    if len(plain) >= 0.8 * len(frames):
        return "ascii", plain
    for encoding in ("utf-8", "latin-1"):
        found = [text for frame in frames if b"\0" not in frame and (text := _text(frame, encoding)) is not None]
        if len(found) >= 0.8 * len(frames):
            return encoding, found
    raise CannotDraft("most frames hold bytes that are no text: are speed and character those of the column?")


def _text(frame: bytes, encoding: str) -> str | None:
    try:
        return frame.decode(encoding)
    except UnicodeError:
        return None


def _made(reads: Reads, bounds: Bounds, view: View, checksum: Checksum | None, encoding: str) -> Draft:
    """A view as a draft, proved twice: to see what it reads, and with the examples taken from that."""
    port: dict[str, object] = dict(bounds.keys)
    if encoding != "ascii":
        port["encoding"] = encoding
    entry = dict(view.keys)
    if view.over_range:
        entry["over-range"] = list(view.over_range)
    if checksum:
        entry["checksum"] = _checksum_keys(checksum)
    for field in view.read.fields:
        entry.update({key: value for key, value in field.also.items() if key != "fixed"})
    questions = list(view.questions) + [question for field in view.read.fields
                                        for question in field.question.splitlines()]
    if "unit" not in entry and not any(field.name == "unit" for field in view.read.fields):
        entry["unit"] = "mm"
        questions.append("unit: the frames name no unit that the collector knows; mm is a guess: which is it?")
    first = Draft(port=port, entry=entry, explained=_explained(bounds, view, checksum, encoding),
                  questions=tuple(questions), frames=0, read=0)
    outcomes, _ = prove(as_yaml(first, "drafted"), reads)
    _check(outcomes, view.read)
    entry["examples"] = examples_of(outcomes, encoding)
    whole = structs.replace(first, entry=entry, frames=len(outcomes),
                            read=sum(not isinstance(found, Unread) for _, found in outcomes),
                            not_read=not_read(outcomes, encoding),
                            questions=tuple([*questions, *_few(outcomes), *_odd(outcomes, view.read)]))
    prove(as_yaml(whole, "drafted"), reads)
    return whole


def _check(outcomes: list[tuple[Frame, Outcome]], read: Read) -> None:
    """Enough is read, and where a frame has several readings, all of them in every frame."""
    unread = [(frame, found) for frame, found in outcomes if isinstance(found, Unread) and frame.data.strip()]
    if len(unread) >= ENOUGH * len(outcomes):
        several = Counter(escape(frame.data)[:60] for frame, _ in unread)
        raise CannotDraft(f"the frames are too different: {len(unread)} of {len(outcomes)} would not be read, such as "
                          + ", ".join(repr(text).replace("\\\\", "\\") for text, _ in several.most_common(4)))
    if not any(isinstance(one, Reading) for _, found in outcomes if isinstance(found, list) for one in found):
        raise CannotDraft("no frame holds a value")
    short = _short(outcomes, read)
    if len(short) > 0.1 * len(outcomes):
        raise CannotDraft(f"frames hold {read.period} readings, but {shown(short[0].data.decode('latin-1'))} another "
                          f"number of them")


def _short(outcomes: list[tuple[Frame, Outcome]], read: Read) -> list[Frame]:
    """Frames out of which fewer readings or more came than a frame has."""
    return [frame for frame, found in outcomes if read.period and isinstance(found, list) and len(found) != read.period
            and not (len(found) == 1 and isinstance(found[0], OverRange))]


def _few(outcomes: list[tuple[Frame, Outcome]]) -> list[str]:
    different = len({frame.data for frame, found in outcomes if not isinstance(found, Unread)})
    if different >= 4:
        return []
    return [f"only {different} different frames were captured: capture a part, a master, no part, and each channel"]


def _odd(outcomes: list[tuple[Frame, Outcome]], read: Read) -> list[str]:
    return [f"{shown(frame.data.decode('latin-1'))} does not hold {read.period} readings: is it torn? what can be "
            f"read of such a frame is read"
            for frame in _short(outcomes, read)[:3]]


def _checksum_keys(checksum: Checksum) -> dict[str, str]:
    texts = {"after": checksum.after.decode("latin-1"), "from": checksum.from_.decode("latin-1")}
    return {"kind": checksum.kind, **{key: text for key, text in texts.items() if text}, "form": checksum.form}


def _explained(bounds: Bounds, view: View, checksum: Checksum | None, encoding: str) -> tuple[tuple[str, str], ...]:
    found = [("port", bounds.why)]
    if encoding != "ascii":
        found.append(("port", f"characters beyond ASCII stand in the frames; they are {encoding}"))
    found += [(field.name or ("fixed" if field.also.get("fixed") else "not read"), field.why)
              for field in view.read.fields]
    if view.read.decimal == ",":
        found.append(("decimal", "a comma stands where the decimals begin"))
    if view.read.period:
        found.append(("repeat", f"a frame holds {view.read.period} readings"))
    if view.over_range:
        found.append(("over-range", "no value is in the frame: no part, or out of span"))
    if checksum:
        found.append(("checksum", f"{checksum.kind}, right for the frames of the capture; a frame with a wrong one is "
                                  f"not read"))
    return tuple(found)


