"""A room as its own forecast: what it did from this hour of the day on in the last days, with their spread.

A home has its nights, its heating hours and its people, and they come back each day; what the weather adds comes and stays. So
each day's way is taken without what it ended warmer or colder than it began. A trend of the last hours is not drawn on: in
recorded rooms it made the forecast worse.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rules.terms.events import DAY_MS, HOUR_MS

Floats = NDArray[np.float64]
DAY_H = DAY_MS // HOUR_MS
_HOURS, _UNKNOWN = np.arange(DAY_H + 1), np.full(1, np.nan)
_SHARE = _HOURS / DAY_H  # of the day that has passed
TRUST = 0.5
"""One day alone is believed by 1 / (1 + this), four by 4 / (4 + this). Own estimate."""
FIRST_U_K = 1.2
"""Standard deviation from one day to the next, before several days tell; own estimate for heated homes."""
FEW_DAYS = 1.2
"""A spread of a few days is stated so much wider; own estimate: then twice of it holds 91 to 96 % in an
office recorded for a year."""


@dataclass(frozen=True, slots=True)
class RoomAhead:
    """How much warmer a room will be than now after 0 to 24 whole hours, K, and the standard uncertainty of that."""

    change_k: tuple[float, ...]
    u_k: tuple[float, ...]

    def after(self, hours: float) -> float:
        """Return the change after so many hours, 0 to 24, K: straight between whole hours."""
        return float(np.interp(hours, np.arange(len(self.change_k)), self.change_k))


def room_ahead_of(hourly: Floats) -> RoomAhead | None:
    """Return the forecast by the means of whole days of hours before this one (NaN: not known); None: no day is known."""
    ways = np.concatenate((hourly, _UNKNOWN))[np.arange(0, len(hourly), DAY_H)[:, None] + _HOURS]
    ways -= ways[:, :1].copy()
    ways[-1, -1] = 2.0 * ways[-1, -2] - ways[-1, -3]  # the hour that runs still closes the newest day: straight on
    ways = ways[~np.isnan(ways).any(axis=1)]
    days = len(ways)
    if not days:
        return None
    mean = (ways - ways[:, -1:] * _SHARE).sum(axis=0) / (days + TRUST)
    u_k = FEW_DAYS * np.sqrt((((ways - mean) ** 2).sum(axis=0) + FIRST_U_K**2 * _SHARE) / days)
    return RoomAhead(tuple(mean.tolist()), tuple(u_k.tolist()))
