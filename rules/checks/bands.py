"""Temperature and humidity against the keeper's bands.

Dryness is judged by the humidity edge for the garden's size, raised by warmth, and by what drinks a garden of that size empty;
air above the band with a dry lid is no alarm, since humid air is not the harm and liquid water is (Roces & Kleineidam 2000:
workers place fungus at 98 % RH).
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace
from datetime import tzinfo

import numpy as np
from numpy.typing import NDArray

from rules.checks.lid_dew import seen_lately
from rules.checks.verdict import Facts, Verdict, number
from rules.climate.dryness import dries_like_pct, raised_by_warmth_pct
from rules.climate.hysteresis import CLEAR, EDGE, HARM, OUTSIDE, Delays, Moving, zones
from rules.climate.onward import reached_s
from rules.climate.swing import DAMP, HEAT, lasting, mean_of_swing
from rules.climate.view import Lasting, View
from rules.climate.windows import TREND_OVER_MS, Signal
from rules.physics.vapour import vapour_pressure_deficit_pa_or_nan
from rules.settings import Chamber
from rules.settings.bands import Band, HumidityBand
from rules.terms.events import MINUTE_MS
from rules.terms.local_time import local_ms
from rules.trade.bearable import BEARABLE, HarmKind
from rules.trade.garden_sizes import DRIES_AT_C, dryness_of

Floats = NDArray[np.float64]

DAY_MS = 24 * 60 * MINUTE_MS  # by definition


SETTLES_AFTER_MS = 60 * MINUTE_MS
"""Humid air is not the harm: a lid that it wets takes an hour or more to gather what the eye sees. Own estimate."""
SATURATED_PCT = 96.0
"""From here on a probe of 2 or 3 %RH cannot tell the air from a mist: whatever is a little cooler gets wet. Own estimate."""
RAISED_PCT = 0.5
"""An edge that warmth raises by no more is told as it is written. Own estimate."""
SEEN_DRY_HOLDS_MS = 30 * 60 * MINUTE_MS
"""A lid that was seen dry makes humid air no alarm until the next day's look, which is never at quite the same hour.
Own estimate."""


def delays_of(view: View, band: Band) -> Delays:
    """Return a band's delays; easing from harmful takes as long as clearing. One reading alone is outside for no time."""
    return Delays(max(band.on_delay, view.two_readings_ms), band.off_delay, band.harmful_on_delay, band.off_delay)


def limits(view: View, band: Band, side: str) -> Floats | float | None:
    """Return one edge of a band, per instant where it depends on the time of day."""
    return edge_at(band, side, view.settings.zone, view.at_ms)


def edge_at(band: Band, side: str, zone: tzinfo, at_ms: NDArray[np.int64]) -> Floats | float | None:
    """Return one edge of a band at these instants, as an array where it depends on the time of day."""
    edge: float | None = getattr(band, side)
    if edge is None or not any(getattr(part, side) is not None for part in band.by_time):
        return edge
    local = local_ms(zone, at_ms) % DAY_MS
    result = np.full(len(local), edge)
    for part in band.by_time:
        other = getattr(part, side)
        if other is None:
            continue
        begin = (part.begin.hour * 60 + part.begin.minute) * MINUTE_MS
        end = (part.end.hour * 60 + part.end.minute) * MINUTE_MS
        ramp = max(part.ramp, 1)
        length = (end - begin) % DAY_MS
        since = (local - begin + ramp) % DAY_MS  # 0 where the first ramp begins
        share = np.clip(np.minimum(since / ramp, (length + ramp - since) / ramp), 0.0, 1.0)
        result = result + share * (other - edge)
    return result


def temperature(view: View) -> Iterator[Verdict]:
    """Too warm and too cool."""
    assert view.chamber is not None
    band = view.chamber.temperature
    worse = view.chamber.two_probes == "worse"
    for upper, edge, harmful, alarm in (
        (True, limits(view, band, "high"), band.harmful_high, "temperature-high"),
        (False, limits(view, band, "low"), band.harmful_low, "temperature-low"),
    ):
        if edge is None:
            continue
        value = (view.temperature.most if upper else view.temperature.least) if worse else view.temperature.value
        zone = zones(value, edge, harmful, band.deadband, upper)
        if (zone == OUTSIDE).any():
            mean = mean_of_swing(view, "temperature_c", view.temperature.value, HEAT)
            zone[(zone == OUTSIDE) & _is_inside(zones(mean, edge, None, band.deadband, upper))] = EDGE
        facts = _facts(view, value, edge, harmful, "degC", upper)
        worsening = gets_worse(view, "heat" if upper else "cold")
        yield Verdict(alarm, zone, view.credit_ms, delays_of(view, band), facts, worsening=worsening)


def _is_inside(zone_of_mean: NDArray[np.int8]) -> NDArray[np.bool_]:
    """Return where a value belongs to a thermostat's swing whose mean is inside: its peaks and troughs raise nothing."""
    return np.asarray((zone_of_mean == CLEAR) | (zone_of_mean == EDGE))


def moving(per_hour: float, unit: str) -> str:
    """Return how a figure moves, in words and with its unit."""
    if per_hour != per_hour:
        return "nobody knows yet how it moves"
    if abs(per_hour) < 0.05:
        return "steady"
    return f"{'rising' if per_hour > 0 else 'falling'} by {abs(per_hour):.1f} {unit} per hour"


def gets_worse(view: View, kind: HarmKind) -> Moving:
    """Return what says where the value goes the bad way faster than noise does."""
    row = BEARABLE[kind]
    signal = view.recent.humidity if kind == "dryness" else view.recent.temperature
    return lambda: row.worse * signal.slope_k_h(view.at_ms, TREND_OVER_MS) > row.noise_h


SOON_H = 0.5
"""What is back within so long was a visit, a draught or a lid that was shut again. Own estimate."""
RISE_OVER_MS = 5 * MINUTE_MS
"""Over so long a probe, which lags, shows that air comes back; a slower one from reading to reading. Own estimate."""
SUDDEN_K = 1.5
"""By so much no dew point falls within the times below but by a lid that is opened, whatever the heat does. Own estimate."""
SEEN_SHUT_MS, SEEN_SHUT_SLOWLY_MS = 12 * MINUTE_MS, 20 * MINUTE_MS
"""After so long a probe shows whether the lid was shut again; a coarse or slow one after the second. Own estimate."""
COARSE_PCT, SLOW_MS = 0.5, 2 * MINUTE_MS
"""Steps and intervals above these hide the first rise. Own estimate."""


def comes_back(
    view: View, signal: Signal, short: Floats, within_h: float = SOON_H, over_ms: int = RISE_OVER_MS
) -> NDArray[np.bool_]:
    """Return where a figure rises so that it is no longer this `short` within so many hours."""
    mean_ms = (3 if view.interval_ms <= MINUTE_MS else 2) * MINUTE_MS
    rise = signal.slope_k_h(view.at_ms, over_ms, mean_ms)
    return np.asarray((rise > 0.0) & (rise * within_h >= short))


def opened_lately(view: View, edge: Floats | float) -> NDArray[np.bool_]:
    """Return where air that was no drier than its edge has lost its vapour at one go, so short a time before that nobody can
    see yet whether it comes back."""
    slowly = (view.finest_step("relative_humidity") > COARSE_PCT) | (view.interval_ms > SLOW_MS)

    def before(signal: Signal) -> Floats:
        waits = (signal.mean(view.at_ms, back + RISE_OVER_MS, back) for back in (SEEN_SHUT_SLOWLY_MS, SEEN_SHUT_MS))
        return np.where(slowly, *waits)

    fallen_k = before(view.recent.dew_point) - view.dew_point
    return np.asarray((fallen_k >= SUDDEN_K) & (before(view.recent.humidity) >= edge))


def _facts(
    view: View, value: Floats, edge: Floats | float, harmful: float | None, unit: str, upper: bool
) -> Callable[[int], Facts]:
    def facts(index: int) -> Facts:
        limit = float(edge if isinstance(edge, float) else edge[index])
        now = float(value[index])
        harm = harmful if harmful is not None else limit
        slope = view.recent.temperature if unit == "degC" else view.recent.humidity
        kind: HarmKind = "dryness" if unit != "degC" else "heat" if upper else "cold"
        per_hour = float(slope.slope_k_h(view.at_ms[index : index + 1], 15 * MINUTE_MS)[0])
        toward = per_hour if upper else -per_hour
        distance = (harm - now) if upper else (now - harm)
        room = float(view.room_temperature[index]) if unit == "degC" and not upper else np.nan
        at_most = np.inf if np.isnan(room) else now - room  # it cools no further than its room
        left = reached_s(BEARABLE[kind], distance, toward, at_most) if toward > 0.05 else None
        over = now > limit if upper else now < limit
        because = f"{now:.1f} {unit} is {'above' if upper else 'below'} the limit of {limit:.1f} {unit}"
        if not over:
            because = f"{now:.1f} {unit}; the limit is {limit:.1f} {unit}"
        if not np.isnan(per_hour):
            because += f", {moving(per_hour, 'K' if unit == 'degC' else unit)}"
        return Facts(number(now), round(limit, 3), unit, left, because)

    return facts


def dry_limit(view: View, air_c: Floats, where: NDArray[np.intp] | slice = slice(None)) -> Floats | None:
    """Return the humidity below which the chamber is too dry, at each instant or some of them, in air that is so warm then;
    None: it is never told to be."""
    assert view.chamber is not None
    return dry_edge_pct(view.chamber, view.humidity_band, view.settings.zone, view.at_ms[where], air_c)


def dry_edge_pct(
    chamber: Chamber, band: HumidityBand, zone: tzinfo, at_ms: NDArray[np.int64], air_c: Floats
) -> Floats | None:
    """Return the lower edge of a chamber's humidity band, %RH, at these instants in air that is so warm (NaN: not raised);
    None: it has none. Where no garden grows dry air is no harm: an edge that is written there all the same is not told of."""
    edge = edge_at(band, "low", zone, at_ms) if chamber.role == "fungus" else None
    return None if edge is None else raised_by_warmth_pct(edge, chamber.temperature, air_c)


def dryness(view: View) -> Iterator[Verdict]:
    """Too dry: below the edge; harmful below the harmful edge, or where the air drinks too fast for this garden."""
    assert view.chamber is not None
    band, edge = view.humidity_band, dry_limit(view, view.temperature.value)
    if edge is None:
        return
    value = view.humidity.least if view.chamber.two_probes == "worse" else view.humidity.value
    lasts = lasting(view)
    zone = _by_its_mean(view, lasts, zones(value, edge, band.harmful_low, band.deadband, upper=False))
    beyond = zone >= OUTSIDE
    if beyond.any():
        drinks = dries_like_pct(vapour_pressure_deficit_pa_or_nan(lasts.temperature_c, lasts.humidity_pct))
        zone[(drinks < dryness_of(view.garden_ml).drunk_pct) & beyond] = HARM
    told, written = _facts(view, value, edge, band.harmful_low, "%RH", False), limits(view, band, "low")
    assert written is not None  # or there were no edge

    def facts(index: int) -> Facts:
        found, as_if = told(index), float(dries_like_pct(view.vapour_deficit_pa[index]))
        base = written if isinstance(written, float) else float(written[index])
        if found.limit is not None and found.limit > base + RAISED_PCT:
            found = replace(found, raised_from=base)
        if not as_if < float(value[index]) - 2.0:
            return found
        like = f"like {as_if:.0f} %RH" if as_if >= 0.0 else "faster than the driest air"
        return replace(found, because=f"{found.because}; so warm, it dries {like} at {DRIES_AT_C:.0f} degC")

    def returning() -> NDArray[np.bool_]:
        by_itself = opened_lately(view, edge) | comes_back(view, view.recent.humidity, edge - value)
        return by_itself & np.isnan(lasts.swing_pct)  # each pulse of the heat comes back, and goes again

    yield Verdict(
        "humidity-low", zone, view.credit_humidity_ms, delays_of(view, band), facts, worsening=gets_worse(view, "dryness"),
        returning=returning,
    )  # fmt: skip


def _by_its_mean(view: View, lasts: Lasting, zone: NDArray[np.int8]) -> NDArray[np.int8]:
    """Return the zones with the troughs of a swing inside where its mean is, and its peaks outside where it is not.

    It is not where neither the mean of its hours nor that of the last half hour is, which water given has raised first.
    """
    if np.isnan(lasts.swing_pct).all():
        return zone
    heat = mean_of_swing(view, "temperature_c", view.temperature.value, HEAT)
    mean = _dry_zones(view, lasts.swing_pct, np.where(np.isnan(heat), view.temperature.value, heat))
    now = _dry_zones(view, lasts.humidity_pct, lasts.temperature_c)
    found = zone.copy()
    found[(zone == OUTSIDE) & _is_inside(mean)] = EDGE
    found[_is_inside(zone) & (mean == OUTSIDE) & (now == OUTSIDE)] = OUTSIDE
    return found


def _dry_zones(view: View, humidity_pct: Floats, air_c: Floats) -> NDArray[np.int8]:
    limit = dry_limit(view, air_c)
    assert limit is not None
    return zones(humidity_pct, limit, None, view.humidity_band.deadband, upper=False)


def dampness(view: View) -> Iterator[Verdict]:
    """Too humid: above the edge while nobody knows the lid, and at saturation unless it is dry; what less humid air leaves on a
    lid that is known is told of the lid.

    Where no garden grows the lid is no question: leaves and waste must not stay damp.
    """
    assert view.chamber is not None
    band = view.chamber.humidity
    edge = limits(view, band, "high")
    if edge is None:
        return
    value = view.humidity.most if view.chamber.two_probes == "worse" else view.humidity.value
    zone = zones(value, edge, band.harmful_high, band.deadband, upper=True)
    if (zone == OUTSIDE).any():
        mean = mean_of_swing(view, "relative_humidity_pct", view.humidity.value, DAMP)
        zone[(zone == OUTSIDE) & _is_inside(zones(mean, edge, None, band.deadband, upper=True))] = EDGE
    if view.chamber.role == "fungus":
        lid = view.chamber.lid_dew
        dry = view.margin > lid.caution_margin_k + lid.deadband
        if view.memory.lid_seen == "dry":
            dry |= seen_lately(view, SEEN_DRY_HOLDS_MS)
        zone[dry & (zone >= EDGE) & (zone < HARM)] = CLEAR
        of_lid = (view.margin > lid.caution_margin_k) | (~np.isnan(view.margin) & (value < SATURATED_PCT))
        zone[of_lid & (zone == OUTSIDE)] = EDGE
    delays = delays_of(view, band)
    if view.chamber.role == "fungus":
        delays = replace(delays, on_ms=max(delays.on_ms, SETTLES_AFTER_MS))
    yield Verdict(
        "humidity-high" if view.chamber.role == "fungus" else "damp",
        zone,
        view.credit_humidity_ms,
        delays,
        _facts(view, value, edge, band.harmful_high, "%RH", True),
    )
