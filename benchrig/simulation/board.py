"""The simulated board: a small state machine that answers on a UART and draws a current.

    off --release, hold--> booting --boot time--> a state --command, wake source--> another
     ^----- brown-out from anywhere;  booting again on a reset

It is the load of a `Circuit`, which calls it in order of time, and the far end of a wire.
Every change of its current is a new `Demand`.
"""

from __future__ import annotations

import math
import random
from functools import partial

from benchrig.simulation.agenda import Agenda
from benchrig.simulation.board_parts import BoardState, Following, WakeSource
from benchrig.simulation.circuit import Demand
from benchrig.simulation.currents import state_demand, with_extras
from benchrig.simulation.files import SimulatedBoardFile
from benchrig.simulation.uart import ENDINGS, Order, Receiver, Transmitter
from benchrig.simulation.wandering import WanderingCurrent

# The reset is held for so long after the voltage is good.
RESET_HOLD_S = 1e-3


class SimulatedBoard:
    """`state` is ``"off"``, ``"booting"`` or the name of a state; `boots` counts its boots.

    While `held` is set nothing that the board says gets out; it comes when `held` is cleared.
    """

    def __init__(self, file: SimulatedBoardFile, seed: int) -> None:
        self.file = file
        self.capacitance_F = file.decoupling
        self.state = "off"
        self.boots = 0
        self.held = False
        self.clock_Hz = file.clock
        self.loads: frozenset[str] = frozenset()
        self.falls_below_V = -math.inf
        self.rises_above_V = file.minimum_voltage + file.release_hysteresis
        self._random = random.Random(f"{seed} board garbage")
        self._agenda = Agenda()
        self._transmitter = Transmitter(file.uart.byte_s)
        self._receiver = Receiver(file.uart, file.commands)
        self._heard_until_s = 0.0
        self._replies = 0
        self._lines = {"open": False, "dtr": False, "rts": False, "brk": False}
        self._now: BoardState | None = None
        self._drawing: BoardState | None = None  # until it arrives in a state: the one before
        self._waking: WakeSource | None = None
        self._kept: list[int] = []
        self._steady = Demand(0.0, file.reset_conductance)
        self._wandering = WanderingCurrent(self._agenda, seed, file.defects, self._change)
        self.demand = self._steady
        self._change()

    # -- the far end of the wire ------------------------------------------------------------

    def connect(self, t: float) -> None:
        """What was said before, while nobody listened, is lost."""
        self._transmitter.fetch(t)
        self._lines["open"] = True
        self._change()

    def disconnect(self, t: float) -> None:
        self._lines = dict.fromkeys(self._lines, False)
        self._change()

    def receive(self, data: bytes, t: float) -> None:
        if self.file.defects.dead_uart:
            return
        for byte in data:
            self._heard_until_s = max(t, self._heard_until_s) + self.file.uart.byte_s
            self._agenda.add(self._heard_until_s, partial(self._hear, byte), lasting=True)

    def output(self, t: float) -> bytes:
        return b"" if self.held else self._transmitter.fetch(t)

    def next_output(self, t: float) -> float | None:
        if self.held or self.file.defects.dead_uart:
            return None
        at = min(self._transmitter.next_s(t), self._agenda.next_audible_s())
        return at if at < math.inf else None

    def set_line(self, line: str, asserted: bool, t: float) -> None:
        """What wakes is that a line becomes asserted, not that it is."""
        rises = asserted and not self._lines[line]
        self._lines[line] = asserted
        self._change()
        if rises:
            self._stimulus("break" if line == "brk" else line, t)

    # -- the load of the circuit ------------------------------------------------------------

    @property
    def next_event_s(self) -> float:
        return self._agenda.next_s

    def handle_events(self, t: float) -> None:
        self._agenda.run_due(t)

    def brown_out(self, t: float) -> None:
        self._forget(t)
        self.state = "off"
        self.falls_below_V = -math.inf
        self.rises_above_V = self.file.minimum_voltage + self.file.release_hysteresis
        self._draw(Demand(0.0, self.file.reset_conductance))

    def power_good(self, t: float) -> None:
        self.rises_above_V = math.inf
        self.falls_below_V = self.file.minimum_voltage
        self._agenda.add(t + RESET_HOLD_S, self._boot)

    def reset(self, t: float) -> None:
        """As by its reset pin; a board without power knows nothing of it."""
        if self.state != "off":
            self._boot(t)

    # -- states -----------------------------------------------------------------------------

    def _forget(self, t: float) -> None:
        """What a reset does to everything volatile."""
        self._agenda.drop()
        self._transmitter.cut(t)
        self._receiver.clear()
        self._now, self._drawing, self._waking = None, None, None
        self._kept.clear()
        self._wandering.clear()
        self.clock_Hz, self.loads = self.file.clock, frozenset()

    def _boot(self, t: float) -> None:
        self._forget(t)
        self.state = "booting"
        self.boots += 1
        self._draw(Demand(self.file.boot.current, 0.0))
        self._agenda.add(t + self.file.boot.time, self._booted)

    def _booted(self, t: float) -> None:
        if self.file.boot.banner is not None:
            self._say(self._encoded(self.file.boot.banner), t)
        self._enter(self.file.boot.state, t)

    def _enter(self, name: str, t: float) -> None:
        """From here on the board is in the state; its current comes after `entry_delay`."""
        self._agenda.drop()
        self._wandering.clear()
        self._waking = None
        self._now = state = self.file.state(name)
        self.state = name
        if state.sleep:
            self._receiver.clear()
        self._agenda.add(t + state.entry_delay, self._arrive, silent=True)
        for wake in state.wake:
            if wake.after is not None:
                self._agenda.add(t + wake.after, partial(self._wake, wake))
        if state.then is not None:
            self._agenda.add(t + state.then.after, partial(self._pass_on, state.then))
        reset = self.file.defects.spontaneous_reset
        if reset is not None and reset.state == name:
            self._agenda.add(t + reset.after, self._boot)
        self._wandering.enter(state, t)

    def _pass_on(self, then: Following, t: float) -> None:
        if then.says is not None:
            self._say(self._encoded(then.says), t)
        self._enter(then.state, t)

    def _arrive(self, t: float) -> None:
        assert self._now is not None
        self._drawing = self._now
        self._redraw()
        self._wandering.arrive(self._now, t)

    def _draw(self, demand: Demand) -> None:
        self._steady = demand
        self._change()

    def _change(self) -> None:
        driven = {line for line in ("dtr", "rts") if self._lines[line]}
        if self._lines["open"] and not self._lines["brk"]:  # an idle transmitter is high
            driven.add("tx")
        self.demand = with_extras(self.file, self._steady, driven, self._wandering.current_A)

    # -- waking -----------------------------------------------------------------------------

    def _stimulus(self, by: str, t: float, byte: int | None = None) -> bool:
        """Whether it wakes the board."""
        if self._now is None or self._waking is not None:
            return False
        for wake in self._now.wake:
            if wake.by == by and (wake.byte is None or wake.byte[0] == byte):
                self._wake(wake, t)
                return True
        return False

    def _wake(self, wake: WakeSource, t: float) -> None:
        if self._waking is None:
            self._waking = wake
            self._agenda.add(t + wake.time, self._woken)

    def _woken(self, t: float) -> None:
        wake = self._waking
        assert wake is not None
        kept, self._kept = self._kept, []
        if wake.into is None:
            self._boot(t)
            return
        self._enter(wake.into, t)
        for byte in kept:
            self._hear(byte, t)

    # -- talking ----------------------------------------------------------------------------

    def _hear(self, byte: int, t: float) -> None:
        if self._now is None:
            return
        if self._waking is None and not self._stimulus("byte", t, byte):
            if self._now.hears_commands:
                self._listen(byte, t)
        elif self._waking is not None and not self._waking.byte_lost:
            self._kept.append(byte)

    def _listen(self, byte: int, t: float) -> None:
        if self.file.uart.echo:
            self._say(bytes([byte]), t)
        order = self._receiver.hear(byte, t)
        if order is not None:
            self._obey(order, t)

    def _obey(self, order: Order, t: float) -> None:
        command = order.command
        if command is None:
            if self.file.uart.unknown_reply is not None:
                self._answer(self._encoded(self.file.uart.unknown_reply), t)
            return
        if command.reply_hex is not None:
            reply = command.reply_hex
        else:
            reply = b"" if order.reply is None else self._encoded(order.reply)
        self.clock_Hz = self.clock_Hz if command.clock is None else command.clock
        self.loads = (self.loads | {*command.loads_on}) - {*command.loads_off}
        self._redraw()
        if command.enters is None:
            self._answer(reply, t)
        else:
            self._leave_for(self.file.state(command.enters), reply, t)

    def _redraw(self) -> None:
        if self._drawing is not None:
            self._draw(state_demand(self.file, self._drawing, self.clock_Hz, self.loads))

    def _leave_for(self, state: BoardState, reply: bytes, t: float) -> None:
        """Acknowledge, wholly or not, then go."""
        if state.sleep and self.file.defects.stuck_awake:
            state = self.file.state(self.file.boot.state)
        if state.acknowledgement == "lost":
            reply = b""
        elif state.acknowledgement == "cut":
            reply = reply[: state.cut_after]
        self._agenda.add(self._answer(reply, t), lambda at: self._enter(state.name, at))

    def _answer(self, reply: bytes, t: float) -> float:
        """Say it after the usual delay; returns when the last byte is out."""
        at = t + self.file.uart.reply_delay
        if not reply:
            return at
        self._replies += 1
        late = self.file.defects.late_reply
        if late is not None and self._replies >= late.from_reply:
            at += late.extra
        if self.file.defects.garbage_reply:
            reply = self._random.randbytes(len(reply))
        return self._say(reply, at)

    def _say(self, data: bytes, t: float) -> float:
        return t if self.file.defects.dead_uart else self._transmitter.send(data, t)

    def _encoded(self, text: str) -> bytes:
        uart = self.file.uart
        return text.encode(uart.encoding, "replace") + ENDINGS[uart.send_ending]
