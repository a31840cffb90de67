"""The levels at the board's pins: pulses that wake it, and where its lines are parked."""

from __future__ import annotations

from typing import Literal

from benchrig.clock import Clock
from benchrig.errors import UsageError
from benchrig.events import Tell
from benchrig.session.bench_file import BoardPort, Parking
from benchrig.session.protocol import Stimulus, Wake
from benchrig.wires import LineWire

ModemLine = Literal["dtr", "rts"]


class Pins:
    """DTR, RTS and TX of a port. Whoever moves them has passed the gate. Raises `UsageError`
    where a line is to be moved whose level at rest the bench file does not tell: without it
    nobody knows which level is the pulse, and which one to come back to."""

    def __init__(self, wire: LineWire, clock: Clock, port: BoardPort, tell: Tell) -> None:
        self._wire = wire
        self._clock = clock
        self._port = port
        self._tell = tell
        self.parked: Parking | None = None

    @property
    def closed(self) -> bool:
        """Whether the port is closed, since that is how the lines are parked."""
        return self.parked is not None and self.parked.tx == "closed"

    def check(self, stimulus: Stimulus | Wake) -> None:
        """Raises if this pulse cannot be given."""
        self._level(stimulus)

    def _level(self, stimulus: Stimulus | Wake) -> tuple[str, bool]:
        """A line and its level at rest."""
        match stimulus.by:
            case "break":
                return "brk", False
            case "dtr" | "rts" as line:
                return line, self._rest(line)
        raise UsageError(f"a pulse by {stimulus.by!r} is none; a break, dtr or rts is")

    def _rest(self, line: ModemLine) -> bool:
        """A line of which the bench file says nothing is asserted by the system at opening."""
        level: bool | None = getattr(self._port, line)
        return True if level is None else level

    def pulse(self, stimulus: Stimulus | Wake) -> None:
        line, rest = self._level(stimulus)
        self._wire.set_lines(**{line: not rest})
        try:
            self._clock.sleep(stimulus.pulse)
        finally:
            # Also when interrupted: a line that stays where it was put holds the board.
            with self._clock.shielded():
                self._wire.set_lines(**{line: rest})

    def unparked_levels(self, parking: Parking) -> dict[str, bool]:
        """The levels to come back to, of all lines that `parking` moves."""
        levels = {} if parking.tx != "low" else {"brk": False}
        if parking.dtr is not None:
            levels["dtr"] = self._rest("dtr")
        if parking.rts is not None:
            levels["rts"] = self._rest("rts")
        return levels

    def park(self, parking: Parking) -> None:
        levels = {"DTR": parking.dtr, "RTS": parking.rts}
        put = "".join(
            f", {line} {'on' if on else 'off'}" for line, on in levels.items() if on is not None
        )
        self._tell("parked", f"lines parked: TX {parking.tx}{put}")
        if parking.tx == "closed":
            self._wire.close()
        else:
            brk = True if parking.tx == "low" else None
            self._wire.set_lines(brk=brk, dtr=parking.dtr, rts=parking.rts)
        self.parked = parking

    def unpark(self) -> None:
        """May raise what opening a port raises; the lines then count as parked still."""
        if self.parked is None:
            return
        if self.closed:
            self._wire.open()
        else:
            self._wire.set_lines(**self.unparked_levels(self.parked))
        self.parked = None
        self._tell("unparked", "lines as they were")
