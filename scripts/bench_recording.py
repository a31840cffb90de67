"""What a recording costs: its size, its share of the time of a session, and how fast it replays.

    python scripts/bench_recording.py [--minutes 5] [--rate 100] [--folder .]

A board sleeps, and is read at the given rate, on the virtual clock; every act is the same as in
real time. What recording takes is the time inside the recorder alone, as a share of the time that
the session would have taken; syncing is an fsync of what comes in 10 s, as where a state ends each
10 s. The file is in the given folder, whose disk counts. Sizes are
extrapolated to an hour. The ratio of a replay is that of the recordings under fixtures, each
replayed once before; it does not include reading the recording and its files, which is printed.
"""

from __future__ import annotations

import argparse
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

from benchrig.assembly import assemble
from benchrig.clock import VirtualClock
from benchrig.records.recorder import Recorder
from benchrig.records.recording import Options, RecordingFile, load_recording
from benchrig.records.replaying import recorded_files, replay
from benchrig.records.sources import read_sources
from benchrig.session import load_bench, load_session

FIXTURES = Path(__file__).parents[1] / "fixtures"
SESSION, BENCH = FIXTURES / "hive-scale.session.toml", FIXTURES / "simulated.bench.toml"

STATE_S = 10.0


class Stopwatch:
    """Adds up the time in calls, and takes off the time in calls that these make."""

    def __init__(self) -> None:
        self.took_s = 0.0

    def watching(self, call: Callable[..., Any], sign: float) -> Callable[..., Any]:
        def timed(*words: Any, **named: Any) -> Any:
            began_s = time.perf_counter()
            try:
                return call(*words, **named)
            finally:
                self.took_s += sign * (time.perf_counter() - began_s)

        return timed


def watched(recorder: Recorder, watch: Stopwatch) -> Callable[[Any], Any]:
    """Wires of which only the recording counts, not what they do."""

    def wrap(inner: Any) -> Any:
        for name in ("open", "close", "write", "read", "set_lines"):
            setattr(inner, name, watch.watching(getattr(inner, name), -1.0))
        wire = recorder.wire(inner)
        for name in ("open", "close", "write", "read", "set_lines"):
            setattr(wire, name, watch.watching(getattr(wire, name), 1.0))
        return wire

    return wrap


def measure(minutes: float, rate: float, path: Path) -> None:
    session, file = load_session(SESSION), load_bench(BENCH)
    meter = file.meter.model_copy(update={"nplc": 50.0 / rate})
    file = file.model_copy(update={"meter": meter})
    recorder, watch = Recorder(VirtualClock()), Stopwatch()
    recorder.clock.kept = watch.watching(recorder.clock.kept or (lambda *each: None), 1.0)
    bench = assemble(file, session, clock=recorder.clock, wrap=watched(recorder, watch))
    readings = 0

    def count(event: Any) -> None:
        nonlocal readings
        readings += len(getattr(event, "currents_A", ()))

    listen = watch.watching(recorder, 1.0)
    sources = read_sources(SESSION, BENCH, file)
    with recorder.to(path, sources, Options()), bench.log.session([listen, count]):
        bench.connect()
        bench.power_up()
        bench.enter("deep_sleep")
        began_s, before = bench.clock.monotonic(), path.stat().st_size
        watch.took_s, readings = 0.0, 0
        bench.record(60.0 * minutes)
        took_s = bench.clock.monotonic() - began_s
        size = path.stat().st_size - before
        spent_s = watch.took_s
        bench.leave()
    sync_s = measure_sync(path.with_name("sync.jsonl"), round(size / took_s * STATE_S))
    share, syncing = spent_s / took_s, sync_s / STATE_S
    print(f"{took_s:.0f} s at {readings / took_s:.0f} readings/s: {size / 1e6:.2f} MB")
    print(f"an hour: {size / took_s * 3600 / 1e6:.1f} MB")
    print(f"recording took {100 * share:.3f} % of the session, syncing {100 * syncing:.3f} %: ")
    print(f"{1e6 * spent_s / readings:.1f} us a reading, {1e3 * sync_s:.1f} ms to put and sync")


def measure_sync(path: Path, size: int) -> float:
    """How long it takes, in s, to put so many bytes and to have them on the disk."""
    file, times = RecordingFile(path, {"format": "none"}), 20
    began_s = time.perf_counter()
    for number in range(times):
        file.put({"t": number, "text": "x" * size})
        file.sync()
    took_s = time.perf_counter() - began_s
    file.close()
    return took_s / times


def measure_replays() -> None:
    for path in sorted((FIXTURES / "recordings").glob("*.jsonl")):
        replay(load_recording(path))
        began_s = time.perf_counter()
        recording = load_recording(path)
        files = recorded_files(recording)
        read_s, began_s = time.perf_counter() - began_s, time.perf_counter()
        replay(recording, files)
        ratio = recording.took_s / (time.perf_counter() - began_s)
        took = f"{recording.took_s:6.1f} s, {ratio:5.0f} times faster"
        print(f"replay of {path.stem:20} {took}, read in {1e3 * read_s:.1f} ms")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--minutes", type=float, default=5.0)
    parser.add_argument("--rate", type=float, default=100.0)
    parser.add_argument("--folder", type=Path, default=Path())
    options = parser.parse_args()
    with tempfile.TemporaryDirectory(dir=options.folder) as folder:
        measure(options.minutes, options.rate, Path(folder) / "r.jsonl")
    measure_replays()


if __name__ == "__main__":
    main()
