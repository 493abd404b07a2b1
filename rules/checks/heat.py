"""Heat that runs away, before it is lethal, and heat that has failed, before the chamber is cold.

Runaway: more than 1 K in 15 minutes above the band with a flat room, or a rise that crosses the harmful edge within half an
hour. A mat of three times the needed power gives 1.3 to 3.7 K in 15 minutes (estimate by a lumped model, factor 2).
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from rules.checks.verdict import Facts, Verdict, number
from rules.climate.hysteresis import CLEAR, EDGE, HARM, OUTSIDE, UNSEEN, Delays
from rules.climate.view import View
from rules.terms.events import MINUTE_MS

QUARTER_MS = 15 * MINUTE_MS
RISE_K_H = 4.0  # 1 K in 15 minutes
FALL_K_H = -2.0
FAILING_ABOVE_ROOM_K = 1.5
STAGNATION_C = 15.0  # growth stops below; long stays harm (Mueller et al. 2011)


def runaway(view: View) -> Iterator[Verdict]:
    """The temperature races upward from inside or above the band and no room explains it."""
    chamber = view.chamber
    if chamber is None or chamber.temperature.high is None:
        return
    value = view.temperature.value
    harmful = chamber.temperature.harmful_high or chamber.temperature.high + 2.0
    slope = view.recent.temperature.slope_k_h(view.at_ms, QUARTER_MS)
    earlier = view.recent.temperature.slope_k_h(view.at_ms, 8 * MINUTE_MS, 3 * MINUTE_MS)
    both = np.minimum(slope, earlier)
    over = (value > chamber.temperature.high) & (both >= RISE_K_H)
    crossing = (value > chamber.temperature.high - 2.0) & (both >= RISE_K_H) & (value + both * 0.5 > harmful)
    # Flat at a harmful height is not over.
    over_it = (value <= chamber.temperature.high) & (slope < 0.5) | (slope < FALL_K_H)
    zone = np.where(over | crossing, HARM, np.where(over_it, CLEAR, EDGE)).astype(np.int8)
    zone[_room_explains(view, value)] = CLEAR
    zone[np.isnan(value)] = UNSEEN

    def facts(index: int) -> Facts:
        now, rise = float(value[index]), float(both[index])
        left = max(0.0, (harmful - now) / rise * 3600.0) if rise > 0 else None
        moving = f"rising by {rise:.1f}" if rise > 0 else f"falling by {-rise:.1f}"
        because = f"{now:.1f} degC and {moving} K per hour; {harmful:.0f} degC harms"
        return Facts(number(now), harmful, "degC", left, because)

    delays = Delays(2 * MINUTE_MS, 20 * MINUTE_MS, 2 * MINUTE_MS, 20 * MINUTE_MS)
    yield Verdict("heater-runaway", zone, view.credit_ms, delays, facts)


def _room_explains(view: View, value: NDArray[np.float64]) -> NDArray[np.bool_]:
    """A room as warm as the chamber is a heatwave, not a heater."""
    return np.asarray(view.room_temperature >= value - 0.5)


def failed(view: View) -> Iterator[Verdict]:
    """The temperature falls fast toward the room's, with no sign of an opened lid."""
    chamber = view.chamber
    if chamber is None or chamber.devices.heater is None or chamber.temperature.low is None:
        return
    value = view.temperature.value
    slope = view.recent.temperature.slope_k_h(view.at_ms, QUARTER_MS)
    ends_low = np.where(np.isnan(view.room_temperature), value + slope, view.room_temperature) < chamber.temperature.low
    above_room = ~(value - view.room_temperature < FAILING_ABOVE_ROOM_K)
    lid_lost = (
        view.recent.dew_point.slope_k_h(view.at_ms, QUARTER_MS) < 3.0 * slope
    )  # an open lid loses vapour faster than heat
    wanted = chamber.temperature.target or chamber.temperature.low
    failing = (slope <= FALL_K_H) & ends_low & above_room & ~lid_lost & (value < wanted)  # cooling from too warm is no failure
    cold_end = view.room_temperature < STAGNATION_C
    # Flat at the room's temperature is not over: it is over when it is warm again, or plainly warming.
    over_it = (value >= chamber.temperature.low) & (slope > FALL_K_H / 4) | (slope > -FALL_K_H / 2)
    zone = np.where(failing, np.where(cold_end, HARM, OUTSIDE), np.where(over_it, CLEAR, EDGE)).astype(np.int8)
    zone[np.isnan(value)] = UNSEEN

    def facts(index: int) -> Facts:
        now, fall, room = float(value[index]), float(slope[index]), float(view.room_temperature[index])
        harm = chamber.temperature.harmful_low or chamber.temperature.low or now
        left = max(0.0, (now - harm) / -fall * 3600.0) if fall < 0 else None
        end = "" if np.isnan(room) else f"; without heat it ends near the room's {room:.0f} degC"
        moving = f"falling by {-fall:.1f} K per hour" if fall < 0 else f"rising by {fall:.1f} K per hour"
        return Facts(
            number(now), chamber.temperature.low, "degC", left, f"{now:.1f} degC and {moving}{end if fall < 0 else ''}"
        )

    yield Verdict(
        "heater-failed", zone, view.credit_ms, Delays(15 * MINUTE_MS, 20 * MINUTE_MS, 15 * MINUTE_MS, 20 * MINUTE_MS), facts
    )
