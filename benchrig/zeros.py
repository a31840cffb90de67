"""Open-circuit readings of the meter, one per range, kept with their time."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from datetime import datetime
from pathlib import Path
from typing import Annotated, Literal

import numpy as np
from pydantic import (
    AwareDatetime,
    BaseModel,
    ConfigDict,
    Field,
    NonNegativeFloat,
    PositiveFloat,
    ValidationError,
)

from benchrig.drivers.meter import Meter, Readings, Zero
from benchrig.drivers.scpi import is_valid
from benchrig.errors import Fault, FileProblem, FileProblems
from benchrig.files import write_atomically
from benchrig.session.toml_file import unreadable
from benchrig.session.wording import spell

READINGS = 50
# An open circuit reads at most the offset of the range, some thousandths of full scale (common
# practice, no source).
OPEN_SHARE = 0.02


class _ZeroRecord(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)

    full_scale_A: PositiveFloat
    offset_A: float
    standard_uncertainty_A: NonNegativeFloat
    taken: AwareDatetime
    readings: Annotated[int, Field(ge=2)]


class _ZerosFile(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)

    format: Literal["benchrig/zeros/1"] = "benchrig/zeros/1"
    meter: str
    zeros: tuple[_ZeroRecord, ...]


def take_zeros(meter: Meter, now: Callable[[], datetime]) -> Iterator[Zero]:
    """Read every range with nothing connected, from the highest down, and return to the highest.

    From the highest down, so that a board which is connected after all is found out before a
    range comes whose shunt takes its voltage away. Raises ``not_open`` if current flows.
    """
    try:
        for entry in reversed(meter.ranges):
            meter.zeros.pop(entry.full_scale_A, None)
            meter.set_range(entry)
            yield _zero(meter.acquire(READINGS), meter.instrument.identity, now())
    finally:
        meter.make_safe()


def _zero(readings: Readings, meter: str, now: datetime) -> Zero:
    entry = readings.range
    valid = readings.currents_A[is_valid(readings.currents_A)]
    largest_A = float(np.max(np.abs(valid))) if len(valid) else math.inf
    if len(valid) < len(readings.currents_A) or largest_A > OPEN_SHARE * entry.full_scale_A:
        raise Fault(
            "not_open",
            f"meter: reads up to {largest_A:.3g} A on its {entry.full_scale_A:g} A range: the "
            "circuit is not open. Switch the power off, disconnect the board, and try again",
        )
    scatter_A = float(np.std(valid, ddof=1)) / math.sqrt(len(valid))
    uncertainty_A = math.hypot(scatter_A, entry.count_A / math.sqrt(12))
    return Zero(meter, entry.full_scale_A, float(np.mean(valid)), uncertainty_A, now, len(valid))


def save_zeros(path: Path, zeros: Sequence[Zero]) -> None:
    """Keep the zeros of one meter; at least one."""
    records = tuple(
        _ZeroRecord(
            full_scale_A=zero.full_scale_A,
            offset_A=zero.offset_A,
            standard_uncertainty_A=zero.standard_uncertainty_A,
            taken=zero.taken,
            readings=zero.readings,
        )
        for zero in zeros
    )
    text = _ZerosFile(meter=zeros[0].meter, zeros=records).model_dump_json(indent=2)
    write_atomically(path, text + "\n")


def load_zeros(path: Path) -> tuple[Zero, ...]:
    """The zeros in a file; none if there is no such file yet. Raises `FileProblems` for one that
    is damaged: it is not treated as absent."""
    try:
        text = path.read_text(encoding="utf-8")
    except FileNotFoundError:
        return ()
    except (OSError, ValueError) as error:
        raise unreadable(path, error) from None
    return parse_zeros(text, str(path))


def parse_zeros(text: str, name: str) -> tuple[Zero, ...]:
    """Like `load_zeros`, for a text that is already here; `name` is used in messages."""
    try:
        file = _ZerosFile.model_validate_json(text)
    except ValidationError as error:
        what = error.errors()[0]
        at = f"{spell(what['loc'])}: " if what["loc"] else ""
        message = f"is not a file of zeros ({at}{what['msg']}); take them again"
        raise FileProblems([FileProblem(name, None, "", message)]) from None
    return tuple(Zero(file.meter, **dict(record)) for record in file.zeros)
