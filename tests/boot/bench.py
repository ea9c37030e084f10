"""What the cases share: the service, a share that can be made to hang, and how a case says that it can't be tried.

Knows: how the install is run, how the share is made.
Must not know: any case.
"""

import json
import subprocess

from machine import Machine
from service import Service

HANG, WELL = "hang", ""
_SHARE = "/srv/checkout/tests/faults/fuse_share.py"


class NotTried(Exception):
    """Why a case can't be tried here."""


class Bench:
    """What the cases share.  `kills`: how many in the case of many."""

    def __init__(self, machine: Machine, kills: int):
        self.machine, self.kills, self.service = machine, kills, Service(machine)
        self.fuse: subprocess.Popen | None = None

    def install(self, *words: str, check: bool = True) -> str:
        """As documented for a machine without a network; what it says, also where it refuses."""
        return self.machine.run("bash", "/srv/checkout/systemd/install", *words, check=check, seconds=600,
                                PIP_NO_INDEX="1", PIP_FIND_LINKS="/srv/wheels")

    def share(self, fault: str) -> None:
        """The share becomes one that can hang, and hangs or is well."""
        control = self.machine.root / "srv/control"
        told = {"fault": fault, "calls": [], "late": False, "times": 0, "delay_s": 0}
        control.with_suffix(".next").write_text(json.dumps(told))
        control.with_suffix(".next").rename(control)
        if self.fuse is None:
            self.fuse = self.machine.serve("python3", _SHARE, "/srv/beside/inbox", "/srv/mes/inbox", "/srv/control")

    def end_share(self) -> None:
        if self.fuse:
            self.machine.run("umount", "-l", "/srv/mes/inbox")
            self.fuse.kill()
            self.fuse.wait()
            self.fuse = None
