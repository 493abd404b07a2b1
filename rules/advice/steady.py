"""What a chamber is at, where a thermostat's swing is in the way: the mean of the last hours instead of the moment.

A mat that switches on and off moves the air by two or three kelvins and its humidity by ten points within the hour. Whoever
judges by the moment lowers the set point at each peak and dries the box at each rest of the heater.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from typing import Any

from rules.advice.cause import Cause
from rules.advice.goal import garden_ml
from rules.advice.standing import Standing
from rules.climate.situation import Situation, Swing
from rules.climate.swing import DAMP, HEAT, Swinging
from rules.physics.uncertainty import probability_wet
from rules.settings import Chamber
from rules.terms.events import HOUR_MS

LEAST_HOURS = 2
SWING_MS = 3 * HOUR_MS
"""A mat's thermostat switches within half an hour to two hours: three hold a whole swing; own estimate."""

TREND_K_H = 0.3
"""From hour to hour a probe's noise and people in the room move a mean by less. Own estimate."""


def steadied(chamber: Chamber, situation: Situation, standing: Mapping[str, Standing]) -> Situation:
    """Return the situation with its means in place of the moment, where the moment is a part of the usual swing.

    Not where it does harm: what is past a harmful limit counts as it is. Nor where an alarm of these hours says that it is out
    of its band: no swing raises one, and a jump that lasts makes hours that look like a wide swing.
    """
    t, rh = situation.temperature_c, situation.relative_humidity_pct
    heat, damp = situation.temperature_swing, situation.humidity_swing
    if t is None or heat is None or not _usual(heat, t, HEAT) or _harms(chamber, t) or _goes_its_way(chamber, situation):
        return situation
    lately = {row.alarm for row in standing.values() if _raised_within_its_hours(row, situation.at_ms)}
    if _told_out(chamber, t, lately) and not _told_out(chamber, heat.mean, lately):
        return situation
    calm: dict[str, Any] = {
        "temperature_c": heat.mean, "temperature_slope_k_h": 0.0, "by_mean": True,
        "lid_temperature_c": _lid_moved_to(situation, t, heat.mean),
    }
    margin, u_margin_k = situation.margin_swing, situation.u_dew_margin_k
    if rh is not None and damp is not None and _usual(damp, rh, DAMP) and not _told_dry(chamber, situation, damp.mean, lately):
        calm |= {"relative_humidity_pct": damp.mean, "humidity_slope_pct_h": 0.0, "earlier_humidity_slope_pct_h": None}
        if situation.dew_margin_k is not None and margin is not None:
            wet = None if u_margin_k is None else float(probability_wet(margin.mean, u_margin_k))
            calm |= {"dew_margin_k": margin.mean, "probability_wet": wet}
    return situation.but(**calm)


def _goes_its_way(chamber: Chamber, situation: Situation) -> bool:
    """Return whether a box that no thermostat switches warms or cools from hour to hour: then it does not swing, it follows its
    room, and its mean is where it was hours ago."""
    heater, trend_k_h = chamber.devices.heater, situation.hourly_trend_k_h
    return (heater is None or not heater.thermostat) and trend_k_h is not None and abs(trend_k_h) > TREND_K_H


def _raised_within_its_hours(row: Standing, at_ms: int) -> bool:
    return row.condition == "active" and row.since_ms is not None and at_ms - row.since_ms <= SWING_MS


def _told_out(chamber: Chamber, temperature_c: float, lately: Collection[str]) -> bool:
    """Return whether this temperature is out of its band on the side that an alarm was raised for."""
    low, high = chamber.temperature.low, chamber.temperature.high
    too_warm = high is not None and temperature_c > high and "temperature-high" in lately
    return too_warm or (low is not None and temperature_c < low and "temperature-low" in lately)


def _told_dry(chamber: Chamber, situation: Situation, mean_pct: float, lately: Collection[str]) -> bool:
    """Return whether it is drier than its band, as an alarm of these hours says, which its mean does not know yet."""
    rh, low = situation.relative_humidity_pct, chamber.humidity_for(garden_ml(situation, chamber)).low
    return "humidity-low" in lately and rh is not None and low is not None and rh < low <= mean_pct


def may_be_a_peak(cause: Cause, situation: Situation) -> bool:
    """Return whether the mean may be right at this moment: its set point is, no swing is known yet and nothing is harmful."""
    t, swing, goal = situation.temperature_c, situation.temperature_swing, cause.goal
    if cause.setpoint_c is None or not goal.low_c <= cause.setpoint_c <= goal.high_c:
        return False
    harmful = t is None or not goal.harmful_low_c < t < goal.harmful_high_c
    return (swing is None or swing.hours < LEAST_HOURS) and not harmful


def _usual(swing: Swing, value: float, swinging: Swinging) -> bool:
    return swing.hours >= LEAST_HOURS and bool(swinging.holds(value, swing.least, swing.most, swing.drift))


def _harms(chamber: Chamber, temperature_c: float) -> bool:
    low, high = chamber.temperature.harmful_low, chamber.temperature.harmful_high
    return (low is not None and temperature_c < low) or (high is not None and temperature_c > high)


def _lid_moved_to(situation: Situation, now_c: float, mean_c: float) -> float | None:
    """Return the lid's temperature moved along with the air, so that the lid's factor stays what it is."""
    lid, room = situation.lid_temperature_c, situation.room_temperature_c
    if lid is None or room is None or abs(now_c - room) < 1.0:
        return lid
    return lid + (lid - room) / (now_c - room) * (mean_c - now_c)
