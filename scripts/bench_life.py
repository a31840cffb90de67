"""What a battery life costs: the whole calculation beside the plain numpy of the same draws.

    .venv/bin/python scripts/bench_life.py [--draws 100000] [--repeat 5] [--seed 1]

For each shipped cell: CPU time of `life` with invented currents, its ratio to drawing as many
random numbers with numpy and dividing capacity by current once for each draw, and the time for a
target with all its levers. The least of several repetitions counts.
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Callable
from functools import partial
from pathlib import Path

import numpy as np

from benchrig.energy import Currents, Drawn, life, quantity, sensitivities, targets
from benchrig.energy.life import Case
from benchrig.session.cell_file import CellFile
from benchrig.session.profile_file import ProfileFile
from benchrig.session.toml_file import read_toml

FIXTURES = Path(__file__).parents[1] / "fixtures"


def least_s(repeat: int, work: Callable[[], object]) -> float:
    times = []
    for _ in range(repeat):
        begun = time.process_time()
        work()
        times.append(time.process_time() - begun)
    return min(times)


def plain(case: Case, draws: int, seed: int) -> None:
    """One random number for each uncertain quantity, and C/I."""
    random = np.random.default_rng(seed)
    drawn = {
        name: budget.value + budget.standard_uncertainty * random.standard_normal(draws)
        for name, budget in case.quantities.items()
    }
    np.quantile(drawn["capacity"] / drawn["current of deep_sleep"], [0.05, 0.5, 0.95])


def case_for(cell: Path) -> Case:
    profile = read_toml(FIXTURES / "hive-scale.profile.toml", ProfileFile).profile
    currents_A = {"weigh": 6.5e-3, "lamp": 9.2e-3, "deep_sleep": 600e-9}
    drawn = {
        name: Drawn(quantity(name, value, 0.01 * value, "A", 2.0), "invented")
        for name, value in currents_A.items()
    }
    return Case(profile, Currents(drawn, minimum_voltage_V=2.2), read_toml(cell, CellFile).cell)


def main() -> None:
    parser = argparse.ArgumentParser(description="Cost of a battery life.")
    parser.add_argument("--draws", type=int, default=100_000)
    parser.add_argument("--repeat", type=int, default=5)
    parser.add_argument("--seed", type=int, default=1)
    asked = parser.parse_args()
    print(f"{asked.draws} draws, seed {asked.seed}, numpy {np.__version__}; CPU seconds")
    print("cell                              life  plain numpy  ratio  target  sensitivities")
    for path in sorted((FIXTURES / "cells").glob("*.cell.toml")):
        case = case_for(path)
        found = life(case, asked.draws, asked.seed)
        whole = least_s(asked.repeat, partial(life, case, asked.draws, asked.seed))
        least = least_s(asked.repeat, partial(plain, case, asked.draws, asked.seed))
        aim = least_s(1, partial(targets, case, found, found.median_years * 1.05))
        felt = least_s(1, partial(sensitivities, case))
        name = path.name.removesuffix(".cell.toml")
        print(f"{name:32} {whole:5.3f} {least:12.3f} {whole / least:6.1f} {aim:7.2f} {felt:8.3f}")


if __name__ == "__main__":
    main()
