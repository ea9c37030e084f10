"""`collector salvage CONFIG|FILE`: every sound record of a journal that is damaged or was set aside, as JSON lines.

Only reads.  Standard error says what was found and what could not be read; exit 1 if that is anything.
"""

import sys
from argparse import ArgumentParser, Namespace
from collections.abc import Iterator
from contextlib import ExitStack
from pathlib import Path
from typing import BinaryIO

from collector.config.plan import read_plan
from collector.errors import StoppedByIO
from collector.journal import Salvage, Span, journal_path, open_salvage, set_aside

_MOST_LINES = 20


def add_arguments(parser: ArgumentParser) -> None:
    parser.add_argument("what", type=Path, metavar="CONFIG|FILE",
                        help="configuration (.yaml, or a folder): its journal; else a journal's file, as one set aside")
    parser.add_argument("--out", type=Path, metavar="FILE",
                        help="write there instead of to standard output; must not exist yet")


def run(args: Namespace) -> int:
    is_config = args.what.is_dir() or args.what.suffix in (".yaml", ".yml")
    path = journal_path(read_plan(args.what).state) if is_config else args.what
    if not path.is_file():
        raise StoppedByIO(f"there is no journal {path}")
    with ExitStack() as held:
        found = held.enter_context(open_salvage(path))
        out = _opened(args.out, held)
        told = [*_written(found, out), *_summary(found)]
    told += [f"set aside earlier: {other}" for other in set_aside(path.parent) if other != path] if is_config else []
    print("\n".join(told), file=sys.stderr)
    return 1 if found.broken or found.unsound or not found.end_known else 0


def _opened(path: Path | None, held: ExitStack) -> BinaryIO:
    if path is None:
        return sys.stdout.buffer
    try:
        return held.enter_context(open(path, "xb"))
    except OSError as error:
        raise StoppedByIO(f"{path} can't be made: {error.strerror}") from error


def _written(found: Salvage, out: BinaryIO) -> list[str]:
    """Write what is sound; returns how much that was and where seqs are missing."""
    count, first, last = 0, 0, 0
    gaps: list[Span] = []
    try:
        for row in found.rows():
            out.write(row.body + b"\n")
            if count and row.seq != last + 1:
                gaps.append(Span(last + 1, row.seq - 1))
            count, first, last = count + 1, first or row.seq, row.seq
        out.flush()
    except BrokenPipeError:
        raise
    except OSError as error:
        raise StoppedByIO(f"can't be written: {error.strerror}") from error
    told = f"{found.name or 'a journal without a name'}: {count} sound records"
    return [f"{told}, seq {first} to {last}" if count else told, *_shown("missing between them", gaps)]


def _summary(found: Salvage) -> Iterator[str]:
    yield from _shown("can't be read", found.broken)
    yield from _shown("not sound (the body is not JSON, or has another seq)", [Span(seq, seq) for seq in found.unsound])
    if not found.end_known:
        yield "the end of the file can't be read: how many records there were is not known"


def _shown(what: str, spans: list[Span]) -> Iterator[str]:
    for first, last in spans[:_MOST_LINES]:
        yield f"{what}: seq {first}" if first == last else f"{what}: seq {first} to {last}, {last - first + 1} of them"
    if len(spans) > _MOST_LINES:
        yield f"{what}: {len(spans) - _MOST_LINES} more places"
