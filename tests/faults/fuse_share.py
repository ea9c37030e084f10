"""A share that gives errors, is slow or hangs when it is told to: a passthrough of one flat folder, as root on Linux.

`python fuse_share.py BACKING POINT CONTROL` mounts and serves until it ends; `Share` is how a test drives it.  It speaks
the kernel's own protocol (linux/fuse.h, version 7.31) on /dev/fuse, so that nothing needs to be installed.
CONTROL is JSON: `fault` (`EIO` or another errno, `hang`, `slow`), `calls` (names of calls; empty: all), `late` (an error after
the deed), `times` (so many calls, then none; 0: all), `delay_s`.  A call that hangs waits in the kernel where not even
SIGKILL ends it, as on a dead hard mount; it is done once the control says otherwise.
"""

import ctypes
import errno
import json
import os
import select
import struct
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

CALLS = {1: "lookup", 3: "getattr", 4: "setattr", 10: "unlink", 12: "rename", 14: "open", 15: "read", 16: "write", 17: "statfs",
         18: "release", 20: "fsync", 25: "flush", 26: "init", 27: "opendir", 28: "readdir", 29: "releasedir", 30: "fsyncdir",
         35: "create", 45: "rename2"}
_NO_ANSWER = {2, 36, 42}                       # forget, interrupt, batch forget
_IN, _OUT = struct.Struct("<IIQQIIII"), struct.Struct("<IiQ")
_ATTR, _ENTRY, _DIRENT = struct.Struct("<6Q10I"), struct.Struct("<4QII"), struct.Struct("<QQII")
_DIRECT_IO, _SIZE_VALID, _ROOT = 1, 1 << 3, 1


class Share:
    """The share mounted at `point`, its files in `backing`, which a test looks at directly: that never hangs."""

    def __init__(self, folder: Path, point: Path):
        self.backing, self.point, self._control = folder / "backing", point, folder / "control"
        self.backing.mkdir(parents=True, exist_ok=True)
        self.point.mkdir(exist_ok=True)
        self.well()
        self._server = subprocess.Popen([sys.executable, __file__, str(self.backing), str(point), str(self._control)],
                                        stdout=subprocess.PIPE)
        assert self._server.stdout.readline() == b"mounted\n"

    def fault(self, fault: str, *calls: str, late: bool = False, times: int = 0, delay_s: float = 0.0) -> None:
        beside = self._control.with_suffix(".next")
        beside.write_text(json.dumps({"fault": fault, "calls": calls, "late": late, "times": times, "delay_s": delay_s}))
        os.replace(beside, self._control)

    def well(self) -> None:
        self.fault("")

    def hit(self) -> int:
        """How many calls the fault in force has met so far."""
        try:
            return int(self._control.with_suffix(".hit").read_text())
        except (FileNotFoundError, ValueError):
            return 0

    def end(self) -> None:
        """What still hangs in it gets an error; the mount goes."""
        self._server.kill()
        self._server.wait()
        self._server.stdout.close()
        subprocess.run(["umount", "-l", str(self.point)], check=False, stderr=subprocess.DEVNULL)


def can_mount() -> bool:
    return sys.platform == "linux" and os.geteuid() == 0 and os.access("/dev/fuse", os.R_OK | os.W_OK)


class Server:
    """One thread, one call after the other, none cached; a node is an inode of the backing folder."""

    def __init__(self, backing: Path, control: Path, fuse: int):
        self._backing, self._control, self._fuse = backing, control, fuse
        self._names: dict[int, str] = {}                       # node -> name
        self._nodes: dict[int, int] = {}                       # inode -> node; a node is never used again
        self._held: list[bytes] = []
        self._said, self._hits = b"", 0

    def serve(self) -> None:
        while True:
            self._fault()
            if self._held and json.loads(self._said)["fault"] != "hang":
                held, self._held = self._held, []
                for request in held:
                    self._answer(request, {"fault": ""})
            if not select.select([self._fuse], [], [], 0.01)[0]:
                continue
            try:
                request = os.read(self._fuse, 1 << 21)
            except OSError as error:
                if error.errno in (errno.ENOENT, errno.EINTR, errno.EAGAIN):   # the call was given up
                    continue
                return                                         # unmounted
            self._take(request, self._fault())

    def _fault(self) -> dict:
        said = self._control.read_bytes()
        if said != self._said:
            self._said, self._hits = said, 0
            self._tell_hits()
        fault = json.loads(said)
        return {"fault": ""} if fault["times"] and self._hits >= fault["times"] else fault

    def _tell_hits(self) -> None:
        beside = self._control.with_suffix(".hit.next")
        beside.write_text(str(self._hits))
        os.replace(beside, self._control.with_suffix(".hit"))

    def _take(self, request: bytes, fault: dict) -> None:
        _, code, *_ = _IN.unpack_from(request)
        if code in _NO_ANSWER:
            return
        call = CALLS.get(code, str(code))
        if not fault["fault"] or call == "init" or (fault["calls"] and call not in fault["calls"]):
            return self._answer(request, {"fault": ""})
        self._hits += 1
        self._tell_hits()
        if fault["fault"] == "hang":
            self._held.append(request)
            return
        if fault["fault"] == "slow":
            time.sleep(fault["delay_s"])
            fault = {"fault": ""}
        self._answer(request, fault)

    def _answer(self, request: bytes, fault: dict) -> None:
        _, code, unique, node, *_ = _IN.unpack_from(request)
        try:
            if fault["fault"] and not fault["late"]:
                raise OSError(getattr(errno, fault["fault"]), "told to")
            does: Callable[[int, bytes], bytes] | None = getattr(self, f"_{CALLS.get(code, '')}", None)
            if does is None:
                raise OSError(errno.ENOSYS, "not made")
            said = does(node, request[_IN.size:])
            if fault["fault"]:
                raise OSError(getattr(errno, fault["fault"]), "told to, after the deed")
            answer = _OUT.pack(_OUT.size + len(said), 0, unique) + said
        except OSError as error:
            answer = _OUT.pack(_OUT.size, -error.errno, unique)
        try:
            os.write(self._fuse, answer)
        except OSError as error:
            if error.errno != errno.ENOENT:                    # the call was given up
                raise

    # --- the calls: the node and what stands behind the header -> what stands behind the answer's header

    def _init(self, _node: int, _body: bytes) -> bytes:
        return struct.pack("<4IHHIIHHI7I", 7, 31, 1 << 17, 0, 16, 12, 1 << 17, 1, 32, 0, 0, *[0] * 7)

    def _lookup(self, _node: int, body: bytes) -> bytes:
        return self._entry(_text(body))

    def _getattr(self, node: int, body: bytes) -> bytes:
        flags, _, handle = struct.unpack_from("<IIQ", body)
        found = os.fstat(handle) if flags & 1 else os.lstat(self._path(node))
        return struct.pack("<QII", 0, 0, 0) + _attr(found, node)

    def _setattr(self, node: int, body: bytes) -> bytes:
        valid, _, _, size = struct.unpack_from("<IIQQ", body)
        if valid & _SIZE_VALID:
            os.truncate(self._path(node), size)
        return struct.pack("<QII", 0, 0, 0) + _attr(os.lstat(self._path(node)), node)

    def _unlink(self, _node: int, body: bytes) -> bytes:
        path = self._backing / _text(body)
        self._nodes.pop(os.lstat(path).st_ino, None)
        os.unlink(path)
        return b""

    def _rename(self, _node: int, body: bytes, skip: int = 8) -> bytes:
        old, new = body[skip:].split(b"\0")[:2]
        os.rename(self._backing / os.fsdecode(old), self._backing / os.fsdecode(new))
        self._entry(os.fsdecode(new))
        return b""

    def _rename2(self, node: int, body: bytes) -> bytes:
        return self._rename(node, body, 16)

    def _open(self, node: int, body: bytes) -> bytes:
        flags, _ = struct.unpack_from("<II", body)
        return struct.pack("<QII", os.open(self._path(node), flags & ~os.O_NOFOLLOW), _DIRECT_IO, 0)

    def _create(self, _node: int, body: bytes) -> bytes:
        flags, mode, _, _ = struct.unpack_from("<4I", body)
        name = _text(body[16:])
        handle = os.open(self._backing / name, flags | os.O_CREAT, mode)
        return self._entry(name) + struct.pack("<QII", handle, _DIRECT_IO, 0)

    def _read(self, _node: int, body: bytes) -> bytes:
        handle, offset, size = struct.unpack_from("<QQI", body)
        return os.pread(handle, size, offset)

    def _write(self, _node: int, body: bytes) -> bytes:
        handle, offset, size = struct.unpack_from("<QQI", body)
        return struct.pack("<II", os.pwrite(handle, body[40:40 + size], offset), 0)

    def _fsync(self, _node: int, body: bytes) -> bytes:
        os.fsync(struct.unpack_from("<Q", body)[0])
        return b""

    def _release(self, _node: int, body: bytes) -> bytes:
        os.close(struct.unpack_from("<Q", body)[0])
        return b""

    def _flush(self, _node: int, _body: bytes) -> bytes:
        return b""

    def _opendir(self, _node: int, _body: bytes) -> bytes:
        return struct.pack("<QII", 0, 0, 0)

    _releasedir = _fsyncdir = _flush

    def _readdir(self, _node: int, body: bytes) -> bytes:
        _, offset, size = struct.unpack_from("<QQI", body)
        said = b""
        for number, one in enumerate(sorted(os.scandir(self._backing), key=lambda one: one.name)):
            name = os.fsencode(one.name)
            entry = _DIRENT.pack(one.inode(), number + 1, len(name), 8) + name
            entry += b"\0" * (-len(entry) % 8)
            if number >= offset and len(said) + len(entry) <= size:
                said += entry
            elif number >= offset:
                break
        return said

    def _statfs(self, _node: int, _body: bytes) -> bytes:
        found = os.statvfs(self._backing)
        return struct.pack("<5Q4I6I", found.f_blocks, found.f_bfree, found.f_bavail, found.f_files, found.f_ffree, found.f_bsize,
                           255, found.f_frsize, 0, *[0] * 6)

    def _entry(self, name: str) -> bytes:
        found = os.lstat(self._backing / name)
        node = self._nodes.setdefault(found.st_ino, len(self._names) + _ROOT + 1)
        self._names[node] = name
        return _ENTRY.pack(node, 0, 0, 0, 0, 0) + _attr(found, node)

    def _path(self, node: int) -> Path:
        return self._backing if node == _ROOT else self._backing / self._names[node]


def _attr(found: os.stat_result, node: int) -> bytes:
    return _ATTR.pack(node, found.st_size, found.st_blocks, int(found.st_atime), int(found.st_mtime), int(found.st_ctime), 0, 0, 0,
                      found.st_mode, found.st_nlink, found.st_uid, found.st_gid, 0, 4096, 0)


def _text(body: bytes) -> str:
    return os.fsdecode(body.split(b"\0")[0])


def main(backing: str, point: str, control: str) -> None:
    fuse = os.open("/dev/fuse", os.O_RDWR)
    options = f"fd={fuse},rootmode=40000,user_id=0,group_id=0,allow_other".encode()
    libc = ctypes.CDLL(None, use_errno=True)
    if libc.mount(b"faulty-share", os.fsencode(point), b"fuse", 6, options):      # nosuid, nodev
        raise OSError(ctypes.get_errno(), os.strerror(ctypes.get_errno()), point)
    print("mounted", flush=True)
    Server(Path(backing), Path(control), fuse).serve()


if __name__ == "__main__":
    main(*sys.argv[1:])
