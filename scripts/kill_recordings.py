"""Kills a recorded session at random moments, with SIGKILL, and loads what is left of it.

    python scripts/kill_recordings.py [--times 100] [--seed 2026]

Prints what is wrong, if anything, and how much was left each time; ends with 1 if anything was.
"""

from __future__ import annotations

import argparse
import random
import sys
import tempfile
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

from benchrig.records.recording import load_recording
from tests.records.killing import killed


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--times", type=int, default=100)
    parser.add_argument("--seed", type=int, default=2026)
    options = parser.parse_args()
    chance, wrong, torn, states = random.Random(options.seed), 0, 0, 0
    with tempfile.TemporaryDirectory() as folder:
        for number in range(options.times):
            path = Path(folder) / f"{number}.jsonl"
            lacking = killed(path, chance.random())
            if lacking is not None:
                wrong += 1
                print(f"{number}: {lacking}")
            elif b"\n" in path.read_bytes():
                recording = load_recording(path)
                torn += recording.torn is not None
                states += len(recording.rows)
    print(f"seed {options.seed}: {options.times} sessions killed, {wrong} recordings wrong")
    print(f"{torn} with a torn last line, {states} ended states found again")
    sys.exit(1 if wrong else 0)


if __name__ == "__main__":
    main()
