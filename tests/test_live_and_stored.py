"""What a session said live is what the pure functions say of the readings that it left behind."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from benchrig import load_bench, load_session, open_bench
from benchrig.events import Event, ReadingsTaken
from benchrig.measurement import Priors, settle
from benchrig.watching import ValueWatch

FIXTURES = Path(__file__).parent.parent / "fixtures"


def test_the_same_figures_live_and_from_the_stored_arrays(monkeypatch: pytest.MonkeyPatch) -> None:
    declared: list[tuple[Priors, float, float]] = []
    batches: list[ReadingsTaken] = []

    def listen(event: Event) -> None:
        if isinstance(event, ReadingsTaken) and event.outcome is not None:
            batches.append(event)

    inner = ValueWatch.__init__

    def declaring(watch: ValueWatch, priors: Priors, *, entered_s: float, since_s: float) -> None:
        declared.append((priors, entered_s, since_s))
        inner(watch, priors, entered_s=entered_s, since_s=since_s)

    monkeypatch.setattr(ValueWatch, "__init__", declaring)
    session = load_session(FIXTURES / "hive-scale.session.toml")
    bench_file = load_bench(FIXTURES / "simulated.bench.toml")
    with open_bench(bench_file, session, listeners=[listen]) as bench:
        bench.power_up()
        for state in session.states:
            batches.clear()
            bench.enter(state.name)
            assert bench._visit is not None
            entered_s = bench._visit.entered_s - bench.log.start_s
            row = bench.measure()
            kept = [event for event in batches if event.range_A == row.range_A]
            stored = settle(
                np.concatenate([event.times_s for event in kept]) - entered_s,
                np.concatenate([event.currents_A for event in kept]),
                declared[-1][0],
                entered_s=declared[-1][1],
                since_s=declared[-1][2],
            )
            assert stored.kind == "settled", row.name
            assert stored.readings == row.readings, row.name
            assert stored.current_A == pytest.approx(row.current_A, rel=1e-12), row.name
            assert stored.settled_after_s == pytest.approx(row.settled_after_s), row.name
            assert stored.averaged_for_s == pytest.approx(row.averaged_for_s), row.name
            averaging = next(line for line in row.budget if line.name == "averaging")
            live_A = averaging.contribution_A
            assert stored.standard_uncertainty_A == pytest.approx(live_A, rel=1e-9), row.name
