"""`collector ports`: the serial devices on this machine, with the name that survives a replug."""

import json
from argparse import ArgumentParser, Namespace

import msgspec

from collector.ports.devices import Device, list_devices


def add_arguments(parser: ArgumentParser) -> None:
    parser.add_argument("--json", action="store_true", help="print the table as JSON")


def run(args: Namespace) -> int:
    devices = list_devices(with_holders=True)
    if args.json:
        print(json.dumps([msgspec.to_builtins(device) for device in devices], indent=2))
        return 0
    if not devices:
        print("No serial device on this machine. Plug the adapter in; then: dmesg | tail")
    for device in devices:
        print("\n".join(_lines(device)))
    return 0


def _lines(device: Device) -> list[str]:
    """One device, for a technician."""
    found = [device.device, f"  write in the configuration: {device.stable}", f"  {_staying(device)}"]
    for words, text in (("adapter", f"{device.manufacturer} {device.description}".strip()),
                        ("serial number", device.serial_number),
                        ("driver", device.driver), ("by id", device.by_id), ("by path", device.by_path),
                        ("open in", ", ".join(device.holders))):
        if text:
            found.append(f"  {words}: {text}")
    if device.by_id_is_shared:
        found.append("  its name by id is another adapter's too: never write that one")
    if device.autosuspend:
        found.append("  the system may put it to sleep (autosuspend), and it is mute then: "
                     "see the udev rule in systemd/")
    return found


def _staying(device: Device) -> str:
    if not device.survives_replug:
        return "this name goes to whichever adapter is found first; nothing better is known here (is udev running?)"
    if device.stable == device.by_path:
        return "the name goes with the socket that it is plugged into: always use the same one"
    if device.stable == device.by_id:
        return "the name goes with the adapter, whichever socket it is plugged into"
    return "built in: the name stays"
