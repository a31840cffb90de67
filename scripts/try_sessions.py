"""Very many random sessions with random faults: what tests/records/any_session.py asks of each.

    .venv/bin/python scripts/try_sessions.py [--count 5000] [--seed 1]

Each is a random board on a random bench with a random session and plan of faults, on the virtual
clock, recorded and replayed. It must end within its time limits, be left safe, pass nothing without
a settled reading within its limits, and come out of its recording byte for byte. The exit status is
1 at the first that does not; it is made as small as it can be, and printed.
"""

from __future__ import annotations

import argparse
import collections
import sys
from collections.abc import Sequence
from pathlib import Path

import hypothesis

sys.path.insert(0, str(Path(__file__).parents[1]))

from tests.records.any_session import Trial, check, trials


def main(arguments: Sequence[str] | None = None) -> None:
    as_it_is = argparse.RawDescriptionHelpFormatter
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=as_it_is)
    parser.add_argument("--count", type=int, default=5000)
    parser.add_argument("--seed", type=int, default=1)
    asked = parser.parse_args(arguments)
    seen: collections.Counter[str] = collections.Counter()

    @hypothesis.seed(asked.seed)
    @hypothesis.settings(
        max_examples=asked.count,
        deadline=None,
        database=None,
        suppress_health_check=list(hypothesis.HealthCheck),
    )
    @hypothesis.given(trials())
    def tried(trial: Trial) -> None:
        result = check(trial)
        seen["sessions"] += 1
        seen[f"verdict {result.verdict}"] += 1
        seen["faults that struck"] += sum(event.kind == "injected" for event in result.events)

    try:
        tried()
    finally:
        told = ", ".join(f"{count} {name}" for name, count in sorted(seen.items()))
        print(f"seed {asked.seed}: {told}")


if __name__ == "__main__":
    main()
