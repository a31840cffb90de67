"""Field types of the TOML files: quantities with units, regular expressions, bytes."""

from __future__ import annotations

import re
import warnings
from collections.abc import Callable, Iterator
from types import MappingProxyType
from typing import Annotated, Any, AnyStr, Literal, Self

from pydantic import (
    AfterValidator,
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Field,
    PlainSerializer,
    ValidationInfo,
    ValidatorFunctionWrapHandler,
    WithJsonSchema,
    WrapValidator,
    field_validator,
    model_validator,
)
from pydantic.functional_validators import ModelWrapValidatorHandler

from benchrig.session.toml_lines import KeyPath
from benchrig.units import EXAMPLES, Toleranced, parse_quantity, parse_toleranced

CHECKS_LATER = object()
"""The context of a validation whose caller runs the `checks` of all tables by itself."""


class _Unknown:
    """Stands for a value that was found wrong, so that the rest can still be checked.

    It compares false with everything, is never None, and whatever is in it is unknown too:
    checks stay silent about it.
    """

    def __getattr__(self, name: str) -> Any:
        if name.startswith("__"):
            raise AttributeError(name)
        return self

    def __iter__(self) -> Iterator[Any]:
        return iter(())

    def __len__(self) -> int:
        return 0

    def __eq__(self, other: object) -> bool:
        return False

    __ne__ = __lt__ = __le__ = __gt__ = __ge__ = __eq__

    def __hash__(self) -> int:
        return 0


UNKNOWN: Any = _Unknown()


def _unless_unknown(value: Any, validate: ValidatorFunctionWrapHandler) -> Any:
    return value if value is UNKNOWN else validate(value)


class FileModel(BaseModel):
    """A table of a TOML file: frozen, and strict about keys and types."""

    model_config = ConfigDict(extra="forbid", frozen=True, strict=True, allow_inf_nan=False)

    _field_unless_unknown = field_validator("*", mode="wrap")(_unless_unknown)

    @model_validator(mode="wrap")
    @classmethod
    def _table_unless_unknown(cls, value: Any, validate: ModelWrapValidatorHandler[Self]) -> Self:
        return UNKNOWN if value is UNKNOWN else validate(value)

    def checks(self) -> Iterator[tuple[KeyPath, str]]:
        """What is wrong between the values of this table: the key to blame, and a sentence.
        Values may be `UNKNOWN`."""
        yield from ()

    @model_validator(mode="after")
    def _checked(self, info: ValidationInfo) -> Self:
        if info.context is not CHECKS_LATER:
            for path, message in self.checks():
                raise ValueError(f"{'.'.join(map(str, path))} {message}")
        return self


# Beyond these it is a mistake, and the arithmetic would suffer: in the base unit, and 30 years.
_LEAST, _MOST, _LONGEST_S = 1e-18, 1e12, 1e9


def _within_reason(parsed: float, value: Any, unit: str) -> None:
    if parsed and not _LEAST <= abs(parsed) <= (_LONGEST_S if unit == "s" else _MOST):
        raise ValueError(f"{value!r} is beyond all that is measured here; look at its prefix")


def _quantity(unit: str) -> Callable[[Any], float]:
    def parse(value: Any) -> float:
        parsed = parse_quantity(value, unit)
        _within_reason(parsed, value, unit)
        return parsed

    return parse


def _example(text: str) -> WithJsonSchema:
    """What a message shows where the key is missing."""
    return WithJsonSchema({"type": "string", "examples": [text]})


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

Current = Annotated[float, BeforeValidator(_quantity("A")), _example(EXAMPLES["A"])]
ElectricCharge = Annotated[float, BeforeValidator(_quantity("C")), _example(EXAMPLES["C"])]
Voltage = Annotated[float, BeforeValidator(_quantity("V")), NOT_NEGATIVE, _example(EXAMPLES["V"])]
Duration = Annotated[float, BeforeValidator(_quantity("s")), NOT_NEGATIVE, _example(EXAMPLES["s"])]
Frequency = Annotated[float, BeforeValidator(_quantity("Hz")), POSITIVE, _example(EXAMPLES["Hz"])]
Capacitance = Annotated[
    float, BeforeValidator(_quantity("F")), NOT_NEGATIVE, _example(EXAMPLES["F"])
]
Resistance = Annotated[
    float, BeforeValidator(_quantity("Ω")), NOT_NEGATIVE, _example(EXAMPLES["Ω"])
]
Temperature = Annotated[
    float, BeforeValidator(_quantity("°C")), Field(gt=-273.15), _example(EXAMPLES["°C"])
]
Slope = Annotated[float, BeforeValidator(_quantity("A/V")), _example(EXAMPLES["A/V"])]
Share = Annotated[float, BeforeValidator(_quantity("%")), NOT_NEGATIVE, _example(EXAMPLES["%"])]
PositiveCurrent = Annotated[Current, POSITIVE]
PositiveVoltage = Annotated[Voltage, POSITIVE]
PositiveDuration = Annotated[Duration, POSITIVE]
PositiveShare = Annotated[Share, POSITIVE]


def _toleranced(unit: str, *, above: bool = False) -> BeforeValidator:
    """A quantity with a tolerance: not negative, or `above` zero with all of its tolerance."""

    def parse(text: Any) -> Toleranced:
        found = parse_toleranced(text, unit)
        _within_reason(found.value, text, unit)
        (_positive if above else _not_negative)(found.value)
        if above and found.within >= found.value:
            raise ValueError(f"{text!r} may be zero or less; its tolerance must be smaller than it")
        return found

    return BeforeValidator(parse)


AboutDuration = Annotated[Toleranced, _toleranced("s", above=True), _example("3 s +- 0.5 s")]
AboutRate = Annotated[Toleranced, _toleranced("1/s", above=True), _example("6 /h +- 1 /h")]
AboutShare = Annotated[Toleranced, _toleranced("%", above=True), _example("5 % +- 1 %")]
AboutLoss = Annotated[Toleranced, _toleranced("%"), _example("1 % +- 0.5 %")]
AboutCurrent = Annotated[Toleranced, _toleranced("A"), _example("600 nA +- 10 nA")]
AboutCharge = Annotated[Toleranced, _toleranced("C"), _example("12 uC +- 1 uC")]
AboutCapacity = Annotated[Toleranced, _toleranced("C", above=True), _example("220 mAh +- 5 %")]


def compiled(pattern: AnyStr) -> re.Pattern[AnyStr]:
    """Raises `ValueError` for what is none, and for what a later Python may read otherwise."""
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("error")
            return re.compile(pattern)
    except (re.error, Warning, OverflowError, RecursionError) as error:
        raise ValueError(f"{pattern!r} is not a regular expression: {error}") from None


def _regex(value: Any) -> re.Pattern[str]:
    if isinstance(value, re.Pattern):
        return value
    if not isinstance(value, str) or not value:
        raise ValueError("must be a regular expression, like '^ready'")
    return compiled(value)


Regex = Annotated[
    re.Pattern[str],
    BeforeValidator(_regex),
    PlainSerializer(lambda pattern: pattern.pattern),
    _example("^ready"),
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
    bytes,
    BeforeValidator(_hex),
    PlainSerializer(lambda data: data.hex(" ").upper()),
    _example("A5 01 00"),
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
    _example("A5 ?? 01"),
]

Name = Annotated[str, Field(pattern=r"^[A-Za-z0-9][A-Za-z0-9_.-]*$", max_length=64)]
"""A name that is safe as a part of a file name."""

StateName = Annotated[str, WrapValidator(_unless_unknown)]
"""A state, named where it is used; whether it is defined is told apart."""

# A table whose keys are the user's own: as frozen as the model that it is in.
FROZEN = (AfterValidator(MappingProxyType), PlainSerializer(dict))

Text = Annotated[str, Field(min_length=1, max_length=500)]

Ending = Literal["CR", "LF", "CRLF", "none"]
"""What ends a line on a UART."""


_ASCII = "".join(map(chr, range(128)))


def _encoding(name: str) -> str:
    try:
        usable = _ASCII.encode(name) == _ASCII.encode("ascii")
    except (LookupError, ValueError):
        usable = False
    if not usable:
        # Line endings are looked for as the bytes that they are in ASCII.
        raise ValueError("must be an encoding that holds ASCII, like 'utf-8' or 'latin-1'")
    return name


Encoding = Annotated[str, AfterValidator(_encoding)]
