"""Results of sessions, read back."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

from pydantic import ValidationError

from benchrig.errors import FileProblem, FileProblems, UsageError
from benchrig.records.run_folder import RESULT
from benchrig.result import SessionResult
from benchrig.session.toml_file import unreadable
from benchrig.session.wording import spell


def load_result(path: Path) -> SessionResult:
    """From a run folder, or the ``result.json`` in it. Raises `FileProblems`."""
    file = path / RESULT if path.is_dir() else path
    try:
        return SessionResult.model_validate_json(file.read_bytes())
    except ValidationError as error:
        what = error.errors()[0]
        at = f"{spell(what['loc'])}: " if what["loc"] else ""
        message = (
            f"is no result of a session ({at}{what['msg']}); name a run folder or its {RESULT}"
        )
        raise FileProblems([FileProblem(str(file), None, "", message)]) from None
    except (OSError, ValueError) as error:
        raise unreadable(file, error) from None


def refuse_repeated(named: Iterable[tuple[str, SessionResult]]) -> None:
    """Raises `UsageError` where one of several results is there twice: it would count twice, and
    look like a board that repeats itself exactly."""
    seen: list[tuple[str, SessionResult]] = []
    for name, result in named:
        for other, earlier in seen:
            if result == earlier:
                raise UsageError(f"{name} is the same result as {other}: give it once")
        seen.append((name, result))
