"""From files to what a battery life is computed of."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from benchrig.energy.currents import Source, currents_for, missing
from benchrig.energy.life import Case
from benchrig.errors import FileProblems
from benchrig.records.results import load_result, refuse_repeated
from benchrig.session.cell_file import CellFile
from benchrig.session.profile_file import ProfileFile
from benchrig.session.toml_file import read_toml


def load_sources(paths: Sequence[Path]) -> tuple[Source, ...]:
    """Results, named as they were given. Raises `FileProblems`."""
    return tuple(Source(str(path), load_result(path)) for path in paths)


def load_profile(path: Path, sources: Sequence[Source]) -> ProfileFile:
    """A profile of which `sources` and what is typed in it tell all that it needs. Raises
    `FileProblems`."""
    file = read_toml(path, ProfileFile)
    others = sorted({each.result.session for each in sources} - {file.session})
    problems = list(missing(file.profile, sources, file.typed))
    if others:
        problems.append((("session",), f"is {file.session!r}; the results are of {others[0]!r}"))
    if problems:
        raise FileProblems([file.problem(key, message) for key, message in problems])
    return file


def load_case(profile: Path, cell: Path, results: Sequence[Path]) -> Case:
    """Raises `FileProblems`, `UsageError` for a result that is named twice, and the fault
    ``no_current`` for one that has none."""
    sources = load_sources(results)
    refuse_repeated((each.name, each.result) for each in sources)
    return case_of(profile, cell, sources)


def case_of(profile: Path, cell: Path, sources: Sequence[Source]) -> Case:
    """The same from results that are read already."""
    file = load_profile(profile, sources)
    currents = currents_for(
        file.profile,
        sources,
        file.typed,
        supply_voltage_V=file.supply_voltage,
        minimum_voltage_V=file.minimum_voltage,
    )
    return Case(file.profile, currents, read_toml(cell, CellFile).cell, file.pulse_current)
