"""Which advised changes an alarm forbids: advice from before the alarm must not stand beside it.

Only what would do harm, or the opposite of what the alarm calls for, stands here; that heat and foam go together on a wet lid,
or that a dry and too warm chamber is cooled first, is for the decision table. Common practice, no source.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

_LESS_HEAT = frozenset({"heater:less", "heater:stop"})
_MORE_AIR = frozenset({"fan:more", "vent:open"})
_MORE_WATER = frozenset({"mister:more", "water:more"})
_LESS_WATER = frozenset({"mister:less", "mister:stop", "water:less"})
FORBIDS: Mapping[str, frozenset[str]] = {
    "heater-failed": _LESS_HEAT | _MORE_AIR,
    "temperature-low": _LESS_HEAT | _MORE_AIR,
    "heater-runaway": frozenset({"heater:more", "lid:insulate"}),
    "temperature-high": frozenset({"heater:more", "lid:insulate"}),
    "humidity-low": _LESS_WATER | _MORE_AIR,
    "humidity-high": _MORE_WATER,
    "mister-stuck": _MORE_WATER,
    "lid-open": frozenset({"mister:more", "heater:more"}),
    "blind": _LESS_HEAT | _MORE_AIR | _MORE_WATER | _LESS_WATER | {"heater:more"},
}


def contradicts(alarm: str, asked: Iterable[str]) -> bool:
    """Return whether one of these changes (`device:change`) is what this alarm forbids."""
    return not FORBIDS.get(alarm, frozenset()).isdisjoint(asked)


def asked_for(advice: Mapping[str, Any]) -> set[str]:
    """Return the changes that an advice, as plain values, asks for."""
    return {f"{action['device']}:{action['change']}" for action in advice["actions"]}
