"""What a service manager is told, and the descriptors it keeps for us: sd_notify(3) and sd_listen_fds(3), by datagrams.

Knows: the messages, and that there may be nobody to tell.
Must not know: what is ready, what has moved, what a descriptor is of.

The protocol is systemd's, documented in sd_notify(3), sd_listen_fds(3) and sd_watchdog_enabled(3).
"""

import array
import os
import re
import socket
import time
from collections.abc import Mapping

import structlog

log = structlog.get_logger()

_FIRST_FD = 3                                # SD_LISTEN_FDS_START
_KEPT_NAME = re.compile(r"[!-9;-~]{1,255}")  # what FDNAME allows: no colon, no control


class Notifier:
    """Talks to the manager that started this process; does nothing where there is none."""

    def __init__(self, environment: Mapping[str, str]):
        self._address = environment.get("NOTIFY_SOCKET", "")
        self.watchdog_ns = 0
        """Within this time `alive` has to come; 0: nobody waits for it."""
        if environment.get("WATCHDOG_PID", str(os.getpid())) == str(os.getpid()):
            self.watchdog_ns = int(environment.get("WATCHDOG_USEC", "0")) * 1000

    def ready(self, status: str) -> None:
        self._send(f"READY=1\nSTATUS={_line(status)}")

    def starting(self, seconds: float) -> None:
        """The start may take longer than it was given, and is not over before these seconds."""
        self._send(f"EXTEND_TIMEOUT_USEC={seconds * 1_000_000:.0f}")

    def reloading(self) -> None:
        """`ready` must follow."""
        self._send(f"RELOADING=1\nMONOTONIC_USEC={time.clock_gettime_ns(time.CLOCK_MONOTONIC) // 1000}")

    def stopping(self) -> None:
        self._send("STOPPING=1")

    def alive(self) -> None:
        """The watchdog is told that there is progress."""
        self._send("WATCHDOG=1")

    def status(self, text: str) -> None:
        """One line for `systemctl status`."""
        self._send(f"STATUS={_line(text)}")

    def keep(self, name: str, fd: int) -> None:
        """Have a descriptor kept beyond our end, under this name, in place of one that is kept under it."""
        self.give_up(name)
        self._send(f"FDSTORE=1\nFDNAME={name}", fd)

    def give_up(self, name: str) -> None:
        """Keep the descriptor of this name no longer."""
        self._send(f"FDSTOREREMOVE=1\nFDNAME={name}")

    def _send(self, text: str, fd: int | None = None) -> None:
        if not self._address:
            return
        beside = [] if fd is None else [(socket.SOL_SOCKET, socket.SCM_RIGHTS, array.array("i", [fd]))]
        address = "\0" + self._address[1:] if self._address[0] == "@" else self._address
        try:
            with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_CLOEXEC) as line:
                line.settimeout(1.0)
                line.sendmsg([text.encode()], beside, 0, address)
        except OSError as error:
            log.warning("manager-not-told", said=text.partition("\n")[0], cause=error.strerror)


def _line(text: str) -> str:
    return " ".join(text.split())


def taken_back(environment: dict[str, str]) -> dict[str, int]:
    """The descriptors that were kept for this process, by name; of several under one name the last.

    They are inherited by no child; `environment` forgets them.
    """
    count, owner = environment.pop("LISTEN_FDS", "0"), environment.pop("LISTEN_PID", "")
    names = environment.pop("LISTEN_FDNAMES", "").split(":")
    found: dict[str, int] = {}
    if owner != str(os.getpid()):
        return found
    for offset in range(int(count)):
        fd = _FIRST_FD + offset
        os.set_inheritable(fd, False)
        name = names[offset] if offset < len(names) else ""
        if name in found:
            os.close(found[name])
        if _KEPT_NAME.fullmatch(name):
            found[name] = fd
        else:
            os.close(fd)
    return found
