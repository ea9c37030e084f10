"""The serial devices of this machine, and for each the name that survives a replug.

Knows: where Linux lists serial devices, and which of a device's names can be trusted.
Must not know: how a device is opened; no device is opened or touched here.

`ttyUSB0` goes to whichever adapter is found first.  A name by serial number goes with the adapter, one by path with the
socket it is plugged into.  Cheap adapters have no serial number, or all the same one: they share a single by-id name.
"""

from collections import Counter
from pathlib import Path

from msgspec import Struct


class Device(Struct, frozen=True, kw_only=True):
    """One serial device; a text that the system does not know is empty.  `stable`: what to write in a configuration."""

    device: str
    by_id: str = ""
    by_path: str = ""
    description: str = ""
    manufacturer: str = ""
    serial_number: str = ""
    driver: str = ""
    stable: str = ""


def list_devices(root: Path = Path("/")) -> list[Device]:
    """Every serial device that has hardware behind it, by name; `root` is where `sys` and `dev` are found."""
    found = [place for place in sorted((root / "sys/class/tty").glob("*")) if _has_hardware(place)]
    sameness = {place: _what_by_id_tells_apart(place) for place in found}
    how_many = Counter(sameness.values())
    by_id, by_path = _links(root, "by-id"), _links(root, "by-path")
    devices = []
    for place in found:
        unique = _serial_number(place) != "" and how_many[sameness[place]] == 1
        devices.append(_device(place, by_id.get(place.name, ""), by_path.get(place.name, ""), unique))
    return devices


def _device(place: Path, by_id: str, by_path: str, unique: bool) -> Device:
    usb = _usb(place)
    device = f"/dev/{place.name}"
    driver = _driver(place)
    return Device(
        device=device, by_id=by_id, by_path=by_path, description=_text(usb, "product") or driver,
        manufacturer=_text(usb, "manufacturer"), serial_number=_serial_number(place), driver=driver,
        stable=by_id if by_id and unique else by_path or device,
    )


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
