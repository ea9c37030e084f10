"""`collector listen DEVICE --probe`: take the looks that the judgement asks for, and show what it finds.

Knows: changing the settings of an open port, when a burst is over, how the answer is written for a configuration.
Must not know: how settings are judged.

A look is over as soon as a line has come and it is quiet; the whole takes a minute at most, or as long as `--for` says.
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
from collector.probe.course import find_end_at, find_settings
from collector.probe.ends import End
from collector.probe.evidence import Look, Setting, Unmarking, is_text
from collector.probe.judge import Answer
from collector.probe.reasons import of_silence
from collector.record import escape

Opening = Callable[[str, LineSettings], OpenPort]

_LASTS_S, _PATIENCE = 60.0, 1 / 3        # a whole probe, without --for; which part of it a line may be waited for
_QUIET_S, _STREAM_S = 0.3, 1.5           # a burst is over; a column that never pauses has been heard
_ASK_S = 2.0
_HELD_S, _HELD_TRY_S = 3.0, 0.25
_SHOWN = 40                              # characters of a look
_RAW = Setting(0)


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
        lasts_s = args.lasts_ms / 1000 if args.lasts_ms else _LASTS_S
        self._patience_s, self._ends_s = lasts_s * _PATIENCE, time.monotonic() + lasts_s
        self._port: OpenPort | None = None
        self._at: Setting | None = None                   # what the port is set to
        self._last_s: float | None = None
        self._begun = False

    def close(self) -> None:
        if self._port is not None:
            self._port.close()

    def probe(self) -> Found | None:
        """The settings and the end mark; None at a signal."""
        answer, end = find_settings(self._look, self._is_over)
        return None if self._stop.asked else Found(self._args.device, answer, end)

    def end_only(self) -> Found | None:
        """A raw line over TCP: its settings are the far end's, so that only the end mark can be found."""
        self._port = self._opening(self._args.device, settings(self._args, 9600, "8N1"))
        looks, why = [self._take(_RAW)], "a raw line over TCP has no settings of its own: the far end sets the line"
        end = find_end_at(_RAW, looks, self._take, self._is_over) if looks[0].bursts else End()
        reasons = (why,) if looks[0].bursts else (why, of_silence(looks))
        if looks[0].bursts and not is_text(looks[0].characters):
            reasons = (why, "what arrives is no text: the settings there may be wrong")
        return None if self._stop.asked else Found(self._args.device, Answer(reasons=reasons), end, raw=True)

    def _is_over(self) -> bool:
        return self._stop.asked or time.monotonic() >= self._ends_s

    # --- one look

    def _look(self, setting: Setting) -> Look:
        """Raises PortLost where the port can't be opened at all, or is lost."""
        if self._at != setting:
            try:
                self._set(setting)
            except PortLost:
                if not self._begun:
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
        ends_s = min(time.monotonic() + (_HELD_S if self._begun else 0.0), self._ends_s)
        if self._port is not None:
            self._port.close()
            self._port = None
        while True:
            try:
                self._port = self._opening(self._args.device, line)
                self._begun = True
                return
            except PortLost:
                if time.monotonic() >= ends_s or self._stop.asked:
                    raise
            self._stop.wait(_HELD_TRY_S)

    def _take(self, setting: Setting) -> Look:
        """One burst, or a while of a stream; none where nothing comes in time."""
        unmarking, found, pause_s, came = Unmarking(self._port.marked), [], None, False
        ask_s = now_s = time.monotonic()
        ends_s = min(now_s + self._patience_s, self._ends_s)
        while now_s < ends_s and not self._stop.asked:
            if self._args.send and not came and now_s >= ask_s:
                self._ask()
                ask_s = now_s + _ASK_S
            data = read(self._args.device, self._port, self._stop, min(_QUIET_S if came else _ASK_S, ends_s - now_s))
            now_s = time.monotonic()
            if came and not data:
                break
            if data and not came:
                came, ends_s = True, min(now_s + _STREAM_S, self._ends_s)
                pause_s = now_s - self._last_s if self._last_s is not None else None
            found += unmarking.feed(data)
            self._last_s = now_s if data else self._last_s
        return Look(setting, (tuple(found),) if found else (), pause_s=pause_s)

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
