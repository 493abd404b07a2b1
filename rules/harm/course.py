"""Where a value goes if it goes on as now, and how long a garden bears that.

The account of one kind of harm: `used` grows by dt / bearable(value) while the value is outside its band, and dies down by
exp(-dt / HEAL_H) while it is inside. At 1 all that such a garden bears is used up. Judged is what is left of it along the
present course: the value, its trend where that goes the bad way and is more than noise, damped; a trend for the better is not
counted on before it has come.
"""

from __future__ import annotations

import math
from bisect import bisect_left, bisect_right
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rules.climate.onward import moved
from rules.trade.bearable import BEARABLE, HarmKind
from rules.trade.garden_sizes import SizeClass

Floats = NDArray[np.float64]

AHEAD_H = np.array([0.0, 0.25, 0.5, 1.0, 1.5, 2.0, 3.0, 4.0, 6.0, 8.0, 12.0])
"""Hours at which a course is looked at; after the last one it stays. Bookkeeping."""
_AHEAD_H: list[float] = AHEAD_H.tolist()
SOON = 2
"""Place in `AHEAD_H` of the time within which a value counts as what it is coming to: half an hour, as the trade's rule for
heat that runs away has it; common practice, no source."""
TREND_U_SHARE = 0.3
"""Relative standard uncertainty of a trend that is more than noise; estimate of our own. Two of them make the early end."""
_EXACT = 1e9  # rates are rounded, so that no other order of the same arithmetic can be seen, bookkeeping


@dataclass(frozen=True, slots=True)
class Courses:
    """The courses of some instants, row by row, and the harm per hour along them, at each of `AHEAD_H`; both for the worse.

    What is asked of few rows, or seldom, is worked out then.
    """

    value: Floats
    rate_per_h: Floats
    used: Floats
    """What is used up on the way, from nothing."""
    marks: list[float]
    """What is told anew when it is passed, the last one infinite."""

    def left_h(self, row: int, used: float) -> float:
        """Return the hours until all is used up along the course of that instant; infinite if never."""
        need = 1.0 - used
        if need <= 0.0:
            return 0.0
        ahead: list[float] = self.used[row].tolist()
        if need > ahead[-1]:
            rate = float(self.rate_per_h[row, -1])
            return _AHEAD_H[-1] + (need - ahead[-1]) / rate if rate > 0 else float("inf")
        place = bisect_left(ahead, need)
        before, after = ahead[place - 1], ahead[place]
        share = (need - before) / (after - before)
        return _AHEAD_H[place - 1] + share * (_AHEAD_H[place] - _AHEAD_H[place - 1])

    def lefts_h(self, rows: slice, used: Floats) -> Floats:
        """Return what `left_h` says of each of these rows with so much used up, for many several times faster."""
        need, ahead, rate = 1.0 - used, self.used[rows], self.rate_per_h[rows, -1]
        place = np.clip(np.count_nonzero(ahead < need[:, None], axis=1), 1, len(AHEAD_H) - 1)
        each = np.arange(len(need))
        before, after = ahead[each, place - 1], ahead[each, place]
        with np.errstate(divide="ignore", invalid="ignore"):
            within = AHEAD_H[place - 1] + (need - before) / (after - before) * (AHEAD_H[place] - AHEAD_H[place - 1])
            later = np.where(rate > 0, AHEAD_H[-1] + (need - ahead[:, -1]) / rate, np.inf)
        return np.where(need <= 0.0, 0.0, np.where(need > ahead[:, -1], later, within))

    def mark_h(self, row: int) -> float:
        """Return the hours until the course, which never turns back, passes the next mark; NaN: it passes none."""
        course: list[float] = self.value[row].tolist()
        mark = self.marks[bisect_right(self.marks, course[0])]
        after = next((place for place, value in enumerate(course) if value >= mark), 0)
        if not after:
            return float("nan")
        share = (mark - course[after - 1]) / (course[after] - course[after - 1])
        return _AHEAD_H[after - 1] + share * (_AHEAD_H[after] - _AHEAD_H[after - 1])


def courses(
    kind: HarmKind, size: SizeClass, value: Floats, edge: Floats, trend_per_h: Floats, end: Floats, shift: float
) -> Courses:
    """Return the courses of some instants.

    `edge`: where the band ends, inside of which nothing is used, and from which on harm begins from nothing; `trend_per_h`:
    change for the worse; `end`: what the course does not go beyond (a chamber that cools does not come below its room), NaN:
    nothing; `shift` is added to the value before the table is asked.
    """
    row = BEARABLE[kind]
    course = row.worse * value[:, None] + np.maximum(trend_per_h, 0.0)[:, None] * moved(AHEAD_H, row.damping_h)
    stop = np.where(np.isnan(end), np.inf, np.maximum(row.worse * end, row.worse * value))
    course = np.minimum(course, stop[:, None])
    at, logs = row.logs(size)
    begun = np.clip((course - row.worse * edge[:, None]) / row.onset, 0.0, 1.0)
    rate = np.rint(begun * np.exp(-np.interp(course + row.worse * shift, at, logs)) * _EXACT) / _EXACT
    steps = (rate[:, 1:] + rate[:, :-1]) / 2.0 * np.diff(AHEAD_H)
    used = np.concatenate((np.zeros((len(value), 1)), np.cumsum(steps, axis=1)), axis=1)
    return Courses(course, rate, used, [*(row.worse * mark for mark in row.marks_for(size)), math.inf])
