"""What the routine may ask of the climate's past: whole hours, never single readings."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, Protocol

import numpy as np
from numpy.typing import NDArray

Hourly = Literal["temperature_c", "relative_humidity_pct", "vapour_pressure_deficit_pa", "dew_margin_k"]


@dataclass(frozen=True, slots=True)
class Hours:
    """One quantity of one chamber, one value per whole hour, oldest first; NaN where the hour is not known."""

    mean: NDArray[np.float64]
    lowest: NDArray[np.float64]
    highest: NDArray[np.float64]

    @property
    def known(self) -> int:
        """Number of hours that are known."""
        return int(np.count_nonzero(~np.isnan(self.mean)))

    def hours_below(self, limit: float) -> int:
        """Return the number of known hours whose mean was below the limit."""
        return int(np.count_nonzero(self.mean < limit))

    def hours_above(self, limit: float) -> int:
        """Return the number of known hours whose mean was above the limit."""
        return int(np.count_nonzero(self.mean > limit))

    def least(self) -> float | None:
        """Return the lowest value; None: no hour is known."""
        return float(np.nanmin(self.lowest)) if self.known else None

    def most(self) -> float | None:
        """Return the highest value; None: no hour is known."""
        return float(np.nanmax(self.highest)) if self.known else None

    def average(self) -> float | None:
        """Return the mean over the known hours; None: no hour is known."""
        return float(np.nanmean(self.mean)) if self.known else None


class ClimateMemory(Protocol):
    """The last five days by whole hours.

    An answer may depend only on hours that ended at or before `at_ms`, whatever has been read since: otherwise the
    same stream, cut elsewhere, would give another answer.
    """

    def hours(self, chamber: str, quantity: Hourly, last_ms: int, at_ms: int) -> Hours | None:
        """Return the hours of the span `last_ms` before `at_ms`; None: nothing is remembered of it."""


class NothingKnown:
    """A climate of which nothing is remembered."""

    def hours(self, chamber: str, quantity: Hourly, last_ms: int, at_ms: int) -> Hours | None:
        """Return None for every question."""
        return None
