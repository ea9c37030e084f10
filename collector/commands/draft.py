"""`collector draft CAPTURE`: propose a format for captured frames, with a reason for each field."""

from argparse import ArgumentParser, ArgumentTypeError, Namespace
from pathlib import Path

from collector.draft.drafting import draft
from collector.draft.writing import as_json, as_yaml
from collector.ports.capture import read_capture
from collector.settings import name_text


def add_arguments(parser: ArgumentParser) -> None:
    parser.add_argument("capture", type=Path, metavar="CAPTURE",
                        help="captured bytes, as `listen --save` writes them, or plain lines")
    parser.add_argument("--name", type=_name, default="drafted", metavar="NAME",
                        help="what the format is to be called (drafted)")
    parser.add_argument("--json", action="store_true",
                        help="print the entry, the explanations and the questions as JSON")


def run(args: Namespace) -> int:
    found = draft(read_capture(args.capture))
    print(as_json(found, args.name) if args.json else as_yaml(found, args.name).removesuffix("\n"))
    return 0


def _name(text: str) -> str:
    try:
        return name_text(text)
    except Exception:
        raise ArgumentTypeError(f"{text!r} can't be a name: use letters, digits, - and _, at most 64 of them") from None
