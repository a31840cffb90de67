"""Projects of a firmware team, made for a test, and runs of pytest in them."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path

import benchrig.cli.signals
import benchrig.simulation.world
import benchrig.testing.benches
import benchrig.wires.simulated  # noqa: F401 - these once for all runs in this process

ROOT = Path(__file__).parents[2]
EXAMPLE = ROOT / "fixtures" / "firmware-tests"
PLUGIN = ("-p", "benchrig.testing.plugin", "-p", "no:cacheprovider")
# Far beyond what anything here needs; a run that hangs is ended and seen.
GIVE_UP_S = 120.0

INI = """
[pytest]
bench_session = hive-scale.session.toml
bench_simulation = simulated.bench.toml
"""


def project(folder: Path, tests: str, *, ini: str = INI) -> Path:
    """The files of the example with other tests. Returns where their recordings are kept."""
    folder.mkdir(exist_ok=True)
    for name in ("hive-scale.session.toml", "simulated.bench.toml"):
        text = (EXAMPLE / name).read_text("utf-8")
        (folder / name).write_text(text.replace('"../', f'"{ROOT}/fixtures/'), "utf-8")
    (folder / "pytest.ini").write_text(ini, "utf-8")
    (folder / "test_it.py").write_text(tests, "utf-8")
    return folder / "recordings" / "test_it"


def copy_of_example(folder: Path) -> Path:
    """With all that it refers to."""
    shutil.copytree(ROOT / "fixtures", folder / "fixtures")
    return folder / "fixtures" / EXAMPLE.name


@dataclass(frozen=True)
class Ended:
    status: int
    said: str


def run_pytest(folder: Path, *arguments: str | Path) -> Ended:
    """In a process of its own, with no plugin but ours, and warnings as errors."""
    paths = os.pathsep.join([str(ROOT), str(folder)])
    done = subprocess.run(
        [sys.executable, "-m", "pytest", *PLUGIN, "-W", "error", *map(str, arguments)],
        cwd=folder,
        env=os.environ | {"PYTEST_DISABLE_PLUGIN_AUTOLOAD": "1", "PYTHONPATH": paths},
        capture_output=True,
        text=True,
        encoding="utf-8",
        timeout=GIVE_UP_S,
    )
    return Ended(done.returncode, done.stdout + done.stderr)
