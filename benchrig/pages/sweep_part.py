"""The section on one sweep: the points, the curves through them, and a data sheet beside them."""

from __future__ import annotations

from collections.abc import Iterator
from functools import partial
from typing import TYPE_CHECKING

from benchrig.figures import exactly, with_uncertainty
from benchrig.pages.document import (
    REMARKS,
    VERDICT,
    Block,
    Plot,
    Section,
    Table,
    Text,
    columns,
    number,
)
from benchrig.result import CurveDeviation, FitParameter, SweepFit, SweepPoint, SweepResult
from benchrig.row_text import fault_words, limit_words, reason_words, value_words
from benchrig.units import format_quantity

if TYPE_CHECKING:
    from matplotlib.figure import Figure as Drawing

_KINDS = {"frequency": "against frequency", "voltage": "against voltage", "joint": "static + k f V"}
# How many times as large the number of a parameter is in the unit that it is shown in.
_SHOWN = {
    "A": (1.0, "A"),
    "A/Hz": (1e6, "A/MHz"),
    "A/V": (1.0, "A/V"),
    "A/(V Hz)": (1e6, "A/(V MHz)"),
}


def sweep_section(sweep: SweepResult) -> Section:
    blocks: list[Block] = []
    if sweep.fault is not None:
        blocks.append(Text(f"The sweep has a fault. {fault_words(sweep.fault)}", "warning"))
    blocks += _fit_doubts(sweep)
    if any(point.row.current_A is not None for point in sweep.points):
        blocks.append(
            Plot(
                f"sweep-{sweep.name}",
                f"{sweep.name}: {sweep.state} over {_over(sweep)}",
                "Points as measured with their uncertainty, lines as fitted, dotted those of "
                "static + k f V; the tables below have the same figures.",
                partial(_draw_sweep, sweep),
            )
        )
    if sweep.points:
        blocks.append(_points(sweep))
    if sweep.fits:
        blocks += [_fits(sweep), *_residual_plots(sweep), _residuals(sweep)]
    if sweep.sensitivity_A_per_V is not None:
        uncertainty = sweep.sensitivity_expanded_uncertainty_A_per_V
        told = with_uncertainty(sweep.sensitivity_A_per_V, uncertainty, "A")
        blocks.append(Text(f"Sensitivity at the nominal clock: {told}/V."))
    if sweep.deviations:
        blocks.append(_deviations(sweep))
    return Section(f"Sweep {sweep.name}", tuple(blocks), sweep.verdict)


def _over(sweep: SweepResult) -> str:
    swept = [point.frequency_Hz is not None for point in sweep.points]
    return "supply voltage and clock frequency" if any(swept) else "supply voltage"


def _draw_sweep(sweep: SweepResult) -> Drawing:
    from benchrig.pages.sweep_plots import draw_sweep

    return draw_sweep(sweep)


def _residual_plots(sweep: SweepResult) -> Iterator[Plot]:
    """Of the curve over all points: the joint one, or that against voltage alone."""
    swept = any(point.frequency_Hz is not None for point in sweep.points)
    for fit in sweep.fits:
        if fit.residuals and fit.kind == ("joint" if swept else "voltage"):
            yield Plot(
                f"residuals-{sweep.name}",
                f"{sweep.name}: what its points lie above {_fit_words(fit)}",
                "Scattered about the dashed line of zero where the curve describes the board; a "
                "pattern in them is what it does not describe. The table below has the figures.",
                partial(_draw_residuals, fit),
            )


def _draw_residuals(fit: SweepFit) -> Drawing:
    from benchrig.pages.sweep_plots import draw_residuals

    return draw_residuals(fit)


def _fit_doubts(sweep: SweepResult) -> Iterator[Text]:
    for fit in sweep.fits:
        if fit.holds is False:
            yield Text(
                f"The curve {_fit_words(fit)} does not describe the board: its residuals are "
                "larger than the uncertainties allow, so its parameters say little.",
                "warning",
            )


def _fit_words(fit: SweepFit) -> str:
    at = []
    if fit.voltage_V is not None:
        at.append(f"at {exactly(fit.voltage_V, 'V')}")
    if fit.frequency_Hz is not None:
        at.append(f"at {exactly(fit.frequency_Hz, 'Hz')}")
    return " ".join([_KINDS[fit.kind], *at])


def frequency_words(frequency_Hz: float | None) -> str:
    return "-" if frequency_Hz is None else exactly(frequency_Hz, "Hz")


def _points(sweep: SweepResult) -> Table:
    names = columns(
        "point",
        number("supply"),
        number("clock"),
        number("current ± U"),
        number("limits"),
        VERDICT,
        REMARKS,
    )
    return Table(
        "Points of the sweep",
        names,
        tuple(_point_cells(number, point) for number, point in enumerate(sweep.points, start=1)),
    )


def _point_cells(number: int, point: SweepPoint) -> tuple[str, ...]:
    return (
        str(number),
        exactly(point.voltage_V, "V"),
        frequency_words(point.frequency_Hz),
        value_words(point.row),
        limit_words(point.row),
        point.row.verdict,
        reason_words(point.row),
    )


def _fits(sweep: SweepResult) -> Table:
    names = columns(
        "curve",
        number("static part ± U"),
        number("slope ± U"),
        number("chi-square"),
        number("degrees of freedom"),
        number("probability"),
        "holds",
    )
    return Table("Curves fitted to the points", names, tuple(_fit_cells(fit) for fit in sweep.fits))


def _fit_cells(fit: SweepFit) -> tuple[str, ...]:
    static, slope = [*(_parameter(each) for each in fit.parameters), "-", "-"][:2]
    probability = fit.probability
    return (
        _fit_words(fit),
        static,
        slope,
        "-" if fit.chi_square is None else f"{fit.chi_square:.3g}",
        "-" if fit.degrees_of_freedom is None else str(fit.degrees_of_freedom),
        "-" if probability is None else "< 0.001" if probability < 1e-3 else f"{probability:.3f}",
        {None: "cannot be told", True: "yes", False: "NO"}[fit.holds],
    )


def _parameter(each: FitParameter) -> str:
    factor, unit = _SHOWN[each.unit]
    return with_uncertainty(factor * each.value, factor * each.expanded_uncertainty, unit)


def _residuals(sweep: SweepResult) -> Table:
    rows = [
        (
            _fit_words(fit),
            exactly(each.voltage_V, "V"),
            frequency_words(each.frequency_Hz),
            format_quantity(each.residual_A, "A", 3),
            f"{each.in_uncertainties:+.2f}",
            "yes" if each.fits else "NO",
        )
        for fit in sweep.fits
        for each in fit.residuals
    ]
    names = columns(
        "curve",
        number("supply"),
        number("clock"),
        number("point above curve"),
        number("in standard uncertainties"),
        "fits",
    )
    return Table(
        "Residuals: what the points lie above their curves",
        names,
        tuple(rows),
    )


def _deviations(sweep: SweepResult) -> Table:
    names = columns(
        "point",
        number("supply"),
        number("clock"),
        number("stated"),
        "kind",
        number("measured ± U"),
        number("off by"),
        number("off by, in U"),
    )
    source = "" if sweep.data_sheet is None else f" {sweep.data_sheet}"
    return Table(
        f"Beside the data sheet{source}",
        names,
        tuple(_deviation_cells(n, each) for n, each in enumerate(sweep.deviations, start=1)),
    )


def _deviation_cells(number: int, each: CurveDeviation) -> tuple[str, ...]:
    measured = "not measured"
    if each.measured_A is not None:
        measured = with_uncertainty(each.measured_A, each.expanded_uncertainty_A, "A")
    return (
        str(number),
        exactly(each.voltage_V, "V"),
        frequency_words(each.frequency_Hz),
        exactly(each.stated_A, "A"),
        each.kind,
        measured,
        "-" if each.share is None else f"{100 * each.share:+.2f} %",
        "-" if each.in_uncertainties is None else f"{each.in_uncertainties:+.2f}",
    )
