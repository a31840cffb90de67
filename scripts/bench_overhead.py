"""How much time benchrig itself costs: a session on the simulated bench in real time.

    python scripts/bench_overhead.py [--session FILE] [--board FILE] [--sheet FILE]

The far ends run in a process of their own, behind a pty and TCP ports. Prints, in s and as shares
of the wall time of the session:

    apertures   what the meter integrated
    physics     waiting that no program can shorten: the board's replies, its boot and its waking;
                the settling of ranges and supply; readings that wait for the next aperture
    ours        all the rest: bus traffic, numerics, files, and waiting too long

and then the cost of a reading above its aperture, by batch and one by one.
"""

from __future__ import annotations

import argparse
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

from benchrig.assembly import assemble
from benchrig.bench import Bench
from benchrig.clock import RealClock
from benchrig.drivers.meter import ReadingFormat
from benchrig.sequencer import run_session
from benchrig.session import load_session

FIXTURES = Path(__file__).parent.parent / "fixtures"


class Stopwatch:
    """Adds up the time spent in calls; of nested ones only the outermost counts."""

    def __init__(self) -> None:
        self.spent: dict[str, float] = {}
        self._inside = 0

    def wrap(self, owner: Any, method: str, name: str) -> None:
        inner: Callable[..., Any] = getattr(owner, method)

        def timed(*args: Any, **kwargs: Any) -> Any:
            self._inside += 1
            start_s = time.perf_counter()
            try:
                return inner(*args, **kwargs)
            finally:
                self._inside -= 1
                if not self._inside:
                    took_s = time.perf_counter() - start_s
                    self.spent[name] = self.spent.get(name, 0.0) + took_s

        setattr(owner, method, timed)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--session", type=Path, default=FIXTURES / "hive-scale.session.toml")
    parser.add_argument("--board", type=Path, default=FIXTURES / "boards" / "hive-scale.toml")
    parser.add_argument("--sheet", type=Path, default=FIXTURES / "meter-6-digit.toml")
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        bench_file = Path(folder) / "bench.toml"
        served = subprocess.Popen(
            [
                *(sys.executable, "-m", "benchrig", "simulate", options.board, "--supply"),
                *("--meter", options.sheet, "--write-bench", bench_file, "--until-stdin-closes"),
            ],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
        )
        try:
            assert served.stdout is not None
            served.stdout.readline()
            _session(options.session, bench_file)
            _readings(options.session, bench_file)
        finally:
            served.communicate()


def _session(session: Path, bench_file: Path) -> None:
    bench = assemble(bench_file, load_session(session), clock=RealClock())
    watch, readings = Stopwatch(), 0
    acquire = bench.meter.acquire

    def counted(count: int, *rest: Any) -> Any:
        nonlocal readings
        readings += count
        return acquire(count, *rest)

    bench.meter.acquire = counted  # type: ignore[method-assign]
    watch.wrap(bench.meter, "acquire", "acquiring")
    watch.wrap(bench.board.wire, "read", "board")
    watch.wrap(bench.clock, "sleep", "settling of ranges and supply")
    start_s = time.perf_counter()
    with bench:
        bench.connect()
        result = run_session(bench.session, bench)
    wall_s = time.perf_counter() - start_s
    apertures_s = readings * bench.meter.aperture_s
    physics_s = watch.spent["board"] + watch.spent["settling of ranges and supply"]
    ours_s = wall_s - apertures_s - physics_s
    print(f"session {result.session}: {result.verdict}, {readings} readings")
    print(f"{'wall time':<12}{wall_s:8.2f} s")
    for name, part_s in (("apertures", apertures_s), ("physics", physics_s), ("ours", ours_s)):
        print(f"{name:<12}{part_s:8.2f} s {100 * part_s / wall_s:6.1f} %")
    beyond_s = watch.spent["acquiring"] - apertures_s
    print(f"  of ours, fetching readings: {beyond_s:.2f} s")


def _readings(session: Path, bench_file: Path) -> None:
    bench = assemble(bench_file, load_session(session), clock=RealClock())
    with bench:
        bench.connect()
        costs = {form: _cost_s(bench, form) for form in ReadingFormat}
    batch_s = costs[ReadingFormat.BLOCK]
    print(f"cost of a reading above its aperture of {1000 * bench.meter.aperture_s:g} ms:")
    for form, cost_s in costs.items():
        print(f"  {form.value:<28}{1e6 * cost_s:8.0f} µs  {cost_s / batch_s:6.1f} times the first")


def _cost_s(bench: Bench, form: ReadingFormat, count: int = 100) -> float:
    meter = bench.meter
    meter.instrument.configure(
        "FORM:DATA REAL,64" if form is ReadingFormat.BLOCK else "FORM:DATA ASC",
        f"SAMP:COUN {1 if form is ReadingFormat.SINGLE else 2}",
    )
    # Past the driver's own choice of the best way, to compare the others with it.
    meter._sampler.restart()
    meter._sampler.format = form
    meter.acquire(2)
    start_s = time.perf_counter()
    meter.acquire(count)
    return (time.perf_counter() - start_s) / count - meter.aperture_s


if __name__ == "__main__":
    main()
