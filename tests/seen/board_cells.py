"""An invented cell that bores pump housings, as records and as a state folder, for boards to be looked at.

`python -m tests.seen.board_cells PICTURE` makes the picture of the README (samples/board.png) anew.
"""

import json
import sys
import tempfile
import time
from datetime import datetime, timedelta, timezone
from decimal import Decimal
from pathlib import Path
from types import SimpleNamespace

from PIL import Image

from collector.clock import SystemClock
from collector.outputs.board_faults import told
from collector.outputs.board_known import Known
from collector.outputs.board_page import Times, page
from collector.outputs.board_view import View, view
from collector.record import NONE, Record, detail, encode, number
from tests.chromium import screenshot

NOW = datetime.now(timezone.utc)
SIZES = ((1920, 1080), (1280, 800), (800, 1280))


def stamp(seconds_ago: float = 0) -> str:
    return (NOW - timedelta(seconds=seconds_ago)).strftime("%Y-%m-%dT%H:%M:%S.%fZ")


class Told:
    """Records one after the other, as rows of a journal."""

    def __init__(self) -> None:
        self.rows: list[SimpleNamespace] = []

    def add(self, kind: str, ago: float = 5, **fields: object) -> None:
        seq = len(self.rows) + 1
        record = Record(seq=seq, id=f"cell-4-BOARD001-{seq}", time=stamp(ago), kind=kind, site="cell-4", **fields)
        self.rows.append(SimpleNamespace(seq=seq, kind=kind, body=encode(record)))

    def sizes(self, channel: str, name: str, nominal: str, span: tuple[str, str], offsets: list[int], unit: str = "mm",
              kind: str = "measurement", step: str = "0.0001", /, **fields: object) -> None:
        """Measurements at nominal + offset steps, judged by the rule `simple`."""
        port, _, circuit = channel.partition("/")
        middle = Decimal(nominal)
        lower, upper = middle + Decimal(span[0]), middle + Decimal(span[1])
        for at, offset in enumerate(offsets):
            value = middle + offset * Decimal(step)
            verdict, side = ("fail", "above") if value > upper else ("fail", "below") if value < lower else ("pass", "")
            saved = {"disposition": "scrap" if side == "above" else "rework"} if side else {}
            told = {"port": port, "channel": circuit, "part": "PH-200", "characteristic": name, "lot": "L-0415",
                    "serial": f"PH{41_870 + at}", "value": number(value), "unit": unit, "verdict": verdict,
                    "deviation": number(value - middle), "nominal": number(middle), "lower": number(lower),
                    "upper": number(upper), "side": side, "detail": detail(saved)}
            self.add(kind, 5 + 40 * (len(offsets) - 1 - at), **told | fields)


def status(**ports: dict) -> dict:
    plain = {"device": "/dev/ttyUSB0", "state": "open", "since": stamp(9000), "cause": "", "unread": {}, "frames": 400,
             "last-frame": stamp(5), "silent": False, "line-errors": {"parity": 0}, "losses": 0, "per-minute": 9}
    return {"site": "cell-4", "at": stamp(), "started": stamp(9000), "boot": SystemClock.boot(), "pid": 1,
            "since-boot-ns": SystemClock.since_boot_ns(), "last-seq": 0, "journal": {},
            "ports": {name.replace("_", "-"): plain | port for name, port in ports.items()}, "masters": [],
            "context": {}, "orders": {}}


def master(channel: str, characteristic: str, name: str, state: str) -> dict:
    return {"channel": channel, "part": "PH-200", "characteristic": characteristic, "master": name, "state": state,
            "in-force": True}


def shown(records: Told, daemon: dict, outputs: dict[str, dict], folder: Path) -> View:
    """The board of these records, with the state folder that says so."""
    (folder / "outputs").mkdir(exist_ok=True)
    (folder / "status.json").write_text(json.dumps(daemon))
    for name, said in outputs.items():
        (folder / "outputs" / f"{name}.status.json").write_text(json.dumps(said))
    known = Known()
    known.take(records.rows)
    return view("cell-4", known, told(folder, SystemClock()), SystemClock())


def pump_cell(folder: Path) -> View:
    """Six sizes of a pump housing: one too large, one whose master is due, the others pass."""
    records = Told()
    h7, drift = ("0", "0.021"), [60, 72, 81, 66, 90, 84, 97, 93, 110, 102, 121, 118, 130, 127, 142, 150, 155, 161, 170]
    records.add("unread", 900, port="bore-column", raw=r"A1  +24.9\xff13", detail=detail({"reason": "no-match"}))
    records.sizes("bore-column/A1", "upper bore", "25", h7, [*drift, 178])
    records.sizes("bore-column/B1", "lower bore", "25", h7, [*drift[:14], 180, 192, 201, 207, 209, 242])
    records.sizes("bore-column/C1", "shaft seat", "18", ("0", "0.018"), [90, 84, 70, 96, 101, 77, 83, 88, 95, 91] * 2)
    records.sizes("seat-column", "flange seat", "62", ("-0.015", "0.015"), [5, -12, 30, 22, -40, -31, 8, 0, 12, 17] * 2)
    records.sizes("turn-column", "runout", "0", ("0", "5"), [11, 14, 9, 22, 17, 13, 25, 18, 12, 15], "um", "sweep",
                  "0.1")
    records.sizes("", "taper", "0", ("-5", "5"), [1, 3, -2, 0, 2, 4, 1, -1, 2, -4], "um", "derived", "1")
    records.add("event", 9000, port="seat-column", detail=detail({"event": "port-open"}))
    records.add("part", 5, part="PH-200", serial="PH41889", verdict="fail", lot="L-0415")
    daemon = status(bore_column={"unread": {"no-match": 1}}, seat_column={"per-minute": 3},
                    turn_column={"per-minute": 2})
    daemon["masters"] = [master("seat-column", "flange seat", "ring-62", "overdue-master"),
                         master("bore-column/A1", "upper bore", "ring-lo", "good")]
    daemon["context"] = {"bore-column": {"part": "PH-200", "lot": "L-0415"}}
    return shown(records, daemon, {"mes": {"last-delivery": stamp(4), "waiting": 0},
                                   "board": {"last-delivery": stamp(1), "waiting": 0}}, folder)


def all_states(folder: Path) -> View:
    """A channel in every state there is, and faults enough to fill the foot."""
    records, limits = Told(), ("0", "0.021")
    for name, offsets in (("passing", [80]), ("too-large", [80, 243]), ("too-small", [80, -42]), ("bare", [12]),
                          ("one-sided", [80]), ("away", [80]), ("garbled", [80]), ("quiet", [80]), ("pulled", [80]),
                          ("due", [80]), ("failed", [80]), ("mastered", [80]), ("doubtful", [80])):
        more = {"lower": NONE, "upper": NONE} if name == "bare" else {"lower": NONE} if name == "one-sided" else {}
        more |= {"verdict": ""} if name == "bare" else {}
        records.sizes(name, f"{name} bore", "25", limits, offsets, **more)
    records.sizes("doubtful", "doubtful bore", "25", limits, [209], verdict="undecided", side="above")
    records.sizes("doubtful-below", "doubtful bore", "25", limits, [2], verdict="undecided", side="below")
    records.add("over-range", port="away", raw="------")
    records.add("unread", port="garbled", raw="25.0\\xff", detail=detail({"reason": "line-error"}))
    records.add("master", port="mastered", part="PH-200", characteristic="mastered bore", verdict="pass", unit="mm",
                value=number(Decimal("25.0004")), deviation=number(Decimal("0.0001")),
                nominal=number(Decimal("25.0003")), lower=number(Decimal("24.9988")), upper=number(Decimal("25.0018")),
                detail=detail({"master": "ring-lo"}))
    ports = {name: {} for name in ("passing", "too_large", "too_small", "bare", "one_sided", "away", "due", "failed",
                                   "mastered", "doubtful", "doubtful_below", "never")}
    daemon = status(**ports, garbled={"unread": {"line-error": 3}}, quiet={"silent": True},
                    pulled={"state": "lost", "cause": "/dev/serial/by-id/usb-adapter-0001: No such file or directory"})
    daemon["masters"] = [master("due", "due bore", "ring-lo", "no-master-check"),
                         master("failed", "failed bore", "ring-hi", "failed-master-check")]
    return shown(records, daemon, {"mes": {"error": "output mes: the folder /srv/mes/inbox is not there; is its share "
                                                    "away? It is never made by us", "waiting": 1204},
                                   "board": {"waiting": 0}}, folder)


def many(count: int, folder: Path) -> View:
    """So many channels on two columns, with names of some length; one in seven fails."""
    records = Told()
    for at in range(count):
        records.sizes(f"bore-column-{at % 2}/{'AB'[at % 2]}{at}", f"pump bore {at}", "25.4", ("-0.0105", "0.0105"),
                      [-40, 10, 22, 60, 5, -8, 31, 120 if at % 7 == 3 else 44])
    return shown(records, status(bore_column_0={}, bore_column_1={}), {"mes": {"last-delivery": stamp(4)}}, folder)


def written(board: View, to: Path, stale_ms: int = 3_600_000, stamp: str = "s-1", ago_ms: int = 0) -> Path:
    to.write_text(page(board, Times(stamp, time.time_ns() // 1_000_000 - ago_ms, 1000, stale_ms)), "utf-8")
    return to


if __name__ == "__main__":
    with tempfile.TemporaryDirectory() as folder:
        screenshot(written(pump_cell(Path(folder)), Path(folder) / "board.html"), Path(folder) / "board.png", 1280, 800)
        Image.open(Path(folder) / "board.png").quantize(96).save(sys.argv[1], optimize=True)
