"""`collector simulate SCENARIO`: stand-in columns that send invented readings at wire speed."""

import os
import signal
from argparse import ArgumentParser, ArgumentTypeError, Namespace
from pathlib import Path
from typing import BinaryIO

from collector.clock import SystemClock
from collector.errors import StoppedByIO
from collector.settings import duration_ms
from collector.simulator.play import play, players
from collector.simulator.player import Note, Player, line_of
from collector.simulator.scenario import read_scenario


def add_arguments(parser: ArgumentParser) -> None:
    parser.add_argument("scenario", type=Path, metavar="SCENARIO", help="which columns send what, and where")
    parser.add_argument("--for", dest="lasts_ms", type=_time, metavar="TIME",
                        help="end after this time, as in 20s (default: at SIGINT or SIGTERM)")
    parser.add_argument("--seed", type=int, metavar="N",
                        help="instead of the scenario's: the same seed sends the same bytes")
    parser.add_argument("--speed", type=_speed, metavar="X", default=1.0,
                        help="parts come X times as fast (default 1); the line itself keeps its speed")
    parser.add_argument("--sent", type=Path, metavar="FILE", help="write down what was sent, as JSON lines")


def run(args: Namespace) -> int:
    scenario = read_scenario(args.scenario)
    wake, waken = os.pipe()
    os.set_blocking(waken, False)
    asked: list[int] = []
    for number in (signal.SIGINT, signal.SIGTERM):
        signal.signal(number, lambda number, _: asked.append(number))
    signal.set_wakeup_fd(waken, warn_on_full_buffer=False)
    columns = players(scenario, scenario.seed if args.seed is None else args.seed, args.speed)
    try:
        for column in columns:
            print(f"{column.name}: {column.wire.where}", flush=True)
        _play(args, columns, asked, wake)
    finally:
        for column in columns:
            column.wire.close()
    for column in columns:
        print(column.summary(), flush=True)
    return 0


def _play(args: Namespace, columns: list[Player], asked: list[int], wake: int) -> None:
    try:
        with open(args.sent or os.devnull, "wb") as sent:
            play(columns, SystemClock(), lasts_ns=None if args.lasts_ms is None else args.lasts_ms * 1_000_000,
                 stopped=lambda: bool(asked), wake=wake, note=_noting(sent) if args.sent else None, flush=sent.flush)
    except OSError as fault:
        raise StoppedByIO(f"{fault.filename or args.sent or 'a wire'}: {fault.strerror}") from fault


def _noting(sent: BinaryIO) -> Note:
    return lambda told: sent.write(line_of(told))


def _speed(text: str) -> float:
    try:
        speed = float(text)
    except ValueError:
        speed = 0.0
    if not 0.001 <= speed <= 1000:
        raise ArgumentTypeError(f"{text!r} is not a number from 0.001 to 1000")
    return speed


def _time(text: str) -> int:
    try:
        return duration_ms(text)
    except ValueError:
        raise ArgumentTypeError(f"{text!r} is not a time; write 20s, 500ms, 5min") from None
