"""What commands have in common that show results: their options, and the writing of files."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import wraps
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from benchrig.cli.life import quantity
from benchrig.errors import UsageError

if TYPE_CHECKING:
    from benchrig.pages.document import Document
    from benchrig.pages.life_part import Lifetime, NoLifetime
    from benchrig.pages.measured import Measured

CELLS = (
    "Cells: lithium cells can vent and burn when they are shorted, heated or charged wrongly; "
    "never charge a primary cell. A life is an estimate from stated values, not a promise."
)


@dataclass(frozen=True)
class LifeOptions:
    profile: Path | None
    cell: Path | None
    target_s: float | None
    probability: float
    seed: int


def results_options(function: Callable[..., None]) -> Any:
    """The results, and what a battery life is computed of; as `results` and `options`."""
    file = click.Path(path_type=Path)

    @wraps(function)  # its options as well
    def wrapped(
        results: tuple[Path, ...],
        profile: Path | None,
        cell: Path | None,
        target: float | None,
        probability: float,
        seed: int,
        **others: Any,
    ) -> None:
        options = LifeOptions(profile, cell, target, probability, seed)
        function(results=results, options=options, **others)

    for decorator in (
        click.option(
            "--seed",
            type=click.IntRange(min=0),
            default=1,
            show_default=True,
            metavar="N",
            help="Of the simulated products: the same seed gives the same figures.",
        ),
        click.option(
            "--probability",
            default="95 %",
            show_default=True,
            callback=quantity("%"),
            metavar="SHARE",
            help="With which a target must be reached to count as met.",
        ),
        click.option(
            "--target",
            callback=quantity("s"),
            metavar="TIME",
            help='How long the product should last, like "10 years".',
        ),
        click.option("--cell", type=file, metavar="CELL", help="The cell file, with --profile."),
        click.option(
            "--profile",
            type=file,
            metavar="PROFILE",
            help="How the product spends its time: adds its battery life.",
        ),
        click.argument("results", type=file, nargs=-1, required=True, metavar="RESULT..."),
    ):
        wrapped = decorator(wrapped)
    return wrapped


@dataclass(frozen=True)
class Loaded:
    measured: tuple[Measured, ...]
    lifetime: Lifetime | NoLifetime | None

    @property
    def document(self) -> Document:
        from benchrig.pages.report import document

        return document(self.measured, self.lifetime)


def load(results: tuple[Path, ...], options: LifeOptions) -> Loaded:
    """Raises `FileProblems`, and `UsageError` for options that do not go together."""
    from benchrig.pages.life_part import lifetime_of
    from benchrig.pages.measured import load_measured
    from benchrig.records.results import refuse_repeated

    if (options.profile is None) != (options.cell is None):
        raise UsageError("--profile and --cell go together: name both, or none of them")
    if options.target_s is not None and options.profile is None:
        raise UsageError("--target needs --profile and --cell: a battery life is aimed at it")
    if not 0.5 < options.probability < 1.0:
        raise UsageError("--probability must be above 50 % and below 100 %")
    measured = tuple(load_measured(path) for path in results)
    refuse_repeated((str(path), each.result) for path, each in zip(results, measured, strict=True))
    if options.profile is None or options.cell is None:
        return Loaded(measured, None)
    lifetime = lifetime_of(
        options.profile,
        options.cell,
        measured,
        options.target_s,
        options.probability,
        options.seed,
    )
    return Loaded(measured, lifetime)


def write(path: Path, text: str) -> None:
    """Raises `UsageError` where no such file can be written."""
    from benchrig.files import write_atomically

    try:
        write_atomically(path, text)
    except OSError as error:
        raise UsageError(f"{path} cannot be written: {error.strerror}; name another") from None
