"""A record of bounded memory: what it keeps depends on the readings alone."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchrig.measurement.entries import CAPACITY, Entries
from benchrig.measurement.record import Record

SEED = 32


def readings(number):
    times = np.arange(1, number + 1) * 0.001
    return times, 1.0 + np.random.default_rng(SEED).normal(0.0, 0.1, number)


def filled(number, sizes, capacity=64):
    entries = Entries(capacity)
    times, currents = readings(number)
    first = 0
    while first < number:
        for size in sizes:
            entries.add(times[first : first + size], currents[first : first + size])
            first += size
    return entries


@given(st.integers(0, 1500), st.lists(st.integers(1, 400), min_size=1, max_size=9))
def test_entries_do_not_depend_on_the_chunks(number, sizes):
    whole, parts = filled(number, [max(number, 1)]), filled(number, sizes)
    assert (
        (whole.size, whole.per_entry) == (parts.size, parts.per_entry) == (number, whole.per_entry)
    )
    for name in ("times", "means", "scatter"):
        assert np.array_equal(getattr(whole, name), getattr(parts, name)), f"seed {SEED}"


@pytest.mark.parametrize("number", [1, 63, 64, 65, 128, 1000, 4096])
def test_entries_keep_mean_scatter_and_times(number):
    entries = filled(number, [7])
    times, currents = readings(number)
    kept = entries.means.size * entries.per_entry
    assert number - entries.per_entry < kept <= number
    assert entries.means.size <= 64
    assert entries.times[-1] == times[kept - 1]
    assert np.mean(entries.means) == pytest.approx(np.mean(currents[:kept]), rel=1e-13)
    scatter = np.var(entries.means) + np.mean(entries.scatter)
    assert scatter == pytest.approx(np.var(currents[:kept]), rel=1e-11, abs=1e-30)


def test_a_long_record_keeps_a_bounded_memory():
    record = Record()
    for _ in range(40):
        first_s = max(record.last_valid_s, 0.0)
        times, currents = readings(CAPACITY // 4)
        record.take(first_s + times, currents, 1 << 40)
    assert record.size == 10 * CAPACITY
    assert CAPACITY // 2 <= record.readings.size <= CAPACITY
    assert record.entries.per_entry == 16


def test_record_stops_at_the_size_and_not_before_the_time():
    times = np.arange(1.0, 11.0)
    currents = np.array([1.0, 9.9e37, 1, math.nan, 1, 1, 1, math.inf, 1, 1])
    record = Record(entered_s=0.0, since_s=1.5)
    assert record.take(times, currents, 3) == 6
    assert (record.size, record.overloads, record.invalid) == (3, 1, 1)
    assert record.take(times[6:], currents[6:], 3, not_before_s=8.5) == 3
    assert (record.size, record.overloads, record.last_valid_s) == (5, 2, 9.0)
