"""Records a session: stands round its wires, is its clock, and listens to it."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path

from benchrig.clock import Clock, LatchedClock
from benchrig.errors import Fault, Interrupted
from benchrig.events import Event, Happened, Listener, SessionEnded, StateEnded
from benchrig.records.entries import Entry, as_json, note_of
from benchrig.records.recording import Header, Options, RecordingFile, WireHere, header_as_json
from benchrig.records.sources import Role, Source
from benchrig.wires import LineWire, Wire
from benchrig.wires.recording import Act, Failure, RecordingWire, Told

# Where a state begins or ends on a bench that is driven by hand.
_BY_HAND = ("entered", "woken")


class Recorder:
    """For one session, from its first act on a wire to its last:

        recorder = Recorder(clock)
        bench = assemble(..., clock=recorder.clock, wrap=recorder.wire)
        with recorder.to(path, sources, options):
            run_session(..., bench, listeners=recorder.listeners(...))

    Raises ``record_failed``, as a listener, when the disk does not take it: once, and never on a
    wire, where it could keep the bench from being left safe.
    """

    def __init__(self, clock: Clock) -> None:
        self.clock = LatchedClock(clock)
        self.clock.kept = self._slept
        self._wires: list[WireHere] = []
        self._file: RecordingFile | None = None
        self._path = Path()
        self._by_hand = False
        self._events = 0
        self._problem: OSError | None = None

    def wire(self, inner: Wire) -> LineWire:
        """The same wire, recorded."""
        self._wires.append(WireHere(inner.name, inner.address, inner.keeps_messages))
        return RecordingWire(inner, self.clock, self._put)

    @contextmanager
    def to(self, path: Path, sources: Mapping[Role, Source], options: Options) -> Iterator[None]:
        """Inside, what happens is recorded in a new file. Raises `UsageError` if it cannot be, and
        ``record_failed`` at the end if its last lines could not be."""
        self.clock.begin()
        started, start_s = self.clock.origin
        header = Header(started, start_s, tuple(self._wires), sources, options)
        self._path = path
        self._by_hand = options.by_hand is not None
        self._file = file = RecordingFile(path, header_as_json(header))
        try:
            yield
        finally:
            self._sync()
            self._file = None
            file.close()
        self._tell_problem()

    def listeners(self, *others: Listener) -> list[Listener]:
        """The recorder itself, and the others: what they raise is part of the session."""
        return [self, *map(self._watched, others)]

    def _watched(self, listener: Listener) -> Listener:
        def listen(event: Event) -> None:
            try:
                listener(event)
            except BaseException as error:
                time_s, failure = self.clock.told_s, Failure.of(error)
                act = Act("listener", time_s=time_s, count=self._events, failure=failure)
                self._put(act)
                raise

        return listen

    def __call__(self, event: Event) -> None:
        self._events += 1
        time_s = self.clock.told_s
        if isinstance(event, Happened) and self.clock.is_moving:
            told = Told(event.kind, event.text, event.data)
            self._put(Act("told", time_s=time_s, told=told))
        elif note := note_of(event, time_s):
            self._put(note)
        if self._ends_state(event):
            self._sync()
        self._tell_problem()

    def _ends_state(self, event: Event) -> bool:
        if isinstance(event, Happened):
            return self._by_hand and event.kind in _BY_HAND
        return isinstance(event, StateEnded | SessionEnded)

    def _tell_problem(self) -> None:
        if self._problem is not None:
            problem, self._problem = self._problem, None
            message = f"the recording {self._path} cannot be written: {problem}"
            raise Fault("record_failed", message) from problem

    def _slept(
        self, time_s: float, duration_s: float | None, interrupted: Interrupted | None
    ) -> None:
        failure = None if interrupted is None else Failure.of(interrupted)
        if duration_s is None:
            self._put(Act("check", time_s=time_s, failure=failure))
        else:
            self._put(Act("sleep", time_s=time_s, duration_s=duration_s, failure=failure))

    def _put(self, entry: Entry) -> None:
        if self._file is not None:
            try:
                self._file.put(as_json(entry))
            except OSError as error:
                self._give_up(error)

    def _sync(self) -> None:
        if self._file is not None:
            try:
                self._file.sync()
            except OSError as error:
                self._give_up(error)

    def _give_up(self, error: OSError) -> None:
        """What comes after a line that is lost would not fit to what is there."""
        self._file = None
        self._problem = error
