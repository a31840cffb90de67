"""What can go wrong, told apart by what the reader has to do about it.

    BenchrigError
    ├── FileProblems      a TOML file is wrong: mend the file           (exit status 2)
    ├── UsageError        a call makes no sense: mend the call          (exit status 2)
    ├── ReplayEnded       a recording has no more to say                (exit status 4)
    │   └── ReplayMismatch    it holds something else than what would be sent now
    └── Fault             no valid measurement: look at the bench       (exit status 4)
        └── WireFault     the way to one instrument failed
            ├── CannotOpen    it was never there, or somebody else holds it
            ├── WireLost      it was there and is gone
            └── NoReply       it is there and says nothing in time

A current outside its limits is a verdict, never an exception.
Every fault has a `kind`: one word with underscores that is stable, is written into
``result.json`` and may be tested by a machine; its message is for people.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass


class BenchrigError(Exception):
    """Root of everything that benchrig raises on purpose."""


class UsageError(BenchrigError):
    """A call or a command line that makes no sense."""


@dataclass(frozen=True)
class FileProblem:
    """One thing that is wrong in a file, with what would be right."""

    file: str
    line: int | None
    key: str
    message: str

    def __str__(self) -> str:
        where = self.file if self.line is None else f"{self.file}:{self.line}"
        return f"{where}: {self.key}: {self.message}" if self.key else f"{where}: {self.message}"


class FileProblems(BenchrigError):
    """All that is wrong in one or several files, told at once."""

    def __init__(self, problems: Sequence[FileProblem]) -> None:
        self.problems = tuple(problems)
        super().__init__("\n".join(str(problem) for problem in self.problems))


class ReplayEnded(BenchrigError):
    """A recording ends before its session does: the session was cut off there."""


class ReplayMismatch(ReplayEnded):
    """The code of today would send something else than a recording holds."""


class Fault(BenchrigError):
    """No valid measurement. Never a statement about the board's current."""

    def __init__(self, kind: str, message: str) -> None:
        self.kind = kind
        self.message = message
        super().__init__(f"{kind}: {message}")


class WireFault(Fault):
    """The way to one instrument failed; `wire` names it: ``"board"``, ``"meter"``, ``"supply"``."""

    def __init__(self, kind: str, wire: str, message: str) -> None:
        self.wire = wire
        super().__init__(kind, f"{wire}: {message}")


class CannotOpen(WireFault):
    """A wire could not be opened: absent, refused, or held by somebody else."""


class WireLost(WireFault):
    """An open wire ended: cable pulled, peer closed, adapter gone."""

    def __init__(self, wire: str, message: str) -> None:
        super().__init__("wire_lost", wire, message)


class NoReply(WireFault):
    """The wire is open, but what was waited for did not come in time."""


class Interrupted(Fault):
    """The operator or the system asked the session to end (Ctrl-C, SIGTERM)."""

    def __init__(self, reason: str) -> None:
        super().__init__("interrupted", f"stopped by {reason}")
