"""Wires: how bytes travel to one instrument. They know no protocol.

The only room that imports pyserial or pyvisa. A wire turns whatever those libraries raise
into `CannotOpen`, `WireLost` or `NoReply`, with the cause chained.
"""

from __future__ import annotations

from typing import Protocol


class Wire(Protocol):
    """Bytes to and from one instrument.

    `name` is the instrument's part in the bench (``"board"``, ``"meter"``, ``"supply"``) and
    `address` what the bench file says. A wire may be opened again after `close`.
    """

    name: str
    address: str
    # True where the interface itself marks the end of a message (GPIB, USBTMC, VXI-11, HiSLIP):
    # `read` then returns one whole message. False on byte streams, where the reader must find it.
    keeps_messages: bool

    def open(self) -> None:
        """Raises `CannotOpen` (kinds ``port_missing``, ``port_busy``, ``cannot_open``)."""
        ...

    def close(self) -> None:
        """Never raises; closing twice is fine."""
        ...

    def write(self, data: bytes) -> None:
        """Send all of `data`. Raises `WireLost`; a write that cannot finish is a lost wire,
        since nobody knows how much of it has arrived."""
        ...

    def read(self, timeout_s: float) -> bytes:
        """What has arrived, as soon as there is at least one byte; ``b""`` after `timeout_s`.

        ``read(0)`` returns only what is there already. Raises `WireLost` at once when the peer
        has closed, and `Interrupted` when the clock was asked to stop.
        """
        ...


class LineWire(Wire, Protocol):
    """A wire to a UART, with its modem-control lines."""

    def set_lines(
        self, *, dtr: bool | None = None, rts: bool | None = None, brk: bool | None = None
    ) -> None:
        """Set levels that are not None; True asserts the line (`brk`: holds TX low)."""
        ...
