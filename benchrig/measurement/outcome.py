"""What came of waiting for a current to settle."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

from benchrig.measurement.quantiles import t_quantile

Kind = Literal[
    "waiting",
    "settled",
    "noise_limited",
    "drifting",
    "disturbed",
    "wakeups_not_seen",
    "period_not_as_declared",
    "invalid_readings",
    "overloaded",
    "few_readings",
]


@dataclass(frozen=True)
class Outcome:
    """The verdict on a record, and the figures where it has any. Currents in A, times in s.

    kind                    "settled"; "waiting" (only before the time-out); or at the time-out:
      noise_limited           a valid value, but wider than the tolerance asked for
      few_readings            too few readings to judge correlation; a wide value if there are 5
      drifting, disturbed, wakeups_not_seen, period_not_as_declared, invalid_readings, overloaded
                              no valid value
    reason                  a sentence for people
    still_needed_s          while waiting: a guess of how much longer it takes, if there is one
    current_A               mean of the averaged part; `None`, as all figures below, without value
    standard_uncertainty_A  of the averaging alone (type A), with `dof` degrees of freedom
    settling_bound_A        half-width of what may still be to come (rectangular, type B)
    settled_after_s         time at which the averaged part starts ...
    averaged_for_s          ... and how long it is
    readings                number of readings averaged
    base_A                  median of the averaged part: the current between wake-ups
    count_A                 one count of the meter, as declared or else as the readings show it
    events                  number of events in the averaged part that nobody declared, with
    event_charge_C          the mean charge of one above the base, if any was seen,
    event_rate_per_s        how often they come, with those that a meter sees as one or, if they
                            are short, misses between its readings; 95 % counting interval from
    event_rate_low_per_s    ... here
    event_rate_high_per_s   ... to here; none seen in L s: up to 3/L. The mean includes them.
    dropped                 sentinels, NaN and infinities that were left out
    flags                   words with underscores, for machines:
      readings_dropped        some readings were sentinels; never averaged
      few_readings            plain Student interval, no claim about correlation
      resolution_limited      the readings scatter by less than half a count
      resolution_estimated    no count was declared; the readings lie on a grid, and told it
      resolution_unknown      nor did they tell: all are equal, and zero or no decimals
      unsteady                the current stepped between levels after the guard
      events_undeclared       excursions were seen although no period was declared
      wakeups_undersampled    the meter was blind for part of every wake-up
    """

    kind: Kind
    reason: str
    still_needed_s: float | None = None
    current_A: float | None = None
    standard_uncertainty_A: float | None = None
    dof: float | None = None
    settling_bound_A: float | None = None
    settled_after_s: float | None = None
    averaged_for_s: float | None = None
    readings: int = 0
    base_A: float | None = None
    count_A: float = 0.0
    events: int = 0
    event_charge_C: float | None = None
    event_rate_per_s: float | None = None
    event_rate_low_per_s: float | None = None
    event_rate_high_per_s: float | None = None
    dropped: int = 0
    flags: tuple[str, ...] = ()

    @property
    def half_width_A(self) -> float | None:
        """Half of the 95 % interval of the averaging, with half a count, never averaged away."""
        if self.standard_uncertainty_A is None or self.dof is None:
            return None
        return math.hypot(t_quantile(self.dof) * self.standard_uncertainty_A, self.count_A / 2.0)

    @property
    def expanded_uncertainty_A(self) -> float | None:
        """At 95 %, of averaging, resolution and settling; the meter's accuracy is not in it."""
        if self.half_width_A is None or self.settling_bound_A is None:
            return None
        # 2/sqrt(3): two standard uncertainties of a rectangle (GUM 4.3.7).
        return math.hypot(self.half_width_A, 2.0 / math.sqrt(3.0) * self.settling_bound_A)
