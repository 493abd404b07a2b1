"""From a view's arrays to the one `Situation` that advice, the command line and the letters look at."""

from __future__ import annotations

import numpy as np

from rules.climate.consensus import NEVER_MS
from rules.climate.heating import usual_at
from rules.climate.place_uncertainty import humidity_u_pct, margin_u_k, temperature_u_k
from rules.climate.situation import Situation
from rules.climate.view import View, failing_test
from rules.physics.condensate import SEEN_G_M2
from rules.physics.lid_factor import prior_if_bare, steady_lid_temperature_c
from rules.physics.moist_air import absolute_humidity_g_m3
from rules.physics.uncertainty import dew_point_uncertainty_k, probability_wet
from rules.physics.vapour import dew_point_c_or_nan
from rules.terms.condition_changes import Harm
from rules.terms.events import HOUR_MS, MINUTE_MS
from rules.trade import practice

NO_ROOM_HUMIDITY = "no room humidity: what venting would do is unknown"
QUARTER_MS, EARLIER_MS = 15 * MINUTE_MS, 10 * MINUTE_MS  # own estimate
LATEST_MS, LATEST_MEAN_MS = 8 * MINUTE_MS, 3 * MINUTE_MS  # own estimate
LOOKED_LATELY_MS = 36 * HOUR_MS
"""So long a look at the lid bears on what is computed of it since: a daily one, late once. Judgement."""
AT_ODDS_K = 2.0
"""So far above the dew point no lid is wet, whatever probe and build err by, and old drops are soon gone. Own estimate."""


def read_ms(value: int) -> int | None:
    """Return when a figure was read, None for never."""
    return int(value) if value > NEVER_MS else None


def situation_at(
    view: View, index: int, pressure_pa: float, harm: tuple[Harm, ...] = (), outside: tuple[str, ...] = ()
) -> Situation:
    """Return what is known of a chamber at one of its instants; `harm` and `outside`: what else is known of it then."""
    at_ms, u_t = int(view.at_ms[index]), temperature_u_k(view.settings, view.probes, view.place)
    temperature, humidity = known(view.temperature.value[index]), known(view.humidity.value[index])
    margin = known(view.margin[index])
    u_h = float(humidity_u_pct(view.settings, view.probes, view.place, float(view.humidity.value[index])))
    u_margin = float(margin_u_k(view, index)) if margin is not None else None
    absolute, u_dew = None, None
    if temperature is not None and humidity is not None:
        absolute = float(absolute_humidity_g_m3(temperature, humidity, pressure_pa))
        u_dew = float(dew_point_uncertainty_k(temperature, humidity, u_t, u_h))
    swing = usual_at(view, at_ms)
    saturated = is_saturated(view, index)
    seen_ms = view.memory.lid_seen_ms
    lately = seen_ms is not None and at_ms - seen_ms <= LOOKED_LATELY_MS
    return Situation(
        at_ms=at_ms,
        chamber=view.place,
        temperature_c=temperature,
        relative_humidity_pct=humidity,
        dew_point_c=known(view.dew_point[index]),
        absolute_humidity_g_m3=absolute,
        vapour_pressure_deficit_pa=known(view.vapour_deficit_pa[index]),
        lid_temperature_c=known(view.lid[index]),
        lid_source=_lid_source(view, index),
        dew_margin_k=margin,
        probability_wet=float(probability_wet(margin, u_margin)) if margin is not None and u_margin else None,
        condensate_g_m2=round(float(view.condensate[index]), 2),
        room_temperature_c=known(view.room_temperature[index]),
        room_relative_humidity_pct=known(view.room_humidity[index]),
        room_dew_point_c=known(view.room_dew_point[index]),
        u_temperature_k=u_t if temperature is not None else None,
        u_relative_humidity_pct=u_h if humidity is not None else None,
        u_dew_point_k=u_dew,
        u_dew_margin_k=u_margin,
        temperature_slope_k_h=known(view.recent.temperature.slope_at(at_ms, QUARTER_MS)),
        latest_slope_k_h=known(view.recent.temperature.slope_at(at_ms, LATEST_MS, LATEST_MEAN_MS)),
        humidity_slope_pct_h=known(view.recent.humidity.slope_at(at_ms, QUARTER_MS)),
        earlier_humidity_slope_pct_h=known(view.recent.humidity.slope_at(at_ms - EARLIER_MS, QUARTER_MS)),
        room_slope_k_h=None if view.room_recent is None else known(view.room_recent.slope_at(at_ms, QUARTER_MS)),
        garden_ml=view.garden_ml,
        leapt_k=known(view.leapt_k[index]),
        switched_k=known(view.switched_k[index]),
        mat_temperature_c=known(view.mat[index]),
        usual_c=known(swing.mean_c),
        usual_peak_c=known(swing.peak_c),
        usual_trough_c=known(swing.trough_c),
        usual_range_k=known(swing.range_k),
        hourly_trend_k_h=known(swing.trend_k_h),
        room_high_c=known(swing.room_high_c),
        room_lately_c=known(swing.room_lately_c),
        usual_lead_k=known(swing.lead_k),
        temperature_read_ms=read_ms(view.temperature.read_ms[index]),
        humidity_read_ms=read_ms(view.humidity.read_ms[index]),
        lid_seen_wet=bool(view.lid_seen_wet[index]),
        lid_wets=bool(view.lid_wets[index]),
        dry_looks=view.memory.dry_looks if lately else 0,
        dry_against=view.memory.dry_against if lately else 0,
        dry_doubted=lately and _seen_at_odds(view, index),
        lid_looked_ms=view.lid_looked_ms,
        visiting=view.visiting,
        taken_out=view.taken_out,
        saturated=saturated,
        lacking=_lacking(view, index, temperature, humidity, saturated),
        harm=harm,
        outside=outside,
    )


def _seen_at_odds(view: View, index: int) -> bool:
    """Return whether water was last seen on the lid in air that is said to be too dry for it, were the lid bare."""
    memory, chamber, room_c, air_c = view.memory, view.chamber, view.room_temperature[index], view.temperature.value[index]
    if chamber is None or memory.lid_seen not in SEEN_G_M2 or memory.lid_seen_pct is None:
        return False
    room_c = practice.ROOM_C if np.isnan(room_c) else room_c
    bare_c = steady_lid_temperature_c(room_c, air_c, prior_if_bare(chamber.lid).mean)
    return bool(bare_c - dew_point_c_or_nan(air_c, memory.lid_seen_pct) >= AT_ODDS_K)


def is_saturated(view: View, index: int) -> bool:
    """Return whether a humidity probe is at its top and not to be believed as air humidity."""
    names = view.settings.probes_at(view.place)
    return any(failing_test(view, name, index, "relative_humidity") == "saturated" for name in names)


def known(value: float) -> float | None:
    """Return a value as it is told of, None for NaN."""
    return None if value != value else round(float(value), 4)


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
        lacks.append("no room temperature: how warm the lid is, is not known")
    if np.isnan(view.room_humidity[index]):
        lacks.append(NO_ROOM_HUMIDITY)
    return tuple(lacks)
