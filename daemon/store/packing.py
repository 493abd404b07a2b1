"""The readings of one batch as a few bytes: a tenth of what a row for each of them takes.

Instants (ms), values and the store's ids of the series stand one column after the other, compressed by zlib, whose checksum
tells of any byte that a failing disk has changed. Every bit of a value comes back.
"""

from __future__ import annotations

import zlib
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Self

import numpy as np
import structlog
from numpy.typing import NDArray

from rules.terms.events import Batch

_log = structlog.get_logger()
_BYTES = 3 * 8 + 4
"""Of one reading before it is compressed: three numbers of 64 bits and one of 32."""


@dataclass(frozen=True, slots=True)
class Columns:
    """Readings in stream order; `series` are the store's ids, a reading that is no number is NaN."""

    taken_ms: NDArray[np.int64]
    at_ms: NDArray[np.int64]
    series: NDArray[np.int64]
    value: NDArray[np.float64]

    @classmethod
    def of(cls, taken_ms: Any, at_ms: Any, series: Any, value: Any) -> Self:
        """Return columns of anything that numpy takes for one."""
        return cls(np.asarray(taken_ms, np.int64), np.asarray(at_ms, np.int64), np.asarray(series, np.int64),
                   np.asarray(value, np.float64))  # fmt: skip

    @classmethod
    def one(cls, parts: Sequence[Columns]) -> Self:
        """Return the parts, one after the other."""
        columns = zip(*((part.taken_ms, part.at_ms, part.series, part.value) for part in parts), strict=True)
        return cls.of(*(np.concatenate(column) for column in columns)) if parts else cls.of([], [], [], [])

    def where(self, keep: NDArray[np.bool_] | slice) -> Columns:
        """Return those of the readings."""
        return Columns(self.taken_ms[keep], self.at_ms[keep], self.series[keep], self.value[keep])


def packed(batch: Batch, codes: Sequence[int]) -> bytes | None:
    """Return the readings of a batch as bytes, None where it has none; `codes` are the store's ids of its series."""
    if not len(batch.value):
        return None
    # Steps compress better than instants do: most of them are alike.
    wide = np.diff(batch.taken_ms, prepend=0), batch.at_ms - batch.taken_ms, batch.value.view(np.int64)
    series = np.asarray(codes, "<i4")[batch.series_index]
    return zlib.compress(np.concatenate(wide).astype("<i8").tobytes() + series.tobytes(), 6)


def unpacked(body: bytes) -> Columns:
    """Return the readings that `packed` wrote; none, and a line in the log, where they cannot be read (a damaged disk).

    One lost minute must not keep the watch from going on.
    """
    try:
        whole = zlib.decompress(body)
        count = len(whole) // _BYTES
        steps, late, value = np.frombuffer(whole, "<i8", 3 * count).reshape(3, count)
        series = np.frombuffer(whole, "<i4", count, 3 * 8 * count)
    except (zlib.error, TypeError, ValueError) as error:
        _log.error("stored readings cannot be read and are left out", reason=str(error))
        return Columns.one([])
    taken_ms = np.cumsum(steps)
    return Columns.of(taken_ms, taken_ms + late, series, value.view("<f8"))
