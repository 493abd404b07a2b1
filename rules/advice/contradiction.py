"""Whether a sudden alarm overturns the change that is at work."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from rules.advice.cause import Standing
from rules.trade.contradictions import (
    contradicts,
)

OVERTURNING = ("heater-runaway", "heater-failed", "lid-open", "mister-stuck")


def overturned(asked: Iterable[str], standing: Mapping[str, Standing]) -> bool:
    """Return whether a sudden alarm stands that forbids what is at work."""
    keys = list(asked)
    active = [row.alarm for row in standing.values() if row.condition == "active" and row.alarm in OVERTURNING]
    return any(contradicts(alarm, keys) for alarm in active)
