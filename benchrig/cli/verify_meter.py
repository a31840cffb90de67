"""``benchrig verify-meter``: a reference resistor in place of the board."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from benchrig.cli.say import say
from benchrig.cli.signals import stop_on_signals
from benchrig.clock import StopRequest
from benchrig.errors import Fault, FileProblem, FileProblems, UsageError

if TYPE_CHECKING:
    from benchrig.clock import Clock
    from benchrig.session import BenchFile
    from benchrig.verification import Check
    from benchrig.verifying import Resistor, SetVoltage

CAUTION = """\
Switch the supply off, then put the reference resistor in place of the board: from the meter's
current input to the supply's other terminal, with nothing else connected, no UART lead either.
Never move a lead of a live circuit: an ammeter's input is nearly a short, and a lithium cell can
burn when it is shorted. Keep within the resistor's rated power. Follow the meter's manual and local
codes."""

UNFIT = 1
DEFAULT_ACCURACY = "0.1 %"


def _parsed(parse: Callable[[str], Any]) -> Callable[[click.Context, click.Parameter, Any], Any]:
    def callback(ctx: click.Context, parameter: click.Parameter, value: Any) -> Any:
        try:
            return tuple(map(parse, value)) if isinstance(value, tuple) else value and parse(value)
        except ValueError as error:
            raise click.BadParameter(str(error)) from None

    return callback


def _resistor(text: str) -> Resistor:
    from benchrig.verifying import parse_resistor

    return parse_resistor(text)


def _quantity(text: str, unit: str) -> float:
    from benchrig.units import parse_quantity

    value = parse_quantity(text, unit)
    if value <= 0.0:
        raise ValueError(f"{text!r} must be above zero")
    return value


@click.command(
    "verify-meter",
    short_help="Check the meter with a reference resistor.",
    epilog="Exit status: 0 fit, 1 not fit, 4 a fault, 2 wrong usage or files.",
)
@click.option(
    "--bench",
    required=True,
    type=click.Path(path_type=Path),
    metavar="BENCH",
    help="The bench file; its meter.verification names the file that is written.",
)
@click.option(
    "--resistor",
    "resistors",
    required=True,
    multiple=True,
    callback=_parsed(_resistor),
    metavar="R",
    help='Its resistance and accuracy, like "1 Mohm 0.1 %"; several, one after the other.',
)
@click.option(
    "--voltage",
    required=True,
    callback=_parsed(partial(_quantity, unit="V")),
    metavar="V",
    help='Across meter and resistor, like "3.000 V". A [supply] is set to it.',
)
@click.option(
    "--voltage-accuracy",
    callback=_parsed(partial(_quantity, unit="%")),
    metavar="SHARE",
    help=f"Its limits of error; else supply.accuracy of the bench file, else {DEFAULT_ACCURACY}.",
)
@click.option("--yes", is_flag=True, help="The resistor is in place; do not ask.")
@click.pass_context
def command(
    ctx: click.Context,
    bench: Path,
    resistors: tuple[Resistor, ...],
    voltage: float,
    voltage_accuracy: float | None,
    yes: bool,
) -> None:
    """Compare what the meter reads with what Ohm's law says, on each range that the resistor suits.

    They must agree within the combined uncertainty of both: |E_n| of 1 or less. The result is kept
    with its date, so that a session can demand a recent one.
    """
    from benchrig.session import load_bench

    file = load_bench(bench)
    path = _place(file, bench)
    if file.supply is not None and voltage > file.supply.highest_voltage:
        raise UsageError(
            f"{voltage:g} V is above the {file.supply.highest_voltage:g} V that {bench} allows"
        )
    if yes and len(resistors) > 1:
        raise UsageError("several resistors have to be changed by hand: leave out --yes")
    applied = _applied(file, voltage, voltage_accuracy)
    stop, asked = StopRequest(), iter(resistors)
    checks: list[Check] = []
    # Before signals are caught: there Ctrl-C would wait for the answer.
    first = _in_place(next(asked), applied, file, yes)
    with stop_on_signals(stop), _doubting(path):
        from benchrig.assembly import clock_for

        clock = clock_for(file, stop)
        started = clock.now()
        identity = _checked(file, clock, first, applied, checks)
    for resistor in asked:
        _in_place(resistor, applied, file, yes)
        with stop_on_signals(stop), _doubting(path):
            _checked(file, clock, resistor, applied, checks)
    from benchrig.verification import Verification, save_verification

    verification = Verification(
        meter=identity,
        taken=started,
        voltage_V=applied.voltage_V,
        voltage_accuracy=applied.accuracy,
        checks=tuple(checks),
    )
    try:
        save_verification(path, verification)
    except OSError as error:
        raise Fault("record_failed", f"the verification cannot be kept: {error}") from error
    say(_verdict(verification.fit))
    say(f"kept in {path}")
    ctx.exit(0 if verification.fit else UNFIT)


@contextmanager
def _doubting(path: Path) -> Iterator[None]:
    """What was kept earlier counts no longer once the meter reads something else than the resistor
    draws, or nothing steady: until it is checked again nobody knows which of them is wrong."""
    try:
        yield
    except Fault as fault:
        if fault.kind in ("not_the_resistor", "unsteady") and path.exists():
            aside = path.with_name(f"{path.name}.withdrawn")
            path.replace(aside)
            say(f"what {path} said before does not count until this is cleared: it is now {aside}")
        raise


def _place(file: BenchFile, bench: Path) -> Path:
    """Where the result is kept, and that it can be; and that there is a sheet."""
    problems = []
    if file.meter.verification is None:
        message = 'is missing: where the result is kept; add verification = "meter.json", say'
        problems.append(FileProblem(str(bench), None, "meter.verification", message))
    if file.meter.sheet is None:
        message = "is missing: without a sheet neither shunt nor accuracy of the meter are known"
        problems.append(FileProblem(str(bench), None, "meter.sheet", message))
    if problems:
        raise FileProblems(problems)
    path = Path(file.meter.verification or "")
    if not path.parent.is_dir():
        raise UsageError(f"{path} cannot be written: there is no folder {path.parent}")
    return path


def _applied(file: BenchFile, voltage_V: float, accuracy: float | None) -> SetVoltage:
    from benchrig.units import parse_quantity
    from benchrig.verifying import SetVoltage

    if accuracy is None and file.supply is not None:
        accuracy = file.supply.accuracy
    if accuracy is None:
        say(f"voltage: {DEFAULT_ACCURACY} is assumed as its accuracy; state --voltage-accuracy")
        accuracy = parse_quantity(DEFAULT_ACCURACY, "%")
    return SetVoltage(voltage_V, accuracy)


def _in_place(resistor: Resistor, applied: SetVoltage, file: BenchFile, yes: bool) -> Resistor:
    say(CAUTION)
    if file.supply is None:
        say(f"Then set the supply to {applied.voltage_V:g} V, and switch it on.")
    try:
        if yes or click.confirm(f"Is the resistor of {resistor} in place, and nothing else?"):
            return resistor
    except click.Abort:
        say("")
    raise UsageError("the meter is checked with a resistor in place, and that was not confirmed")


def _checked(
    file: BenchFile, clock: Clock, resistor: Resistor, applied: SetVoltage, checks: list[Check]
) -> str:
    """Add the checks with one resistor; returns the meter's identity."""
    from benchrig.assembly import open_chain
    from benchrig.units import format_quantity
    from benchrig.verifying import check_resistor

    with open_chain(file, clock) as chain:
        say(f"{resistor} at {applied.voltage_V:g} V ± {100.0 * applied.accuracy:g} %:")
        used = []
        for check in check_resistor(chain, resistor, applied):
            checks.append(check)
            used.append(check.full_scale_A)
            say(_line(check))
            if check.is_blunt:
                share = f"{100.0 * check.unseen_share:.2g} %"
                say(f"        resistor and voltage hide an error of up to {share} of the current")
        left = [entry for entry in chain.meter.ranges if entry.full_scale_A not in used]
        if left:
            names = ", ".join(format_quantity(entry.full_scale_A, "A", 2) for entry in left)
            say(f"    not checked by it: the ranges {names}")
        return chain.meter.instrument.identity


def _line(check: Check) -> str:
    from benchrig.figures import with_uncertainty
    from benchrig.units import format_quantity

    scale = format_quantity(check.full_scale_A, "A", 2)
    read = with_uncertainty(check.read_A, check.read_uncertainty_A, "A")
    expected = with_uncertainty(check.expected_A, check.expected_uncertainty_A, "A")
    word = "agrees" if check.agrees else "DOES NOT AGREE"
    return (
        f"    {scale} range: reads {read}, expected {expected}, "
        f"E_n {check.normalised_error:+.2f}: {word}"
    )


def _verdict(fit: bool) -> str:
    if fit:
        return "the meter is fit: it agrees on every range that was checked"
    return (
        "the meter is NOT FIT: look at resistor, voltage and leads, and check again; if it stays, "
        "have the meter calibrated"
    )
