"""How far a chamber moved by itself within 1, 6 and 24 hours of its last five days: what may come whatever is done.

A forecast keeps the room as it is; what its nights, its people and the heater make of that is the error of "it stays as it
is", which the chamber's own hours show. Split conformal prediction (Lei et al. 2018, J. Am. Stat. Assoc. 113:1094-1111, from
memory): of n past errors, the ceil(0.95 (n + 1))-th smallest holds the next one with 95 %, whatever their distribution.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import ceil

import numpy as np
from numpy.typing import NDArray

HORIZONS_H = (1, 6, 24)  # bookkeeping
SHARE = 0.95  # the usual level, JCGM 100
HALF_OF_NORMAL = 0.6745
"""By so many standard deviations half of all normal errors miss. By definition."""
LEAST_PAIRS = 19
"""So many past errors are needed before one of them holds 95 %. By definition."""


@dataclass(frozen=True, slots=True)
class Moves:
    """Standard uncertainty of "it stays as it is", for each of `HORIZONS_H`; twice of it holds 95 % of what came."""

    by_horizon: tuple[float, ...]
    usual: tuple[float, ...] = ()
    """What an hour's mean moves on a usual day: no swing of a thermostat, and no trouble of some hours, counts in it. Empty: as
    that of a reading."""

    def within(self, hours: float, *, usual: bool = False) -> float:
        """Return the standard uncertainty so many hours ahead."""
        return float(np.interp(hours, HORIZONS_H, (self.usual or self.by_horizon) if usual else self.by_horizon))


def moves_of(
    hourly: NDArray[np.float64], assumed: tuple[float, ...], lowest: NDArray[np.float64] | None = None,
    highest: NDArray[np.float64] | None = None,
) -> Moves:
    """Return how far a figure moved, by its means of past hours (NaN: not known); where too few are known, what is assumed.

    `lowest`, `highest`: what the hours reached. A reading falls anywhere between, and a thermostat's swing dwells at its ends.
    """
    least, most = hourly if lowest is None else lowest, hourly if highest is None else highest
    ahead_by = tuple(zip(HORIZONS_H, assumed, strict=True))
    return Moves(
        tuple(_moved(hourly, (least, most), ahead, own) for ahead, own in ahead_by),
        tuple(_usually(hourly, ahead, own) for ahead, own in ahead_by),
    )


def _usually(hourly: NDArray[np.float64], ahead: int, assumed: float) -> float:
    errors = np.abs(hourly[ahead:] - hourly[:-ahead])
    errors = np.sort(errors[~np.isnan(errors)])
    if len(errors) < LEAST_PAIRS:
        return assumed
    return float(errors[(len(errors) - 1) // 2] + errors[len(errors) // 2]) / 2.0 / HALF_OF_NORMAL


def _moved(
    hourly: NDArray[np.float64], reached: tuple[NDArray[np.float64], NDArray[np.float64]], ahead: int, assumed: float
) -> float:
    errors = np.maximum(*(np.abs(then[ahead:] - hourly[:-ahead]) for then in reached))
    errors = np.sort(errors[~np.isnan(errors)])
    if len(errors) < LEAST_PAIRS:
        return max(assumed, float(errors.max(initial=0.0)) / 2.0)
    apart = len(errors) / max(ahead / 2.0, 1.0)  # those that begin within half a horizon have most of their way in common
    share = min(SHARE * (apart + 1.0) / apart, 1.0)
    return float(errors[ceil(share * len(errors)) - 1]) / 2.0
