"""Whether a board sleeps, as far as its current on a range with room and its silence can tell."""

from __future__ import annotations

import pytest

from benchrig.errors import Fault
from benchrig.session.protocol import Stimulus
from benchrig.sleeping import SleepWatch, Visit
from tests.benches import HASTY, Rig, rig

(DEEP,) = (state for state in HASTY.states if state.name == "deep_sleep")
BYTE = Stimulus.model_validate({"by": "byte", "send_hex": "55"})


def on(range_A: float, *, asleep: bool) -> tuple[Rig, SleepWatch]:
    """A board that sleeps or idles, and the meter on one of its ranges."""
    made = rig(session=HASTY)
    made.bench.connect()
    made.bench.power_up()
    made.bench.enter("deep_sleep" if asleep else "idle")
    made.clock.sleep(10.0)
    (entry,) = (entry for entry in made.bench.meter.ranges if entry.full_scale_A == range_A)
    made.bench.meter.set_range(entry)
    made.clock.sleep(1.0)  # the capacitor charges through the new shunt
    return made, SleepWatch(
        made.bench.board, made.bench.meter, made.bench.ranges, made.clock, made.bench.log
    )


def visit(made: Rig, awake_A: float | None = 1.2e-3, settled_A: float | None = 0.6e-6) -> Visit:
    stay = Visit(DEEP, made.clock.monotonic(), awake_A)
    stay.settled_A = settled_A
    return stay


@pytest.mark.parametrize(
    ("range_A", "asleep", "known"),
    [
        pytest.param(0.1, False, True, id="awake"),
        # The offset of 100 mA may be 10 uA, and of 10 uA it may be 2.5 nA.
        pytest.param(0.1, True, False, id="asleep-on-a-coarse-range"),
        pytest.param(1e-5, True, True, id="asleep-on-a-fine-one"),
    ],
)
def test_a_current_is_told_from_the_offset_of_the_range(
    range_A: float, asleep: bool, known: bool
) -> None:
    _, watch = on(range_A, asleep=asleep)
    current_A = watch.current_A()
    if known:
        assert current_A == pytest.approx(0.6e-6 if asleep else 1.2e-3, rel=0.05)
    else:
        assert current_A is None


@pytest.mark.parametrize(
    ("asleep", "awake_A", "settled_A", "risen"),
    [
        pytest.param(True, 1.2e-3, 0.6e-6, False, id="asleep"),
        pytest.param(False, 1.2e-3, 0.6e-6, True, id="awake"),
        pytest.param(False, None, 0.6e-6, True, id="awake-whatever-it-used-to-draw"),
        pytest.param(True, None, 0.6e-6, None, id="low-and-nobody-knows-what-awake-is"),
        pytest.param(True, 15e-6, 0.6e-6, None, id="low-and-awake-is-as-low"),
        pytest.param(True, 1.2e-3, None, None, id="never-settled"),
    ],
)
def test_risen_unrisen_or_unknown(
    asleep: bool, awake_A: float | None, settled_A: float | None, risen: bool | None
) -> None:
    made, watch = on(0.1, asleep=asleep)
    assert watch.has_risen(visit(made, awake_A, settled_A)) is risen


def test_an_overload_with_room_is_a_fault_and_no_waking() -> None:
    made, watch = on(0.1, asleep=True)
    made.meter.force_overload = True
    with pytest.raises(Fault) as caught:
        watch.has_risen(visit(made))
    assert caught.value.kind == "overloaded"


@pytest.mark.parametrize(
    ("asleep", "awake_A", "settled_A", "silence_tells", "shown", "ranges"),
    [
        pytest.param(True, 1.2e-3, 0.6e-6, False, "slept_on", 0, id="told-at-once"),
        pytest.param(True, 15e-6, 0.6e-6, False, "slept_on", 2, id="told-on-a-finer-range"),
        pytest.param(True, None, 0.6e-6, False, "slept_on", 2, id="as-low-as-it-was-asleep"),
        pytest.param(True, 0.7e-6, 0.6e-6, False, "not_verified", 0, id="awake-is-as-low"),
        pytest.param(True, 0.7e-6, 0.6e-6, True, "slept_on", 0, id="a-banner-would-have-told"),
        pytest.param(True, None, None, False, "not_verified", 0, id="never-settled"),
        pytest.param(False, 1.2e-3, 0.6e-6, False, "woke", 0, id="woken"),
        pytest.param(False, 1.2e-3, 0.6e-6, True, "woke", 0, id="woken-in-silence"),
    ],
)
def test_what_silence_and_current_say(
    asleep: bool,
    awake_A: float | None,
    settled_A: float | None,
    silence_tells: bool,
    shown: str,
    ranges: int,
) -> None:
    made, watch = on(0.1, asleep=asleep)
    before_s, told = made.clock.monotonic(), len(made.bench.log.entries)
    stay = visit(made, awake_A, settled_A)
    assert watch.after(stay, BYTE, silence_tells=silence_tells) == shown
    entries = made.bench.log.entries[told:]
    assert [entry.kind for entry in entries] == ["range"] * ranges + [shown]
    assert made.clock.monotonic() - before_s >= DEEP.quiet
    assert made.on_highest_range


def test_a_rise_that_never_comes() -> None:
    made, watch = on(0.1, asleep=True)
    until_s = made.clock.monotonic() + 3.0
    with pytest.raises(Fault) as caught:
        watch.wait_for_rise(visit(made), until_s)
    assert caught.value.kind == "no_wake"
    assert until_s <= made.clock.monotonic() < until_s + 0.5


def test_a_rise_is_seen_when_it_comes() -> None:
    made, watch = on(0.1, asleep=True)
    press_s = made.clock.monotonic() + 1.0

    def press(what: str) -> None:
        if made.clock.monotonic() > press_s:
            made.world.board.set_line("dtr", True, made.clock.monotonic())

    made.wires["meter"].before = press
    woken_s = watch.wait_for_rise(visit(made), press_s + 5.0)
    assert woken_s == pytest.approx(press_s, abs=0.5)
