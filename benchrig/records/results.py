"""Results of sessions, read back."""

from __future__ import annotations

from pathlib import Path

from pydantic import ValidationError

from benchrig.errors import FileProblem, FileProblems
from benchrig.records.run_folder import RESULT
from benchrig.result import SessionResult


def load_result(path: Path) -> SessionResult:
    """From a run folder, or the ``result.json`` in it. Raises `FileProblems`."""
    file = path / RESULT if path.is_dir() else path
    try:
        return SessionResult.model_validate_json(file.read_bytes())
    except (OSError, ValidationError) as error:
        message = f"is no result of a session: {error}"
        raise FileProblems([FileProblem(str(file), None, "", message)]) from None
