"""Errors, named by what the caller does next.

Each carries the exit code that a command ends with when nobody handles it.
Must not know: any room above.
"""

from dataclasses import dataclass


@dataclass(frozen=True, order=True)
class Fault:
    """One thing wrong in a configuration: where it stands, what is wrong, what would be right."""

    file: str
    line: int
    column: int
    what: str
    right: str = ""

    def __str__(self) -> str:
        said = f"{self.what}; {self.right}" if self.right else self.what
        return f"{self.file}:{self.line}:{self.column}: {said}"


class CollectorError(Exception):
    """Something the collector can name.  Its text is for the person who runs the command."""

    exit_code = 1


class ConfigError(CollectorError):
    """The configuration is not valid: every fault at once, in the order of the file.  Nothing is started."""

    exit_code = 78

    def __init__(self, faults: list[Fault]):
        self.faults = sorted(faults)
        super().__init__("\n".join(str(fault) for fault in self.faults))


class StoppedByIO(CollectorError):
    """An input or output without which nothing can go on: a folder that can't be made, a state in use."""

    exit_code = 74


class PortLost(CollectorError):
    """A port can't be opened or is gone.  Close it, record it, try again by its stable name, for ever."""

    exit_code = 74

    def __init__(self, port: str, cause: str):
        self.port, self.cause = port, cause
        super().__init__(f"port {port}: {cause}")


class OutputDown(CollectorError):
    """An output can't take records now.  The cursor stays; wait; the very same batch again."""

    exit_code = 74

    def __init__(self, output: str, cause: str):
        self.output, self.cause = output, cause
        super().__init__(f"output {output}: {cause}")


class RecordRefused(CollectorError):
    """One record can never be taken by an output.  Set it aside, count it, step past it."""

    def __init__(self, output: str, seq: int, why: str):
        self.output, self.seq, self.why = output, seq, why
        super().__init__(f"output {output}: record {seq}: {why}")


class JournalFull(CollectorError):
    """No room on the journal's disk.  Nothing of the batch was kept; keep it in memory and try again."""

    exit_code = 74


class JournalFailed(CollectorError):
    """The journal's file can't be trusted any more (a sync failed, a page is damaged).  Never retry on it."""

    exit_code = 74
