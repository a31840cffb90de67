"""A sweep in words: its points, the curves through them, and how far off its data sheet it is."""

from __future__ import annotations

from collections.abc import Iterator

from benchrig.figures import exactly, with_uncertainty
from benchrig.result import CurveDeviation, FitParameter, SweepFit, SweepResult
from benchrig.row_text import point_words
from benchrig.units import format_quantity

# Of a parameter's unit its number is so many times as large in the unit that is shown.
_SHOWN = {
    "A": (1.0, "A"),
    "A/Hz": (1e6, "A/MHz"),
    "A/V": (1.0, "A/V"),
    "A/(V Hz)": (1e6, "A/(V MHz)"),
}


def fit_lines(sweep: SweepResult) -> Iterator[str]:
    """A line for each curve, and one below it for each point that it does not explain."""
    for fit in sweep.fits:
        first, second = (_parameter(each) for each in fit.parameters)
        term = {"frequency": "f", "voltage": "V", "joint": "f V"}[fit.kind]
        yield f"{_where(fit)}: {first} + {second} {term}{_tested(fit)}"
        for residual in fit.residuals:
            if not residual.fits:
                off = format_quantity(residual.residual_A, "A", 2)
                at = point_words(residual.voltage_V, residual.frequency_Hz)
                yield f"  {at} is off it by {off}, {residual.in_uncertainties:+.1f} u"
    slope = sweep.sensitivity_A_per_V
    if slope is not None:
        within = sweep.sensitivity_expanded_uncertainty_A_per_V
        yield (
            f"its dI/dV, for {sweep.state} in the session file: sensitivity = "
            f'{{ slope = "{_typed(slope)}", within = "{_typed(within or 0.0)}" }}'
        )


def _typed(slope_A_per_V: float) -> str:
    return format_quantity(slope_A_per_V, "A/V")


def _where(fit: SweepFit) -> str:
    if fit.voltage_V is not None:
        return f"at {exactly(fit.voltage_V, 'V')}"
    if fit.frequency_Hz is not None:
        return f"at {exactly(fit.frequency_Hz, 'Hz')}"
    return "over all points" if fit.kind == "joint" else "over voltage"


def _parameter(parameter: FitParameter) -> str:
    factor, unit = _SHOWN[parameter.unit]
    return with_uncertainty(factor * parameter.value, factor * parameter.expanded_uncertainty, unit)


def _tested(fit: SweepFit) -> str:
    if fit.holds is None or fit.chi_square is None:
        return " (no point is left to test it)"
    if fit.holds:
        return ""
    return f": DOES NOT HOLD (chi-square {fit.chi_square:.3g} of {fit.degrees_of_freedom})"


def deviation_line(off: CurveDeviation) -> str:
    stated = f"{off.kind} {exactly(off.stated_A, 'A')}"
    at = point_words(off.voltage_V, off.frequency_Hz)
    if off.measured_A is None or off.share is None:
        return f"data sheet at {at}: {stated}, not measured there"
    measured = with_uncertainty(off.measured_A, off.expanded_uncertainty_A, "A")
    by = f"{off.share:+.2%}, {off.in_uncertainties:+.1f} U"
    return f"data sheet at {at}: {stated}, is {measured}: {by}"
