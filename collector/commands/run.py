"""`collector run CONFIG`: the daemon."""

from argparse import ArgumentParser, Namespace
from pathlib import Path

from collector.logs import configure


def add_arguments(parser: ArgumentParser) -> None:
    parser.add_argument("config", type=Path, metavar="CONFIG", help="configuration file, or a folder of them")
    parser.add_argument("--adopt", action="append", default=[], metavar="OUTPUT",
                        help="take this output's folder as a new one: its sentinel file is made afresh")


def run(args: Namespace) -> int:
    from collector.service import daemon
    configure()
    return daemon.run(args.config, tuple(args.adopt))
