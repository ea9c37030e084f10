"""`collector listen DEVICE --probe`: take the looks that the judgement asks for, and show what it finds.

Knows: changing the settings of an open port, when a burst is over, how the answer is written for a configuration.
Must not know: how settings are judged.

A local port is never reopened: closing it drops DTR, which some columns take for a request, or for their power.
"""

import json
import time
from argparse import Namespace
from collections.abc import Callable
from typing import Any

from msgspec import Struct

from collector.commands.rows import text_of
from collector.commands.tap import Stop, read, settings
from collector.errors import PortLost, StoppedByIO
from collector.logs import plain
from collector.ports import LineSettings, OpenPort, open_port, scheme_of
from collector.ports.devices import list_devices
from collector.probe.ends import End, find_end
from collector.probe.evidence import Look, Setting, Unmarking, is_text
from collector.probe.judge import Answer, bursts_of, judge
from collector.probe.reasons import of_silence
from collector.record import escape

Opening = Callable[[str, LineSettings], OpenPort]

_PATIENCE_S = 20.0
_QUIET_S, _STREAM_S = 0.3, 1.5           # a burst is over; a column that never pauses has been heard
_ASK_S = 2.0
_HELD_S, _HELD_TRY_S = 3.0, 0.25
_SHOWN = 40                              # characters of a look
_MORE_LOOKS = 3                          # for the end mark


class Found(Struct, frozen=True):
    """All that is told in the end.  `raw`: a network line without settings of its own."""

    device: str
    answer: Answer
    end: End
    raw: bool = False


def run(args: Namespace, stop: Stop, opening: Opening = open_port) -> int:
    """Exit code 0 where the settings were found.  Raises StoppedByIO where the port can't be had, or is lost."""
    prober = _Prober(args, stop, opening)
    try:
        found = prober.end_only() if scheme_of(args.device) == "socket" else prober.probe()
    except PortLost as lost:
        raise StoppedByIO(lost.cause) from lost
    finally:
        prober.close()
    if found is None:
        return 130
    print(json.dumps(as_fields(found), indent=2) if args.json else "\n".join(as_lines(found)), flush=True)
    return 0 if found.answer.setting or found.raw and found.end.known else 1


class _Prober:
    """One port, looked at again and again."""

    def __init__(self, args: Namespace, stop: Stop, opening: Opening):
        self._args, self._stop, self._opening = args, stop, opening
        self._patience_s = args.lasts_ms / 1000 if args.lasts_ms else _PATIENCE_S
        self._port: OpenPort | None = None
        self._at: Setting | None = None                   # what the port is set to
        self._last_s: float | None = None
        self._looks: list[Look] = []
        self._pauses_s: list[float] = []

    def close(self) -> None:
        if self._port is not None:
            self._port.close()

    def probe(self) -> Found | None:
        """The settings and the end mark; None at a signal."""
        while not self._stop.asked:
            step = judge(self._looks)
            if isinstance(step, Answer):
                return self._with_end(step)
            self._looks.append(self._look(step))
        return None

    def end_only(self) -> Found | None:
        """A raw line over TCP: its settings are the far end's, so that only the end mark can be found."""
        self._port = self._opening(self._args.device, settings(self._args, 9600, "8N1"))
        self._looks.append(self._take(Setting(0)))
        bursts = bursts_of(Setting(0), self._looks)
        why = "a raw line over TCP has no settings of its own: the far end sets the line"
        if not bursts:
            return Found(self._args.device, Answer(reasons=(why, of_silence(self._looks))), End(), raw=True)
        if not is_text(self._looks[0].characters):
            why += "; what arrives is no text: the settings there may be wrong"
        return self._with_end(Answer(reasons=(why,)), Setting(0))

    def _with_end(self, answer: Answer, at: Setting | None = None) -> Found | None:
        at = answer.setting or at
        if at is None:
            return Found(self._args.device, answer, End())
        for _ in range(_MORE_LOOKS):
            end = find_end(bursts_of(at, self._looks), self._pauses_s)
            if end.known and end.confidence != "a guess" or self._stop.asked:
                break
            more = self._take(at) if at.baud == 0 or not answer.baud_matters else self._look(at)
            if not more.bursts:
                break
            self._looks.append(more if answer.baud_matters else Look(at, more.bursts))
        return None if self._stop.asked else Found(self._args.device, answer, end, raw=at.baud == 0)

    # --- one look

    def _look(self, setting: Setting) -> Look:
        """Raises PortLost where the port can't be opened at all, or is lost."""
        if self._at != setting:
            try:
                self._set(setting)
            except PortLost:
                if not self._looks:
                    raise
                self._say(f"  {setting}: the adapter does not take it")
                return Look(setting, refused=True)
        look = self._take(setting)
        count, bad = len(look.characters), sum(one.bad for one in look.characters)
        self._say(f"  {setting}: {count} characters, {bad} with a line error: {text_of(look.characters[:_SHOWN])}")
        return look

    def _set(self, setting: Setting) -> None:
        line = settings(self._args, setting.baud, setting.character)
        self._at = None
        if self._port is not None and not self._port.network:
            self._port.change(line)
        else:
            self._open_again(line)
        self._at = setting

    def _open_again(self, line: LineSettings) -> None:
        """A network line has to be; its far end may hold it for a moment after the last close.  Raises PortLost."""
        ends_s = time.monotonic() + (_HELD_S if self._looks else 0.0)
        if self._port is not None:
            self._port.close()
            self._port = None
        while True:
            try:
                self._port = self._opening(self._args.device, line)
                return
            except PortLost:
                if time.monotonic() >= ends_s or self._stop.asked:
                    raise
            self._stop.wait(_HELD_TRY_S)

    def _take(self, setting: Setting) -> Look:
        """One burst, or a while of a stream; none where nothing comes."""
        unmarking, found, begun_s, ask_s = Unmarking(self._port.marked), [], time.monotonic(), time.monotonic()
        first_s = None
        while not self._stop.asked:
            now_s = time.monotonic()
            since_s, most_s = (begun_s, self._patience_s) if first_s is None else (first_s, _STREAM_S)
            if now_s - since_s >= most_s:
                break
            if first_s is None and self._args.send and now_s >= ask_s:
                self._ask()
                ask_s = now_s + _ASK_S
            wait_s = _QUIET_S if first_s is not None else min(begun_s + self._patience_s - now_s, _ASK_S)
            data = read(self._args.device, self._port, self._stop, wait_s)
            if not data and first_s is not None:
                break
            found += unmarking.feed(data)
            if data:
                self._note_pause(first_s is None)
                first_s = first_s or time.monotonic()
        return Look(setting, (tuple(found),) if found else ())

    def _note_pause(self, is_first: bool) -> None:
        now_s = time.monotonic()
        if is_first and self._last_s is not None:
            self._pauses_s.append(now_s - self._last_s)
        self._last_s = now_s

    def _ask(self) -> None:
        try:
            self._port.write(self._args.send)
        except BlockingIOError:
            return
        except OSError as fault:
            raise PortLost(self._args.device, self._port.explain(fault)) from fault

    def _say(self, text: str) -> None:
        if not self._args.json:
            print(text, flush=True)


# --- the answer


def as_fields(found: Found) -> dict[str, Any]:
    """The answer for a program."""
    answer, setting = found.answer, found.answer.setting
    return {"found": setting is not None, "device": stable_name(found.device),
            **({"baud": setting.baud, "character": setting.character} if setting else {}),
            "confidence": answer.confidence, "reasons": list(answer.reasons), "equally": list(answer.equally),
            "reads-too": list(answer.reads_too), "confidence-of-end": found.end.confidence, "why-end": found.end.why,
            "framing": found.end.keys}


def as_lines(found: Found) -> list[str]:
    """The answer for a person: what to write in the configuration, and why."""
    answer, setting = found.answer, found.answer.setting
    if setting is None and not (found.raw and found.end.known):
        return ["Not found.", *(f"  - {reason}" for reason in answer.reasons)]
    lines = [f"Found; {answer.confidence if setting else found.end.confidence}. For the configuration:",
             "ports:", "  NAME:", f"    device: {plain(stable_name(found.device))}"]
    if setting and answer.baud_matters:
        lines += [f"    baud: {setting.baud}", f"    character: {setting.character}"]
    lines += [f"    {key}: {_yaml(value)}" for key, value in found.end.keys.items()]
    lines += ["Why:", *(f"  - {reason}" for reason in answer.reasons)]
    lines.append(f"  - frames: {found.end.why} ({found.end.confidence})" if found.end.known
                 else "  - frames: no end mark was seen; let the column send more lines")
    if answer.reads_too:
        lines.append(f"  - {', '.join(answer.reads_too)} would be received just the same; only what is sent differs")
    if answer.equally:
        lines.append(f"  - {', '.join(answer.equally)} fits equally: see the column's manual, or let it send more")
    return lines


def stable_name(device: str) -> str:
    """The name that survives a replug, where the device has one."""
    return next((one.stable for one in list_devices() if one.device == device and one.stable), device)


def _yaml(value: str | int) -> str:
    if isinstance(value, int) or value.isprintable():
        return str(value)
    return f'"{escape(value.encode("latin-1"))}"'
