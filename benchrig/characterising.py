"""Takes one long record of one state, for its analysis by `measurement.characterised`."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from benchrig.bench import Bench
from benchrig.drivers.meter import MeterRange
from benchrig.errors import Fault
from benchrig.events import Event, Listener, ReadingsTaken
from benchrig.measurement import Characteristics, Stretch, characterised
from benchrig.session import Session
from benchrig.session.session_file import State

FEWEST_READINGS = 100


@dataclass(frozen=True)
class Recorded:
    """`times_s` (n,) since the state was entered, the ends of the apertures; `currents_A` (n,),
    sentinels among them. `entered_s` on the axis of the session's log."""

    times_s: np.ndarray
    currents_A: np.ndarray
    stretches: tuple[Stretch, ...]
    entered_s: float
    dead_share: float


def record_state(
    bench: Bench, name: str, for_s: float, listeners: Sequence[Listener] = ()
) -> Recorded:
    """Power up, enter the state, read it for `for_s`, and leave the bench safe and closed.

    `bench` is not open yet. The record is shorter where the board's own timer ends the state. On
    a range that was overloaded its current was more than was read. Raises `Fault`, with what was
    read so far told to the listeners, and `UsageError` for a state that the session does not have.
    """
    bench.state(name)
    batches: list[ReadingsTaken] = []

    def keep(event: Event) -> None:
        if isinstance(event, ReadingsTaken):
            batches.append(event)

    with bench.log.session([*listeners, keep]), bench:
        bench.connect()
        bench.power_up()
        bench.enter(name)
        entered_s = bench.record(for_s)
        dead_share, ranges = bench.meter.dead_share, bench.meter.ranges
    return Recorded(
        np.concatenate([batch.times_s for batch in batches]) - entered_s,
        np.concatenate([batch.currents_A for batch in batches]),
        _stretches(batches, ranges),
        entered_s,
        dead_share,
    )


def _stretches(
    batches: Sequence[ReadingsTaken], ranges: Sequence[MeterRange]
) -> tuple[Stretch, ...]:
    known = {entry.full_scale_A: entry for entry in ranges}
    stretches: list[Stretch] = []
    first = 0
    for batch in batches:
        if not stretches or stretches[-1].full_scale_A != batch.range_A:
            entry = known.get(batch.range_A)
            offset = 0.0 if entry is None else entry.offset
            count_A = 0.0 if entry is None else entry.count_A
            # The entry has it as a standard uncertainty, of a rectangle.
            offset_A = 3.0**0.5 * offset * batch.range_A
            stretches.append(Stretch(first, batch.range_A, offset_A, count_A))
        first += batch.times_s.size
    return tuple(stretches)


def analysed(bench: Bench, name: str, record: Recorded) -> Characteristics:
    """What the record shows of the state. Raises ``record_too_short``."""
    limit = bench.state(name).limit
    valid = np.count_nonzero(np.abs(record.currents_A) < 1e36)
    if valid < FEWEST_READINGS:
        raise Fault("record_too_short", f"{valid} readings are too few: take a longer record")
    return characterised(
        record.times_s,
        record.currents_A,
        record.stretches,
        limits_A=[at_A for at_A in (limit.min, limit.max) if at_A is not None],
        dead_share=record.dead_share,
    )


def values_for(session: Session, state: State, found: Characteristics) -> dict[str, dict[str, str]]:
    """The proposals as they stand in the session file: by table of the state, keys and values."""
    settling: dict[str, str] = {}
    announced = state.settling.announced
    if announced is None:
        announced = session.settling.announced
    # A firmware that tells when it is done needs no guard, unless it was seen to work on.
    if found.guard.value is not None and (not announced or found.fell is not None):
        settling["guard"] = in_seconds(found.guard.value)
    if found.slowest_time_constant.value is not None:
        settling["slowest_time_constant"] = in_seconds(found.slowest_time_constant.value)
    if found.tolerance.value is not None:
        settling["tolerance"] = f"{100.0 * found.tolerance.value:.12g} %"
    tables = {"settling": settling, "ticks": _ticks(session, state, found)}
    return {table: keys for table, keys in tables.items() if keys}


def _ticks(session: Session, state: State, found: Characteristics) -> dict[str, str]:
    period_s, seen = found.period.value, found.wake_ups
    if period_s is None or seen is None:
        return {}
    period = {"period": in_seconds(period_s)}
    if state.ticks is not None:
        return period
    # What decides the range is the charge and the highest current that may flow. A wake-up that is
    # shorter than three readings has its charge, at the most that the board may draw.
    peak_A = seen.peak_A if seen.resolved else session.board.highest_current
    duration_s = seen.duration_s if seen.resolved else seen.charge_C / peak_A
    return {
        **period,
        "duration": in_seconds(float(f"{duration_s:.2g}")),
        "peak_current": f"{peak_A * 1e6:.3g} uA",
    }


def in_seconds(duration_s: float) -> str:
    """As in a file: ``"1.3 s"``, ``"20 us"``."""
    for factor, unit in ((1.0, "s"), (1e3, "ms")):
        if duration_s * factor >= 1.0:
            return f"{duration_s * factor:.12g} {unit}"
    return f"{duration_s * 1e6:.12g} us"
