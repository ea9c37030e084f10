"""`collector check CONFIG`: everything that can be verified without touching a port, and in words what would happen."""

import json
import sys
from argparse import ArgumentParser, Namespace
from pathlib import Path

from collector.config.explain import explain
from collector.config.loader import load
from collector.config.plan import build_plan, folder_faults
from collector.config.schema import configuration_schema
from collector.outputs import OUTPUTS


def add_arguments(parser: ArgumentParser) -> None:
    parser.add_argument("config", type=Path, metavar="CONFIG", nargs="?", help="configuration file, or a folder of them")
    parser.add_argument("--schema", action="store_true", help="print the JSON Schema of the configuration")
    parser.add_argument("--json", action="store_true", help="print the table of what is collected as JSON")


def run(args: Namespace) -> int:
    if args.schema:
        print(json.dumps(configuration_schema(OUTPUTS), indent=2))
        return 0
    if args.config is None:
        print("check: name a configuration, or --schema", file=sys.stderr)
        return 2
    loaded = load(args.config)
    plan = build_plan(loaded)
    said = explain(plan)
    print(json.dumps(said, indent=2) if args.json else "\n".join(said["words"]))
    for warning in plan.warnings:
        print(f"warning: {warning}", file=sys.stderr)
    folders = folder_faults(loaded, plan)
    for fault in folders:
        print(fault, file=sys.stderr)
    return 1 if folders else 0
