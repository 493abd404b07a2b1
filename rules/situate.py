"""From a view's arrays to the one `Situation` that advice, the command line and the letters look at."""

from __future__ import annotations

import numpy as np

from rules.doubt import humidity_u_pct, margin_u_k, temperature_u_k
from rules.events import MINUTE_MS
from rules.observe import View, failing_test
from rules.psychrometrics import absolute_humidity_g_m3, dew_point_c_or_nan
from rules.situation import Situation
from rules.uncertainty import dew_point_uncertainty_k, probability_wet
from rules.windows import Signal

QUARTER_MS = 15 * MINUTE_MS


def situation_at(view: View, index: int, pressure_pa: float) -> Situation:
    """Return what is known of a chamber at one of its instants."""
    where = np.array([index])
    at_ms = int(view.at_ms[index])
    temperature, humidity = _known(view.temperature.value[index]), _known(view.humidity.value[index])
    margin = _known(view.margin[index])
    u_t = temperature_u_k(view.watch, view.probes, view.place)
    u_h = float(humidity_u_pct(view.watch, view.probes, view.place, view.humidity.value[where])[0])
    u_margin = float(margin_u_k(view, where)[0]) if margin is not None else None
    room_t, room_h = _known(view.room_temperature[index]), _known(view.room_humidity[index])
    absolute, u_dew = None, None
    if temperature is not None and humidity is not None:
        absolute = float(absolute_humidity_g_m3(temperature, humidity, pressure_pa))
        u_dew = float(dew_point_uncertainty_k(temperature, humidity, u_t, u_h))
    saturated = any(
        failing_test(view, name, index, "relative_humidity") == "saturated" for name in view.watch.probes_at(view.place)
    )
    return Situation(
        at_ms=at_ms,
        chamber=view.place,
        temperature_c=temperature,
        relative_humidity_pct=humidity,
        dew_point_c=_known(view.dew_point[index]),
        absolute_humidity_g_m3=absolute,
        vapour_pressure_deficit_pa=_known(view.vapour_deficit_pa[index]),
        lid_temperature_c=_known(view.lid[index]),
        lid_source=_lid_source(view, index),
        dew_margin_k=margin,
        probability_wet=float(probability_wet(margin, u_margin)) if margin is not None and u_margin else None,
        condensate_g_m2=round(float(view.condensate[index]), 2),
        room_temperature_c=room_t,
        room_relative_humidity_pct=room_h,
        room_dew_point_c=_known(float(dew_point_c_or_nan(view.room_temperature[where], view.room_humidity[where])[0])),
        u_temperature_k=u_t if temperature is not None else None,
        u_relative_humidity_pct=u_h if humidity is not None else None,
        u_dew_point_k=u_dew,
        u_dew_margin_k=u_margin,
        temperature_slope_k_h=_slope(view.recent.temperature, view, index),
        humidity_slope_pct_h=_slope(view.recent.humidity, view, index),
        room_slope_k_h=_slope(view.room_recent, view, index) if view.room_recent is not None else None,
        garden_ml=view.garden_ml,
        visiting=bool(view.visiting[index]),
        saturated=saturated,
        lacking=_lacking(view, index, temperature, humidity, saturated),
    )


def _known(value: float) -> float | None:
    return None if np.isnan(value) else round(float(value), 4)


def _slope(signal: Signal, view: View, index: int) -> float | None:
    return _known(float(signal.slope_k_h(view.at_ms[index : index + 1], QUARTER_MS)[0]))


def _lid_source(view: View, index: int) -> str | None:
    if np.isnan(view.lid[index]):
        return None
    if view.lid_measured[index]:
        return "measured"
    return "learned" if view.memory.belief is not None and view.memory.belief.learned else "estimated"


def _lacking(view: View, index: int, temperature: float | None, humidity: float | None, saturated: bool) -> tuple[str, ...]:
    lacks = []
    if temperature is None:
        lacks.append("no believed air temperature")
    if humidity is None:
        lacks.append("humidity probe is stuck at its top" if saturated else "no believed humidity")
    if np.isnan(view.room_temperature[index]):
        lacks.append("no room temperature: the lid is unknown")
    if np.isnan(view.room_humidity[index]):
        lacks.append("no room humidity: what venting would do is unknown")
    return tuple(lacks)
