"""The kept check of the meter with a reference resistor, and whether it is good enough for a
session that asks for one."""

from __future__ import annotations

import math
from collections.abc import Callable
from datetime import datetime, timedelta
from pathlib import Path
from typing import Literal

from pydantic import (
    AwareDatetime,
    BaseModel,
    ConfigDict,
    Field,
    NonNegativeFloat,
    PositiveFloat,
    ValidationError,
)

from benchrig.errors import Fault, FileProblem, FileProblems
from benchrig.files import write_atomically
from benchrig.session.toml_file import unreadable

RANGE_NOT_VERIFIED = "range_not_verified"
"""The flag of a result on a range that the required verification of the meter did not check."""

MOST_EN = 1.0
"""|E_n| of 1 or less agrees (ISO 13528 and ISO/IEC 17043, from memory)."""

AHEAD = timedelta(minutes=5)
"""Two computers' clocks differ by no more than this (common practice, no source)."""


class _Kept(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)


class Check(_Kept):
    """One range with one resistor; expanded uncertainties at 95 %, accuracies as shares."""

    full_scale_A: PositiveFloat
    resistance_ohm: PositiveFloat
    resistor_accuracy: NonNegativeFloat
    read_A: float
    read_uncertainty_A: NonNegativeFloat
    expected_A: PositiveFloat
    expected_uncertainty_A: NonNegativeFloat
    normalised_error: float

    @property
    def agrees(self) -> bool:
        return abs(self.normalised_error) <= MOST_EN

    @property
    def unseen_share(self) -> float:
        """An error of the meter below this share of the current is not seen."""
        return math.hypot(self.read_uncertainty_A, self.expected_uncertainty_A) / self.expected_A

    @property
    def is_blunt(self) -> bool:
        """Whether resistor and voltage hide an error of twice what the meter may have."""
        return self.expected_uncertainty_A > 2.0 * self.read_uncertainty_A


class Verification(_Kept):
    """All that was checked on one occasion, with the `meter`'s identity and the date."""

    format: Literal["benchrig/verification/1"] = "benchrig/verification/1"
    meter: str
    taken: AwareDatetime
    voltage_V: PositiveFloat
    voltage_accuracy: NonNegativeFloat
    checks: tuple[Check, ...] = Field(min_length=1)

    @property
    def fit(self) -> bool:
        return all(check.agrees for check in self.checks)

    def covers(self, full_scale_A: float) -> bool:
        """Whether a range was among those checked."""
        return any(
            math.isclose(check.full_scale_A, full_scale_A, rel_tol=1e-3) for check in self.checks
        )

    def __str__(self) -> str:
        return f"verified on {self.taken:%Y-%m-%d} with {len(self.checks)} checks"


def save_verification(path: Path, verification: Verification) -> None:
    """Raises `OSError`."""
    write_atomically(path, verification.model_dump_json(indent=2) + "\n")


def load_verification(path: Path) -> Verification | None:
    """None if there is no such file yet. Raises `FileProblems` for one that is damaged: it is not
    treated as absent."""
    try:
        text = path.read_text(encoding="utf-8")
    except FileNotFoundError:
        return None
    except (OSError, ValueError) as error:
        raise unreadable(path, error) from None
    return parse_verification(text, str(path))


def parse_verification(text: str, name: str) -> Verification:
    """Like `load_verification`, for a text that is already here; `name` is used in messages."""
    try:
        return Verification.model_validate_json(text)
    except ValidationError as error:
        message = f"is not the verification of a meter: {error.errors()[0]['msg']}; do it again"
        raise FileProblems([FileProblem(name, None, "", message)]) from None


def require_verification(
    path: str | None,
    within_s: float,
    identity: str | None,
    now: datetime,
    load: Callable[[Path], Verification | None] = load_verification,
) -> Verification:
    """The verification that meets the demand. `path`: as in the bench file, `identity`:
    that of the meter on the bench, None where it has not been asked. `load` is another one where
    nothing is read from disk. Raises ``meter_not_verified``."""
    if path is None:
        raise _not_verified('the bench file names no file for it: add verification = "..."')
    try:
        kept = load(Path(path))
    except FileProblems as problems:
        raise _not_verified(str(problems)) from None
    if kept is None:
        raise _not_verified(f"there is no {path} yet")
    if identity is not None and kept.meter != identity:
        raise _not_verified(f"{path} is of another meter, {kept.meter!r}, and this is {identity!r}")
    if not kept.fit:
        raise _not_verified(f"{path} says that it was found unfit on {kept.taken:%Y-%m-%d}")
    age = now - kept.taken
    if age < -AHEAD:
        raise _not_verified(f"{path} is of {kept.taken:%Y-%m-%d}, after today: look at the clock")
    if age > timedelta(seconds=within_s):
        raise _not_verified(
            f"{path} is of {kept.taken:%Y-%m-%d}, {age / timedelta(days=1):.1f} d ago, and the "
            f"session asks for {within_s / 86400:g} d at the most"
        )
    return kept


def _not_verified(why: str) -> Fault:
    return Fault(
        "meter_not_verified",
        f"meter: the session requires a recent verification, and {why}. Check the meter with "
        "benchrig verify-meter and a reference resistor",
    )
