"""Between which values the settled current lies, while its transient may still be there.

A window of the record gives a lower and an upper bound, each wrong with a stated risk at most.
Five things lie between the mean of the window and the bound, and they add linearly: nothing is
known of how they hang together, and a verdict has to hold for the worst of them.

    averaging   Student's t at the risk, on batch means corrected for correlation
    settling    kappa times the change seen within the window, its noise included (settling.py);
                of a change away from the bound 0.3, since a quick fall may hide a slow rise
    drift       a change that goes towards the bound and is a real one is carried further, as a
                straight line, for ten of the slowest time constants
    unseen      noise as slow as was declared may show one of its two levels only; they are taken
                to lie no further apart than 30 % of the mean
    events      Poisson limits on the number of events, seen or not; half a count of the meter
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from benchrig.measurement.averaging import (
    BATCHES,
    Average,
    Floats,
    Sums,
    even_edges,
    mean_square,
    noise_of,
    of_batches,
    of_noise,
)
from benchrig.measurement.events import (
    NoWindow,
    Window,
    time_at,
    undeclared,
    whole_periods,
)
from benchrig.measurement.level import Level
from benchrig.measurement.priors import Priors
from benchrig.measurement.quantiles import poisson_limits, t_quantile
from benchrig.measurement.settling import RESETTLING_S, has_risen, still_to_come

STARTS = (0.0, 0.25, 0.5, 0.75, 0.9)
"""Where windows begin, as shares of the record. All are tried, so each has its share of the
risk: the transient decides which is the best, and it is not known beforehand."""

UNSEEN_STEP = 0.3
"""Noise that switches between two levels is taken to have them no further apart than this share of
its mean, and to stay on either for as long as the slowest noise at most, on average. How much of
the mean a level makes up that was not seen follows from that; see `Seen._unseen_A`."""

UNSEEN_READINGS = 128
"""Fewer readings do not show how they hang together (that takes eight in each of 16 batches): half
of the time may have gone unseen, however short the slowest noise that was declared."""

DRIFT_TAUS = 10.0
"""A settling that goes on at the same rate for so long is none that was declared. A slower drift,
one that would need longer than that to reach the limit, does pass."""

AGAINST = 0.3
"""Share of a change away from the bound that may hide one towards it. Chosen on 150 simulated dips
that rise by 20 to 70 %, at 1.02 times the limit: with 0 2.7 % of them were falsely accepted, with
0.3 and with 1 0.7 %; with 1 a power-law tail takes 1.6 times as long at half the limit."""

SHORTEST = 8
"""Readings in a window: as soon as a quick fall is over, they say more than a longer one."""

FEWEST_FOR_CURVE = 12


@dataclass(frozen=True)
class Seen:
    """What one window shows. Currents in A, times in s.

    `kappa`: what may be to come, per change within the window. `hidden_A`: change that the
    resolution may hide. `events_A`: part of the mean that `clusters` undeclared events make up.
    `misses_above`, `misses_below`: excursions in that sense came before the window, and it would
    be a lucky choice to leave them out.
    """

    first_s: float
    last_s: float
    readings: int
    mean: Average
    kappa: float
    hidden_A: float
    events_A: float
    clusters: int
    misses_above: bool
    misses_below: bool
    priors: Priors

    @property
    def length_s(self) -> float:
        return self.last_s - self.first_s

    def bounds_A(
        self, risk: float, sight: float, event_charge_C: float = 0.0
    ) -> tuple[float, float]:
        """The settled current is below the first, and above the second, with a probability of
        `risk` at most, and besides because of a level that was not seen, with exp(-`sight`)/2 at
        most."""
        fewer, more = self._events(risk, event_charge_C)
        noise = t_quantile(self.mean.dof, 1.0 - 2.0 * risk) * self.mean.standard_uncertainty
        unseen = self._unseen_A(sight)
        # Each half carries twice the variance of the whole, their difference four times.
        unsure = math.hypot(2.0 * self.mean.half_width, self.hidden_A)

        def around(towards_A: float) -> float:
            """All but the events; `towards_A`: change within the window towards the bound."""
            settling = self.kappa * (max(towards_A, -AGAINST * towards_A) + unsure)
            rate = max(towards_A - unsure, 0.0) / (self.length_s / 2.0)
            drift = rate * DRIFT_TAUS * self.priors.slowest_tau_s
            return noise + max(settling, drift) + unseen + self.priors.count_A / 2.0

        mean, fall = self.mean.mean, self.mean.first_minus_second
        return (
            -math.inf if self.misses_below else mean - around(fall) - fewer,
            math.inf if self.misses_above else mean + around(-fall) + more,
        )

    def _unseen_A(self, sight: float) -> float:
        """How far the mean may be off because of a level that no reading was taken on.

        Let noise be on it for a share d of its time and for tau (the slowest noise) at a time: it
        comes d/(1-d) times per tau of the other level. That it stays away from a window of n tau
        has the probability (1-d) exp(-n d/(1-d)), which is exp(-sight)/2 or less for any d above
        sight/(sight + n), as long as that is a half or more. If d is smaller, it is the other
        level that lasts, for tau at most: it fills the window with exp(-n)/2 < exp(-sight)/2.
        Such windows still come where a record has many, or all but fill one, so the half shrinks
        with exp(sight - n).
        """
        taus = self.length_s / self.priors.noise_s
        share = sight / (sight + taus) if taus < sight else math.exp(sight - taus) / 2.0
        if self.readings < UNSEEN_READINGS:
            share = max(share, 0.5)
        hidden = UNSEEN_STEP * share
        # The step is a share of the true mean, which lies that much above the reading at worst.
        return abs(self.mean.mean) * hidden / (1.0 - hidden)

    def _events(self, risk: float, event_charge_C: float) -> tuple[float, float]:
        """How much less and how much more current events may make up than they did here."""
        fewest, most = poisson_limits(self.clusters, risk)
        # A meter that is blind between its readings misses its share of short ones.
        declared_A = event_charge_C / (self.length_s * (1.0 - self.priors.dead_share))
        each_A = abs(self.events_A) / self.clusters if self.clusters else 0.0
        fewer = (self.clusters - fewest) * each_A
        more = (most - self.clusters) * max(each_A, declared_A)
        return (fewer, more) if self.events_A >= 0.0 else (more, fewer)


def windows(times: Floats, readings: Floats, priors: Priors) -> tuple[Seen, ...] | NoWindow:
    """What each window shows of a record without sentinels, or why there is none.

    `times` and `readings` have shape (n,).
    """
    latest = times.size - SHORTEST
    if latest < 0:
        return NoWindow("few_readings", f"{times.size} readings: too few for a window")
    resettled = int(times.searchsorted(times[0] + RESETTLING_S))
    part = _Part(times, readings, Sums(readings), resettled, priors)
    found: list[Seen] = []
    # Where there is no window at all, the reason is that of the last one.
    for start in sorted({min(int(share * times.size), latest) for share in STARTS}):
        seen = _window(part, start)
        if isinstance(seen, Seen):
            found.append(seen)
        elif seen.kind == "disturbed":
            return seen
        else:
            reason = seen
    return tuple(found) or reason


@dataclass(frozen=True)
class _Part:
    """Part of a record, with what is the same for all windows in it. `resettled`: where the
    current may be compared from."""

    times: Floats
    readings: Floats
    sums: Sums
    resettled: int
    priors: Priors


def _window(part: _Part, start: int) -> Seen | NoWindow:
    times, readings, priors = part.times, part.readings, part.priors
    level = Level.of(readings[start:])
    if has_risen(readings, part.resettled, start, level, 3.0 * priors.count_A + priors.floor_A):
        return NoWindow(
            "disturbed",
            f"the current rose again before {times[start]:.3g} s, which settling never does: "
            "look for a reset, a brown-out or a wake-up that was not declared",
        )
    if priors.period_s is not None:
        window = whole_periods(times, readings, start, level, priors)
    else:
        edges = even_edges(start, times.size, min(BATCHES, times.size - start))
        window = undeclared(readings[start:], level, edges, priors.count_A)
    return window if isinstance(window, NoWindow) else _seen(part, window, level)


def _seen(part: _Part, window: Window, level: Level) -> Seen | NoWindow:
    times, readings, priors = part.times, part.readings, part.priors
    begin, end = window.edges.item(0), window.edges.item(-1)
    start = int(begin)
    within = readings[start : math.ceil(end)]
    mean = _steady(part.sums.means(window.edges))
    declared = priors.period_s is not None
    if declared:
        uncertainty = max(mean.standard_uncertainty, window.least_uncertainty_A)
        mean = mean.known_to(uncertainty, mean.dof)
    first_s, last_s = time_at(times, begin), time_at(times, end)
    kappa = still_to_come(first_s, last_s, priors.slowest_tau_s)
    if not math.isfinite(kappa):
        return NoWindow("few_readings", "the record is too short to show any settling")
    # Without half a count of noise the readings are rounded alike, and averaging finds nothing.
    count_A = priors.count_A
    undithered = count_A > 0.0 and math.sqrt(mean_square(within)) < count_A / 2.0
    above, below = (
        (False, False) if declared else _excursions_before(readings[:start], level, count_A)
    )
    return Seen(
        first_s=first_s,
        last_s=last_s,
        readings=within.size,
        mean=mean,
        kappa=kappa,
        hidden_A=count_A / 2.0 if undithered else 0.0,
        events_A=0.0 if declared else window.events_A,
        clusters=0 if declared else window.clusters,
        misses_above=above,
        misses_below=below,
        priors=priors,
    )


def _excursions_before(readings: Floats, level: Level, count_A: float) -> tuple[bool, bool]:
    """Whether the current left the `level` of what follows, upwards and downwards, after it had
    reached that level for the first time. The transient before that is no excursion."""
    threshold = level.threshold_A(count_A)
    away = readings - level.base_A
    near = np.abs(away) < threshold / 2.0
    if not near.any():
        return False, False
    since = away[near.argmax() :]
    return float(since.max()) > threshold, float(since.min()) < -threshold


def _steady(means: Floats) -> Average:
    """Of batch `means`, with the noise around a parabola: the transient is priced by itself, and
    taken for noise it would be priced twice, with hardly any degrees of freedom."""
    if means.size < FEWEST_FOR_CURVE:
        return of_batches(means)
    base = _parabolas(means.size)
    from_first = means - means[0]
    uncertainty, dof = noise_of(from_first - base @ (base.T @ from_first))
    # A parabola takes three degrees of freedom from the variance, the mean alone took one.
    lost = math.sqrt((means.size - 1.0) / (means.size - 3.0))
    return of_noise(means, uncertainty * lost, max(dof - 2.0, 2.0))


@lru_cache(maxsize=8)
def _parabolas(batches: int) -> Floats:
    """Orthonormal base of all parabolas through equally long batches, shape (batches, 3)."""
    powers = np.vander(np.linspace(-1.0, 1.0, batches), 3)
    return np.asarray(np.linalg.qr(powers)[0], dtype=np.float64)
