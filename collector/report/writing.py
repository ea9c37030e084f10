"""Where a report's page and tables go.

Knows: a folder takes them under their own names, a page with a name of its own gives it to its tables.
Must not know: what is in them, how they are written.
"""

from pathlib import Path

PAGE = "report.html"


def places(to: Path, tables: list[str]) -> tuple[Path, dict[str, Path]]:
    """Where page and tables go: into a folder, or beside a page that has a name of its own."""
    if to.suffix.lower() not in (".html", ".htm"):
        return to / PAGE, {name: to / name for name in tables}
    return to, {name: to.with_name(f"{to.stem}-{name}") for name in tables}
