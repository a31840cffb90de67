"""Readings that grow for ever, kept in a bounded memory."""

from __future__ import annotations

import numpy as np

from benchrig.measurement.averaging import Floats

CAPACITY = 1 << 16
"""Entries, above which neighbours are merged. An hour at 1,000 readings/s becomes 64 ms each."""


class Entries:
    """Valid readings in the order in which they came, as equally heavy entries.

    An entry is one reading, until there are more than `capacity` of them; then each two
    neighbours become one, and from there on every two readings, then every four and so on. All
    entries hold equally many readings (`per_entry`), so that whoever looks at them may take them
    for readings of a slower meter. What they hold depends on the readings alone and not on how
    they were brought here. Readings that don't fill an entry yet are not shown.
    """

    def __init__(self, capacity: int = CAPACITY) -> None:
        self._capacity = capacity
        # Rows: end of the entry in s, mean in A, mean square of its readings about it in A^2.
        self._entries = np.empty((3, 256))
        self._filled = 0
        self._waiting = np.empty((2, 0))
        self.per_entry = 1
        self.size = 0

    @property
    def times(self) -> Floats:
        """End of each entry, shape (entries,), in s."""
        return self._entries[0, : self._filled]

    @property
    def means(self) -> Floats:
        """Mean current of each entry, shape (entries,), in A."""
        return self._entries[1, : self._filled]

    @property
    def scatter(self) -> Floats:
        """Variance of the readings within each entry about its mean, in A^2; 0 for one reading."""
        return self._entries[2, : self._filled]

    def add(self, times: Floats, currents: Floats) -> None:
        """Takes `times` and `currents` in, shape (n,), n up to the capacity at a time or more."""
        self.size += times.size
        if self.per_entry == 1 and self._filled + times.size <= self._capacity:
            new = self._room(times.size)
            new[0], new[1], new[2] = times, currents, 0.0
            return
        for first in range(0, times.size, self._capacity):
            part = slice(first, first + self._capacity)
            new = np.array((times[part], currents[part]), dtype=np.float64)
            waits = self._waiting.shape[1] > 0
            self._waiting = np.concatenate((self._waiting, new), axis=1) if waits else new
            self._fill()

    def _fill(self) -> None:
        while (whole := self._waiting.shape[1] // self.per_entry) > 0:
            taken = min(whole, self._capacity - self._filled)
            if taken == 0:
                self._merge()
                continue
            readings = self._waiting[:, : taken * self.per_entry]
            self._append(readings.reshape(2, taken, self.per_entry))
            self._waiting = self._waiting[:, taken * self.per_entry :]

    def _append(self, readings: Floats) -> None:
        # Merged pair by pair, as a full record is: the same sums in the same order.
        entries = np.zeros((3, *readings.shape[1:]))
        entries[:2] = readings
        while entries.shape[2] > 1:
            entries = _pairs(entries[:, :, 0::2], entries[:, :, 1::2])
        self._room(readings.shape[1])[:] = entries[:, :, 0]

    def _room(self, taken: int) -> Floats:
        """For so many entries more; to be filled."""
        while self._filled + taken > self._entries.shape[1]:
            self._entries = np.concatenate((self._entries, np.empty_like(self._entries)), axis=1)
        self._filled += taken
        return self._entries[:, self._filled - taken : self._filled]

    def _merge(self) -> None:
        half = self._filled // 2
        entries = self._entries[:, : 2 * half]
        self._entries[:, :half] = _pairs(entries[:, 0::2], entries[:, 1::2])
        self._filled = half
        self.per_entry *= 2


def _pairs(first: Floats, second: Floats) -> Floats:
    apart = (second[1] - first[1]) / 2.0
    return np.stack(
        (second[0], first[1] + apart, (first[2] + second[2]) / 2.0 + apart**2), dtype=np.float64
    )
