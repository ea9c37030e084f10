"""What only this machine can tell of a configuration: an invented tree of adapters."""

import pytest

from collector.config.loader import load
from collector.config.machine import device_faults, device_warnings
from collector.config.plan import build_plan
from collector.ports.devices import list_devices
from tests.unit.test_ports import adapter

CONFIG = """
site: s
ports: {bore: {device: DEVICE, format: f}}
formats: {f: {pattern: '^(?P<value>\\d+)$', unit: mm}}
outputs: {o: {kind: csv, folder: /srv/x}}
"""
TWIN = "/dev/serial/by-id/usb-Invented_0001-if00"


@pytest.fixture
def said(tmp_path):
    """(faults, warnings) of a configuration with this device, on a machine with two adapters that are alike and one that is not."""
    adapter(tmp_path, "ttyUSB0", "1-1", serial="0001", by_path="pci-0-usb-1-1")
    adapter(tmp_path, "ttyUSB1", "1-2", serial="0001", by_id="usb-Invented_0001-if00", by_path="pci-0-usb-1-2")
    adapter(tmp_path, "ttyUSB2", "1-3", serial="K4711", by_id="usb-Invented_K4711-if00", by_path="pci-0-usb-1-3")
    power = tmp_path / "sys/devices/pci0/usb1/1-3/power"
    power.mkdir()
    (power / "control").write_text("auto\n")

    def of(device: str) -> tuple[list[str], list[str]]:
        (tmp_path / "c.yaml").write_text(CONFIG.replace("DEVICE", device))
        loaded = load(tmp_path / "c.yaml")
        plan, devices = build_plan(loaded), list_devices(tmp_path)
        return [str(fault) for fault in device_faults(loaded, plan, devices)], device_warnings(plan, devices)

    return of


def test_a_name_of_several_adapters_is_a_fault_with_the_right_one_at_its_place(said):
    fault, = said(TWIN)[0]
    assert ":3:" in fault and f"{TWIN} is the name of several adapters here" in fault
    assert fault.endswith("write the socket that it is plugged into: /dev/serial/by-path/pci-0-usb-1-2")


@pytest.mark.parametrize("device, right", [
    ("/dev/ttyUSB1", "write /dev/serial/by-path/pci-0-usb-1-2"), ("/dev/ttyUSB2", "write /dev/serial/by-id/usb-Invented_K4711-if00"),
    ("/dev/ttyACM7", "`collector ports` shows the name that stays")])
def test_a_passing_name_is_warned_of_with_the_one_that_stays(said, device, right):
    faults, warnings = said(device)
    assert faults == [] and warnings[0] == f"ports.bore.device: {device} is whichever adapter is found first; {right}"


def test_an_adapter_that_may_fall_asleep_is_warned_of(said):
    _, warnings = said("/dev/serial/by-id/usb-Invented_K4711-if00")
    assert len(warnings) == 1 and "to sleep (autosuspend)" in warnings[0]


@pytest.mark.parametrize("device", ["/dev/serial/by-path/pci-0-usb-1-1", "/dev/ttyS0", "socket://127.0.0.1:4001", "COM4"])
def test_names_that_stay_are_fine(said, device):
    assert said(device) == ([], [])
