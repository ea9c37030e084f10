"""What of a configuration only this machine can tell: whether folders and files are there,
which adapter a name leads to.

Knows: folders, files, the list of serial devices; nothing is opened or touched.
Must not know: sections and their keys beyond the plan's.
"""

import os
import re
from pathlib import Path

from collector.config.loader import Loaded
from collector.config.plan import Plan
from collector.errors import Fault
from collector.files import Files
from collector.outputs.broker_files import file_faults
from collector.outputs.messages import QueueSettings
from collector.ports import is_network
from collector.ports.devices import Device, find

_PASSING = re.compile(r"/dev/tty(USB|ACM)[0-9]+")


def folder_faults(loaded: Loaded, plan: Plan) -> list[Fault]:
    """Folders of outputs and of orders that are not there or can't be written now, files of brokers that can't be used.

    For `check` only: a share may be away when the daemon starts, and may hang whoever asks.
    """
    named = {("outputs", name, "folder"): Path(output.settings.folder)
             for name, output in plan.outputs.items() if hasattr(output.settings, "folder")}
    named |= {("context", name, "folder"): folder for name, folder in plan.folders.items()}
    named |= {("metrics", "folder"): plan.metrics} if plan.metrics else {}
    faults = []
    for path, folder in named.items():
        if not folder.is_dir():
            what = "is not a folder" if folder.exists() else "does not exist"
            faults.append(loaded.fault(path, f"folder {folder} {what}", "make it, or mount the share"))
        elif not os.access(folder, os.W_OK | os.X_OK):
            faults.append(loaded.fault(path, f"folder {folder} can't be written by this user",
                                       "run this as the collector's user, or give it the right to write there"))
    for name, output in plan.outputs.items():
        if getattr(output.settings, "group", None) and not _is_group(output.settings.group):
            faults.append(loaded.fault(("outputs", name, "group"),
                                       f"there is no group {output.settings.group} on this machine",
                                       "write one that `getent group` lists"))
        if isinstance(output.settings, QueueSettings):
            faults += [loaded.fault(("outputs", name, key), *said) for key, *said in file_faults(name, output.settings)]
    return faults


def _is_group(name: str) -> bool:
    try:
        Files().of_group(name)
    except KeyError:
        return False
    return True


def device_faults(loaded: Loaded, plan: Plan, devices: list[Device]) -> list[Fault]:
    """Names of devices that are several adapters' own.  `devices`: those of this machine."""
    faults = []
    for name, port in plan.ports.items():
        found = None if is_network(port.line.device) else find(port.line.device, devices)
        if found and found.by_id_is_shared and port.line.device == found.by_id:
            faults.append(loaded.fault(("ports", name, "device"), f"{found.by_id} is the name of several adapters here",
                                       "write the socket that it is plugged into: "
                                       f"{found.by_path or 'see `collector ports`'}"))
    return faults


def device_warnings(plan: Plan, devices: list[Device]) -> list[str]:
    """Names that go to another adapter after a replug, and adapters that may fall asleep."""
    found = []
    for name, port in plan.ports.items():
        device = port.line.device
        one = None if is_network(device) else find(device, devices)
        if _PASSING.fullmatch(device):
            right = (f"write {one.stable}" if one and one.survives_replug
                     else "`collector ports` shows the name that stays")
            found.append(f"ports.{name}.device: {device} is whichever adapter is found first; {right}")
        if one and one.autosuspend:
            found.append(f"ports.{name}.device: the system may put {one.description or device} to sleep (autosuspend), "
                         "and it is mute then; see the udev rule in systemd/")
    return found
