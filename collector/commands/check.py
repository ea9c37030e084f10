"""`collector check CONFIG`: everything that can be verified without touching a port, and in words what would happen."""

import json
import sys
from argparse import ArgumentParser, Namespace
from pathlib import Path

from collector.config.explain import explain
from collector.config.loader import load
from collector.config.machine import device_faults, device_warnings, folder_faults
from collector.config.plan import build_plan
from collector.config.schema import configuration_schema
from collector.outputs import OUTPUTS
from collector.ports.devices import list_devices


def add_arguments(parser: ArgumentParser) -> None:
    parser.add_argument("config", type=Path, metavar="CONFIG", nargs="?",
                        help="configuration file, or a folder of them")
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
    devices = list_devices()
    for warning in (*plan.warnings, *device_warnings(plan, devices)):
        print(f"warning: {warning}", file=sys.stderr)
    faults = folder_faults(loaded, plan) + device_faults(loaded, plan, devices)
    for fault in faults:
        print(fault, file=sys.stderr)
    return 1 if faults else 0
