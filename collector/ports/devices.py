"""The serial devices of this machine, and for each the name that survives a replug.

Knows: where Linux lists serial devices, and which of a device's names can be trusted.
Must not know: how a device is opened; no device is opened or touched here.

`ttyUSB0` goes to whichever adapter is found first.  A name by serial number goes with the adapter, one by path with the
socket it is plugged into.  Cheap adapters have no serial number, or all the same one: they share a single by-id name.
"""

import os
from collections import Counter
from contextlib import suppress
from pathlib import Path

from msgspec import Struct, structs


class Device(Struct, frozen=True, kw_only=True):
    """One serial device; a text that the system does not know is empty.

    `stable`: what to write in a configuration; `survives_replug`: whether that goes with the adapter or its socket;
    `by_id_is_shared`: another adapter here goes by the same name, so that it is nobody's; `holders`: who has it open
    (of other users' programs only root is told); `autosuspend`: the system may put the adapter to sleep.
    """

    device: str
    by_id: str = ""
    by_path: str = ""
    description: str = ""
    manufacturer: str = ""
    serial_number: str = ""
    driver: str = ""
    stable: str = ""
    survives_replug: bool = False
    by_id_is_shared: bool = False
    holders: tuple[str, ...] = ()
    autosuspend: bool = False


def list_devices(root: Path = Path("/"), with_holders: bool = False) -> list[Device]:
    """Every serial device that has hardware behind it, by name; `root` is where `sys` and `dev` are found.

    `with_holders`: say who has each open, which walks through all processes.
    """
    found = [place for place in sorted((root / "sys/class/tty").glob("*")) if _has_hardware(place)]
    sameness = {place: _what_by_id_tells_apart(place) for place in found}
    how_many = Counter(sameness.values())
    by_id, by_path = _links(root, "by-id"), _links(root, "by-path")
    devices = []
    for place in found:
        devices.append(_device(place, by_id.get(place.name, ""), by_path.get(place.name, ""),
                               how_many[sameness[place]]))
    return [structs.replace(one, holders=_named(one.device)) for one in devices] if with_holders else devices


def _device(place: Path, by_id: str, by_path: str, alike: int) -> Device:
    usb = _usb(place)
    device = f"/dev/{place.name}"
    driver = _driver(place)
    stable = by_id if by_id and alike == 1 and _serial_number(place) else by_path or device
    return Device(
        device=device, by_id=by_id, by_path=by_path, description=_text(usb, "product") or driver,
        manufacturer=_text(usb, "manufacturer"), serial_number=_serial_number(place), driver=driver,
        stable=stable, survives_replug=usb is None or stable != device, by_id_is_shared=bool(by_id) and alike > 1,
        autosuspend=_text(usb, "power/control") == "auto",
    )


def _named(device: str) -> tuple[str, ...]:
    return tuple(f"{program} (process {pid})" for pid, program in holders(device))


def find(name: str, devices: list[Device]) -> Device | None:
    """The device that a name of a configuration leads to now."""
    real = os.path.realpath(name)
    return next((one for one in devices if name in (one.device, one.by_id, one.by_path) or one.device == real), None)


def adapter_of(name: str, root: Path = Path("/")) -> str:
    """What the adapter behind a device calls itself; `the device` where the system does not know."""
    found = find(name, list_devices(root))
    if found is None or not found.description:
        return "the device"
    return f"the adapter {found.manufacturer} {found.description} ({found.driver})".replace("  ", " ")


def holders(device: str, but: int = 0, root: Path = Path("/")) -> list[tuple[int, str]]:
    """(process, program) of each that has a device open; without `but` and the first process,
    which only keeps it for others.

    Of other users' processes only root is told.
    """
    try:
        wanted = os.stat(device).st_rdev
    except OSError:
        return []
    found = []
    for folder in (root / "proc").glob("[0-9]*"):
        pid = int(folder.name)
        if pid not in (but, 1) and wanted in _open_devices(folder):
            found.append((pid, _text(folder, "comm")))
    return sorted(found)


def _open_devices(process: Path) -> set[int]:
    """The numbers of the devices that a process has open."""
    found = set()
    try:
        names = os.listdir(process / "fd")
    except OSError:                          # not ours, or it has just ended
        return found
    for name in names:
        link = process / "fd" / name
        with suppress(OSError):              # closed just now
            if os.readlink(link).startswith("/dev/"):
                found.add(os.stat(link).st_rdev)
    return found


def _has_hardware(place: Path) -> bool:
    """Built-in ports are listed whether they are there or not; those that are not have type 0."""
    return (place / "device").exists() and _text(place, "type") != "0"


def _usb(place: Path) -> Path | None:
    """The USB device that the tty belongs to."""
    inside = (place / "device").resolve()
    return next((folder for folder in (inside, *inside.parents) if (folder / "idVendor").is_file()), None)


def _what_by_id_tells_apart(place: Path) -> tuple[str, ...]:
    """All that goes into a name by id: adapters that are equal in it can't be told apart by it."""
    usb, inside = _usb(place), (place / "device").resolve()
    if usb is None:
        return (place.name,)
    interface = next((text for folder in (inside, inside.parent) if (text := _text(folder, "bInterfaceNumber"))), "")
    return (_text(usb, "idVendor"), _text(usb, "idProduct"), _serial_number(place), interface,
            _text(inside, "port_number"))


def _serial_number(place: Path) -> str:
    """The adapter's serial number; one of nothing but zeros is none."""
    number = _text(_usb(place), "serial")
    return number if number.strip("0") else ""


def _driver(place: Path) -> str:
    driver = place / "device" / "driver"
    return driver.resolve().name if driver.exists() else ""


def _links(root: Path, kind: str) -> dict[str, str]:
    """Device name -> the link to it in `/dev/serial/KIND`."""
    return {link.resolve().name: f"/dev/serial/{kind}/{link.name}"
            for link in sorted((root / "dev/serial" / kind).glob("*"), reverse=True)}


def _text(folder: Path | None, name: str) -> str:
    """One line of the system about a device, made printable; empty where it says nothing."""
    if folder is None:
        return ""
    try:
        text = (folder / name).read_text("utf-8", "replace").strip()
    except OSError:
        return ""
    return "".join(char if char.isprintable() else "?" for char in text)
