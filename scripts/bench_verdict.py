"""How soon, and how surely, is a board known to pass or fail? Simulated waveforms of known mean.

    python scripts/bench_verdict.py [--trials 60] [--seed 21] [--family NAME ...]

For each family of waveforms (settling_families.py: invented, 20 readings/s, 60 s) and each ratio of
the true mean to the maximum, three ways to a verdict:

    verdict   VerdictWatch, which stops as soon as pass or fail is certain (2.5 % each)
    value     SettlingWatch until the current is known to 1 %, then the three-way decision
    fixed     wait 2 s, average 100 readings, 1.96 s/sqrt(n), three-way decision: 7 s for all

    right     pass below a ratio of 1, fail above it, %
    wrong     the other verdict: falsely accepted above 1, falsely rejected below, %
    median    time of the verdict, s (60 without one), and its mean
    crossed   median time from which on the current stays on its own side of the limit, s: no rule
              on the readings can be sure before it

A current that drifts or resets has no settled mean: a verdict on it is wrong if the current was on
the other side of the limit when it was given. All rules are told what a rig would declare: guard
11 s, slowest time constant 8 s, period of the wake-ups, dead time; and that the state is a sleep.
"""

from __future__ import annotations

import argparse
import math
import time
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from settling_families import FAMILIES, LENGTH_S, TIMES, Waveform
from settling_held_out import HELD_OUT

from benchrig.measurement import Priors, SettlingWatch, judge
from benchrig.measurement.sequential import VerdictWatch

Family = Callable[[np.random.Generator], Waveform]

RATIOS = (0.5, 0.8, 0.95, 1.05, 1.2, 2.0)
ALL: dict[str, Family] = FAMILIES | HELD_OUT
SHORT = (
    "exp_fast", "exp_slow", "two_exp", "power", "undershoot", "fw_delay", "white_noise", "ar1",
    "pink", "hum", "telegraph", "quantised", "spikes", "burst_gapless", "burst_short", "overload",
    "drift", "late_jump",
)  # fmt: skip


@dataclass(frozen=True)
class Given:
    """A verdict, and when it was given."""

    verdict: str
    after_s: float


def by_verdict(waveform: Waveform, maximum: float) -> Given:
    watch = VerdictWatch(priors(waveform), None, maximum, sleeps=True)
    watch.add(TIMES, waveform.readings)
    found = watch.finish()
    return Given(found.kind, found.decided_after_s or LENGTH_S)


def by_value(waveform: Waveform) -> Callable[[float], Given]:
    watch = SettlingWatch(priors(waveform))
    watch.add(TIMES, waveform.readings)
    found = watch.finish()
    value, uncertainty = found.current_A, found.expanded_uncertainty_A
    if value is None or uncertainty is None:
        return lambda maximum: Given(found.kind, LENGTH_S)
    settled = found.kind == "settled"
    assert found.settled_after_s is not None
    assert found.averaged_for_s is not None
    after_s = found.settled_after_s + found.averaged_for_s if settled else LENGTH_S
    return lambda maximum: Given(judge(value, uncertainty, None, maximum), after_s)


def by_fixed(waveform: Waveform) -> Callable[[float], Given]:
    part = waveform.readings[40:140]
    mean, half_width = float(np.mean(part)), 1.96 * float(np.std(part, ddof=1)) / 10.0
    return lambda maximum: Given(judge(mean, half_width, None, maximum), float(TIMES[139]))


def priors(waveform: Waveform) -> Priors:
    given = {"guard_s": 11.0, "slowest_tau_s": 8.0, "tolerance": 0.01}
    return Priors(**(given | waveform.priors))


def bad(waveform: Waveform, given: Given, maximum: float) -> bool:
    """Whether the board's current is above `maximum`, as it was when the verdict was given."""
    if not waveform.never_settles and given.after_s <= waveform.reset_s:
        return waveform.mean > maximum
    now = waveform.readings[max(round(given.after_s / TIMES[0]) - 20, 0) :][:20]
    return float(np.median(now)) > maximum


def crossed_s(waveform: Waveform, ratio: float) -> float:
    level = waveform.mean + waveform.transient
    other = level > waveform.mean / ratio if ratio < 1.0 else level < waveform.mean / ratio
    places = np.flatnonzero(other)
    return float(TIMES[places[-1]]) if places.size else 0.0


def lines(name: str, waveforms: list[Waveform]) -> tuple[str, dict[float, float]]:
    """The table of a family, and how many times faster than the fixed rule it was by ratio."""
    table, faster = [], {}
    values, fixed = [by_value(w) for w in waveforms], [by_fixed(w) for w in waveforms]
    for ratio in RATIOS:
        maxima = [waveform.mean / ratio for waveform in waveforms]
        rules = [
            [by_verdict(w, maximum) for w, maximum in zip(waveforms, maxima, strict=True)],
            [value(maximum) for value, maximum in zip(values, maxima, strict=True)],
            [rule(maximum) for rule, maximum in zip(fixed, maxima, strict=True)],
        ]
        columns = [column(waveforms, maxima, given) for given in rules]
        crossed = float(np.median([crossed_s(w, ratio) for w in waveforms]))
        table.append(f"{name:14} {ratio:5.2f} {crossed:7.2f} |" + " |".join(columns))
        medians = [float(np.median([given.after_s for given in rule])) for rule in rules]
        faster[ratio] = medians[2] / medians[0]
    return "\n".join(table), faster


def column(waveforms: list[Waveform], maxima: list[float], given: list[Given]) -> str:
    is_bad = [bad(*each) for each in zip(waveforms, given, maxima, strict=True)]
    pairs = list(zip(given, is_bad, strict=True))
    right = [each.verdict == ("fail" if above else "pass") for each, above in pairs]
    wrong = [each.verdict == ("pass" if above else "fail") for each, above in pairs]
    after = [each.after_s for each in given]
    return (
        f"{100 * np.mean(right):6.0f} {100 * np.mean(wrong):5.1f} "
        f"{np.median(after):6.2f} {np.mean(after):6.2f}"
    )


def main() -> None:
    parser = argparse.ArgumentParser(description="Time to a verdict, and its errors.")
    parser.add_argument("--trials", type=int, default=60)
    parser.add_argument("--seed", type=int, default=21)
    parser.add_argument("--family", nargs="*", choices=sorted(ALL), default=list(SHORT))
    options = parser.parse_args()
    begun = time.perf_counter()
    print(f"seed {options.seed}, {options.trials} trials, numpy {np.__version__}")
    head = " right wrong median   mean"
    print(f"{'':28} |" + " |".join(f"{rule:^26}" for rule in ("verdict", "value", "fixed")))
    print(f"{'family':14} {'ratio':>5} crossed |" + " |".join([head] * 3))
    faster: dict[float, list[float]] = {ratio: [] for ratio in RATIOS}
    for name in options.family:
        # A seed of its own, so that one family alone repeats what it does among the others.
        random = np.random.default_rng([options.seed, list(ALL).index(name)])
        waveforms = [ALL[name](random) for _ in range(options.trials)]
        table, by_ratio = lines(name, waveforms)
        print(table, flush=True)
        for ratio, factor in by_ratio.items():
            faster[ratio].append(factor)
    for ratio, factors in faster.items():
        among = math.exp(float(np.mean(np.log(factors))))
        least = sum(factor >= 5.0 for factor in factors)
        print(
            f"ratio {ratio:g}: {among:.1f} times as fast as fixed 100 readings (geometric mean of "
            f"the families' medians); 5 times or more in {least} of {len(factors)} families"
        )
    print(f"{time.perf_counter() - begun:.0f} s")


if __name__ == "__main__":
    main()
