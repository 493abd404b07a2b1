"""Heat that runs away, before it is lethal, and heat that has failed, before the chamber is cold.

What the thermostat does is judged in `rules.climate.thermostat`; here is only when that is told.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from functools import cache

import numpy as np
from numpy.typing import NDArray

from rules.checks.bands import moving
from rules.checks.verdict import Facts, Verdict, number
from rules.climate.heating import states_of
from rules.climate.hysteresis import CLEAR, EDGE, HARM, HARM_EDGE, OUTSIDE, UNSEEN, Delays
from rules.climate.onward import reached_s
from rules.climate.situate import LATEST_MEAN_MS, LATEST_MS
from rules.climate.thermostat import (
    AT_LIMIT,
    BELOW_K,
    BURNING_MAT_C,
    DEAD,
    FALLS_K_H,
    FAST_K_H,
    NO_LIFT_K,
    STUCK,
    UNPLUGGED,
    lost_k_h,
)
from rules.climate.view import View
from rules.terms.events import MINUTE_MS
from rules.trade.bearable import BEARABLE
from rules.trade.practice import LETHAL_COLD_C

Floats = NDArray[np.float64]
QUARTER_MS = 15 * MINUTE_MS
FALL_K_H = -2.0  # own estimate
NO_TREND_K_H = 0.3  # own estimate
COMES_BACK_K_H = 1.0  # own estimate
RUNAWAY_DELAYS = Delays(12 * MINUTE_MS, 20 * MINUTE_MS, 2 * MINUTE_MS, 20 * MINUTE_MS)
"""What races towards harm is told after two minutes; the peak of a cycle is over within twelve. Common practice, no source."""
FAILED_DELAYS = Delays(15 * MINUTE_MS, 20 * MINUTE_MS, 15 * MINUTE_MS, 20 * MINUTE_MS)  # common practice, no source


def runaway(view: View) -> Iterator[Verdict]:
    """It heats on above the band although it is warm enough: racing up, or standing there; never without a heater."""
    chamber = view.chamber
    if chamber is None or view.heater is None or chamber.temperature.high is None:
        return
    value, high = view.temperature.value, chamber.temperature.high
    harmful = chamber.temperature.harmful_high or high + 2.0

    @cache
    def slopes() -> tuple[Floats, Floats]:
        """The slope of a quarter of an hour, and the smaller one of that and of eight minutes."""
        slope, past = view.recent.temperature.slope_k_h(view.at_ms, QUARTER_MS), view.recent.temperature
        return slope, np.minimum(slope, past.slope_k_h(view.at_ms, LATEST_MS, LATEST_MEAN_MS))

    state = states_of(view)
    stuck = (state == STUCK) & np.isnan(view.leapt_k) & np.isnan(view.switched_k)  # what only a probe says that may lie
    burning = (view.mat > BURNING_MAT_C) & (state != UNPLUGGED)
    if stuck.any():
        stuck &= ~(slopes()[1] < FALLS_K_H)
    zone = np.where(burning, HARM, np.where(stuck, EDGE, CLEAR)).astype(np.int8)
    if stuck.any():
        both = slopes()[1]
        above = stuck & (value > high) & ~(_warmed_up(view) & (value <= harmful)) & ~burning
        zone[above] = np.where(_racing(view, both, harmful) | (value > harmful), HARM, HARM_EDGE)[above]
    told_out = (state == UNPLUGGED) & (value > high) & ~(view.room_temperature >= value - 0.5)
    if told_out.any():  # it was said to be unplugged, and it gets hotter all the same: that has not ended
        zone[told_out & (slopes()[0] > NO_TREND_K_H)] = EDGE
    zone[np.isnan(value)] = UNSEEN

    def facts(index: int) -> Facts:
        now, rise, mat = float(value[index]), float(slopes()[1][index]), float(view.mat[index])
        left = reached_s(BEARABLE["heat"], harmful - now, rise) if rise > 0 else None
        because = f"{now:.1f} degC, {moving(rise, 'K')}; {harmful:.0f} degC harms"
        if burning[index]:
            because += f"; the mat itself is at {mat:.0f} degC"
        return Facts(number(now), harmful, "degC", left, because)

    def worsening() -> NDArray[np.bool_]:
        """Falling above its band is the pause of a swing, and flat there is no recovery, unless the room or the keeper explains
        it."""
        explained = (view.room_temperature >= value - 0.5) | (state == UNPLUGGED)
        return np.asarray(((value > high) & ~explained) | ((zone == EDGE) & ~(slopes()[0] < -COMES_BACK_K_H)))

    yield Verdict("heater-runaway", zone, view.credit_ms, RUNAWAY_DELAYS, facts, worsening=worsening)


def _racing(view: View, both: Floats, harmful: float) -> NDArray[np.bool_]:
    """Return where it will be harmful within half an hour; at a peak the longer slopes lag behind the latest."""
    latest = view.recent.temperature.slope_k_h(view.at_ms, 5 * MINUTE_MS, 2 * MINUTE_MS)
    soon = view.temperature.value + np.fmin(both, latest) * 0.5 > harmful
    return np.asarray((both >= FAST_K_H) & soon & ~(latest < FAST_K_H / 2))


def _warmed_up(view: View) -> NDArray[np.bool_]:
    """Return where within forty minutes it was cold, or was not seen then: a cold mat overshoots once, by what it has stored.

    A box of a litre is cold for minutes when it is fed, and a quarter of an hour later its mat has overshot.
    """
    assert view.chamber is not None and view.heater is not None
    aim = view.heater.setpoint_c if view.heater.setpoint_c is not None else view.chamber.temperature.low or 0.0
    past = view.recent.temperature
    warm_then = np.asarray(past.mean(view.at_ms, 40 * MINUTE_MS, 25 * MINUTE_MS) >= aim - BELOW_K)
    for back_ms in range(5 * MINUTE_MS, 40 * MINUTE_MS, 5 * MINUTE_MS):
        warm_then &= ~(past.mean(view.at_ms, back_ms + 5 * MINUTE_MS, back_ms) < aim - BELOW_K)
    return ~warm_then


def failed(view: View) -> Iterator[Verdict]:
    """The heater gives no heat, or less and less, and it gets cold; not one that the keeper unplugged, and not an open lid."""
    chamber = view.chamber
    if chamber is None or view.heater is None or chamber.temperature.low is None:
        return
    value, room = view.temperature.value, view.room_temperature
    slope = view.recent.temperature.slope_k_h(view.at_ms, QUARTER_MS)
    state = states_of(view)
    failing = _failing(view, chamber.temperature.low, state, slope)
    # Flat at the room's temperature is not over: it is over when it is warm again, or plainly warming.
    over_it = (value >= chamber.temperature.low) & (slope > FALLS_K_H) | (slope > -FALL_K_H / 2) | (state == UNPLUGGED)
    cold_end = (value < LETHAL_COLD_C) | ((room < LETHAL_COLD_C) & (state == DEAD))
    warms = slope > COMES_BACK_K_H  # by its room, or its thermostat has just switched off: neither begins a failure
    zone = np.where(failing & ~warms, np.where(cold_end, HARM, OUTSIDE), np.where(over_it & ~failing, CLEAR, EDGE))
    zone = zone.astype(np.int8)
    zone[np.isnan(value)] = UNSEEN

    def facts(index: int) -> Facts:
        now, fall, room_c = float(value[index]), float(slope[index]), float(room[index])
        harm = chamber.temperature.harmful_low or chamber.temperature.low or now
        end, at_most = "", math.inf
        if fall < 0 and room_c == room_c:
            end, at_most = f"; without heat it ends near the room's {room_c:.0f} degC", now - room_c
        elif now - room_c < NO_LIFT_K and not failing[index]:
            end = f"; its room, at {room_c:.1f} degC, warms it: whether its heat is back is not seen yet"
        left = reached_s(BEARABLE["cold"], now - harm, -fall, at_most) if fall < 0 else None
        return Facts(number(now), chamber.temperature.low, "degC", left, f"{now:.1f} degC, {moving(fall, 'K')}{end}")

    def worsening() -> NDArray[np.bool_]:
        holds = (state == AT_LIMIT) | (slope > COMES_BACK_K_H)  # heat comes, if too little: it is less grave, and not over
        return np.asarray((slope < -NO_TREND_K_H) | ((zone == EDGE) & ~holds))

    yield Verdict("heater-failed", zone, view.credit_ms, FAILED_DELAYS, facts, worsening=worsening)


def _failing(view: View, low: float, state: NDArray[np.int8], slope: Floats) -> NDArray[np.bool_]:
    """Return where the heat fails: it gives nothing and the end is cold, or below the band it falls though it heats."""
    value, room = view.temperature.value, view.room_temperature
    if not ((state == DEAD) | (state == AT_LIMIT)).any():
        return np.zeros(len(state), bool)
    # An open lid loses vapour faster than heat.
    lid_lost = view.recent.dew_point.slope_k_h(view.at_ms, QUARTER_MS) < 3.0 * slope
    lid_lost &= slope < FALLS_K_H
    ends_low = np.where(np.isnan(room), value + slope, room) < low
    dead = (state == DEAD) & ends_low & ~lid_lost
    room_slope = value * np.nan if view.room_recent is None else view.room_recent.slope_k_h(view.at_ms, QUARTER_MS)
    loses = (state == AT_LIMIT) & (value < low) & (slope <= FALLS_K_H) & ends_low & ~lid_lost
    loses &= ~(lost_k_h(slope, room_slope) > FALLS_K_H)  # it gives no less: its room falls
    return np.asarray(dead | loses)
