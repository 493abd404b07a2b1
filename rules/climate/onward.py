"""How far a figure that moves comes if it goes on as now: what accounts of harm and the time until harm are told by.

Its pace fades: after so many hours (`damping_h`) it is 37 % of what it was.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from rules.trade.bearable import Bearable

Floats = NDArray[np.float64]


def moved(hours: Floats, damping_h: float) -> Floats:
    """Return how far it comes after these hours for each unit per hour that it moves by now, h."""
    return damping_h * (1.0 - np.exp(-hours / damping_h))


def reached_s(row: Bearable, way: float, per_hour: float, at_most: float = math.inf) -> float | None:
    """Return the seconds in which a figure has gone a way, in its unit, at this pace; 0: it is there; None: its course, which
    goes no further than `at_most`, does not surely get there."""
    if way <= 0.0:
        return 0.0
    whole = per_hour * row.damping_h
    if not way + row.onset / 2.0 < min(whole, at_most):
        return None
    return -3600.0 * row.damping_h * math.log1p(-way / whole)
