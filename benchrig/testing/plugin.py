"""The pytest plugin: the fixtures `bench` and `within_limits`, their options, keys and markers.

It does nothing for a project that uses none of them, and loads nothing of benchrig's before a test
asks for a bench.
"""

from __future__ import annotations

import signal
import threading
from collections.abc import Callable, Generator, Iterator
from contextlib import AbstractContextManager, ExitStack, contextmanager, nullcontext
from types import FrameType
from typing import TYPE_CHECKING

import pytest

from benchrig.errors import BenchrigError
from benchrig.testing.choosing import OPTIONS, Wanted, check_options, no_ini_file, wanted

if TYPE_CHECKING:
    from benchrig.bench import Bench
    from benchrig.clock import StopRequest
    from benchrig.result import DerivedResult, SessionResult, StateResult

_PASSED = pytest.StashKey[bool]()
_MARKERS = (
    "real_bench: needs the real board: replayed from its recording unless a bench is named",
    "bench_session(file): the session file of the fixture bench, relative to the test's module",
    "bench_faults(file): a fault plan, of what goes wrong on purpose at the fixture bench",
)
_INTERRUPTED = 2


def pytest_addoption(parser: pytest.Parser) -> None:
    group = parser.getgroup("benchrig", "benches that measure a board's supply current")
    group.addoption("--bench-file", metavar="FILE", help="run on the bench of this bench file")
    group.addoption(
        "--bench-simulated",
        action="store_true",
        help="run on the simulated bench that the ini key bench_simulation names",
    )
    group.addoption(
        "--bench-recording", metavar="FILE", help="replay this recording of a single test"
    )
    group.addoption(
        "--bench-record",
        choices=("missing", "all"),
        help="keep a recording of each test that passes, where there is none yet, or of all",
    )
    group.addoption(
        "--bench-strict",
        action="store_true",
        help="fail instead of skip where there is no recording to replay",
    )
    parser.addini("bench_session", "the session file of the fixture bench", default="")
    parser.addini("bench_simulation", "the bench file of a simulated bench", default="")
    parser.addini(
        "bench_recordings",
        "the folder with recordings, beside each test module",
        default="recordings",
    )


def pytest_configure(config: pytest.Config) -> None:
    for line in _MARKERS:
        config.addinivalue_line("markers", line)
    check_options(config)


def pytest_report_header(config: pytest.Config) -> list[str]:
    given = {name: config.getoption(name) for name in (*OPTIONS, "bench_record")}
    words = [f"{name} {value}" for name, value in given.items() if value]
    return [f"benchrig: {', '.join(words)}"] if words else []


@pytest.hookimpl(wrapper=True)
def pytest_runtest_makereport(
    item: pytest.Item,
) -> Generator[None, pytest.TestReport, pytest.TestReport]:
    report = yield
    if report.when == "call":
        item.stash[_PASSED] = report.passed
    return report


@pytest.fixture
def bench(request: pytest.FixtureRequest) -> Iterator[Bench]:
    """A bench with the board of the session file, open, the board awake and its identity known;
    live, simulated or replayed as the options say. Left safe after the test, whatever happens."""
    item = request.node
    choice = wanted(item)
    if not choice.live and not choice.recording.exists():
        _tell_missing(request, choice)
    if choice.live and choice.session is None:
        raise pytest.UsageError(
            "no session file: name it by the ini key or the marker bench_session"
            f"{no_ini_file(request.config)}"
        )
    with ExitStack() as stack:
        opening = _opened(choice, lambda: item.stash.get(_PASSED, False))
        try:
            made = stack.enter_context(opening)
        except BenchrigError as error:
            # A file or a port that is wrong is told in its own words: no code is to blame.
            raise pytest.fail.Exception(str(error), pytrace=False) from None
        item.user_properties.extend(_about(made, choice))
        yield made


@pytest.fixture
def within_limits(
    request: pytest.FixtureRequest,
) -> Callable[[StateResult | DerivedResult | SessionResult], None]:
    """`benchrig.testing.assert_within_limits`, which also keeps what was measured among the
    properties of the test's report."""
    from benchrig.row_text import rows_of, value_words
    from benchrig.testing import assert_within_limits

    def check(result: StateResult | DerivedResult | SessionResult) -> None:
        __tracebackhide__ = True
        for row in rows_of(result):
            request.node.user_properties.append((row.name, f"{row.verdict}: {value_words(row)}"))
        assert_within_limits(result)

    return check


def _tell_missing(request: pytest.FixtureRequest, choice: Wanted) -> None:
    rootpath, path = request.config.rootpath, choice.recording
    shown = path.relative_to(rootpath) if path.is_relative_to(rootpath) else path
    reason = (
        f"there is no recording {shown}; make it at a bench: pytest '{request.node.nodeid}' "
        "--bench-file=BENCH --bench-record=missing"
    )
    if request.config.getoption("bench_strict"):
        pytest.fail(reason, pytrace=False)
    pytest.skip(reason)


@contextmanager
def _opened(choice: Wanted, passed: Callable[[], bool]) -> Iterator[Bench]:
    # Late: these load numpy, pydantic and more.
    from benchrig.clock import StopRequest
    from benchrig.testing import benches

    path, test = choice.recording, choice.test
    if choice.bench is None:
        of = None if choice.any_recording else test
        with benches.replayed(choice.session, path, of, passed) as made:
            yield made
        return
    assert choice.session is not None
    stop = StopRequest()
    try:
        with _heeding(stop) as waiting:
            parts = benches.Parts(choice.session, choice.bench, choice.faults, stop)
            if choice.record:
                opening = benches.recorded_bench(parts, test, path, passed)
            else:
                opening = benches.live_bench(parts)
            with opening as made, waiting:
                yield made
    finally:
        if stop.reason is not None:
            pytest.exit(f"stopped by {stop.reason}", _INTERRUPTED)


@contextmanager
def _heeding(stop: StopRequest) -> Iterator[AbstractContextManager[None]]:
    """Inside, signals ask to stop, so that nothing cuts short what leaves the bench safe. Gives
    what is to be put round the test itself: there a second Ctrl-C interrupts at once, for it may
    wait for something else than the bench."""
    if threading.current_thread() is not threading.main_thread():
        yield nullcontext()
        return
    from benchrig.cli.signals import stop_on_signals

    with stop_on_signals(stop):
        yield _second_interrupts(stop)


@contextmanager
def _second_interrupts(stop: StopRequest) -> Iterator[None]:
    def interrupt(number: int, frame: FrameType | None) -> None:
        if stop.reason is not None:
            raise KeyboardInterrupt
        stop.make(signal.Signals(number).name)

    before = signal.signal(signal.SIGINT, interrupt)
    try:
        yield
    finally:
        signal.signal(signal.SIGINT, before)


def _about(bench: Bench, choice: Wanted) -> Iterator[tuple[str, object]]:
    """For reports such as JUnit XML."""
    simulation = bench.file.simulation
    yield "bench", bench.file.name
    yield "bench_is", "replayed" if not choice.live else "simulated" if simulation else "live"
    yield "meter", bench.meter.instrument.identity
    if simulation is not None:
        yield "simulated_seed", simulation.seed
    if bench.identity is not None:
        yield "serial_number", bench.identity.serial_number or ""
        yield "firmware", bench.identity.firmware or ""
