"""Makes events at a board while the meter reads."""

from __future__ import annotations

import math

from benchrig.bench import Bench
from benchrig.errors import Fault, NoReply
from benchrig.session.steps import Charge


class Maker:
    """Makes one event when it is due, in place of waiting for the meter."""

    def __init__(self, bench: Bench, charge: Charge, due_s: float, late_s: float) -> None:
        self._bench = bench
        self._charge = charge
        self._due_s = due_s
        self._late_s = late_s
        self.made_s = math.nan

    def wait(self, duration_s: float) -> None:
        clock = self._bench.clock
        until_s = clock.monotonic() + duration_s
        if math.isnan(self.made_s) and self._due_s <= until_s:
            self._bench.listen(max(self._due_s - clock.monotonic(), 0.0))
            self._make()
        self._bench.listen(max(until_s - clock.monotonic(), 0.0))

    def finish(self) -> None:
        """Raises ``events_late`` for one that did not come in time."""
        late_s = self.made_s - self._due_s
        if not late_s <= self._late_s:
            raise Fault(
                "events_late",
                f"the event that was due in {self._charge.state} came late, or not while the meter "
                "was reading: board, wires or computer are too slow for this period",
            )

    def _make(self) -> None:
        board, charge, clock = self._bench.board, self._charge, self._bench.clock
        clock.sleep(0.0)  # a latched clock may stand where the last answer came
        self.made_s = clock.monotonic()
        if charge.stimulus is not None:
            board.stimulate(charge.stimulus)
            if charge.pause > 0.0:
                self._bench.listen(charge.pause)
        for exchange in charge.exchanges:
            # Said once only: a second time may be a second event.
            once = exchange.model_copy(update={"attempts": 1})
            try:
                board.exchange(once)
            except NoReply as silence:
                raise Fault(
                    "event_missed",
                    f"board: no answer to an event in {charge.state}; {silence.message}",
                ) from silence
