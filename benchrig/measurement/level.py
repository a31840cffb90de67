"""The level of a part of a record, and how far from it noise reaches."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from benchrig.measurement.averaging import Floats, median


class Level(NamedTuple):
    """`base_A`: the median. `spread_A`: the robust standard deviation (1.4826 MAD)."""

    base_A: float
    spread_A: float

    @classmethod
    def of(cls, readings: Floats) -> Level:
        base_A = median(readings)
        return cls(base_A, 1.4826 * median(np.abs(readings - base_A)))

    def threshold_A(self, count_A: float) -> float:
        """The distance from the base beyond which a reading belongs to an event.

        Eight standard deviations, three counts, or 2 %, whichever is most: none of them is
        reached by noise.
        """
        return max(8.0 * self.spread_A, 3.0 * count_A, 0.02 * abs(self.base_A))
