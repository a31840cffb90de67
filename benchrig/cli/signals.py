"""Ctrl-C and the system's requests to end, made a request to stop."""

from __future__ import annotations

import signal
from collections.abc import Iterator
from contextlib import contextmanager
from types import FrameType

from benchrig.clock import StopRequest

# SIGHUP: the terminal was closed. Neither it nor SIGBREAK is known to every system.
_NAMES = ("SIGINT", "SIGTERM", "SIGHUP", "SIGBREAK")


@contextmanager
def stop_on_signals(stop: StopRequest) -> Iterator[None]:
    """Inside, a signal makes the request to stop, which a clock heeds, and does nothing else: a
    second one must not cut short what leaves the bench safe. The old handlers come back afterwards.

    Works in the main thread only, as Python's handlers do.
    """

    def ask_to_stop(number: int, frame: FrameType | None) -> None:
        stop.make(signal.Signals(number).name)

    numbers = [getattr(signal, name) for name in _NAMES if hasattr(signal, name)]
    old = {number: signal.getsignal(number) for number in numbers}
    for number, handler in old.items():
        # Of these only the hang-up is ignored on purpose (nohup); a shell lets its background
        # jobs ignore Ctrl-C, but a measurement that is told to end must end.
        if handler is not signal.SIG_IGN or signal.Signals(number).name != "SIGHUP":
            signal.signal(number, ask_to_stop)
    try:
        yield
    finally:
        for number, handler in old.items():
            # None: it was not Python that had set the handler, and Python cannot set it again.
            signal.signal(number, signal.SIG_DFL if handler is None else handler)
