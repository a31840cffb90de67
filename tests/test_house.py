"""The rules of the house, checked on the source itself: who may import whom, who may look at a
clock, who may print, and that nothing tells of the machine that it was written on."""

from __future__ import annotations

import ast
import re
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

import benchrig

ROOT = Path(__file__).parents[1]
SOURCES = {
    ".".join(path.relative_to(ROOT).with_suffix("").parts).removesuffix(".__init__"): path
    for path in sorted((ROOT / "benchrig").rglob("*.py"))
}
TREES = {name: ast.parse(path.read_text("utf-8")) for name, path in SOURCES.items()}

# From the top down: whoever stands in one line may import what stands in it or below it. Modules
# that are named nowhere are the core, between the sequencer and the drivers.
LAYERS = (
    {"cli", "__main__", "testing"},
    {"pages"},
    {"records"},
    {"sequencer", "characterising"},
    {"core"},
    {"drivers"},
    {"wires", "session", "simulation", "energy", "measurement", "result", "events", "log"},
    {"clock", "units", "errors", "files"},
)
RANKS = {name: rank for rank, layer in enumerate(LAYERS) for name in layer}
PORTS = {"serial", "pyvisa", "pyvisa_py", "socket"}
# The far end of a real wire: it listens on loopback, for those who try out a bench.
SERVERS = {"benchrig.simulation.links"}
# Of the standard library, what does something else than compute and describe types.
BUSY = {"asyncio", "datetime", "io", "multiprocessing", "os", "pathlib", "random", "socket"}
BUSY |= {"subprocess", "tempfile", "threading", "time"}


def imported(tree: ast.AST) -> set[str]:
    """The full names of the modules, also of those that are imported late."""
    names: set[str] = set()
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            names |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, "imports are absolute"
            base = node.module or ""
            # `from benchrig import units` is an import of benchrig.units.
            full = {f"{base}.{alias.name}" for alias in node.names}
            names |= {name if name in SOURCES else base for name in full}
    return names


def within(name: str, package: str) -> bool:
    return name == package or name.startswith(package + ".")


def modules(package: str) -> list[str]:
    found = [name for name in TREES if within(name, package)]
    assert found
    return found


def ours(name: str) -> set[str]:
    return {other for other in imported(TREES[name]) if within(other, "benchrig")}


def rank(name: str) -> int:
    part = name.split(".")[1]
    return RANKS.get(part, RANKS["core"])


def calls(tree: ast.AST) -> Iterator[str]:
    """What is called, by its dotted name where it has one."""
    for node in ast.walk(tree):
        if isinstance(node, ast.Call) and isinstance(node.func, (ast.Name, ast.Attribute)):
            yield ast.unparse(node.func)


LOOKS_AT_A_CLOCK = re.compile(r"(^|\.)(datetime|date)\.(now|utcnow|today)$|^time\.")


def test_the_finders_find() -> None:
    tree = ast.parse(
        "import time\nfrom benchrig import units\nfrom os import path\n"
        "def late():\n    from serial.tools import list_ports\n"
        "    datetime.datetime.now(UTC); time.sleep(1); print('x'); self.clock.now()\n"
    )
    assert imported(tree) == {"time", "benchrig.units", "os", "serial.tools"}
    assert [name for name in calls(tree) if LOOKS_AT_A_CLOCK.search(name)] == [
        "datetime.datetime.now",
        "time.sleep",
    ]
    assert "print" in list(calls(tree))


@pytest.mark.parametrize("name", [name for name in TREES if "." in name])
def test_imports_run_downhill(name: str) -> None:
    uphill = {other for other in ours(name) if "." in other and rank(other) < rank(name)}
    assert not uphill


def test_only_wires_know_ports() -> None:
    for name, tree in TREES.items():
        roots = {other.split(".")[0] for other in imported(tree)}
        if not within(name, "benchrig.wires") and name not in SERVERS:
            assert not roots & PORTS, name


def test_simulation_and_drivers_are_strangers() -> None:
    files = ("session.fields", "session.sheet", "session.toml_file", "session.toml_lines")
    files += ("session.names",)  # of what a file holds, too
    allowed = (*files, "units", "errors", "clock", "wires.simulated", "simulation")
    for name in modules("benchrig.simulation"):
        for other in ours(name):
            assert any(within(other, f"benchrig.{each}") for each in allowed), (name, other)
    for name in modules("benchrig.drivers"):
        assert not any(within(other, "benchrig.simulation") for other in ours(name)), name


def test_wires_know_no_protocol() -> None:
    allowed = ("wires", "clock", "errors", "units")
    for name in modules("benchrig.wires"):
        for other in ours(name):
            assert any(within(other, f"benchrig.{each}") for each in allowed), (name, other)


@pytest.mark.parametrize("name", ["benchrig.drivers.scpi", "benchrig.drivers.lines"])
def test_protocols_do_no_io(name: str) -> None:
    for other in imported(TREES[name]):
        assert other.split(".")[0] not in BUSY, other
        assert not within(other, "benchrig.wires"), other
        assert not within(other, "benchrig.clock"), other


@pytest.mark.parametrize("name", modules("benchrig.measurement"))
def test_measurement_is_numerics_alone(name: str) -> None:
    for other in imported(TREES[name]):
        root = other.split(".")[0]
        if root == "benchrig":
            allowed = ("benchrig.measurement", "benchrig.units", "benchrig.errors")
            assert any(within(other, each) for each in allowed), other
        else:
            quiet = root in sys.stdlib_module_names and root not in BUSY
            assert quiet or root in ("numpy", "scipy"), other


@pytest.mark.parametrize("name", modules("benchrig.energy"))
def test_energy_is_numerics_alone(name: str) -> None:
    rooms = ("energy", "measurement", "result", "units", "errors")
    for other in imported(TREES[name]):
        root = other.split(".")[0]
        if root == "benchrig":
            assert any(within(other, f"benchrig.{room}") for room in rooms), other
        else:
            quiet = root in sys.stdlib_module_names and root not in BUSY
            assert quiet or root in ("numpy", "scipy"), other


def test_one_clock() -> None:
    for name, tree in TREES.items():
        if name != "benchrig.clock":
            assert "time" not in imported(tree), name
            assert not [call for call in calls(tree) if LOOKS_AT_A_CLOCK.search(call)], name


def test_the_library_prints_nothing() -> None:
    for name, tree in TREES.items():
        if not within(name, "benchrig.cli"):
            called = set(calls(tree))
            assert not called & {"print", "sys.stdout.write", "sys.stderr.write"}, name


def test_every_public_name_resolves() -> None:
    assert len(set(benchrig.__all__)) == len(benchrig.__all__)
    for name in benchrig.__all__:
        assert getattr(benchrig, name) is not None
    with pytest.raises(AttributeError):
        _ = benchrig.no_such_name


# Written so that this file does not name them.
MACHINE = re.compile(rf"(?<![\w.~])/({'wor' + 'k'}|tmp/{'bri' + 'ef'})(/|\b)")
GENERATED = {"__pycache__", "runs", "build", "dist"}


def own_files() -> Iterator[Path]:
    for path in ROOT.rglob("*"):
        parts = path.relative_to(ROOT).parts
        hidden = any(part.startswith(".") and part not in (".ci", ".gitignore") for part in parts)
        generated = any(part in GENERATED or part.endswith(".egg-info") for part in parts)
        if path.is_file() and not hidden and not generated:
            yield path


def test_no_file_names_a_place_of_this_machine() -> None:
    assert MACHINE.search("cd /wor" + "k/main")
    assert not MACHINE.search("firmware/wor" + "kshop")
    files = list(own_files())
    assert len(files) > 100
    for path in files:
        assert not MACHINE.search(path.read_text("utf-8", errors="replace")), path
