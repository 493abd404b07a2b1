"""What a check says about one alarm over one stretch: a zone per instant, and words and numbers for when it turns."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rules.climate.hysteresis import Delays, Moving


@dataclass(frozen=True, slots=True)
class Verdict:
    """One alarm's zones and delays; `facts(index)` is asked only at the few instants where the condition turns."""

    alarm: str
    zone: NDArray[np.int8]
    credit_ms: NDArray[np.int64]
    delays: Delays
    facts: Callable[[int], Facts]
    probe: str | None = None
    worsening: Moving | None = None
    """Where nothing of it may be said to ease, recover or end."""
    returning: Moving | None = None
    """Where it is not raised: it comes back by itself, and soon."""


@dataclass(frozen=True, slots=True)
class Facts:
    """The numbers behind a turn, for the alarm event and the keeper's line."""

    value: float | None = None
    limit: float | None = None
    unit: str | None = None
    seconds_left: float | None = None
    because: str = ""
    raised_from: float | None = None
    """The limit as it is written, where warmth raises it; None: nothing does."""


def number(value: float) -> float | None:
    """Return a plain float for an event, None for NaN."""
    return None if np.isnan(value) else round(float(value), 3)
