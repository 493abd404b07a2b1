"""Boxes, instants and alarms for the tests of telling."""

from __future__ import annotations

from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

from rules.settings import Chamber, Room, Settings, Site, Telling
from rules.settings.bands import HumidityBand
from rules.terms.events import AlarmEvent

BERLIN = ZoneInfo("Europe/Berlin")
# 24 to 28 degC, 70 to 90 %RH; quiet from 22:30 to 06:30, digest at 08:00.
WATCH = Settings(
    site=Site(), zone=BERLIN, rooms={"study": Room()}, probes={}, telling=Telling(),
    chambers={name: Chamber(room="study", humidity=HumidityBand(low=70, high=90)) for name in ("a", "b")},
)  # fmt: skip


def at(text: str) -> int:
    """Instant of a local time such as `10 14:30` in March 2026."""
    day, clock = text.split()
    hour, minute = clock.split(":")
    return round(datetime(2026, 3, int(day), int(hour), int(minute), tzinfo=BERLIN).timestamp() * 1000)


NOON = at("10 12:00")
LIMITS = {"temperature-low": 24.0, "heater-failed": 24.0, "humidity-low": 70.0}


def alarm(name: str = "temperature-high", chamber: str = "a", **more: Any) -> AlarmEvent:
    body: dict[str, Any] = {
        "condition": "active", "level": "outside", "acknowledged": False, "suppression": "none", "occurrence": 1,
        "priority": "today", "value": 28.6, "limit": LIMITS.get(name, 28.0), "unit": "degC", "change": "raised", "at_ms": NOON,
    }  # fmt: skip
    return AlarmEvent(id=f"{chamber}.{name}", chamber=chamber, alarm=name, **body | more)
