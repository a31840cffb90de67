"""What is here to be wired: ports and addresses, without opening one that is not named."""

from __future__ import annotations

import errno
import os
from dataclasses import dataclass

from benchrig.clock import Clock
from benchrig.wires.opening import cannot_open


@dataclass(frozen=True)
class SerialPortHere:
    """`description` comes from the adapter and may hold any character."""

    port: str
    description: str


def serial_ports() -> list[SerialPortHere]:
    """What the system says about its serial ports; none is opened."""
    from serial.tools.list_ports import comports

    return [
        SerialPortHere(found.device, "" if found.description == "n/a" else found.description)
        for found in sorted(comports())
    ]


def visa_addresses(backend: str) -> tuple[list[str], list[str]]:
    """The addresses that a backend of pyvisa knows of, and what went wrong in asking it.

    Of ``@py`` only USB and GPIB are asked: its serial ports are those of the system, and it finds
    instruments on the network by a broadcast to everybody there. Raises what the backend raises,
    which may be any `Exception`, and may take as long as the backend likes.
    """
    import pyvisa
    from pyvisa.constants import InterfaceType

    manager = pyvisa.ResourceManager(backend)  # never closed: there is one for each backend
    if backend != "@py":
        return sorted(manager.list_resources("?*")), []
    from pyvisa_py.sessions import Session

    addresses: set[str] = set()
    problems: set[str] = set()
    for (interface, _), session in Session.iter_valid_session_classes():
        if interface in (InterfaceType.usb, InterfaceType.gpib):
            try:
                addresses.update(session.list_resources())
            except Exception as error:  # a driver that is missing is an error of its own kind
                problems.add(f"{interface.name.upper()}: {error}")
    return sorted(addresses), sorted(problems)


def try_port(port: str, clock: Clock) -> None:
    """Open and close a serial port. Raises `CannotOpen`.

    A device of a POSIX system keeps its settings, and DTR and RTS are not touched; that the
    system raises them while the port is open cannot be helped.
    """
    if os.name == "posix" and "://" not in port:
        _try_device(port)
        return
    from benchrig.wires.serial import SerialSettings, SerialWire

    wire = SerialWire("port", clock, SerialSettings(port))
    wire.open()
    wire.close()


def _try_device(path: str) -> None:
    import fcntl

    try:
        # Not blocking: else the opening may wait for a carrier.
        device = os.open(path, os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK)
        try:
            if not os.isatty(device):
                raise OSError(errno.ENOTTY, os.strerror(errno.ENOTTY))
            fcntl.flock(device, fcntl.LOCK_EX | fcntl.LOCK_NB)
        finally:
            os.close(device)
    except (OSError, ValueError) as error:
        raise cannot_open("port", path, error) from error
