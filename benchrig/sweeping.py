"""One sweep: which points, what is asked of each, and the curves through what was measured."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace

from benchrig.bench import Bench
from benchrig.drivers.meter_ranges import MeterRange
from benchrig.energy.curves import Curve, Point, curves_of, deviation, fit_curve
from benchrig.errors import Fault
from benchrig.measurement import (
    Budget,
    Sensitivity,
    Stated,
    contribution,
    corrected_for_burden,
)
from benchrig.measurement.contributions import RECTANGULAR
from benchrig.result import (
    CurveDeviation,
    FaultRecord,
    FitParameter,
    FitResidual,
    StateResult,
    SweepFit,
    SweepPoint,
    SweepResult,
    worst,
)
from benchrig.session.curve_file import CurvePoint
from benchrig.session.session_file import State
from benchrig.session.steps import Sweep, grid

# Points of a data sheet are those of a sweep if they are the same to the last digits.
SAME = 1e-6

_PARAMETERS = {"frequency": "per_hertz", "voltage": "per_volt", "joint": "per_volt_hertz"}
_UNITS = {"frequency": "A/Hz", "voltage": "A/V", "joint": "A/(V Hz)"}


@dataclass(frozen=True)
class _Measured:
    """A point with its budget, at the voltage `board_V` at the board, behind a range."""

    point: Point
    board_V: float | None
    range: MeterRange


class Sweeping:
    """Keeps what a sweep has measured; moves the board where it is asked to."""

    def __init__(self, bench: Bench, sweep: Sweep) -> None:
        self._bench = bench
        self._sweep = sweep
        self._state = bench.state(sweep.state)
        self._points: list[SweepPoint] = []
        self._measured: list[_Measured] = []

    @property
    def plan(self) -> tuple[tuple[float, float | None], ...]:
        return tuple(grid(self._bench.session.board, self._sweep))

    def tell_left_out(self) -> None:
        """Which points of the grid the board's limits forbid."""
        sweep = self._sweep
        left = max(len(sweep.voltages), 1) * max(len(sweep.frequencies), 1) - len(self.plan)
        if left:
            points = "1 point" if left == 1 else f"{left} points"
            self._bench.log.tell(
                "left_out", f"{sweep.name}: {points} beyond board.operating_limits", points=left
            )

    def state_at(self, voltage_V: float, frequency_Hz: float | None) -> State:
        """The state with the limit of a point. What was declared at the nominal voltage holds there
        alone, and that nothing wakes the board has been verified."""
        limit = self._sweep.limit_at(voltage_V, frequency_Hz)
        update = {"limit": limit, "sensitivity": None, "must_not_wake": ()}
        return self._state.model_copy(update=update)

    def arrive(self, voltage_V: float, frequency_Hz: float | None) -> None:
        """Raises as `Operating.go` does."""
        self._bench.operating.go(voltage_V, frequency_Hz)
        self._bench.forget_awake()

    def add(self, voltage_V: float, frequency_Hz: float | None, row: StateResult) -> None:
        self._points.append(SweepPoint(voltage_V=voltage_V, frequency_Hz=frequency_Hz, row=row))
        budget = self._bench.budgets.get(row.name)
        if budget is None or row.verdict == "fault" or not budget.standard_uncertainty > 0.0:
            return
        scale_A = row.range_A or 0.0
        # Without a sheet a range may have turned out to be another one since.
        ranges = self._bench.meter.ranges
        entry = min(ranges, key=lambda each: abs(each.full_scale_A - scale_A))
        point = Point(voltage_V, frequency_Hz, budget)
        self._measured.append(_Measured(point, row.board_voltage_V, entry))

    def result(self, fault: Fault | None = None) -> SweepResult:
        sweep, board, sheet = self._sweep, self._bench.session.board, self._bench.data_sheet
        points = list(self._at_the_supply())
        curves = curves_of(points)
        nominal = [
            curve for _, at_Hz, curve in curves if curve.kind == "voltage" and at_Hz == board.clock
        ]
        slope = nominal[0].parameters[1] if nominal else None
        stated = [] if sheet is None else [p for p in sheet.points if p.state == sweep.state]
        verdicts = [point.row.verdict for point in self._points]
        return SweepResult(
            name=sweep.name,
            state=sweep.state,
            verdict="fault" if fault is not None else worst(verdicts),
            points=tuple(self._points),
            fits=tuple(_fit(at_V, at_Hz, curve) for at_V, at_Hz, curve in curves),
            sensitivity_A_per_V=None if slope is None else slope.value,
            sensitivity_expanded_uncertainty_A_per_V=(
                None if slope is None else slope.expanded_uncertainty
            ),
            data_sheet=None if sheet is None else sheet.name,
            deviations=tuple(_deviation(entry, points) for entry in stated),
            fault=None if fault is None else FaultRecord(kind=fault.kind, message=fault.message),
        )

    # -- the burden -------------------------------------------------------------------------

    def _at_the_supply(self) -> Iterator[Point]:
        """The points as they would be with no shunt in the line. How the current changes with the
        voltage is known from the points at other voltages and the same clock."""
        clocks_Hz = {measured.point.frequency_Hz for measured in self._measured}
        slopes = {clock_Hz: self._slope(clock_Hz) for clock_Hz in clocks_Hz}
        for measured in self._measured:
            slope = slopes[measured.point.frequency_Hz]
            current = measured.point.current
            if measured.board_V is None or slope is None:
                current = _uncorrected(measured, self._bench.pricing.supply_share)
            else:
                line = self._bench.pricing.supply_line(measured.range, measured.point.voltage_V)
                current = corrected_for_burden(current, line, slope)
            yield replace(measured.point, current=current)

    def _slope(self, frequency_Hz: float | None) -> Sensitivity | None:
        """dI/dV at the board, at one clock."""
        at_board = [
            Point(each.board_V, frequency_Hz, each.point.current)
            for each in self._measured
            if each.point.frequency_Hz == frequency_Hz and each.board_V is not None
        ]
        if len({point.voltage_V for point in at_board}) < 2:
            return None
        slope = fit_curve("voltage", at_board).parameters[1]
        return Sensitivity(slope.value, slope.standard_uncertainty, slope.dof, "A")


def _uncorrected(measured: _Measured, supply_share: float) -> Budget:
    """Where nothing tells dI/dV, the board is taken for a resistor at the most: what it draws would
    be larger by I R/V, and off by what the supply is."""
    current = measured.point.current
    taken = abs(current.value) * measured.range.shunt_ohm / measured.point.voltage_V
    half_A = abs(current.value) * (taken + supply_share)
    bound = Stated("voltage at the board", 0.0, half_A, "A", RECTANGULAR)
    line = contribution("voltage, not corrected", bound, statement="voltage, not corrected")
    return Budget(current.value, (*current.contributions, line))


def _fit(voltage_V: float | None, frequency_Hz: float | None, curve: Curve) -> SweepFit:
    static, slope = curve.parameters
    return SweepFit(
        kind=curve.kind,
        voltage_V=voltage_V,
        frequency_Hz=frequency_Hz,
        parameters=(
            _parameter("static", "A", static),
            _parameter(_PARAMETERS[curve.kind], _UNITS[curve.kind], slope),
        ),
        chi_square=curve.chi_square,
        degrees_of_freedom=curve.degrees_of_freedom,
        probability=curve.probability,
        holds=curve.holds,
        residuals=tuple(
            FitResidual(
                voltage_V=each.point.voltage_V,
                frequency_Hz=each.point.frequency_Hz,
                residual_A=each.residual_A,
                in_uncertainties=each.in_uncertainties,
                fits=each.fits,
            )
            for each in curve.residuals
        ),
    )


def _parameter(name: str, unit: str, fitted: Budget) -> FitParameter:
    uncertainty = fitted.expanded_uncertainty
    return FitParameter.model_validate(
        {"name": name, "value": fitted.value, "expanded_uncertainty": uncertainty, "unit": unit}
    )


def _deviation(stated: CurvePoint, points: list[Point]) -> CurveDeviation:
    measured = next((point for point in points if _is_same(point, stated)), None)
    off = None if measured is None else deviation(measured.current, stated.current)
    return CurveDeviation(
        voltage_V=stated.voltage,
        frequency_Hz=stated.frequency,
        kind=stated.kind,
        stated_A=stated.current,
        measured_A=None if measured is None else measured.current.value,
        expanded_uncertainty_A=(
            None if measured is None else measured.current.expanded_uncertainty
        ),
        share=None if off is None else off.share,
        in_uncertainties=None if off is None else off.in_uncertainties,
    )


def _is_same(point: Point, stated: CurvePoint) -> bool:
    """A data sheet that names no frequency means that of the board."""
    close = math.isclose(point.voltage_V, stated.voltage, rel_tol=SAME)
    if stated.frequency is None or point.frequency_Hz is None:
        return close and stated.frequency is None
    return close and math.isclose(point.frequency_Hz, stated.frequency, rel_tol=SAME)
