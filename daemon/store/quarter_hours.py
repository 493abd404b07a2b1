"""Readings as minima, means and maxima of quarters of an hour, by the instant of their measurement."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from daemon.store.packing import Columns
from rules.terms.events import MINUTE_MS

QUARTER_HOUR_MS = 15 * MINUTE_MS
Folded = tuple[NDArray[Any], ...]
"""Series, begin (ms), count, minimum, mean, maximum: a column each, as the store's table `quarter_hour` has them."""


def quarters_of(readings: Columns) -> Folded:
    """Return the quarter-hours of some readings; what is no number is not counted."""
    good = readings.where(~np.isnan(readings.value))
    begin_ms = good.at_ms // QUARTER_HOUR_MS * QUARTER_HOUR_MS
    return folded([(good.series, begin_ms, np.ones(len(begin_ms), np.int64), good.value, good.value, good.value)])


def folded(parts: Sequence[Folded]) -> Folded:
    """Return the parts as one, in which each quarter-hour of a series stands once."""
    whole = [np.concatenate(column) for column in zip(*parts, strict=True)]
    if not whole or not len(whole[0]):
        return tuple(np.empty(0) for _ in range(6))
    order = np.lexsort((whole[1], whole[0]))
    series, begin_ms, count, least, mean, most = (column[order] for column in whole)
    first = np.flatnonzero((np.diff(series, prepend=-1) != 0) | (np.diff(begin_ms, prepend=-1) != 0))
    together = np.add.reduceat(count, first)
    weighed = np.add.reduceat(mean * count, first) / together
    return (series[first], begin_ms[first], together, np.minimum.reduceat(least, first), weighed,
            np.maximum.reduceat(most, first))  # fmt: skip
