"""`collector restore CONFIG FILE`: make the state folder of a backup, where no daemon runs; `run` goes on with it.

Records may have been made, and handed over, after the backup.  Therefore a new JOURNAL is drawn, so that no id comes
twice, and seq goes on behind a gap that is larger than what the lines can have brought since, so that no file gets a
name that was given already; the first commit tells both.  What an output had taken by the backup is not handed over
again; what waited in it is, with the ids that it has, though the output may have taken it since.

What is in force on a port (part, lot, …) may be another by now and is forgotten; checks of masters are as they were.
"""

import json
import os
import re
from argparse import ArgumentParser, Namespace
from contextlib import ExitStack, suppress
from pathlib import Path
from typing import Any

import msgspec

from collector.clock import Stamps, SystemClock
from collector.commands.backup import cursors, holding, words
from collector.config.plan import OutputPlan, Plan, read_plan
from collector.errors import CollectorError, StoppedByIO
from collector.files import Files, lock
from collector.journal import Lost, Renewed
from collector.journal.backup import Backup, put_back, read_backup
from collector.journal.schema import drawn_name
from collector.outputs.cursor import CursorState, cursor_path
from collector.outputs.folder import GROWING
from collector.service.daemon import lock_state
from collector.service.status import last_seen

_LEAST_GAP, _LEAST_BAUD, _BITS_A_RECORD = 1_000_000, 9600, 20
"""A record takes two bytes of its line at least, each of ten bits."""

_CONTEXT = "context"
_LOCK = "lock"


def add_arguments(parser: ArgumentParser) -> None:
    parser.add_argument("config", type=Path, metavar="CONFIG", help="configuration file, or a folder of them")
    parser.add_argument("file", type=Path, metavar="FILE", help="what `collector backup` made")
    parser.add_argument("--aside", action="store_true",
                        help="move the state folder that is there, with all it holds, to one beside it")
    parser.add_argument("--above", type=int, metavar="SEQ",
                        help="no record after the backup had a higher seq; without it, that is reckoned from the time "
                             "since then and the speed of the lines")
    parser.add_argument("--json", action="store_true", help="print as JSON")


def run(args: Namespace) -> int:
    plan, file = read_plan(args.config), args.file.absolute()
    backup = read_backup(file)
    told, known = holding(backup, file), cursors(backup)
    with ExitStack() as held:
        _locked(plan.state, held)
        next_seq = _behind(plan, backup, args.above)
        aside = _cleared(plan.state, args.aside, held)
        if aside and file.is_relative_to(plan.state):
            file = aside / file.relative_to(plan.state)
        name, gap = drawn_name(), next_seq - 1 - backup.last
        at_their_start = dict.fromkeys(plan.outputs, CursorState(journal=backup.name))
        _put_beside(plan, backup, {**at_their_start, **known}, name, gap)
        put_back(file, plan.state, name, next_seq, _renewed(backup, aside, gap), (_CONTEXT,), Files())
        _hand_to_owner(plan.state)
    told |= {"aside": str(aside or ""), "new-journal": name, "next-seq": next_seq}
    print(json.dumps(told, indent=2) if args.json else "\n".join([*words(told), *_what_now(told)]))
    return 0


def _what_now(told: dict[str, Any]) -> list[str]:
    aside = [f"what was there lies in {told['aside']}"] if told["aside"] else []
    return [*aside, f"put back as journal {told['new-journal']}; it goes on with record {told['next-seq']}",
            "before it runs: what waited in the backup is handed over, also where that was done after it (same id)",
            "once it runs: give part, lot and the like again, and check each column on its masters"]


def _locked(state: Path, held: ExitStack) -> None:
    held.callback(os.close, lock_state(state))


def _cleared(state: Path, may_move: bool, held: ExitStack) -> Path | None:
    """The state folder holds nothing; where the old one went.  Raises StoppedByIO."""
    there = sorted(path.name for path in state.iterdir() if path.name != _LOCK)
    if not there:
        return None
    if not may_move:
        raise StoppedByIO(f"the state folder {state} is not empty ({', '.join(there[:3])}); --aside moves it, "
                          "with all it holds, beside itself")
    for path in state.glob("outputs/*.lock"):
        taken = lock(path)
        if taken is None:
            raise StoppedByIO(f"the process of output {path.stem} has not ended and would write into the new state; "
                              "does its folder hang?")
        held.callback(os.close, taken)
    folder, stamp = Path(os.path.realpath(state)), Stamps().text(SystemClock.wall_ns())[:19].replace(":", "")
    before, aside = folder.stat(), folder.with_name(f"{folder.name}.aside-{stamp}Z")
    try:
        Files().rename(folder, aside)
        folder.mkdir(before.st_mode & 0o7777)
        with suppress(AttributeError, PermissionError):
            os.chown(folder, before.st_uid, before.st_gid)
    except OSError as error:
        raise StoppedByIO(f"the state folder {folder} can't be moved to {aside}: {error.strerror}; move what it holds "
                          "yourself") from error
    _locked(state, held)
    return aside


def _behind(plan: Plan, backup: Backup, above: int | None) -> int:
    """The first seq that no record can have had.  Raises CollectorError: the clock can't be right, SEQ is too low."""
    last = max(backup.last, last_seen(plan.state))
    if above is not None:
        if above < last:
            raise CollectorError(f"--above {above} is too low: {last} was used")
        return above + 1
    since_s = (SystemClock.wall_ns() - backup.made_ns) // 1_000_000_000
    if since_s < 0:
        raise CollectorError(f"this machine's clock says that the backup is of the future "
                             f"({Stamps().text(backup.made_ns)}); set it right, or say by --above the highest seq that "
                             "was seen since")
    bauds = sum(max(port.line.baud, _LEAST_BAUD) for port in plan.ports.values())
    return last + _LEAST_GAP + since_s * bauds // _BITS_A_RECORD + 1


def _renewed(backup: Backup, aside: Path | None, gap: int) -> Renewed:
    cause = f"restored from a backup of {Stamps().text(backup.made_ns)}; records made after that are not here"
    lost = Lost(gap, backup.last + 1, backup.last + gap, is_exact=False)
    return Renewed(cause, str(aside or ""), backup.records, lost, carries_on=False)


# --- what lies beside the journal


def _put_beside(plan: Plan, backup: Backup, known: dict[str, CursorState], name: str, gap: int) -> None:
    files, all_of_it = Files(), {plan.state / path: content for path, content in backup.beside.items()}
    for output, one in known.items():
        if one.journal == backup.name:
            moved = _moved(one, backup, name, gap, plan.site, plan.outputs.get(output))
            all_of_it[cursor_path(plan.state, output)] = msgspec.json.encode(moved) + b"\n"
    try:
        files.make_folder(plan.state / "outputs")
        for path, content in all_of_it.items():
            files.write_new(path, content)
    except OSError as error:
        raise StoppedByIO(f"the state can't be put back in {plan.state}: {error.strerror}") from error


def _moved(one: CursorState, backup: Backup, name: str, gap: int, site: str, output: OutputPlan | None) -> CursorState:
    """The cursor for the new JOURNAL.

    The seqs of the gap count as kept and as handed over, for nobody knows which of them were.
    """
    changes: dict[str, Any] = {"journal": name}
    if output is None or not output.settings.kinds:
        changes["records"] = one.records + gap
    if one.delivered == backup.last and one.pending is None:
        changes["delivered"] = backup.last + gap
    if output is not None and getattr(output.settings, "publish", "") == GROWING:
        with suppress(OSError):                          # its share is away: the output will say what is wrong
            changes["grown"] = {**one.grown, **_grown(Path(output.settings.folder), f"{site}-{output.name}")}
            if one.pending is not None and one.pending.publish == GROWING:
                changes["pending"] = None                # its file may have grown since: it comes again
    return msgspec.structs.replace(one, **changes)


def _grown(folder: Path, stem: str) -> dict[str, int]:
    """The length of each growing file, which may have grown after the backup; one that ends in mid-line is left out."""
    ours, found = re.compile(rf"{re.escape(stem)}-\d{{4}}-\d\d-\d\d\.(csv|jsonl)"), {}
    for path in sorted(path for path in folder.iterdir() if ours.fullmatch(path.name)):
        with open(path, "rb") as file:
            length = file.seek(0, os.SEEK_END)
            file.seek(max(0, length - 1))
            if not length or file.read() == b"\n":
                found[path.name] = length
    return found


def _hand_to_owner(state: Path) -> None:
    """All is the state folder's owner's, so that the collector can use what root has put back."""
    owner = state.stat()
    with suppress(AttributeError, PermissionError):
        for path in (state, *state.rglob("*")):
            os.chown(path, owner.st_uid, owner.st_gid)
