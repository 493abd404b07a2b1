"""Which of the coupled cases it is: where heat, water and the lid work on each other, so that the obvious step is wrong."""

from __future__ import annotations

from collections.abc import Mapping

from rules.advice.goal import Goal
from rules.advice.standing import Standing, stands
from rules.climate.situation import Situation
from rules.trade import practice
from rules.trade.practice import Cell

STANDS_K_H = 0.3
"""By no more than this over a quarter of an hour a box does not get warmer: so far a probe's noise goes. Own estimate."""


def case_of(
    cell: Cell, facts: set[str], goal: Goal, situation: Situation, star: float | None,
    standing: Mapping[str, Standing],
) -> str | None:
    """Return the case by its number in the trade's table; None: it is none of them. `star`: the humidity at the target, %RH."""
    return _failing(facts, situation, standing) or _airs(cell, facts, goal, star, situation) or _lids(cell, facts, situation)


def _failing(facts: set[str], situation: Situation, standing: Mapping[str, Standing]) -> str | None:
    t_slope, room_slope = situation.temperature_slope_k_h, situation.room_slope_k_h
    if situation.saturated:
        return "C11"
    if stands(standing, "lid-open"):
        return "C8"
    with_room = t_slope is not None and room_slope is not None and t_slope > 0.3 and room_slope > 0.6 * t_slope
    always = "heater" in facts and "thermostat" not in facts  # it does not rest
    if "hot" in facts and not always and (with_room or "heater-idle" in facts):
        return "C12"
    if stands(standing, "heater-runaway") or ("hot" in facts and t_slope is not None and t_slope > practice.RUNAWAY_SLOPE_K_H):
        return "C10"
    warms = t_slope is not None and t_slope > STANDS_K_H  # its heat is back, or its room's
    if stands(standing, "heater-failed") and not warms:
        return "C9"
    return None


def _airs(cell: Cell, facts: set[str], goal: Goal, star: float | None, situation: Situation) -> str | None:
    star_ok = star is not None and goal.low_pct <= star <= goal.high_pct
    if cell.temperature == "high" and cell.humidity == "low" and not cell.lid_wet and star_ok:
        return "C1"
    if cell.temperature == "low" and cell.humidity == "high" and not cell.lid_wet and star_ok:
        return "C2"
    if "mist-useless" in facts and cell.humidity == "low":
        return "C13"
    if _heater_dries(cell, facts, situation):
        return "C6"
    room_dew = situation.room_dew_point_c
    aired = bool(facts & {"fan-on", "vents-open"})
    winter_air = aired and "dry-air" in facts and (room_dew is None or room_dew < 5.0)
    if cell.humidity == "low" and not cell.lid_wet and winter_air and (star is None or star < goal.low_pct):
        return "C3"
    if cell.humidity == "high" and "floor-wets" in facts:
        return "C4"
    return None


def _heater_dries(cell: Cell, facts: set[str], situation: Situation) -> bool:
    slopes = (situation.temperature_slope_k_h, situation.room_slope_k_h, situation.humidity_slope_pct_h)
    if None in slopes or "heater" not in facts or cell.humidity != "low":
        return False
    flat, room, damp = slopes
    return abs(flat or 0.0) < 0.3 and (room or 0.0) < -0.3 and (damp or 0.0) < -0.5


def _lids(cell: Cell, facts: set[str], situation: Situation) -> str | None:
    if "mat-below" in facts and cell.lid_wet:
        return "C7"
    if cell.temperature == "low" and "heater-at-limit" in facts:
        return "C17"
    if cell.temperature == "low" and cell.lid_wet and "heater" in facts:
        return "C18"
    cold_lid = cell.lid_wet and cell.temperature != "high" and cell.humidity != "low"
    if cold_lid and situation.room_temperature_c is not None and "room-cooler" in facts:
        return "C5"
    return None
