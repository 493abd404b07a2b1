"""What a view holds for judging its thermostat, and the state at each of its instants."""

from __future__ import annotations

from dataclasses import astuple, replace

import numpy as np
from numpy.typing import NDArray

from rules.climate.hours import KEPT_MS, hours_between, hours_with, mean_in, most_between
from rules.climate.thermostat import (
    BELOW_K,
    COOLS_WITHIN_MS,
    FAULT_K,
    LAGS_HOURS,
    LOOKED_BACK_HOURS,
    NEEDED_HOURS,
    UNKNOWN,
    Evidence,
    Usual,
    judged,
    quantile,
    usual,
)
from rules.climate.view import View
from rules.climate.windows import distinct
from rules.terms.events import HOUR_MS, MINUTE_MS

Floats = NDArray[np.float64]
QUARTER_MS = 15 * MINUTE_MS  # own estimate


def states_of(view: View) -> NDArray[np.int8]:
    """Return what a chamber's thermostat does at each instant, judged only where something is unusual, once for a view."""
    assert view.chamber is not None and view.heater is not None
    if not view.thermostat:
        where = np.flatnonzero(_unusual(view)) if view.heater.plugged else np.arange(len(view.at_ms))
        states = np.full(len(view.at_ms), UNKNOWN, np.int8)  # near its set point it is neither stuck, weak nor dead
        if len(where):
            states[where] = judged(_evidence(view, where), view.heater.plugged)
        view.thermostat.append(states)
    return view.thermostat[0]


def _unusual(view: View) -> NDArray[np.bool_]:
    """Return where the last day's swing matters: away from the set point, or outside the band where none is known."""
    assert view.chamber is not None and view.heater is not None
    band, aim = view.chamber.temperature, view.heater.setpoint_c
    low = aim - BELOW_K if aim is not None else band.low
    high = aim + FAULT_K if aim is not None else band.high
    value = view.temperature.value
    return (value < (-np.inf if low is None else low)) | (value > (np.inf if high is None else high))


def _evidence(view: View, where: NDArray[np.intp]) -> Evidence:
    assert view.chamber is not None and view.heater is not None
    band, unknown, at_ms = view.chamber.temperature, np.full(len(where), np.nan), view.at_ms[where]
    mean, peak, trough, range_k, trend, room_high, room_lately, lead = _usual_swing(view, at_ms)
    return Evidence(
        air_c=view.temperature.value[where], slope_k_h=view.recent.temperature.slope_k_h(view.at_ms, QUARTER_MS)[where],
        room_c=view.room_temperature[where],
        room_slope_k_h=unknown if view.room_recent is None else view.room_recent.slope_k_h(view.at_ms, QUARTER_MS)[where],
        mat_c=view.mat[where], setpoint_c=_full(unknown, view.heater.setpoint_c), usual_c=mean, peak_c=peak, trough_c=trough,
        range_k=range_k, trend_k_h=trend, room_high_c=room_high, room_lately_c=room_lately, lead_k=lead,
        high_c=_full(unknown, band.high), low_c=_full(unknown, band.low),
        since_ms=unknown if view.heater.since_ms is None else (at_ms - view.heater.since_ms).astype(np.float64),
        tau_h=unknown,
    )


def _full(like: Floats, value: float | None) -> Floats:
    return like if value is None else np.full(len(like), value)


def _usual_swing(view: View, at_ms: NDArray[np.int64]) -> tuple[Floats, ...]:
    hours, place = distinct(at_ms // HOUR_MS)
    return tuple(np.array([astuple(_usual(view, hour)) for hour in hours.tolist()]).T[:, place])


def _usual(view: View, hour: int) -> Usual:
    assert view.heater is not None
    if hour not in view.usual:
        hours = hours_with(view, "temperature_c", view.temperature.value)
        since_ms = view.heater.since_ms
        past = hours, hour * HOUR_MS, since_ms, view.room_hours
        swing = usual(*past) if view.heater.thermostat else Usual()
        trend_k_h = mean_in(hours, hour - 1) - mean_in(hours, hour - 2)
        room_high_c = most_between(view.room_hours, hour - LOOKED_BACK_HOURS, hour)
        room_lately_c = most_between(view.room_hours, hour - LAGS_HOURS, hour)
        view.usual[hour] = replace(
            swing, trend_k_h=trend_k_h, room_high_c=room_high_c, room_lately_c=room_lately_c, lead_k=_lead_k(view, hour)
        )
    return view.usual[hour]


def _lead_k(view: View, hour: int) -> float:
    """Return how far the air lay over its room on most days, since its heater was changed if that is hours ago.

    By the upper quartile of its hours: a mat that has failed for days does not make that its usual. Of a mat that a thermostat
    switches, the most that it gave in the hours in which it was too cold to be off.
    """
    assert view.heater is not None
    since_ms, first, aim = view.heater.since_ms, hour - KEPT_MS // HOUR_MS, view.heater.setpoint_c
    if view.heater.thermostat and aim is None:
        return float("nan")
    air = hours_between(hours_with(view, "temperature_c", view.temperature.value), first, hour).mean
    lead = air - hours_between(view.room_hours, first, hour).mean
    if view.heater.thermostat and aim is not None:
        lead = np.where(air < aim - BELOW_K, lead, np.nan)
    elif since_ms is not None:
        after = lead[max(0, (since_ms + COOLS_WITHIN_MS) // HOUR_MS + 1 - first) :]
        lead = after if np.count_nonzero(~np.isnan(after)) >= NEEDED_HOURS else lead
    known = lead[~np.isnan(lead)].tolist()
    if len(known) < NEEDED_HOURS:
        return float("nan")
    return quantile(known, 1.0 if view.heater.thermostat else 0.75)


def usual_at(view: View, at_ms: int) -> Usual:
    """Return the usual swing of a heated chamber at one instant."""
    return Usual() if view.heater is None else _usual(view, at_ms // HOUR_MS)
