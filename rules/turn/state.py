"""What the rules remember between two batches: one small value that goes to JSON and back unchanged.

All instants are int milliseconds and their names end in `_ms`; durations end in `_for_ms` or `_dur_ms`. When the wall clock
jumps, `shifted` moves every instant and no duration, so delays and ages hold.
"""

from __future__ import annotations

from dataclasses import dataclass, field, fields, is_dataclass, replace
from typing import Any

from rules.advice.state import AdviceState
from rules.alarms.state import AlarmsState
from rules.care.state import CareState
from rules.climate.memory import (
    PlaceMemory,
    ProbeMemory,
    Waiting,
)
from rules.keeper.state import KeeperState
from rules.telling.telling import TellingState
from rules.terms.events import Event


@dataclass
class EngineState:
    """All that `advance` hands to its next call."""

    origin: str
    closed_ms: int
    probes: dict[str, ProbeMemory] = field(default_factory=dict)
    places: dict[str, PlaceMemory] = field(default_factory=dict)
    keeper: KeeperState = field(default_factory=KeeperState)
    alarms: AlarmsState = field(default_factory=AlarmsState)
    advice: dict[str, AdviceState] = field(default_factory=dict)
    care: CareState = field(default_factory=CareState)
    telling: TellingState = field(default_factory=TellingState)
    waiting: Waiting = field(default_factory=Waiting)
    words_taken_ms: dict[str, int] = field(default_factory=dict)
    """When each word last came in, by its id."""
    spoken_ms: int | None = None
    """When the keeper last said something, or what was said to hold for a time last ended."""
    paused_ms: int | None = None
    config_print: str = ""
    version: int = 3


def shifted(value: Any, step_ms: int, name: str = "") -> Any:
    """Return `value` with every remembered instant moved by `step_ms`; an event stays as it was told."""
    if isinstance(value, Event):
        return value
    if is_dataclass(value) and not isinstance(value, type):
        return replace(value, **{f.name: shifted(getattr(value, f.name), step_ms, f.name) for f in fields(value) if f.init})
    if isinstance(value, dict):
        return {
            key: shifted(item, step_ms, key if isinstance(key, str) and key.endswith("_ms") else name)
            for key, item in value.items()
        }
    if isinstance(value, list | tuple):
        return type(value)(shifted(item, step_ms, name) for item in value)
    instant = name.endswith("_ms") and not name.endswith(("_for_ms", "_dur_ms"))
    return value + step_ms if instant and isinstance(value, int) and not isinstance(value, bool) else value
