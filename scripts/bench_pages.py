"""What a page costs: ten results of simulated sessions, with a battery life and a target.

    python scripts/bench_pages.py [--results 10] [--seed 1]

Once as a whole, ``benchrig report`` in a process of its own; and once in parts, in this process,
where everything is loaded already. Seeds count up from the one that is given.
"""

from __future__ import annotations

import argparse
import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from benchrig import run_session
from benchrig.assembly import assemble
from benchrig.pages.html import to_html
from benchrig.pages.life_part import lifetime_of
from benchrig.pages.measured import load_measured
from benchrig.pages.report import document
from benchrig.records.run_folder import RunFolder
from benchrig.session import load_bench, load_session

FIXTURES = Path(__file__).parents[1] / "fixtures"
SESSION, BENCH = FIXTURES / "hive-scale.session.toml", FIXTURES / "simulated.bench.toml"
PROFILE = FIXTURES / "hive-scale.profile.toml"
CELL = FIXTURES / "cells" / "lithium-manganese-dioxide-coin.cell.toml"
TARGET_S = 5 * 31_557_600.0


def make_results(out: Path, count: int, first_seed: int) -> list[Path]:
    session, bench = load_session(SESSION), load_bench(BENCH)
    assert bench.simulation is not None
    folders = []
    for seed in range(first_seed, first_seed + count):
        simulation = bench.simulation.model_copy(update={"seed": seed})
        made = assemble(bench.model_copy(update={"simulation": simulation}), session)
        with RunFolder(out, made.clock.now(), session.name) as folder:
            run_session(session, made, listeners=[folder])
        folders.append(folder.path)
    return folders


def whole(folders: list[Path], out: Path) -> None:
    words = ["report", *folders, "--profile", PROFILE, "--cell", CELL, "--target", "5 years"]
    before = os.times()
    began_s = time.perf_counter()
    command = [sys.executable, "-m", "benchrig", *map(str, words), "--out", str(out)]
    subprocess.run(command, check=True, stdout=subprocess.DEVNULL)
    took_s, after = time.perf_counter() - began_s, os.times()
    busy_s = after.children_user - before.children_user
    busy_s += after.children_system - before.children_system
    size = out.stat().st_size / 1e6
    print(
        f"benchrig report, {len(folders)} results: {took_s:.2f} s, {busy_s:.2f} s of a processor,"
    )
    print(f"a page of {size:.2f} MB; under 3 s: {'yes' if took_s < 3.0 else 'NO'}")


@contextmanager
def part(name: str, found: dict[str, float]) -> Iterator[None]:
    began_s = time.process_time()
    yield
    found[name] = time.process_time() - began_s


def parts(folders: list[Path]) -> None:
    found: dict[str, float] = {}
    with part("reading results and readings", found):
        measured = [load_measured(folder) for folder in folders]
    with part("battery life and target", found):
        life = lifetime_of(PROFILE, CELL, measured, TARGET_S, 0.95, 1)
    with part("what the page says", found):
        shown = document(measured, life)
    with part("plots and template", found):
        page = to_html(shown, "benchmark")
    for name, took_s in found.items():
        print(f"{name:30} {took_s:6.3f} s {100 * took_s / sum(found.values()):4.0f} %")
    plots = page.count("<svg ")
    print(f"{plots} plots: {1e3 * found['plots and template'] / plots:.1f} ms for each")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--results", type=int, default=10)
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    print(f"seeds {options.seed} to {options.seed + options.results - 1}")
    with tempfile.TemporaryDirectory() as folder:
        folders = make_results(Path(folder), options.results, options.seed)
        whole(folders, Path(folder) / "page.html")
        parts(folders)


if __name__ == "__main__":
    main()
