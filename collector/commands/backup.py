"""`collector backup CONFIG FILE`: journal, cursors and refused records in one new file; the daemon may run."""

import hashlib
import json
from argparse import ArgumentParser, Namespace
from pathlib import Path
from typing import Any

import msgspec

from collector.clock import Stamps, SystemClock
from collector.config.plan import read_plan
from collector.errors import StoppedByIO
from collector.files import Files
from collector.journal.backup import Backup, write_backup
from collector.outputs.cursor import VERSION, CursorState


def add_arguments(parser: ArgumentParser) -> None:
    parser.add_argument("config", type=Path, metavar="CONFIG", help="configuration file, or a folder of them")
    parser.add_argument("file", type=Path, metavar="FILE", help="the backup; must not exist yet, best on another disk")
    parser.add_argument("--json", action="store_true", help="print as JSON")


def run(args: Namespace) -> int:
    plan, file = read_plan(args.config), args.file.absolute()
    told = holding(write_backup(plan.state, file, Files(), SystemClock()), file)
    print(json.dumps(told, indent=2) if args.json else "\n".join(words(told)))
    return 0


def holding(backup: Backup, file: Path) -> dict[str, Any]:
    """What a backup holds, and the file's size and SHA-256.  Raises StoppedByIO."""
    outputs = {output: {"delivered": one.delivered, "handed-over": one.records, "refused": one.refused}
               for output, one in cursors(backup).items()}
    try:
        with open(file, "rb") as content:
            sha256, size = hashlib.file_digest(content, "sha256").hexdigest(), content.tell()
    except OSError as error:
        raise StoppedByIO(f"the backup {file} can't be read: {error.strerror}") from error
    return {"file": str(file), "bytes": size, "sha256": sha256, "made": Stamps().text(backup.made_ns),
            "journal": backup.name, "last-seq": backup.last, "records": backup.records, "outputs": outputs}


def words(told: dict[str, Any]) -> list[str]:
    """`holding` for a person."""
    return [f"{told['file']}: {told['bytes']} bytes, sha256 {told['sha256']}",
            f"journal {told['journal']} as of {told['made']}: {told['records']} records, the last {told['last-seq']}",
            *(f"output {name}: delivered through {one['delivered']}, {one['handed-over']} handed over, "
              f"{one['refused']} refused" for name, one in told["outputs"].items())]


def cursors(backup: Backup) -> dict[str, CursorState]:
    """The cursor of each output.  Raises StoppedByIO where one can't be understood."""
    found = {}
    for path, content in backup.beside.items():
        if path.endswith(".cursor"):
            try:
                one = found[Path(path).stem] = msgspec.json.decode(content, type=CursorState)
            except msgspec.MsgspecError as error:
                raise StoppedByIO(f"the backup's {path} can't be understood: {error}") from error
            if one.version != VERSION:
                raise StoppedByIO(f"the backup's {path} is of version {one.version}, this collector knows {VERSION}")
    return found
