"""Currents from results: what is shared stays shared, and what is no current is refused."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from benchrig.energy import Mode, Profile, Source, Use, average_current, currents_for, missing
from benchrig.energy import quantity as stated
from benchrig.errors import Fault
from benchrig.measurement import Budget, Contribution, weighted_sum
from benchrig.result import FaultRecord, SessionResult
from tests.energy.products import COARSE, FINE, always, read, result, row, scattered


def two_states() -> Profile:
    return Profile("p", (Mode("year", (Use("awake", share=stated("s", 0.001)), Use("sleep"))),))


def source(*rows: object, name: str = "run", **about: object) -> Source:
    return Source(name, result(*rows, **about))  # type: ignore[arg-type]


def one(found: SessionResult) -> str:
    """The warnings about one result of one state."""
    return " | ".join(currents_for(always(), [Source("run", found)], {}).warnings)


def test_stored_budgets_keep_their_correlation() -> None:
    """The average of a stored result is the weighted sum of the budgets that were measured."""
    awake, sleep = read(8e-3, COARSE, 1e-6), read(2e-6, FINE, 1e-10)
    found = currents_for(two_states(), [source(row("awake", awake), row("sleep", sleep))], {})
    average = average_current(two_states(), found)
    expected = weighted_sum([awake, sleep], [0.001, 0.999])
    assert average.current_A == pytest.approx(expected.value, rel=1e-12)
    assert average.standard_uncertainty_A == pytest.approx(expected.standard_uncertainty, rel=1e-12)
    assert average.budget.dof == pytest.approx(expected.dof)
    assert (found.supply_voltage_V, found.minimum_voltage_V) == (3.0, 2.2)


def test_a_result_survives_its_json() -> None:
    made = result(row("sleep", read(2e-6, FINE, 1e-10)))
    again = SessionResult.model_validate_json(made.model_dump_json())
    first, second = (
        currents_for(always(), [Source("run", each)], {}).states["sleep"].budget
        for each in (made, again)
    )
    assert first == second
    assert any(part.shared for part in second.contributions)
    assert any(part.statement for part in second.contributions)


def test_what_is_typed_counts_more_than_what_was_measured() -> None:
    typed = {("state", "sleep"): stated("typed", 1e-6)}
    found = currents_for(always(), [source(row("sleep", read(2e-6, FINE)))], typed)  # type: ignore[arg-type]
    assert found.states["sleep"].budget.value == 1e-6
    assert found.states["sleep"].origin == "typed in"
    assert found.warnings == ()


# -- several results ------------------------------------------------------------------------------


def lot(values: list[float], own_A: float = 0.0) -> list[Source]:
    return [
        source(row("sleep", scattered(value, own_A)), name=f"run {n}", serial_number=f"HS-{n}")
        for n, value in enumerate(values)
    ]


def test_a_lot_has_a_mean_and_a_spread() -> None:
    values = [1.0e-6, 1.2e-6, 0.9e-6, 1.1e-6, 1.3e-6]
    drawn = currents_for(always(), lot(values), {}).states["sleep"]
    spread = float(np.std(values, ddof=1))
    assert drawn.boards == 5
    assert drawn.spread == pytest.approx(spread, rel=1e-12)
    assert drawn.mean is not None
    assert drawn.mean.value == pytest.approx(1.1e-6)
    assert drawn.mean.standard_uncertainty == pytest.approx(spread / math.sqrt(5), rel=1e-12)
    # One more board: s sqrt(1 + 1/n) with n - 1 degrees of freedom, the prediction interval for
    # one future observation (ISO 16269-8, from memory); t 2.776 for 4 (GUM table G.2).
    assert drawn.budget.standard_uncertainty == pytest.approx(spread * math.sqrt(1.2), rel=1e-12)
    assert drawn.budget.expanded_uncertainty == pytest.approx(
        2.776 * spread * math.sqrt(1.2), rel=1e-3
    )


def test_a_lot_keeps_the_gain_of_its_station() -> None:
    sources = [
        source(row("sleep", read(2e-6, FINE)), name=f"run {n}", serial_number=f"HS-{n}")
        for n in range(4)
    ]
    drawn = currents_for(always(), sources, {}).states["sleep"]
    gain = next(part for part in drawn.budget.contributions if part.name == "gain")
    assert gain.standard_uncertainty == pytest.approx(2e-6 * FINE.gain, rel=1e-12)
    apart = [
        Source(each.name, result(*each.result.states, serial_number=each.board, meter=f"meter {n}"))
        for n, each in enumerate(sources)
    ]
    gains = [
        part
        for part in currents_for(always(), apart, {}).states["sleep"].budget.contributions
        if part.name.startswith("gain")
    ]
    assert len(gains) == 4  # four meters have four gains


def test_a_spread_is_never_below_what_the_readings_scatter() -> None:
    drawn = currents_for(always(), lot([1e-6] * 4, own_A=5e-9), {}).states["sleep"]
    assert drawn.budget.standard_uncertainty == pytest.approx(5e-9 * math.sqrt(1.25), rel=1e-9)


def test_results_of_one_serial_number_are_one_board() -> None:
    values = [1.0e-6, 1.1e-6, 1.2e-6]
    again = [Source(each.name, result(*each.result.states)) for each in lot(values)]  # all HS-0042
    found = currents_for(always(), again, {})
    drawn = found.states["sleep"]
    assert (drawn.boards, drawn.spread, drawn.mean) == (1, None, None)
    assert drawn.budget.standard_uncertainty == pytest.approx(0.1e-6 / math.sqrt(3), rel=1e-9)
    assert any("one board was measured" in text for text in found.warnings)


def test_what_is_to_come_each_time_does_not_average_out() -> None:
    """A transient that is cut off at the same place in nine sessions is in all of them."""
    settling = Contribution("settling", 30e-9)
    each = Budget(1e-6, (Contribution("averaging", 3e-9, 15, "A"), settling))
    again = [Source(f"run {n}", result(row("sleep", each))) for n in range(9)]
    drawn = currents_for(always(), again, {}).states["sleep"]
    expected_A = math.hypot(30e-9, 3e-9 / 3.0)
    assert drawn.budget.standard_uncertainty == pytest.approx(expected_A, rel=1e-9)


def test_rows_of_one_result_are_one_board_too() -> None:
    twice = source(row("sleep", scattered(1e-6, 1e-9)), row("sleep", scattered(1.2e-6, 1e-9)))
    drawn = currents_for(always(), [twice], {}).states["sleep"]
    assert drawn.budget.value == pytest.approx(1.1e-6)
    assert drawn.boards == 1


# -- what is no current ----------------------------------------------------------------------------


def test_a_fault_is_no_current() -> None:
    bad = row("sleep", None, "fault", fault=FaultRecord(kind="drifting", message="it drifts"))
    with pytest.raises(Fault, match=r"run: sleep is a fault \(drifting: it drifts\)") as caught:
        currents_for(always(), [source(bad)], {})
    assert caught.value.kind == "no_current"


def test_bounds_are_no_current() -> None:
    aimed = row("sleep", None, "pass", lower_bound_A=1e-9, upper_bound_A=1e-6)
    with pytest.raises(Fault, match="bounds and no value: measure it with --aim value"):
        currents_for(always(), [source(aimed)], {})


def test_a_fault_of_another_state_does_not_matter() -> None:
    bad = row("lamp", None, "fault", fault=FaultRecord(kind="drifting", message="it drifts"))
    good = row("sleep", read(2e-6, FINE))
    assert "drifting" not in " ".join(currents_for(always(), [source(bad, good)], {}).warnings)


def test_states_without_results_are_told_with_their_place() -> None:
    sources = [source(row("sleep", read(2e-6, FINE)), name="runs/a")]
    assert list(missing(two_states(), sources, {})) == [
        (
            ("modes", 0, "uses", 0, "state"),
            "'awake' has no result in runs/a: measure it, or type it into [currents]",
        )
    ]
    with pytest.raises(ValueError, match="nothing is known of the state 'awake'"):
        currents_for(two_states(), sources, {})
    assert len(list(missing(two_states(), [], {}))) == 2
    charged = Profile("p", (Mode("y", (Use("w", "charge", rate=stated("r", 1.0)), Use("sleep"))),))
    (found,) = missing(charged, sources, {})
    assert found[0][-1] == "charge"
    assert "type it into [charges]" in found[1]


@pytest.mark.parametrize(
    ("about", "part"),
    [
        ({"verdict": "undecided"}, "run: sleep is undecided against its limits"),
        ({"verdict": "fail"}, "run: sleep is fail against its limits"),
        ({"flags": ("noise_limited",)}, "run: sleep has the flags noise_limited"),
    ],
)
def test_doubts_about_a_state_are_told(about: dict[str, object], part: str) -> None:
    assert part in one(result(row("sleep", read(2e-6, FINE), **about)))  # type: ignore[arg-type]


def test_doubts_about_a_session_are_told() -> None:
    good = result(row("sleep", read(2e-6, FINE)))
    assert one(good) == "one board was measured: the spread between boards is not in the interval"
    bad = FaultRecord(kind="wire_lost", message="gone")
    assert "the session has a fault, wire_lost" in one(good.model_copy(update={"fault": bad}))
    assert "was cut off" in one(good.model_copy(update={"complete": False}))
    bench = good.bench.model_copy(update={"simulated_seed": 1})
    assert "simulated bench" in one(good.model_copy(update={"bench": bench}))
    alone = tuple(part.model_copy(update={"shared": None}) for part in good.states[0].budget)
    old = good.states[0].model_copy(update={"budget": alone})
    assert "an earlier benchrig" in one(good.model_copy(update={"states": (old,)}))


def test_doubts_about_a_lot_are_told() -> None:
    sources = lot([1e-6, 1.1e-6])
    assert any(
        "2 boards were measured" in text for text in currents_for(always(), sources, {}).warnings
    )
    other = sources[1].result.board.model_copy(update={"supply_voltage_V": 3.3})
    mixed = [
        sources[0],
        replace(sources[1], result=sources[1].result.model_copy(update={"board": other})),
    ]
    assert any("3 V, 3.3 V" in text for text in currents_for(always(), mixed, {}).warnings)
    nameless = [
        replace(each, result=each.result.model_copy(update={"serial_number": None}))
        for each in sources
    ]
    found = currents_for(always(), nameless, {})
    assert found.states["sleep"].boards == 2
    assert any("without serial number" in text for text in found.warnings)


def test_limits_are_kept() -> None:
    found = currents_for(always(), [source(row("sleep", read(2e-6, FINE), limit_max_A=3e-6))], {})
    assert found.states["sleep"].limit == 3e-6


def test_a_burden_that_was_not_corrected_is_told() -> None:
    """0.08 V of 3 V are 2.7 %: for a current that goes with the voltage that much is missing."""
    known = scattered(784e-6, 0.5e-6)
    low = row("sleep", known, board_voltage_V=2.92, flags=("burden_not_corrected",))
    assert "may draw 2.7 % more" in one(result(low))
    assert "declare its sensitivity" in one(result(low))
    assert "has the flags" not in one(result(low))
    assert "burden" not in one(result(row("sleep", known, board_voltage_V=2.92)))
