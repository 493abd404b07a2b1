"""How a figure moves that is told seldom: from reading to reading, and by less the longer the next one does not come.

Between two readings nobody knows the course; that none came in a quarter of an hour does not show that nothing moves. Nor
does one step of what a probe can tell show how fast it moved: a figure that is read as the same takes as long to its next step
as it has been so, and one that steps back has hardly moved.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from rules.climate.memory import Said
from rules.terms.events import HOUR_MS, MINUTE_MS

SELDOM_MS = 5 * MINUTE_MS
"""A probe that speaks more seldom is not heard in each of the means that the slope of a moment is made of. By definition."""
ASKED_BACK_MS = 40 * MINUTE_MS
"""No slope is asked of an instant so long ago, and none over a longer time. By definition."""


ONE_STEP = 1.5
"""What is less than so many steps apart is one: corrections and several probes bend them a little. By definition."""


@dataclass(frozen=True, slots=True)
class Readings:
    """The believed readings of a figure: when they came, and what they said in thousandths; NaN: since then it is unknown."""

    at_ms: NDArray[np.int64]
    value_m: NDArray[np.float64]
    step_m: NDArray[np.float64] = field(default_factory=lambda: np.zeros(0))
    """In which steps each was told, as far as that was seen then; empty: as fine as one likes."""
    began: NDArray[np.intp] = field(init=False)
    """The place of the reading since which each value was read."""

    def __post_init__(self) -> None:
        if not len(self.step_m):
            object.__setattr__(self, "step_m", np.zeros(len(self.at_ms)))
        place = np.arange(len(self.at_ms))
        place[1:][self.value_m[1:] == self.value_m[:-1]] = 0
        object.__setattr__(self, "began", np.maximum.accumulate(place))

    @staticmethod
    def of(at_ms: NDArray[np.int64], value_m: NDArray[np.float64], step_m: NDArray[np.float64] | None = None) -> Readings:
        """Return readings, of which those that tell no more than that it is still unknown are left out."""
        known = ~np.isnan(value_m)
        news = known | np.concatenate(([False], known[:-1]))[: len(known)]
        return Readings(at_ms[news], value_m[news], np.zeros(0) if step_m is None else step_m[news])

    @staticmethod
    def remembered(said: Said) -> Readings:
        """Return readings as they were `kept`."""
        values = [np.nan if one is None else one for one in said.value_m]
        return Readings(np.array(said.at_ms, np.int64), np.array(values, np.float64), np.array(said.step_m, np.float64))

    def went_on(
        self, at_ms: NDArray[np.int64], value: NDArray[np.float64], read_ms: NDArray[np.int64], step: NDArray[np.float64]
    ) -> Readings:
        """Return them with those of a stretch: by its instants the value as it is believed (NaN: unknown), when the newest
        reading came by which it is, and in which steps it is told."""
        known = ~np.isnan(value)
        came = np.diff(read_ms, prepend=self.at_ms[-1] if len(self.at_ms) else at_ms[0] - 1) > 0
        lost = ~known & np.concatenate(([len(self.at_ms) > 0], known[:-1]))
        where = came | lost
        return Readings.of(
            np.concatenate((self.at_ms, at_ms[where])), np.concatenate((self.value_m, np.rint(value[where] * 1000.0))),
            np.concatenate((self.step_m, np.rint(step[where] * 1000.0))),
        )

    def kept(self, until_ms: int) -> Said:
        """Return what is remembered of them for all slopes that are asked of instants after this one."""
        newest = self.at_ms[max(int(self.at_ms.searchsorted(until_ms - ASKED_BACK_MS, "right")) - 1, 0) :]
        if not len(newest):
            return Said()
        first = max(int(self.at_ms.searchsorted(newest[0] - ASKED_BACK_MS, "right")) - 1, 0)
        since = int(self.began[first])
        before = int(self.began[max(since - 1, 0)])
        earlier = int(self.began[max(before - 1, 0)])  # wherever it was cut before, the beginning of that run is left
        left = np.unique([earlier, before, since, *range(first, len(self.at_ms))])
        values = [None if value != value else round(value) for value in self.value_m[left].tolist()]
        return Said(self.at_ms[left].tolist(), values, [round(step) for step in self.step_m[left].tolist()])

    def slope_at(self, now_ms: int, over_ms: int) -> float:
        """Return what `slope_h` says of one instant, several times faster."""
        new = max(int(self.at_ms.searchsorted(now_ms, "right")) - 1, 0)
        new_ms = int(self.at_ms[new]) if len(self.at_ms) else now_ms
        old = int(self.at_ms.searchsorted(new_ms - over_ms, "right")) - 1
        if old < 0:
            return float("nan")
        change, from_ms, least = float(self.value_m[new] - self.value_m[old]), int(self.at_ms[old]), ONE_STEP * self.step_m[new]
        if abs(change) <= least:
            (step,), (step_from_ms,) = (told.tolist() for told in self._last_step(np.array([new]), least))
            change, from_ms = (step, step_from_ms) if abs(step) <= least else (change, from_ms)
        return change / 1000.0 * (HOUR_MS / max(new_ms - from_ms, now_ms - new_ms))

    def slope_h(self, now_ms: NDArray[np.int64], over_ms: int) -> NDArray[np.float64]:
        """Return the change per hour up to the newest reading at each instant, from the newest that is so much older at least;
        where they are no more than one step apart, the last step by how long it was read as before.

        A probe that speaks when something moves has moved by less than the last time while it is silent: once the newest one is
        as old as both were apart, the change has taken as long as that. NaN: there are no such two.
        """
        if not len(self.at_ms):
            return np.full(len(now_ms), np.nan)
        new = np.maximum(self.at_ms.searchsorted(now_ms, "right") - 1, 0)
        new_ms = self.at_ms[new]
        old = self.at_ms.searchsorted(new_ms - over_ms, "right") - 1
        change, from_ms = self.value_m[new] - self.value_m[old], self.at_ms[old]
        least = ONE_STEP * self.step_m[new]
        unseen = np.abs(change) <= least
        if unseen.any():
            step, step_from_ms = self._last_step(new, least)
            stepped = unseen & (np.abs(step) <= least)
            change, from_ms = np.where(stepped, step, change), np.where(stepped, step_from_ms, from_ms)
        took_ms = np.maximum(new_ms - from_ms, now_ms - new_ms)
        return np.where(old < 0, np.nan, change / 1000.0 * (HOUR_MS / np.where(old < 0, 1, took_ms)))

    def _last_step(
        self, place: NDArray[np.intp], least: NDArray[np.float64]
    ) -> tuple[NDArray[np.float64], NDArray[np.int64]]:
        """Return by how much the value last changed before each place, 0 where it went one step there and back, and since when
        it was read as before that; NaN: it has not changed, or was unknown."""
        since = self.began[place]
        before = self.began[np.maximum(since - 1, 0)]
        earlier = np.maximum(before - 1, 0)
        step = np.where(since > 0, self.value_m[since] - self.value_m[before], np.nan)
        there = self.value_m[before] - self.value_m[earlier]
        return np.where((step * there < 0.0) & (np.abs(there) <= least), 0.0, step), self.at_ms[before]
