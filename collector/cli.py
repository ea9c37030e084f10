"""The command line: one row a command, errors to standard error in plain words, exit codes of the contract.

Knows: the table of commands.  A command's module is imported only when it is asked for.
"""

import argparse
import importlib
import os
import sys

from collector import __version__
from collector.commands import COMMANDS
from collector.errors import CollectorError


def main(argv: list[str] | None = None) -> int:
    """Run one command; returns its exit code (0, 1, 2, 74 or 78)."""
    arguments = sys.argv[1:] if argv is None else argv
    chosen = next((word for word in arguments if not word.startswith("-")), None)
    parser = argparse.ArgumentParser(prog="collector",
                                     description="Collects readings from comparator columns over serial lines.",
                                     epilog="Exit codes: 0 done, 1 something is wrong and was said, 2 wrong usage, "
                                            "74 input/output error, 78 configuration not valid.")
    parser.add_argument("--version", action="version", version=f"collector {__version__}")
    commands = parser.add_subparsers(dest="command", metavar="COMMAND", required=True)
    module = None
    for name, (file, words) in COMMANDS.items():
        one = commands.add_parser(name, help=words, description=words)
        if name == chosen:
            module = importlib.import_module(f"collector.commands.{file}")
            module.add_arguments(one)
    args = parser.parse_args(arguments)
    try:
        return module.run(args)
    except CollectorError as error:
        print(error, file=sys.stderr)
        return error.exit_code
    except BrokenPipeError:
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 0
    except KeyboardInterrupt:
        return 130
