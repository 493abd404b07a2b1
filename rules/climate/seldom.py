"""How a figure moves that is told seldom: from reading to reading, and by less the longer the next one does not come.

Between two readings nobody knows the course; that none came in a quarter of an hour does not show that nothing moves.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rules.climate.memory import Said
from rules.terms.events import HOUR_MS, MINUTE_MS

SELDOM_MS = 5 * MINUTE_MS
"""A probe that speaks more seldom is not heard in each of the means that the slope of a moment is made of. By definition."""
ASKED_BACK_MS = 40 * MINUTE_MS
"""No slope is asked of an instant so long ago, and none over a longer time. By definition."""


@dataclass(frozen=True, slots=True)
class Readings:
    """The believed readings of a figure: when they came, and what they said in thousandths; NaN: since then it is unknown."""

    at_ms: NDArray[np.int64]
    value_m: NDArray[np.float64]

    @staticmethod
    def of(at_ms: NDArray[np.int64], value_m: NDArray[np.float64]) -> Readings:
        """Return readings, of which those that tell no more than that it is still unknown are left out."""
        known = ~np.isnan(value_m)
        news = known | np.concatenate(([False], known[:-1]))[: len(known)]
        return Readings(at_ms[news], value_m[news])

    @staticmethod
    def remembered(said: Said) -> Readings:
        """Return readings as they were `kept`."""
        values = [np.nan if one is None else one for one in said.value_m]
        return Readings(np.array(said.at_ms, np.int64), np.array(values, np.float64))

    def went_on(self, at_ms: NDArray[np.int64], value: NDArray[np.float64], read_ms: NDArray[np.int64]) -> Readings:
        """Return them with those of a stretch: by its instants the value as it is believed (NaN: unknown), and when the newest
        reading came by which it is."""
        known = ~np.isnan(value)
        came = np.diff(read_ms, prepend=self.at_ms[-1] if len(self.at_ms) else at_ms[0] - 1) > 0
        lost = ~known & np.concatenate(([len(self.at_ms) > 0], known[:-1]))
        where = came | lost
        return Readings.of(
            np.concatenate((self.at_ms, at_ms[where])), np.concatenate((self.value_m, np.rint(value[where] * 1000.0)))
        )

    def kept(self, until_ms: int) -> Said:
        """Return what is remembered of them for all slopes that are asked of instants after this one."""
        newest = self.at_ms[max(int(self.at_ms.searchsorted(until_ms - ASKED_BACK_MS, "right")) - 1, 0) :]
        if not len(newest):
            return Said()
        first = max(int(self.at_ms.searchsorted(newest[0] - ASKED_BACK_MS, "right")) - 1, 0)
        left = Readings.of(self.at_ms[first:], self.value_m[first:])
        return Said(left.at_ms.tolist(), [None if value != value else round(value) for value in left.value_m.tolist()])

    def slope_at(self, now_ms: int, over_ms: int) -> float:
        """Return what `slope_h` says of one instant, several times faster."""
        if not len(self.at_ms):
            return float("nan")
        new = max(int(self.at_ms.searchsorted(now_ms, "right")) - 1, 0)
        new_ms = int(self.at_ms[new])
        old = int(self.at_ms.searchsorted(new_ms - over_ms, "right")) - 1
        if old < 0:
            return float("nan")
        took_ms = max(new_ms - int(self.at_ms[old]), now_ms - new_ms)
        return (float(self.value_m[new]) - float(self.value_m[old])) / 1000.0 * (HOUR_MS / took_ms)

    def slope_h(self, now_ms: NDArray[np.int64], over_ms: int) -> NDArray[np.float64]:
        """Return the change per hour up to the newest reading at each instant, from the newest that is so much older at least.

        A probe that speaks when something moves has moved by less than the last time while it is silent: once the newest one is
        as old as both were apart, the change has taken as long as that. NaN: there are no such two.
        """
        if not len(self.at_ms):
            return np.full(len(now_ms), np.nan)
        new = np.maximum(self.at_ms.searchsorted(now_ms, "right") - 1, 0)
        new_ms = self.at_ms[new]
        old = self.at_ms.searchsorted(new_ms - over_ms, "right") - 1
        took_ms = np.maximum(new_ms - self.at_ms[old], now_ms - new_ms)
        change = (self.value_m[new] - self.value_m[old]) / 1000.0
        return np.where(old < 0, np.nan, change * (HOUR_MS / np.where(old < 0, 1, took_ms)))
