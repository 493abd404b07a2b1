"""Chambers, situations and alarms for the tests of the advice: built from bare figures with the program's own formulas."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC
from typing import Any

from rules.advice.standing import Standing
from rules.climate.situation import Situation
from rules.physics.vapour import dew_point_c
from rules.settings import Chamber, Devices, Fan, Heater, Mister, Room, Settings, Site, Telling, Vents
from rules.terms.events import HOUR_MS, AlarmEvent

NOON_MS = 1_770_000_000_000


def devices(setpoint_c: float | None = 26.0, **changed: Any) -> Devices:
    """Return a keeper's usual means: a side mat on a thermostat, mister, fan, three vents with one open, foam, wet granules."""
    body: dict[str, Any] = {
        "heater": Heater(setpoint_c=setpoint_c), "mister": Mister(ml_per_day=2.0, ml_per_press=0.5),
        "fan": Fan(minutes_per_hour=1.0),
        "vents": Vents(count=3, open=1), "can_insulate_lid": True, "wet_granules": True,
    }
    return Devices(**{**body, **changed})


def settings_of(chamber: Chamber) -> Settings:
    """Return a watch over one chamber `north` in the room `study`."""
    return Settings(
        site=Site(), zone=UTC, rooms={"study": Room()}, chambers={"north": chamber}, probes={}, telling=Telling(),
    )


def situation(
    temperature_c: float | None, humidity_pct: float | None, room_c: float | None = 21.0, room_pct: float | None = 45.0,
    factor: float = 0.42, at_ms: int = NOON_MS, **changed: Any,
) -> Situation:
    """Return a steady situation; the lid by its temperature factor, as far as temperatures are known."""
    both = temperature_c is not None and humidity_pct is not None
    dew = dew_point_c(temperature_c, humidity_pct) if both else None
    lid = room_c + factor * (temperature_c - room_c) if temperature_c is not None and room_c is not None else None
    margin = lid - dew if lid is not None and dew is not None else None
    room_dew = dew_point_c(room_c, room_pct) if room_c is not None and room_pct is not None else None
    body: dict[str, Any] = {
        "at_ms": at_ms, "chamber": "north", "temperature_c": temperature_c, "relative_humidity_pct": humidity_pct,
        "dew_point_c": dew,
        "absolute_humidity_g_m3": None, "vapour_pressure_deficit_pa": None, "lid_temperature_c": lid,
        "lid_source": None if lid is None else "estimated", "dew_margin_k": margin,
        "probability_wet": None if margin is None else float(margin < 0.0), "condensate_g_m2": 0.0,
        "room_temperature_c": room_c,
        "room_relative_humidity_pct": room_pct, "room_dew_point_c": room_dew, "u_temperature_k": 0.17,
        "u_relative_humidity_pct": 1.2,
        "u_dew_point_k": 0.3, "u_dew_margin_k": 0.5, "temperature_slope_k_h": 0.0, "humidity_slope_pct_h": 0.0,
        "room_slope_k_h": 0.0,
        "garden_ml": 500.0,
    }
    return Situation(**{**body, **changed})


def alarms(now: Situation, chamber: Chamber, *names: str, priority: str = "today") -> dict[str, Standing]:
    """Return the alarms that stand for these figures by the chamber's bands, and those named."""
    found = set(names)
    t, rh = now.temperature_c, now.relative_humidity_pct
    if t is not None:
        found |= {"temperature-high"} if t > (chamber.temperature.high or 99) else set()
        found |= {"temperature-low"} if t < (chamber.temperature.low or -99) else set()
    if rh is not None:
        found |= {"humidity-high"} if rh > (chamber.humidity.high or 999) else set()
        found |= {"humidity-low"} if chamber.role == "fungus" and rh < (chamber.humidity.low or -1) else set()
    found |= {"lid-dew"} if now.dew_margin_k is not None and now.dew_margin_k < 0.0 else set()
    return {name: standing(name, priority=priority) for name in found}


def standing(alarm: str, **changed: Any) -> AlarmEvent:
    """Return an alarm that stands, as its last event tells of it."""
    facts: dict[str, Any] = {
        "id": alarm, "at_ms": 0, "chamber": "north", "alarm": alarm, "change": "raised", "condition": "active",
        "level": "outside", "acknowledged": False, "suppression": "none", "occurrence": 1, "priority": "today", "value": None,
        "limit": None, "unit": None,
    }  # fmt: skip
    return AlarmEvent(**facts | changed)


def later(now: Situation, hours: float, **changed: Any) -> Situation:
    """Return the same situation some hours later, with these figures changed."""
    return replace(now, **{"at_ms": now.at_ms + round(hours * HOUR_MS), **changed})
