"""How sound is the settling rule? Simulated waveforms, whose lasting mean is known, against rules
that others have published.

    python scripts/bench_settling.py [--trials 2500] [--seed 20] [--family NAME ...]
                                     [--held-out] [--workers 2] [--details] [--guarded]

Rules: ours where the firmware announces that it sleeps, so that the record begins there
("announced"); there with a slowest noise of 0.5 s, declared of boards whose long record shows no
slow noise ("quiet"); and, where it is asked for, with a guard of 11 s instead ("guarded"); the
others are in `settling_rules`. Ours is told what a rig would declare: slowest time constant 8 s,
period of wake-ups, dead time, count, and of families with slow noise or sporadic events how slow or
rare they are. One line per family and rule:

    settled   reported as settled, %
    false     reported as settled while the transient in the averaged part is above the tolerance,
              or the current never settles, or the board has reset, % of all trials
    cover     lasting mean within the stated 95 % interval, % of the settled
    >5%       mean more than 5 % off the lasting one, % of the settled
    valued    a value was given, settled or with a wider interval, %
    cover     lasting mean within the stated interval, % of the other valued ones
    after     median time of the verdict, of those that settled, s
    /oracle   median, over those that settled, of that time over the time of one who knows the
              waveform: until its transient stays within 1 % for good, plus the averaging that its
              true noise needs, at least 1.6 s

"drift" and what resets have no mean to cover after the fact: left out of both covers.
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass

import numpy as np
from settling_families import FAMILIES, TIMES, TOLERANCE, Array, Waveform
from settling_held_out import HELD_OUT, OUTSIDE
from settling_rules import RULES, Verdicts

from benchrig.measurement import Outcome, Priors, SettlingWatch

OURS = {
    "announced": {"announced": True},
    "quiet": {"announced": True, "slowest_noise_s": 0.5},
    "guarded": {"guard_s": 11.0},
}
EVERY = {**FAMILIES, **HELD_OUT}
PART = 250
"""Trials per task: a seed of its own, so that the figures do not depend on the workers."""

COLUMNS = ("settled", "false", "cover", ">5%", "valued", "cover", "after", "/oracle")


@dataclass(frozen=True)
class Tally:
    """Per trial: what came of it."""

    settled: Array
    false: Array
    covered: Array
    wrong: Array
    valued: Array
    after_s: Array
    over_oracle: Array


def our_rule(waveform: Waveform, declared: dict[str, float]) -> tuple[float, ...]:
    """Settled, value, half-width, averaged from and to, as live readings in batches give them."""
    given = {"slowest_tau_s": 8.0, "tolerance": TOLERANCE} | declared | waveform.priors
    watch = SettlingWatch(Priors(**given), entered_s=0.0)  # type: ignore[arg-type]
    begin_s = waveform.asleep_s if "announced" in declared else 0.0
    begun = begin_s < TIMES
    watch.add(TIMES[begun] - begin_s, waveform.readings[begun])
    outcome: Outcome = watch.finish()
    half_width = outcome.expanded_uncertainty_A
    if outcome.current_A is None or half_width is None:
        return 0.0, np.nan, np.nan, 0.0, 0.0
    assert outcome.settled_after_s is not None
    assert outcome.averaged_for_s is not None
    first_s = begin_s + outcome.settled_after_s
    last_s = first_s + outcome.averaged_for_s
    return float(outcome.kind == "settled"), outcome.current_A, half_width, first_s, last_s


def ours(waveforms: list[Waveform], declared: dict[str, float]) -> Verdicts:
    found = np.array([our_rule(waveform, declared) for waveform in waveforms]).T
    return Verdicts(found[0] > 0.5, *found[1:])


def tally(waveforms: list[Waveform], verdicts: Verdicts) -> Tally:
    mean = np.array([waveform.mean for waveform in waveforms])
    oracle_s = np.array([waveform.oracle_s for waveform in waveforms])
    error = np.abs(verdicts.value - mean)
    false = [
        is_false(waveform, first_s, last_s)
        for waveform, first_s, last_s in zip(
            waveforms, verdicts.first_s, verdicts.last_s, strict=True
        )
    ]
    return Tally(
        settled=verdicts.settled,
        false=verdicts.settled & np.array(false),
        covered=error <= verdicts.half_width,
        wrong=error > 0.05 * mean,
        valued=np.isfinite(verdicts.value),
        after_s=verdicts.last_s,
        over_oracle=verdicts.last_s / oracle_s,
    )


def is_false(waveform: Waveform, first_s: float, last_s: float) -> bool:
    if not np.isfinite(last_s):
        return False
    inside = (first_s + 1e-9 < TIMES) & (last_s + 1e-9 >= TIMES)
    left = abs(float(np.mean(waveform.transient[inside]))) if np.any(inside) else 0.0
    over = left > TOLERANCE * waveform.mean
    return over or waveform.never_settles or last_s > waveform.reset_s


def run_part(
    family: str, seed: int, part: int, trials: int, our_rules: tuple[str, ...]
) -> dict[str, Tally]:
    random = np.random.default_rng([seed, list(EVERY).index(family), part])
    waveforms = [EVERY[family](random) for _ in range(trials)]
    readings = np.array([waveform.readings for waveform in waveforms])
    found: dict[str, Tally] = {}
    for rule in our_rules:
        if rule == "quiet" and "slowest_noise_s" in waveforms[0].priors:
            found[rule] = found["announced"]  # the family declares its own
        else:
            found[rule] = tally(waveforms, ours(waveforms, OURS[rule]))
    found |= {name: tally(waveforms, rule(readings)) for name, rule in RULES.items()}
    return found


def together(tallies: list[Tally]) -> Tally:
    return Tally(
        **{
            name: np.concatenate([getattr(part, name) for part in tallies])
            for name in Tally.__dataclass_fields__
        }
    )


def share(of: Array, among: Array) -> float:
    return 100.0 * float(np.mean(of[among])) if np.any(among) else np.nan


def row(found: Tally, has_mean: bool) -> list[float]:
    every, settled = np.ones(found.settled.size, bool), found.settled
    middle = [
        float(np.median(values[settled])) if np.any(settled) else np.nan
        for values in (found.after_s, found.over_oracle)
    ]
    covers = [
        share(found.covered, group) if has_mean else np.nan
        for group in (settled, found.valued & ~settled)
    ]
    return [
        share(settled, every),
        share(found.false, every),
        covers[0],
        share(found.wrong, settled) if has_mean else np.nan,
        share(found.valued, every),
        covers[1],
        *middle,
    ]


def over(column: Array, statistic: Callable[[Array], float]) -> float:
    known = column[np.isfinite(column)]
    return float(statistic(known)) if known.size else np.nan


def line(family: str, rule: str, figures: list[float]) -> str:
    cells = (f"{figure:8.2f}" if np.isfinite(figure) else "       -" for figure in figures)
    return f"{family:17} {rule:11}" + "".join(cells)


def main() -> None:
    parser = argparse.ArgumentParser(description="Settling rules on simulated waveforms.")
    parser.add_argument("--trials", type=int, default=2500)
    parser.add_argument("--seed", type=int, default=20)
    parser.add_argument("--family", nargs="*", choices=sorted(EVERY))
    parser.add_argument("--held-out", action="store_true", help="families that were not tuned on")
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--details", action="store_true", help="the other rules per family, too")
    parser.add_argument("--guarded", action="store_true", help="ours with a guard, too")
    options = parser.parse_args()
    our_rules = tuple(rule for rule in OURS if rule != "guarded" or options.guarded)
    families = options.family or list(HELD_OUT if options.held_out else FAMILIES)
    begun = time.perf_counter()
    print(f"seed {options.seed}, {options.trials} trials per family, numpy {np.__version__}")
    print(f"{'family':17} {'rule':11}" + "".join(f"{name:>8}" for name in COLUMNS))
    sizes = [min(PART, options.trials - at) for at in range(0, options.trials, PART)]
    rows: dict[str, list[list[float]]] = {rule: [] for rule in (*our_rules, *RULES)}
    with ProcessPoolExecutor(options.workers) as pool:
        tasks = {
            family: [
                pool.submit(run_part, family, options.seed, part, size, our_rules)
                for part, size in enumerate(sizes)
            ]
            for family in families
        }
        for family, parts in tasks.items():
            results = [part.result() for part in parts]
            for rule, known in rows.items():
                found = together([result[rule] for result in results])
                figures = row(found, family not in ("drift", "late_jump", "random_walk"))
                if rule in OURS or options.details:
                    mark = "*" if family in OUTSIDE else ""
                    print(line(family + mark, rule, figures), flush=True)
                if family not in OUTSIDE:
                    known.append(figures)
    print("\nunweighted over these families (medians: of the families' medians)")
    for rule, known in rows.items():
        if known:
            table = np.array(known)
            figures = [over(column, np.mean) for column in table[:, :6].T]
            figures += [over(column, np.median) for column in table[:, 6:].T]
            print(line("all", rule, figures))
    if any(family in OUTSIDE for family in families):
        print("* breaks a declared prior, so that no rule on the readings can know; not in 'all'")
    print(f"{time.perf_counter() - begun:.0f} s")


if __name__ == "__main__":
    main()
