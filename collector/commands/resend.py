"""`collector resend CONFIG OUTPUT`: records that an output has refused, to look at, and to hand over again."""

import json
from argparse import ArgumentParser, Namespace
from pathlib import Path

from collector.config.plan import Plan, read_plan
from collector.errors import CollectorError
from collector.files import Files
from collector.logs import plain
from collector.outputs.refused import Line, ask_again, read_refused


def add_arguments(parser: ArgumentParser) -> None:
    parser.add_argument("config", type=Path, metavar="CONFIG", help="configuration file, or a folder of them")
    parser.add_argument("output", metavar="OUTPUT", help="the output that has refused them")
    which = parser.add_mutually_exclusive_group()
    which.add_argument("--seq", type=int, nargs="+", action="extend", metavar="N", help="these go again")
    which.add_argument("--all", action="store_true", help="all go again; without --seq and --all they are only listed")
    parser.add_argument("--json", action="store_true", help="print as JSON")


def run(args: Namespace) -> int:
    plan = read_plan(args.config)
    refused = _refused(plan, args.output)
    wanted = {line.seq for line in refused} if args.all else set(args.seq or ())
    missing = sorted(wanted - {line.seq for line in refused})
    if missing:
        raise CollectorError(f"output {args.output} has not refused record {missing[0]}; "
                             "without --seq those refused are listed")
    if wanted:
        ask_again(plan.state, args.output, tuple(sorted(wanted)), Files())
    said = {"output": args.output, "refused": [{"seq": line.seq, "why": line.why} for line in refused],
            "resend": sorted(wanted)}
    print(json.dumps(said, indent=2) if args.json else "\n".join(_words(args, refused, len(wanted))))
    return 0


def _refused(plan: Plan, output: str) -> list[Line]:
    if output not in plan.outputs:
        raise CollectorError(f"there is no output {output!r}; outputs are {', '.join(plan.outputs)}")
    return read_refused(plan.state, output)


def _words(args: Namespace, refused: list[Line], wanted: int) -> list[str]:
    if not refused:
        return [f"output {args.output} has refused nothing"]
    if not wanted:
        return [f"{line.seq}  {plain(line.why)}" for line in refused]
    return [f"{wanted} of {len(refused)} refused records go again as soon as output {args.output} runs; "
            "those refused once more stay, with the reason"]
