"""The curve file: what the data sheet of a board says of its current, point by point."""

from __future__ import annotations

from typing import Annotated, ClassVar, Literal

from pydantic import Field

from benchrig.session.fields import (
    FileModel,
    Frequency,
    Name,
    PositiveCurrent,
    PositiveVoltage,
    Text,
)
from benchrig.session.toml_file import TomlFile


class CurvePoint(FileModel):
    """The stated current of a state at a supply voltage and, where it has a clock, a frequency."""

    state: Name
    voltage: PositiveVoltage
    frequency: Frequency | None = None
    current: PositiveCurrent
    kind: Literal["typical", "max"] = "typical"


class CurveFile(TomlFile):
    FORMAT: ClassVar[str] = "benchrig/curve/1"

    format: Literal["benchrig/curve/1"]
    name: Text
    points: Annotated[tuple[CurvePoint, ...], Field(min_length=1, strict=False)]
