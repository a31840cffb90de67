"""Since when a current is seen at rest, and what may not be cut off as a transient.

After the guard the firmware is at rest: a sudden step between two levels, or a sudden rise, is then
no settling but part of the current, such as telegraph noise or a sporadic event. Noise that has not
changed its level yet looks like no noise at all; how long it was given to do so tells how much
that is worth.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from benchrig.measurement import noise, settling
from benchrig.measurement.averaging import Floats, medians
from benchrig.measurement.level import Level
from benchrig.measurement.priors import Priors
from benchrig.measurement.record import CLOCK_S

NEAR = 0.25
"""A step of telegraph noise is told from a transient that is below this share of the level."""

BLOCK = 5


class Rest(NamedTuple):
    """`latest_start`: where averaging has to start at the latest, so that no noise is cut off;
    `None` if there is none. `begin`: from where on a step would have been seen."""

    latest_start: int | None
    begin: int

    @property
    def unsteady(self) -> bool:
        return self.latest_start is not None

    def since(self, start: int) -> int:
        """Of what is averaged from `start`: noise was seen if it is in there."""
        return start if self.unsteady else self.begin


def at_rest(times: Floats, readings: Floats, start: int, level: Level, priors: Priors) -> Rest:
    """Of a record that seems settled, at a `level`, from `start` on; all are positions in it."""
    guarded_s = max(priors.guard_s - CLOCK_S, times[0] + settling.RESETTLING_S)
    # The first reading that begins then; the one before it may hold a part of what came before.
    first = min(int(times.searchsorted(guarded_s)) + 1, times.size - 1)
    base, threshold = level.base_A, level.threshold_A(priors.count_A)
    least = priors.allowed_A(base) / 2.0 + 2.5 * priors.count_A
    cut = readings[: start + 2 * noise.STEP_BLOCK]
    found = [
        noise.first_step(cut[first:], least),
        noise.first_rise(readings[first:start], threshold),
    ]
    places = [first + place for place in found if place is not None and start > first]
    if places:
        return Rest(min(places), start)
    near = _near(readings[:start], base, max(NEAR * abs(base), threshold))
    # What steps before the guard may be the firmware, or the noise: only what follows can tell.
    stepped = noise.first_step(cut[near : first + 2 * noise.STEP_BLOCK], least) is not None
    return Rest(None, max(near, first) if stepped else near)


def _near(readings: Floats, level: float, within: float) -> int:
    """From where on the medians of short blocks stay near the level."""
    whole = readings.size // BLOCK * BLOCK
    blocks = medians(readings[:whole].reshape(-1, BLOCK))
    far = (np.abs(blocks - level) > within).nonzero()[0]
    return BLOCK * (int(far[-1]) + 1) if far.size else 0
