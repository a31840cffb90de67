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
            offset = 0.0 if entry is None or entry.offset is None else entry.offset
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
