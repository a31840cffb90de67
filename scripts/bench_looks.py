"""What does it cost to follow a record? Per look and per reading, for records of 10^3 to 10^7.

    python scripts/bench_looks.py [--largest 7] [--batch 400] [--seed 20]

The readings come live, at 1,000/s and in batches; the tolerance is so small that the current
never settles and every look is made. CPU time of this process:

    looks     number of looks so far, and the memory that the record takes
    per look  of those since the line before: what the last looks cost, not the average one
    per rdg   all of it, over all readings; x 1,000 is the share of a core at 1,000 readings/s
    growth    of the cost per look, per tenfold record: 10 would be a cost per look that grows
              with the record, 1 one that does not
"""

from __future__ import annotations

import argparse
import time

import numpy as np

from benchrig.measurement import Priors, SettlingWatch, settle, watch

RATE = 1000.0


class Timed:
    """Counts the looks and the CPU time that they take."""

    def __init__(self) -> None:
        self.looks = 0
        self.in_looks_s = 0.0
        self._look = watch.examine  # type: ignore[attr-defined]

    def __call__(self, *arguments: object) -> object:
        begun = time.process_time()
        found = self._look(*arguments)  # type: ignore[arg-type]
        self.in_looks_s += time.process_time() - begun
        self.looks += 1
        return found


def main() -> None:
    parser = argparse.ArgumentParser(description="Cost of following a record.")
    parser.add_argument("--largest", type=int, default=7, choices=range(3, 9))
    parser.add_argument("--batch", type=int, default=400, help="readings per call")
    parser.add_argument("--seed", type=int, default=20)
    options = parser.parse_args()
    random = np.random.default_rng(options.seed)
    # What is imported at the first look is no cost of a look.
    settle(np.arange(1, 200) / RATE, random.normal(1.0, 0.01, 199), Priors(guard_s=0.1))
    timed = watch.examine = Timed()  # type: ignore[assignment,attr-defined]
    follower = SettlingWatch(Priors(guard_s=0.1, tolerance=1e-9))
    size, spent_s = 0, 0.0
    before = (0, 0.0, 0.0)
    print(f"seed {options.seed}, batches of {options.batch}, numpy {np.__version__}")
    print("  readings  looks   memory  ms per look  us per rdg   growth  share of a core at 1000/s")
    for power in range(3, options.largest + 1):
        while size < 10**power:
            times = (size + np.arange(1, options.batch + 1)) / RATE
            readings = 1.0 + random.normal(0.0, 0.01, options.batch)
            begun = time.process_time()
            outcome = follower.add(times, readings)
            spent_s += time.process_time() - begun
            size += options.batch
        assert outcome.kind == "waiting", outcome
        looks, in_looks_s = timed.looks - before[0], timed.in_looks_s - before[1]
        each_s = in_looks_s / looks
        growth = f"{each_s / before[2]:8.2f}" if before[2] else "       -"
        entries = follower._record.entries
        memory = entries._entries.nbytes + entries._waiting.nbytes
        print(
            f"{size:10} {timed.looks:6} {memory / 1e6:5.2f} MB {1e3 * each_s:12.2f} "
            f"{1e6 * spent_s / size:11.2f} {growth} {1e2 * spent_s / size * RATE:10.2f} %"
        )
        before = (timed.looks, timed.in_looks_s, each_s)


if __name__ == "__main__":
    main()
