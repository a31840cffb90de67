"""Sweeps on simulated benches: true currents at every point, true parameters of the curves, and a
board that is back at its nominal point whatever goes wrong."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import jsonschema
import pytest

from benchrig import run_session
from benchrig.assembly import load_files
from benchrig.errors import FileProblems, Interrupted
from benchrig.events import Event, Happened, SessionEnded, StateEnded
from benchrig.records.replaying import replay
from benchrig.records.schema import result_schema
from benchrig.result import SessionResult, SweepFit, SweepResult
from benchrig.session import Session
from benchrig.session.session_file import Ratio
from benchrig.simulation.circuit import CONTACT_OHM
from benchrig.simulation.currents import settled_mean_A
from tests.benches import BENCH, FIXTURES, SHEET, WITHOUT_SUPPLY, Rig, board_file, rig, with_supply
from tests.recordings import record
from tests.stepping import CURVE, WEIGHING, WHOLE, points_on_the_way, session, set_voltage_V, sweep

SMALL = sweep(CURVE, voltages=(2.7, 3.0, 3.3), frequencies=(1e6, 4e6, 8e6))
BY_VOLTAGE = sweep(CURVE, voltages=(2.4, 3.0, 3.3), frequencies=())


def swept(made: Rig, *listeners: Any) -> tuple[SessionResult, SweepResult]:
    result = made.run(*listeners)
    (only,) = result.sweeps
    return result, only


def on_nth(kind: str, number: int, act: Any) -> Any:
    """A listener that acts when the log tells of `kind` for the nth time."""
    seen = []

    def listen(event: Event) -> None:
        if isinstance(event, Happened) and event.kind == kind:
            seen.append(event)
            if len(seen) == number:
                act()

    return listen


def true_A(voltage_V: float, frequency_Hz: float, shunt_ohm: float, state: str = "idle") -> float:
    """With the board's port open, so that its transmit line feeds it."""
    board = board_file()
    return settled_mean_A(
        board,
        board.state(state),
        supply_V=voltage_V,
        series_ohm=CONTACT_OHM + shunt_ohm,
        clock_Hz=frequency_Hz,
        driven=("tx",),
    )


def fit_of(found: SweepResult, kind: str, **at: float) -> SweepFit:
    (fit,) = (
        fit
        for fit in found.fits
        if fit.kind == kind and all(getattr(fit, key) == value for key, value in at.items())
    )
    return fit


def test_points_and_parameters_hold_the_truth() -> None:
    misses, count = [], 0
    for seed in range(1, 9):
        made = rig(session=session(sweeps=(SMALL,)), seed=seed)
        _, found = swept(made)
        assert len(found.points) == 9, seed
        held: list[tuple[float, float | None, float | None]] = []
        for point in found.points:
            assert point.frequency_Hz is not None
            entry = next(e for e in SHEET.ranges if e.full_scale == point.row.range_A)
            true = true_A(point.voltage_V, point.frequency_Hz, entry.shunt_ohm)
            held.append((true, point.row.current_A, point.row.expanded_uncertainty_A))
        for fit in found.fits:
            if fit.kind == "joint":
                continue
            first, second = fit.parameters
            fixed = fit.voltage_V or fit.frequency_Hz or 0.0
            static, slope = straight_line(fit.kind, fixed)
            held.append((static, first.value, first.expanded_uncertainty))
            held.append((slope, second.value, second.expanded_uncertainty))
            assert fit.holds is not False, (seed, fit)
        for true, value, uncertainty in held:
            assert value is not None
            assert uncertainty is not None
            count += 1
            if abs(value - true) > uncertainty:
                misses.append((seed, true, value, uncertainty))
    assert count == 8 * (9 + 12)
    assert len(misses) <= 0.06 * count, misses


def straight_line(kind: str, fixed: float) -> tuple[float, float]:
    """The true curve of idle at the supply: it is straight in voltage and in frequency."""
    if kind == "frequency":
        low, high = true_A(fixed, 1e6, 0.0), true_A(fixed, 3e6, 0.0)
        return low - (high - low) / 2.0, (high - low) / 2e6
    low, high = true_A(2.5, fixed, 0.0), true_A(3.5, fixed, 0.0)
    return low - 2.5 * (high - low), high - low


def test_where_the_joint_model_does_not_hold_it_is_said_and_the_points_are_named() -> None:
    """The board has a conductance, which is neither static nor with the clock."""
    _, found = swept(rig(session=session(sweeps=(SMALL,))))
    fit = fit_of(found, "joint")
    assert fit.holds is False
    assert fit.degrees_of_freedom == 7
    named = [(r.voltage_V, r.frequency_Hz) for r in fit.residuals if not r.fits]
    assert (3.3, 1e6) in named
    assert (2.7, 1e6) in named
    # 30.5 uA/V times 0.3 V, shared out among the points.
    (high,) = (r for r in fit.residuals if (r.voltage_V, r.frequency_Hz) == (3.3, 1e6))
    assert 5e-6 < high.residual_A < 20e-6


def test_points_whose_burden_says_more_than_their_uncertainty_are_flagged() -> None:
    """The curves correct for it, the current of the point itself is the one at the board."""
    points = swept(rig(session=session(sweeps=(SMALL,))))[1].points
    flagged = ["burden_not_corrected" in point.row.flags for point in points]
    burdens = []
    for point in points:
        current_A, left_V = point.row.current_A or 0.0, point.row.board_voltage_V or 0.0
        # Relative to the nominal 3 V.
        changed_A = current_A * (point.voltage_V - left_V) / 3.0
        burdens.append(changed_A > (point.row.expanded_uncertainty_A or 0.0))
    assert flagged == burdens
    assert {True, False} <= set(flagged)


def test_a_board_without_conductance_is_as_the_joint_model_says() -> None:
    board = board_file()
    states = tuple(
        state.model_copy(update={"conductive": 0.0}) if state.name == "idle" else state
        for state in board.states
    )
    plain = board.model_copy(update={"states": states, "feeds": ()})
    holds = 0
    for seed in range(1, 6):
        _, found = swept(rig(session=session(sweeps=(SMALL,)), board=plain, seed=seed))
        fit = fit_of(found, "joint")
        holds += fit.holds is True
        static, slope = fit.parameters
        assert static.value == pytest.approx(300e-6, abs=2 * static.expanded_uncertainty), seed
        assert slope.value == pytest.approx(67.5e-12, abs=2 * slope.expanded_uncertainty), seed
        assert (static.unit, slope.unit) == ("A", "A/(V Hz)")
    assert holds >= 4


def test_no_pair_on_the_way_is_beyond_the_limits_and_the_nominal_point_comes_back() -> None:
    made = rig(session=WHOLE.model_copy(update={"charges": ()}), file=with_supply(at_end="on"))
    result, found = swept(made)
    way = points_on_the_way(made)
    assert all(WHOLE.board.may_run(*pair) for pair in way), way
    assert {(p.voltage_V, p.frequency_Hz) for p in found.points} <= set(way)
    assert len(found.points) == 15
    assert way[-1] == (3.0, 4e6)
    assert made.world.simulated_board.clock_Hz == 4e6
    assert set_voltage_V(made) == 3.0
    assert result.safe_end == ("meter: on its highest range", "supply: left on")
    told = [event.text for event in result.events if event.kind == "left_out"]
    assert told == ["idle_curve: 1 point beyond board.operating_limits"]


def test_the_sweep_of_a_sleep_state_proposes_its_sensitivity() -> None:
    light = sweep(CURVE, state="light_sleep", voltages=(2.7, 3.0, 3.3), frequencies=())
    made = rig(session=session(sweeps=(light,)))
    result, found = swept(made)
    slope, within = (
        found.sensitivity_A_per_V,
        found.sensitivity_expanded_uncertainty_A_per_V,
    )
    assert slope is not None
    assert within is not None
    # 1 uA/V, parked.
    assert abs(slope - 1e-6) <= within
    assert [row.name for row in result.states] == ["light_sleep"]
    assert found.points[0].frequency_Hz == 4e6  # the clock that the board has by itself


def test_limits_of_points_decide_the_verdict() -> None:
    limits = CURVE.limits[:1]
    tight = limits[0].model_copy(
        update={"limit": limits[0].limit.model_copy(update={"max": 1.1e-3, "typical": None})}
    )
    strict = SMALL.model_copy(update={"limits": (tight,)})
    result, found = swept(rig(session=session(sweeps=(strict,))))
    verdicts = {(p.voltage_V, p.frequency_Hz): p.row.verdict for p in found.points}
    assert verdicts.pop((3.0, 4e6)) == "fail"
    assert set(verdicts.values()) == {"pass"}
    assert (found.verdict, result.verdict) == ("fail", "fail")


def test_where_the_verdict_is_the_aim_a_sweep_has_its_values_all_the_same() -> None:
    asked = session(sweeps=(BY_VOLTAGE.model_copy(update={"limits": CURVE.limits}),))
    result, found = swept(rig(session=asked.aiming_at("verdict")))
    assert "verdict_only" in result.states[0].flags
    assert all(point.row.current_A is not None for point in found.points)
    assert found.sensitivity_A_per_V is not None


def test_a_clock_alone_leaves_the_burden_uncorrected_and_says_how_much_that_may_be() -> None:
    clocks = sweep(CURVE, voltages=())
    for seed in range(1, 4):
        _, found = swept(rig(session=session(sweeps=(clocks,)), seed=seed))
        fit = fit_of(found, "frequency", voltage_V=3.0)
        for true, part in zip(straight_line("frequency", 3.0), fit.parameters, strict=True):
            assert abs(part.value - true) <= part.expanded_uncertainty, (seed, true, part)
        assert found.sensitivity_A_per_V is None


def test_the_data_sheet_is_compared_point_by_point() -> None:
    result = run_session(FIXTURES / "hive-scale-sweep.session.toml", BENCH, only=["idle"])
    (found,) = result.sweeps
    assert found.data_sheet == "hive scale, data sheet (invented)"
    assert len(found.deviations) == 4
    for off in found.deviations:
        assert off.measured_A is not None
        assert off.share is not None
        assert off.in_uncertainties is not None
        assert off.expanded_uncertainty_A is not None
        true = true_A(off.voltage_V, off.frequency_Hz or 0.0, 0.0)
        assert abs(off.measured_A - true) <= off.expanded_uncertainty_A
        assert off.share == pytest.approx(off.measured_A / off.stated_A - 1.0)
        in_uncertainties = (off.measured_A - off.stated_A) / off.expanded_uncertainty_A
        assert off.in_uncertainties == pytest.approx(in_uncertainties)
    jsonschema.validate(result.model_dump(mode="json"), result_schema())


def test_the_derived_rows_are_of_the_states_as_they_were_measured_for_themselves() -> None:
    ratio = Ratio.model_validate({"name": "idle_over_sleep", "of": ["idle", "light_sleep"]})
    update = {"charges": (), "sweeps": (SMALL,), "ratios": (ratio,)}
    result, _ = swept(rig(session=WHOLE.model_copy(update=update)))
    idle, light = result.states
    (derived,) = result.derived
    assert idle.current_A is not None
    assert light.current_A is not None
    assert derived.value == pytest.approx(idle.current_A / light.current_A)


def test_every_point_is_announced_and_told() -> None:
    seen: list[Event] = []
    made = rig(session=session(sweeps=(SMALL,)))
    result, found = swept(made, seen.append)
    rows = [event.result for event in seen if isinstance(event, StateEnded)]
    assert rows == [*result.states, *(point.row for point in found.points)]


def test_only_sweeps_of_states_that_are_measured_are_made() -> None:
    assert rig(session=WHOLE).run(only=["light_sleep"]).sweeps == ()


def test_a_replay_is_equal(tmp_path: Path) -> None:
    made = rig(session=session(sweeps=(SMALL,)))
    recorded = record(tmp_path / "sweep.jsonl", made)
    replayed = replay(recorded.recording, recorded.files)
    assert replayed.equal, replayed.differences
    assert replayed.result.sweeps == recorded.result.sweeps
    assert len(replayed.result.sweeps[0].points) == 9


def test_without_a_meter_sheet_it_says_what_it_lacks() -> None:
    made = rig(session=session(charges=(WEIGHING,), sweeps=(BY_VOLTAGE,)), knows_sheet=False)
    result, found = swept(made)
    assert all("uncertainty_lacks_meter" in point.row.flags for point in found.points)
    assert "uncertainty_lacks_meter" in result.charges[0].flags
    assert [fit.kind for fit in found.fits] == ["voltage"]


# -- what goes wrong ------------------------------------------------------------------------


def refusing(frequency: str) -> Any:
    """A board that does not know one clock."""
    board = board_file()
    commands = tuple(each for each in board.commands if each.text != f"clock {frequency}")
    return board.model_copy(update={"commands": commands})


def test_a_clock_that_the_board_refuses_is_a_fault_of_its_points_alone() -> None:
    made = rig(session=session(sweeps=(SMALL,)), board=refusing("4"), file=with_supply(at_end="on"))
    result, found = swept(made)
    faults = [p.row.fault.kind for p in found.points if p.row.fault is not None]
    # The nominal clock is one of them: nothing but a boot brings it back.
    assert set(faults) == {"board_refused"}
    assert found.verdict == "fault"
    assert "operating point: back at 3.00 V and 4.000 MHz" in result.safe_end
    made.world.advance(made.clock.monotonic() + 5.0)
    assert made.world.simulated_board.clock_Hz == 4e6
    assert set_voltage_V(made) == 3.0


@pytest.mark.parametrize("at_end", ["off", "on", "unchanged"])
@pytest.mark.parametrize("number", [1, 3, 7])
def test_a_board_that_falls_silent_is_left_at_its_nominal_point(at_end: str, number: int) -> None:
    file = with_supply(at_end=at_end)
    made = rig(session=session(sweeps=(SMALL,)), file=file)

    def silence() -> None:
        made.world.simulated_board.held = True

    result, found = swept(made, on_nth("clock", number, silence))
    assert result.fault is not None
    assert result.verdict == found.verdict == "fault"
    assert len(found.points) < 9
    assert found.fault is not None
    assert set_voltage_V(made) == 3.0
    (line,) = (line for line in result.safe_end if line.startswith("operating point"))
    assert line.endswith("off, and set to 3.00 V" if at_end == "off" else "3.00 V and 4.000 MHz")
    made.world.advance(made.clock.monotonic() + 5.0)
    board = made.world.simulated_board
    assert board.state == "off" if at_end == "off" else board.clock_Hz == 4e6
    way = points_on_the_way(made)
    assert all(WHOLE.board.may_run(*pair) for pair in way), way


def test_ctrl_c_in_the_middle_restores_the_nominal_point() -> None:
    made = rig(session=session(sweeps=(SMALL,)), file=with_supply(at_end="on"))
    ended: list[SessionResult] = []

    def press() -> None:
        raise Interrupted("a test")

    def keep(event: Event) -> None:
        if isinstance(event, SessionEnded):
            ended.append(event.result)

    made.run(on_nth("clock", 5, press), keep)
    (result,) = ended
    assert result.fault is not None
    assert result.fault.kind == "interrupted"
    assert result.verdict == "fault"
    assert "operating point: back at 3.00 V and 4.000 MHz" in result.safe_end
    assert made.world.simulated_board.clock_Hz == 4e6
    assert set_voltage_V(made) == 3.0


def test_an_interrupt_keeps_the_points_so_far_and_what_is_derived() -> None:
    ratio = Ratio.model_validate({"name": "over_itself", "of": ["idle", "light_sleep"]})
    update = {"charges": (), "sweeps": (SMALL,), "ratios": (ratio,)}
    made = rig(session=WHOLE.model_copy(update=update), file=with_supply(at_end="on"))
    ended: list[SessionResult] = []

    def press() -> None:
        raise KeyboardInterrupt

    def keep(event: Event) -> None:
        if isinstance(event, SessionEnded):
            ended.append(event.result)

    with pytest.raises(KeyboardInterrupt):
        made.run(on_nth("clock", 5, press), keep)
    (result,) = ended
    (found,) = result.sweeps
    assert len(found.points) == 4
    assert found.fault is not None
    idle, light = result.states
    assert idle.current_A is not None
    assert light.current_A is not None
    assert result.derived[0].value == pytest.approx(idle.current_A / light.current_A)
    assert made.world.simulated_board.clock_Hz == 4e6
    assert set_voltage_V(made) == 3.0


def test_a_board_that_resets_in_the_middle_is_told_its_clock_again() -> None:
    made = rig(session=session(sweeps=(SMALL,)))

    def reset() -> None:
        made.world.reset_board(made.clock.monotonic())

    result, found = swept(made, on_nth("clock", 4, reset))
    kinds = [p.row.fault.kind for p in found.points if p.row.fault is not None]
    assert kinds == ["unexpected_reset"]
    assert result.fault is None
    good = [point for point in found.points if point.row.fault is None]
    assert len(good) == 8
    for point in good:
        entry = next(e for e in SHEET.ranges if e.full_scale == point.row.range_A)
        true = true_A(point.voltage_V, point.frequency_Hz or 0.0, entry.shunt_ohm)
        assert point.row.current_A == pytest.approx(true, rel=0.01)


def test_a_session_that_ends_before_its_sweep_says_so() -> None:
    made = rig("dead-uart", session=session(sweeps=(SMALL,)))
    _, found = swept(made)
    assert found.points == ()
    assert found.fault is not None
    assert found.fault.kind == "not_reached"


# -- before it begins -----------------------------------------------------------------------


def test_a_bench_without_a_supply_is_refused() -> None:
    with pytest.raises(FileProblems, match="idle_curve of the session sets supply voltages"):
        load_files(WITHOUT_SUPPLY, WHOLE)
    clocks = session(sweeps=(sweep(CURVE, voltages=()),))
    assert load_files(WITHOUT_SUPPLY, clocks).session == clocks
    _, found = swept(rig(session=clocks, file=WITHOUT_SUPPLY))
    assert [point.frequency_Hz for point in found.points] == [1e6, 2e6, 4e6, 8e6]
    assert {point.voltage_V for point in found.points} == {3.0}


def test_a_supply_that_may_not_go_so_high_is_refused() -> None:
    with pytest.raises(FileProblems, match=r"below the 3\.3 V of the sweep idle_curve"):
        load_files(with_supply(highest_voltage=3.1), WHOLE)


def test_voltage_alone_needs_no_clock_command() -> None:
    plain: Session = session(sweeps=(BY_VOLTAGE,))
    protocol = plain.protocol.model_copy(update={"set_clock": None})
    board = plain.board.model_copy(update={"clock": None, "operating_limits": ()})
    made = rig(session=plain.model_copy(update={"protocol": protocol, "board": board}))
    _, found = swept(made)
    assert [point.frequency_Hz for point in found.points] == [None] * 3
    assert [fit.kind for fit in found.fits] == ["voltage"]
    assert found.sensitivity_A_per_V == pytest.approx(300.5e-6, rel=0.02)
