"""How sound is the settling rule? Simulated waveforms, whose true mean is known, against a recipe.

    python scripts/bench_settling.py [--trials 400] [--seed 20] [--family NAME ...]

One line per family of waveforms, for the rule and for the naive recipe (wait 2 s, average 100
readings, 1.96 s/sqrt(n)):

    settled   reported as settled, %
    false     reported as settled while the transient in the averaged part is above the tolerance,
              or the current drifts, or the board reset within it, % of all trials
    cover     true mean within the stated 95 % interval, % of the values that were given (for
              "drift", which has none, and after a reset it only shows how wrong a value is)
    value     a value was given, settled or with a wider interval, %
    after     median time of the verdict when settled, s

All waveforms are invented: 20 readings/s, 60 s, settled base 1, white noise 0.3 %. The rule is told
what a rig would declare: guard 11 s, slowest time constant 8 s, period of wake-ups, dead time.
"""

from __future__ import annotations

import argparse
import math
import time
from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np

from benchrig.measurement import Outcome, Priors, SettlingWatch

Array = np.ndarray
Random = np.random.Generator

INTERVAL_S = 0.05
APERTURE_S = 0.04
LENGTH_S = 60.0
NOISE = 0.003
TOLERANCE = 0.01
TIMES = np.arange(1, round(LENGTH_S / INTERVAL_S) + 1) * INTERVAL_S


@dataclass(frozen=True)
class Waveform:
    """`readings` of a current whose lasting mean is `mean`; `transient` is what dies away."""

    readings: Array
    mean: float = 1.0
    transient: Array = field(default_factory=lambda: np.zeros(TIMES.size))
    never_settles: bool = False
    reset_s: float = -1.0
    priors: dict[str, float] = field(default_factory=dict)


def between(random: Random, low: float, high: float) -> float:
    """Log-uniform."""
    return float(math.exp(random.uniform(math.log(low), math.log(high))))


def white(random: Random, level: float = NOISE) -> Array:
    return random.normal(0.0, level, TIMES.size)


def decaying(random: Random, transient: Array) -> Waveform:
    return Waveform(1.0 + transient + white(random), transient=transient)


def exp_fast(random: Random) -> Waveform:
    size, tau = between(random, 1, 1000), between(random, 0.05, 0.5)
    return decaying(random, size * np.exp(-TIMES / tau))


def exp_slow(random: Random) -> Waveform:
    size, tau = between(random, 1, 1000), between(random, 0.5, 5)
    return decaying(random, size * np.exp(-TIMES / tau))


def two_exp(random: Random) -> Waveform:
    fast = between(random, 1, 1000) * np.exp(-TIMES / between(random, 0.05, 0.5))
    slow = between(random, 0.03, 2) * np.exp(-TIMES / between(random, 1, 8))
    return decaying(random, fast + slow)


def power_tail(random: Random) -> Waveform:
    return decaying(random, between(random, 0.02, 0.5) * TIMES ** -random.uniform(0.7, 1.3))


def undershoot(random: Random) -> Waveform:
    fast = between(random, 1, 100) * np.exp(-TIMES / between(random, 0.1, 0.5))
    slow = between(random, 0.03, 0.5) * np.exp(-TIMES / between(random, 1, 5))
    return decaying(random, fast - slow)


def firmware(random: Random) -> Waveform:
    plateau, until = between(random, 4, 500), random.uniform(0.2, 10)
    return decaying(random, plateau * (until > TIMES))


def noisy(random: Random) -> Waveform:
    return Waveform(1.0 + white(random, between(random, 0.003, 0.05)))


def correlated(random: Random, phi: float | None = None, level: float | None = None) -> Waveform:
    phi = random.uniform(0.5, 0.97) if phi is None else phi
    level = between(random, 0.003, 0.02) if level is None else level
    shocks = random.normal(0.0, level * math.sqrt(1 - phi**2), TIMES.size + 200)
    noise = np.empty(shocks.size)
    noise[0] = shocks[0] / math.sqrt(1 - phi**2)
    for index in range(1, shocks.size):
        noise[index] = phi * noise[index - 1] + shocks[index]
    return Waveform(1.0 + noise[200:])


def pink(random: Random) -> Waveform:
    size = 16 * TIMES.size
    spectrum = np.fft.rfft(random.normal(0.0, 1.0, size))
    frequency = np.fft.rfftfreq(size)
    frequency[0] = np.inf  # the mean of the long record, of which a part is seen, is zero
    long = np.fft.irfft(spectrum / np.sqrt(frequency), size)
    long *= between(random, 0.003, 0.02) / np.std(long)
    start = random.integers(0, size - TIMES.size)
    return Waveform(1.0 + long[start : start + TIMES.size])


def hum(random: Random) -> Waveform:
    phase = 2 * np.pi * (between(random, 0.02, 10) * TIMES + random.uniform())
    return Waveform(1.0 + between(random, 0.01, 0.2) * np.sin(phase) + white(random))


def telegraph(random: Random) -> Waveform:
    flips = random.uniform(size=TIMES.size) < INTERVAL_S / between(random, 0.2, 5)
    level = (np.cumsum(flips) + random.integers(2)) % 2
    step = between(random, 0.01, 0.2)
    return Waveform(1.0 + step * level + white(random), mean=1.0 + step / 2)


def bursts(random: Random, period: float, length: float, aperture: float) -> Waveform:
    """Bursts as an integrating meter sees them: charge within each aperture."""
    height = between(random, 5, 50)
    phase = random.uniform(0.0, period)

    def charge(until: Array) -> Array:
        cycles = np.floor((until + phase) / period)
        rest = (until + phase) - cycles * period
        return height * (cycles * length + np.minimum(rest, length))

    seen = (charge(TIMES) - charge(TIMES - aperture)) / aperture
    dead = 1.0 - aperture / INTERVAL_S
    return Waveform(
        1.0 + seen + white(random),
        mean=1.0 + height * length / period,
        priors={"period_s": period, "dead_share": dead if dead > 1e-9 else 0.0},
    )


def burst_gapless(random: Random) -> Waveform:
    return bursts(random, between(random, 0.5, 4), between(random, 0.002, 0.02), INTERVAL_S)


def burst_off_1pc(random: Random) -> Waveform:
    """Declared 1 % off, as a cheap clock is."""
    true = burst_gapless(random)
    wrong = true.priors["period_s"] * random.choice([0.99, 1.01])
    return Waveform(true.readings, true.mean, priors={"period_s": wrong})


def burst_blind(random: Random) -> Waveform:
    return bursts(random, between(random, 0.5, 4), between(random, 0.002, 0.02), APERTURE_S)


def burst_rare(random: Random) -> Waveform:
    return bursts(random, between(random, 8, 30), between(random, 0.02, 0.2), INTERVAL_S)


def burst_locked(random: Random) -> Waveform:
    period = INTERVAL_S * random.integers(10, 80)
    return bursts(random, period, between(random, 0.002, 0.02), APERTURE_S)


def drift(random: Random) -> Waveform:
    rate = between(random, 0.09, 1.2) / 60.0
    return Waveform(1.0 + rate * TIMES + white(random), never_settles=True)


def reset(random: Random) -> Waveform:
    at, factor = random.uniform(1, 40), between(random, 1.3, 100)
    level = np.where(at > TIMES, 1.0, factor)
    return Waveform(level + white(random), reset_s=at)


def quantised(random: Random) -> Waveform:
    count = between(random, 0.002, 0.05)
    level = 1.0 + random.uniform(-0.5, 0.5) * count
    readings = np.round((level + white(random, 0.1 * count)) / count) * count
    return Waveform(readings, mean=level, priors={"count_A": count})


def overloads(random: Random) -> Waveform:
    readings = 1.0 + white(random)
    return Waveform(np.where(random.uniform(size=TIMES.size) < 0.01, 9.9e37, readings))


def spikes(random: Random) -> Waveform:
    rate, height = between(random, 0.04, 0.4), between(random, 0.5, 5)
    seen = random.poisson(rate * INTERVAL_S, TIMES.size)
    return Waveform(1.0 + height * seen + white(random), mean=1.0 + height * rate * INTERVAL_S)


FAMILIES: dict[str, Callable[[Random], Waveform]] = {
    function.__name__: function
    for function in (
        exp_fast, exp_slow, two_exp, power_tail, undershoot, firmware, noisy, correlated, pink,
        hum, telegraph, burst_gapless, burst_off_1pc, burst_blind, burst_rare, burst_locked,
        drift, reset, quantised, overloads, spikes,
    )
}  # fmt: skip


@dataclass(frozen=True)
class Verdict:
    """What a rule said: value and half-width (NaN without value), averaged part, time."""

    settled: bool
    value: float
    half_width: float
    first_s: float
    last_s: float


def our_rule(waveform: Waveform) -> Verdict:
    given: dict[str, float] = {"guard_s": 11.0, "slowest_tau_s": 8.0, "tolerance": TOLERANCE}
    watch = SettlingWatch(Priors(**(given | waveform.priors)))
    for first in range(0, TIMES.size, 8):
        part = slice(first, first + 8)
        outcome: Outcome = watch.add(TIMES[part], waveform.readings[part])
        if outcome.kind == "settled":
            break
    outcome = watch.finish()
    half_width = outcome.expanded_uncertainty_A
    if outcome.current_A is None or half_width is None:
        return Verdict(False, math.nan, math.nan, 0.0, 0.0)
    assert outcome.settled_after_s is not None
    assert outcome.averaged_for_s is not None
    last_s = outcome.settled_after_s + outcome.averaged_for_s
    settled = outcome.kind == "settled"
    return Verdict(settled, outcome.current_A, half_width, outcome.settled_after_s, last_s)


def naive_recipe(waveform: Waveform) -> Verdict:
    part = waveform.readings[40:140]
    half_width = 1.96 * float(np.std(part, ddof=1)) / 10.0
    return Verdict(True, float(np.mean(part)), half_width, 2.0, 7.0)


RULES = {"ours": our_rule, "naive": naive_recipe}


def is_false(waveform: Waveform, verdict: Verdict) -> bool:
    if not verdict.settled:
        return False
    inside = (verdict.first_s < TIMES) & (verdict.last_s + 1e-9 >= TIMES)
    left = abs(float(np.mean(waveform.transient[inside])))
    within_reset = waveform.reset_s >= 0.0 and verdict.last_s > waveform.reset_s
    return left > TOLERANCE * waveform.mean or waveform.never_settles or within_reset


def line(family: str, rule: str, results: list[tuple[Waveform, Verdict]]) -> str:
    total = len(results)
    valued = [(w, v) for w, v in results if not math.isnan(v.value)]
    covered = sum(abs(v.value - w.mean) <= v.half_width for w, v in valued)
    settled = [v for _, v in results if v.settled]
    false = sum(is_false(w, v) for w, v in results)
    cover = f"{100 * covered / len(valued):7.1f}" if valued else "      -"
    after = f"{np.median([v.last_s for v in settled]):7.1f}" if settled else "      -"
    return (
        f"{family:14} {rule:6} {100 * len(settled) / total:7.1f} {100 * false / total:7.1f} "
        f"{cover} {100 * len(valued) / total:7.1f} {after}"
    )


def main() -> None:
    parser = argparse.ArgumentParser(description="Settling rules on simulated waveforms.")
    parser.add_argument("--trials", type=int, default=400)
    parser.add_argument("--seed", type=int, default=20)
    parser.add_argument("--family", nargs="*", choices=sorted(FAMILIES), default=list(FAMILIES))
    options = parser.parse_args()
    begun = time.perf_counter()
    print(f"seed {options.seed}, {options.trials} trials, numpy {np.__version__}; all in %")
    print(f"{'family':14} {'rule':6} settled   false   cover   value   after/s")
    for family in options.family:
        # A seed of its own, so that one family alone repeats what it does among the others.
        random = np.random.default_rng([options.seed, list(FAMILIES).index(family)])
        waveforms = [FAMILIES[family](random) for _ in range(options.trials)]
        for rule, verdict in RULES.items():
            print(line(family, rule, [(w, verdict(w)) for w in waveforms]))
    print(f"{time.perf_counter() - begun:.0f} s")


if __name__ == "__main__":
    main()
