"""Makes the recordings under fixtures/recordings again, on simulated benches with fixed seeds.

    python scripts/make_recordings.py [FOLDER]

Without FOLDER those of fixtures/firmware-tests as well, which pytest makes.

They are the regression tests of the sequencer and of the numerics: what they hold is the result of
the day on which they were made. Make them again only after a change that is meant to change
results, and look at what it has changed.
"""

from __future__ import annotations

import json
import os
import re
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path

from benchrig.assembly import assemble
from benchrig.clock import VirtualClock
from benchrig.injecting import FaultPlan
from benchrig.records.recorder import Recorder
from benchrig.records.recording import Options
from benchrig.records.sources import Source, parse_sources, read_sources
from benchrig.sequencer import run_session
from benchrig.session import load_bench
from benchrig.wires.injections import AtMatch, Close, Cut, Injection

ROOT = Path(__file__).parents[1]
# Relative, so that no recording names the machine on which it was made.
SESSION, BENCH = Path("fixtures/hive-scale.session.toml"), Path("fixtures/simulated.bench.toml")

LOST_METER = FaultPlan(meter=(Injection(Close(), AtMatch(re.compile(rb"FETC\?"), number=40)),))
CUT_REPLY = FaultPlan(
    board=(Injection(Cut(), AtMatch(re.compile(rb"ok id"), side="received"), after=4),)
)


@dataclass(frozen=True)
class Made:
    name: str
    defect: str = ""
    only: tuple[str, ...] = ("idle", "deep_sleep")
    faults: FaultPlan | None = None
    seed: int = 1


RECORDINGS = (
    Made("good", only=()),
    Made("stuck-awake", "stuck-awake"),
    Made("leaky-capacitor", "leaky-capacitor"),
    Made("floating-input", "floating-input"),
    Made("late-drift", "late-drift"),
    Made("dead-uart", "dead-uart"),
    Made("spontaneous-reset", "spontaneous-reset"),
    Made("meter-lost", faults=LOST_METER),
    Made("reply-cut", faults=CUT_REPLY),
)


def make(entry: Made, folder: Path) -> str:
    """Returns the verdict."""
    sources = read_sources(SESSION, BENCH, load_bench(BENCH))
    board = f"boards/hive-scale-{entry.defect}.toml" if entry.defect else "boards/hive-scale.toml"
    text = sources["bench"].text.replace('"boards/hive-scale.toml"', json.dumps(board))
    sources["bench"] = Source(str(BENCH), text.replace("seed = 1", f"seed = {entry.seed}"))
    files = parse_sources(sources)
    recorder = Recorder(VirtualClock())
    bench = assemble(
        files.bench,
        files.session,
        clock=recorder.clock,
        wrap=recorder.wire,
        faults=entry.faults,
    )
    path = folder / f"{entry.name}.jsonl"
    path.unlink(missing_ok=True)
    with recorder.to(path, sources, Options(only=entry.only)):
        result = run_session(files.session, bench, only=entry.only, listeners=recorder.listeners())
    return result.verdict


def make_those_of_tests() -> None:
    folder = ROOT / "fixtures" / "firmware-tests"
    words = ["-q", "-p", "benchrig.testing.plugin", "-p", "no:cacheprovider"]
    subprocess.run(
        [sys.executable, "-m", "pytest", *words, "--bench-simulated", "--bench-record=all"],
        cwd=folder,
        env=os.environ | {"PYTEST_DISABLE_PLUGIN_AUTOLOAD": "1", "PYTHONPATH": str(ROOT)},
        check=True,
    )


def main() -> None:
    folder = Path(sys.argv[1]).resolve() if len(sys.argv) > 1 else ROOT / "fixtures" / "recordings"
    os.chdir(ROOT)
    folder.mkdir(parents=True, exist_ok=True)
    if len(sys.argv) == 1:
        make_those_of_tests()
    for entry in RECORDINGS:
        verdict = make(entry, folder)
        size = (folder / f"{entry.name}.jsonl").stat().st_size
        print(f"{entry.name:20} seed {entry.seed}  {verdict:10} {size / 1e3:6.0f} kB")


if __name__ == "__main__":
    main()
