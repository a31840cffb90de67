"""Field types of the TOML files: quantities with units, regular expressions, bytes."""

from __future__ import annotations

import re
from collections.abc import Callable
from typing import Annotated, Any, Literal

from pydantic import AfterValidator, BaseModel, BeforeValidator, ConfigDict, Field, PlainSerializer

from benchrig.units import parse_quantity


class FileModel(BaseModel):
    """A table of a TOML file: frozen, and strict about keys and types."""

    model_config = ConfigDict(extra="forbid", frozen=True, strict=True, allow_inf_nan=False)


def _quantity(unit: str) -> Callable[[Any], float]:
    def parse(value: Any) -> float:
        return parse_quantity(value, unit)

    return parse


def _positive(value: float) -> float:
    if value <= 0:
        raise ValueError("must be above zero")
    return value


def _not_negative(value: float) -> float:
    if value < 0:
        raise ValueError("must not be negative")
    return value


NOT_NEGATIVE = AfterValidator(_not_negative)
POSITIVE = AfterValidator(_positive)

Current = Annotated[float, BeforeValidator(_quantity("A"))]
Voltage = Annotated[float, BeforeValidator(_quantity("V")), NOT_NEGATIVE]
Duration = Annotated[float, BeforeValidator(_quantity("s")), NOT_NEGATIVE]
Frequency = Annotated[float, BeforeValidator(_quantity("Hz")), POSITIVE]
Capacitance = Annotated[float, BeforeValidator(_quantity("F")), NOT_NEGATIVE]
Resistance = Annotated[float, BeforeValidator(_quantity("Ω")), NOT_NEGATIVE]
Share = Annotated[float, BeforeValidator(_quantity("%")), NOT_NEGATIVE]
PositiveCurrent = Annotated[Current, POSITIVE]
PositiveVoltage = Annotated[Voltage, POSITIVE]
PositiveDuration = Annotated[Duration, POSITIVE]
PositiveShare = Annotated[Share, POSITIVE]


def _regex(value: Any) -> re.Pattern[str]:
    if isinstance(value, re.Pattern):
        return value
    if not isinstance(value, str) or not value:
        raise ValueError("must be a regular expression, like '^ready'")
    try:
        return re.compile(value)
    except re.error as error:
        raise ValueError(f"{value!r} is not a regular expression: {error}") from None


Regex = Annotated[
    re.Pattern[str], BeforeValidator(_regex), PlainSerializer(lambda pattern: pattern.pattern)
]


def _hex(value: Any) -> bytes:
    try:
        data = bytes.fromhex(value)
    except (TypeError, ValueError):
        raise ValueError(f"{value!r} is not bytes in hex, like 'A5 01 00'") from None
    if not data:
        raise ValueError("must hold at least one byte, like 'A5 01 00'")
    return data


HexBytes = Annotated[
    bytes, BeforeValidator(_hex), PlainSerializer(lambda data: data.hex(" ").upper())
]


def _hex_pattern(value: Any) -> re.Pattern[bytes]:
    if isinstance(value, re.Pattern):
        return value
    parts = value.split() if isinstance(value, str) else []
    if not parts or not all(re.fullmatch(r"\?\?|[0-9A-Fa-f]{2}", part) for part in parts):
        raise ValueError(
            f"{value!r} is not a pattern of bytes, like 'A5 ?? 01' (?? stands for any byte)"
        )
    return re.compile(
        b"".join(b"." if part == "??" else re.escape(bytes.fromhex(part)) for part in parts),
        re.DOTALL,
    )


HexPattern = Annotated[
    re.Pattern[bytes],
    BeforeValidator(_hex_pattern),
    PlainSerializer(lambda pattern: pattern.pattern.hex(" ")),
]

Name = Annotated[str, Field(pattern=r"^[A-Za-z0-9][A-Za-z0-9_.-]*$", max_length=64)]
"""A name that is safe as a part of a file name."""

Text = Annotated[str, Field(min_length=1, max_length=500)]

Ending = Literal["CR", "LF", "CRLF", "none"]
"""What ends a line on a UART."""


def _encoding(name: str) -> str:
    try:
        "".encode(name)
    except LookupError:
        raise ValueError(f"{name!r} is not an encoding; try 'utf-8' or 'latin-1'") from None
    return name


Encoding = Annotated[str, AfterValidator(_encoding)]
