"""From the options of a pytest run to the bench of each test: live, simulated or recorded."""

from __future__ import annotations

import re
import zlib
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

import pytest

OPTIONS = ("bench_file", "bench_simulated", "bench_recording")
_LONGEST_NAME = 100


@dataclass(frozen=True)
class Wanted:
    """The bench of one test. `test` is its name within its module. A bench that is `live` is
    opened from `bench`, a bench file, which may be a simulated one; else the recording is
    replayed. `record`: it is to be made. `faults` is a plan of what goes wrong on purpose, which
    in a recording has happened already."""

    test: str
    session: Path | None
    bench: Path | None
    faults: Path | None
    recording: Path
    record: bool
    # Named by hand, so it may be that of another test.
    any_recording: bool

    @property
    def live(self) -> bool:
        return self.bench is not None


def check_options(config: pytest.Config) -> None:
    """Raises `pytest.UsageError` for what makes no sense together. Without options does nothing."""
    for problem in _problems(config):
        raise pytest.UsageError(problem)


def _problems(config: pytest.Config) -> Iterator[str]:
    given = [name for name in OPTIONS if config.getoption(name)]
    if len(given) > 1:
        yield f"{' and '.join(map(_spelt, given))} name two benches: give one of them"
    if config.getoption("bench_record") and not {"bench_file", "bench_simulated"} & set(given):
        yield "--bench-record needs a bench to record: give --bench-file as well"
    if "bench_simulated" in given and simulation(config) is None:
        words = "--bench-simulated needs the bench file that the ini key bench_simulation names"
        yield f"{words}{no_ini_file(config)}"
    for name in ("bench_file", "bench_recording"):
        path = config.getoption(name)
        if path is not None and not Path(path).is_file():
            yield f"{_spelt(name)}: there is no file {path}"
    if "bench_file" in given and _is_distributed(config) and not _is_simulated(config):
        yield (
            "--bench-file names real instruments, which cannot be shared: run its tests in one "
            "process, without -n"
        )


def _spelt(option: str) -> str:
    return f"--{option.replace('_', '-')}"


def _is_distributed(config: pytest.Config) -> bool:
    """Whether pytest-xdist runs the tests in other processes, or this is one of them."""
    sent = config.getoption("numprocesses", None) or config.getoption("tx", None)
    return bool(sent) or hasattr(config, "workerinput")


def _is_simulated(config: pytest.Config) -> bool:
    from benchrig.errors import FileProblems
    from benchrig.session import load_bench

    try:
        return load_bench(config.getoption("bench_file")).simulation is not None
    except FileProblems as problems:
        raise pytest.UsageError(str(problems)) from None


def simulation(config: pytest.Config) -> Path | None:
    """The bench file of a simulated bench that the ini file names."""
    return _of_ini(config, "bench_simulation")


def no_ini_file(config: pytest.Config) -> str:
    """A hint, where pytest has found no ini file: it takes a file that stands alone, as in
    ``--bench-file FILE``, for one of tests, and looks beside it."""
    if config.inipath is not None:
        return ""
    return "; pytest has found no ini file: are all options written with =, as --bench-file=FILE?"


def _of_ini(config: pytest.Config, key: str) -> Path | None:
    """A file that is named there, relative to the ini file."""
    name = str(config.getini(key))
    home = config.rootpath if config.inipath is None else config.inipath.parent
    return home / name if name else None


def wanted(item: pytest.Item) -> Wanted:
    """The bench of a test. Raises `pytest.UsageError` for a wrong marker."""
    config = item.config
    named = config.getoption("bench_recording")
    test = item.nodeid.partition("::")[2]
    kept = item.path.parent / str(config.getini("bench_recordings")) / item.path.stem
    recording = Path(named) if named else kept / f"{_file_name(test)}.jsonl"
    mode: Literal["missing", "all"] | None = config.getoption("bench_record")
    record = mode == "all" or (mode == "missing" and not recording.exists())
    return Wanted(
        test,
        session=_of_marker(item, "bench_session") or _of_ini(config, "bench_session"),
        bench=_bench(item),
        faults=_of_marker(item, "bench_faults"),
        recording=recording,
        record=record,
        any_recording=bool(named),
    )


def _bench(item: pytest.Item) -> Path | None:
    """A test that needs the real board is replayed unless a bench was asked for."""
    config = item.config
    if config.getoption("bench_file"):
        return Path(config.getoption("bench_file"))
    if config.getoption("bench_recording"):
        return None
    real = item.get_closest_marker("real_bench") is not None
    return None if real and not config.getoption("bench_simulated") else simulation(config)


def _of_marker(item: pytest.Item, name: str) -> Path | None:
    """The file that the closest of these markers names, relative to the test's module."""
    marker = item.get_closest_marker(name)
    if marker is None:
        return None
    if len(marker.args) != 1 or marker.kwargs:
        raise pytest.UsageError(f"{item.nodeid}: the marker {name} takes one file name")
    return item.path.parent / str(marker.args[0])


def _file_name(test: str) -> str:
    """A name for every file system, another one for each test of a module."""
    name = re.sub(r"[^A-Za-z0-9_.=-]+", "_", test)
    # Upper and lower case are one on some systems; so are long names that were cut.
    if name == test.lower() and len(name) <= _LONGEST_NAME:
        return name
    return f"{name[:_LONGEST_NAME]}-{zlib.crc32(test.encode('utf-8', 'surrogatepass')):08x}"
