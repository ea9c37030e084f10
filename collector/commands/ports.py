"""`collector ports`: the serial devices on this machine, with the name that survives a replug."""

import json
from argparse import ArgumentParser, Namespace

import msgspec

from collector.ports.devices import list_devices


def add_arguments(parser: ArgumentParser) -> None:
    parser.add_argument("--json", action="store_true", help="print the table as JSON")


def run(args: Namespace) -> int:
    devices = [msgspec.to_builtins(device) for device in list_devices()]
    if args.json:
        print(json.dumps(devices, indent=2))
        return 0
    if not devices:
        print("No serial device on this machine. Plug the adapter in; then: dmesg | tail")
    for device in devices:
        print(f"{device['device']}\n  write in the configuration: {device['stable']}")
        for key, value in device.items():
            if key not in ("device", "stable") and value:
                print(f"  {key.replace('_', ' ')}: {value}")
    return 0
