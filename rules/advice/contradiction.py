"""Whether a sudden alarm overturns the change that is at work."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from rules.advice.standing import Standing
from rules.trade.alarm_kinds import ALARMS


def overturned(asked: Iterable[str], standing: Mapping[str, Standing]) -> bool:
    """Return whether a sudden alarm stands that forbids what is at work."""
    keys = list(asked)
    active = [ALARMS[row.alarm] for row in standing.values() if row.condition == "active"]
    return any(kind.sudden and kind.speaks_against(keys) for kind in active)
