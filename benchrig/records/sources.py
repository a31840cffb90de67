"""The files that a session is made from, with their content: so that a recording stands alone."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Literal, cast

from benchrig.assembly import data_sheet_of, unsuitable
from benchrig.drivers.meter import Zero
from benchrig.errors import FileProblem, FileProblems
from benchrig.session import BenchFile, CurveFile, MeterSheet, Session, load_session
from benchrig.session.toml_file import parse_toml, unreadable
from benchrig.verification import Verification, parse_verification
from benchrig.zeros import parse_zeros

Role = Literal["session", "bench", "sheet", "zeros", "verification", "data_sheet"]


@dataclass(frozen=True)
class Source:
    """A file as it was. `name` as the session's user wrote it."""

    name: str
    text: str

    @property
    def sha256(self) -> str:
        return hashlib.sha256(self.text.encode("utf-8")).hexdigest()

    @classmethod
    def read(cls, path: Path) -> Source:
        """Raises `FileProblems`."""
        try:
            return cls(str(path), path.read_bytes().decode("utf-8"))
        except (OSError, ValueError) as error:
            raise unreadable(path, error) from None


@dataclass(frozen=True)
class Files:
    """What the files say. `verification` is that of the meter, if there is one."""

    session: Session
    bench: BenchFile
    sheet: MeterSheet | None = None
    zeros: tuple[Zero, ...] = ()
    verification: Verification | None = None
    data_sheet: CurveFile | None = None

    def with_session(self, path: Path) -> Files:
        """The same with another session file. Raises `FileProblems`, also where the bench lacks
        what that session asks for."""
        session = load_session(path)
        problems = list(unsuitable(self.bench, session))
        if problems:
            raise FileProblems(problems)
        return replace(self, session=session, data_sheet=data_sheet_of(session))


def read_sources(session: Path, bench: Path, file: BenchFile) -> dict[Role, Source]:
    """All files of a run that are there; `file` is what the bench file says. Raises
    `FileProblems`."""
    paths: dict[Role, str | None] = {
        "session": str(session),
        "bench": str(bench),
        "sheet": file.meter.sheet,
        "zeros": file.meter.zeros,
        "verification": file.meter.verification,
        "data_sheet": load_session(session).data_sheet,
    }
    # Zeros and verification may be named before they are taken.
    present = {role: Path(name) for role, name in paths.items() if name and Path(name).exists()}
    return {role: Source.read(path) for role, path in present.items()}


def parse_sources(sources: Mapping[Role, Source]) -> Files:
    """What they say. Raises `FileProblems`."""
    for role in ("session", "bench"):
        if role not in sources:
            raise FileProblems([FileProblem(role, None, "", "is not in the recording")])

    def parsed(role: Role, parse: Callable[[str, str], object]) -> object:
        source = sources.get(role)
        return None if source is None else parse(source.text.removeprefix("\ufeff"), source.name)

    bench = cast(BenchFile, parsed("bench", lambda text, name: parse_toml(text, name, BenchFile)))
    return Files(
        cast(Session, parsed("session", lambda text, name: parse_toml(text, name, Session))),
        bench.beside(Path(sources["bench"].name).parent),
        cast(
            MeterSheet | None,
            parsed("sheet", lambda text, name: parse_toml(text, name, MeterSheet)),
        ),
        cast(tuple[Zero, ...] | None, parsed("zeros", parse_zeros)) or (),
        cast(Verification | None, parsed("verification", parse_verification)),
        cast(
            CurveFile | None,
            parsed("data_sheet", lambda text, name: parse_toml(text, name, CurveFile)),
        ),
    )
