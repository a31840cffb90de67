"""Why a port or an address could not be opened, in words that say what to do."""

from __future__ import annotations

import errno

from benchrig.errors import CannotOpen

_BUSY = "port_busy", "is in use by another program: end that program first"
_MISSING = "port_missing", "is not there: check the cable and the name of the port"
_REASONS = {
    errno.EAGAIN: _BUSY,  # what flock says of a port that somebody holds exclusively
    errno.EBUSY: _BUSY,
    errno.ENOENT: _MISSING,
    errno.ENODEV: _MISSING,
    errno.ENXIO: _MISSING,
    errno.EIO: _MISSING,
    errno.EACCES: (
        "cannot_open",
        "may not be opened by this user: on Linux, join the group that owns the port",
    ),
    errno.ENOTTY: ("cannot_open", "is not a serial port"),
    errno.ECONNREFUSED: (
        "cannot_open",
        "refused the connection: check the port number, that the instrument's network "
        "interface is on, and that nobody else is connected",
    ),
    errno.EINVAL: (
        "cannot_open",
        "does not take these settings: check data bits, parity and stop bits",
    ),
}


def error_number(error: BaseException | None) -> int | None:
    """The system's number for `error`, or for what lies behind it: pyserial drops it from some of
    its own exceptions, and termios.error has it only among its arguments."""
    while error is not None:
        number = getattr(error, "errno", None)
        if number is None and type(error).__module__ == "termios" and error.args:
            number = error.args[0]
        if isinstance(number, int):
            return number
        error = error.__cause__ or error.__context__
    return None


def cannot_open(name: str, address: str, error: Exception) -> CannotOpen:
    """What to raise, from `error`, when opening `address` failed with it."""
    number = error_number(error)
    if number in _REASONS:
        kind, reason = _REASONS[number]
        return CannotOpen(kind, name, f"{address} {reason} ({error})")
    # All that pyvisa-py says of a host that does not answer.
    advice = "; check the address, the network and that it is on" if "connect" in str(error) else ""
    return CannotOpen("cannot_open", name, f"{address} could not be opened: {error}{advice}")
