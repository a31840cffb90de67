"""The command line starts at once: nothing heavy is loaded before it is needed."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
HEAVY = {"numpy", "scipy", "pyvisa", "pyvisa_py", "pydantic", "serial", "rich", "quantiphy"}
HEAVY |= {"jinja2", "matplotlib", "tomlkit"}


def loaded(arguments: list[str]) -> set[str]:
    """The modules in a fresh interpreter after a call that ends by itself."""
    program = (
        "import sys\n"
        "from benchrig.cli import main\n"
        f"main({arguments!r}, standalone_mode=False)\n"
        "print('modules:', *sys.modules)\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", program], cwd=ROOT, capture_output=True, text=True, check=True
    )
    assert "Usage:" in done.stdout
    return set(done.stdout.rpartition("modules:")[2].split())


@pytest.mark.parametrize(
    "arguments", [["--help"], ["find", "--help"], ["simulate", "--help"], ["report", "--help"]]
)
def test_help_loads_nothing_heavy(arguments: list[str]) -> None:
    modules = loaded(arguments)
    assert "benchrig.cli.find" in modules  # it looks at the right list
    assert modules & HEAVY == set()
